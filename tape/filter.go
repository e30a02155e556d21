package tape

import "math"

// biquad is a second-order filter section. Coefficients as in the well-known audio cookbook formulas (from memory).
type biquad struct{ b0, b1, b2, a1, a2, z1, z2 float64 }

func (f *biquad) next(x float64) float64 {
	y := f.b0*x + f.z1
	f.z1 = f.b1*x - f.a1*y + f.z2
	f.z2 = f.b2*x - f.a2*y
	return y
}

func lowPass(hz, rate, q float64) biquad {
	w := 2 * math.Pi * hz / rate
	c, a := math.Cos(w), math.Sin(w)/(2*q)
	n := 1 + a
	return biquad{b0: (1 - c) / 2 / n, b1: (1 - c) / n, b2: (1 - c) / 2 / n, a1: -2 * c / n, a2: (1 - a) / n}
}

// highPass is of the first order, 6 dB an octave.
func highPass(hz, rate float64) biquad {
	k := math.Tan(math.Pi * hz / rate)
	return biquad{b0: 1 / (1 + k), b1: -1 / (1 + k), a1: (k - 1) / (k + 1)}
}

// boxcar is the running mean over a length that need not be a whole number of samples.
type boxcar struct {
	n    int
	frac float64
	len  float64
	ring []float64
	at   int
	sum  float64
}

func newBoxcar(length float64) boxcar {
	if length <= 1 {
		return boxcar{}
	}
	n := int(length)
	return boxcar{n: n, frac: length - float64(n), len: length, ring: make([]float64, n+1)}
}

func (b *boxcar) next(x float64) float64 {
	if b.n == 0 {
		return x
	}
	// ring holds the last n+1 samples; the oldest counts for frac
	b.ring[b.at] = x
	if b.at++; b.at == len(b.ring) {
		b.at = 0
		b.sum = 0 // anew each round, so that rounding does not add up
		for _, v := range b.ring[1:] {
			b.sum += v
		}
	} else {
		b.sum += x - b.ring[b.at]
	}
	old := b.ring[b.at]
	return (b.sum + b.frac*old) / b.len
}
