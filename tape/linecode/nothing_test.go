package linecode

import (
	"math"
	"math/rand/v2"
	"testing"
)

var allCodes = []string{"kcs300", "kcs1200", "pulse500", "pulse250", "half1200", "width2k1k", "phase1500"}

// song is a minute of four voices on a scale that passes 500, 770, 1200 and 2400 Hz, each note a few harmonics with
// attack and decay: what is nearest to a leader among things that are not one.
func song(seconds float64) []float32 {
	r := rand.New(rand.NewPCG(5, 5))
	n := int(seconds * testRate)
	x := make([]float32, n)
	for voice := range 4 {
		for at := 0; at < n; {
			hz := 110 * math.Exp2(float64(r.IntN(12)+12*voice)/12)
			length := int((0.1 + 0.9*r.Float64()) * testRate)
			for i := 0; i < length && at+i < n; i++ {
				t := float64(i) / testRate
				env := math.Min(1, t*100) * math.Exp(-t*float64(1+voice))
				s := 0.0
				for h := 1.0; h <= 6; h++ {
					s += math.Sin(2*math.Pi*hz*h*t) / (h * h)
				}
				x[at+i] += float32(0.12 * env * s)
			}
			at += length
		}
	}
	return x
}

// organ holds pure tones for seconds each: a leader's tone among them, and nothing after it.
func organ() []float32 {
	var x []float32
	for _, hz := range []float64{2400, 500, 1200, 770, 250, 2350, 750, 440, 2400} {
		for i := range int(1.5 * testRate) {
			t := float64(i) / testRate
			x = append(x, float32(0.3*math.Sin(2*math.Pi*hz*t)*math.Min(1, t*200)))
		}
	}
	return x
}

// speech is a voice of pulses through three moving formants, with pauses and hisses.
func speech(seconds float64) []float32 {
	r := rand.New(rand.NewPCG(9, 9))
	n := int(seconds * testRate)
	x := make([]float32, n)
	type res struct{ a, b, y1, y2 float64 }
	for at := 0; at < n; {
		length := int((0.06 + 0.2*r.Float64()) * testRate)
		f := [3]float64{300 + 600*r.Float64(), 900 + 1500*r.Float64(), 2300 + 900*r.Float64()}
		pitch := 90 + 170*r.Float64()
		kind := r.IntN(6) // 0 pause, 1 hiss, else voice
		var rs [3]res
		for k := range rs {
			w := 2 * math.Pi * f[k] / testRate
			d := math.Exp(-math.Pi * 80 / testRate)
			rs[k] = res{a: 2 * d * math.Cos(w), b: -d * d}
		}
		ph := 0.0
		for i := 0; i < length && at+i < n; i++ {
			in := 0.0
			switch kind {
			case 0:
			case 1:
				in = 0.3 * r.NormFloat64()
			default:
				ph += pitch * (1 + 0.1*float64(i)/float64(length)) / testRate
				if ph >= 1 {
					ph--
					in = 3
				}
			}
			s := 0.0
			for k := range rs {
				q := &rs[k]
				y := in*0.05 + q.a*q.y1 + q.b*q.y2
				q.y2, q.y1 = q.y1, y
				s += y
			}
			x[at+i] = float32(0.3 * s)
		}
		at += length
	}
	return x
}

// TestNothingDecodesToNothing: what is not the code gives no run at all.
func TestNothingDecodesToNothing(t *testing.T) {
	white := noiseOf(0.2)(make([]float32, 20*testRate), 3)
	humming := hum()(noiseOf(0.01)(make([]float32, 10*testRate), 3), 0)
	sounds := map[string][]float32{
		"silence": make([]float32, 5*testRate), "white noise": white, "hum": humming,
		"song": song(40), "organ": organ(), "speech": speech(40),
		"square 500 Hz": each(func(i int, _ float64) float64 {
			return 0.3 * math.Copysign(1, math.Sin(2*math.Pi*500*float64(i)/testRate))
		})(make([]float32, 10*testRate), 0),
		"pulses alone": record(t, codeNamed(t, "pulse500"), nil)[:4*testRate],
	}
	for _, other := range allCodes {
		sounds[other] = record(t, codeNamed(t, other), randomBytes(200, 8))
	}
	for _, name := range allCodes {
		c := codeNamed(t, name)
		for what, x := range sounds {
			if what == name {
				continue
			}
			runs, refused := demodulate(t, c, x, testRate)
			for _, r := range runs {
				t.Errorf("%s in %s: %d bytes from %.2f s, fit %.2f, certainty %.2f; want nothing (refused: %v)", name, what, len(r.Bytes), r.From/testRate, r.Fit, r.Certainty, refused)
			}
		}
	}
}
