package linecode

import (
	"bytes"
	"math"
	"testing"
)

// TestLeaderUnderStrayLock: in the hiss of a good tape between two programs a lock may begin by chance and last. The
// leader that sets in far above the hiss is heard all the same, wherever in the cell of that lock its pulses come.
func TestLeaderUnderStrayLock(t *testing.T) {
	c := codeNamed(t, "pulse500")
	payload := randomBytes(40, 6)
	sound := warp(.005, .0005, .7)(record(t, c, payload), 3)
	sigma := rms(sound) * math.Pow(10, -46./20)
	const gap = 5 * testRate
	x := noiseOf(sigma)(append(make([]float32, gap), sound...), 5)
	for place := range 16 {
		d, err := NewDemodulator(c, testRate, Options{})
		if err != nil {
			t.Fatal(err)
		}
		d.Feed(x[:gap/8])
		e := d.engine.(*pulseEngine)
		sd := rms(e.y)
		e.lk = newPulseLock(e, float64(e.next)+float64(place)/16*e.cell, e.cell, 0.1*sd, sd*sd)
		e.lk.cells = 65 // it has outlasted the first look at whether it is chance
		d.Feed(x[gap/8:])
		d.Close()
		if got := values(d.Take()); !bytes.Equal(got, payload) {
			t.Errorf("place %d of 16: %d of %d bytes wrong, %d read, refused %v", place, wrong(payload, got), len(payload), len(got), d.Refusals())
		}
	}
}
