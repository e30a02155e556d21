package linecode

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"gonum.org/v1/gonum/dsp/fourier"
)

// codeNamed reads one of the project's own declarations.
func codeNamed(t testing.TB, name string) *Code {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "machine", "profiles", "linecodes", name+".toml"))
	if err != nil {
		t.Fatal(err)
	}
	c := new(Code)
	if err := toml.Unmarshal(b, c); err != nil {
		t.Fatal(err)
	}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	return c
}

// The impairments of this file are a second, simpler simulator beside the one of package tape, so that the two rooms
// do not share a mistake. Samples at 44.1 kHz; seeds fixed.

const testRate = 44100

type impairment func(x []float32, seed uint64) []float32

func rms(x []float32) float64 {
	s := 0.0
	for _, v := range x {
		s += float64(v) * float64(v)
	}
	return math.Sqrt(s / float64(max(len(x), 1)))
}

// noise adds white noise at snr dB below the rms of x, over the full band.
func noise(snr float64) impairment {
	return func(x []float32, seed uint64) []float32 { return noiseOf(rms(x)*math.Pow(10, -snr/20))(x, seed) }
}

func noiseOf(sigma float64) impairment {
	return func(x []float32, seed uint64) []float32 {
		r := rand.New(rand.NewPCG(seed, 7))
		y := make([]float32, len(x))
		for i, v := range x {
			y[i] = v + float32(sigma*r.NormFloat64())
		}
		return y
	}
}

// warp plays x at speed 1 + off + depth*sin(2 pi hz t).
func warp(off, depth, hz float64) impairment {
	return func(x []float32, seed uint64) []float32 {
		var y []float32
		phi := float64(seed%17) / 17 * 2 * math.Pi
		for i := 0; ; i++ {
			t := float64(i) / testRate
			p := (1 + off) * t
			if hz > 0 {
				p += depth / (2 * math.Pi * hz) * (math.Cos(phi) - math.Cos(2*math.Pi*hz*t+phi))
			}
			p *= testRate
			if p >= float64(len(x)-8) {
				return y
			}
			k := int(math.Floor(p))
			s := 0.0
			for j := k - 7; j <= k+8; j++ { // windowed sinc
				if j < 0 || j >= len(x) {
					continue
				}
				d := p - float64(j)
				w := math.Cos(math.Pi * d / 17)
				v := 1.0
				if d != 0 {
					v = math.Sin(math.Pi*d) / (math.Pi * d)
				}
				s += float64(x[j]) * v * w * w
			}
			y = append(y, float32(s))
		}
	}
}

func each(f func(i int, v float64) float64) impairment {
	return func(x []float32, _ uint64) []float32 {
		y := make([]float32, len(x))
		for i, v := range x {
			y[i] = float32(f(i, float64(v)))
		}
		return y
	}
}

func invert() impairment { return each(func(_ int, v float64) float64 { return -v }) }
func dc(d float64) impairment {
	return each(func(_ int, v float64) float64 { return v + d })
}
func quantise(bits int) impairment {
	full := math.Exp2(float64(bits - 1))
	return each(func(_ int, v float64) float64 { return min(max(math.Round(v*full), -full), full-1) / full })
}

// clip drives x factor times too far into a limit at the old peak.
func clip(factor float64) impairment {
	return func(x []float32, _ uint64) []float32 {
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(float64(v)))
		}
		return each(func(_ int, v float64) float64 { return min(max(v*factor, -peak), peak) })(x, 0)
	}
}

// level sets the peak in dB of full scale, then stores 16 bits.
func level(db float64) impairment {
	return func(x []float32, _ uint64) []float32 {
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(float64(v)))
		}
		g := math.Pow(10, db/20) / peak
		return quantise(16)(each(func(_ int, v float64) float64 { return v * g })(x, 0), 0)
	}
}

// hum adds mains hum with its 2nd, 3rd and 5th harmonic at -6, -10 and -16 dB (the sheet's A6), rms as the signal's.
func hum() impairment {
	return func(x []float32, _ uint64) []float32 {
		a := rms(x) * math.Sqrt2 / math.Sqrt(1+math.Pow(10, -.6)+math.Pow(10, -1)+math.Pow(10, -1.6))
		return each(func(i int, v float64) float64 {
			w := 2 * math.Pi * 50 * float64(i) / testRate
			return v + a*(math.Sin(w)+0.5*math.Sin(2*w+1)+0.316*math.Sin(3*w+2)+0.158*math.Sin(5*w+3))
		})(x, 0)
	}
}

// filtered multiplies the spectrum of x by gain(Hz).
func filtered(gain func(hz float64) complex128) impairment {
	return func(x []float32, _ uint64) []float32 {
		n := 1
		for n < len(x)+4096 {
			n *= 2
		}
		in := make([]float64, n)
		for i, v := range x {
			in[i] = float64(v)
		}
		f := fourier.NewFFT(n)
		c := f.Coefficients(nil, in)
		for i := range c {
			c[i] *= gain(float64(i)*testRate/float64(n)) / complex(float64(n), 0)
		}
		f.Sequence(in, c)
		y := make([]float32, len(x))
		for i := range y {
			y[i] = float32(in[i])
		}
		return y
	}
}

// band is second-order Butterworth at both ends, phase included.
func band(lo, hi float64) impairment {
	return filtered(func(hz float64) complex128 {
		if hz == 0 {
			return 0
		}
		s := complex(0, hz/lo)
		h := s * s / (s*s + complex(math.Sqrt2, 0)*s + 1)
		s = complex(0, hz/hi)
		return h / (s*s + complex(math.Sqrt2, 0)*s + 1)
	})
}

// azimuth is the loss of a mono head (1.5 mm) out by the given minutes of arc at 47.625 mm/s (the sheet's A5).
func azimuth(minutes float64) impairment {
	return filtered(func(hz float64) complex128 {
		a := math.Pi * 1.5 * math.Tan(minutes/60*math.Pi/180) * hz / 47.625
		if a == 0 {
			return 1
		}
		return complex(math.Sin(a)/a, 0)
	})
}

// dropouts takes the signal down by depth dB for ms, perMinute times a minute; where gives the places in samples.
func dropouts(perMinute, ms, depth float64, where *[][2]int) impairment {
	return func(x []float32, seed uint64) []float32 {
		r := rand.New(rand.NewPCG(seed, 99))
		y := append([]float32(nil), x...)
		g := math.Pow(10, -depth/20)
		n := int(ms * testRate / 1000)
		for at := 0; ; {
			at += int(r.ExpFloat64()*testRate*60/perMinute) + n
			if at+n >= len(y) {
				return y
			}
			if where != nil {
				*where = append(*where, [2]int{at, at + n})
			}
			for i := range n {
				y[at+i] *= float32(g)
			}
		}
	}
}

func chain(fs ...impairment) impairment {
	return func(x []float32, seed uint64) []float32 {
		for i, f := range fs {
			x = f(x, seed+uint64(i)*1000)
		}
		return x
	}
}

func randomBytes(n int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 3))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// record is a whole recording of the payload at full level 0.5, with half a second of silence around it.
func record(t testing.TB, c *Code, payload []byte) []float32 {
	t.Helper()
	m, err := NewModulator(c, testRate, Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.Silence(0.5)
	m.Leader()
	m.Sync()
	m.Write(payload)
	m.Trailer()
	m.Silence(0.5)
	return m.ReadAll()
}

func demodulate(t testing.TB, c *Code, x []float32, rate float64) ([]*Run, []Refusal) {
	t.Helper()
	d, err := NewDemodulator(c, rate, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var runs []*Run
	for len(x) > 0 {
		k := min(len(x), 10_000)
		d.Feed(x[:k])
		x = x[k:]
		runs = append(runs, d.Take()...)
	}
	d.Close()
	return append(runs, d.Take()...), d.Refusals()
}

func values(runs []*Run) []byte {
	var b []byte
	for _, r := range runs {
		for i := range r.Bytes {
			b = append(b, r.Bytes[i].Value)
		}
	}
	return b
}

// wrong counts bytes of want that got does not have in their place; a missing or an extra byte shifts the rest and so
// counts in full.
func wrong(want, got []byte) int {
	n := max(len(got)-len(want), 0)
	for i, b := range want {
		if i >= len(got) || got[i] != b {
			n++
		}
	}
	return n
}
