package disk

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// TrackFormat is what is written on one track: sectors, numbers, marks and gaps. Lengths are in bytes.
//
// Around the track: Gap0, sync, index mark (these three only where IndexMark is set), Gap1, then for each sector
// sync, ID mark, 4 ID bytes, CRC, Gap2, sync, data mark, data, CRC, Gap3; what is left to the index is gap 4.
type TrackFormat struct {
	Encoding  Encoding `toml:"encoding"`
	RateKbit  float64  `toml:"rate-kbit-s"`          // data rate at the recording's rpm
	Sectors   int      `toml:"sectors"`              // sectors on the track
	Size      int      `toml:"size"`                 // bytes in a data field: 128, 256, ... 8192
	FirstID   int      `toml:"first-id"`             // lowest sector number
	Order     []int    `toml:"order,omitempty"`      // sector numbers as they pass the head; empty: ascending
	IndexMark bool     `toml:"index-mark,omitempty"` // Gap0, sync, index mark before Gap1
	Gap0      int      `toml:"gap0,omitempty"`
	Gap1      int      `toml:"gap1"`
	Gap2      int      `toml:"gap2"`
	Gap3      int      `toml:"gap3"`
	Sync      int      `toml:"sync"`     // zero bytes before a mark: 6 FM, 12 MFM
	GapByte   int      `toml:"gap-byte"` // FF FM, 4E MFM
	Fill      int      `toml:"fill"`     // byte an empty data field holds
}

// MarkBytes is the length of an address mark: 1 byte in FM; three A1 (or C2) and the mark in MFM.
func (f TrackFormat) MarkBytes() int {
	if f.Encoding == MFM {
		return 4
	}
	return 1
}

// PreambleBytes is the length from the index to the sync of the first identifier.
func (f TrackFormat) PreambleBytes() int {
	n := f.Gap1
	if f.IndexMark {
		n += f.Gap0 + f.Sync + f.MarkBytes()
	}
	return n
}

// SectorBytes is the length of one sector with its gap 3: 33 + data + gap 3 in FM, 62 + data + gap 3 in MFM with the
// usual sync and gap 2 (FD179x data sheet).
func (f TrackFormat) SectorBytes() int {
	return 2*(f.Sync+f.MarkBytes()) + 4 + 2 + f.Gap2 + f.Size + 2 + f.Gap3
}

// UsedBytes is the length from the index to the end of the last gap 3.
func (f TrackFormat) UsedBytes() int { return f.PreambleBytes() + f.Sectors*f.SectorBytes() }

// SectorOrder is the sector numbers as they pass the head.
func (f TrackFormat) SectorOrder() []int {
	if len(f.Order) > 0 {
		return f.Order
	}
	o := make([]int, f.Sectors)
	for i := range o {
		o[i] = f.FirstID + i
	}
	return o
}

// Validate says what is impossible about f, nil if nothing.
func (f TrackFormat) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if f.Encoding != FM && f.Encoding != MFM {
		bad("encoding: want fm or mfm")
	}
	if _, ok := SizeCodeOf(f.Size); !ok {
		bad("size %d: want 128, 256, 512, ... 8192", f.Size)
	}
	if f.Sectors < 1 || f.Sectors > 128 {
		bad("sectors %d: want 1..128", f.Sectors)
	}
	if f.FirstID < 0 || f.FirstID+f.Sectors > 256 {
		bad("first-id %d with %d sectors: numbers must lie in 0..255", f.FirstID, f.Sectors)
	}
	if !(f.RateKbit > 0 && f.RateKbit <= 2000) {
		bad("rate-kbit-s %v: want more than 0, at most 2000", f.RateKbit)
	}
	if len(f.Order) > 0 {
		want := make([]int, max(f.Sectors, 0))
		for i := range want {
			want[i] = f.FirstID + i
		}
		got := slices.Clone(f.Order)
		slices.Sort(got)
		if !slices.Equal(got, want) {
			bad("order: must name each sector %d..%d once", f.FirstID, f.FirstID+f.Sectors-1)
		}
	}
	for _, g := range []struct {
		name string
		n    int
	}{{"gap0", f.Gap0}, {"gap1", f.Gap1}, {"gap2", f.Gap2}, {"gap3", f.Gap3}, {"sync", f.Sync}} {
		if g.n < 0 || g.n > 2000 {
			bad("%s %d: want 0..2000 bytes", g.name, g.n)
		}
	}
	for _, b := range []struct {
		name string
		n    int
	}{{"gap-byte", f.GapByte}, {"fill", f.Fill}} {
		if b.n < 0 || b.n > 255 {
			bad("%s %d: want a byte", b.name, b.n)
		}
	}
	return errors.Join(errs...)
}

// Zone is a run of tracks whose format differs from the rest, such as an FM track 00.
type Zone struct {
	Cylinders []int       `toml:"cylinders"` // first and last, inclusive
	Heads     []int       `toml:"heads"`     // which sides; empty: both
	Track     TrackFormat `toml:"track"`
}

// Recording is a disk recording format.
type Recording struct {
	Name            string      `toml:"name"`
	Title           string      `toml:"title"`
	Source          string      `toml:"source"` // standard or data sheet; "from memory" where nothing better was seen
	SizeInches      float64     `toml:"size-inches"`
	TPI             int         `toml:"tpi"`
	RPM             float64     `toml:"rpm"`
	Cylinders       int         `toml:"cylinders"` // the usual number
	Sides           int         `toml:"sides"`
	CylinderChoices []int       `toml:"cylinder-choices,omitempty"` // other numbers in use
	SideChoices     []int       `toml:"side-choices,omitempty"`
	Track           TrackFormat `toml:"track"`
	Zones           []Zone      `toml:"zone,omitempty"`
}

// Format is the track format at a place; the first zone that holds it wins.
func (r *Recording) Format(cylinder, head int) TrackFormat {
	for i := range r.Zones {
		z := &r.Zones[i]
		if cylinder >= z.Cylinders[0] && cylinder <= z.Cylinders[1] && (len(z.Heads) == 0 || slices.Contains(z.Heads, head)) {
			return z.Track
		}
	}
	return r.Track
}

// TrackBytes is how many bytes one revolution holds at the nominal speed.
func (r *Recording) TrackBytes(f TrackFormat) float64 { return f.RateKbit * 1000 / 8 * 60 / r.RPM }

// RevolutionNS is the nominal time of one revolution.
func (r *Recording) RevolutionNS() float64 { return 60e9 / r.RPM }

// With is the same recording with other numbers of cylinders and sides; 0 keeps what it has.
func (r *Recording) With(cylinders, sides int) *Recording {
	c := *r
	if cylinders > 0 {
		c.Cylinders = cylinders
	}
	if sides > 0 {
		c.Sides = sides
	}
	return &c
}

// Geometry is the shape of a raw sector image of this recording.
func (r *Recording) Geometry() Geometry {
	g := Geometry{Cylinders: r.Cylinders, Heads: r.Sides}
	for c := 0; c < r.Cylinders; c++ {
		for h := 0; h < r.Sides; h++ {
			f := r.Format(c, h)
			g.tracks = append(g.tracks, TrackShape{f.Sectors, f.Size, f.FirstID, f.Encoding})
		}
	}
	g.index()
	return g
}

// String is the name with the size, where that differs from the usual: fm10x256:35x1.
func (r *Recording) String() string { return r.Name }

// Reference is a name that ParseReference takes back: name:cylinders x sides.
func (r *Recording) Reference() string { return fmt.Sprintf("%s:%dx%d", r.Name, r.Cylinders, r.Sides) }

// ParseReference splits NAME or NAME:CYLINDERSxSIDES; 0 where a number is not given.
func ParseReference(s string) (name string, cylinders, sides int, err error) {
	name, rest, found := strings.Cut(s, ":")
	if !found {
		return name, 0, 0, nil
	}
	a, b, two := strings.Cut(rest, "x")
	cylinders, err = strconv.Atoi(a)
	if err == nil && two {
		sides, err = strconv.Atoi(b)
	}
	if err != nil || cylinders < 1 || cylinders > MaxCylinders || two && (sides < 1 || sides > 2) {
		return "", 0, 0, fmt.Errorf("recording %q: want NAME or NAME:CYLINDERSxSIDES, as fm10x256:35x1", s)
	}
	return name, cylinders, sides, nil
}

// Validate says what is impossible about r, nil if nothing.
func (r *Recording) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if r.Name == "" || strings.ContainsAny(r.Name, ": \t/\\") {
		bad("name %q: want a word without blanks, colons or slashes", r.Name)
	}
	if r.Source == "" {
		bad("source: say where the figures come from")
	}
	if r.Cylinders < 1 || r.Cylinders > MaxCylinders {
		bad("cylinders %d: want 1..%d", r.Cylinders, MaxCylinders)
	}
	if r.Sides < 1 || r.Sides > 2 {
		bad("sides %d: want 1 or 2", r.Sides)
	}
	if !(r.RPM >= 100 && r.RPM <= 1000) {
		bad("rpm %v: want 100..1000", r.RPM)
	}
	if r.TPI < 10 || r.TPI > 1000 {
		bad("tpi %d: want 10..1000", r.TPI)
	}
	check := func(where string, f TrackFormat) {
		if err := f.Validate(); err != nil {
			bad("%s: %w", where, err)
			return
		}
		if cap := int(math.Floor(r.TrackBytes(f))); f.UsedBytes()-f.Gap3 > cap {
			bad("%s: needs %d bytes of a track of %d", where, f.UsedBytes()-f.Gap3, cap)
		}
	}
	if r.RPM > 0 {
		check("track", r.Track)
		for i, z := range r.Zones {
			if len(z.Cylinders) != 2 || z.Cylinders[0] < 0 || z.Cylinders[1] < z.Cylinders[0] {
				bad("zone %d: cylinders: want [first, last]", i+1)
				continue
			}
			check(fmt.Sprintf("zone %d", i+1), z.Track)
		}
	}
	return errors.Join(errs...)
}
