package recover

import (
	"slices"

	"remanence/disk"
	"remanence/disk/carve"
	"remanence/disk/track"
)

// count fills in what a source gave.
func count(src *Source, results []*track.Result) {
	src.Tracks, src.Sectors, src.Good = 0, 0, 0
	places := map[[2]int]bool{}
	for _, r := range results {
		places[[2]int{r.Cylinder, r.Head}] = true
		for i := range r.Sectors {
			src.Sectors++
			if s := r.Sectors[i].Status; s == disk.Good || s == disk.Repaired {
				src.Good++
			}
		}
	}
	src.Tracks = len(places)
}

// covered is how many bytes of good data the results hold.
func covered(results []*track.Result) int {
	n := 0
	for _, r := range results {
		for i := range r.Sectors {
			if s := &r.Sectors[i]; s.Status == disk.Good {
				n += len(s.Data)
			}
		}
	}
	return n
}

// usualBytes are the lengths of a revolution in track bytes, by encoding (floppy fact sheet, 6.3).
var usualBytes = map[disk.Encoding][]int{disk.FM: {3125, 5208}, disk.MFM: {6250, 10416, 12500}}

// fromDump turns what carve found into tracks as a scanner gives them. A dump has no times: the cell is worked out
// from the length of a revolution, which is the least usual one that holds the longest track.
func fromDump(name string, found *carve.Result) []*track.Result {
	longest := map[disk.Encoding]int{}
	for _, t := range found.Tracks {
		n := map[disk.Encoding]int{}
		for _, f := range t.Finds {
			n[f.Encoding] += trackBytes(&f.Sector)
		}
		for e, b := range n {
			if t.Bytes > 0 && len(n) == 1 {
				b = t.Bytes
			}
			longest[e] = max(longest[e], b)
		}
	}
	var out []*track.Result
	for _, t := range found.Tracks {
		var ss []disk.Sector
		for _, f := range t.Finds {
			s := f.Sector
			s.From = name + " " + s.From
			ss = append(ss, s)
		}
		r := &track.Result{Cylinder: t.Cylinder, Head: t.Head, Sectors: ss, Captures: 1}
		guessPace(r, longest)
		out = append(out, r)
	}
	return out
}

// trackBytes is what a sector takes of its track at least (FD179x layouts without gap 3).
func trackBytes(s *disk.Sector) int {
	if s.Encoding == disk.FM {
		return 33 + s.ID.Size() + 8
	}
	return 62 + s.ID.Size() + 12
}

// guessPace notes the encodings of a track and their half-cells, for a revolution of 200 ms.
func guessPace(r *track.Result, longest map[disk.Encoding]int) {
	n := map[disk.Encoding]int{}
	for i := range r.Sectors {
		n[r.Sectors[i].Encoding]++
	}
	for _, e := range []disk.Encoding{disk.FM, disk.MFM} {
		if n[e] == 0 {
			continue
		}
		rev := longest[e]
		for _, b := range usualBytes[e] {
			if b*101 >= rev*100 {
				rev = b
				break
			}
		}
		r.Encodings = append(r.Encodings, track.Recognised{Encoding: e, CellNS: 200e6 / float64(16*rev), Sectors: n[e]})
	}
	slices.SortStableFunc(r.Encodings, func(a, b track.Recognised) int { return b.Sectors - a.Sectors })
	if len(r.Encodings) > 0 {
		r.CellNS, r.RevolutionNS = r.Encodings[0].CellNS, 200e6
	}
}

// byPlace sorts sectors into tracks.
func byPlace(name string, sectors []disk.Sector) []*track.Result {
	at := map[[2]int]*track.Result{}
	longest := map[disk.Encoding]int{}
	var out []*track.Result
	for _, s := range sectors {
		k := [2]int{s.Cylinder, s.Head}
		if at[k] == nil {
			at[k] = &track.Result{Cylinder: s.Cylinder, Head: s.Head, Captures: 1}
			out = append(out, at[k])
		}
		if s.From == "" {
			s.From = name
		} else {
			s.From = name + " " + s.From
		}
		at[k].Sectors = append(at[k].Sectors, s)
	}
	for _, r := range out {
		n := map[disk.Encoding]int{}
		for i := range r.Sectors {
			n[r.Sectors[i].Encoding] += trackBytes(&r.Sectors[i])
		}
		for e, b := range n {
			longest[e] = max(longest[e], b)
		}
	}
	for _, r := range out {
		guessPace(r, longest)
	}
	slices.SortFunc(out, func(a, b *track.Result) int {
		if d := a.Cylinder - b.Cylinder; d != 0 {
			return d
		}
		return a.Head - b.Head
	})
	return out
}
