package track

import (
	"math"

	"remanence/disk/flux"
)

// closeRings adds, for each capture of about one revolution, the stretch across its end: what came by last, followed
// by what came by one revolution before that. A sector that the capture's end cuts in two is whole there.
func (s *Scanner) closeRings(tracks []*passes, o Options) []*passes {
	for _, p := range tracks {
		if !p.timed {
			p.overlap(o)
		}
		if !p.timed && !p.oneTurn(o) || p.endNS < 0.97*p.revNS || p.endNS > 1.9*p.revNS {
			continue
		}
		// The revolution time is known to the microsecond at best: the join is tried a few cells off, too, as long
		// as a sector across it is not whole.
		cell := p.pace.shortNS / 2
		var best *passes
		bestN := -1
		for _, k := range []float64{0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6} {
			r := s.ring(p, k*cell, len(tracks), o)
			if r == nil {
				break
			}
			n := r.across()
			if n > bestN {
				best, bestN = r, n
			}
			if n > 0 {
				break
			}
		}
		if best != nil {
			p.timed = p.timed || bestN > 0
			tracks = append(tracks, best)
		}
	}
	return tracks
}

// overlap measures the revolution of a capture that neither index pulses nor identifiers tell it of, by the stretch
// that it holds twice: the intervals after its start are looked for one revolution on.
func (p *passes) overlap(o Options) {
	const block = 200
	times := p.allTimes()
	if len(times) == 0 || p.pace.shortNS == 0 {
		return // an empty capture
	}
	class := make([]uint8, len(times))
	for i := range times[1:] {
		class[i] = uint8(min((times[i+1]-times[i])/p.pace.shortNS*2+0.5, 20))
	}
	for _, rev := range []float64{o.RevolutionNS, 60e9 / 300, 60e9 / 360} {
		if rev == 0 || p.endNS < 0.96*rev || p.endNS > 1.9*rev {
			continue
		}
		for from := 20; from+block < len(times) && from < 20+4*block; from += block {
			want := class[from : from+block]
			kinds := 0
			for i := range want {
				if i > 0 && want[i] != want[i-1] {
					kinds++
				}
			}
			if kinds < block/4 { // a gap looks like itself everywhere
				continue
			}
			best, second, at := 0, 0, 0
			for k := lowerBound(times, times[from]+0.93*rev); k+block < len(times) && times[k] < times[from]+1.07*rev; k++ {
				same := 0
				for i, c := range class[k : k+block] {
					if c == want[i] {
						same++
					}
					if i == 24 && same < 10 {
						break
					}
				}
				if same > best {
					if k-at > 8 {
						second = best
					}
					best, at = same, k
				} else if same > second && k-at > 8 {
					second = same
				}
			}
			if best*10 > block*7 && best*8 > second*10 {
				p.revNS, p.timed = times[at]-times[from], true
				return
			}
		}
	}
}

// oneTurn takes a capture whose revolution nothing tells, and which is about as long as one, for exactly one: many
// programs record from anywhere until they have a revolution. Only a CRC that fits across the join confirms it.
func (p *passes) oneTurn(o Options) bool {
	for _, rev := range []float64{o.RevolutionNS, 60e9 / 300, 60e9 / 360} {
		if rev > 0 && math.Abs(p.endNS/rev-1) < 0.05 {
			p.revNS = p.endNS + p.pace.shortNS
			return true
		}
	}
	return false
}

// ring joins the end of a capture to its start, shifted by some nanoseconds.
func (s *Scanner) ring(p *passes, shiftNS float64, number int, o Options) *passes {
	times := p.allTimes()
	reach := 0.45 * p.revNS
	from := lowerBound(times, p.endNS-reach)
	again := p.endNS - p.revNS + shiftNS
	k := lowerBound(times, again+0.3*p.pace.shortNS) // not the last transition itself once more
	if k >= len(times) || from >= len(times) {
		return nil
	}
	origin := times[from]
	var joined []float64
	for _, t := range times[from:] {
		joined = append(joined, t-origin)
	}
	seam := joined[len(joined)-1]
	for _, t := range times[k:] {
		if t > again+reach {
			break
		}
		joined = append(joined, t-again+seam)
	}
	c := flux.FromTimes(joined, p.c.TickNS)
	c.Cylinder, c.Head, c.From = p.c.Cylinder, p.c.Head, p.c.From
	r := s.pass(c, number, o)
	r.ring, r.revNS = p, p.revNS
	r.seamNS = seam
	if len(p.indexNS) > 0 {
		// Any pulse will do: angles count modulo a revolution.
		i := p.indexNS[0] - origin
		i -= math.Floor(i/p.revNS) * p.revNS
		r.indexNS = []float64{i}
	} else {
		r.indexNS = []float64{wrap(-origin/p.revNS) * p.revNS}
	}
	r.offset = p.offset
	r.keepAcross()
	return r
}

// keepAcross drops what does not lie across the seam: it is in the capture itself, and must not count twice.
func (p *passes) keepAcross() {
	if p.ring == nil {
		return
	}
	kept := p.reads[:0]
	for _, r := range p.reads {
		if r.startNS() < p.seamNS && (r.endNS() > p.seamNS || r.idAt.ok && !r.dataAt.ok && p.seamNS-r.startNS() < 2*idToDataNS(r.enc, r.cellNS)) {
			kept = append(kept, r)
		}
	}
	p.reads = kept
}

// across is how many whole sectors lie across the seam.
func (p *passes) across() (whole int) {
	for _, r := range p.reads {
		if r.startNS() < p.seamNS && r.endNS() > p.seamNS {
			if r.good && r.state == idGood {
				whole++
			}
		}
	}
	return whole
}
