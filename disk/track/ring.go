package track

import (
	"math"

	"remanence/disk/flux"
)

// closeRings adds, for each capture of about one revolution, the stretch across its end: what came by last, followed
// by what came by one revolution before that. A sector that the capture's end cuts in two is whole there.
func (s *Scanner) closeRings(tracks []*passes, o Options) []*passes {
	for _, p := range tracks {
		if !p.timed || p.endNS < 0.97*p.revNS || p.endNS > 1.9*p.revNS {
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
			cut, n := r.across()
			if n > bestN {
				best, bestN = r, n
			}
			if !cut || n > 0 {
				break
			}
		}
		if best != nil {
			tracks = append(tracks, best)
		}
	}
	return tracks
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

// across reports whether a sector lies across the seam, and how many of them are whole.
func (p *passes) across() (cut bool, whole int) {
	for _, r := range p.reads {
		if r.startNS() < p.seamNS && r.endNS() > p.seamNS {
			cut = true
			if r.good {
				whole++
			}
		}
	}
	return cut, whole
}
