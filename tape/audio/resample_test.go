package audio

import (
	"math"
	"path/filepath"
	"testing"
)

// A tone at another rate is the same tone: compared with the sine itself, and with sox's own change of rate.
func TestResample(t *testing.T) {
	const hz = 1200.0
	for _, rates := range [][2]int{{192000, 48000}, {44100, 48000}, {96000, 44100}, {22050, 44100}} {
		n := rates[0]
		s := make([]float32, n)
		for i := range s {
			s[i] = float32(0.5 * math.Sin(2*math.Pi*hz*float64(i)/float64(rates[0])))
		}
		r := Resample(NewBuffer(rates[0], 1, s), rates[1])
		got, err := ReadAll(r, 1<<22)
		if err != nil {
			t.Fatal(err)
		}
		if d := len(got) - rates[1]; d < -2 || d > 2 {
			t.Errorf("%v: %d samples of a second", rates, len(got))
		}
		var worst float64
		for i := 100; i < len(got)-100; i++ {
			want := 0.5 * math.Sin(2*math.Pi*hz*float64(i)/float64(rates[1]))
			worst = max(worst, math.Abs(float64(got[i])-want))
		}
		if worst > 0.5e-3 { // -60 dB
			t.Errorf("%v: differs from the sine by %.2g", rates, worst)
		}
	}
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a.wav"), filepath.Join(dir, "b.wav")
	s := make([]float32, 96000)
	for i := range s {
		s[i] = float32(0.3*math.Sin(2*math.Pi*900*float64(i)/96000) + 0.2*math.Sin(2*math.Pi*3100*float64(i)/96000))
	}
	writeFile(t, a, Format{96000, 1, 24, false}, -1, s, CreateWAV)
	run(t, "sox", a, "-r", "44100", b)
	_, want := readFile(t, b)
	got, err := ReadAll(Resample(NewBuffer(96000, 1, s), 44100), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	for i := 500; i < 43000; i++ {
		if math.Abs(float64(got[i]-want[i])) > 2e-3 {
			t.Fatalf("sample %d: %v, sox %v", i, got[i], want[i])
		}
	}
}

func TestMeter(t *testing.T) {
	s := make([]float32, 2*48000)
	for i := 0; i < len(s); i += 2 {
		v := 0.9 * math.Sin(2*math.Pi*400*float64(i/2)/48000)
		s[i] = float32(0.1 + v)
		s[i+1] = float32(max(-0.45, min(0.45, v)))
	}
	var l, r Meter
	l.Add(s[:3000], 0, 2)
	l.Add(s[3000:], 0, 2)
	r.Add(s, 1, 2)
	if math.Abs(l.Mean()-0.1) > 1e-3 || math.Abs(l.RMS()-0.9/math.Sqrt2) > 1e-3 || math.Abs(l.Peak()-0.9) > 2e-3 || l.ClippedRun != 0 {
		t.Errorf("left: mean %v, rms %v, peak %v, clipped %d", l.Mean(), l.RMS(), l.Peak(), l.ClippedRun)
	}
	// Cut at half its height, a sine stands on the edge for two thirds of the time.
	if share := float64(r.ClippedRun) / float64(r.N); math.Abs(share-2.0/3) > 0.02 {
		t.Errorf("right: %.3f of the samples clipped, want 0.667", share)
	}
}

func BenchmarkResample192k(b *testing.B) {
	s := make([]float32, 192000)
	b.SetBytes(4 * int64(len(s)))
	for b.Loop() {
		if _, err := ReadAll(Resample(NewBuffer(192000, 1, s), 48000), 1<<20); err != nil {
			b.Fatal(err)
		}
	}
}
