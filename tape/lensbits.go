package tape

import (
	"fmt"
	"math"

	"remanence/picture"
	"remanence/tape/linecode"
)

// bits are the decisions: lightness is margin, the figure is the bit.
func (d *drawer) bits(bits []lensBit) {
	d.caption("bits as decided: lightness is margin", "")
	const h = 18.0
	for i := range bits {
		b := &bits[i]
		a, z := math.Max(d.x(b.from), d.x0), math.Min(d.x(b.to), d.x1)
		if z <= d.x0 || a >= d.x1 || z-a < 0.2 {
			continue
		}
		st := picture.Style{Fill: picture.Hue(margin(math.Abs(b.odds))), Stroke: picture.Soft, Width: 0.5}
		title := fmt.Sprintf("bit %d = %d, %s", b.bit, b.value, OddsWords(b.odds))
		ink := picture.Hue6
		d.margins = true
		switch {
		case b.kind != "":
			st = picture.Style{Fill: picture.Card, Stroke: picture.Soft, Width: 0.5}
			title = fmt.Sprintf("%s bit, %d by the declaration", b.kind, b.value)
			ink = picture.Soft
		case b.b.Heard>>b.bit&1 != b.b.Value>>b.bit&1:
			st.Pattern = picture.Hatch
			title += ", turned by a repair"
			d.states[picture.Repaired] = true
		case math.Abs(b.odds) < certain:
			st.Pattern = picture.Dots
			d.states[picture.Doubtful] = true
		default:
			d.states[picture.Good] = true
		}
		d.c.Group(title, func() { d.c.Rect(a, d.y, z-a, h, st) })
		if d.px(b.to-b.from) < 9 || z-a < 7 {
			continue
		}
		text := fmt.Sprint(b.value)
		full := fmt.Sprintf("bit %d = %d", b.bit, b.value)
		if b.kind != "" {
			full = fmt.Sprintf("%s %d", b.kind, b.value)
		}
		if picture.TextWidth(full, 11, picture.Mono) < z-a-4 {
			text = full
		}
		if st.Fill != picture.Card {
			ink = inkOn(st.Fill)
		}
		if st.Pattern != picture.Plain {
			w := picture.TextWidth(text, 11, picture.Mono) + 3
			d.c.Rect((a+z-w)/2, d.y+2, w, h-4, picture.Style{Fill: st.Fill})
		}
		d.c.Text((a+z)/2, d.y+13, text, picture.TextStyle{Size: 11, Face: picture.Mono, Colour: ink, Anchor: picture.Middle})
	}
	d.y += h
}

// inkOn is the step of the hue that is read on another.
func inkOn(c picture.Colour) picture.Colour {
	switch {
	case c >= picture.Hue4:
		return picture.Hue0
	case c == picture.Hue3:
		return picture.Black
	}
	return picture.Hue6
}

// odds are the decisions as numbers: up for a 1, down for a 0; within the dashed lines a bit is doubtful.
func (d *drawer) odds(bits []lensBit) {
	const h, most = 64.0, 30.0
	d.caption("odds (ln) of a 1, up, or a 0, down", fmt.Sprintf("±30; within ±%d: doubtful", certain))
	d.frame(h)
	mid := d.y + h/2
	for _, k := range []float64{-certain, certain} {
		d.c.Line(d.x0, mid-k/most*h/2, d.x1, mid-k/most*h/2, picture.Style{Stroke: picture.Soft, Width: 0.75, Dash: []float64{3, 3}})
	}
	for i := range bits {
		b := &bits[i]
		a, z := math.Max(d.x(b.from), d.x0), math.Min(d.x(b.to), d.x1)
		if z <= d.x0 || a >= d.x1 || b.kind != "" || z-a < 0.2 {
			continue
		}
		gap := math.Min(2, (z-a)*0.15)
		v := b.odds / most * h / 2
		if math.Abs(v) < 1 {
			v = math.Copysign(1, v)
		}
		d.c.Group(fmt.Sprintf("bit %d = %d, e^%+.1f", b.bit, b.value, b.odds), func() {
			d.c.Rect(a+gap, mid, z-a-2*gap, -v, picture.Style{Fill: picture.Trace})
		})
		if z-a >= 40 {
			y := mid - 12 // in the half that is free, beyond the dashed line
			if v > 0 {
				y = mid + 20
			}
			d.c.Text((a+z)/2, y, fmt.Sprintf("%+.1f", b.odds), picture.TextStyle{Size: 10, Anchor: picture.Middle, Colour: picture.Soft})
		}
	}
	d.y += h
}

// late is a pulse or half-wave that came so many microseconds late, or is so much too long.
type late struct {
	atS, us float64
	title   string
}

// timing shows how far pulses stand from their place in the cell, or how much too long half-waves are.
func (d *drawer) timing(bits []lensBit, v *view) {
	if v == nil || d.px(bits[0].to-bits[0].from) < 12 || len(v.s) < 4 {
		return
	}
	code := d.l.h.Codes[d.l.h.Runs[bits[0].run].Code]
	var found []late
	what := "half-waves: too long (up) or too short (down)"
	if code.Pulses != nil {
		what = "pulses: late (up) or early (down)"
		found = d.pulseTimes(v, bits, code)
	} else {
		found = d.waveTimes(v, bits, code)
	}
	most := 50.0
	for _, f := range found {
		most = math.Max(most, math.Abs(f.us))
	}
	most = math.Min(25*math.Ceil(most/25), 1000)
	const h = 52.0
	d.caption(what, fmt.Sprintf("±%.0f us", most))
	d.frame(h)
	mid := d.y + h/2
	for _, f := range found {
		x := d.x(f.atS)
		if x < d.x0+1 || x > d.x1-1 {
			continue
		}
		dy := -math.Max(-1, math.Min(1, f.us/most)) * (h/2 - 4)
		d.c.Group(f.title, func() {
			d.c.Line(x, mid, x, mid+dy, picture.Style{Stroke: picture.Trace, Width: 2})
			d.c.Rect(x-2, mid+dy-2, 4, 4, picture.Style{Fill: picture.Trace})
		})
	}
	d.y += h
}

// peakNear finds the highest point of the signal between two times: a parabola through the highest sample and its
// neighbours.
func (v *view) peakNear(from, to float64, sign float64) (atS, height float64, ok bool) {
	a, b := int(math.Ceil(from*v.rate))-int(v.first), int(math.Floor(to*v.rate))-int(v.first)
	a, b = max(a, 1), min(b, len(v.s)-2)
	best := -1
	for i := a; i <= b; i++ {
		if best < 0 || sign*float64(v.s[i]) > sign*float64(v.s[best]) {
			best = i
		}
	}
	if best < 0 {
		return 0, 0, false
	}
	flat := best // of a flat top, its middle
	for flat < b && v.s[flat+1] == v.s[best] {
		flat++
	}
	l, m, r := sign*float64(v.s[best-1]), sign*float64(v.s[best]), sign*float64(v.s[min(flat+1, len(v.s)-1)])
	off := 0.0
	if den := l - 2*m + r; flat == best && den < 0 {
		off = 0.5 * (l - r) / den
	}
	return v.at(float64(v.first) + float64(best+flat)/2 + off), m, true
}

// pulseTimes measures each pulse of the decided bits against its place. Where the grid of cells lies as a whole is known
// from the pulses alone, so that their median is taken as right.
func (d *drawer) pulseTimes(v *view, bits []lensBit, code *linecode.Code) []late {
	level, _ := d.threshold(v, bits)
	var out []late
	var all []float64
	for i := range bits {
		b := &bits[i]
		places := code.Pulses.Zero
		if b.value == 1 {
			places = code.Pulses.One
		}
		sign := 1.0
		if d.l.h.Runs[b.run].Inverted {
			sign = -1
		}
		cell := b.to - b.from
		for k, p := range places {
			want := b.from + (p+pulseMiddle(code))*cell
			at, height, ok := v.peakNear(want-0.15*cell, want+0.15*cell, sign)
			if !ok || height < math.Abs(level) {
				continue
			}
			out = append(out, late{at, 1e6 * (at - want), fmt.Sprintf("pulse %d of bit %d", k+1, b.bit)})
			all = append(all, 1e6*(at-want))
		}
	}
	if len(all) == 0 {
		return nil
	}
	mid := quantile(all, 0.5)
	for i := range out {
		out[i].us -= mid
		out[i].title += ": " + usWords(out[i].us, "late", "early")
	}
	return out
}

func usWords(us float64, more, less string) string {
	if us < 0 {
		return fmt.Sprintf("%.0f us %s", -us, less)
	}
	return fmt.Sprintf("%.0f us %s", us, more)
}

// waveTimes measures half-waves against the declared length nearest to theirs among those of the bit they lie in.
func (d *drawer) waveTimes(v *view, bits []lensBit, code *linecode.Code) []late {
	mean, _ := d.threshold(v, bits)
	var out []late
	last := -1.0
	k := 0
	for i := 1; i < len(v.s); i++ {
		a, b := float64(v.s[i-1])-mean, float64(v.s[i])-mean
		if (a < 0) == (b < 0) {
			continue
		}
		at := v.at(float64(v.first) + float64(i-1) + a/(a-b))
		from := last
		last = at
		if from < 0 {
			continue
		}
		mid := (from + at) / 2
		for k < len(bits) && bits[k].to <= mid {
			k++
		}
		if k == len(bits) || bits[k].from > mid {
			continue
		}
		bit := &bits[k]
		var lengths []float64
		switch {
		case code.Tones != nil && bit.value == 1:
			lengths = []float64{5e5 / code.Tones.One.Hz}
		case code.Tones != nil:
			lengths = []float64{5e5 / code.Tones.Zero.Hz}
		case bit.value == 1:
			lengths = code.Waves.One
		default:
			lengths = code.Waves.Zero
		}
		us := 1e6 * (at - from)
		want := math.Inf(1)
		for _, n := range lengths {
			n = math.Abs(n) / (1 + bit.b.SpeedPercent/100)
			if math.Abs(us-n) < math.Abs(us-want) {
				want = n
			}
		}
		if math.Abs(us-want) > want/2 { // noise about the line, a half-wave that is missing, or two that ran together
			continue
		}
		out = append(out, late{mid, us - want, fmt.Sprintf("half-wave of %.0f us: %s", us, usWords(us-want, "too long", "too short"))})
	}
	return out
}
