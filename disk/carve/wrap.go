package carve

import (
	"bytes"
	"cmp"
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
func wrap(runs []*run, size int64) ([]*run, []string) {
	torn := tear(runs)
	runs, notes := wrapAll(runs, size)
	for _, t := range torn {
		t.mend(runs)
	}
	return slices.DeleteFunc(runs, func(r *run) bool { return len(r.fs) == 0 }), notes
}

// kind is what tracks must share to be solved together.
type kind struct {
	v   view
	enc disk.Encoding
}

func (r *run) kind() kind {
	n := 0
	for _, f := range r.fs {
		if f.enc == disk.MFM {
			n++
		}
	}
	if 2*n > len(r.fs) {
		return kind{r.fs[0].v, disk.MFM}
	}
	return kind{r.fs[0].v, disk.FM}
}

// wrapAll settles the frames, kind by kind, and carves again what they change; it gives back the tracks, parted anew
// where the frames ask for it.
func wrapAll(runs []*run, size int64) ([]*run, []string) {
	var kinds []kind
	for _, r := range runs {
		if _, ok := r.fs[0].v.(*byteView); ok && !slices.Contains(kinds, r.kind()) {
			kinds = append(kinds, r.kind())
		}
	}
	var notes []string
	for _, k := range kinds {
		var note string
		if runs, note = wrapKind(runs, k, size); note != "" {
			notes = append(notes, note)
		}
	}
	return runs, notes
}

// cutsOf lists the cuts of all tracks of a kind, and how many tracks have a last sector that could go on.
func cutsOf(runs []*run, k kind) (cuts []cut, open int) {
	v := k.v.(*byteView)
	for i, r := range runs {
		if r.kind() != k || r.fs[0].orphan && len(r.fs) < 2 {
			continue
		}
		lo := 0
		if i > 0 && runs[i-1].fs[0].v == k.v {
			prev := runs[i-1].fs[len(runs[i-1].fs)-1]
			if lo = prev.pos; prev.dataPos >= 0 {
				lo = prev.dataPos
			}
			if prev.good {
				lo = v.advance(prev.dataPos, len(prev.data)+3)
			}
		}
		if last := r.tail(); last.good || last.orphan {
			continue
		}
		open++
		cuts = append(cuts, r.cuts(v, lo)...)
	}
	return cuts, open
}

func wrapKind(runs []*run, k kind, size int64) ([]*run, string) {
	solved := 0
	again := func() {
		for _, r := range runs {
			if r.kind() != k || !r.frame.known {
				continue
			}
			solved += r.again()
			if r.frame.ambiguous {
				solved -= r.doubtCrossing("the CRC is right, but so it is for another start of its track's dump")
			}
		}
	}
	if n := alike(runs, k); n > 0 {
		runs = frames(runs, k, n)
		again()
		return runs, fmt.Sprintf("all tracks are cut between an identifier and its data, which goes on at the start of the same track's %d bytes (%d sectors)", n, solved)
	}
	cuts, open := cutsOf(runs, k)
	n, ok := believed(cuts, runs, open, size)
	if !ok {
		n, ok = splitAlike(runs, k)
	}
	if ok {
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
		runs = frames(runs, k, n)
		for _, r := range runs {
			if r.kind() == k {
				r.splitIdentifier(n)
			}
		}
		again()
		if solved > 0 {
			return runs, fmt.Sprintf("%d sector(s) run past the end of their track's dump and go on at its start; a revolution is %d bytes", solved, n)
		}
		return runs, ""
	}
	// Nothing proves the length: what fits is used and called doubtful, unless it fits so few that it may be chance.
	with := map[*run]bool{}
	for _, c := range cuts {
		with[c.r] = true
	}
	if len(with)*2 <= open {
		return runs, ""
	}
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

// splitAlike handles dumps all cut inside an identifier: no track then tells the length of a revolution, and the usual
// ones are tried. One is believed that makes identifiers of two tracks right, and of most.
func splitAlike(runs []*run, k kind) (int, bool) {
	for _, n := range usualBytes {
		hit, open := 0, 0
		for _, r := range runs {
			if r.kind() != k || !r.fs[0].orphan || r.frame.known {
				continue
			}
			open++
			r.splitIdentifier(n)
			if r.frame.known {
				hit++
				r.frame = frame{}
			}
		}
		if hit >= 2 && hit*2 > open {
			return n, true
		}
	}
	return 0, false
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

// tail is the last sector of the dump that is not likely part of the one before.
func (r *run) tail() *found {
	for _, f := range slices.Backward(r.fs) {
		if !f.inner {
			return f
		}
	}
	return r.fs[len(r.fs)-1]
}

// cuts lists how the last sector of r could go on at the start of its dump; lo is the first position that can belong
// to the track.
func (r *run) cuts(v *byteView, lo int) []cut {
	last, first := r.tail(), r.fs[0]
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
	default: // the data may begin so near the start of the dump that no sync is left before it
		field := make([]byte, 1+size(last.id)+2)
		for p := lo; p < first.pos; p++ {
			if b := v.d[p]; b < disk.MarkDeleted || b > disk.MarkData || v.read(p, field) < len(field) || crcBytes(preset(last.enc), field) != 0 {
				continue
			}
			return r.cutBetween(v, lo, &found{dataPos: p, data: field[1 : len(field)-2]}, last)
		}
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
	need := 1 + size(last.id) + 2
	// Prefix CRCs of the part at the end of the dump.
	head := make([]byte, need)
	head = head[:v.read(last.dataPos, head)]
	prefix := make([]uint16, len(head)+1)
	prefix[0] = preset(last.enc)
	for i, b := range head {
		prefix[i+1] = crcByte(prefix[i], b)
	}
	var out []cut
	// What looks like the first sector may be part of the data that was cut: the gap before one of the first few it is.
	seen := map[int]bool{}
	for i, first := range r.fs[:min(4, len(r.fs))] {
		if i > 0 && size(r.fs[i-1].id) >= size(last.id) { // too long to be part of it
			break
		}
		g := gapStart(v, first.pos, lo)
		if g < 0 || seen[g] || first == last {
			continue
		}
		seen[g] = true
		out = append(out, r.cutsBefore(v, lo, g, last, head, prefix)...)
	}
	return out
}

// cutsBefore lists the cuts by which the data ends at g, or a few bytes from it.
func (r *run) cutsBefore(v *byteView, lo, g int, last *found, head []byte, prefix []uint16) (out []cut) {
	step, need := v.step, 1+size(last.id)+2
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

// gapStart walks back from a mark over A1, sync and gap to where the field before it ended; -1 where there is no gap.
func gapStart(v *byteView, mark, lo int) int {
	// What is left of the A1 may be anything in a dump without clock bits.
	q := mark - v.step
	for i := 0; i < 6 && q-v.step >= lo && !(v.d[q] == 0 && v.d[q-v.step] == 0); i++ {
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
