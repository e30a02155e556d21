package carve

import (
	"cmp"
	"context"
	"slices"

	"remanence/disk"
)

// found is a candidate: an identifier with a right CRC and what stands behind it.
type found struct {
	v       view
	rank    int // order of the view
	enc     disk.Encoding
	pos     int // of the identifier's mark
	behind  int // position after the identifier's CRC
	limit   int // where the data mark must have come
	dataPos int // of the data mark, -1 without one
	id      disk.SectorID
	mark    byte
	data    []byte
	whole   bool // the data field is all there
	good    bool // and its CRC is right
	proof   int  // sync bytes before identifier and data mark
	start   int64
	field   int64 // byte of the file where the data mark stands
	end     int64
	status  disk.Status
	why     string
	orphan  bool  // a data field whose identifier is lost
	claim   int64 // where a damaged field ends if its length is true
	inner   bool  // inside the damaged data of another, and likely part of it
	crosses bool  // it goes on at the start of its track's dump
}

// size is how long the data field is. Above the standard codes the controllers of the 179x family look at the low
// two bits only (FD179x data sheet).
func size(id disk.SectorID) int {
	if n := id.Size(); n > 0 {
		return n
	}
	return 128 << (id.SizeCode & 3)
}

// work bounds the bytes that a view may pass through the CRC: a file made of nothing but marks must not take for ever.
type work struct{ left int64 }

func newWork(v view) *work { return &work{16*int64(v.length()) + 1<<25} }

// right reports whether a field, mark to CRC, is right; never once the work is used up.
func (w *work) right(e disk.Encoding, field []byte) bool {
	if w.left -= int64(len(field)); w.left < 0 {
		return false
	}
	return crcBytes(preset(e), field) == 0
}

// search finds everything in one view: identifiers with a right CRC, each with the data field behind it, and data
// fields with a right CRC that no identifier leads to. It is incomplete where the work was used up.
func search(ctx context.Context, v view) (fs []*found, complete bool) {
	w := newWork(v)
	var buf [7]byte
	v.ids(func(pos int, enc disk.Encoding, sync int) bool {
		if v.read(pos, buf[:]) < len(buf) {
			return true
		}
		for _, e := range [...]disk.Encoding{disk.FM, disk.MFM} {
			if enc != 0 && e != enc || crcBytes(preset(e), buf[:]) != 0 {
				continue
			}
			f := &found{v: v, enc: e, pos: pos, behind: v.advance(pos, 7), dataPos: -1, proof: sync, start: v.offset(pos)}
			f.id = disk.SectorID{Cylinder: buf[1], Head: buf[2], Sector: buf[3], SizeCode: buf[4]}
			f.end = v.offset(f.behind)
			fs = append(fs, f)
		}
		return len(fs) < maxFound && ctx.Err() == nil
	})
	gaps := map[disk.Encoding]map[int]int{disk.FM: {}, disk.MFM: {}}
	next := len(fs)
	for i, f := range slices.Backward(fs) {
		limit := v.advance(f.behind, windowBytes)
		for next = i + 1; next < len(fs) && fs[next].pos < f.behind; next++ {
		}
		if next < len(fs) {
			limit = min(limit, fs[next].pos)
		}
		f.limit = limit
		f.attach(limit, w)
		if f.good {
			gaps[f.enc][f.dataPos-f.behind]++
		}
		if i%64 == 0 && ctx.Err() != nil {
			return nil, false
		}
	}
	for _, f := range fs {
		f.chooseBad(common(gaps[f.enc]))
	}
	fs = append(fs, orphans(v, fs, w)...)
	return fs, w.left >= 0 && len(fs) < maxFound
}

// attach looks for a data field with a right CRC.
func (f *found) attach(limit int, w *work) {
	buf := make([]byte, 1+size(f.id)+2)
	f.v.marks(f.behind, limit, f.enc, func(pos int, mark byte, sync int) bool {
		n := f.v.read(pos, buf)
		if n < len(buf) || !w.right(f.enc, buf) {
			return w.left > 0
		}
		f.take(pos, mark, buf, sync)
		f.good, f.status = true, disk.Good
		return false
	})
}

func (f *found) take(pos int, mark byte, field []byte, sync int) {
	f.dataPos, f.mark, f.data, f.whole = pos, mark, slices.Clone(field[1:len(field)-2]), true
	f.field = f.v.offset(pos)
	f.end = f.v.offset(f.v.advance(pos, len(field)))
	f.proof += sync
}

// chooseBad picks the data mark of a sector whose data is damaged: the one at the distance that sound sectors have,
// else the first behind a sync.
func (f *found) chooseBad(usual int) {
	if f.good {
		return
	}
	f.status, f.why = disk.Bad, "no data mark behind the identifier"
	best, bestMark, bestSync, score := -1, byte(0), 0, 0
	f.v.marks(f.behind, f.limit, f.enc, func(pos int, mark byte, sync int) bool {
		s := sync
		if usual > 0 && pos-f.behind == usual {
			s += 4
		}
		if s >= 3 && s > score {
			best, bestMark, bestSync, score = pos, mark, sync, s
		}
		return true
	})
	if best < 0 {
		return
	}
	n := size(f.id)
	buf := make([]byte, 1+n+2)
	got := f.v.read(best, buf)
	if got == len(buf) {
		f.take(best, bestMark, buf, bestSync)
		f.why = "the CRC of the data is wrong"
		return
	}
	f.dataPos, f.mark, f.proof = best, bestMark, f.proof+bestSync
	f.field = f.v.offset(best)
	f.data = slices.Clone(buf[1:min(max(got, 1), n+1)])
	f.end = f.v.offset(f.v.advance(best, got))
	f.why = "the file ends inside the data"
}

// common is the most frequent key, 0 where there is none.
func common(n map[int]int) int {
	best, count := 0, 0
	for k, c := range n {
		if c > count || c == count && k < best {
			best, count = k, c
		}
	}
	return best
}

// orphans are data fields with a right CRC and a sync that no identifier leads to: their identifier is damaged. Only
// lengths that sound sectors of the view have are tried.
func orphans(v view, fs []*found, w *work) []*found {
	type kind struct {
		enc  disk.Encoding
		code uint8
	}
	kinds := map[kind]bool{}
	used := map[int]bool{}
	for _, f := range fs {
		if f.good {
			kinds[kind{f.enc, f.id.SizeCode}] = true
			used[f.dataPos] = true
		}
	}
	if len(kinds) == 0 {
		return nil
	}
	order := make([]kind, 0, len(kinds))
	for k := range kinds {
		order = append(order, k)
	}
	slices.SortFunc(order, func(a, b kind) int {
		return cmp.Or(cmp.Compare(a.enc, b.enc), cmp.Compare(a.code, b.code))
	})
	var out []*found
	for _, k := range order {
		id := disk.SectorID{SizeCode: k.code}
		buf := make([]byte, 1+size(id)+2)
		each := func(pos int, mark byte, sync int) bool {
			if sync < 1 || used[pos] || v.read(pos, buf) < len(buf) || !w.right(k.enc, buf) {
				return w.left > 0
			}
			f := &found{v: v, enc: k.enc, pos: pos, behind: pos, dataPos: pos, id: id, orphan: true, start: v.offset(pos)}
			f.take(pos, mark, buf, sync)
			f.status, f.why = disk.Doubtful, "the identifier is lost"
			used[pos] = true
			out = append(out, f)
			return len(out) < maxFound
		}
		// Positions of a byte view with a step come in as many phases.
		phases := v.advance(0, 1)
		if _, bytewise := v.(*byteView); !bytewise {
			phases = 1
		}
		for p := range phases {
			v.marks(p, v.length(), k.enc, each)
		}
	}
	return out
}

// settle takes the candidates of all views and keeps those that can be sectors: what lies inside the data of a sound
// sector is data; what two views find is kept once; what is weakly proven and has no sound neighbour of its kind goes.
func settle(all []*found) (kept []*found, ghosts int) {
	rank := map[view]int{}
	sound := map[view]int{}
	type track struct {
		v         view
		enc       disk.Encoding
		cyl, head uint8
	}
	tracks := map[track]bool{}
	for _, f := range all {
		if _, ok := rank[f.v]; !ok {
			rank[f.v] = len(rank)
		}
		f.rank = rank[f.v]
		if f.good {
			sound[f.v]++
			tracks[track{f.v, f.enc, f.id.Cylinder, f.id.Head}] = true
		}
	}
	byPlace := func(a, b *found) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.rank, b.rank), cmp.Compare(a.enc, b.enc))
	}
	slices.SortFunc(all, byPlace)
	// Sound data fields first, with or without identifier. spans holds those kept, by start; no two overlap in data.
	var spans []*found
	for _, f := range all {
		if !f.good && !f.orphan {
			continue
		}
		if n := len(spans); n > 0 && f.start < spans[n-1].end {
			last := spans[n-1]
			switch {
			case same(last, f):
			case f.start < last.field: // two readings of one identifier; the better view came first
			default:
				ghosts++
			}
			continue
		}
		spans = append(spans, f)
	}
	kept = append(kept, spans...)
	inside := func(at int64) *found { // the sound sector whose fields hold this byte
		i, _ := slices.BinarySearchFunc(spans, at, func(s *found, at int64) int { return cmp.Compare(s.start, at) })
		for _, k := range []int{i, i - 1} {
			if k >= 0 && k < len(spans) && spans[k].start <= at && at < spans[k].end {
				return spans[k]
			}
		}
		return nil
	}
	var weak []*found
	for _, f := range all {
		if f.good || f.orphan {
			continue
		}
		if s := inside(f.start); s != nil {
			if f.start >= s.field && !same(s, f) && f.proof >= 3 {
				ghosts++
			}
			continue
		}
		// An identifier alone is 16 bits of CRC: not enough in FM without neighbours, and without any sync only if it
		// names the track of sound ones.
		if sound[f.v] == 0 && (f.dataPos < 0 || f.proof < 5) || f.proof < 2 && f.dataPos < 0 && !tracks[track{f.v, f.enc, f.id.Cylinder, f.id.Head}] {
			continue
		}
		if n := len(weak); n > 0 && same(weak[n-1], f) {
			if f.rank < weak[n-1].rank && sound[f.v] > 0 {
				weak[n-1] = f
			}
			continue
		}
		weak = append(weak, f)
	}
	kept = append(kept, weak...)
	slices.SortFunc(kept, byPlace)
	kept, lost := nested(kept)
	return kept, ghosts + lost
}

// same reports whether two candidates are two readings of one sector.
func same(a, b *found) bool {
	d := a.start - b.start
	return d >= -4 && d <= 4 && a.orphan == b.orphan && (a.id == b.id || a.orphan)
}

// nested looks at sectors inside the damaged data of another. A sector that keeps step with its track (a whole number
// of sector lengths from others) is real, and the damaged one claims more than it has; others are likely data.
func nested(fs []*found) (kept []*found, ghosts int) {
	within := make([]*found, len(fs)) // the damaged sector that fs[i] lies in
	var outer *found
	for i, f := range fs {
		if outer != nil && f.start > outer.field && f.start < outer.end {
			within[i] = outer
			continue
		}
		if f.status == disk.Bad && f.dataPos >= 0 {
			outer = f
			f.claim = f.end
		}
	}
	for i, f := range fs {
		o := within[i]
		if o != nil {
			ok := f.end > o.claim || keepsStep(fs, within, i) // what reaches beyond is no part of it
			elsewhere := f.id.Cylinder != o.id.Cylinder || f.id.Head != o.id.Head
			switch {
			case f.orphan && !leads(fs[i+1:], o):
				ghosts++
				continue
			case f.orphan || ok || elsewhere && joins(fs[i+1:], f):
				o.end = min(o.end, f.start) // what is behind belongs to f
			case !f.good:
				ghosts++
				continue
			default:
				f.good, f.status, f.inner = false, disk.Doubtful, true
				f.why = "it lies inside the damaged data of another sector and may be part of that data"
			}
		}
		kept = append(kept, f)
	}
	return kept, ghosts
}

// leads reports whether the next identifier is of another track than o: o was cut there, and more of its claimed length
// is not its own.
func leads(fs []*found, o *found) bool {
	for _, f := range fs {
		if !f.orphan {
			return f.id.Cylinder != o.id.Cylinder || f.id.Head != o.id.Head
		}
	}
	return false
}

// joins reports whether the sectors behind f are of its track and none has its name.
func joins(fs []*found, f *found) bool {
	for k, s := range fs {
		if s.orphan {
			continue
		}
		if s.id.Cylinder != f.id.Cylinder || s.id.Head != f.id.Head {
			return k > 0
		}
		if s.id == f.id {
			return false
		}
	}
	return len(fs) > 0
}

// keepsStep reports whether f = fs[i] is a whole number of sector lengths from sound sectors of its track.
func keepsStep(fs, within []*found, i int) bool {
	f := fs[i]
	var like []*found
	for k := max(i-40, 0); k < min(i+41, len(fs)); k++ {
		if s := fs[k]; s.good && within[k] == nil && s.enc == f.enc && s.id.SizeCode == f.id.SizeCode &&
			s.id.Cylinder == f.id.Cylinder && s.id.Head == f.id.Head {
			like = append(like, s)
		}
	}
	var dist []int64
	for k := 1; k < len(like); k++ {
		dist = append(dist, like[k].start-like[k-1].start)
	}
	if len(dist) == 0 {
		return false
	}
	slices.Sort(dist)
	step := dist[0] // the nearest two of a track are neighbours
	if step > 2*(f.end-f.start)+512 {
		return false
	}
	for _, s := range like {
		d := max(f.start-s.start, s.start-f.start)
		if r := d % step; d <= 40*step && d >= step-2 && (r <= 2 || r >= step-2) {
			return true
		}
	}
	return false
}
