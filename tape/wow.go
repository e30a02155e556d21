package tape

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/dsp/fourier"
)

// wowMethod says what the wow and flutter figure is.
const wowMethod = "peak (95 % of the time) of the speed's deviation from its mean, from the lengths of the bytes, weighted by w(f) = min(f/4, 4/f), f in Hz, which follows the description of IEC 60386; what the bytes are too slow to show (above half their rate) is not in it"

// speed works out range, wow and flutter from the times of the bytes.
func (d *Diagnosis) speed(tracks []*track) {
	first := true
	var weighted, plain []float64
	for _, t := range tracks {
		b := t.bytes
		nominal := t.best.Code.FrameSeconds() * t.best.ear.rate
		fixed := t.best.Code.BitSeconds(0) == t.best.Code.BitSeconds(1)
		var series []float64
		flush := func() {
			if len(series) >= 64 {
				w, p := wow(series, 1/t.best.Code.FrameSeconds())
				weighted, plain = append(weighted, w...), append(plain, p...)
			}
			series = series[:0]
		}
		for i := range b {
			// The length of a byte, measured from its own waveform, shows its speed; the places of bytes with start and
			// stop bits do not, since any length of mark may stand between two.
			if !fixed || math.Abs(float64(b[i].Length)/nominal-1) > 0.25 || doubtful(t, i) {
				flush()
				continue
			}
			series = append(series, nominal/float64(b[i].Length))
			if len(series) == 4096 {
				flush()
			}
		}
		flush()
		for i := range b {
			if doubtful(t, i) {
				continue
			}
			pct := 100 * (float64(b[i].Speed) - 1)
			if first || pct < d.SpeedMinPct {
				d.SpeedMinPct = pct
			}
			if first || pct > d.SpeedMaxPct {
				d.SpeedMaxPct = pct
			}
			first = false
		}
	}
	d.SpeedMinPct, d.SpeedMaxPct = round(d.SpeedMinPct, 2), round(d.SpeedMaxPct, 2)
	d.WowFlutter, d.WowUnweight = round(100*quantile(weighted, 0.95), 2), round(100*quantile(plain, 0.95), 2)
	if len(weighted) > 0 {
		d.WowMethod = wowMethod
	}
}

func doubtful(t *track, i int) bool {
	_, v := t.bytes[i].Doubt(8)
	return v < certain
}

// wow gives the absolute deviations of a row of speeds, rate a second, weighted and not. The ends, where the filter has
// no past, are left out.
func wow(speed []float64, rate float64) (weighted, plain []float64) {
	n := len(speed)
	mean := 0.0
	for _, v := range speed {
		mean += v
	}
	mean /= float64(n)
	x := make([]float64, n)
	for i, v := range speed {
		x[i] = v/mean - 1
		plain = append(plain, math.Abs(x[i]))
	}
	f := fourier.NewFFT(n)
	c := f.Coefficients(nil, x)
	for k := range c {
		hz := float64(k) * rate / float64(n)
		w := 0.0
		if hz > 0 {
			w = math.Min(hz/4, 4/hz)
		}
		c[k] *= complex(w/float64(n), 0)
	}
	y := f.Sequence(nil, c)
	edge := n / 16
	for _, v := range y[edge : n-edge] {
		weighted = append(weighted, math.Abs(v))
	}
	return weighted, plain
}

func quantile(v []float64, q float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[min(len(s)-1, int(q*float64(len(s))))]
}
