// Package disk holds the sectors of one disk and what is known of each.
//
// A soft-sectored disk is a stack of concentric tracks. Where the heads stand is a place: cylinder (distance from
// the rim, counted in the medium's own tracks) and head (which surface). What a sector says of itself is another
// matter: its identifier field names a cylinder, a head, a sector number and a length code, and nothing forces them
// to agree with the place. A controller finds a sector by comparing identifiers, so software of the period used odd
// ones on purpose; an archive that keeps only the data in numeric order loses that. This package therefore keeps
// both the place and the identifier, the data mark, the encoding, and how sure the reader was.
//
// A raw sector image holds the data alone: sectors in numeric order, cylinder by cylinder, head 0 then head 1.
// Worked example: in fm10x256 (10 sectors of 256 bytes, one side) sector 3 of cylinder 17 is at byte
// (17*10 + 3)*256 = 44,288.
package disk

import (
	"fmt"
	"strings"
)

// Encoding is how data bits become flux transitions.
type Encoding uint8

const (
	FM  Encoding = 1 + iota // two-frequency: a clock transition in every cell
	MFM                     // a clock transition only between two zeros
)

func (e Encoding) String() string {
	switch e {
	case FM:
		return "fm"
	case MFM:
		return "mfm"
	}
	return "unknown"
}

// ParseEncoding reads the names String gives.
func ParseEncoding(s string) (Encoding, error) {
	switch strings.ToLower(s) {
	case "fm":
		return FM, nil
	case "mfm":
		return MFM, nil
	}
	return 0, fmt.Errorf("encoding %q: want fm or mfm", s)
}

// MarshalText and UnmarshalText let an Encoding stand in TOML and JSON as its name.
func (e Encoding) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads the names MarshalText gives.
func (e *Encoding) UnmarshalText(b []byte) (err error) {
	*e, err = ParseEncoding(string(b))
	return err
}

// Data marks: the byte before a data field. 179x- and 765-class controllers tell only FB from F8; the 1771 writes and
// tells all four (FD1771 data sheet).
const (
	MarkData    = 0xFB // ordinary data
	MarkUserA   = 0xFA // "user" mark of the 1771
	MarkUser9   = 0xF9 // "user" mark of the 1771
	MarkDeleted = 0xF8 // deleted (control) data
)

// SectorID is an identifier field as recorded.
type SectorID struct {
	Cylinder, Head, Sector, SizeCode uint8
}

// MaxSizeCode is the largest length code any controller of the two families takes: 128<<6 = 8192 bytes (D765A).
const MaxSizeCode = 6

// Size is the length of the data field in bytes: 128<<SizeCode. 765- and 179x-class controllers look at the low
// three bits at most; a code above MaxSizeCode gives 0: no field that long fits a track.
func (id SectorID) Size() int {
	if id.SizeCode > MaxSizeCode {
		return 0
	}
	return 128 << id.SizeCode
}

func (id SectorID) String() string {
	return fmt.Sprintf("%02X %02X %02X %02X", id.Cylinder, id.Head, id.Sector, id.SizeCode)
}

// SizeCodeOf gives the length code of a sector size of 128..8192 bytes.
func SizeCodeOf(size int) (uint8, bool) {
	for c := uint8(0); c <= MaxSizeCode; c++ {
		if 128<<c == size {
			return c, true
		}
	}
	return 0, false
}

// Status says how far the data of a sector can be trusted.
type Status uint8

const (
	Good     Status = iota // read with a right CRC
	Repaired               // the CRC is right after uncertain bits were changed, and the report says which
	Doubtful               // data present, but nothing proves it
	Bad                    // data present and known to be wrong, or no data at all
)

var statusNames = [...]string{"good", "repaired", "doubtful", "bad"}

func (s Status) String() string {
	if int(s) < len(statusNames) {
		return statusNames[s]
	}
	return "unknown"
}

// MarshalText lets a Status stand in JSON as its name.
func (s Status) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the names MarshalText gives.
func (s *Status) UnmarshalText(b []byte) error {
	for i, n := range statusNames {
		if n == string(b) {
			*s = Status(i)
			return nil
		}
	}
	return fmt.Errorf("sector status %q: want good, repaired, doubtful or bad", b)
}

// Sector is one sector as found on a track or as meant for one. Faults are kept, not mended.
type Sector struct {
	Cylinder, Head int // physical place
	ID             SectorID
	Encoding       Encoding
	Mark           byte   // data mark as read; 0: an identifier with no data field behind it
	Data           []byte // ID.Size() bytes; shorter or nil where the field is cut short or missing
	Status         Status
	Why            string  // what is wrong, where Status is not Good; names bytes or bits changed by a repair
	Margin         float64 // least distance of a decision from going wrong, 0..1 of the half window; -1 not measured
	Angle          float64 // where the identifier lies, 0..1 of a revolution after the index; -1 not known
	Extent         float64 // length from identifier to the end of data, in revolutions; 0 not known
	Reads          int     // how many reads went into it
	From           string  // provenance: capture, image, merge
}

// Plain reports whether the sector is nothing but what f asks for at this place: no note is lost when only its data
// is kept.
func (s *Sector) Plain(f TrackFormat) bool {
	return s.Status == Good && s.Mark == MarkData && s.Encoding == f.Encoding &&
		int(s.ID.Cylinder) == s.Cylinder && int(s.ID.Head) == s.Head && s.ID.Size() == f.Size && len(s.Data) == f.Size &&
		int(s.ID.Sector) >= f.FirstID && int(s.ID.Sector) < f.FirstID+f.Sectors
}
