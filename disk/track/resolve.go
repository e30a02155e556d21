package track

import (
	"bytes"
	"cmp"
	"math"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
)

// measure finds how transitions of an encoding err on this track: jitter, and the push that unequal neighbours give.
// Both come from the best explanations of up to a dozen fields, in two rounds.
func (s *Scanner) measure(tracks []*passes, e disk.Encoding) *cell.Model {
	type field struct {
		p *passes
		r *read
	}
	var fields []field
	sigma := 0.0
	for _, p := range tracks {
		sigma = max(sigma, p.sigma(e))
		for _, r := range p.reads {
			if r.enc == e && r.dataAt.ok && r.dataAt.found != nil {
				fields = append(fields, field{p, r})
			}
		}
	}
	m := &cell.Model{MFM: e == disk.MFM, Sigma: sigma}
	const enough = 12
	if n := len(fields); n > enough {
		var some []field
		for i := range enough {
			some = append(some, fields[i*n/enough])
		}
		fields = some
	}
	d := &s.dec
	for range 3 {
		d.Model = *m
		var st cell.Stats
		for _, f := range fields {
			size := max(f.r.id.Size(), 128)
			if f.r.state != idGood {
				size = 128
			}
			fd := f.r.dataAt.found
			d.Explain(f.p.allTimes()[fd.First:], fd.Known, fd.CellNS, 8*min(size, 256))
			d.Measure(&st)
		}
		if !st.Into(m) {
			break
		}
	}
	return m
}

// peakShift is the push of a transition with a short and a long neighbour, in half windows.
func peakShift(m *cell.Model) float64 { return (m.Shift[0][1] - m.Shift[1][0]) / 2 / 0.5 }

// resolve works on one sector that no read gave whole.
func (s *Scanner) resolve(res *Result, c *cluster, tracks []*passes, m *cell.Model, o Options) {
	if !c.known {
		s.identify(res, c, tracks, m, o)
	}
	s.findData(c, tracks, m, o)
	size := c.id.Size()
	if !c.known && o.Format != nil && o.Format.Encoding == c.enc {
		size = o.Format.Size
	}
	if size == 0 {
		return
	}
	for _, r := range c.reads {
		if r.dataAt.ok && r.dataAt.found != nil && (!r.good || r.rms > shaky && len(r.data) == size+2) {
			s.decodeData(tracks[r.capture], r, m, size)
		}
	}
	c.doubt()
}

// decodeData decodes the data field of a read.
func (s *Scanner) decodeData(p *passes, r *read, m *cell.Model, size int) {
	fd := r.dataAt.found
	times := p.allTimes()[fd.First:]
	d := &s.dec
	bits := 8 * (size + 2)
	n := s.weigh(times, fd, m, bits)
	r.flaws = d.Flaws
	r.soft = append(r.soft[:0], d.Soft...)
	r.likely = likelihood(r.soft, r.enc)
	if r.good { // by the fast separator; its bytes stand unless the times speak against them
		return
	}
	r.data, r.model = hard(r.soft), m
	r.cellNS = d.CellNS
	r.cut = n == len(times) && d.U[n-1] < float64(2*bits)-4
	r.good = false
	r.rms, r.margin = d.Spread()
	// The mark byte counts in the CRC; the second likeliest is believed only with the CRC's consent.
	for _, mk := range r.marksByCost(m.Sigma) {
		if !r.cut && cell.CRC(cell.CRC(preset(r.enc), []byte{mk}), r.data) == 0 {
			r.mark = mk
			r.good, r.chanceHit = r.likely > leastLikely, r.likely <= leastLikely
			break
		}
	}
}

// weigh runs the likelihood decoder over a field, and once more with all it has where the code is broken.
func (s *Scanner) weigh(times []float64, fd *cell.Found, m *cell.Model, bits int) int {
	d := &s.dec
	d.Model, d.Skip = *m, false
	n := d.Decode(times, fd.Known, fd.CellNS, bits)
	if d.Flaws > 0 {
		d.Skip, d.Thorough = true, true
		n = d.Decode(times, fd.Known, fd.CellNS, bits)
		d.Skip, d.Thorough = false, false
	}
	return n
}

// leastLikely is the chance below which even a right CRC is not believed: against a chance match of 1 in 65,536 it
// stands for odds of about 650 to 1.
const leastLikely = 0.01

// shaky is the spread of errors, in half windows, above which a CRC alone proves too little: of the reads that poor
// most are wrong, and one wrong read in 65,536 has a right CRC.
const shaky = 0.19

// settled reports whether the sector is proven: by a read that is not shaky, or by two that agree.
func (c *cluster) settled() bool {
	for i, r := range c.reads {
		if !r.good {
			continue
		}
		if r.rms <= shaky {
			return true
		}
		for _, q := range c.reads[:i] {
			if q.good && sameBytes(q, r) {
				return true
			}
		}
	}
	return false
}

// doubt takes back the good of shaky reads that the times themselves, of all reads together, speak against.
func (c *cluster) doubt() {
	if c.settled() {
		return
	}
	soft := mergeable(c.reads)
	if len(soft) == 0 {
		return
	}
	m := merge(soft)
	for _, r := range c.reads {
		if r.good && len(r.data)*8 == len(m.soft) && m.chance(r.data) < leastLikely {
			r.good, r.chanceHit = false, true
		}
	}
}

// chance is how likely the merged reads make data.
func (m *merged) chance(data []byte) float64 {
	against := 0.0
	for i, v := range m.soft {
		if bit := data[i/8]>>(7-i%8)&1 == 1; bit != (v > 0) {
			against += math.Abs(float64(v))
		}
	}
	return m.likely * math.Exp(-against)
}

// sameBytes reports whether two reads say the same.
func sameBytes(a, b *read) bool { return a.mark == b.mark && bytes.Equal(a.data, b.data) }

// marksByCost are the data marks that the times allow, the likeliest first.
func (r *read) marksByCost(sigma float64) []byte {
	f := r.dataAt.found
	if f == nil {
		return []byte{r.mark}
	}
	type mc struct {
		mark byte
		cost float64
	}
	var list []mc
	best := math.Inf(1)
	for i, mk := range cell.Marks {
		if isDataMark(mk) {
			list = append(list, mc{mk, f.Costs[i]})
			best = min(best, f.Costs[i])
		}
	}
	slices.SortStableFunc(list, func(a, b mc) int { return cmp.Compare(a.cost, b.cost) })
	var out []byte
	for _, x := range list {
		if (x.cost-best)/(2*sigma*sigma) < 6 {
			out = append(out, x.mark)
		}
	}
	return out
}

// identify gives a cluster whose identifier no read has whole the one it must have: the reads together, or the one
// identifier that the layout is missing there, if the reads allow it.
func (s *Scanner) identify(res *Result, c *cluster, tracks []*passes, m *cell.Model, o Options) {
	sum := make([]float64, 48)
	n := 0
	for _, r := range c.reads {
		if len(r.idSoft) == 48 {
			n++
			for i, v := range r.idSoft {
				sum[i] += float64(max(-clampSoft, min(clampSoft, v)))
			}
		}
	}
	if n == 0 {
		return
	}
	accept := func(id disk.SectorID, how string) {
		c.id, c.known = id, true
		for _, r := range c.reads {
			r.id, r.hint = id, how
			r.state = idGood
			r.fitSize()
		}
	}
	if n > 1 {
		b := make([]byte, 6)
		for i, v := range sum {
			if v > 0 {
				b[i/8] |= 0x80 >> (i % 8)
			}
		}
		if cell.CRC(cell.CRC(preset(c.enc), []byte{cell.MarkID}), b) == 0 {
			accept(disk.SectorID{Cylinder: b[0], Head: b[1], Sector: b[2], SizeCode: b[3]}, "")
			return
		}
	}
	var best, second = math.Inf(1), math.Inf(1)
	var bestID disk.SectorID
	for _, id := range res.candidates(tracks, c.enc, o) {
		b := []byte{id.Cylinder, id.Head, id.Sector, id.SizeCode}
		crc := cell.CRC(cell.CRC(preset(c.enc), []byte{cell.MarkID}), b)
		b = append(b, byte(crc>>8), byte(crc))
		against := 0.0
		for i, v := range sum {
			if bit := b[i/8]>>(7-i%8)&1 == 1; bit != (v > 0) {
				against += math.Abs(v)
			}
		}
		if against < best {
			best, second, bestID = against, best, id
		} else if against < second {
			second = against
		}
	}
	if best < 12 && second-best > 6 {
		accept(bestID, "identifier rebuilt from its place in the layout")
	}
}

// clampSoft bounds what one read can say about a bit: a transition that was not seen, or one too many, makes a wrong
// bit look certain about once in 10^4.
const clampSoft = 9

// candidates are the identifiers that the track may be missing.
func (res *Result) candidates(tracks []*passes, e disk.Encoding, o Options) []disk.SectorID {
	have := map[disk.SectorID]bool{}
	var like *disk.SectorID
	lo, hi := 255, 0
	for _, p := range tracks {
		for _, r := range p.reads {
			if r.enc == e && r.state == idGood {
				have[r.id] = true
				if like == nil {
					id := r.id
					like = &id
				}
				lo, hi = min(lo, int(r.id.Sector)), max(hi, int(r.id.Sector))
			}
		}
	}
	id := disk.SectorID{Cylinder: uint8(res.Cylinder), Head: uint8(res.Head)}
	if o.Format != nil && o.Format.Encoding == e {
		lo, hi = min(lo, o.Format.FirstID), max(hi, o.Format.FirstID+o.Format.Sectors-1)
		id.SizeCode, _ = disk.SizeCodeOf(o.Format.Size)
	} else if like == nil {
		return nil
	} else {
		lo, hi = max(0, min(lo, 1)), min(255, hi+2)
	}
	if like != nil {
		id.Cylinder, id.Head, id.SizeCode = like.Cylinder, like.Head, like.SizeCode
	}
	var out []disk.SectorID
	for n := lo; n <= hi; n++ {
		id.Sector = uint8(n)
		if !have[id] {
			out = append(out, id)
		}
	}
	return out
}

// findData looks for the data field of a known sector in every pass of the head that did not show it yet, at the
// place where the other passes have it.
func (s *Scanner) findData(c *cluster, tracks []*passes, m *cell.Model, o Options) {
	var dist []float64 // from ID mark to data mark, in cells
	for _, r := range c.reads {
		if r.idAt.ok && r.dataAt.ok {
			dist = append(dist, (r.dataAt.ns-r.idAt.ns)/r.cellNS)
		}
	}
	usual := idToDataNS(c.enc, 1)
	if len(dist) > 0 {
		slices.Sort(dist)
		usual = dist[len(dist)/2]
	} else if o.Format != nil && o.Format.Encoding == c.enc {
		usual = float64(16 * (o.Format.MarkBytes() + 6 + o.Format.Gap2 + o.Format.Sync))
	}
	for _, p := range tracks {
		times := p.allTimes()
		if len(times) < 64 {
			continue
		}
		length := p.lengthAt(c.enc)
		for _, t := range p.timesAt(c.angle) {
			var at *read
			for _, r := range c.reads {
				if r.capture == p.number && math.Abs(r.startRef()-t) < 0.05*p.revNS {
					at = r
					break
				}
			}
			if at != nil && at.dataAt.ok && at.dataAt.found != nil {
				continue
			}
			if p.ring != nil && (t > p.seamNS || t+usual*p.pace.shortNS < p.seamNS && at == nil) {
				continue
			}
			k := min(lowerBound(times, t), len(times)-1)
			l := length(k)
			want, slackNS := t+usual*l, 0.003*p.revNS
			if at != nil && at.idAt.ok {
				want, slackNS = at.idAt.ns+usual*l, float64(16*8)*l
			}
			if at != nil && at.dataAt.ok {
				want, slackNS = at.dataAt.ns, 24*l
			}
			from := want - slackNS - 16*l
			f := cell.Finder{MFM: c.enc == disk.MFM, Sigma: max(m.Sigma, 0.08)}
			var best *cell.Found
			for _, fd := range f.Scan(times, lowerBound(times, from), lowerBound(times, want+slackNS), length, 2.5) {
				if fd.Mark != cell.MarkID && fd.First >= 0 && len(fd.Known) >= 4 && (best == nil || fd.Cost < best.Cost) {
					best = &fd
				}
			}
			if best == nil {
				continue
			}
			if at == nil {
				at = &read{capture: p.number, enc: c.enc, state: idMissing, id: c.id, margin: -1, rms: 1, angle: c.angle}
				if c.known {
					at.state = idGood
				}
				p.reads = append(p.reads, at)
				c.reads = append(c.reads, at)
			}
			at.dataAt = anchor{ns: best.NS - float64(markCells(c.enc))*best.CellNS, ok: true, found: best}
			at.cellNS = best.CellNS
			if at.data == nil {
				at.mark = best.Mark
			}
		}
	}
}

// startRef is the time of the ID mark, or what it would be from the data mark.
func (r *read) startRef() float64 {
	if r.idAt.ok {
		return r.idAt.ns
	}
	return r.dataAt.ns - idToDataNS(r.enc, r.cellNS)
}
