package bench

import (
	"context"
	"errors"

	"remanence/disk"
)

// Errors that end a job: nothing that is tried again helps until a person has done something.
var (
	ErrWriteProtected = errors.New("the disk is write-protected: uncover the notch, or take another disk")
	ErrNoDisk         = errors.New("no disk, or the door is open: put the disk in and close the door")
	ErrLinkLost       = errors.New("the link to the drive is lost")
	ErrUnable         = errors.New("this drive and driver cannot do it")
)

// Fatal reports whether trying again is pointless.
func Fatal(err error) bool {
	return errors.Is(err, ErrWriteProtected) || errors.Is(err, ErrNoDisk) || errors.Is(err, ErrLinkLost) || errors.Is(err, ErrUnable) ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// Track is one track as it is to be on the disk.
type Track struct {
	Cylinder int              `json:"cylinder"` // the medium's own count
	Head     int              `json:"head"`
	Physical int              `json:"physical"` // where the drive's head stands: cylinder x steps
	Format   disk.TrackFormat `json:"format"`
	RateKbit float64          `json:"select-kbit-s"` // MFM rate to select; FM runs at half
	GapRW    int              `json:"gap-read-write"`
	Sectors  []disk.Sector    `json:"-"` // in the order of the track
}

// Device is a drive with a disk in it. Calls come one at a time.
type Device interface {
	// Name says what it is, for the log.
	Name() string
	// Unable says in words what of a track the device cannot lay down as it is meant; nil if nothing.
	Unable(t *Track) error
	// Format lays down the identifiers of a track. A device that writes whole tracks writes the data as well.
	Format(ctx context.Context, t *Track) error
	// Write fills the data fields.
	Write(ctx context.Context, t *Track) error
	// Read reads the track from the disk itself, never from a memory on the way. Each sector of t comes back with what
	// was read, Bad where it could not be.
	Read(ctx context.Context, t *Track) ([]disk.Sector, error)
	Close() error
}

// TrackOf is a track of an image for a drive that steps so often a cylinder, with the gap 3 that the controller needs.
func TrackOf(im *disk.Image, rec *disk.Recording, cylinder, head int, c *Combination) *Track {
	f := rec.Format(cylinder, head)
	f.Gap3 = max(f.Gap3, c.leastGap3)
	rate := f.RateKbit * c.Settings.RPM / rec.RPM
	t := &Track{Cylinder: cylinder, Head: head, Physical: cylinder * c.Steps, Format: f, RateKbit: mfmRate(f, rate), GapRW: gapRW(f, rec.SizeInches, mfmRate(f, rate))}
	list := im.Track(cylinder, head)
	byNumber := map[uint8]int{}
	for i := range f.Sectors {
		byNumber[uint8(f.FirstID+i)] = i // place in the list, whatever the identifier says
	}
	taken := make([]bool, len(list))
	for _, n := range f.SectorOrder() {
		if i, ok := byNumber[uint8(n)]; ok && i < len(list) {
			t.Sectors = append(t.Sectors, list[i])
			taken[i] = true
		}
	}
	for i := range list {
		if !taken[i] {
			t.Sectors = append(t.Sectors, list[i])
		}
	}
	for i := range t.Sectors {
		s := &t.Sectors[i]
		s.Margin = -1 // that of an earlier reading says nothing about this disk
		if s.Encoding == 0 {
			s.Encoding = f.Encoding
		}
	}
	return t
}

// Recording is a recording of this one track, at the speed of a drive: what package track needs to lay it out.
func (t *Track) Recording(rpm float64) *disk.Recording {
	f := t.Format
	f.RateKbit = t.RateKbit
	if f.Encoding == disk.FM {
		f.RateKbit = t.RateKbit / 2
	}
	return &disk.Recording{Name: "track", Source: "one track of a job", SizeInches: 5.25, TPI: 48, RPM: rpm, Cylinders: t.Cylinder + 1, Sides: t.Head + 1, Track: f}
}
