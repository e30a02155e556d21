package tape

import (
	"context"
	"errors"
	"fmt"
	"math"

	"remanence/picture"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// Picture is one drawing of a recording.
type Picture struct {
	Name   string // of the file, without extension
	Canvas *picture.Canvas
}

// maxFaultPictures bounds how many faults are drawn.
const maxFaultPictures = 24

// Pictures draws a result that was read with ReadOptions.Keep: the side as a ribbon, level and speed along it, the eye,
// the places of pulses (or lengths of half-waves), and the waveform around each fault with the decisions on it. src must
// be the same recording again, from its start.
func Pictures(ctx context.Context, r *Result, src audio.Source) ([]Picture, error) {
	if r.Diagnosis == nil || r.rate == 0 {
		return nil, errors.New("pictures: want a result read with Keep, found one without its runs")
	}
	out := []Picture{{"tape", r.drawSide()}, {"level", r.drawLevel()}, {"speed", r.drawSpeed()}}
	if listen := listeningRate(src.Format()); listen != src.Format().RateHz {
		src = audio.Resample(src, listen)
	}
	w, err := r.windows(ctx, src)
	if err != nil {
		return nil, err
	}
	out = append(out, r.eyePictures(w)...)
	for i, f := range w.faults {
		if len(f.samples) > 0 {
			out = append(out, Picture{fmt.Sprintf("fault-%02d", i+1), r.drawFault(f)})
		}
	}
	return out, nil
}

func (r *Result) eyePictures(w *windowSet) []Picture {
	if len(w.eye) == 0 {
		return nil
	}
	return []Picture{{"eye", r.drawEye(w)}, {"places", r.drawPlaces(w)}}
}

// EyePictures draws the eye and the places of pulses (or lengths of half-waves) of a result that was read with
// ReadOptions.Keep, from a few hundred short stretches of the recording.
func EyePictures(ctx context.Context, r *Result, sound Sound) ([]Picture, error) {
	if r.rate == 0 {
		return nil, errors.New("pictures: want a result read with Keep, found one without its runs")
	}
	w := &windowSet{eye: r.eyeTraces()}
	for _, e := range w.eye {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err := r.readEye(e, sound); err != nil {
			return nil, err
		}
	}
	return r.eyePictures(w), nil
}

// framed puts a title above a drawing and some paper around it. A long note takes as many lines as it needs.
func framed(inner *picture.Canvas, title, note string) *picture.Canvas {
	const pad, line = 20.0, 16.0
	lines := picture.Lines(note, inner.Width, 11, picture.Sans, 12)
	top := 40.0
	if len(lines) > 0 {
		top += line*float64(len(lines)) + 2
	}
	c := picture.New(inner.Width+2*pad, inner.Height+top+pad, picture.Px)
	c.Title, c.Desc, c.Background = title, note, picture.Paper
	c.Text(pad, 28, picture.Shorten(title, inner.Width, 14, picture.Bold), picture.TextStyle{Size: 14, Face: picture.Bold})
	for i, l := range lines {
		c.Text(pad, 48+line*float64(i), l, picture.TextStyle{Size: 11, Colour: picture.Soft})
	}
	c.Place(inner, pad, top, 1)
	return c
}

// margin turns the odds (ln) of a bit into 0..1: nothing left at 0, ample from 20 on.
func margin(odds float64) float64 { return math.Min(1, math.Max(0, odds/20)) }

func mmss(s float64) string {
	return fmt.Sprintf("%d:%02d", int(s)/60, int(s)%60)
}

// drawSide is the whole side as one ribbon, wrapped into lines.
func (r *Result) drawSide() *picture.Canvas {
	d := r.Diagnosis
	line := 60.0
	if d.DurationS < 60 {
		line = math.Max(5, 5*math.Ceil(d.DurationS/5))
	}
	for d.DurationS/line > 60 {
		line *= 2
	}
	ribbon := picture.Ribbon{}
	for _, t := range r.runs {
		lead := picture.Stretch{From: t.best.leaderS(), To: t.best.fromS(), State: picture.Good, Margin: -1, Label: "leader", Title: t.best.Code.Name + " leader"}
		ribbon.Stretches = append(ribbon.Stretches, lead)
	}
	parts := make([][]part, len(r.Programs))
	n := 0
	for i, p := range r.Programs {
		parts[i] = p.parts(0)
		n += len(parts[i])
	}
	least := 3 * line / 850 // what went wrong is at least 3 px wide
	for i, p := range r.Programs {
		if n > 4000 { // a stretch a program is enough on such a side
			parts[i] = []part{{Stretch: p.asOne()}}
		}
		for _, x := range parts[i] {
			if x.over {
				x.widen(least)
			}
			ribbon.Stretches = append(ribbon.Stretches, x.Stretch)
		}
	}
	lines := ribbon.Wrap(0, math.Max(d.DurationS, 1), line, mmss)
	s := picture.Stack{Title: "What lies where on the tape", Axis: picture.Axis{To: line, Unit: "s", Label: "time within the line"},
		Ribbons: lines, Height: 22, Gap: 8, Legend: true, Desc: r.Verdict}
	return framed(s.Draw(), s.Title, r.Verdict)
}

// marks are the dropouts and splices, for charts.
func (d *Diagnosis) chartMarks() []picture.Mark {
	var out []picture.Mark
	for _, e := range d.Dropouts { // those that cost something first: their words matter
		if e.Lost != "" && len(out) < 12 {
			out = append(out, picture.Mark{X: e.AtS, Text: e.Lost + " lost"})
		}
	}
	for _, e := range d.Dropouts {
		if e.Lost == "" && len(out) < 30 {
			out = append(out, picture.Mark{X: e.AtS})
		}
	}
	for _, e := range d.Splices {
		out = append(out, picture.Mark{X: e.AtS, Text: "splice"})
	}
	return out
}

func (r *Result) drawLevel() *picture.Canvas {
	d := r.Diagnosis
	var x, level, peak, hum []float64
	for _, s := range d.Timeline {
		x = append(x, s.AtS+d.SliceS/2)
		level = append(level, math.Max(s.LevelDB, -90))
		peak = append(peak, math.Max(s.PeakDB, -90))
		hum = append(hum, math.Max(s.HumDB, -90))
	}
	title := "Level along the tape"
	note := fmt.Sprintf("effective level, peak and mains hum of the channel in use, every %.2g s; dashed lines: dropouts", d.SliceS)
	ch := picture.Chart{Title: title, Desc: note,
		X: picture.Axis{To: math.Max(d.DurationS, 1), Unit: "s", Label: "time"}, Y: picture.Axis{From: -80, To: 0, Unit: "dBFS"},
		Curves: []picture.Curve{{Name: "level", X: x, Y: level}, {Name: "peak", X: x, Y: peak}, {Name: "hum", X: x, Y: hum}}, Marks: d.chartMarks()}
	return framed(ch.Draw(), title, note)
}

func (r *Result) drawSpeed() *picture.Canvas {
	d := r.Diagnosis
	var x, y []float64
	for _, t := range r.runs {
		step := max(1, len(t.bytes)/4000)
		for i := 0; i < len(t.bytes); i += step {
			x = append(x, t.best.seconds(t.bytes[i].At))
			y = append(y, 100*(float64(t.bytes[i].Speed)-1))
		}
		x, y = append(x, t.best.toS()), append(y, math.NaN())
	}
	lo, hi := -1.0, 1.0
	if len(y) > 1 {
		lo, hi = math.Min(lo, math.Floor(d.SpeedMinPct)), math.Max(hi, math.Ceil(d.SpeedMaxPct))
	}
	title, note := "Speed along the tape", "deviation from nominal speed, byte by byte"
	if d.WowMethod != "" {
		note += fmt.Sprintf("; mean %+.2f %%, wow and flutter %.2f %% weighted, %.2f %% unweighted", r.SpeedPercent, d.WowFlutter, d.WowUnweight)
	}
	ch := picture.Chart{Title: title, Desc: note, X: picture.Axis{To: math.Max(d.DurationS, 1), Unit: "s", Label: "time"},
		Y: picture.Axis{From: lo, To: hi, Unit: "%", Label: "deviation"}, Curves: []picture.Curve{{Name: "speed", X: x, Y: y}}, Marks: d.chartMarks()}
	return framed(ch.Draw(), title, note)
}

// drawEye lays the sound of many bits over each other: ones above, zeros below. Clear lines are a clean tape; a blur is
// noise, a broadening to the sides is flutter.
func (r *Result) drawEye(w *windowSet) *picture.Canvas {
	const width, height, left, top, gap = 960.0, 400.0, 56.0, 40.0, 34.0
	c := picture.New(width, height, picture.Px)
	c.Background = picture.Paper
	c.Title = "Eye: many bits laid over each other"
	c.Text(left, 22, c.Title, picture.TextStyle{Size: 14, Face: picture.Bold})
	h := (height - top - gap - 36) / 2
	plotW := width - left - 24
	var swings []float64
	for _, e := range w.eye {
		for _, v := range e.samples {
			swings = append(swings, float64(v))
		}
	}
	lo, hi := quantile(swings, 0.001), quantile(swings, 0.999)
	room := math.Max((hi-lo)*0.06, 1e-4)
	lo, hi = lo-room, hi+room
	for bit := 1; bit >= 0; bit-- {
		y := top + float64(1-bit)*(h+gap)
		c.Rect(left, y, plotW, h, picture.Style{Fill: picture.Card, Stroke: picture.Rule})
		c.Text(left-12, y+h/2+4, fmt.Sprint(bit), picture.TextStyle{Size: 16, Anchor: picture.End})
		// density of traces on a fine grid, drawn in the steps of the hue
		const cols, rows = 240, 60
		var grid [cols][rows]float64
		n := 0
		for _, e := range w.eye {
			if e.bit != bit || len(e.samples) < 4 {
				continue
			}
			n++
			for k := 0; k < cols; k++ {
				pos := e.at + e.cell*(2*(float64(k)+0.5)/cols-0.5) - float64(e.start)
				i := int(math.Floor(pos))
				if i < 0 || i+1 >= len(e.samples) {
					continue
				}
				v := float64(e.samples[i]) + (float64(e.samples[i+1])-float64(e.samples[i]))*(pos-float64(i))
				row := int((hi - v) / (hi - lo) * rows)
				if row >= 0 && row < rows {
					grid[k][row]++
				}
			}
		}
		if n == 0 {
			continue
		}
		cw, rh := plotW/cols, h/rows
		var steps [7]*picture.Path // one path a step of the hue: thousands of marks would be slow to show
		for k := 0; k < cols; k++ {
			for row := 0; row < rows; row++ {
				if d := grid[k][row]; d > 0 {
					i := picture.Hue(math.Min(0.99, 0.15+3*d/float64(n))) - picture.Hue0
					if steps[i] == nil {
						steps[i] = &picture.Path{}
					}
					steps[i].Rect(left+float64(k)*cw, y+float64(row)*rh, cw+0.3, rh+0.3)
				}
			}
		}
		for i, p := range steps {
			if p != nil {
				c.Path(p, picture.Style{Fill: picture.Hue0 + picture.Colour(i)})
			}
		}
		for _, edge := range []float64{0, 1} { // borders of the cell
			x := left + plotW*(edge+0.5)/2
			c.Line(x, y, x, y+h, picture.Style{Stroke: picture.Oxide, Dash: []float64{3, 3}})
		}
		c.Text(left+plotW-6, y+14, fmt.Sprintf("%d bits", n), picture.TextStyle{Size: 10, Colour: picture.Soft, Anchor: picture.End})
	}
	c.Text(left+plotW*0.25, height-14, "start of the bit", picture.TextStyle{Size: 11, Colour: picture.Oxide, Anchor: picture.Middle})
	c.Text(left+plotW*0.75, height-14, "end", picture.TextStyle{Size: 11, Colour: picture.Oxide, Anchor: picture.Middle})
	return c
}

// drawPlaces is the histogram of pulse places within the cell, or of the lengths of half-waves.
func (r *Result) drawPlaces(w *windowSet) *picture.Canvas {
	t := w.eye[0].t
	c := t.best.Code
	const bins = 160
	g := picture.Histogram{Counts: make([]int, bins), Log: true}
	if c.Pulses != nil {
		g.Title = "Where pulses stand in their cell"
		g.X = picture.Axis{From: -0.25, To: 1.25, Unit: "cells", Label: "place of the pulse"}
		for _, p := range c.Pulses.One {
			g.Expected = append(g.Expected, p+pulseMiddle(c))
		}
		// Where a cell begins is known from its pulses alone: the clock pulses are put where they should be, and the
		// picture shows how the others lie to them.
		var all, clock []float64
		for _, e := range w.eye {
			for _, pos := range pulsePlaces(e, t.best.Inverted) {
				all = append(all, pos)
				if math.Abs(pos-g.Expected[0]) < 0.2 {
					clock = append(clock, pos)
				}
			}
		}
		shift := 0.0
		if len(clock) > 0 {
			shift = g.Expected[0] - quantile(clock, 0.5)
		}
		for _, pos := range all {
			if k := int((pos + shift + 0.25) / 1.5 * bins); k >= 0 && k < bins {
				g.Counts[k]++
			}
		}
		g.Expected = append(g.Expected, g.Expected[0]+1)
	} else {
		longest := 0.0
		add := func(us float64) {
			g.Expected = append(g.Expected, us)
			longest = math.Max(longest, us)
		}
		if c.Tones != nil {
			add(5e5 / c.Tones.One.Hz)
			add(5e5 / c.Tones.Zero.Hz)
		} else {
			for _, us := range append(append([]float64(nil), c.Waves.One...), c.Waves.Zero...) {
				add(math.Abs(us))
			}
		}
		g.Title = "How long half-waves are"
		g.X = picture.Axis{From: 0, To: 1.6 * longest, Unit: "us", Label: "between two changes of sign"}
		for _, e := range w.eye {
			for _, n := range halfWaves(e.samples) {
				if k := int(n / r.rate * 1e6 / (1.6 * longest) * bins); k >= 0 && k < bins {
					g.Counts[k]++
				}
			}
		}
	}
	g.Desc = "dashed: where they should be; narrow heaps are a steady tape"
	return framed(g.Draw(), g.Title, g.Desc)
}

// pulseMiddle is the place of the upward pulse's middle after its start, in cells.
func pulseMiddle(c *linecode.Code) float64 {
	at := 0.0
	for _, s := range c.Pulses.Pulse {
		if s.Level > 0 {
			return (at + s.US/2) / c.Pulses.CellUS
		}
		at += s.US
	}
	return 0
}

// pulsePlaces finds the upward peaks of at least half the height of the highest, in cells from the start of the bit.
func pulsePlaces(e *eyeTrace, inverted bool) []float64 {
	sign := 1.0
	if inverted {
		sign = -1
	}
	at := func(i int) float64 { return sign * float64(e.samples[i]) }
	top := 0.0
	for i := range e.samples {
		top = math.Max(top, at(i))
	}
	var out []float64
	for i := 1; i+1 < len(e.samples); i++ {
		v := at(i)
		if v < 0.5*top || v < at(i-1) || v <= at(i+1) {
			continue
		}
		// the middle of the top: parabola through three samples
		den := at(i-1) - 2*v + at(i+1)
		d := 0.0
		if den != 0 {
			d = 0.5 * (at(i-1) - at(i+1)) / den
		}
		flat := i // of a flat top, its middle
		for flat > 0 && at(flat-1) == v {
			flat--
		}
		pos := (float64(i+flat)/2 + d + float64(e.start) - e.at) / e.cell
		if pos >= -0.25 && pos <= 1.25 && (len(out) == 0 || pos-out[len(out)-1] > 0.12) {
			out = append(out, pos)
		}
	}
	return out
}

// halfWaves gives the times between changes of sign, in samples.
func halfWaves(s []float32) []float64 {
	mean := 0.0
	for _, v := range s {
		mean += float64(v)
	}
	mean /= float64(max(len(s), 1))
	var out []float64
	last := -1.0
	for i := 1; i < len(s); i++ {
		a, b := float64(s[i-1])-mean, float64(s[i])-mean
		if (a < 0) == (b < 0) {
			continue
		}
		at := float64(i-1) + a/(a-b)
		if last >= 0 {
			out = append(out, at-last)
		}
		last = at
	}
	return out
}

// drawFault is the waveform around a fault, with the decision on each bit below it: the bit, and its margin as a stretch
// of ribbon.
func (r *Result) drawFault(f *faultWindow) *picture.Canvas {
	const width, left, plotH = 960.0, 16.0, 150.0
	const plotW = width - 2*left
	title := picture.Lines(f.fault.String(), plotW, 13, picture.Bold, 4)
	top := 62 + 18*float64(len(title)-1)
	height := top + 238
	c := picture.New(width, height, picture.Px)
	c.Background = picture.Paper
	c.Title = f.fault.String()
	c.Desc = "the sound around the fault, and the bits decided from it"
	for i, l := range title {
		c.Text(left, 22+18*float64(i), l, picture.TextStyle{Size: 13, Face: picture.Bold})
	}
	c.Text(left, top-20, fmt.Sprintf("%s, the least certain bits near it; pale: little margin", f.t.best.Code.Title), picture.TextStyle{Size: 11, Colour: picture.Soft})
	c.Rect(left, top, plotW, plotH, picture.Style{Fill: picture.Card, Stroke: picture.Rule})
	lo, hi := f.samples[0], f.samples[0]
	for _, v := range f.samples {
		lo, hi = min(lo, v), max(hi, v)
	}
	room := math.Max(float64(hi-lo)*0.08, 1e-4)
	c.Clip(left, top, plotW, plotH, func() {
		c.Signal(left, top, plotW, plotH, f.samples, float64(lo)-room, float64(hi)+room, picture.Style{Stroke: picture.Trace, Width: 1.4})
	})
	x := func(sample float64) float64 {
		return left + plotW*(sample-float64(f.start))/float64(max(len(f.samples)-1, 1))
	}
	code := f.t.best.Code
	frame := float64(code.Framing.FrameBits())
	off := float64(f.t.best.base)
	for i := range f.t.bytes {
		b := &f.t.bytes[i]
		if b.At+off+float64(b.Length) < f.from || b.At+off > f.to {
			continue
		}
		cell := float64(b.Length) / frame
		start := b.At + off
		x0, x1 := x(start), x(start+float64(b.Length))
		for k := range 8 {
			w := k
			if code.Framing.Order == linecode.HighFirst {
				w = 7 - k
			}
			p := start + float64(k+len(code.Framing.Start))*cell
			a, z := x(p), x(p+cell)
			if a < left-1 || z > left+plotW+1 {
				continue
			}
			odds := math.Abs(float64(b.LLR[w]))
			st := picture.Style{Fill: picture.Hue(margin(odds)), Stroke: picture.Soft, Width: 0.5}
			if odds < certain {
				st.Pattern = picture.Dots
			}
			c.Group(fmt.Sprintf("bit %d = %d, odds e^%.1f to 1", w, b.Value>>w&1, odds), func() {
				c.Line(a, top, a, top+plotH, picture.Style{Stroke: picture.Rule, Dash: []float64{2, 3}})
				c.Rect(a, top+plotH+8, z-a, 16, st)
				c.Text((a+z)/2, top+plotH+40, fmt.Sprint(b.Value>>w&1), picture.TextStyle{Size: 11, Face: picture.Mono, Anchor: picture.Middle})
			})
		}
		if x0 > left-20 && x1 < left+plotW+20 {
			c.Line(math.Max(x0, left), top+plotH+48, math.Min(x1, left+plotW), top+plotH+48, picture.Style{Stroke: picture.Soft})
			c.Text((math.Max(x0, left)+math.Min(x1, left+plotW))/2, top+plotH+62, fmt.Sprintf("%02X", b.Value), picture.TextStyle{Size: 12, Face: picture.Mono, Anchor: picture.Middle})
		}
	}
	from, to := float64(f.start)/r.rate, (float64(f.start)+float64(len(f.samples)))/r.rate
	c.Text(left, height-10, fmt.Sprintf("%.4f s", from), picture.TextStyle{Size: 10, Colour: picture.Soft})
	c.Text(left+plotW, height-10, fmt.Sprintf("%.4f s", to), picture.TextStyle{Size: 10, Colour: picture.Soft, Anchor: picture.End})
	return c
}
