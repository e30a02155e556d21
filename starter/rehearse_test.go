package starter

import (
	"math/rand/v2"
	"testing"

	"remanence/machine"
	"remanence/tape"
	"remanence/tape/audio"
)

// systemImage is a disk that a system might boot from: code-like bytes with repetitions, empty parts, a directory
// cylinder with another data mark. noise 1 makes it impossible to pack.
func testTracks(n int, noise float64, seed uint64) []Track {
	r := rand.New(rand.NewPCG(seed, 8))
	var out []Track
	words := make([][]byte, 60)
	for i := range words {
		words[i] = make([]byte, 2+r.IntN(7))
		for k := range words[i] {
			words[i][k] = byte(r.Uint32())
		}
	}
	for c := range n {
		t := Track{Mark: 0xFB}
		if c == 17 {
			t.Mark = 0xFA
		}
		for len(t.Data) < trackBytes {
			if r.Float64() < noise {
				for range 8 {
					t.Data = append(t.Data, byte(r.Uint32()))
				}
			} else {
				t.Data = append(t.Data, words[r.IntN(len(words))]...)
			}
		}
		t.Data = t.Data[:trackBytes]
		out = append(out, t)
	}
	return out
}

func newTape(t testing.TB, tracks []Track, o Options) *Tape {
	t.Helper()
	set, err := machine.Load("")
	if err != nil {
		t.Fatal(err)
	}
	if o.Code, err = set.LineCode("pulse500"); err != nil {
		t.Fatal(err)
	}
	tp, err := New(t.Context(), tracks, o)
	if err != nil {
		t.Fatal(err)
	}
	return tp
}

func TestRehearseClean(t *testing.T) {
	tp := newTape(t, testTracks(3, 0.5, 1), Options{Rate: -1, Parity: -1})
	out, err := tp.Rehearse(t.Context(), Rehearsal{KeepTexts: true}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range out.Texts {
		t.Log(l)
	}
	t.Logf("loader %.1f s, audio %.1f s, time %.1f, heard %v\n%s", tp.LoaderS, tp.Seconds, out.TimeS, out.Heard, out.Screen)
	if !out.Verified {
		t.Fatalf("not verified: %s (lost %d)", out.Why, out.Lost)
	}
}

func impaired(seed uint64, speed, flutter, snr, dropPerMin, dropMS float64) func(audio.Source, int) audio.Source {
	return func(src audio.Source, pass int) audio.Source {
		p := tape.Preset{Name: "test", SpeedPercent: speed, FlutterHz: []float64{30}, FlutterPct: flutter, Noise: snr > 0, SNRDB: snr,
			DropoutsMinute: dropPerMin, DropoutMedianMS: dropMS, DropoutFixed: true, DropoutMinDB: 30, DropoutMaxDB: 40, Bits: 16}
		return tape.NewImpairSource(src, p, seed+uint64(pass)*1000)
	}
}

func TestRehearseImpaired(t *testing.T) {
	for seed, speed := range []float64{3, -3} {
		tp := newTape(t, testTracks(2, 0.5, uint64(seed)), Options{Rate: -1, Parity: -1})
		out, err := tp.Rehearse(t.Context(), Rehearsal{Volume: 1, Path: impaired(uint64(seed), speed, 0.3, 15, 0, 20)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if !out.Verified || out.Plays != 1 {
			t.Errorf("speed %v %%: not verified in one play: %s (lost %d)", speed, out.Why, out.Lost)
		}
	}
}
