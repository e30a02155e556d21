package track

import (
	"context"
	"fmt"
	"math"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
)

// maxWorked bounds the damaged sectors of one track that are worked on; no track holds so many.
const maxWorked = 160

// deepen reads what the fast separator could not: marks are looked for in the transition times themselves, fields are
// decoded by maximum likelihood, reads are combined by the certainty of each bit, and the least certain bits are tried
// where a CRC still fails. Only tracks that are not whole come here.
func (s *Scanner) deepen(ctx context.Context, res *Result, tracks []*passes, o Options) error {
	for _, e := range s.encodings(tracks, o) {
		for _, p := range tracks {
			if err := ctx.Err(); err != nil {
				return err
			}
			s.search(p, e, o)
		}
	}
	res.Revolutions, res.RevolutionNS = 0, 0
	for _, p := range tracks {
		p.offset = 0
	}
	res.settle(tracks, o)
	var all []*read
	for _, p := range tracks {
		all = append(all, p.reads...)
	}
	models := map[disk.Encoding]*cell.Model{}
	worked := 0
	for _, c := range clusters(all) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if c.settled() && c.known {
			continue
		}
		if worked++; worked > maxWorked {
			res.Problems = append(res.Problems, fmt.Sprintf("cylinder %d head %d: more than %d damaged sectors; those after them are left as they were read", res.Cylinder, res.Head, maxWorked))
			break
		}
		m := models[c.enc]
		if m == nil {
			m = s.measure(tracks, c.enc)
			models[c.enc] = m
			res.Jitter = m.Sigma / 0.5
			res.PeakShift = peakShift(m)
		}
		s.resolve(res, c, tracks, m, o)
	}
	return ctx.Err()
}

// encodings are those that are worth the search: what was found, else what the intervals look like.
func (s *Scanner) encodings(tracks []*passes, o Options) []disk.Encoding {
	n := map[disk.Encoding]int{}
	mid, fit := 0.0, 0.0
	for _, p := range tracks {
		for _, r := range p.reads {
			if r.state == idGood || r.good {
				n[r.enc]++
			}
		}
		mid += p.pace.middle
		fit += p.pace.fit
	}
	var out []disk.Encoding
	for _, e := range []disk.Encoding{disk.FM, disk.MFM} {
		if n[e] > 0 || o.Format != nil && o.Format.Encoding == e {
			out = append(out, e)
		}
	}
	if len(out) > 0 || len(tracks) == 0 || fit/float64(len(tracks)) < 0.5 {
		return out
	}
	if mid/float64(len(tracks)) > 0.1 {
		return []disk.Encoding{disk.MFM, disk.FM}
	}
	return []disk.Encoding{disk.FM, disk.MFM}
}

// needsMore reports whether anything on the track is not yet whole.
func (res *Result) needsMore(tracks []*passes, o Options) bool {
	var all []*read
	for _, p := range tracks {
		all = append(all, p.reads...)
	}
	cs := clusters(all)
	whole := 0
	for _, c := range cs {
		if !c.known || !c.settled() {
			return true
		}
		whole++
	}
	if o.Format != nil && whole < o.Format.Sectors {
		return true
	}
	if whole == 0 {
		for _, p := range tracks {
			if p.pace.fit > 0.5 {
				return true
			}
		}
		return false
	}
	for _, p := range tracks {
		if p.unexplained(cs) {
			return true
		}
	}
	return false
}

// unexplained reports whether the capture has a stretch that could hold one more sector of those found, and that is
// neither within a sector known from any capture nor the filler of a gap.
func (p *passes) unexplained(cs []*cluster) bool {
	type span struct{ from, to float64 }
	var spans []span
	least := math.Inf(1)
	for _, c := range cs {
		for _, r := range c.reads {
			if !r.good || r.state != idGood {
				continue
			}
			length := r.endNS() - r.startNS()
			least = min(least, length)
			for _, t := range p.timesAt(c.angle) {
				spans = append(spans, span{t, t + length})
			}
			break
		}
	}
	slices.SortFunc(spans, func(a, b span) int {
		if a.from < b.from {
			return -1
		}
		return 1
	})
	from := 0.0
	for _, sp := range append(spans, span{p.endNS, p.endNS}) {
		if sp.from-from > 1.15*least && !p.filler(from, sp.from) {
			return true
		}
		from = max(from, sp.to)
	}
	return false
}

// filler reports whether a stretch is gap bytes throughout: FF in FM (or 00), 4E in MFM.
func (p *passes) filler(from, to float64) bool {
	times := p.allTimes()
	i, j := lowerBound(times, from), lowerBound(times, to)
	short := p.pace.shortNS
	var n, ones, twos, same, six int
	var last [6]int
	for k := i + 1; k < j; k++ {
		x := int((times[k]-times[k-1])/short*2 + 0.5) // 2 short, 3 middle, 4 long
		n++
		switch x {
		case 2:
			ones++
		case 4:
			twos++
		}
		if n > 6 {
			six++
			if last[n%6] == x {
				same++
			}
		}
		last[n%6] = x
	}
	if n == 0 {
		return true
	}
	most := 0.9 * float64(n)
	return float64(ones) > most || float64(twos) > most || twos*20 < n && float64(same) > 0.8*float64(six)
}

// allTimes are the transition times in nanoseconds, worked out when first asked for.
func (p *passes) allTimes() []float64 {
	if p.times == nil {
		p.times = p.c.Times(make([]float64, 0, len(p.c.Intervals)))
	}
	return p.times
}

func lowerBound(times []float64, t float64) int {
	i, _ := slices.BinarySearch(times, t)
	return i
}

// lengthAt gives the expected cell at each transition, from the fast separator's pace.
func (p *passes) lengthAt(e disk.Encoding) func(i int) float64 {
	nominal := p.pace.cellNS(e)
	k := 1.0
	if p.paced != 0 {
		k = nominal / p.pace.cellNS(p.paced)
	}
	smooth := make([]float64, len(p.pacing))
	const reach = 3
	for i := range smooth {
		sum, n := 0.0, 0
		for j := max(0, i-reach); j <= min(len(smooth)-1, i+reach); j++ {
			sum += p.pacing[j].cellNS
			n++
		}
		smooth[i] = sum / float64(n) * k
	}
	return func(i int) float64 {
		if len(smooth) == 0 {
			return nominal
		}
		return smooth[min(i/cell.PaceStep, len(smooth)-1)]
	}
}

// search finds marks in one capture and makes reads of them that the fast way did not.
func (s *Scanner) search(p *passes, e disk.Encoding, o Options) {
	times := p.allTimes()
	if len(times) < 64 || p.pace.shortNS == 0 {
		return
	}
	f := cell.Finder{MFM: e == disk.MFM, Sigma: p.sigma(e)}
	length := p.lengthAt(e)
	marks := f.Scan(times, 0, len(times), length, 1)
	d := &s.dec
	d.Model = cell.Model{MFM: e == disk.MFM, Sigma: f.Sigma}
	var fresh []*read
	var open *read
	openEnd := 0.0
	for i := range marks {
		m := &marks[i]
		if len(fresh) >= maxReads {
			break
		}
		if m.First < 0 || len(m.Known) < 4 {
			continue
		}
		start := m.NS - float64(markCells(e))*m.CellNS
		at := anchor{ns: start, ok: true, found: m, sigma: f.Sigma}
		if m.Mark == cell.MarkID {
			r := &read{capture: p.number, enc: e, state: idBad, idAt: at, cellNS: m.CellNS, margin: -1, angle: -1, rms: 1}
			d.Decode(times[m.First:], m.Known, m.CellNS, 48)
			r.idSoft = slices.Clone(d.Soft)
			b := hard(d.Soft)
			r.id = disk.SectorID{Cylinder: b[0], Head: b[1], Sector: b[2], SizeCode: b[3]}
			if cell.CRC(cell.CRC(preset(e), []byte{m.Mark}), b) == 0 {
				r.state = idGood
			}
			fresh = append(fresh, r)
			open, openEnd = r, m.NS+96*m.CellNS
			continue
		}
		r := open
		if r == nil || start-openEnd > 16*maxGap2*m.CellNS || start < openEnd-32*m.CellNS {
			r = &read{capture: p.number, enc: e, cellNS: m.CellNS, margin: -1, angle: -1, rms: 1}
			fresh = append(fresh, r)
		}
		open = nil
		r.dataAt, r.mark = at, m.Mark
	}
	p.take(fresh)
	p.keepAcross()
}

// sigma is the error of transitions in cells, by what the fast way saw of good sectors; a poor track shows none.
func (p *passes) sigma(e disk.Encoding) float64 {
	var v []float64
	for _, r := range p.reads {
		if r.enc == e && r.good {
			v = append(v, r.rms/2)
		}
	}
	if len(v) < 3 {
		return 0.17
	}
	slices.Sort(v)
	return max(0.08, min(0.19, v[len(v)*3/4]))
}

// take merges reads found by the search into those of the fast way. At the same place the one that is whole counts;
// where neither is, each lends what it has.
func (p *passes) take(fresh []*read) {
	for _, f := range fresh {
		var same *read
		for _, r := range p.reads {
			if r.enc != f.enc {
				continue
			}
			near := 40 * r.cellNS
			if r.idAt.ok && f.idAt.ok && math.Abs(r.idAt.ns-f.idAt.ns) < near || r.dataAt.ok && f.dataAt.ok && math.Abs(r.dataAt.ns-f.dataAt.ns) < near {
				same = r
				break
			}
		}
		if same == nil {
			p.reads = append(p.reads, f)
			continue
		}
		if !same.idAt.ok || same.state != idGood && f.state == idGood {
			if f.idAt.ok {
				same.idAt, same.id, same.state = f.idAt, f.id, f.state
				same.fitSize()
			}
		}
		if same.idSoft == nil {
			same.idSoft = f.idSoft
		}
		if f.dataAt.ok && !same.good {
			if !same.dataAt.ok {
				same.mark = f.mark
			}
			if same.dataAt.found == nil {
				same.dataAt = f.dataAt
			}
		}
	}
	// An identifier and a data field that were found apart belong together where the distance fits.
	slices.SortStableFunc(p.reads, func(a, b *read) int {
		if a.startNS() < b.startNS() {
			return -1
		} else if a.startNS() > b.startNS() {
			return 1
		}
		return 0
	})
	out := p.reads[:0]
	for _, r := range p.reads {
		if n := len(out); n > 0 && r.state == idMissing && !r.idAt.ok {
			q := out[n-1]
			gap := r.dataAt.ns - q.idAt.ns
			if q.enc == r.enc && q.idAt.ok && !q.dataAt.ok && gap > 0 && gap < float64(markCells(r.enc)+96+16*maxGap2)*r.cellNS {
				q.dataAt, q.mark, q.data, q.good, q.cut, q.rms, q.margin, q.dataCell = r.dataAt, r.mark, r.data, r.good, r.cut, r.rms, r.margin, r.dataCell
				q.fitSize()
				continue
			}
		}
		out = append(out, r)
	}
	p.reads = out
}

// fitSize takes a right CRC back that was found at another length than the identifier, known by now, says.
func (r *read) fitSize() {
	if n := r.id.Size() + 2; r.state == idGood && r.data != nil && len(r.data) != n {
		r.good = false
		r.data = r.data[:min(n, len(r.data))]
	}
}

// hard decides every bit.
func hard(soft []float32) []byte {
	b := make([]byte, len(soft)/8)
	for i, v := range soft[:len(b)*8] {
		if v > 0 {
			b[i/8] |= 0x80 >> (i % 8)
		}
	}
	return b
}
