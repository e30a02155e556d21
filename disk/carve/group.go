package carve

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"remanence/disk"
)

// run is the finds of one track of the dump.
type run struct {
	fs         []*found
	cyl, head  int // as most of the identifiers say
	frame      frame
	place      [2]int
	placed     string
	repetition int
	stray      bool // one sector that is likely part of a lost one
}

// frame is where one revolution lies in the file: positions in the units of the view.
type frame struct {
	known      bool
	loose      bool // by some bytes, within a gap
	ambiguous  bool
	start, end int
}

// group cuts the finds, in the order of the file, into tracks. A new track begins where the identifiers change
// cylinder or head for good, or where an identifier comes again.
func group(fs []*found) []*run {
	usual := usualGap(fs)
	var runs []*run
	var cur *run
	for i, f := range fs {
		if cur == nil || cur.breaks(fs, i, usual) {
			cur = &run{}
			runs = append(runs, cur)
		}
		cur.fs = append(cur.fs, f)
	}
	runs = splitLong(runs)
	for _, r := range runs {
		r.vote()
		r.doubtStrangers(usual)
	}
	doubtStrays(runs)
	return runs
}

// usualGap is the usual distance from the end of one sector to the next identifier on its track.
func usualGap(fs []*found) int64 {
	var d []int64
	for i := 1; i < len(fs); i++ {
		a, b := fs[i-1], fs[i]
		if a.good && b.good && a.id.Cylinder == b.id.Cylinder && a.id.Head == b.id.Head {
			d = append(d, b.start-a.end)
		}
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// aside reports whether a find tells nothing of its track.
func (f *found) aside() bool { return f.orphan || f.inner }

func (r *run) last() *found {
	for _, f := range slices.Backward(r.fs) {
		if !f.aside() {
			return f
		}
	}
	return r.fs[len(r.fs)-1]
}

// breaks reports whether fs[i] begins a new track.
func (r *run) breaks(fs []*found, i int, usual int64) bool {
	f := fs[i]
	if f.inner {
		return false
	}
	if f.orphan {
		return r.passesOn(fs, i)
	}
	last := r.last()
	if last.aside() {
		return false
	}
	far := f.start-r.fs[len(r.fs)-1].end > 2*usual+16
	if last.id.Cylinder != f.id.Cylinder || last.id.Head != f.id.Head {
		// One odd identifier among its like is no new track.
		for _, n := range fs[i+1:] {
			if n.aside() {
				continue
			}
			if n.id.Cylinder == f.id.Cylinder && n.id.Head == f.id.Head {
				return true
			}
			if n.id.Cylinder == last.id.Cylinder && n.id.Head == last.id.Head && !slices.ContainsFunc(r.fs, func(s *found) bool { return !s.aside() && s.id == n.id }) {
				return false
			}
			return n.id.Cylinder != last.id.Cylinder || n.id.Head != last.id.Head || far
		}
		return far || !r.odd(last)
	}
	seen := func(f *found) bool {
		return slices.ContainsFunc(r.fs, func(s *found) bool { return !s.aside() && s.id == f.id && s.enc == f.enc })
	}
	if far && !seen(f) { // the first of the other side may be one that this side lacks
		for _, n := range fs[i+1:] {
			if !n.aside() {
				return n.id.Cylinder == f.id.Cylinder && n.id.Head == f.id.Head && n.start-f.end <= 2*usual+16 && seen(n)
			}
		}
	}
	if !seen(f) {
		return false
	}
	if far {
		return true
	}
	// A second identifier of the same name on one track is odd but possible; a second round, or the other side, is not:
	// then the next identifier comes again as well.
	for _, n := range fs[i+1:] {
		if !n.aside() {
			return seen(n)
		}
	}
	return false
}

// doubtStrays calls sectors doubtful that are alone on a track of their own and not of the length that the disk has:
// likely what a lost sector held.
func doubtStrays(runs []*run) {
	lengths, full := map[int]int{}, 0
	for _, r := range runs {
		if len(r.fs) >= 4 {
			full++
		}
		for _, f := range r.fs {
			if f.good {
				lengths[int(f.id.SizeCode)]++
			}
		}
	}
	usual := common(lengths)
	for _, r := range runs {
		if f := r.fs[0]; len(r.fs) == 1 && full*2 > len(runs) && !f.orphan && int(f.id.SizeCode) != usual {
			r.stray = true
			if f.good {
				f.good, f.status = false, disk.Doubtful
				f.why = "it is alone on its track, and its length is not that of the disk"
			}
		}
	}
}

// doubtStrangers calls sectors doubtful whose length is not that of their track and that stand where a lost sector's
// data would be: not at the usual distance from the sector before or behind.
func (r *run) doubtStrangers(usual int64) {
	n := map[uint8]int{}
	total := 0
	for _, f := range r.fs {
		if f.good {
			n[f.id.SizeCode]++
			total++
		}
	}
	for i, f := range r.fs {
		stranger := n[f.id.SizeCode]*4 <= total || int(f.id.Cylinder) != r.cyl && int(f.id.Head) != r.head
		if !f.good || total < 4 || !stranger || i == 0 && i+1 == len(r.fs) {
			continue
		}
		near := func(d int64) bool { return d >= 0 && d <= usual+8 }
		if i > 0 && r.fs[i-1].good && near(f.start-r.fs[i-1].end) || i+1 < len(r.fs) && near(r.fs[i+1].start-f.end) {
			continue
		}
		f.good, f.status = false, disk.Doubtful
		f.why = "its length or name is not that of its track and it stands where a lost sector's data would be"
	}
}

// passesOn reports whether fs[i], a data field without identifier, belongs to the track behind it: it then is what the
// start of that track's dump holds of a sector whose identifier is at the end of it.
func (r *run) passesOn(fs []*found, i int) bool {
	f, last := fs[i], r.fs[len(r.fs)-1]
	for _, n := range fs[i+1:] {
		if n.aside() {
			continue
		}
		if !r.differs(n) {
			return false
		}
		if last.good {
			return n.start-f.end < f.start-last.end
		}
		return !r.inStep(f)
	}
	return false
}

// inStep reports whether a data field is a whole number of sector lengths from those of the run.
func (r *run) inStep(f *found) bool {
	var at []int
	for _, s := range r.fs {
		if s.good && s.v == f.v && len(s.data) == len(f.data) {
			at = append(at, s.dataPos)
		}
	}
	if len(at) < 2 {
		return false
	}
	step := at[1] - at[0]
	for k := 2; k < len(at); k++ {
		step = min(step, at[k]-at[k-1])
	}
	if step <= 0 {
		return false
	}
	d := (f.dataPos - at[len(at)-1]) % step
	return d <= 2 || d >= step-2
}

// differs reports whether an identifier is not of r's track.
func (r *run) differs(f *found) bool {
	l := r.last()
	return l.aside() || l.id.Cylinder != f.id.Cylinder || l.id.Head != f.id.Head || slices.ContainsFunc(r.fs, func(s *found) bool { return !s.aside() && s.id == f.id })
}

// odd reports whether f's cylinder and head are alone in the track.
func (r *run) odd(f *found) bool {
	n := 0
	for _, s := range r.fs {
		if !s.aside() && s.id.Cylinder == f.id.Cylinder && s.id.Head == f.id.Head {
			n++
		}
	}
	return n*2 < len(r.fs)
}

// splitLong parts runs that are much longer than the others: two sides whose identifiers do not tell them apart and
// whose numbers go on.
func splitLong(runs []*run) []*run {
	if len(runs) < 2 {
		return runs
	}
	var spans []int64
	for _, r := range runs {
		spans = append(spans, r.span())
	}
	sorted := slices.Clone(spans)
	slices.Sort(sorted)
	usual := sorted[len(sorted)/2]
	var out []*run
	for i, r := range runs {
		at, gap := 0, int64(0)
		if usual > 0 && spans[i] > usual*3/2 {
			for k := 2; k < len(r.fs)-1; k++ {
				if g := r.fs[k].start - r.fs[k-1].end; g > gap {
					at, gap = k, g
				}
			}
		}
		if at > 0 && r.fs[at-1].end-r.fs[0].start < usual*5/4 {
			out = append(out, &run{fs: r.fs[:at:at]}, &run{fs: r.fs[at:]})
			continue
		}
		out = append(out, r)
	}
	return out
}

func (r *run) span() int64 { return r.fs[len(r.fs)-1].end - r.fs[0].start }

// vote settles what cylinder and head most identifiers of the track name.
func (r *run) vote() {
	n := map[[2]int]int{}
	for _, f := range r.fs {
		if f.aside() {
			continue
		}
		w := 1
		if f.good {
			w = 2
		}
		n[[2]int{int(f.id.Cylinder), int(f.id.Head)}] += w
	}
	best, count := [2]int{-1, -1}, 0
	for k, c := range n {
		if c > count || c == count && (k[0] < best[0] || k[0] == best[0] && k[1] < best[1]) {
			best, count = k, c
		}
	}
	r.cyl, r.head = best[0], best[1]
}

// agrees compares two runs by their sound sectors: how many identifiers both have, with equal data and with other.
func (r *run) agrees(s *run) (equal, other int) {
	for _, a := range r.fs {
		for _, b := range s.fs {
			if a.good && b.good && a.id == b.id {
				if bytes.Equal(a.data, b.data) && a.mark == b.mark {
					equal++
				} else {
					other++
				}
				break
			}
		}
	}
	return equal, other
}

// nameOrphans gives a data field without identifier the number that its track lacks, where there is exactly one such
// number in the place; it stays doubtful.
func nameOrphans(r *run) {
	lo, hi := 256, -1
	have := map[int]bool{}
	var order []*found
	for _, f := range r.fs {
		if !f.orphan {
			n := int(f.id.Sector)
			have[n], lo, hi = true, min(lo, n), max(hi, n)
		}
		order = append(order, f)
	}
	if hi < 0 || hi-lo > 64 {
		return
	}
	var missing []int
	for n := lo; n <= hi; n++ {
		if !have[n] {
			missing = append(missing, n)
		}
	}
	var lost []int
	for i, f := range order {
		if f.orphan {
			lost = append(lost, i)
		}
	}
	if len(lost) != 1 {
		return
	}
	if len(missing) == 0 { // the first or last number: the one that goes on from the neighbours
		if lo > 0 && lo <= 1 && order[lost[0]] != order[0] {
			missing = []int{hi + 1}
		} else if n := edgeNumber(order, lost[0], lo, hi); n >= 0 {
			missing = []int{n}
		}
	}
	if len(missing) != 1 || missing[0] > 255 {
		return
	}
	f := order[lost[0]]
	f.id.Cylinder, f.id.Head, f.id.Sector = uint8(r.cyl), uint8(r.head), uint8(missing[0])
	f.why = fmt.Sprintf("its identifier is lost; number %d is the one its track lacks", missing[0])
	f.orphan = false
}

// edgeNumber is what the number of an orphan must be where it lies before the first or behind the last.
func edgeNumber(fs []*found, i, lo, hi int) int {
	if i+1 < len(fs) && !fs[i+1].orphan && int(fs[i+1].id.Sector) == lo && lo > 0 {
		return lo - 1
	}
	if i > 0 && !fs[i-1].orphan && int(fs[i-1].id.Sector) == hi {
		return hi + 1
	}
	return -1
}

// place settles where each track belongs and gives out the result.
func place(runs []*run) ([]Track, []string) {
	var notes []string
	for _, r := range runs {
		nameOrphans(r)
	}
	notes = append(notes, settlePlaces(runs)...)
	out := make([]Track, 0, len(runs))
	for _, r := range runs {
		t := Track{Cylinder: r.place[0], Head: r.place[1], Start: r.fs[0].start, End: r.fs[len(r.fs)-1].end, Copy: r.repetition, Placed: r.placed}
		unit := r.fs[0].v.advance(0, 1)
		if r.frame.known {
			t.Bytes = (r.frame.end - r.frame.start) / unit
			t.Start, t.End = r.fs[0].v.offset(r.frame.start), r.fs[0].v.offset(r.frame.end)
		}
		for i, f := range r.fs {
			if f.orphan || r.overlap(i) {
				continue
			}
			s := disk.Sector{
				Cylinder: t.Cylinder, Head: t.Head, ID: f.id, Encoding: f.enc, Mark: f.mark, Data: f.data,
				Status: f.status, Why: f.why, Margin: -1, Angle: -1, Reads: r.reads(i),
				From: fmt.Sprintf("byte %d", f.start),
			}
			if t.Bytes > 0 {
				whole := float64(r.frame.end - r.frame.start)
				s.Angle = wrap01(float64(f.pos-r.frame.start) / whole)
				s.Extent = float64(f.v.advance(f.pos, 7)-f.pos) / whole
				if f.dataPos >= 0 {
					past := f.dataPos - f.pos
					if past < 0 {
						past += r.frame.end - r.frame.start
					}
					s.Extent = float64(past+f.v.advance(0, 3+len(f.data))) / whole
				}
			}
			t.Finds = append(t.Finds, Find{s, f.start, f.end, f.v.name()})
		}
		if len(t.Finds) > 0 {
			out = append(out, t)
		}
	}
	slices.SortStableFunc(out, func(a, b Track) int {
		return cmp.Or(cmp.Compare(a.Cylinder, b.Cylinder), cmp.Compare(a.Head, b.Head))
	})
	return out, notes
}

// overlap reports whether find i is a second read of an earlier one: the dump is longer than a revolution. The last may
// be cut.
func (r *run) overlap(i int) bool {
	f := r.fs[i]
	for _, o := range r.fs[:i] {
		if o.orphan || o.id != f.id || o.enc != f.enc || !o.good {
			continue
		}
		if f.good && f.mark == o.mark && bytes.Equal(f.data, o.data) || !f.good && i == len(r.fs)-1 && i > 1 {
			return true
		}
	}
	return false
}

// reads is how many finds of the run say what find i says.
func (r *run) reads(i int) int {
	n := 1
	for k := i + 1; k < len(r.fs); k++ {
		if f, o := r.fs[k], r.fs[i]; f.good && o.good && f.id == o.id && f.enc == o.enc && f.mark == o.mark && bytes.Equal(f.data, o.data) {
			n++
		}
	}
	return n
}

func wrap01(x float64) float64 {
	for x < 0 {
		x++
	}
	for x >= 1 {
		x--
	}
	return x
}
