package tape

import (
	"context"
	"math/rand/v2"
	"testing"

	"remanence/machine"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

func codes(t testing.TB, names ...string) []*linecode.Code {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		return set.LineCodes()
	}
	var out []*linecode.Code
	for _, n := range names {
		c, err := set.LineCode(n)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, c)
	}
	return out
}

func randomBytes(n int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 99))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// side writes items with o and gives the samples.
func side(t testing.TB, o SideOptions, items ...Item) ([]float32, *Side) {
	t.Helper()
	var c audio.Collector
	s, err := WriteSide(context.Background(), &c, items, o, nil)
	if err != nil {
		t.Fatal(err)
	}
	return c.Samples, s
}

func benchSide(b *testing.B, code string) []float32 {
	c := codes(b, code)[0]
	n := int(120 / c.FrameSeconds())
	s, _ := side(b, SideOptions{Code: c}, Item{Name: "X", Kind: Unknown, Blocks: [][]byte{randomBytes(n, 1)}})
	return s
}

// playing reports how many times faster than the tape runs the work was.
func playing(b *testing.B, samples int) {
	b.SetBytes(int64(2 * samples)) // as 16-bit samples
	b.ReportMetric(float64(samples)/44100*float64(b.N)/b.Elapsed().Seconds(), "x-playing-time")
}

func BenchmarkWriteSide(b *testing.B) {
	for _, name := range []string{"pulse500", "kcs300"} {
		b.Run(name, func(b *testing.B) {
			c := codes(b, name)[0]
			items := []Item{{Name: "X", Kind: Unknown, Blocks: [][]byte{randomBytes(int(120/c.FrameSeconds()), 1)}}}
			var n int
			for b.Loop() {
				w, err := audio.CreateWAV(discard{}, audio.Format{RateHz: 44100, Channels: 1, Bits: 16}, 1<<30)
				if err != nil {
					b.Fatal(err)
				}
				s, err := WriteSide(context.Background(), w, items, SideOptions{Code: c}, nil)
				if err != nil {
					b.Fatal(err)
				}
				n = int(s.Frames)
			}
			playing(b, n)
		})
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func benchRead(b *testing.B, name string, cs []*linecode.Code, channels int) {
	s := Impair(benchSide(b, name), 44100, 1, Preset{Noise: true, SNRDB: 25}, 1)
	if channels == 2 {
		two := make([]float32, 0, 2*len(s))
		for _, v := range s {
			two = append(two, v, v)
		}
		s = two
	}
	b.ResetTimer()
	for b.Loop() {
		r, err := Read(context.Background(), audio.NewBuffer(44100, channels, s), cs, ReadOptions{}, nil)
		if err != nil || len(r.Programs) != 1 {
			b.Fatal(err, r.Verdict)
		}
	}
	playing(b, len(s)/channels)
}

func BenchmarkReadKnownCode(b *testing.B) {
	for _, name := range []string{"pulse500", "kcs300", "kcs1200"} {
		b.Run(name, func(b *testing.B) { benchRead(b, name, codes(b, name), 1) })
	}
}

func BenchmarkReadAnyCode(b *testing.B) {
	for _, name := range []string{"pulse500", "kcs300"} {
		b.Run(name, func(b *testing.B) { benchRead(b, name, codes(b), 1) })
	}
}

func BenchmarkReadStereo(b *testing.B) { benchRead(b, "pulse500", codes(b), 2) }
