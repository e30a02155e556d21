package track

import (
	"math"
	"slices"

	"remanence/disk"
)

// angleTolerance is how far apart two reads of one sector may lie, as a fraction of a revolution: the shortest sector
// in use (128 bytes, 26 to a track) takes 0.036.
const angleTolerance = 0.012

// settle finds the revolution time, gives each read its angle, and makes the captures agree on where angle 0 is.
func (res *Result) settle(tracks []*passes, o Options) {
	var known, cells []float64 // revolution times, in nanoseconds and in cells
	for _, p := range tracks {
		if rev := p.revolution(o); p.ring == nil && (rev > 0 || !p.timed) {
			p.revNS, p.timed = rev, rev > 0
		}
		if p.timed && p.ring == nil {
			known = append(known, p.revNS)
			if c := p.meanCell(); c > 0 {
				cells = append(cells, p.revNS/c)
			}
		}
	}
	fallback := o.RevolutionNS
	if len(known) > 0 {
		slices.Sort(known)
		fallback = known[len(known)/2]
		res.RevolutionNS = fallback
	} else if fallback == 0 {
		fallback = 200e6
	}
	for _, p := range tracks {
		if p.revNS == 0 {
			p.revNS = fallback
			if c := p.meanCell(); c > 0 { // all captures have the same cells in a revolution
				if len(cells) == 0 {
					cells = append(cells, fallback/c)
				}
				slices.Sort(cells)
				p.revNS = cells[len(cells)/2] * c
			}
		}
		if p.ring == nil {
			res.Revolutions += p.endNS / p.revNS
		}
		for _, r := range p.reads {
			p.place(r)
		}
	}
	align(tracks)
}

// meanCell is the mean length of an FM cell (of two MFM cells) in the capture; 0 not known.
func (p *passes) meanCell() float64 {
	sum := 0.0
	for _, s := range p.pacing {
		sum += s.cellNS
	}
	if len(p.pacing) == 0 {
		return 0
	}
	if p.paced == disk.MFM {
		sum *= 2
	}
	return sum / float64(len(p.pacing))
}

// place gives a read its angle.
func (p *passes) place(r *read) {
	t := r.startNS()
	if !r.idAt.ok {
		t -= idToDataNS(r.enc, r.cellNS)
	}
	r.angle = p.angleAt(t)
}

// idToDataNS is the usual time from ID mark to data mark: 24 bytes in FM, 44 in MFM (FD179x data sheet).
func idToDataNS(e disk.Encoding, cellNS float64) float64 {
	if e == disk.MFM {
		return 44 * 16 * cellNS
	}
	return 24 * 16 * cellNS
}

// angleAt is where a time lies, 0..1 of a revolution after the index.
func (p *passes) angleAt(t float64) float64 {
	base, rev := 0.0, p.revNS
	for i, x := range p.indexNS {
		if x <= t || i == 0 {
			base = x
			if i+1 < len(p.indexNS) && plausibleRev(p.indexNS[i+1]-x) {
				rev = p.indexNS[i+1] - x
			}
		}
	}
	return wrap((t-base)/rev + p.offset)
}

// timesAt are the times at which an angle passes in the capture.
func (p *passes) timesAt(angle float64) []float64 {
	var out []float64
	a := wrap(angle - p.offset)
	if len(p.indexNS) == 0 {
		for t := a * p.revNS; t < p.endNS; t += p.revNS {
			out = append(out, t)
		}
		return out
	}
	first := p.indexNS[0] + (a-1)*p.revNS
	if first > p.endNS { // an index pulse behind the end
		first -= math.Ceil((first-p.endNS)/p.revNS) * p.revNS
	}
	for t := first; t >= 0; t -= p.revNS {
		out = append(out, t)
	}
	slices.Reverse(out)
	for i, x := range p.indexNS {
		rev, last := p.revNS, i+1 == len(p.indexNS)
		if !last && plausibleRev(p.indexNS[i+1]-x) {
			rev = p.indexNS[i+1] - x
		}
		for t := x + a*rev; t < p.endNS; t += rev {
			out = append(out, t)
			if !last {
				break
			}
		}
	}
	return out
}

func plausibleRev(ns float64) bool { return ns > 100e6 && ns < 400e6 }

// wrap brings an angle into 0..1.
func wrap(a float64) float64 { return a - math.Floor(a) }

// apart is the distance of two angles, 0..0.5.
func apart(a, b float64) float64 {
	d := math.Abs(a - b)
	return min(d, 1-d)
}

// revolution measures the time of a revolution: from index pulses, else from sectors that came by twice.
func (p *passes) revolution(o Options) float64 {
	var d []float64
	for i := 1; i < len(p.indexNS); i++ {
		if x := p.indexNS[i] - p.indexNS[i-1]; plausibleRev(x) {
			d = append(d, x)
		}
	}
	if len(d) == 0 {
		for i, r := range p.reads {
			for _, q := range p.reads[i+1:] {
				x := q.startNS() - r.startNS()
				if q.enc == r.enc && q.id == r.id && r.state == idGood && q.state == idGood && plausibleRev(x) &&
					(o.RevolutionNS == 0 || math.Abs(x/o.RevolutionNS-1) < 0.15) {
					d = append(d, x)
					break
				}
			}
		}
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// align turns later captures so that their identifiers lie where the first one's do: drives differ in where their
// index sensor sits, and a capture without index pulses starts anywhere.
func align(tracks []*passes) {
	var ref *passes
	for _, p := range tracks {
		if ref == nil {
			if p.goodIDs() > 0 {
				ref = p
			}
			continue
		}
		var d []float64
		for _, r := range p.reads {
			if r.state != idGood {
				continue
			}
			for _, q := range ref.reads {
				if q.state == idGood && q.enc == r.enc && q.id == r.id {
					d = append(d, wrap(q.angle-r.angle))
				}
			}
			if len(d) > 3000 { // more than any honest pair of captures has; the count below is quadratic
				break
			}
		}
		if len(d) == 0 {
			continue
		}
		best, count := 0.0, 0
		for _, x := range d {
			n := 0
			for _, y := range d {
				if apart(x, y) < 0.01 {
					n++
				}
			}
			if n > count {
				best, count = x, n
			}
		}
		if len(p.indexNS) > 0 && len(ref.indexNS) > 0 && apart(best, 0) < 0.004 {
			continue // the index pulses agree as they are
		}
		p.offset = best
		for _, r := range p.reads {
			r.angle = wrap(r.angle + best)
		}
	}
}

func (p *passes) goodIDs() int {
	n := 0
	for _, r := range p.reads {
		if r.state == idGood {
			n++
		}
	}
	return n
}

// cluster is all reads of one sector.
type cluster struct {
	enc   disk.Encoding
	id    disk.SectorID
	known bool // the identifier was read with a right CRC at least once
	angle float64
	reads []*read
}

// passed reports whether c has a read of the same pass of the head: then r is something that only looked like a mark.
func (c *cluster) passed(r *read) bool {
	for _, q := range c.reads {
		if q.capture == r.capture && math.Abs(q.startRef()-r.startRef()) < 30e6 && q.dataAt.ok {
			return true
		}
	}
	return false
}

// joinSame joins clusters of one identifier that lie near each other and that no capture shows both of: one sector,
// whose angle in one of the captures is off because nothing tells its revolution. A track that has a number twice
// shows both in every capture.
func joinSame(cs []*cluster) []*cluster {
	var out []*cluster
next:
	for _, c := range cs {
		for _, k := range out {
			if k.enc != c.enc || k.id != c.id || apart(k.angle, c.angle) > 0.05 {
				continue
			}
			if !slices.ContainsFunc(c.reads, func(r *read) bool {
				return slices.ContainsFunc(k.reads, func(q *read) bool { return q.capture == r.capture })
			}) {
				k.reads = append(k.reads, c.reads...)
				continue next
			}
		}
		out = append(out, c)
	}
	return out
}

// clusters groups the reads of all captures by sector.
func clusters(reads []*read) []*cluster {
	var out []*cluster
	find := func(r *read, same bool) *cluster {
		var best *cluster
		d := angleTolerance
		for _, c := range out {
			if c.enc != r.enc || same && c.id != r.id || !same && !c.known {
				continue
			}
			if x := apart(c.angle, r.angle); x < d {
				best, d = c, x
			}
		}
		return best
	}
	for _, r := range reads {
		if r.state != idGood {
			continue
		}
		c := find(r, true)
		if c == nil {
			c = &cluster{enc: r.enc, id: r.id, known: true, angle: r.angle}
			out = append(out, c)
		}
		c.reads = append(c.reads, r)
	}
	out = joinSame(out)
	known := len(out)
	for _, r := range reads {
		if r.state == idGood {
			continue
		}
		if c := find(r, false); c != nil {
			if !c.passed(r) || r.good && !r.idAt.ok {
				c.reads = append(c.reads, r)
			}
			continue
		}
		var c *cluster
		for _, k := range out[known:] {
			if k.enc == r.enc && apart(k.angle, r.angle) < angleTolerance {
				c = k
				break
			}
		}
		if c == nil {
			c = &cluster{enc: r.enc, id: r.id, angle: r.angle}
			out = append(out, c)
		}
		c.reads = append(c.reads, r)
	}
	slices.SortStableFunc(out, func(a, b *cluster) int {
		switch {
		case a.angle < b.angle:
			return -1
		case a.angle > b.angle:
			return 1
		}
		return 0
	})
	return out
}
