package linecode

import (
	"bytes"
	"fmt"
	"math"
	"testing"
)

// impairments is what no byte may be lost to, alone and with noise at 10 dB (issue 3).
var impairments = []struct {
	name string
	imp  impairment
}{
	{"nothing", chain()},
	{"speed -12 %", warp(-.12, 0, 0)}, {"speed +12 %", warp(.12, 0, 0)},
	{"wow 3 % at 0.5 Hz", warp(0, .03, .5)}, {"wow 1 % at 4 Hz", warp(0, .01, 4)}, {"flutter 0.5 % at 50 Hz", warp(0, .005, 50)},
	{"reversed", invert()}, {"-45 dBFS", level(-45)}, {"clipped 3x", clip(3)}, {"hum as loud", hum()}, {"DC of half scale", dc(.5)},
	{"300 Hz to 4 kHz", band(300, 4000)}, {"azimuth 30' on a mono head", azimuth(30)}, {"8 bits", quantise(8)},
}

func TestEveryByteThroughImpairments(t *testing.T) {
	for _, name := range []string{"kcs300", "kcs1200", "pulse500"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := codeNamed(t, name)
			payload := randomBytes(min(400, int(4/c.FrameSeconds())), 1)
			x := record(t, c, payload)
			for i, tt := range impairments {
				alone := tt.imp(x, uint64(i))
				noisy := noiseOf(rms(x)*math.Pow(10, -0.5))(alone, uint64(i)) // what the tape does, then noise
				switch tt.name {
				case "-45 dBFS", "clipped 3x", "8 bits": // what the recorder does, after the noise
					noisy = tt.imp(noise(10)(x, uint64(i)), uint64(i))
				}
				for what, y := range map[string][]float32{"alone": alone, "with 10 dB": noisy} {
					runs, refused := demodulate(t, c, y, testRate)
					if got := values(runs); !bytes.Equal(got, payload) {
						t.Errorf("%s %s: %d of %d bytes wrong, %d read, refused %v", tt.name, what, wrong(payload, got), len(payload), len(got), refused)
					} else if tt.name == "reversed" && !runs[0].Inverted {
						t.Errorf("%s %s: not said to be", tt.name, what)
					}
				}
			}
		})
	}
}

// TestHalfWaves: width and phase codes bear what does not bend half-waves of unlike length differently.
func TestHalfWaves(t *testing.T) {
	for _, name := range []string{"half1200", "width2k1k", "phase1500"} {
		c := codeNamed(t, name)
		payload := randomBytes(150, 1)
		x := record(t, c, payload)
		for i, tt := range impairments {
			if tt.name == "300 Hz to 4 kHz" {
				continue // half-waves of 833 us lose their shape below 300 Hz
			}
			y := noiseOf(rms(x)*math.Pow(10, -0.6))(tt.imp(x, uint64(i)), 4)
			if tt.name == "-45 dBFS" {
				y = tt.imp(noise(12)(x, 4), 0)
			}
			runs, refused := demodulate(t, c, y, testRate)
			if got := values(runs); !bytes.Equal(got, payload) {
				t.Errorf("%s: %s with noise at 12 dB: %d of %d bytes wrong, %d read, refused %v", name, tt.name, wrong(payload, got), len(payload), len(got), refused)
			}
		}
	}
}

// TestNoiseFigures: at least 99 % of bytes are right at the noise issue 3 asks for. SNR is of the sounding part, in the
// full band of 44.1 kHz. What is possible, from the formulas of the sheet's part B1 (Digital Communications, 4th ed.,
// ch. 5): kcs300 -9.1 dB coherent and -7.9 non-coherent, kcs1200 -3.0 and -1.9, pulse500 -2.1.
func TestNoiseFigures(t *testing.T) {
	for _, tt := range []struct {
		code  string
		snr   float64
		bytes int
	}{{"kcs300", -8.3, 1200}, {"kcs300", -8.8, 1200}, {"kcs1200", -2.2, 2500}, {"kcs1200", -2.7, 2500}, {"pulse500", -2.0, 3000}} {
		t.Run(fmt.Sprint(tt.code, tt.snr), func(t *testing.T) {
			t.Parallel()
			c := codeNamed(t, tt.code)
			payload := randomBytes(tt.bytes, 2)
			x := record(t, c, payload)
			signal := rms(x[testRate/2 : len(x)-testRate/2])
			runs, refused := demodulate(t, c, noiseOf(signal*math.Pow(10, -tt.snr/20))(x, 21), testRate)
			bad := wrong(payload, values(runs))
			t.Logf("%s at %.1f dB: %d of %d bytes wrong", tt.code, tt.snr, bad, tt.bytes)
			if 100*bad > tt.bytes {
				t.Errorf("%s at %.1f dB: %d of %d bytes wrong, want 1 %% at most (refused %v)", tt.code, tt.snr, bad, tt.bytes, refused)
			}
		})
	}
}

// TestTextbookBound: the bit error rate lies between those of the coherent and the non-coherent receiver for orthogonal
// FSK, Q(sqrt(g)) and exp(-g/2)/2, with g = Eb/N0 = SNR + 18.66 dB for 300 bit/s at 44.1 kHz (Digital Communications,
// McGraw-Hill, 4th ed. 2001, ch. 5; conversions: the sheet's B3). At 8 dB they are 6.004e-3 and 2.132e-2 (the sheet's B2).
func TestTextbookBound(t *testing.T) {
	const coherent, nonCoherent = 6.004e-3, 2.132e-2
	c := codeNamed(t, "kcs300")
	payload := randomBytes(1500, 4)
	x := record(t, c, payload)
	signal := rms(x[testRate/2 : len(x)-testRate/2])
	runs, refused := demodulate(t, c, noiseOf(signal*math.Pow(10, (18.66-8)/20))(x, 5), testRate)
	got := values(runs)
	if len(got) != len(payload) {
		t.Fatalf("%d bytes read, want %d (refused %v)", len(got), len(payload), refused)
	}
	errs, doubts := 0, 0
	for i, b := range payload {
		for k := range 8 {
			if (b^got[i])>>k&1 == 1 {
				errs++
			}
		}
	}
	expect := 0.0 // the odds of a bit say how often such a bit is wrong: their sum is the number of errors to expect
	for _, r := range runs {
		for i := range r.Bytes {
			for k := range 8 {
				expect += 1 / (1 + math.Exp(math.Abs(float64(r.Bytes[i].LLR[k]))))
				doubts++
			}
		}
	}
	rate := float64(errs) / float64(8*len(payload))
	t.Logf("bit error rate at Eb/N0 = 8 dB: %.2e; %d errors, %.0f expected by the odds", rate, errs, expect)
	// the ceiling: no receiver is better than the coherent one by more than chance (3 sigma of 72 errors)
	if rate > 0.6*nonCoherent || rate < 0.65*coherent {
		t.Errorf("bit error rate %.2e at Eb/N0 = 8 dB, want %.2e to %.2e", rate, 0.65*coherent, 0.6*nonCoherent)
	}
	if e := float64(errs); expect < e/1.7 || expect > e*1.7 {
		t.Errorf("%d errors, %.0f expected by the odds of %d bits: the odds are not odds", errs, expect, doubts)
	}
}

// TestDropouts: only bytes under a dropout may be wrong, and nothing shifts.
func TestDropouts(t *testing.T) {
	for _, name := range []string{"kcs300", "kcs1200", "pulse500"} {
		c := codeNamed(t, name)
		for _, tt := range []struct{ perMinute, ms, depth, snr float64 }{{40, 2, 200, 60}, {40, 2, 200, 15}, {30, 10, 20, 15}, {20, 30, 40, 25}} {
			payload := randomBytes(int(25/c.FrameSeconds()), 3)
			var where [][2]int
			clean := record(t, c, payload)
			x := dropouts(tt.perMinute, tt.ms, tt.depth, &where)(clean, 12)
			x = noiseOf(rms(clean)*math.Pow(10, -tt.snr/20))(x, 3)
			runs, refused := demodulate(t, c, x, testRate)
			if len(where) < 4 {
				t.Fatalf("only %d dropouts", len(where))
			}
			if len(runs) != 1 || len(runs[0].Bytes) != len(payload) {
				t.Errorf("%s %v: %d runs, %d bytes, want 1 and %d (refused %v)", name, tt, len(runs), len(values(runs)), len(payload), refused)
				continue
			}
			for i, b := range runs[0].Bytes {
				under := false
				for _, w := range where {
					under = under || b.At < float64(w[1])+60 && b.At+float64(b.Length) > float64(w[0])-60
				}
				if b.Value != payload[i] && !under {
					t.Errorf("%s %v: byte %d at %.3f s is wrong, and under no dropout", name, tt, i, b.At/testRate)
				}
				if b.Value != payload[i] && math.Abs(float64(b.LLR[firstBit(b.Value^payload[i])])) > 30 {
					t.Errorf("%s %v: byte %d at %.3f s is wrong, and sure of it: %v", name, tt, i, b.At/testRate, b.LLR)
				}
			}
		}
	}
}

func firstBit(x byte) int {
	for i := range 8 {
		if x>>i&1 == 1 {
			return i
		}
	}
	return 0
}

// TestPlaces: bytes are where they were written.
func TestPlaces(t *testing.T) {
	for _, name := range allCodes {
		c := codeNamed(t, name)
		m, err := NewModulator(c, testRate, Shape{})
		if err != nil {
			t.Fatal(err)
		}
		m.Silence(0.5)
		m.Leader()
		m.Sync()
		x := m.ReadAll()
		begin := float64(len(x))
		m.Write(randomBytes(40, 1))
		m.Trailer()
		m.Silence(0.5)
		x = append(x, m.ReadAll()...)
		runs, refused := demodulate(t, c, noise(10)(x, 1), testRate)
		if len(runs) != 1 {
			t.Fatalf("%s: %d runs (%v)", name, len(runs), refused)
		}
		r := runs[0]
		if d := (r.From - begin) / testRate; math.Abs(d) > 0.4e-3 {
			t.Errorf("%s: first byte %.3f ms late", name, d*1000)
		}
		if r.LeaderAt < 0.4*testRate || r.LeaderAt > 1.5*testRate {
			t.Errorf("%s: leader at %.3f s, written at 0.5 s", name, r.LeaderAt/testRate)
		}
		if math.Abs(r.Speed-1) > 0.003 {
			t.Errorf("%s: speed %.4f", name, r.Speed)
		}
		want := rms(x[len(x)/4 : len(x)/2])
		if c.Tones != nil && math.Abs(20*math.Log10(r.Level/want)) > 0.5 {
			t.Errorf("%s: level %.4f, want %.4f", name, r.Level, want)
		}
		if c.Tones != nil || c.Pulses != nil {
			sigma := rms(x) / math.Sqrt(10)
			if d := 20 * math.Log10(r.Noise/sigma); math.Abs(d) > 3 {
				t.Errorf("%s: noise %.4f, want %.4f", name, r.Noise, sigma)
			}
		}
	}
}

// TestRates: any sample rate will do, fed in any portions.
func TestRates(t *testing.T) {
	for _, name := range allCodes {
		c := codeNamed(t, name)
		for _, rate := range []float64{22050, 32000, 48000, 96000, 192000} {
			m, err := NewModulator(c, rate, Shape{Speed: 1.02})
			if err != nil {
				t.Fatal(err)
			}
			payload := randomBytes(25, uint64(rate))
			m.Silence(0.3)
			m.Leader()
			m.Sync()
			m.Write(payload)
			m.Trailer()
			m.Silence(0.3)
			x := m.ReadAll()
			d, err := NewDemodulator(c, rate, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for i, k := 0, 1; i < len(x); k = k*7%9973 + 1 {
				n := min(k, len(x)-i)
				d.Feed(x[i : i+n])
				i += n
			}
			d.Close()
			if got := values(d.Take()); !bytes.Equal(got, payload) {
				t.Errorf("%s at %v Hz: %d of %d bytes wrong, %d read, %v", name, rate, wrong(payload, got), len(payload), len(got), d.Refusals())
			}
		}
	}
}

// TestSeveralRuns: programs one after the other, the second without a pause in between.
func TestSeveralRuns(t *testing.T) {
	for _, name := range allCodes {
		c := codeNamed(t, name)
		m, err := NewModulator(c, testRate, Shape{})
		if err != nil {
			t.Fatal(err)
		}
		one, two, three := randomBytes(60, 1), randomBytes(1, 2), randomBytes(33, 3)
		for _, p := range [][]byte{one, two, three} {
			m.Leader()
			m.Sync()
			m.Write(p)
			m.Trailer()
			m.Silence(1.5)
		}
		runs, refused := demodulate(t, c, noise(25)(m.ReadAll(), 1), testRate)
		if len(runs) != 3 {
			t.Errorf("%s: %d runs, want 3 (refused %v)", name, len(runs), refused)
			continue
		}
		for i, p := range [][]byte{one, two, three} {
			if got := values(runs[i : i+1]); !bytes.Equal(got, p) {
				t.Errorf("%s: run %d: %d of %d bytes wrong, %d read", name, i+1, wrong(p, got), len(p), len(got))
			}
		}
	}
}

// TestGapsBetweenBytes: in a code with start bits any length of mark may stand between bytes (BYTE 2/1976), also one
// that is no whole number of bits.
func TestGapsBetweenBytes(t *testing.T) {
	c := codeNamed(t, "kcs300")
	payload := randomBytes(60, 9)
	var x []float32
	add := func(part []float32) { x = append(x, part...) }
	tone := func(cycles int) { // of 2400 Hz
		m, err := NewModulator(c, testRate, Shape{})
		if err != nil {
			t.Fatal(err)
		}
		one := *c
		one.Tones = &Tones{One: Tone{2400, float64(cycles)}, Zero: Tone{1200, float64(cycles) / 2}}
		m.one = one.bitPieces(1)
		m.Bits(1)
		add(m.ReadAll())
	}
	m, err := NewModulator(c, testRate, Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.Silence(0.3)
	m.Leader()
	add(m.ReadAll())
	for i, b := range payload {
		m.Write([]byte{b})
		add(m.ReadAll())
		if i%3 > 0 {
			tone(2 * (i*7%23 + 1))
		}
	}
	m.Trailer()
	m.Silence(0.5)
	add(m.ReadAll())
	runs, refused := demodulate(t, c, noise(10)(x, 1), testRate)
	if got := values(runs); !bytes.Equal(got, payload) {
		t.Errorf("%d of %d bytes wrong, %d read (%v)", wrong(payload, got), len(payload), len(got), refused)
	}
}
