package linecode

import (
	"bytes"
	"math"
	"slices"
	"testing"
)

// echo adds another layer of the tape: what was heard delay seconds before, db under it.
func echo(x []float32, delay, db float64) []float32 {
	a, k := float32(math.Pow(10, db/20)), int(delay*testRate)
	y := append([]float32(nil), x...)
	for i := k; i < len(x); i++ {
		y[i] += a * x[i-k]
	}
	return y
}

// TestLeaderAfterFaintPause: a lock on what is faintly heard in a pause does not hide the leader that sets in after it. The
// end of the program before, with bytes and trailer, is heard again, at its own speed or another.
func TestLeaderAfterFaintPause(t *testing.T) {
	for _, name := range []string{"kcs300", "kcs1200"} {
		c := codeNamed(t, name)
		first, second := randomBytes(40, 4), randomBytes(40, 6)
		next := warp(.005, .0005, .7)(record(t, c, second), 3)
		for _, off := range []float64{.005, .1} {
			x := append(warp(off, .0005, .7)(record(t, c, first), 3), next...)
			for _, delay := range []float64{1.3, 1.9} {
				for _, db := range []float64{-40, -50} {
					runs, refused := demodulate(t, c, noiseOf(3e-3)(echo(x, delay, db), 5), testRate)
					for i, want := range [][]byte{first, second} {
						if !slices.ContainsFunc(runs, func(r *Run) bool { return bytes.Equal(values([]*Run{r}), want) }) {
							t.Errorf("%s, speed %+g, %g s later, %g dB: program %d is not among %d runs, refused %v", name, off, delay, db, i, len(runs), refused)
						}
					}
				}
			}
		}
	}
}

// TestLevelJumpsInProgram: where the level of a program itself jumps far up, its lock is kept and bytes go on; also where
// bytes of ones follow, which look most like a leader.
func TestLevelJumpsInProgram(t *testing.T) {
	for _, name := range []string{"kcs300", "kcs1200"} {
		c := codeNamed(t, name)
		ones := randomBytes(60, 7)
		for i := 20; i < 40; i++ {
			ones[i] = 0xFF
		}
		for what, payload := range map[string][]byte{"random": randomBytes(60, 6), "ones": ones} {
			for _, db := range []float64{10, 14, 20} {
				x := record(t, c, payload)
				at := int((0.5 + c.LeaderSeconds() + 16.7*c.FrameSeconds()) * testRate) // after the silence of record
				for i := range x[:at] {
					x[i] *= float32(math.Pow(10, -db/20))
				}
				runs, refused := demodulate(t, c, noiseOf(1e-4)(x, 5), testRate)
				if got := values(runs); len(runs) != 1 || !bytes.Equal(got, payload) {
					t.Errorf("%s, %s, %g dB: %d of %d bytes wrong, %d read in %d runs, refused %v", name, what, db, wrong(payload, got), len(payload), len(got), len(runs), refused)
				}
			}
		}
	}
}
