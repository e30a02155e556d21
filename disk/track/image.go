package track

import (
	"fmt"
	"slices"

	"remanence/disk"
)

// BadSector is one sector of an image that is not whole.
type BadSector struct {
	Cylinder int    `json:"cylinder"`
	Head     int    `json:"head"`
	Sector   int    `json:"sector"`
	Why      string `json:"why"`
}

// Summary counts the sectors of an image. Good + Damaged + Missing = Expected. Only tracks that were read count.
type Summary struct {
	Recording string      `json:"recording"` // its name
	Cylinders int         `json:"cylinders"`
	Sides     int         `json:"sides"`
	Expected  int         `json:"sectors-expected"`
	Good      int         `json:"sectors-good"`     // those repaired included
	Damaged   int         `json:"sectors-damaged"`  // found, but bad or doubtful
	Missing   int         `json:"sectors-missing"`  // not found at all
	Repaired  int         `json:"sectors-repaired"` // of the good ones
	Doubtful  int         `json:"sectors-doubtful"` // of the damaged ones
	Extra     int         `json:"sectors-extra"`    // found beyond those the image has room for
	Bad       []BadSector `json:"bad"`
}

// Reference is the recording with its size, as fm10x256:40x1.
func (s *Summary) Reference() string {
	return fmt.Sprintf("%s:%dx%d", s.Recording, s.Cylinders, s.Sides)
}

// Whole reports whether every expected sector is there and proven.
func (s *Summary) Whole() bool { return s.Good == s.Expected }

// ToImage files the sectors of scanned tracks in an image of rec. A sector goes to the place of its number; on a
// track whose numbers are odd throughout they go in numeric order. What has no place, a second sector of the same
// number for one, is kept as Extra.
func ToImage(results []*Result, rec *disk.Recording) (*disk.Image, Summary) {
	im := disk.NewImage(rec)
	sum := Summary{Recording: rec.Name, Cylinders: rec.Cylinders, Sides: rec.Sides, Bad: []BadSector{}}
	scanned := map[[2]int]*Result{}
	for _, r := range results {
		if im.Geometry.Has(r.Cylinder, r.Head) {
			scanned[[2]int{r.Cylinder, r.Head}] = r
		} else {
			im.Extra = append(im.Extra, r.Sectors...)
			sum.Extra += len(r.Sectors)
		}
	}
	for c := 0; c < im.Geometry.Cylinders; c++ {
		for h := 0; h < im.Geometry.Heads; h++ {
			f := rec.Format(c, h)
			r := scanned[[2]int{c, h}]
			if r == nil {
				for n := f.FirstID; n < f.FirstID+f.Sectors; n++ {
					missing(im, disk.Place{Cylinder: c, Head: h, Sector: n}, f, "the track was not read")
				}
				continue
			}
			sum.track(im, r, f)
		}
	}
	return im, sum
}

func missing(im *disk.Image, p disk.Place, f disk.TrackFormat, why string) {
	s, ok := im.Sector(p)
	if !ok {
		return
	}
	s.Status, s.Why, s.Mark, s.Data = disk.Bad, why, 0, nil
	_ = im.Put(p, disk.Sector{ID: s.ID, Cylinder: p.Cylinder, Head: p.Head, Encoding: f.Encoding, Status: disk.Bad, Why: why, Margin: -1, Angle: -1, Data: fillOf(f)})
}

func fillOf(f disk.TrackFormat) []byte {
	b := make([]byte, f.Size)
	for i := range b {
		b[i] = byte(f.Fill)
	}
	return b
}

func (sum *Summary) track(im *disk.Image, r *Result, f disk.TrackFormat) {
	placed := make([]*disk.Sector, f.Sectors)
	var extra []*disk.Sector
	shift := oddNumbers(r.Sectors, f)
	for i := range r.Sectors {
		s := &r.Sectors[i]
		k := int(s.ID.Sector) - f.FirstID - shift
		if k < 0 || k >= f.Sectors || !hasID(s) {
			extra = append(extra, s)
			continue
		}
		if placed[k] == nil {
			placed[k] = s
			continue
		}
		if better(s, placed[k], f, r.Sectors) {
			placed[k], s = s, placed[k]
		}
		extra = append(extra, s)
	}
	for k, s := range placed {
		p := disk.Place{Cylinder: r.Cylinder, Head: r.Head, Sector: f.FirstID + k}
		sum.Expected++
		if s == nil {
			why := "not found on the track"
			if len(r.Sectors) == 0 {
				why = "no sectors found on the track"
			}
			missing(im, p, f, why)
			sum.Missing++
			sum.Bad = append(sum.Bad, BadSector{p.Cylinder, p.Head, p.Sector, why})
			continue
		}
		_ = im.Put(p, *s) // the place exists: it is of the image's own format
		switch s.Status {
		case disk.Good:
			sum.Good++
		case disk.Repaired:
			sum.Good++
			sum.Repaired++
		default:
			sum.Damaged++
			if s.Status == disk.Doubtful {
				sum.Doubtful++
			}
			sum.Bad = append(sum.Bad, BadSector{p.Cylinder, p.Head, p.Sector, fmt.Sprintf("%s: %s", s.Status, s.Why)})
		}
	}
	for _, s := range extra {
		im.Extra = append(im.Extra, *s)
		sum.Extra++
	}
}

// hasID is false for a data field that no identifier belongs to.
func hasID(s *disk.Sector) bool {
	return s.ID.Cylinder != 0xFF || s.ID.Head != 0xFF || s.ID.Sector != 0xFF
}

// better decides between two sectors of one number: sound before unsound, the planned size before another, then the
// one that lies between the neighbours it should have, then the one that passed first.
func better(a, b *disk.Sector, f disk.TrackFormat, passing []disk.Sector) bool {
	rank := func(s *disk.Sector) int {
		n := 0
		if s.Status == disk.Good || s.Status == disk.Repaired {
			n += 16
		}
		if s.ID.Size() == f.Size && s.Encoding == f.Encoding {
			n += 8
		}
		if int(s.ID.Cylinder) == s.Cylinder {
			n += 4
		}
		return n + inOrder(s, f, passing)
	}
	return rank(a) > rank(b)
}

// inOrder is how many of a sector's two neighbours on the track are those of the layout.
func inOrder(s *disk.Sector, f disk.TrackFormat, passing []disk.Sector) int {
	order := f.SectorOrder()
	at := slices.Index(order, int(s.ID.Sector))
	n := 0
	for i := range passing {
		if &passing[i] != s || at < 0 {
			continue
		}
		before := passing[(i+len(passing)-1)%len(passing)].ID.Sector
		after := passing[(i+1)%len(passing)].ID.Sector
		if int(before) == order[(at+len(order)-1)%len(order)] {
			n++
		}
		if int(after) == order[(at+1)%len(order)] {
			n++
		}
	}
	return n
}

// oddNumbers is what to take from the numbers of a track none of which is planned, so that they fall into place.
func oddNumbers(sectors []disk.Sector, f disk.TrackFormat) int {
	var n []int
	for i := range sectors {
		s := &sectors[i]
		if s.Encoding != f.Encoding || s.ID.Size() != f.Size || !hasID(s) {
			continue
		}
		if k := int(s.ID.Sector); k >= f.FirstID && k < f.FirstID+f.Sectors {
			return 0
		}
		n = append(n, int(s.ID.Sector))
	}
	if len(n) == 0 {
		return 0
	}
	lo, hi := slices.Min(n), slices.Max(n)
	if hi-lo >= f.Sectors {
		return 0
	}
	return lo - f.FirstID
}
