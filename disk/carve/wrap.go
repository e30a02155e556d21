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
	step          int // units of a track byte
}

// wrap finds the sectors that run past the end of a track's dump and go on at its start.
//
// Where the revolution starts is not written anywhere. But the field that is cut ends at the start of the dump, just
// before the gap in front of the first identifier; with w bytes of it there, the CRC over both parts is right for one
// w only, or by chance for one in 65,536 others. The length of the revolution does not depend on w. It is believed
// where two tracks give the same, or where it is a usual length, or where it fits the file: tracks following each
// other without a byte between, from its first byte or to its last.
func wrap(runs []*run, size int64) string {
	var cuts []cut
	for i, r := range runs {
		v, ok := r.fs[0].v.(*byteView)
		if !ok || r.fs[0].orphan && len(r.fs) < 2 {
			continue
		}
		lo := 0
		if i > 0 && runs[i-1].fs[0].v == r.fs[0].v {
			prev := runs[i-1].fs
			lo = prev[len(prev)-1].pos
		}
		cuts = append(cuts, r.cuts(v, lo)...)
	}
	solved := 0
	if n, ok := believed(cuts, runs, size); ok {
		for _, c := range cuts {
			if c.length/c.step == n && !c.r.frame.known {
				c.r.frame = frame{true, c.start, c.start + c.length}
			}
		}
		spread(runs, n)
		for _, r := range runs {
			if r.frame.known {
				solved += r.again()
			}
		}
		if solved > 0 {
			return fmt.Sprintf("%d sector(s) run past the end of their track's dump and go on at its start; a revolution is %d bytes", solved, n)
		}
		return ""
	}
	// Nothing proves the length: what fits is used and called doubtful.
	for _, c := range cuts {
		if c.r.frame.known {
			continue
		}
		keep := c.r.fs
		c.r.frame = frame{true, c.start, c.start + c.length}
		if c.r.again() == 0 {
			c.r.fs, c.r.frame = keep, frame{}
			continue
		}
		for _, f := range c.r.fs {
			if f.crosses {
				f.good, f.status = false, disk.Doubtful
				f.why = "it is put together from the end and the start of its track's dump; the CRC is right, but nothing else shows where the track starts"
				solved++
			}
		}
		c.r.frame = frame{}
	}
	if solved > 0 {
		return fmt.Sprintf("%d sector(s) may run past the end of their track's dump and go on at its start; nothing proves it, they are doubtful", solved)
	}
	return ""
}

// believed is the length of a revolution, in track bytes, that the cuts agree on.
func believed(cuts []cut, runs []*run, size int64) (int, bool) {
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
	if len(tracks[n]) >= 2 || slices.Contains(usualBytes, n) {
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

// spread gives frames to tracks without a cut sector, where the tracks with one stand at a constant distance.
func spread(runs []*run, n int) {
	pitch := 0
	var known []int
	for i, r := range runs {
		if r.frame.known {
			known = append(known, i)
		}
	}
	for k := 1; k < len(known); k++ {
		a, b := runs[known[k-1]], runs[known[k]]
		if a.fs[0].v != b.fs[0].v {
			continue
		}
		d := b.frame.start - a.frame.start
		if m := known[k] - known[k-1]; d%m == 0 {
			if pitch != 0 && pitch != d/m {
				return
			}
			pitch = d / m
		} else {
			return
		}
	}
	if pitch == 0 {
		return
	}
	for i, r := range runs {
		if r.frame.known || r.fs[0].v != runs[known[0]].fs[0].v {
			continue
		}
		step := r.fs[0].v.(*byteView).step
		start := runs[known[0]].frame.start + (i-known[0])*pitch
		if first := r.fs[0].pos; start >= 0 && start <= first && first < start+n*step {
			r.frame = frame{true, start, start + n*step}
		}
	}
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
	for start := first.dataPos; start >= lo && start > first.dataPos-gap; start -= v.step {
		if start+length >= last.behind {
			return []cut{{r, start, length, v.step}}
		}
	}
	return nil
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
				out = append(out, cut{r, start, last.dataPos + need*step - end, step})
			}
		}
	}
	return out
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
