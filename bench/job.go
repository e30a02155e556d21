package bench

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"remanence/disk"
	"remanence/internal/progress"
)

// Attempts is how often a track is formatted, written and read before it is given up.
const Attempts = 3

// WriteOptions say how a disk is written.
type WriteOptions struct {
	ReplaceMark byte // FA and F9 are written as this where the device cannot write them; 0: that is an error
	Log         *RunLog
	Progress    progress.Progress
}

// TrackState is what the job knows of one track.
type TrackState struct {
	Cylinder int    `json:"cylinder"`
	Head     int    `json:"head"`
	Verified bool   `json:"verified"`
	Attempts int    `json:"attempts"`
	Resumed  bool   `json:"resumed,omitempty"` // found right on the disk from an earlier run
	Why      string `json:"why,omitempty"`

	margin float64 // least of its sectors, 0..1; 1 where the device measures none
	told   bool    // the device measured it
}

// WriteReport is what came of writing a disk.
type WriteReport struct {
	Device    string       `json:"device"`
	Recording string       `json:"recording"`
	Cylinders int          `json:"cylinders"`
	Sides     int          `json:"sides"`
	SHA256    string       `json:"sha256"` // of the raw image
	Tracks    int          `json:"tracks"`
	Verified  int          `json:"tracks-verified"`
	Sectors   int          `json:"sectors"`
	Replaced  int          `json:"marks-replaced"`
	Failed    []TrackState `json:"failed"`
	Resumed   int          `json:"tracks-resumed"`
	Whole     bool         `json:"verified"` // every track was read back and compared

	// Margin is the least one measured on a verified track, in per cent of the half window; nil where the device tells none.
	Margin *float64 `json:"least-margin-percent,omitempty"`
}

// WriteDisk formats, writes and verifies a disk track by track. A track is called verified only when every sector of it
// was read back from the disk with its identifier, mark and data. The log gets a line before a track is touched and one
// after; a later run with the same log finds verified tracks, reads them again, and writes only what is not right.
func WriteDisk(ctx context.Context, dev Device, im *disk.Image, rec *disk.Recording, c *Combination, o WriteOptions) (*WriteReport, error) {
	p := progress.Or(o.Progress)
	sum := sha256.Sum256(im.Data)
	r := &WriteReport{Device: dev.Name(), Recording: rec.Name, Cylinders: rec.Cylinders, Sides: rec.Sides, SHA256: hex.EncodeToString(sum[:]), Failed: []TrackState{}}
	g := &im.Geometry
	p.Start("write", g.Cylinders*g.Heads)
	defer p.Done()
	key := fmt.Sprintf("%s %s", r.SHA256, rec.Reference())
	// Everything that the device cannot express is found before the first track is touched.
	for cyl := range g.Cylinders {
		for h := range g.Heads {
			t := TrackOf(im, rec, cyl, h, c)
			r.Replaced += replaceMarks(t, o.ReplaceMark)
			for i := range t.Sectors {
				if s := &t.Sectors[i]; s.Status == disk.Bad {
					return r, fmt.Errorf("cylinder %d head %d sector %d: is bad in the image (%s); nothing can be verified against it: %w", cyl, h, s.ID.Sector, s.Why, ErrUnable)
				}
			}
			if err := dev.Unable(t); err != nil {
				return r, fmt.Errorf("cylinder %d head %d: %w: %w", cyl, h, err, ErrUnable)
			}
		}
	}
	for cyl := range g.Cylinders {
		for h := range g.Heads {
			if err := ctx.Err(); err != nil {
				return r, err
			}
			t := TrackOf(im, rec, cyl, h, c)
			replaceMarks(t, o.ReplaceMark)
			st, err := writeTrack(ctx, dev, t, key, o.Log)
			r.Tracks++
			if st.Verified {
				r.Verified++
				r.Sectors += len(t.Sectors)
				r.margin(st)
				if st.Resumed {
					r.Resumed++
				}
			} else {
				r.Failed = append(r.Failed, st)
			}
			if err != nil {
				return r, fmt.Errorf("cylinder %d head %d: %w", cyl, h, err)
			}
			p.Step(1, fmt.Sprintf("cylinder %d head %d: %s", cyl, h, word(st)))
		}
	}
	r.Whole = r.Verified == g.Cylinders*g.Heads
	return r, nil
}

// margin takes note of a verified track's margin.
func (r *WriteReport) margin(st TrackState) {
	if m := round(100*st.margin, 1); st.told && (r.Margin == nil || m < *r.Margin) {
		r.Margin = &m
	}
}

func word(s TrackState) string {
	if s.Verified {
		return "verified"
	}
	return s.Why
}

// replaceMarks puts F8 (or what is given) where a mark is meant that the controller cannot write.
func replaceMarks(t *Track, with byte) int {
	n := 0
	for i := range t.Sectors {
		if m := t.Sectors[i].Mark; with != 0 && (m == disk.MarkUserA || m == disk.MarkUser9) {
			t.Sectors[i].Mark = with
			n++
		}
	}
	return n
}

// writeTrack brings one track onto the disk. The error is one that ends the job.
func writeTrack(ctx context.Context, dev Device, t *Track, key string, log *RunLog) (TrackState, error) {
	st := TrackState{Cylinder: t.Cylinder, Head: t.Head}
	if log.Verified(key, t.Cylinder, t.Head) {
		if why, err := st.verify(ctx, dev, t); err != nil && Fatal(err) {
			st.Why = err.Error()
			return st, err
		} else if why == "" && err == nil {
			st.Verified, st.Resumed = true, true
			return st, log.Add(Entry{Key: key, Device: dev.Name(), Cylinder: t.Cylinder, Head: t.Head, State: StateVerified, Why: "found right from an earlier run"})
		}
	}
	for st.Attempts < Attempts {
		st.Attempts++
		if err := log.Add(Entry{Key: key, Device: dev.Name(), Cylinder: t.Cylinder, Head: t.Head, State: StateBegun}); err != nil {
			return st, err
		}
		err := dev.Format(ctx, t)
		if err == nil {
			err = dev.Write(ctx, t)
		}
		why := ""
		if err == nil {
			why, err = st.verify(ctx, dev, t)
		}
		if err == nil && why == "" {
			st.Verified, st.Why = true, ""
			return st, log.Add(Entry{Key: key, Device: dev.Name(), Cylinder: t.Cylinder, Head: t.Head, State: StateVerified})
		}
		if err != nil {
			why = err.Error()
		}
		state := StateFailed
		if errors.Is(err, context.Canceled) {
			state, why = StateStopped, "stopped by a person"
		}
		st.Why = why
		lerr := log.Add(Entry{Key: key, Device: dev.Name(), Cylinder: t.Cylinder, Head: t.Head, State: state, Why: why})
		if err != nil && Fatal(err) {
			return st, err
		}
		if lerr != nil {
			return st, lerr
		}
	}
	return st, nil
}

// verify reads a track and says what differs from what it should be; "" where nothing does.
func (st *TrackState) verify(ctx context.Context, dev Device, t *Track) (string, error) {
	st.margin, st.told = 1, false
	got, err := dev.Read(ctx, t)
	if err != nil {
		return "", err
	}
	if len(got) != len(t.Sectors) {
		return fmt.Sprintf("%d sectors came back of %d", len(got), len(t.Sectors)), nil
	}
	for i := range t.Sectors {
		w, g := &t.Sectors[i], &got[i]
		switch {
		case g.Status != disk.Good:
			return fmt.Sprintf("sector %d: %s", w.ID.Sector, g.Why), nil
		case g.ID != w.ID:
			return fmt.Sprintf("sector %d: identifier %s came back, want %s", w.ID.Sector, g.ID, w.ID), nil
		case w.Mark != 0 && g.Mark != w.Mark:
			return fmt.Sprintf("sector %d: mark %02X came back, want %02X", w.ID.Sector, g.Mark, w.Mark), nil
		case w.Mark != 0 && !bytes.Equal(g.Data, w.Data):
			return fmt.Sprintf("sector %d: other data came back", w.ID.Sector), nil
		case g.Margin >= 0:
			st.margin, st.told = min(st.margin, g.Margin), true
		}
	}
	return "", nil
}

// ReadDisk reads a disk into an image. A track that does not read whole is tried again; what stays lost is noted.
func ReadDisk(ctx context.Context, dev Device, rec *disk.Recording, c *Combination, log *RunLog, p progress.Progress) (*disk.Image, int, error) {
	p = progress.Or(p)
	im := disk.NewImage(rec)
	lost := 0
	p.Start("read", rec.Cylinders*rec.Sides)
	defer p.Done()
	for cyl := range rec.Cylinders {
		for h := range rec.Sides {
			if err := ctx.Err(); err != nil {
				return im, lost, err
			}
			t := TrackOf(im, rec, cyl, h, c)
			best := make([]disk.Sector, len(t.Sectors))
			for i := range best {
				best[i] = t.Sectors[i]
				best[i].Status, best[i].Why = disk.Bad, "not read"
			}
			var last error
			for range Attempts {
				got, err := dev.Read(ctx, t)
				if err != nil && Fatal(err) {
					return im, lost, fmt.Errorf("cylinder %d head %d: %w", cyl, h, err)
				}
				last = err
				bad := 0
				for i := range best {
					if i < len(got) && best[i].Status != disk.Good && (got[i].Status == disk.Good || got[i].Data != nil) {
						best[i] = got[i]
					} else if i < len(got) && best[i].Status != disk.Good && got[i].Why != "" {
						best[i].Why = got[i].Why
					}
					if best[i].Status != disk.Good {
						bad++
					}
				}
				if bad == 0 {
					break
				}
			}
			bad := 0
			for i := range best {
				s := best[i]
				s.Cylinder, s.Head, s.From = cyl, h, dev.Name()
				if s.Status != disk.Good {
					bad++
					if last != nil {
						s.Why = last.Error()
					}
				}
				if err := im.Put(disk.Place{Cylinder: cyl, Head: h, Sector: int(t.Sectors[i].ID.Sector)}, s); err != nil {
					return im, lost, err
				}
			}
			lost += bad
			if err := log.Add(Entry{Key: "read", Device: dev.Name(), Cylinder: cyl, Head: h, State: map[bool]string{true: StateRead, false: StateFailed}[bad == 0], Why: map[bool]string{false: fmt.Sprintf("%d sectors lost", bad)}[bad == 0]}); err != nil {
				return im, lost, err
			}
			p.Step(1, fmt.Sprintf("cylinder %d head %d: %d lost", cyl, h, bad))
		}
	}
	return im, lost, nil
}

// errLog is an entry that could not be kept; a job does not go on without its log.
var errLog = errors.New("the log could not be written")
