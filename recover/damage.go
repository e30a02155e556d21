package recover

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/disk/track"
)

// MapSector is one sector of the damage map.
type MapSector struct {
	Cylinder int      `json:"cylinder"`
	Head     int      `json:"head"`
	Sector   int      `json:"sector"`
	Size     int      `json:"size"`
	State    string   `json:"state"`            // good, repaired, doubtful, lost
	Margin   *float64 `json:"margin,omitempty"` // 0..1 of the half window
	Angle    *float64 `json:"angle,omitempty"`  // 0..1 of a revolution after the index
	Extent   float64  `json:"extent"`           // of a revolution
	Assumed  bool     `json:"place-assumed"`    // the angle was not read: it follows from the neighbours or the numbers
	Reads    int      `json:"reads"`
	Why      string   `json:"why,omitempty"`
	From     string   `json:"from,omitempty"`
	Extra    bool     `json:"extra,omitempty"` // beyond what the image has room for
	Encoding string   `json:"encoding"`        // fm, mfm
	ID       string   `json:"identifier"`      // its four bytes in hex
	Mark     string   `json:"mark"`            // data mark in hex; "" where none was found
	Drawn    float64  `json:"drawn-at"`        // 0..1 of a revolution: where the picture has it
}

// MapTrack is one ribbon of the damage map.
type MapTrack struct {
	Cylinder int         `json:"cylinder"`
	Head     int         `json:"head"`
	Good     int         `json:"sectors-good"`
	Repaired int         `json:"sectors-repaired"`
	Doubtful int         `json:"sectors-doubtful"`
	Lost     int         `json:"sectors-lost"`
	Least    *float64    `json:"least-margin,omitempty"`
	Sectors  []MapSector `json:"sectors"` // by angle
	Reads    []TrackRead `json:"reads,omitempty"`
}

// DamageMap says of every place on a disk how sure its contents are.
type DamageMap struct {
	Title     string     `json:"title"`
	Recording string     `json:"recording"`
	Angles    bool       `json:"angles-measured"` // false: no source has angles, sectors are drawn in numeric order
	Good      int        `json:"sectors-good"`    // those repaired not included
	Repaired  int        `json:"sectors-repaired"`
	Doubtful  int        `json:"sectors-doubtful"`
	Lost      int        `json:"sectors-lost"`
	Tracks    []MapTrack `json:"tracks"`
	Reads     []DiskRead `json:"reads,omitempty"` // what each read gives alone; see AddReads
	MoreReads int        `json:"more-reads,omitempty"`
}

// Map is the damage map of the result; before: of what a single plain read gives instead.
func (res *Result) Map(title string, before bool) *DamageMap {
	im, results := res.Best, res.Tracks
	if before {
		results = res.Before
		im, _ = track.ToImage(results, res.Rec)
	}
	return NewMap(title, res.Rec, im, results)
}

// NewMap makes the map of an image whose tracks were read as results say; tracks that were not read are left out.
func NewMap(title string, rec *disk.Recording, im *disk.Image, results []*track.Result) *DamageMap {
	m := &DamageMap{Title: title, Recording: rec.Reference()}
	read := map[[2]int]*track.Result{}
	for _, r := range results {
		read[[2]int{r.Cylinder, r.Head}] = r
	}
	for c := 0; c < im.Geometry.Cylinders; c++ {
		for h := 0; h < im.Geometry.Heads; h++ {
			r := read[[2]int{c, h}]
			if r == nil {
				continue
			}
			t := MapTrack{Cylinder: c, Head: h, Sectors: []MapSector{}}
			shape := im.Geometry.Shape(c, h)
			for i, s := range im.Track(c, h) {
				measured(&s, r)
				t.Sectors = append(t.Sectors, mapSector(&s, shape.FirstID+i, i >= shape.Sectors))
			}
			t.settle()
			for i := range t.Sectors {
				s := &t.Sectors[i]
				if s.Extra {
					continue
				}
				switch s.State {
				case "good":
					t.Good++
				case "repaired":
					t.Repaired++
				case "doubtful":
					t.Doubtful++
				default:
					t.Lost++
				}
				if s.Margin != nil && s.State != "lost" && (t.Least == nil || *s.Margin < *t.Least) {
					t.Least = s.Margin
				}
				m.Angles = m.Angles || s.Angle != nil
			}
			m.Good, m.Repaired, m.Doubtful, m.Lost = m.Good+t.Good, m.Repaired+t.Repaired, m.Doubtful+t.Doubtful, m.Lost+t.Lost
			m.Tracks = append(m.Tracks, t)
		}
	}
	return m
}

// measured adds what the read knew of a sector: an image keeps angle and margin only of those that are not plain. A track
// may have a number twice; then the data tells which is meant.
func measured(s *disk.Sector, r *track.Result) {
	var found *disk.Sector
	for i := range r.Sectors {
		q := &r.Sectors[i]
		if q.ID != s.ID || q.Status != s.Status || q.Encoding != s.Encoding || s.Angle >= 0 && q.Angle != s.Angle {
			continue
		}
		if found == nil {
			found = q
		}
		if bytes.Equal(q.Data, s.Data) {
			found = q
			break
		}
	}
	if found != nil {
		s.Angle, s.Extent, s.Margin, s.Reads, s.From = found.Angle, found.Extent, found.Margin, found.Reads, found.From
	}
}

func mapSector(s *disk.Sector, number int, extra bool) MapSector {
	o := MapSector{Cylinder: s.Cylinder, Head: s.Head, Sector: number, Size: s.ID.Size(), Reads: s.Reads, Why: s.Why, From: s.From, Extent: s.Extent, Extra: extra, Encoding: s.Encoding.String(),
		ID: hex.EncodeToString([]byte{s.ID.Cylinder, s.ID.Head, s.ID.Sector, s.ID.SizeCode})}
	if extra {
		o.Sector = int(s.ID.Sector)
	}
	switch s.Status {
	case disk.Good:
		o.State = "good"
	case disk.Repaired:
		o.State = "repaired"
	case disk.Doubtful:
		o.State = "doubtful"
	default:
		o.State = "lost"
	}
	if s.Mark != 0 {
		o.Mark = fmt.Sprintf("%02X", s.Mark)
	}
	if s.Margin >= 0 {
		v := s.Margin
		o.Margin = &v
	}
	if s.Angle >= 0 {
		v := s.Angle
		o.Angle = &v
		o.Drawn = v
	}
	return o
}

// settle gives every sector a place to be drawn. Those whose angle was not read go, in numeric order, into the gaps
// that the others leave; where no angle at all is known, all lie in numeric order.
func (t *MapTrack) settle() {
	var known, lost []*MapSector
	extent := 0.0
	for i := range t.Sectors {
		s := &t.Sectors[i]
		if s.Angle != nil {
			known = append(known, s)
			extent = max(extent, s.Extent)
		} else {
			lost = append(lost, s)
		}
	}
	if len(known) == 0 {
		n := float64(max(len(t.Sectors), 1))
		for i := range t.Sectors {
			s := &t.Sectors[i]
			s.Drawn, s.Extent, s.Assumed = (float64(i)+0.08)/n, 0.84/n, true
		}
		return
	}
	slices.SortFunc(known, func(a, b *MapSector) int { return cmp.Compare(a.Drawn, b.Drawn) })
	if extent == 0 {
		extent = 0.8 / float64(len(t.Sectors))
	}
	for _, s := range known {
		if s.Extent == 0 {
			s.Extent = extent
		}
	}
	// The gaps, the one across the index last.
	for i, a := range known {
		if len(lost) == 0 {
			break
		}
		next := known[(i+1)%len(known)].Drawn
		if i == len(known)-1 {
			next++
		}
		free := next - a.Drawn - a.Extent
		k := min(int(free/(extent*1.02)), len(lost))
		step := free / float64(max(k, 1))
		for j := range k {
			s := lost[j]
			at := a.Drawn + a.Extent + step*float64(j) + (step-extent)/2
			if at >= 1 {
				at--
			}
			s.Drawn, s.Extent, s.Assumed = at, extent, true
		}
		lost = lost[k:]
	}
	for i, s := range lost { // no room: on top of each other at the end, but still there
		s.Drawn, s.Extent, s.Assumed = max(0, 1-extent*float64(i+1)/4), extent/4, true
	}
	slices.SortStableFunc(t.Sectors, func(a, b MapSector) int { return cmp.Compare(a.Drawn, b.Drawn) })
}

// JSON is the map as a table for programs.
func (m *DamageMap) JSON() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	err := enc.Encode(m)
	return b.Bytes(), err
}

// Text is the map as a table for people: a line a track, then a line for each sector that is not good.
func (m *DamageMap) Text() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n\n", m.Title, m.Caption())
	b.WriteString("cyl head  good repaired doubtful  lost  margin  angle from the index\n")
	for i := range m.Tracks {
		t := &m.Tracks[i]
		margin := "-"
		if t.Least != nil {
			margin = fmt.Sprintf("%.0f %%", *t.Least*100)
		}
		fmt.Fprintf(&b, "%3d %4d %5d %8d %8d %5d %7s  %s\n", t.Cylinder, t.Head, t.Good, t.Repaired, t.Doubtful, t.Lost, margin, strings.TrimRight(t.ribbon().Line(0, 1, 48), " "))
	}
	b.WriteString("\n# * + = - : . margin from ample to none; ~ repaired, ? doubtful, x lost\n")
	any := false
	for i := range m.Tracks {
		for _, s := range m.Tracks[i].Sectors {
			if s.State == "good" {
				continue
			}
			if !any {
				b.WriteString("\n")
				any = true
			}
			fmt.Fprintf(&b, "cylinder %d head %d sector %d: %s: %s\n", s.Cylinder, s.Head, s.Sector, s.State, s.Why)
		}
	}
	return []byte(b.String())
}

// Caption is the map in one line.
func (m *DamageMap) Caption() string {
	total := m.Good + m.Repaired + m.Doubtful + m.Lost
	s := fmt.Sprintf("%s: %d of %d sectors good", m.Recording, m.Good, total)
	for _, p := range []struct {
		n    int
		what string
	}{{m.Repaired, "repaired"}, {m.Doubtful, "doubtful"}, {m.Lost, "lost"}} {
		if p.n > 0 {
			s += fmt.Sprintf(", %d %s", p.n, p.what)
		}
	}
	return s
}
