package track

import (
	"context"
	"fmt"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
	"remanence/disk/flux"
)

// Scanner scans tracks one after another and keeps its memory between them. It serves one goroutine.
type Scanner struct {
	sep cell.Separator
	dec cell.Decoder
}

// Scan finds the sectors in captures of one track and merges all reads of each. It is Scanner.Scan for a single call.
func Scan(ctx context.Context, caps []*flux.Capture, o Options) (*Result, error) {
	var s Scanner
	return s.Scan(ctx, caps, o)
}

// Scan finds the sectors in captures of one track and merges all reads of each. The only error is that of ctx: what
// is wrong with a track is in the result.
func (s *Scanner) Scan(ctx context.Context, caps []*flux.Capture, o Options) (*Result, error) {
	res, _, err := s.scan(ctx, caps, o)
	res.clusters = nil // a result must not hold on to every bit of every read
	return res, err
}

// scan is Scan; it gives the passes and clusters too.
func (s *Scanner) scan(ctx context.Context, caps []*flux.Capture, o Options) (*Result, []*passes, error) {
	res := &Result{}
	if len(caps) == 0 {
		return res, nil, ctx.Err()
	}
	res.Cylinder, res.Head, res.Captures = caps[0].Cylinder, caps[0].Head, len(caps)
	var tracks []*passes
	for i, c := range caps {
		if err := ctx.Err(); err != nil {
			return res, nil, err
		}
		for _, d := range c.Damage {
			res.Problems = append(res.Problems, c.From+": "+d.Error())
		}
		if d := c.DurationNS(); d > maxCaptureNS {
			res.Problems = append(res.Problems, fmt.Sprintf("%s: lasts %.0f s; a capture of one track that lasts more than %.0f s is not read", c.From, d/1e9, maxCaptureNS/1e9))
			c = &flux.Capture{Cylinder: c.Cylinder, Head: c.Head, TickNS: c.TickNS, From: c.From}
		}
		res.Transitions += len(c.Intervals)
		p := s.pass(c, i, o)
		if len(p.reads) >= maxReads {
			res.Problems = append(res.Problems, fmt.Sprintf("%s: more than %d sectors in one capture; what comes after them is not read", c.From, maxReads))
		}
		tracks = append(tracks, p)
	}
	res.settle(tracks, o)
	res.Turns = turnsOf(tracks)
	if !o.FastOnly && res.needsMore(tracks, o) {
		tracks = s.closeRings(tracks, o)
		if err := s.deepen(ctx, res, tracks, o); err != nil {
			return res, nil, err
		}
	}
	res.conclude(tracks, o)
	return res, tracks, nil
}

// passes is one capture and what was found in it.
type passes struct {
	c       *flux.Capture
	number  int
	pace    pace
	reads   []*read
	indexNS []float64
	revNS   float64 // time of a revolution, by index pulses or by sectors that came by again; 0 not known
	timed   bool    // revNS was measured on this capture
	offset  float64 // to be added to angles so that they agree with the first capture
	times   []float64
	seamNS  float64       // where they were joined
	ring    *passes       // the capture whose end and start were joined to make this one
	pacing  []speedAt     // cell length along the capture, from the fast separator
	paced   disk.Encoding // whose cells they are
	endNS   float64
}

type speedAt struct{ ns, cellNS float64 }

// maxCaptureNS bounds what a capture may claim to last, some 3,000 revolutions: places are looked for in each of them.
const maxCaptureNS = 600e9

// pass is the fast way over one capture.
func (s *Scanner) pass(c *flux.Capture, number int, o Options) *passes {
	p := &passes{c: c, number: number, pace: paceOf(c)}
	for _, t := range c.Index {
		p.indexNS = append(p.indexNS, float64(t)*c.TickNS)
	}
	if p.pace.shortNS == 0 || len(c.Intervals) < 16 {
		return p
	}
	first, second := disk.FM, disk.MFM
	if p.pace.middle > 0.05 {
		first, second = second, first
	}
	p.reads = fastReads(&s.sep, c, number, first, p.pace.cellNS(first), o.Format)
	p.notePace(&s.sep)
	p.paced = first
	if p.worthTrying(second) {
		before := stray(&s.sep)
		p.reads = append(p.reads, fastReads(&s.sep, c, number, second, p.pace.cellNS(second), o.Format)...)
		if stray(&s.sep) < before { // its loop followed the track better
			p.notePace(&s.sep)
			p.paced = second
		}
		p.dropShadows()
	}
	return p
}

// stray is the mean square error of the separator's decisions.
func stray(sep *cell.Separator) float64 {
	sum := 0
	for _, e := range sep.Errors {
		sum += int(e) * int(e)
	}
	return float64(sum) / float64(max(len(sep.Errors), 1))
}

// notePace keeps how the cell length went along the capture.
func (p *passes) notePace(sep *cell.Separator) {
	p.pacing = p.pacing[:0]
	t, k := uint64(0), 0
	for i, d := range p.c.Intervals {
		t += uint64(d)
		if i%cell.PaceStep == cell.PaceStep-1 && k < len(sep.Pace) {
			p.pacing = append(p.pacing, speedAt{float64(t) * p.c.TickNS, float64(sep.Pace[k]) * p.c.TickNS})
			k++
		}
	}
	p.endNS = float64(t) * p.c.TickNS
}

// worthTrying reports whether a stretch long enough for a sector is not explained by the reads so far and looks like
// the other encoding: MFM has intervals of one and a half of the shortest, FM has none.
func (p *passes) worthTrying(e disk.Encoding) bool {
	least := 171 * 16 * p.pace.shortNS // an FM sector of 128 bytes; an MFM one of 256 takes about as long
	if e == disk.MFM {
		least = 190 * 8 * p.pace.shortNS
	}
	from, last := 0.0, 0.0
	i, t := 0, uint64(0)
	lo, hi := uint32(1.4*p.pace.shortNS/p.c.TickNS), uint32(1.6*p.pace.shortNS/p.c.TickNS)
	stretch := func(from, to float64) bool {
		if to-from < least {
			return false
		}
		n, mid, run, longest := 0, 0, 0, 0
		for ; i < len(p.c.Intervals); i++ {
			d := p.c.Intervals[i]
			at := float64(t+uint64(d)) * p.c.TickNS
			if at > to {
				break
			}
			t += uint64(d)
			if at < from {
				continue
			}
			n++
			if d > lo && d < hi {
				mid++
				run = 0
			} else if run++; run > longest {
				longest = run
			}
		}
		if e == disk.MFM {
			return mid*100 > n
		}
		return longest > 200 || mid*100 < 15*n
	}
	for _, r := range p.reads {
		if r.state == idMissing && !r.good {
			continue
		}
		last = r.startNS()
		if stretch(from, last) {
			return true
		}
		from = max(from, r.endNS())
	}
	return stretch(from, p.endNS)
}

// dropShadows takes out reads of one encoding that lie where the other has a whole sector.
func (p *passes) dropShadows() {
	var out []*read
	for _, r := range p.reads {
		shadow := false
		for _, q := range p.reads {
			if q.enc != r.enc && q.good && q.state == idGood && !r.good && r.startNS() < q.endNS() && r.endNS() > q.startNS() {
				shadow = true
				break
			}
		}
		if !shadow {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b *read) int {
		switch {
		case a.startNS() < b.startNS():
			return -1
		case a.startNS() > b.startNS():
			return 1
		}
		return 0
	})
	p.reads = out
}
