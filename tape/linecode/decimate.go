package linecode

import "math"

// decimator lowers the sample rate by a whole factor behind a low-pass filter and takes out what lies far below the
// code: DC and hum.
type decimator struct {
	factor int
	taps   []float32
	hist   []float32 // input not yet used up
	hp     bool
	b0     float32 // high-pass biquad: b0*(x - 2 x1 + x2) - a1 y1 - a2 y2
	a1, a2 float32
	s1, s2 float32
	delay  float64 // of the low-pass, in input samples
}

// newDecimator makes a decimator from rate to rate/factor that passes up to pass Hz; below about highpass Hz it falls
// by 12 dB an octave (0: flat).
func newDecimator(rate float64, factor int, pass, highpass float64) *decimator {
	d := &decimator{factor: factor, taps: []float32{1}}
	if factor > 1 {
		// Whatever folds back onto the pass band comes from above out-pass. Kaiser window, 34 dB: noise folded back
		// adds 0.04 % to what is there. Formulas for length and shape: J. F. Kaiser 1974 (from memory).
		out := rate / float64(factor)
		width := max((out-2*pass)/rate, 0.02)
		const db = 34
		n := (int(math.Ceil((db-7.95)/(14.36*width))) + 8) / 8 * 8
		beta := 0.5842*math.Pow(db-21, 0.4) + 0.07886*(db-21)
		d.taps = make([]float32, n)
		cut, sum := out/2/rate, 0.0
		h := make([]float64, n)
		for i := range h {
			x := float64(i) - float64(n-1)/2
			s := 2 * cut
			if x != 0 {
				s = math.Sin(2*math.Pi*cut*x) / (math.Pi * x)
			}
			r := 2 * x / float64(max(n-1, 1))
			h[i] = s * besselI0(beta*math.Sqrt(max(0, 1-r*r)))
			sum += h[i]
		}
		for i := range h {
			d.taps[i] = float32(h[i] / sum)
		}
		d.delay = float64(n-1) / 2
	}
	if highpass > 0 {
		// Butterworth of second order by the bilinear transform.
		d.hp = true
		w := math.Tan(math.Pi * highpass * float64(factor) / rate)
		n := 1 / (1 + math.Sqrt2*w + w*w)
		d.b0 = float32(n)
		d.a1 = float32(2 * (w*w - 1) * n)
		d.a2 = float32((1 - math.Sqrt2*w + w*w) * n)
	}
	return d
}

func besselI0(x float64) float64 {
	s, t := 1.0, 1.0
	for k := 1; k < 40; k++ {
		t *= x / 2 / float64(k)
		s += t * t
		if t*t < 1e-12*s {
			break
		}
	}
	return s
}

// run appends the output for x to dst.
func (d *decimator) run(dst, x []float32) []float32 {
	start := len(dst)
	if d.factor == 1 {
		dst = append(dst, x...)
	} else {
		// the last few samples of the call before and the first of this one
		n := len(d.taps)
		head := len(d.hist)
		d.hist = append(d.hist, x[:min(len(x), n)]...)
		at := 0
		for ; at < head && at+n <= len(d.hist); at += d.factor {
			dst = append(dst, dot(d.taps, d.hist[at:at+n]))
		}
		if at < head { // too little of everything
			d.hist = append(d.hist[:0], d.hist[at:]...)
			if len(x) > n {
				d.hist = append(d.hist, x[n:]...)
			}
		} else {
			i := at - head
			for ; i+n <= len(x); i += d.factor {
				dst = append(dst, dot(d.taps, x[i:i+n]))
			}
			d.hist = append(d.hist[:0], x[min(i, len(x)):]...)
		}
	}
	out := dst[start:]
	if !d.hp {
		for i, v := range out { // a recording may hold anything, a float file even NaN; the filters must survive it
			if !(v > -1e6 && v < 1e6) {
				out[i] = 0
			}
		}
		return dst
	}
	b0, a1, a2, s1, s2 := d.b0, d.a1, d.a2, d.s1, d.s2
	for i, v := range out {
		if !(v > -1e6 && v < 1e6) {
			v = 0
		}
		u := b0 * v
		y := u + s1
		s1 = -2*u - a1*y + s2
		s2 = u - a2*y
		out[i] = y
	}
	const tiny = 1e-25 // denormal numbers are slow
	if s1 < tiny && s1 > -tiny {
		s1 = 0
	}
	if s2 < tiny && s2 > -tiny {
		s2 = 0
	}
	d.s1, d.s2 = s1, s2
	return dst
}

// dot is the inner product of two slices whose length is a multiple of 8.
func dot(a, b []float32) float32 {
	var s0, s1, s2, s3 float32
	for len(a) >= 8 && len(b) >= 8 {
		p, q := (*[8]float32)(a), (*[8]float32)(b)
		s0 += p[0]*q[0] + p[4]*q[4]
		s1 += p[1]*q[1] + p[5]*q[5]
		s2 += p[2]*q[2] + p[6]*q[6]
		s3 += p[3]*q[3] + p[7]*q[7]
		a, b = a[8:], b[8:]
	}
	return s0 + s1 + s2 + s3
}
