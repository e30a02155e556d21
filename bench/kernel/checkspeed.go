package kernel

import (
	"math"
	"slices"
	"time"

	"remanence/bench"
	"remanence/disk"
)

// speed times how the identifiers of a track come by: the same one comes once a turn. An emulation gives identifiers at
// times of its own, so the index pulses must come at the same pace.
func (c *check) speed(t *bench.Track) error {
	const samples, lostAllowed = 150, 20
	var seen []passing
	lost := 0
	for len(seen) < samples && lost <= lostAllowed {
		id, err := c.readID(t)
		at := c.o.Now()
		if err != nil {
			if bench.Fatal(err) {
				return err
			}
			lost++
			seen = append(seen, passing{place: -1})
			continue
		}
		seen = append(seen, passing{place: int(id.Sector) - t.Format.FirstID, at: at})
	}
	turn, spread, n := turnOf(seen)
	switch rpm := 60 / turn; {
	case n < 10:
		c.unknown("speed", "not measurable: %d of %d identifiers were read, and only %d pairs of them a turn apart", len(seen)-lost, len(seen), n)
	case rpm > 1000 || rpm < 100:
		c.unknown("speed", "not measurable: the same identifier comes every %.3g ms, which no disk does; an emulation models no rotation", 1000*turn)
	default:
		if turns, err := c.indexed(t, turn); err != nil {
			return err
		} else if !turns {
			c.unknown("speed", "not measurable: the same identifier comes every %.1f ms, but a search does not end at an index pulse of that pace; an emulation models no rotation", 1000*turn)
			return nil
		}
		c.turn, c.f.RPM, c.f.RPMSpread, c.f.Turns = turn, math.Round(100*rpm)/100, math.Round(1000*rpm*spread/turn)/1000, n
		c.say("speed", true, "%.1f rpm, single turns ±%.2f (%d measured, %d samples lost)", rpm, c.f.RPMSpread, n, lost)
	}
	return nil
}

// indexed reports whether searches for a sector that is not there end whole turns apart. The chip gives up at the second
// index pulse after it began (765 data sheet), so that one search after the other takes two turns.
func (c *check) indexed(t *bench.Track, turn float64) (bool, error) {
	none := *t
	none.Sectors = slices.Clone(t.Sectors[:1])
	none.Sectors[0].ID.Sector = 0xEE
	var last time.Time
	good := 0
	for range 6 {
		if got, err := c.d.Read(c.ctx, &none); err != nil || got[0].Status == disk.Good {
			return false, err
		}
		now := c.o.Now()
		turns := now.Sub(last).Seconds() / turn
		if k := math.Round(turns); !last.IsZero() && k >= 1 && k <= 3 && math.Abs(turns-k) < 0.1 {
			good++
		}
		last = now
	}
	return good >= 3, nil
}

// passing is an identifier that came by: its place on the track in the order of the track, -1 for a sample that failed.
type passing struct {
	place int
	at    time.Time
}

// turnOf is the median time of a turn in seconds, the standard deviation of single turns, and how many they are from.
//
// A turn is the time from an identifier to its next coming. Between the two, the places must have gone down exactly
// once, where they pass the index: else more than a turn went by. A turn that the computer slept through does not show
// in the places; then two or more were taken for one. Those lie further than a tenth from the median and do not count.
func turnOf(seen []passing) (turn, spread float64, n int) {
	var turns []float64
	for i, a := range seen {
		if a.place < 0 {
			continue
		}
		down := 0
		for k := i + 1; k < len(seen) && down <= 1 && seen[k].place >= 0; k++ {
			if seen[k].place <= seen[k-1].place {
				down++
			}
			if seen[k].place == a.place {
				if down == 1 {
					turns = append(turns, seen[k].at.Sub(a.at).Seconds())
				}
				break
			}
		}
	}
	if len(turns) == 0 {
		return 0, 0, 0
	}
	slices.Sort(turns)
	turn = turns[len(turns)/2]
	var sum, squares float64
	for _, v := range turns {
		if math.Abs(v-turn) <= turn/10 {
			sum, squares, n = sum+v, squares+(v-turn)*(v-turn), n+1
		}
	}
	mean := sum / float64(n)
	return turn, math.Sqrt(max(0, squares/float64(n)-(mean-turn)*(mean-turn))), n
}
