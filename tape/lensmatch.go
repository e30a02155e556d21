package tape

import (
	"fmt"
	"io"
	"math"

	"remanence/picture"
	"remanence/tape/linecode"
)

// matched is the sound of one byte beside what its line code declares for the bits that were decided.
type matched struct {
	pts  []picture.Point // seconds, and the declared signal at the height of the one that was heard
	rho  []float64       // of each bit: correlation of the two, 1: the same shape, 0: nothing in common
	bits []lensBit
}

// match lays the declared waveform under each byte in view: written anew by the modulator at the speed that was heard,
// and scaled by least squares, upside down where that fits better. It is a measure of the sound, not of the decision:
// the demodulator works with the pulse as the tape has made it, and weighs neighbours.
func (d *drawer) match(v *view, bits []lensBit) []matched {
	var out []matched
	for i := 0; i < len(bits); {
		j := i
		for j < len(bits) && bits[j].b == bits[i].b {
			j++
		}
		if m, ok := d.matchByte(v, bits[i:j]); ok {
			out = append(out, m)
		}
		i = j
	}
	return out
}

func (d *drawer) matchByte(v *view, bits []lensBit) (m matched, ok bool) {
	b, code := bits[0].b, d.l.h.Codes[d.l.h.Runs[bits[0].run].Code]
	nominal := 0.0
	for _, x := range bits {
		nominal += code.BitSeconds(x.value)
	}
	if b.LengthS <= 0 {
		return m, false
	}
	mod, err := linecode.NewModulator(code, v.rate, linecode.Shape{Level: 1, Speed: math.Max(0.5, math.Min(2, nominal/b.LengthS))})
	if err != nil {
		return m, false
	}
	if _, err := mod.Write([]byte{b.Heard}); err != nil {
		return m, false
	}
	y := make([]float32, int(b.LengthS*v.rate)+2)
	for n := 0; n < len(y); {
		k, err := mod.Read(y[n:])
		n += k
		if err == io.EOF || k == 0 {
			break
		}
	}
	start := b.AtS*v.rate - float64(v.first)
	from, to := max(0, int(math.Ceil(start))), min(len(v.s), int(start+b.LengthS*v.rate))
	if to-from < 4 {
		return m, false
	}
	at := func(i int) float64 {
		p := float64(i) - start
		k := min(max(int(p), 0), len(y)-2)
		return float64(y[k]) + (float64(y[k+1])-float64(y[k]))*(p-float64(k))
	}
	mx, my := 0.0, 0.0
	for i := from; i < to; i++ {
		mx += float64(v.s[i]) / float64(to-from)
		my += at(i) / float64(to-from)
	}
	// correlate gives sums of products over a stretch.
	correlate := func(a, z int) (xy, xx, yy float64) {
		for i := max(a, from); i < min(z, to); i++ {
			x, w := float64(v.s[i])-mx, at(i)-my
			xy, xx, yy = xy+x*w, xx+x*x, yy+w*w
		}
		return xy, xx, yy
	}
	xy, _, yy := correlate(from, to)
	if yy == 0 {
		return m, false
	}
	scale := xy / yy
	for i := from; i < to; i++ {
		m.pts = append(m.pts, picture.Point{X: v.at(float64(v.first + int64(i))), Y: mx + scale*(at(i)-my)})
	}
	for _, x := range bits {
		a, z := int(math.Ceil(x.from*v.rate))-int(v.first), int(math.Ceil(x.to*v.rate))-int(v.first)
		xy, xx, yy := correlate(a, z)
		rho := 0.0
		if xx > 0 && yy > 0 {
			rho = math.Copysign(1, scale) * xy / math.Sqrt(xx*yy)
		}
		m.rho = append(m.rho, rho)
	}
	m.bits = bits
	return m, true
}

// matchLeastPX is how wide a bit must be for the declared waveform to be told from the one heard.
const matchLeastPX = 24

// matches draws how well each bit's sound agrees with the declared one.
func (d *drawer) matches(all []matched) {
	if len(all) == 0 {
		return
	}
	const h = 30.0
	d.caption("match with the dashed waveform", "0 to 1: the same shape")
	d.c.Rect(d.x0, d.y, d.w(), h, picture.Style{Fill: picture.Card, Stroke: picture.Rule})
	for _, m := range all {
		for i, b := range m.bits {
			a, z := math.Max(d.x(b.from), d.x0), math.Min(d.x(b.to), d.x1)
			if z <= d.x0 || a >= d.x1 || z-a < 0.2 {
				continue
			}
			rho := math.Max(0, m.rho[i])
			gap := math.Min(2, (z-a)*0.15)
			d.c.Group(fmt.Sprintf("match %.2f", m.rho[i]), func() {
				d.c.Rect(a+gap, d.y+h, z-a-2*gap, -math.Max(1, rho*(h-2)), picture.Style{Fill: picture.Hue2, Stroke: picture.Soft, Width: 0.5})
			})
			if z-a >= 34 {
				d.c.Text((a+z)/2, d.y+h-5, fmt.Sprintf("%.2f", m.rho[i]), picture.TextStyle{Size: 10, Anchor: picture.Middle, Colour: picture.Hue6})
			}
		}
	}
	d.y += h
}
