package kernel

import (
	"bytes"
	"encoding/hex"
	"math"
	"math/bits"
	"testing"
	"time"
)

// FM as MFM data: the half-cells of the marks are those of the FD1771 and FD179x data sheets, gap and sync bytes those of
// the fact sheet on floppies (section 1), and no two of them in a row are empty, or MFM would put a clock between.
func TestStreamIsFM(t *testing.T) {
	s := newStream()
	for data := range 256 {
		s.put(byte(data), 0xFF)
	}
	for _, c := range []struct {
		mark byte
		want string
	}{{0xFE, "f57e"}, {0xFB, "f56f"}, {0xF8, "f56a"}, {0xFA, "f56e"}, {0xF9, "f56b"}} {
		one := newStream()
		one.field(c.mark, nil)
		if got := hex.EncodeToString((*one)[12:14]); got != c.want || !bytes.Equal((*one)[:12], bytes.Repeat([]byte{0xAA}, 12)) {
			t.Errorf("mark %02X behind its sync: %x, want twelve AA and %s", c.mark, (*one)[:14], c.want)
		}
		*s = append(*s, *one...)
	}
	// Identifier 00 00 01 00: F57E AAAA AAAA AAAB AAAA FBAE FAAF (fact sheet, end of section 2; CRC D2C3).
	id := newStream()
	id.id(0, 1, 0)
	if got := hex.EncodeToString((*id)[12:]); got != "f57eaaaaaaaaaaabaaaafbaefaaf" {
		t.Errorf("identifier %s", got)
	}
	*s = append(*s, *id...)
	s.gap(3)
	empty := 0
	for _, v := range *s {
		for i := 7; i >= 0; i-- {
			if v>>i&1 == 1 {
				empty = 0
			} else if empty++; empty > 1 {
				t.Fatal("two empty half-cells in a row: as MFM data they would get a clock between them")
			}
		}
	}
	if n := bits.OnesCount8((*s)[0]); n != 4 || s.at()*2 != len(*s) {
		t.Errorf("byte 00 has %d clocks, want 4", n)
	}
}

// The time of a turn stands on pairs that are one turn apart, whatever is lost between.
func TestTurnOf(t *testing.T) {
	begin := time.Unix(0, 0)
	const turnMS = 200.0
	at := func(place int, turn float64) passing {
		return passing{place: place, at: begin.Add(time.Duration((turn + float64(place)*0.1) * turnMS * 1e6))}
	}
	none := passing{place: -1}
	var even, slept, lost, one, second []passing
	for turn := range 12 {
		for place := range 5 {
			even = append(even, at(place, float64(turn)))
			// Every fourth turn is slept through, unseen in the places.
			slept = append(slept, at(place, float64(turn+turn/4)))
			if turn%2 == 0 || place == 4 { // all but one are caught only every second turn
				second = append(second, at(place, float64(turn)))
			}
			switch {
			case turn%3 == 2 && place == 1:
				lost = append(lost, none)
			case place == 3 && turn%2 == 0: // not caught
			default:
				lost = append(lost, at(place, float64(turn)))
			}
		}
		one = append(one, at(0, float64(turn)))
	}
	for _, c := range []struct {
		name  string
		seen  []passing
		least int
	}{{"even", even, 55}, {"slept through", slept, 40}, {"lost", lost, 20}, {"one sector", one, 11}, {"every second turn", second, 11}} {
		turn, spread, n := turnOf(c.seen)
		if math.Abs(turn-turnMS/1000) > 1e-6 || spread > 1e-6 || n < c.least {
			t.Errorf("%s: %.6f s ± %.6f of %d turns, want 0.2 of %d or more", c.name, turn, spread, n, c.least)
		}
	}
	// A spread of known size: turns of 199 and 201 ms in turn have a standard deviation of 1 ms.
	var uneven []passing
	now := 0.0
	for i := range 41 {
		uneven = append(uneven, passing{place: 0, at: begin.Add(time.Duration(now * 1e9))})
		now += 0.2 + map[bool]float64{true: 0.001, false: -0.001}[i%2 == 0]
	}
	if _, spread, n := turnOf(uneven); math.Abs(spread-0.001) > 1e-5 || n != 40 {
		t.Errorf("spread %.6f s of %d turns, want 0.001 of 40", spread, n)
	}
	if turn, _, n := turnOf([]passing{none, at(0, 0), none, at(0, 1)}); n != 0 || turn != 0 {
		t.Errorf("a pair with a lost sample between: %v of %d", turn, n)
	}
}
