package tape

import (
	"fmt"
	"math"
	"sort"

	"remanence/picture"
	"remanence/tape/linecode"
)

// lensBit is one bit with its place, in seconds.
type lensBit struct {
	from, to float64
	value    int
	odds     float64 // ln P(1)/P(0); NaN: the declaration says what it is
	bit      int     // weight 1<<bit in the byte
	kind     string  // "": a data bit; "start", "stop", "parity"
	b        *LookByte
	run      int
}

// bitsOf lays the bits of a byte along its frame, each as long as its value is by the declaration.
func (l *Look) bitsOf(b *LookByte) []lensBit {
	run := l.h.Pieces[b.piece].Run
	c := l.h.Codes[l.h.Runs[run].Code]
	f := c.Framing
	var out []lensBit
	add := func(value int, odds float64, bit int, kind string) {
		out = append(out, lensBit{value: value, odds: odds, bit: bit, kind: kind, b: b, run: run})
	}
	for _, v := range f.Start {
		add(v, math.NaN(), 0, "start")
	}
	ones := 0
	for k := range f.Bits {
		w := k
		if f.Order == linecode.HighFirst {
			w = f.Bits - 1 - k
		}
		v := int(b.Heard) >> w & 1
		ones += v
		add(v, b.Odds[w], w, "")
	}
	if f.Parity != "" {
		v := 0
		switch f.Parity {
		case "even":
			v = ones & 1
		case "odd":
			v = 1 - ones&1
		case "mark":
			v = 1
		}
		add(v, math.NaN(), 0, "parity")
	}
	for _, v := range f.Stop {
		add(v, math.NaN(), 0, "stop")
	}
	total := 0.0
	for _, x := range out {
		total += c.BitSeconds(x.value)
	}
	at := b.AtS
	for i := range out {
		out[i].from = at
		at += b.LengthS * c.BitSeconds(out[i].value) / total
		out[i].to = at
	}
	return out
}

// view is the sound read for a lens.
type view struct {
	s       []float32 // of the signal in which the bits were decided
	first   int64     // frame of s[0]
	rate    float64
	matches []matched // where bits are wide enough
}

func (v *view) at(frame float64) float64 { return frame / v.rate }

// scaleOf is the height of a signal row: the least of a row of round values that the signal around the lens does not
// exceed, so that it does not jump while one moves along.
func (d *drawer) scaleOf(from, to float64) float64 {
	rate := float64(d.l.h.Format.RateHz)
	span := to - from
	most := 0.0
	for c := range d.l.h.Peaks {
		lo, hi, _, _, err := d.l.peaksOf(d.r, c, int64((from-span)*rate), int64((to+span)*rate), 8)
		if err != nil {
			continue // the row itself will say so
		}
		for i := range lo {
			most = math.Max(most, math.Max(float64(hi[i]), -float64(lo[i])))
		}
	}
	for _, s := range []float64{0.001, 0.002, 0.005, 0.01, 0.02, 0.035, 0.05, 0.07, 0.1, 0.14, 0.2, 0.28, 0.35, 0.5, 0.7, 0.85} {
		if most <= s*0.98 {
			return s
		}
	}
	return 1
}

// channelAt is the signal that was listened to in the middle of the lens: a channel, or both put together.
func (d *drawer) channelAt() string {
	mid := (d.from + d.to) / 2
	best, name := math.Inf(1), "left"
	for _, r := range d.l.h.Runs {
		far := math.Max(0, math.Max(r.LeaderS-mid, mid-r.ToS))
		if far < best {
			best, name = far, r.Channel
		}
	}
	if d.l.h.Format.Channels == 1 {
		return "mono"
	}
	return name
}

// signal draws the envelope from afar, the waveform from near, single samples from very near; bits lay their borders
// over it.
func (d *drawer) signal(sound Sound, bits []lensBit) (*view, error) {
	rate := float64(d.l.h.Format.RateHz)
	scale := d.scaleOf(d.from, d.to)
	high := fmt.Sprintf("±%.3g of full scale", scale)
	frames := (d.to - d.from) * rate
	if sound == nil || frames > lensFrames {
		names := []string{"signal"}
		if len(d.l.h.Peaks) == 2 {
			names = []string{"left channel", "right channel"}
		}
		h := 110.0 / float64(len(names))
		for c, n := range names {
			d.caption(n+": least and greatest samples", high)
			if err := d.envelope(c, math.Max(h, 60), scale); err != nil {
				return nil, err
			}
		}
		return nil, nil
	}
	channel := d.channelAt()
	v, err := d.read(sound, channel, frames)
	if err != nil {
		return nil, err
	}
	name := "signal"
	switch channel {
	case "left", "right":
		name += ", " + channel + " channel"
	case "both":
		name += ", both channels put together"
	}
	h := 150.0
	dots := frames < d.w()/3
	switch {
	case dots:
		name += ": single samples"
	case len(bits) > 0:
		name += ", with the borders of bits and bytes"
	}
	if len(bits) > 0 && d.px(bits[0].to-bits[0].from) >= matchLeastPX {
		v.matches = d.match(v, bits)
		name += "; dashed: as declared"
	}
	d.caption(name, high)
	d.frame(h)
	y := func(s float64) float64 { return d.y + h/2 - h/2*math.Max(-1, math.Min(1, s/scale)) }
	d.borders(bits, h)
	if dots {
		d.thresholds(v, bits, y)
	}
	d.c.Clip(d.x0, d.y, d.w(), h, func() {
		x := func(i int) float64 { return d.x(v.at(float64(v.first + int64(i)))) }
		if n := len(v.s); n > 2*int(d.w()) {
			d.c.Signal(x(0), d.y, x(n-1)-x(0), h, v.s, -scale, scale, picture.Style{Stroke: picture.Trace})
			return
		}
		for _, m := range v.matches {
			pts := make([]picture.Point, len(m.pts))
			for i, p := range m.pts {
				pts[i] = picture.Point{X: d.x(p.X), Y: y(p.Y)}
			}
			d.c.Polyline(pts, picture.Style{Stroke: picture.Soft, Width: 0.9, Dash: []float64{3, 2}})
		}
		pts := make([]picture.Point, len(v.s))
		for i, s := range v.s {
			pts[i] = picture.Point{X: x(i), Y: y(float64(s))}
		}
		width := 1.4
		if dots {
			width = 0.8
		}
		d.c.Polyline(pts, picture.Style{Stroke: picture.Trace, Width: width})
		if !dots {
			return
		}
		p := &picture.Path{}
		for i := range pts {
			p.Rect(pts[i].X-2, pts[i].Y-2, 4, 4)
		}
		d.c.Path(p, picture.Style{Fill: picture.Trace})
	})
	d.y += h
	return v, nil
}

func (d *drawer) frame(h float64) {
	d.c.Rect(d.x0, d.y, d.w(), h, picture.Style{Fill: picture.Card, Stroke: picture.Rule})
	d.c.Line(d.x0, d.y+h/2, d.x1, d.y+h/2, picture.Style{Stroke: picture.Rule})
}

// envelope draws the peaks of a channel and moves down.
func (d *drawer) envelope(channel int, h, scale float64) error {
	rate := float64(d.l.h.Format.RateHz)
	lo, hi, step, first, err := d.l.peaksOf(d.r, channel, int64(d.from*rate), int64(math.Ceil(d.to*rate)), int(d.w()))
	if err != nil {
		return err
	}
	d.frame(h)
	if n := len(lo); n > 0 {
		a, b := d.x(float64(first*step)/rate), d.x(float64((first+int64(n))*step)/rate)
		lo, hi = fewer(lo, hi, max(1, n/int(d.w())))
		b = a + (b-a)*float64(len(lo)*max(1, n/int(d.w())))/float64(n)
		d.c.Clip(d.x0, d.y, d.w(), h, func() {
			d.c.Envelope(a, d.y, b-a, h, lo, hi, -scale, scale, picture.Style{Stroke: picture.Trace})
		})
	}
	d.y += h
	return nil
}

// fewer joins each k steps of an envelope; the last may hold fewer of them.
func fewer(lo, hi []float32, k int) ([]float32, []float32) {
	if k < 2 {
		return lo, hi
	}
	n := 0
	for i := 0; i < len(lo); i += k {
		a, b := lo[i], hi[i]
		for j := i + 1; j < min(i+k, len(lo)); j++ {
			a, b = min(a, lo[j]), max(b, hi[j])
		}
		lo[n], hi[n] = a, b
		n++
	}
	return lo[:n], hi[:n]
}

// read gets the samples of a lens, and a few on either side, from the signal in which its bits were decided.
func (d *drawer) read(sound Sound, channel string, frames float64) (*view, error) {
	f := sound.Format()
	rate := float64(f.RateHz)
	const beside = 2 * maxSkew
	from := int64(math.Floor(d.from*rate)) - beside
	n := int(frames) + 2*beside + 2
	skip := int64(0)
	if from < 0 {
		skip, from = -from, 0
		n -= int(skip)
	}
	buf := make([]float32, max(0, n)*f.Channels)
	got, err := sound.ReadFrames(buf, from)
	if err != nil {
		return nil, err
	}
	v := &view{first: from, rate: rate, s: make([]float32, got)}
	ch := f.Channels
	right := func(i int) float32 {
		if i < 0 || i >= got || ch < 2 {
			return 0
		}
		return buf[i*ch+1]
	}
	for i := range v.s {
		switch {
		case channel == "right":
			v.s[i] = right(i)
		case channel == "both" && ch > 1:
			m := d.l.mixAt(float64(from+int64(i)) / rate)
			lag := int(math.Round(float64(m.Lag) * rate / d.l.h.ListenS))
			v.s[i] = m.Left*buf[i*ch] + m.Right*right(i+lag)
		default:
			v.s[i] = buf[i*ch]
		}
	}
	return v, nil
}

// mixAt is how the channels were put together at a time.
func (l *Look) mixAt(s float64) mixAt { return mixBefore(l.h.Mixes, int64(s*l.h.ListenS)) }

// mixBefore is the last of the mixes at or before a sample; before the first, that one; without any, both alike.
func mixBefore(mixes []mixAt, at int64) mixAt {
	if len(mixes) == 0 {
		return mixAt{Left: 0.5, Right: 0.5}
	}
	return mixes[max(0, sort.Search(len(mixes), func(i int) bool { return mixes[i].At > at })-1)]
}

// borders are the beginnings of bits (dashed) and bytes.
func (d *drawer) borders(bits []lensBit, h float64) {
	for i := range bits {
		x := d.x(bits[i].from)
		if x < d.x0 || x > d.x1 {
			continue
		}
		st := picture.Style{Stroke: picture.Rule, Dash: []float64{2, 3}}
		if i == 0 || bits[i].b != bits[i-1].b {
			st = picture.Style{Stroke: picture.Soft, Width: 0.75}
		} else if d.px(bits[i].to-bits[i].from) < 8 {
			continue
		}
		d.c.Line(x, d.y, x, d.y+h, st)
	}
}

// thresholds are the lines by which the timing row below finds pulses and half-waves.
func (d *drawer) thresholds(v *view, bits []lensBit, y func(float64) float64) {
	if len(bits) == 0 {
		return
	}
	level, what := d.threshold(v, bits)
	d.c.Line(d.x0, y(level), d.x1, y(level), picture.Style{Stroke: picture.Oxide, Width: 0.8, Dash: []float64{5, 3}})
	ty := y(level) - 4
	if ty < d.y+12 {
		ty = y(level) + 12
	}
	d.c.Text(d.x1-4, ty, picture.Shorten(what, d.w()-8, 10, picture.Sans), picture.TextStyle{Size: 10, Colour: picture.Oxide, Anchor: picture.End})
}

// threshold is the level that counts for timing: half the height of a pulse, or the mean that half-waves swing about.
func (d *drawer) threshold(v *view, bits []lensBit) (level float64, what string) {
	run := &d.l.h.Runs[bits[0].run]
	if d.l.h.Codes[run.Code].Pulses == nil {
		mean := 0.0
		for _, s := range v.s {
			mean += float64(s) / float64(len(v.s))
		}
		return mean, "a half-wave ends where this line is crossed"
	}
	most := 0.0
	for _, s := range v.s {
		if run.Inverted {
			s = -s
		}
		most = math.Max(most, float64(s))
	}
	if run.Inverted {
		return -most / 2, "half the height of the pulse"
	}
	return most / 2, "half the height of the pulse"
}

// curves are level and speed along the stretch.
func (d *drawer) curves() error {
	x, level, peak, speed, err := d.l.curve(d.r, d.from, d.to)
	if err != nil {
		return err
	}
	if len(x) < 2 {
		return nil
	}
	d.caption("level (line) and peak (dashed)", "-60 to 0 dBFS")
	d.plot(x, level, -60, 0, 48, nil)
	d.y -= 48
	d.plot(x, peak, -60, 0, 48, []float64{4, 3})
	lo, hi := 0.0, 0.0
	heard := false
	for _, v := range speed {
		if !math.IsNaN(v) {
			lo, hi, heard = math.Min(lo, v), math.Max(hi, v), true
		}
	}
	if !heard {
		return nil
	}
	most := math.Max(1, math.Ceil(math.Max(-lo, hi)))
	d.caption("speed against nominal", fmt.Sprintf("±%.0f %%", most))
	d.plot(x, speed, -most, most, 48, nil)
	return nil
}

// plot draws a curve in a frame and moves down; columns of pixels keep their least and greatest value.
func (d *drawer) plot(x, y []float64, lo, hi, h float64, dash []float64) {
	if dash == nil {
		d.frame(h)
	}
	at := func(v float64) float64 { return d.y + h - h*math.Max(0, math.Min(1, (v-lo)/(hi-lo))) }
	st := picture.Style{Stroke: picture.Trace, Width: 1.4, Dash: dash}
	if dash != nil {
		st.Stroke, st.Width = picture.Soft, 1
	}
	d.c.Clip(d.x0, d.y, d.w(), h, func() {
		var pts []picture.Point
		flush := func() {
			d.c.Polyline(pts, st)
			pts = nil
		}
		for i := 0; i < len(x); {
			if math.IsNaN(y[i]) {
				flush()
				i++
				continue
			}
			px := d.x(x[i])
			low, high := y[i], y[i]
			j := i + 1
			for ; j < len(x) && d.x(x[j]) < px+1 && !math.IsNaN(y[j]); j++ {
				low, high = math.Min(low, y[j]), math.Max(high, y[j])
			}
			pts = append(pts, picture.Point{X: px, Y: at(low)})
			if high > low {
				pts = append(pts, picture.Point{X: px, Y: at(high)})
			}
			i = j
		}
		flush()
	})
	d.y += h
}
