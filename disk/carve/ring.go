package carve

import (
	"bytes"
	"context"
	"slices"
)

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
	// A crossing sector holds what lies at the start of the dump, whatever that looks like.
	hidden := func(o *found) bool {
		p := (o.pos - fr.start) / v.step
		return slices.ContainsFunc(kept, func(f *found) bool {
			at := (f.dataPos - fr.start) / v.step
			if f.dataPos < f.pos {
				at += n
			}
			in := func(p int) bool { return p > at && p < at+3+len(f.data) }
			return f.crosses && f.pos != o.pos && (in(p) || in(p+n))
		})
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
		case i >= 0 && f.good && !merged[i].good && !merged[i].inner:
			merged[i] = f
		case i < 0 && f.crosses && !r.holds(f.pos): // its identifier is cut as well
			merged = append(merged, f)
		}
	}
	merged = slices.DeleteFunc(merged, func(o *found) bool {
		return hidden(o) || o.orphan && slices.ContainsFunc(merged, func(f *found) bool { return !f.orphan && f.good && f.dataPos == o.dataPos })
	})
	r.fs = merged
	r.vote()
	return crossing
}
