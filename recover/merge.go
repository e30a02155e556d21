package recover

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/disk/track"
)

// vote is one source's read of a sector.
type vote struct {
	s      disk.Sector
	proven bool
	source int
}

// seat is one sector of a track and all votes on it.
type seat struct {
	id    disk.SectorID
	votes []vote
}

// merge brings the tracks of all readings together, place by place.
func (res *Result) merge(readings []reading) {
	type stack struct {
		rs      []*track.Result
		sources []int
	}
	at := map[[2]int]*stack{}
	var order [][2]int
	for i, rd := range readings {
		for _, r := range rd.results {
			k := [2]int{r.Cylinder, r.Head}
			if at[k] == nil {
				at[k] = &stack{}
				order = append(order, k)
			}
			at[k].rs, at[k].sources = append(at[k].rs, r), append(at[k].sources, i)
		}
	}
	slices.SortFunc(order, func(a, b [2]int) int { return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1])) })
	for _, k := range order {
		st := at[k]
		if len(st.rs) == 1 {
			res.Tracks = append(res.Tracks, st.rs[0])
			continue
		}
		// Proven sources first: an image without sidecar does not know the identifiers.
		idx := make([]int, len(st.rs))
		for i := range idx {
			idx[i] = i
		}
		slices.SortStableFunc(idx, func(a, b int) int {
			return boolOrder(readings[st.sources[a]].source.proven, readings[st.sources[b]].source.proven)
		})
		var seats []*seat
		out := &track.Result{Cylinder: k[0], Head: k[1]}
		for _, i := range idx {
			r, src := st.rs[i], readings[st.sources[i]].source
			seats = seatAll(seats, r, src.proven, st.sources[i])
			describe(out, r)
		}
		for _, s := range seats {
			sec, conflict := s.decide()
			if conflict != "" {
				res.Conflicts = append(res.Conflicts, Conflict{k[0], k[1], int(s.id.Sector), conflict})
			}
			out.Sectors = append(out.Sectors, sec)
		}
		slices.SortStableFunc(out.Sectors, func(a, b disk.Sector) int {
			if a.Angle < 0 || b.Angle < 0 {
				return 0
			}
			return cmp.Compare(a.Angle, b.Angle)
		})
		res.Tracks = append(res.Tracks, out)
	}
}

func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// describe takes over the measures of a track: those of captures where there are any.
func describe(out, r *track.Result) {
	out.Captures += r.Captures
	out.Revolutions += r.Revolutions
	out.Transitions += r.Transitions
	out.Turns = append(out.Turns, r.Turns...)
	if out.CellNS == 0 || r.Transitions > 0 {
		out.RevolutionNS, out.CellNS, out.Encodings = r.RevolutionNS, r.CellNS, r.Encodings
		out.Jitter, out.PeakShift = r.Jitter, r.PeakShift
		out.Speed = r.Speed
	}
	out.Repair.Sectors += r.Repair.Sectors
	out.Repair.Tried += r.Repair.Tried
	out.Repair.Trials += r.Repair.Trials
	out.Repair.Acceptable += r.Repair.Acceptable
	out.Repair.FalseChance += r.Repair.FalseChance
}

// seatAll files the sectors of one source. Two sectors of one name on one track are two seats, in their order.
func seatAll(seats []*seat, r *track.Result, proven bool, source int) []*seat {
	taken := map[*seat]bool{}
	var loose []disk.Sector
	find := func(fits func(*seat) bool) *seat {
		for _, s := range seats {
			if !taken[s] && fits(s) {
				return s
			}
		}
		return nil
	}
	for _, s := range r.Sectors {
		// Of several seats of the name the one with the same data, else the first.
		t := find(func(t *seat) bool { return t.id == s.ID && t.has(s.Data) })
		if t == nil {
			t = find(func(t *seat) bool { return t.id == s.ID })
		}
		if t == nil {
			loose = append(loose, s)
			continue
		}
		taken[t] = true
		t.votes = append(t.votes, vote{s, proven, source})
	}
	for _, s := range loose {
		// An image without sidecar and a doubtful identifier name the sector's number at most.
		var t *seat
		if !proven || s.Status == disk.Doubtful {
			t = find(func(t *seat) bool { return t.id.Sector == s.ID.Sector && t.id.SizeCode == s.ID.SizeCode })
		}
		if t == nil {
			t = &seat{id: s.ID}
			seats = append(seats, t)
		}
		taken[t] = true
		t.votes = append(t.votes, vote{s, proven, source})
	}
	return seats
}

func (t *seat) has(data []byte) bool {
	return slices.ContainsFunc(t.votes, func(v vote) bool { return bytes.Equal(v.s.Data, data) })
}

// certainty weighs a vote: a right CRC counts more than everything without; within a kind the margin decides.
func (v *vote) certainty() float64 {
	w := 0.0
	switch v.s.Status {
	case disk.Good:
		w = 4
	case disk.Repaired:
		w = 2
	case disk.Doubtful:
		w = 0.5
	case disk.Bad:
		if v.s.Data != nil {
			w = 0.1
		}
	}
	if !v.proven {
		w /= 2
	}
	m := v.s.Margin
	if m < 0 {
		m = 0.5
	}
	return w * (1 + m) * (1 + float64(min(max(v.s.Reads, 1), 8))/16)
}

// opinion is the votes that have the same data and mark.
type opinion struct {
	votes  []vote
	weight float64
	best   disk.Status
}

func (t *seat) opinions() []*opinion {
	var out []*opinion
	for _, v := range t.votes {
		var o *opinion
		for _, k := range out {
			// An image without sidecar does not know the marks.
			w := &k.votes[0]
			if bytes.Equal(w.s.Data, v.s.Data) && (w.s.Mark == v.s.Mark || !w.proven || !v.proven) {
				o = k
				break
			}
		}
		if o == nil {
			o = &opinion{best: disk.Bad}
			out = append(out, o)
		}
		o.votes = append(o.votes, v)
		o.weight += v.certainty()
		o.best = min(o.best, v.s.Status)
	}
	slices.SortStableFunc(out, func(a, b *opinion) int {
		// No number of repairs or damaged reads outvotes a read with a right CRC.
		kind := func(o *opinion) disk.Status { return min(o.best, disk.Doubtful) }
		return cmp.Or(cmp.Compare(kind(a), kind(b)), cmp.Compare(b.weight, a.weight))
	})
	return out
}

// sector is an opinion as one sector.
func (o *opinion) sector() disk.Sector {
	best := 0
	for i := range o.votes {
		if a, b := &o.votes[i], &o.votes[best]; a.s.Status < b.s.Status || a.s.Status == b.s.Status && a.proven && !b.proven {
			best = i
		}
	}
	s := o.votes[best].s
	s.Reads = 0
	var from []string
	for i := range o.votes {
		v := &o.votes[i].s
		s.Reads += max(v.Reads, 1)
		if v.From != "" && !slices.Contains(from, v.From) {
			from = append(from, v.From)
		}
		s.Margin = max(s.Margin, v.Margin)
		if s.Angle < 0 && v.Angle >= 0 {
			s.Angle, s.Extent = v.Angle, v.Extent
		}
	}
	s.From = strings.Join(from, "; ")
	return s
}

// decide makes one sector of all votes. conflict says what sound reads disagree about.
func (t *seat) decide() (s disk.Sector, conflict string) {
	ops := t.opinions()
	s = ops[0].sector()
	if len(ops) == 1 {
		if s.Status == disk.Bad && len(s.Data) > 0 && t.sources() > 1 {
			s.Status = disk.Doubtful
			s.Why = fmt.Sprintf("%s, but %d sources have the same data", s.Why, t.sources())
		}
		return s, ""
	}
	var good []*opinion
	for _, o := range ops {
		if o.best == disk.Good || o.best == disk.Repaired && ops[0].best == disk.Repaired {
			good = append(good, o)
		}
	}
	switch {
	case len(good) > 1:
		conflict = differ(good)
		s.Status = disk.Doubtful
		s.Why = conflict
	case len(good) == 1:
		for _, o := range ops[1:] {
			if o.best == disk.Repaired {
				conflict = fmt.Sprintf("%s has it good; a repair in %s came out otherwise and is not used", s.From, o.sector().From)
			}
		}
	default:
		if v, parts := t.bestParts(); parts {
			s.Data, s.Status = v, disk.Doubtful
			s.Why = fmt.Sprintf("no read has a right CRC; put together byte by byte from %d reads", len(t.votes))
		} else if s.Status == disk.Bad && len(ops[0].votes) > 1 {
			s.Status = disk.Doubtful
			s.Why = fmt.Sprintf("no read has a right CRC, but %d agree", len(ops[0].votes))
		}
	}
	return s, conflict
}

func (t *seat) sources() int {
	n := map[int]bool{}
	for _, v := range t.votes {
		n[v.source] = true
	}
	return len(n)
}

// differ says how good reads differ.
func differ(ops []*opinion) string {
	a := ops[0].sector()
	var parts []string
	for _, o := range ops[1:] {
		b := o.sector()
		n := 0
		for i := range min(len(a.Data), len(b.Data)) {
			if a.Data[i] != b.Data[i] {
				n++
			}
		}
		n += max(len(a.Data), len(b.Data)) - min(len(a.Data), len(b.Data))
		what := fmt.Sprintf("%d bytes", n)
		if n == 1 {
			what = "1 byte"
		}
		if n == 0 {
			what = fmt.Sprintf("the data mark (%02X, %02X)", a.Mark, b.Mark)
		}
		parts = append(parts, fmt.Sprintf("good reads differ in %s: %s and %s; the first is used", what, a.From, b.From))
	}
	return strings.Join(parts, "; ")
}

// bestParts takes each byte from the majority of at least three reads of one length.
func (t *seat) bestParts() ([]byte, bool) {
	var reads []vote
	for _, v := range t.votes {
		if len(v.s.Data) == t.id.Size() && len(v.s.Data) > 0 {
			reads = append(reads, v)
		}
	}
	if len(reads) < 3 {
		return nil, false
	}
	out := make([]byte, t.id.Size())
	for i := range out {
		var weight [256]float64
		for _, v := range reads {
			weight[v.s.Data[i]] += v.certainty()
		}
		best := 0
		for b, w := range weight {
			if w > weight[best] {
				best = b
			}
		}
		out[i] = byte(best)
	}
	return out, true
}
