package track

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
)

// conclude makes one sector of each cluster and sums up the track.
func (res *Result) conclude(tracks []*passes, o Options) {
	var reads []*read
	for _, p := range tracks {
		reads = append(reads, p.reads...)
	}
	from := make([]string, len(tracks))
	for i, p := range tracks {
		from[i] = p.c.From
	}
	for _, c := range clusters(reads) {
		s, ok := res.sector(c, o)
		if !ok {
			continue
		}
		if !c.known && !anyID(c.reads) && slices.ContainsFunc(res.Sectors, func(q disk.Sector) bool {
			return apart(q.Angle, s.Angle) < 0.03 && q.Mark == s.Mark && bytes.Equal(q.Data, s.Data)
		}) {
			continue // the same field once more, seen from where a capture begins
		}
		s.Cylinder, s.Head = res.Cylinder, res.Head
		s.From = sources(c, from)
		res.Sectors, res.clusters = append(res.Sectors, s), append(res.clusters, c)
	}
	res.sum(tracks, reads)
}

func sources(c *cluster, from []string) string {
	var names []string
	for _, r := range c.reads {
		if r.capture >= 0 && r.capture < len(from) && from[r.capture] != "" && !slices.Contains(names, from[r.capture]) {
			names = append(names, from[r.capture])
		}
	}
	if len(names) > 4 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:3], ", "), len(names)-3)
	}
	return strings.Join(names, ", ")
}

// version is reads that agree.
type version struct {
	mark byte
	data []byte
	n    int
	best *read
}

// versionsOf groups reads with a right CRC by what they say; the most frequent first.
func versionsOf(reads []*read) []*version {
	var out []*version
	for _, r := range reads {
		if !r.good {
			continue
		}
		data := r.data[:len(r.data)-2]
		i := slices.IndexFunc(out, func(v *version) bool { return v.mark == r.mark && bytes.Equal(v.data, data) })
		if i < 0 {
			out = append(out, &version{mark: r.mark, data: data, best: r})
			i = len(out) - 1
		}
		v := out[i]
		v.n++
		if r.margin > v.best.margin {
			v.best = r
		}
	}
	slices.SortStableFunc(out, func(a, b *version) int { return b.n - a.n })
	return out
}

// sector is what the reads of a cluster come to; false for what is no sector at all.
func (res *Result) sector(c *cluster, o Options) (disk.Sector, bool) {
	s := disk.Sector{ID: c.id, Encoding: c.enc, Angle: c.angle, Reads: len(c.reads), Margin: -1}
	extent := func(r *read) {
		if rev := res.RevolutionNS; rev > 0 {
			s.Extent = (r.endNS() - r.startNS()) / rev
		}
	}
	if c.known {
		for _, r := range c.reads {
			r.id, r.state = c.id, max(r.state, idGood)
			r.fitSize()
		}
	}
	vs := versionsOf(c.reads)
	switch {
	case len(vs) == 1 || len(vs) > 1 && vs[0].n > 2*vs[1].n:
		v := vs[0]
		s.Mark, s.Data, s.Margin = v.mark, v.data, v.best.margin
		extent(v.best)
		if len(vs) > 1 {
			s.Status, s.Why = disk.Doubtful, fmt.Sprintf("%d of %d reads with a right CRC agree, the others say something else", v.n, good(c.reads))
		}
	case len(vs) > 1:
		v := vs[0]
		s.Mark, s.Data, s.Margin = v.mark, v.data, v.best.margin
		extent(v.best)
		s.Status, s.Why = disk.Doubtful, fmt.Sprintf("reads with a right CRC disagree: %d different contents", len(vs))
	default:
		if !res.rebuild(c, &s, extent, o) {
			return s, false
		}
	}
	if !c.known {
		if len(vs) == 0 && s.Status != disk.Repaired && s.Status != disk.Good {
			return s, false // neither identifier nor data have a right CRC: noise looks like that too
		}
		s.Status = disk.Bad
		s.Why = join("the identifier's CRC is wrong", s.Why)
		if !anyID(c.reads) {
			s.Why = join("no identifier belongs to this data field", strings.TrimPrefix(s.Why, "the identifier's CRC is wrong; "))
			if code, ok := disk.SizeCodeOf(len(s.Data)); ok {
				s.ID = disk.SectorID{Cylinder: 0xFF, Head: 0xFF, Sector: 0xFF, SizeCode: code}
			}
		}
	}
	for _, r := range c.reads {
		if r.hint != "" && (s.Status == disk.Good || s.Status == disk.Repaired) {
			s.Status, s.Why = disk.Repaired, join(r.hint, s.Why)
			break
		}
	}
	return s, true
}

func anyID(reads []*read) bool {
	return slices.ContainsFunc(reads, func(r *read) bool { return r.state != idMissing })
}

func good(reads []*read) int {
	n := 0
	for _, r := range reads {
		if r.good {
			n++
		}
	}
	return n
}

func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// sum counts encodings and measures cell and speed.
func (res *Result) sum(tracks []*passes, reads []*read) {
	for _, e := range []disk.Encoding{disk.FM, disk.MFM} {
		n, cells, k := 0, 0.0, 0
		for i := range res.Sectors {
			if res.Sectors[i].Encoding == e {
				n++
			}
		}
		for _, r := range reads {
			if r.enc == e && (r.good || r.state == idGood) {
				cells += r.cellNS
				k++
			}
		}
		if n > 0 && k > 0 {
			res.Encodings = append(res.Encodings, Recognised{e, cells / float64(k), n})
		}
	}
	slices.SortStableFunc(res.Encodings, func(a, b Recognised) int { return b.Sectors - a.Sectors })
	if len(res.Encodings) > 0 {
		res.CellNS = res.Encodings[0].CellNS
	}
	for _, p := range tracks {
		if len(p.pacing) == 0 || p.revNS == 0 {
			continue
		}
		res.Speed = p.speed()
		break
	}
}

// speed is the speed round the first whole revolution in 64 steps.
func (p *passes) speed() []SpeedPoint {
	const steps = 64
	from := 0.0
	if len(p.indexNS) > 0 {
		from = p.indexNS[0]
	}
	sum := [steps]float64{}
	n := [steps]int{}
	total, count := 0.0, 0
	for _, s := range p.pacing {
		if s.ns < from || s.ns > from+p.revNS {
			continue
		}
		k := min(int((s.ns-from)/p.revNS*steps), steps-1)
		sum[k] += s.cellNS
		n[k]++
		total += s.cellNS
		count++
	}
	if count == 0 {
		return nil
	}
	mean := total / float64(count)
	var out []SpeedPoint
	for k := range sum {
		if n[k] > 0 {
			out = append(out, SpeedPoint{wrap((float64(k)+0.5)/steps + p.offset), 100 * (mean/(sum[k]/float64(n[k])) - 1)})
		}
	}
	return out
}
