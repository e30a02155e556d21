package kernel

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/internal/progress"
	"remanence/machine"
)

// Found is what a check of a controller and its drive found. Figures are 0 where they could not be measured.
type Found struct {
	RPM       float64 `json:"rpm,omitempty"`
	RPMSpread float64 `json:"rpm-spread,omitempty"` // standard deviation of single turns, in rpm
	Turns     int     `json:"turns,omitempty"`      // that the two are from

	FM    string `json:"fm"` // yes, no, unsure
	FMWhy string `json:"fm-why,omitempty"`

	// Data marks of FM sectors that are read, and those of them that are told from FB. nil: not known.
	ReadsMarks []int `json:"reads-marks,omitempty"`
	TellsMarks []int `json:"tells-marks,omitempty"`

	// LeastGap3 is the gap 3, in bytes, from which on every sector survives what is written beside it, in each encoding.
	LeastGap3 int `json:"least-gap3,omitempty"`

	// BlindUS is the time after the index from which on identifiers are seen. BlindAboveUS is the latest at which one
	// was laid down and not seen; 0 where all were. BlindErrUS is how well those times are known.
	BlindUS      float64 `json:"blind-us,omitempty"`
	BlindAboveUS float64 `json:"blind-above-us,omitempty"`
	BlindErrUS   float64 `json:"blind-error-us,omitempty"`
	// FirstUS is where FORMAT puts its first identifier, which is seen: the blind time is not longer.
	FirstUS float64 `json:"first-us,omitempty"`
}

// Findings are the keys of bench.toml that f gives, of the drive and of its controller. What could not be told leaves
// the file as it is: "unsure" does not take the place of what was once found.
func (f *Found) Findings(k *machine.Controller) (drive, controller []bench.Finding) {
	if f.RPM > 0 {
		drive = append(drive, bench.Finding{Key: "measured-rpm", Value: fmt.Sprintf("%.1f", f.RPM)},
			bench.Finding{Key: "measured-rpm-spread", Value: fmt.Sprintf("%.2f", f.RPMSpread)})
	}
	if f.FM == "yes" || f.FM == "no" {
		controller = append(controller, bench.Finding{Key: "fm", Value: fmt.Sprintf("%q", f.FM)})
	}
	if f.ReadsMarks != nil {
		controller = append(controller, bench.Finding{Key: "reads-marks", Value: list(f.ReadsMarks)}, bench.Finding{Key: "tells-marks", Value: list(f.TellsMarks)})
	}
	switch {
	case f.BlindUS > 0:
		controller = append(controller, bench.Finding{Key: "blind-us", Value: fmt.Sprintf("%.0f", math.Ceil(f.BlindUS+f.BlindErrUS))})
	case f.FirstUS > 0 && f.FirstUS < k.BlindUS: // a bound, and better than what the profile says
		controller = append(controller, bench.Finding{Key: "blind-us", Value: fmt.Sprintf("%.0f", math.Ceil(f.FirstUS))})
	}
	if f.LeastGap3 > 0 {
		controller = append(controller, bench.Finding{Key: "least-gap3", Value: fmt.Sprint(f.LeastGap3)})
	}
	return drive, controller
}

// list is marks as TOML has them.
func list(marks []int) string {
	var w []string
	for _, m := range marks {
		w = append(w, fmt.Sprintf("0x%02X", m))
	}
	return "[" + strings.Join(w, ", ") + "]"
}

// Test is one thing that was tried.
type Test struct {
	Name    string
	OK      bool
	Unknown bool // nothing could be told; OK is false
	Why     string
}

// CheckOptions say what is tried.
type CheckOptions struct {
	Recordings []*disk.Recording
	Drive      *machine.Drive
	Now        func() time.Time // the clock that the speed is measured by
	Progress   progress.Progress
}

// check is one run of Check.
type check struct {
	d     *Drive
	ctx   context.Context
	o     CheckOptions
	f     *Found
	tests []Test
	rate  float64 // the lowest rate to select at which MFM came back; 0: none
	place int     // cylinder on which it did
	turn  float64 // seconds
}

// places are the cylinders where tracks are laid down: two, because one spot of a disk proves nothing about a controller.
func (c *check) places() []int { return []int{1, min(20, c.o.Drive.Cylinders-1)} }

// Check tries on a scratch disk what the drive, the controller and its board can do: rates, the given recordings, FM,
// marks, the least gap 3, the blind time after the index, and the speed. The error is one that ends it; what was found
// until then is given all the same.
//
// A failure of another kind than the one in question is no answer to it: what bench.toml would keep is unknown then.
func (d *Drive) Check(ctx context.Context, o CheckOptions) (*Found, []Test, error) {
	c := &check{d: d, ctx: ctx, o: o, f: &Found{FM: "unsure"}}
	p := progress.Or(o.Progress)
	parts := []struct {
		name string
		do   func() error
	}{{"rates and speed", c.rates}, {"recordings", c.recordings}, {"FM", c.fm}, {"marks", c.marks}, {"gap 3", c.gaps}, {"index gap", c.index}}
	p.Start("check", len(parts))
	defer p.Done()
	c.say("raw commands of the driver", d.Raw, "%s", map[bool]string{false: needRaw}[d.Raw])
	for _, part := range parts {
		if err := part.do(); err != nil {
			return c.f, c.tests, fmt.Errorf("%s: %w", part.name, err)
		}
		p.Step(1, part.name)
	}
	return c.f, c.tests, nil
}

func (c *check) say(name string, ok bool, format string, a ...any) {
	c.tests = append(c.tests, Test{Name: name, OK: ok, Why: fmt.Sprintf(format, a...)})
}

func (c *check) unknown(name, format string, a ...any) {
	c.tests = append(c.tests, Test{Name: name, Unknown: true, Why: fmt.Sprintf(format, a...)})
}

// verdict says how a test went; the error is one that ends the check.
func (c *check) verdict(name string, err error) error {
	if err != nil && bench.Fatal(err) {
		return err
	}
	c.say(name, err == nil, "%s", words(err))
	return nil
}

// words is an error without the class that the program knows it by.
func words(err error) string {
	if err == nil {
		return ""
	}
	return strings.TrimSuffix(err.Error(), ": "+ErrIO.Error())
}

// setGap gives a track a gap 3, and for reading and writing half of it, at least 7: as bench.TrackOf has it for tracks that
// are in no maker's table.
func setGap(t *bench.Track, gap int) { t.Format.Gap3, t.GapRW = gap, max(7, gap/2) }

// trial is a short track: it fits at every rate and speed. The fields differ from each other and from seed to seed.
// Gaps and sync are those of the 765's own FORMAT; 80 and 27 bytes of gap 3 are from its tables.
func trial(e disk.Encoding, cylinder int, selectKbit float64, seed byte) *bench.Track {
	f := disk.TrackFormat{Encoding: disk.MFM, RateKbit: selectKbit, Sectors: 5, Size: 512, FirstID: 1, IndexMark: true,
		Gap0: 80, Gap1: 50, Gap2: 22, Gap3: 80, Sync: 12, GapByte: 0x4E, Fill: 0xF6}
	if e == disk.FM {
		f = disk.TrackFormat{Encoding: disk.FM, RateKbit: selectKbit / 2, Sectors: 5, Size: 256, FirstID: 1, IndexMark: true,
			Gap0: 40, Gap1: 26, Gap2: 11, Gap3: 27, Sync: 6, GapByte: 0xFF, Fill: 0xE5}
	}
	t := &bench.Track{Cylinder: cylinder, Physical: cylinder, Format: f, RateKbit: selectKbit}
	setGap(t, f.Gap3)
	code, _ := disk.SizeCodeOf(f.Size)
	for i := range f.Sectors {
		t.Sectors = append(t.Sectors, disk.Sector{Cylinder: cylinder, Encoding: e, Mark: disk.MarkData,
			ID: disk.SectorID{Cylinder: uint8(cylinder), Sector: uint8(f.FirstID + i), SizeCode: code}})
	}
	fill(t, seed)
	return t
}

// fill gives the fields of a track new bytes.
func fill(t *bench.Track, seed byte) {
	for i := range t.Sectors {
		s := &t.Sectors[i]
		s.Data = make([]byte, s.ID.Size())
		for k := range s.Data {
			s.Data[k] = byte(k*13) ^ byte(k>>8) ^ s.ID.Sector*31 ^ seed
		}
	}
}

// do gives a command unless the person has stopped it; Format, Write and Read look for that themselves.
func (c *check) do(cmd *Command) error {
	if err := c.ctx.Err(); err != nil {
		return err
	}
	return c.d.do(cmd)
}

func (c *check) readID(t *bench.Track) (disk.SectorID, error) {
	if err := c.ctx.Err(); err != nil {
		return disk.SectorID{}, err
	}
	return c.d.ReadID(t)
}

// proof formats, writes and reads back one track.
func (c *check) proof(t *bench.Track) error {
	if err := c.d.Format(c.ctx, t); err != nil {
		return err
	}
	if err := c.d.Write(c.ctx, t); err != nil {
		return err
	}
	return c.comesBack(t)
}

// comesBack reads a track and compares it.
func (c *check) comesBack(t *bench.Track) error {
	got, err := c.d.Read(c.ctx, t)
	if err != nil {
		return err
	}
	for i := range got {
		w, g := &t.Sectors[i], &got[i]
		switch {
		case g.Status != disk.Good:
			return fmt.Errorf("sector %d does not come back: %s", w.ID.Sector, strings.TrimSuffix(g.Why, ": "+ErrIO.Error()))
		case string(g.Data) != string(w.Data):
			return fmt.Errorf("sector %d comes back with other data than were written", w.ID.Sector)
		case g.Mark != w.Mark:
			return fmt.Errorf("sector %d was written with mark %02X and comes back with %02X", w.ID.Sector, w.Mark, g.Mark)
		}
	}
	return nil
}

// tries gives a track three attempts, as a job does.
func (c *check) tries(t *bench.Track) (err error) {
	for range bench.Attempts {
		if err = c.proof(t); err == nil || bench.Fatal(err) {
			return err
		}
	}
	return err
}

// rates tries MFM at each rate of the drive, and measures the speed on the first track that comes back.
func (c *check) rates() error {
	if !c.d.Raw {
		c.unknown("speed", "not measurable: %s", needRaw)
		return nil
	}
	var rates []float64
	for _, r := range c.o.Drive.RatesKbit {
		if _, ok := rateCode(r); ok {
			rates = append(rates, r)
		}
	}
	first := true
	for _, r := range rates {
		err := error(nil)
		for _, cyl := range c.places() {
			t := trial(disk.MFM, cyl, r, 0)
			if err = c.tries(t); err != nil && bench.Fatal(err) {
				return err
			}
			if err != nil {
				continue // a bad spot, perhaps
			}
			if c.rate == 0 || r < c.rate {
				c.rate, c.place = r, cyl
			}
			if first {
				first = false
				if err := c.speed(t); err != nil {
					return err
				}
			}
			break
		}
		if err := c.verdict(fmt.Sprintf("MFM at %g kbit/s", r), err); err != nil {
			return err
		}
	}
	if c.rate == 0 {
		c.unknown("speed", "not measurable: no track came back")
	}
	return nil
}

// recordings tries each at every speed that the drive has. Without raw commands they are all that can be tried.
func (c *check) recordings() error {
	own := c.o.Drive
	for _, rec := range c.o.Recordings {
		for _, rpm := range own.RPM {
			if rpm != own.RPM[0] && c.f.RPM > 0 && math.Abs(c.f.RPM/rpm-1) > 0.05 {
				continue // the speed that it does not run at now
			}
			cyl := max(1, c.place)
			c.d.rec, c.d.set, c.d.step = rec.With(cyl+1, 1), false, 1
			im := disk.NewImage(c.d.rec)
			for i := range im.Data {
				im.Data[i] = byte(i*13 ^ i>>8)
			}
			t := bench.TrackOf(im, c.d.rec, cyl, 0, &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: rpm}})
			err := c.d.Unable(t)
			if err == nil {
				err = c.tries(t)
			}
			if err := c.verdict(fmt.Sprintf("%s at %g rpm (%s, %g kbit/s selected)", rec.Name, rpm, t.Format.Encoding, t.RateKbit), err); err != nil {
				return err
			}
		}
	}
	return nil
}

// ready says whether a test that needs a turning disk can be made, and if not, that it was not.
func (c *check) ready(test string) bool {
	switch {
	case !c.d.Raw:
		c.unknown(test, "not measurable: %s", needRaw)
	case c.rate == 0:
		c.unknown(test, "not measurable: no MFM track came back")
	case c.turn == 0:
		c.unknown(test, "not measurable: the disk's turning was not")
	default:
		return true
	}
	return false
}

// fm tries FM on two cylinders, with MFM before and after it at the same places. A "no" needs that FM loses its address
// marks at both, in every attempt, while MFM comes back at both; a "yes" needs an FM track that comes back and does not
// read as MFM.
func (c *check) fm() error {
	if !c.d.Raw {
		c.f.FMWhy = "FM is asked of the driver, and whether the chip did it cannot be seen: " + needRaw
		c.unknown("FM", "%s", c.f.FMWhy)
		return nil
	}
	if c.rate == 0 {
		c.f.FMWhy = "MFM does not come back either, so that a failure of FM says nothing"
		c.unknown("FM", "%s", c.f.FMWhy)
		return nil
	}
	var lost int
	var why []string
	for _, cyl := range c.places() {
		place := fmt.Sprintf("cylinder %d: ", cyl)
		if err := c.tries(trial(disk.MFM, cyl, c.rate, 1)); err != nil {
			if bench.Fatal(err) {
				return err
			}
			why = append(why, place+"MFM fails there: "+words(err))
			continue
		}
		t := trial(disk.FM, cyl, c.rate, 2)
		var err, other error
		for range bench.Attempts {
			if err = c.proof(t); err == nil || bench.Fatal(err) {
				break
			}
			if !errors.Is(err, errNoMark) {
				other = err
			}
		}
		switch {
		case err != nil && bench.Fatal(err):
			return err
		case err == nil:
			verdict, reason, err := c.told(t)
			if err != nil {
				return err
			}
			if verdict != "" {
				c.f.FM, c.f.FMWhy = verdict, reason
				c.say("FM", verdict == "yes", "%s", reason)
				return nil
			}
			why = append(why, place+reason)
			continue
		case other != nil:
			why = append(why, place+"FM fails, and not because its marks are lost: "+words(other))
			continue
		}
		if err := c.tries(trial(disk.MFM, cyl, c.rate, 3)); err != nil {
			if bench.Fatal(err) {
				return err
			}
			why = append(why, place+"MFM fails there after FM did: "+words(err))
			continue
		}
		lost++
	}
	if lost == 2 {
		c.f.FM, c.f.FMWhy = "no", fmt.Sprintf("no address mark of an FM track is found on cylinders %d and %d, where MFM comes back before and after", c.places()[0], c.places()[1])
		c.say("FM", false, "%s", c.f.FMWhy)
		return nil
	}
	c.f.FMWhy = strings.Join(why, "; ")
	c.unknown("FM", "unsure: %s", c.f.FMWhy)
	return nil
}

// told says whether an FM track that came back was FM: read as MFM, nothing of it may be found.
func (c *check) told(t *bench.Track) (verdict, why string, fatal error) {
	o := *t
	o.Format.Encoding = disk.MFM
	err := c.comesBack(&o)
	if err != nil && bench.Fatal(err) {
		return "", "", err
	}
	if err == nil {
		return "no", "what is written as FM reads as MFM just as well: the controller does not heed the FM bit", nil
	}
	switch _, err = c.readID(&o); {
	case errors.Is(err, errNoMark):
		return "yes", "", nil
	case err != nil && bench.Fatal(err):
		return "", "", err
	}
	return "", "an FM track comes back, but identifiers are found on it in MFM too", nil
}
