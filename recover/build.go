package recover

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/internal/outcome"
)

// build settles the recording and files the sectors in an image.
func (res *Result) build(o *Options) error {
	rec := o.Recording
	if rec == nil {
		var ev track.Evidence
		if rec, ev = track.Recognise(res.Tracks, o.Recordings); rec == nil {
			return outcome.As(outcome.Input, errors.New("sectors were found, but no two of a size: no image can be made of them; --sectors keeps them"))
		}
		res.Assumed = append(res.Assumed, ev.Assumed...)
		rec = res.zones(rec)
	} else if !o.Sized {
		cylinders, sides := 0, 0
		for _, t := range res.Tracks {
			cylinders, sides = max(cylinders, t.Cylinder+1), max(sides, t.Head+1)
		}
		rec = rec.With(cylinders, sides)
	}
	res.Rec = rec
	res.Best, res.Summary = track.ToImage(res.Tracks, rec)
	if res.Bad == nil {
		res.Bad = []track.BadSector{}
	}
	return nil
}

// shape is what most sectors of a track have in common.
type shape struct {
	enc                 disk.Encoding
	size, first, number int
}

// shapeOf gives the shape of a track; false where it has none to speak of.
func shapeOf(r *track.Result) (shape, bool) {
	type kind struct {
		enc  disk.Encoding
		size int
	}
	n := map[kind]int{}
	best := kind{}
	for i := range r.Sectors {
		s := &r.Sectors[i]
		if k := (kind{s.Encoding, s.ID.Size()}); s.Status != disk.Bad && k.size > 0 {
			if n[k]++; n[k] > n[best] {
				best = k
			}
		}
	}
	if n[best] < 3 {
		return shape{}, false
	}
	lo, hi := 255, 0
	for i := range r.Sectors {
		if s := &r.Sectors[i]; s.Status != disk.Bad && s.Encoding == best.enc && s.ID.Size() == best.size {
			lo, hi = min(lo, int(s.ID.Sector)), max(hi, int(s.ID.Sector))
		}
	}
	if hi-lo+1 > n[best]+n[best]/2+1 {
		return shape{}, false
	}
	return shape{best.enc, best.size, lo, hi - lo + 1}, true
}

// zones describes tracks that the recording does not fit but that have a shape of their own: a disk of which some
// cylinders are recorded otherwise. Their sectors would else have no place in the image.
func (res *Result) zones(rec *disk.Recording) *disk.Recording {
	type odd struct {
		cyl, head int
		s         shape
	}
	var odds []odd
	for _, r := range res.Tracks {
		f := rec.Format(r.Cylinder, r.Head)
		fits := 0
		for i := range r.Sectors {
			s := &r.Sectors[i]
			if n := int(s.ID.Sector); s.Encoding == f.Encoding && s.ID.Size() == f.Size && n >= f.FirstID && n < f.FirstID+f.Sectors {
				fits++
			}
		}
		s, ok := shapeOf(r)
		if !ok || fits*2 >= len(r.Sectors) || s.enc == f.Encoding && s.size == f.Size && s.number <= f.Sectors {
			continue // odd numbers alone are kept by the sidecar
		}
		odds = append(odds, odd{r.Cylinder, r.Head, s})
	}
	if len(odds) == 0 {
		return rec
	}
	out := *rec
	out.Zones = nil
	slices.SortFunc(odds, func(a, b odd) int { return cmp.Or(cmp.Compare(a.head, b.head), cmp.Compare(a.cyl, b.cyl)) })
	name := rec.Name
	for i := 0; i < len(odds); {
		k := i + 1
		for k < len(odds) && odds[k].head == odds[i].head && odds[k].s == odds[i].s && odds[k].cyl == odds[k-1].cyl+1 {
			k++
		}
		s := odds[i].s
		f := disk.TrackFormat{Encoding: s.enc, RateKbit: rec.Track.RateKbit, Sectors: s.number, Size: s.size, FirstID: s.first,
			Gap1: 16, Gap2: 11, Gap3: 10, Sync: 6, GapByte: 0xFF, Fill: 0xE5}
		switch {
		case s.enc == disk.MFM:
			f.Gap1, f.Gap2, f.Sync, f.GapByte = 32, 22, 12, 0x4E
			if rec.Track.Encoding == disk.FM {
				f.RateKbit *= 2
			}
		case rec.Track.Encoding == disk.MFM:
			f.RateKbit /= 2
		}
		out.Zones = append(out.Zones, disk.Zone{Cylinders: []int{odds[i].cyl, odds[k-1].cyl}, Heads: []int{odds[i].head}, Track: f})
		res.Assumed = append(res.Assumed, fmt.Sprintf("cylinders %d to %d, head %d, are recorded otherwise: %s, %d sectors of %d bytes from number %d",
			odds[i].cyl, odds[k-1].cyl, odds[i].head, s.enc, s.number, s.size, s.first))
		if add := fmt.Sprintf("+%s%dx%d", s.enc, s.number, s.size); !slices.Contains([]string{rec.Name + add}, name) {
			name = rec.Name + add
		}
		i = k
	}
	out.Name = name
	out.Source = "described from the tracks found"
	out.Zones = append(out.Zones, rec.Zones...)
	return &out
}
