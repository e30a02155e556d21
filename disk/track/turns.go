package track

import (
	"math"

	"remanence/disk"
)

// Turn is what one revolution of one capture gives by itself, read once by the fast separator, as a controller of the
// period would: before anything is weighed, merged or repaired.
type Turn struct {
	From    string // its capture
	Capture int    // number of it, from 0
	Number  int    // of the revolution within the capture, from 0
	Sectors []TurnSector
}

// TurnSector is a sector of a Turn. One whose identifier did not come out is not in it.
type TurnSector struct {
	ID       disk.SectorID
	Encoding disk.Encoding
	Angle    float64     // 0..1 of a revolution
	Margin   float64     // 0..1 of the half window; -1 not measured
	Status   disk.Status // Good; Doubtful: a right CRC on errors so wide that it proves too little; Bad
}

// maxTurns of one capture are told apart; the last takes what is left.
const maxTurns = 32

// turns is how many revolutions the capture holds; one that is nearly whole counts.
func (p *passes) turns() int {
	n := p.endNS/p.revNS + 0.05
	if !(n > 1) { // no revolution is known, or less than two
		return 1
	}
	return int(min(n, maxTurns))
}

// turnOf is the revolution of a time, counted from the start of the capture. What is left over belongs to the last.
func (p *passes) turnOf(ns float64) int {
	if !(p.revNS > 0) {
		return 0
	}
	return int(max(0, min(math.Floor(ns/p.revNS), float64(p.turns()-1))))
}

// turnsOf sorts the reads of the fast separator by revolution.
func turnsOf(tracks []*passes) []Turn {
	var out []Turn
	for _, p := range tracks {
		first := len(out)
		for n := range p.turns() {
			out = append(out, Turn{From: p.c.From, Capture: p.number, Number: n})
		}
		for _, r := range p.reads {
			if r.state != idGood {
				continue
			}
			s := TurnSector{ID: r.id, Encoding: r.enc, Angle: r.angle, Margin: r.margin, Status: disk.Bad}
			if r.good {
				s.Status = disk.Good
				if r.rms > shaky {
					s.Status = disk.Doubtful
				}
			}
			t := &out[first+p.turnOf(r.startNS())]
			t.Sectors = append(t.Sectors, s)
		}
	}
	return out
}
