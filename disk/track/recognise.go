package track

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/disk"
)

// Evidence says why a recording was recognised.
type Evidence struct {
	Fits, Sectors, Expected int // sectors that fit it, sectors found, sectors it expects on the tracks that were read
	Assumed                 []string
}

// shapeOf is what can be seen of a track: encoding, transitions a revolution, size and numbers.
type shape struct {
	enc         disk.Encoding
	size, count int
	first       int
	rateKbit    float64 // at 300 rpm: cells are counted by the revolution, not by time
}

// Recognise finds the recording that explains most of what was found. Where none of the list does, one is made up
// from what the tracks show, and the evidence says so; nil where no sector was found at all.
func Recognise(results []*Result, list []*disk.Recording) (*disk.Recording, Evidence) {
	cylinders, sides, found := 0, 0, 0
	for _, r := range results {
		cylinders, sides = max(cylinders, r.Cylinder+1), max(sides, r.Head+1)
		found += len(r.Sectors)
	}
	if found == 0 {
		return nil, Evidence{}
	}
	type score struct {
		rec *disk.Recording
		ev  Evidence
		key float64
	}
	var best *score
	for _, rec := range list {
		fits, expected := 0, 0
		for _, r := range results {
			f := rec.Format(r.Cylinder, r.Head)
			expected += f.Sectors
			fits += fitting(r, f, rec.RPM)
		}
		key := float64(fits) - 0.5*float64(expected-fits) - 0.5*float64(max(found-fits, 0))
		// Equal so far: the one whose usual size is that of the disk.
		if slices.Contains(append([]int{rec.Cylinders}, rec.CylinderChoices...), cylinders) {
			key += 0.3
		}
		if rec.Cylinders == cylinders && rec.Sides == sides {
			key += 0.1
		}
		if fits > 0 && (best == nil || key > best.key) {
			best = &score{rec, Evidence{Fits: fits, Sectors: found, Expected: expected}, key}
		}
	}
	if best != nil && best.ev.Fits*2 >= found {
		rec := best.rec.With(cylinders, sides)
		ev := best.ev
		ev.Assumed = append(ev.Assumed, fmt.Sprintf("recording %s: %d of %d sectors found fit it", rec.Reference(), ev.Fits, ev.Sectors))
		return rec, ev
	}
	rec := makeUp(results, cylinders, sides)
	if rec == nil {
		return nil, Evidence{Sectors: found}
	}
	ev := Evidence{Sectors: found}
	for _, r := range results {
		f := rec.Format(r.Cylinder, r.Head)
		ev.Expected += f.Sectors
		ev.Fits += fitting(r, f, rec.RPM)
	}
	ev.Assumed = append(ev.Assumed, fmt.Sprintf("no known recording fits; %s is described from the tracks themselves: %d of %d sectors fit", rec.Reference(), ev.Fits, ev.Sectors))
	return rec, ev
}

// fitting counts the sectors of a track that f plans: right encoding, density and size, each number once.
func fitting(r *Result, f disk.TrackFormat, rpm float64) int {
	if !densityFits(r, f, rpm) {
		return 0
	}
	var seen [256]bool
	n := 0
	for i := range r.Sectors {
		s := &r.Sectors[i]
		k := int(s.ID.Sector)
		if s.Encoding == f.Encoding && s.ID.Size() == f.Size && k >= f.FirstID && k < f.FirstID+f.Sectors && !seen[k] {
			seen[k] = true
			n++
		}
	}
	return n
}

// densityFits compares cells a revolution where both are known, else the length of a cell, within 15 %.
func densityFits(r *Result, f disk.TrackFormat, rpm float64) bool {
	for _, e := range r.Encodings {
		if e.Encoding != f.Encoding {
			continue
		}
		want := 1e6 / f.RateKbit / 2
		got := e.CellNS
		if r.RevolutionNS > 0 {
			got = e.CellNS / r.RevolutionNS * (60e9 / rpm)
		}
		return math.Abs(got/want-1) < 0.15
	}
	return false
}

// makeUp describes a recording from the commonest shape of track; an odd track 0 becomes a zone.
func makeUp(results []*Result, cylinders, sides int) *disk.Recording {
	count := map[shape]int{}
	var order []shape
	var rpm float64
	for _, r := range results {
		if s, ok := r.shape(); ok {
			if count[s] == 0 {
				order = append(order, s)
			}
			count[s]++
			if rpm == 0 && r.RevolutionNS > 0 {
				rpm = 60e9 / r.RevolutionNS
			}
		}
	}
	if len(order) == 0 {
		return nil
	}
	slices.SortStableFunc(order, func(a, b shape) int { return count[b] - count[a] })
	main := order[0]
	if math.Abs(rpm/360-1) < 0.08 {
		rpm = 360
	} else {
		rpm = 300
	}
	rec := &disk.Recording{
		Name: main.name(), Title: "described from the tracks found", Source: "measured", SizeInches: 5.25, TPI: 48, RPM: rpm,
		Cylinders: cylinders, Sides: sides, Track: main.format(rpm),
	}
	for _, r := range results {
		if s, ok := r.shape(); ok && s != main && r.Cylinder == 0 && (s.enc != main.enc || s.size != main.size) {
			rec.Zones = append(rec.Zones, disk.Zone{Cylinders: []int{0, 0}, Heads: []int{r.Head}, Track: s.format(rpm)})
		}
	}
	return rec
}

func (s shape) name() string { return fmt.Sprintf("%s%dx%d", s.enc, s.count, s.size) }

// shape is the commonest size of a track's sectors and the run of numbers they have.
func (r *Result) shape() (shape, bool) {
	if len(r.Encodings) == 0 {
		return shape{}, false
	}
	e := r.Encodings[0]
	sizes := map[int]int{}
	size := 0
	for i := range r.Sectors {
		if s := &r.Sectors[i]; s.Encoding == e.Encoding && s.ID.Size() > 0 && s.Status != disk.Bad {
			n := s.ID.Size()
			if sizes[n]++; sizes[n] > sizes[size] || sizes[n] == sizes[size] && n < size {
				size = n
			}
		}
	}
	if size == 0 {
		return shape{}, false
	}
	lo, hi := 255, 0
	for i := range r.Sectors {
		if s := &r.Sectors[i]; s.Encoding == e.Encoding && s.ID.Size() == size && s.Status != disk.Bad {
			lo, hi = min(lo, int(s.ID.Sector)), max(hi, int(s.ID.Sector))
		}
	}
	if lo > 1 && lo < 5 {
		lo = 1 // the first sectors of a track may be what is lost
	}
	if hi-lo+1 > 2*sizes[size]+2 {
		return shape{}, false
	}
	cell := e.CellNS
	rate := 1e6 / cell / 2
	for _, k := range []float64{125, 150, 250, 300, 500} {
		if math.Abs(rate/k-1) < 0.09 {
			rate = k
			break
		}
	}
	return shape{e.Encoding, size, hi - lo + 1, lo, math.Round(rate)}, true
}

// format fills a track with a shape; gaps are the usual ones, gap 3 what is left (at most 84 bytes).
func (s shape) format(rpm float64) disk.TrackFormat {
	f := disk.TrackFormat{Encoding: s.enc, RateKbit: s.rateKbit, Sectors: s.count, Size: s.size, FirstID: s.first, Gap1: 16, Gap2: 11, Sync: 6, GapByte: 0xFF, Fill: 0xE5}
	if s.enc == disk.MFM {
		f.Gap1, f.Gap2, f.Sync, f.GapByte = 32, 22, 12, 0x4E
	}
	room := int(s.rateKbit*1000/8*60/rpm) - f.UsedBytes()
	f.Gap3 = min(max(room*9/10/max(s.count, 1), 8), 84)
	return f
}

// String is the evidence in one line.
func (e Evidence) String() string { return strings.Join(e.Assumed, "; ") }
