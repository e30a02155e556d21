package bench

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/internal/words"
)

// Looker is a device that can say what is on a track without being told what to expect.
type Looker interface {
	Look(ctx context.Context, t *Track) (*Seen, error)
}

// Seen is what a device made out on a track whose recording it was not told.
type Seen struct {
	Cylinder    int           `json:"cylinder"` // where it looked
	Head        int           `json:"head"`
	Encoding    disk.Encoding `json:"encoding,omitempty"`    // 0 where no identifier was found
	RateKbit    float64       `json:"rate-kbit-s,omitempty"` // data rate in this drive
	SectorBytes int           `json:"sector-bytes,omitempty"`
	Sectors     int           `json:"sectors,omitempty"`     // on the track; 0: not known
	Says        int           `json:"id-cylinder"`           // cylinder that the identifiers name
	Transitions int           `json:"transitions,omitempty"` // a revolution has; 0: none, or the device counts none
	Counted     bool          `json:"transitions-counted,omitempty"`
	Recordings  []string      `json:"recordings,omitempty"` // that have such a track
}

// SeenOf makes a Seen of identifiers.
func SeenOf(t *Track, e disk.Encoding, rateKbit float64, ids []disk.SectorID) *Seen {
	s := &Seen{Cylinder: t.Cylinder, Head: t.Head, Encoding: e, RateKbit: round(rateKbit, 1)}
	if len(ids) == 0 {
		return s
	}
	least, most := ids[0].Sector, ids[0].Sector
	for _, id := range ids {
		least, most = min(least, id.Sector), max(most, id.Sector)
	}
	s.SectorBytes, s.Sectors, s.Says = ids[0].Size(), int(most-least)+1, int(ids[0].Cylinder)
	return s
}

// Look finds out what is on a disk of which nothing was read as rec: on its second cylinder, for the first often differs,
// then on its first. nil where the device cannot say.
func Look(ctx context.Context, dev Device, rec *disk.Recording, c *Combination, known []*disk.Recording) *Seen {
	l, ok := dev.(Looker)
	if !ok {
		return nil
	}
	var seen *Seen
	for _, cyl := range []int{min(1, rec.Cylinders-1), 0} {
		s, err := l.Look(ctx, TrackOf(disk.NewImage(rec), rec, cyl, 0, c))
		if err != nil || s == nil {
			return seen
		}
		if seen == nil || s.Encoding != 0 {
			seen = s
		}
		if s.Encoding != 0 {
			break
		}
	}
	seen.match(rec, c, known)
	return seen
}

// match names the recordings that have such a track; where none has so many sectors, those that have others.
func (s *Seen) match(rec *disk.Recording, c *Combination, known []*disk.Recording) {
	s.Recordings = nil // another computer's own words do not reach a command
	if s.SectorBytes == 0 {
		return
	}
	for _, n := range []int{s.Sectors, 0} {
		for _, r := range known {
			f := r.Format(s.Cylinder, s.Head)
			if r.SizeInches == rec.SizeInches && f.Encoding == s.Encoding && f.Size == s.SectorBytes && (n == 0 || f.Sectors == n) &&
				near(s.RateKbit, f.RateKbit*c.Settings.RPM/r.RPM, 0.1) && !slices.Contains(s.Recordings, r.Name) {
				s.Recordings = append(s.Recordings, r.Name)
			}
		}
		if len(s.Recordings) > 0 {
			return
		}
	}
}

// String says it in a sentence.
func (s *Seen) String() string {
	at := fmt.Sprintf("cylinder %d head %d", s.Cylinder, s.Head)
	switch {
	case s.Encoding != 0 && s.SectorBytes > 0:
		out := fmt.Sprintf("On %s there seem to be %s of %d bytes in %s at %g kbit/s", at, words.Count(s.Sectors, "sector"), s.SectorBytes, strings.ToUpper(s.Encoding.String()), s.RateKbit)
		if s.Says != s.Cylinder {
			out += fmt.Sprintf("; their identifiers say cylinder %d: the disk has another number of tracks to the inch, or its own count", s.Says)
		}
		return out + "."
	case s.Encoding != 0:
		return fmt.Sprintf("On %s there is a recording in %s at %g kbit/s, of which no sector reads.", at, strings.ToUpper(s.Encoding.String()), s.RateKbit)
	case s.Counted && s.Transitions == 0:
		return "On " + at + " there is no recording at all: the disk is blank, or does not lie at the head."
	case s.Counted:
		return fmt.Sprintf("On %s there are %d transitions a turn, and no address mark of FM or MFM: an erased disk's noise, or a recording of another sort.", at, s.Transitions)
	}
	return "On " + at + " the controller finds no identifier, in FM or MFM, at any rate it has: the disk is blank, or of a sort that it cannot read."
}
