package carve

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"

	"remanence/disk"
)

// usualBytes are the lengths of a revolution in track bytes: rate x 60 / rpm / 8 (FD179x, drive manuals).
var usualBytes = []int{3125, 5208, 6250, 10416, 10417, 12500}

// lead is how many track bytes before the first field of a track may belong to it: the rest of the last sector, gap 3
// or gap 4, index mark, gap 1, sync.
const leadBytes = 8400

// A cut is one way in which the last sector of a track's dump can go on at its start: the revolution then is length
// long and starts at start. Positions are in the units of the view.
type cut struct {
	r             *run
	start, length int
	step          int  // units of a track byte
	loose         bool // start may be some bytes off, within a gap
	field         []byte
}

// wrap finds the sectors that run past the end of a track's dump and go on at its start.
//
// Where the revolution starts is not written anywhere. But the field that is cut ends at the start of the dump, just
// before the gap in front of the first identifier; with w bytes of it there, the CRC over both parts is right for one
// w only, or by chance for one in 65,536 others. The length of the revolution does not depend on w. It is believed
// where two tracks give the same, or where it is a usual length, or where it fits the file: tracks following each
// other without a byte between, from its first byte or to its last.
func wrap(runs []*run, size int64) ([]*run, string) {
	torn := tear(runs)
	runs, note := wrapAll(runs, size)
	for _, t := range torn {
		t.mend(runs)
	}
	return runs, note
}

// tear parts pairs at the border of two dumps whose distance is not the usual one: the identifier may be the last of
// one dump and the data the first of the next.
func tear(runs []*run) (torn []tearing) {
	type kind struct {
		enc  disk.Encoding
		step int
	}
	gaps, total := map[kind]map[int]int{}, map[kind]int{}
	of := func(f *found) kind { return kind{f.enc, f.v.advance(0, 1)} }
	for _, r := range runs {
		for _, f := range r.fs {
			if k := of(f); f.good {
				if gaps[k] == nil {
					gaps[k] = map[int]int{}
				}
				gaps[k][f.dataPos-f.behind]++
				total[k]++
			}
		}
	}
	for i := 0; i+1 < len(runs); i++ {
		r, next := runs[i], runs[i+1]
		f := r.fs[len(r.fs)-1]
		if _, ok := f.v.(*byteView); !ok || !f.good || next.fs[0].v != f.v {
			continue
		}
		k := of(f)
		usual := common(gaps[k])
		d := f.dataPos - f.behind - usual
		if total[k] < 8 || gaps[k][usual]*10 < total[k]*9 || d >= -4*k.step && d <= 4*k.step {
			continue
		}
		id, data := *f, *f
		id.loseData()
		data.pos, data.behind, data.start = f.dataPos, f.dataPos, f.field
		data.id = disk.SectorID{SizeCode: f.id.SizeCode}
		data.orphan, data.good, data.status, data.why = true, false, disk.Doubtful, "the identifier is lost"
		torn = append(torn, tearing{f, &id, &data})
		r.fs = append(slices.Clone(r.fs[:len(r.fs)-1]), &id)
		next.fs = append([]*found{&data}, next.fs...)
	}
	return torn
}

// tearing is a pair that tear has parted.
type tearing struct{ pair, id, data *found }

// mend puts a pair together again where neither half has found a better partner.
func (t tearing) mend(runs []*run) {
	var at *run
	alone := false
	for _, r := range runs {
		if slices.Contains(r.fs, t.id) {
			at = r
		}
		alone = alone || slices.Contains(r.fs, t.data)
	}
	if at == nil || !alone {
		return
	}
	at.fs[slices.Index(at.fs, t.id)] = t.pair
	for _, r := range runs {
		r.fs = slices.DeleteFunc(r.fs, func(f *found) bool { return f == t.data })
	}
}

// loseData makes f an identifier without data.
func (f *found) loseData() {
	f.good, f.status, f.data, f.mark, f.dataPos, f.whole = false, disk.Bad, nil, 0, -1, false
	f.why = "no data mark behind the identifier"
	f.end = f.v.offset(f.behind)
}

// wrapAll settles the frames and carves again what they change; it gives back the tracks, parted anew where the frames
// ask for it.
func wrapAll(runs []*run, size int64) ([]*run, string) {
	var cuts []cut
	open := 0 // tracks whose last sector could go on at the start
	for i, r := range runs {
		v, ok := r.fs[0].v.(*byteView)
		if !ok || r.fs[0].orphan && len(r.fs) < 2 {
			continue
		}
		lo := 0
		if i > 0 && runs[i-1].fs[0].v == r.fs[0].v {
			prev := runs[i-1].fs[len(runs[i-1].fs)-1]
			if lo = prev.pos; prev.dataPos >= 0 {
				lo = prev.dataPos
			}
			if prev.good {
				lo = v.advance(prev.dataPos, len(prev.data)+3)
			}
		}
		if last := r.fs[len(r.fs)-1]; last.good || last.orphan {
			continue
		}
		open++
		cuts = append(cuts, r.cuts(v, lo)...)
	}
	solved := 0
	if n := alike(runs); n > 0 {
		runs = frames(runs, n)
		for _, r := range runs {
			if r.frame.known {
				solved += r.again()
			}
		}
		return runs, fmt.Sprintf("all tracks are cut between an identifier and its data, which goes on at the start of the same track's %d bytes (%d sectors)", n, solved)
	}
	if n, ok := believed(cuts, runs, open, size); ok {
		fields := map[*run][]byte{}
		for _, c := range cuts {
			if c.length/c.step != n {
				continue
			}
			if fr := &c.r.frame; !fr.known {
				*fr = frame{known: true, loose: c.loose, start: c.start, end: c.start + c.length}
				fields[c.r] = c.field
			} else if fr.start != c.start && !bytes.Equal(fields[c.r], c.field) { // right by chance in two ways
				fr.loose, fr.ambiguous = true, true
			}
		}
		runs = frames(runs, n)
		for _, r := range runs {
			r.splitIdentifier(n)
		}
		for _, r := range runs {
			if !r.frame.known {
				continue
			}
			solved += r.again()
			if r.frame.ambiguous {
				r.doubtCrossing("the CRC is right, but so it is for another start of its track's dump")
			}
		}
		if solved > 0 {
			return runs, fmt.Sprintf("%d sector(s) run past the end of their track's dump and go on at its start; a revolution is %d bytes", solved, n)
		}
		return runs, ""
	}
	// Nothing proves the length: what fits is used and called doubtful.
	for _, c := range cuts {
		if c.r.frame.known {
			continue
		}
		keep := c.r.fs
		c.r.frame = frame{known: true, start: c.start, end: c.start + c.length}
		if c.r.again() == 0 {
			c.r.fs, c.r.frame = keep, frame{}
			continue
		}
		solved += c.r.doubtCrossing("the CRC is right, but nothing else shows where the track starts")
		c.r.frame = frame{}
	}
	if solved > 0 {
		return runs, fmt.Sprintf("%d sector(s) may run past the end of their track's dump and go on at its start; nothing proves it, they are doubtful", solved)
	}
	return runs, ""
}

// doubtCrossing calls the sectors that go on at the start of the dump doubtful, and says how many they are.
func (r *run) doubtCrossing(why string) (n int) {
	for _, f := range r.fs {
		if f.crosses {
			f.good, f.status = false, disk.Doubtful
			f.why = "it is put together from the end and the start of its track's dump; " + why
			n++
		}
	}
	return n
}

// believed is the length of a revolution, in track bytes, that the cuts agree on.
func believed(cuts []cut, runs []*run, open int, size int64) (int, bool) {
	tracks := map[int]map[*run]bool{}
	for _, c := range cuts {
		n := c.length / c.step
		if tracks[n] == nil {
			tracks[n] = map[*run]bool{}
		}
		tracks[n][c.r] = true
	}
	lengths := make([]int, 0, len(tracks))
	for n := range tracks {
		lengths = append(lengths, n)
	}
	slices.SortFunc(lengths, func(a, b int) int {
		usual := func(n int) int {
			if slices.Contains(usualBytes, n) {
				return 0
			}
			return 1
		}
		return cmp.Or(cmp.Compare(len(tracks[b]), len(tracks[a])), cmp.Compare(usual(a), usual(b)), cmp.Compare(a, b))
	})
	if len(lengths) == 0 {
		return 0, false
	}
	n := lengths[0]
	// By chance one damaged sector in fifty or so has such a continuation: where it is the rule, it is none.
	if len(tracks[n])*2 > open && (len(tracks[n]) >= 2 || slices.Contains(usualBytes, n)) {
		return n, true
	}
	for _, n := range lengths {
		for _, c := range cuts {
			if c.length/c.step != n {
				continue
			}
			at := slices.Index(runs, c.r)
			if c.start == 0 || int64(c.start+c.length) == size || at+1 < len(runs) && runs[at+1].frame.known && runs[at+1].frame.start == c.start+c.length {
				return n, true
			}
		}
	}
	return 0, false
}

// frames finds the frames of all tracks where those that are exact stand at a constant distance, and parts the finds
// anew by them: an identifier at the end of one dump must not be paired with the data at the start of the next. n is
// the length of a revolution in track bytes.
func frames(runs []*run, n int) []*run {
	var exact []*run
	for _, r := range runs {
		if r.frame.known && !r.frame.loose {
			exact = append(exact, r)
		}
	}
	pitch := pitchOf(runs, exact)
	if pitch == 0 {
		return runs
	}
	v := exact[0].fs[0].v
	base := exact[0].frame.start
	base %= pitch
	length := n * v.advance(0, 1)
	var out []*run
	at := map[int]*run{}
	for _, r := range runs {
		for _, f := range r.fs {
			k := -1
			if f.v == v && f.pos >= base && (f.pos-base)%pitch < length {
				k = (f.pos - base) / pitch
			}
			if k < 0 { // outside all frames, or in another view
				if len(out) == 0 || len(out[len(out)-1].fs) > 0 && out[len(out)-1].fs[0].v != f.v {
					out = append(out, &run{})
				}
				out[len(out)-1].fs = append(out[len(out)-1].fs, f)
				continue
			}
			if at[k] == nil {
				start := base + k*pitch
				at[k] = &run{frame: frame{known: true, start: start, end: start + length}}
				out = append(out, at[k])
			}
			at[k].fs = append(at[k].fs, f)
		}
	}
	for _, r := range out {
		r.vote()
	}
	return out
}

// pitchOf is the distance of one dump's start to the next, 0 where there is no constant one: it divides all distances
// of exact starts, is no shorter than a revolution, and gives as many tracks between them as there are.
func pitchOf(runs, exact []*run) int {
	if len(exact) < 2 {
		return 0
	}
	all := 0
	for k := 1; k < len(exact); k++ {
		a, b := exact[k-1], exact[k]
		d := b.frame.start - a.frame.start
		if a.fs[0].v != b.fs[0].v || d <= 0 {
			return 0
		}
		for all, d = d, all; d != 0; all, d = d, all%d { // the greatest common divisor
		}
	}
	length := exact[0].frame.end - exact[0].frame.start
	for j := all / length; j >= 1; j-- {
		p := all / j
		ok := all%j == 0
		for k := 1; k < len(exact) && ok; k++ {
			a, b := exact[k-1], exact[k]
			ok = (b.frame.start-a.frame.start)/p == slices.Index(runs, b)-slices.Index(runs, a)
		}
		if ok {
			return p
		}
	}
	return 0
}

// alike handles dumps without a byte between the tracks, all cut alike between an identifier and its data field: the
// file then begins with a data field and ends with an identifier, and every pair across a border would be wrong.
func alike(runs []*run) int {
	if len(runs) < 2 {
		return 0
	}
	first, last := runs[0].fs[0], runs[len(runs)-1].fs[len(runs[len(runs)-1].fs)-1]
	v, ok := first.v.(*byteView)
	if !ok || !first.orphan || last.orphan || last.dataPos >= 0 || last.v != first.v {
		return 0
	}
	length, gap := 0, 0
	for k := 1; k < len(runs); k++ {
		a, b := runs[k-1].fs[len(runs[k-1].fs)-1], runs[k].fs[len(runs[k].fs)-1]
		if d := b.pos - a.pos; length != 0 && d != length || d <= 0 {
			return 0
		} else {
			length = d
		}
		if a.good {
			gap = a.dataPos - a.behind
		}
	}
	if last.behind+gap-first.dataPos != length*len(runs) {
		return 0
	}
	for k, r := range runs {
		start := max(first.dataPos-2*v.step, 0) + k*length
		r.frame = frame{known: true, start: start, end: start + length}
	}
	return length / v.step
}

// cuts lists how the last sector of r could go on at the start of its dump; lo is the first position that can belong
// to the track.
func (r *run) cuts(v *byteView, lo int) []cut {
	last := r.fs[len(r.fs)-1]
	first := r.fs[0]
	if last.good || last.orphan || first.pos >= last.pos && len(r.fs) > 1 {
		return nil
	}
	step := v.step
	lo = max(lo, first.pos-leadBytes*step)
	switch {
	case first.orphan && last.dataPos < 0:
		return r.cutBetween(v, lo, first, last)
	case last.dataPos >= 0:
		return r.cutInData(v, lo, last)
	}
	return nil
}

// cutBetween: the identifier is at the end of the dump and its data field at the start.
func (r *run) cutBetween(v *byteView, lo int, first, last *found) []cut {
	gap := 0
	for _, f := range r.fs {
		if f.good && f.enc == last.enc {
			gap = f.dataPos - f.behind
		}
	}
	if gap == 0 || size(last.id) != len(first.data) {
		return nil
	}
	// behind + gap = dataPos + length; where in between the cut lies does not matter to the data.
	length := last.behind + gap - first.dataPos
	start := max(first.dataPos-gap, lo)
	if start > first.dataPos || start+length < last.behind {
		return nil
	}
	return []cut{{r, start, length, v.step, true, nil}}
}

// cutInData: the data field itself is cut.
func (r *run) cutInData(v *byteView, lo int, last *found) []cut {
	step, need := v.step, 1+size(last.id)+2
	g := gapStart(v, r.firstMark(v), lo)
	if g < 0 {
		return nil
	}
	// Prefix CRCs of the part at the end of the dump.
	head := make([]byte, need)
	head = head[:v.read(last.dataPos, head)]
	prefix := make([]uint16, len(head)+1)
	prefix[0] = preset(last.enc)
	for i, b := range head {
		prefix[i+1] = crcByte(prefix[i], b)
	}
	var out []cut
	// The byte behind a CRC may be the controller's, and a CRC may end in the byte that fills gaps.
	for _, end := range []int{g, g - step, g + step, g - 2*step, g + 2*step, g - 3*step} {
		for w := 1; w < need; w++ {
			start := end - w*step
			if start < lo || start < 0 {
				break
			}
			if need-w > len(head) || end > len(v.d) {
				continue
			}
			c := prefix[need-w]
			for p := start; p < end; p += step {
				c = crcByte(c, v.d[p])
			}
			if c == 0 {
				rest := make([]byte, w)
				v.read(start, rest)
				out = append(out, cut{r, start, last.dataPos + need*step - end, step, false, append(slices.Clone(head[:need-w]), rest...)})
			}
		}
	}
	return out
}

// splitIdentifier finds the start of a dump that is cut inside an identifier: its first bytes are at the end of the
// dump, the rest and the data field at the start. The length of a revolution is known from other tracks; the distance
// from identifier to data field from other sectors.
func (r *run) splitIdentifier(n int) {
	first, last := r.fs[0], r.fs[len(r.fs)-1]
	v, ok := first.v.(*byteView)
	if !ok || r.frame.known || !first.orphan {
		return
	}
	gap := 0
	for _, f := range r.fs {
		if f.good && f.enc == first.enc {
			gap = f.dataPos - f.behind
		}
	}
	length := n * v.step
	mark := first.dataPos - gap - 7*v.step + length
	if gap == 0 || mark < last.pos {
		return
	}
	for j := 1; j < 7; j++ {
		end := mark + j*v.step
		start := end - length
		var id [7]byte
		if start < 0 || v.read(mark, id[:j]) < j || v.read(start, id[j:]) < 7-j {
			continue
		}
		if id[0] == 0xFE && crcBytes(preset(first.enc), id[:]) == 0 {
			r.frame = frame{known: true, start: start, end: end}
			return
		}
	}
}

// firstMark is the position of the first mark of the run.
func (r *run) firstMark(v *byteView) int { return r.fs[0].pos }

// gapStart walks back from a mark over A1, sync and gap to where the field before it ended; -1 where there is no gap.
func gapStart(v *byteView, mark, lo int) int {
	q := mark - v.step
	for q >= lo && q > mark-5*v.step && v.d[q] == 0xA1 {
		q -= v.step
	}
	for q >= lo && v.d[q] == 0 {
		q -= v.step
	}
	if q < lo {
		return -1
	}
	fill := v.d[q]
	if fill == 0xC2 || fill == 0xFC { // an index mark: no sector ends between it and the identifier
		return -1
	}
	n := 0
	for q >= lo && v.d[q] == fill {
		q, n = q-v.step, n+1
	}
	if n < 2 {
		return -1
	}
	return q + v.step
}

// holds reports whether a position lies inside the data of a sound sector of r.
func (r *run) holds(pos int) bool {
	return slices.ContainsFunc(r.fs, func(o *found) bool {
		return o.good && pos > o.dataPos && pos < o.v.advance(o.dataPos, len(o.data)+3)
	})
}

// again carves one revolution as the ring it is, and puts what comes out in the place of the run's finds. It says how
// many sectors cross the end.
func (r *run) again() int {
	v := r.fs[0].v.(*byteView)
	fr := r.frame
	if fr.end > len(v.d)+v.step || fr.start < 0 || fr.end <= fr.start {
		r.frame = frame{}
		return 0
	}
	var lap []byte
	for p := fr.start; p < fr.end && p < len(v.d); p += v.step {
		lap = append(lap, v.d[p])
	}
	n := len(lap)
	// A sector may be longer than what is left of a short dump; twice round is enough for all that are whole.
	ring := &byteView{bytes.Repeat(lap, 2), 1, v.what, func(pos int) int64 { return v.file(fr.start + pos%n*v.step) }}
	fs, _ := search(context.Background(), ring)
	crossing := 0
	var kept []*found
	for _, f := range fs {
		if f.pos >= n || f.orphan && f.pos == 0 {
			continue
		}
		f.crosses = f.good && (f.dataPos+3+len(f.data) > n || f.behind > n)
		f.v, f.rank = v, r.fs[0].rank
		f.pos = fr.start + f.pos*v.step
		f.behind = fr.start + f.behind%n*v.step
		if f.dataPos >= 0 {
			f.dataPos = fr.start + f.dataPos%n*v.step
		}
		kept = append(kept, f)
		if f.crosses {
			crossing++
		}
	}
	// What the ring does not show stays as it was found; what it shows inside other data does not come in.
	merged := slices.Clone(r.fs)
	for _, f := range merged {
		if f.good && !f.orphan && f.v.advance(f.dataPos, 3+len(f.data)) > fr.end {
			f.loseData()
		}
	}
	for _, f := range kept {
		i := slices.IndexFunc(merged, func(o *found) bool { return o.pos == f.pos && o.id == f.id && o.orphan == f.orphan })
		switch {
		case i >= 0 && f.good && !merged[i].good:
			merged[i] = f
		case i < 0 && f.crosses && !r.holds(f.pos): // its identifier is cut as well
			merged = append(merged, f)
		}
	}
	merged = slices.DeleteFunc(merged, func(o *found) bool {
		return o.orphan && slices.ContainsFunc(merged, func(f *found) bool { return !f.orphan && f.good && f.dataPos == o.dataPos })
	})
	r.fs = merged
	r.vote()
	return crossing
}
