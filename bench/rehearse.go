package bench

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/progress"
	"remanence/machine"
)

// RiskMargin is the least margin below which a sector that was read is still called at risk: a quarter of the half
// window is about what one drive differs from the next (jitter of a tired drive against a good one, reference sheet 7.3).
const RiskMargin = 0.25

// Risk is a sector that the rehearsal lost or nearly lost.
type Risk struct {
	Cylinder int     `json:"cylinder"`
	Head     int     `json:"head"`
	Sector   int     `json:"sector"`
	Lost     bool    `json:"lost"`
	Margin   float64 `json:"margin-percent"`
	Why      string  `json:"why"`
}

// Rehearsal is what came of writing an image with certain pieces and reading it as the target would.
type Rehearsal struct {
	With       *Combination `json:"with"`
	Target     string       `json:"target"`
	Sectors    int          `json:"sectors"`
	Good       int          `json:"sectors-good"`
	Margin     float64      `json:"least-margin-percent"`
	AtRisk     []Risk       `json:"at-risk"`
	Revolution int          `json:"revolutions"`

	// Unerased is the innermost cylinder without the erasing that is to be done first; nil where none is.
	Unerased *Unerased `json:"unerased,omitempty"`
}

// Unerased is what an old recording would do to the innermost cylinder.
type Unerased struct {
	Sectors int     `json:"sectors"`
	Good    int     `json:"sectors-good"`
	Margin  float64 `json:"least-margin-percent"`
}

// Rehearse writes im with a drive, a controller and a disk, all simulated with the physics of the advice, and reads it
// in the target's drive with a separator as simple as a controller's. Nothing is repaired: what a machine of the period
// would not read counts as lost.
func Rehearse(ctx context.Context, im *disk.Image, rec *disk.Recording, target *Target, d *machine.Drive, k *machine.Controller, m *machine.Disk, medium *machine.Medium, seed uint64, p progress.Progress) (*Rehearsal, error) {
	p = progress.Or(p)
	c := Judge(rec, target, d, k, m, medium.Disk)
	r := &Rehearsal{With: c, Target: target.Name, Margin: 100, AtRisk: []Risk{}, Revolution: 2}
	heads := im.Geometry.Heads
	n := im.Geometry.Cylinders * heads
	p.Start("rehearse", n)
	defer p.Done()
	drive := writtenDisk(rec, target, d, m, medium, c, c.Profile.OldMM, seed)
	risks := make([][]Risk, n)
	least := make([]float64, n)
	good := make([]int, n)
	var wg sync.WaitGroup
	var first error
	var once sync.Once
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	work := make(chan int)
	for range min(runtime.NumCPU(), n) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			var s track.Scanner
			for i := range work {
				var err error
				good[i], least[i], risks[i], err = rehearseTrack(ctx, &s, im, rec, drive, i/heads, i%heads)
				if err != nil {
					once.Do(func() { first = err; cancel() })
				}
				p.Step(1, fmt.Sprintf("cylinder %d head %d: %d at risk", i/heads, i%heads, len(risks[i])))
			}
		}()
	}
feed:
	for i := range n {
		select {
		case work <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(work)
	wg.Wait()
	if first != nil {
		return nil, first
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for i := range n {
		r.Good += good[i]
		r.Margin = min(r.Margin, round(100*least[i], 1))
		r.AtRisk = append(r.AtRisk, risks[i]...)
	}
	r.Sectors = im.Geometry.Sectors()
	if c.Before.OldMM > c.Profile.OldMM {
		var err error
		r.Unerased, err = rehearseUnerased(ctx, im, rec, writtenDisk(rec, target, d, m, medium, c, c.Before.OldMM, seed))
		if err != nil {
			return nil, err
		}
	}
	return r, nil
}

// writtenDisk is a disk that the pieces wrote over an old track of oldMM, 0 where it was erased first, in the target's
// drive, whose head lies off the track by the usual misalignment.
func writtenDisk(rec *disk.Recording, target *Target, d *machine.Drive, m *machine.Disk, medium *machine.Medium, c *Combination, oldMM float64, seed uint64) *Drive {
	p := Across(d.TrackMM, d.EraseMM, oldMM, target.Drive.HeadMM, d.OffTrackMM+target.Drive.OffTrackMM)
	worn := *medium
	if m.Condition == "worn" && worn.Disk.DropoutsDisk < 6 {
		worn.Disk.DropoutsDisk, worn.Disk.DropoutUS = 6, 400 // preset "worn": a handful of spots, some bytes long
	}
	drive := NewPieceDrive(rec, &worn, p, c.Settings.PrecompNS, c.signal, seed)
	drive.rate, drive.written = c.rate, c.asWritten(rec)
	return drive
}

// rehearseUnerased reads the innermost cylinder of a disk.
func rehearseUnerased(ctx context.Context, im *disk.Image, rec *disk.Recording, drive *Drive) (*Unerased, error) {
	u := &Unerased{Margin: 100}
	cylinder := im.Geometry.Cylinders - 1
	var s track.Scanner
	for h := range im.Geometry.Heads {
		good, least, _, err := rehearseTrack(ctx, &s, im, rec, drive, cylinder, h)
		if err != nil {
			return nil, err
		}
		u.Sectors += len(im.Track(cylinder, h))
		u.Good += good
		u.Margin = min(u.Margin, round(100*least, 1))
	}
	return u, nil
}

func rehearseTrack(ctx context.Context, s *track.Scanner, im *disk.Image, rec *disk.Recording, drive *Drive, cylinder, head int) (good int, least float64, risks []Risk, err error) {
	want := im.Track(cylinder, head)
	cells, err := track.Build(drive.disk(), cylinder, head, want)
	if err != nil {
		return 0, 0, nil, err
	}
	stray, follows := drive.stray(rec.Format(cylinder, head))
	got := drive.Read(cells.Capture(cylinder, head, track.EncodeOptions{TickNS: 25, Revolutions: 2}))
	f := rec.Format(cylinder, head)
	res, err := s.Scan(ctx, []*flux.Capture{got}, track.Options{Format: &f, RevolutionNS: rec.RevolutionNS(), FastOnly: true})
	if err != nil {
		return 0, 0, nil, err
	}
	least = 1
	for i := range want {
		w := &want[i]
		if w.Status == disk.Bad || w.Mark == 0 {
			continue // it was not meant to be read
		}
		k := slices.IndexFunc(res.Sectors, func(x disk.Sector) bool { return x.ID == w.ID && x.Status == disk.Good })
		why := ""
		margin := 0.0
		switch {
		case !follows, k >= 0 && stray > 0 && res.Sectors[k].Margin <= stray:
			why = "not read; "
		case k < 0:
			why = "not read; "
		case !slices.Equal(res.Sectors[k].Data, w.Data) || res.Sectors[k].Mark != w.Mark:
			why = "read with other data or another mark; "
		default:
			good++
			margin = math.Max(res.Sectors[k].Margin-stray, 0)
		}
		least = min(least, margin)
		if why == "" && margin >= RiskMargin {
			continue
		}
		risks = append(risks, Risk{cylinder, head, int(w.ID.Sector), why != "", round(100*margin, 1), why + drive.cause(cells, i, cylinder, head)})
	}
	return good, least, risks, nil
}

// cause is the largest single trouble at a sector.
func (d *Drive) cause(c *track.Cells, i, cylinder, head int) string {
	if i < len(c.Placed) {
		from, to := float64(c.Placed[i].Start)/float64(c.Len()), float64(c.Placed[i].End)/float64(c.Len())
		if ns := d.Weak(cylinder, head, from, to); ns > 0 {
			return fmt.Sprintf("a bare spot of %.0f us lies here; use another disk", ns/1000)
		}
	}
	f := d.rec.Format(cylinder, head)
	half := 1e6 / f.RateKbit / 2
	stray, follows := d.stray(f)
	if !follows {
		return fmt.Sprintf("bits come %+.1f %% off the target's rate, which its separator does not follow; adjust the speed of the drive that writes", 100*d.rate)
	}
	// Each trouble in ns as it would be alone; the coating's is what it adds to the others.
	precomp := 0.0
	if f.Encoding == disk.MFM {
		precomp = d.precomp
	}
	spread := max(d.signal.Width*d.signal.Width, 1)
	shift := d.peakShift(half, cylinder, head)
	peak := math.Abs(shift/spread - precomp)
	wanted, beside := Matched.heard(d.profile)
	jitter, old := 3*d.m.JitterNS*half/2000/wanted, push(wanted, beside)*half
	coating := 3*d.m.JitterNS*half/2000/max(d.heard, 0.01) - jitter + math.Abs(shift-precomp) - peak + d.residue*half - old
	rate := stray * half / 2
	switch worst := max(coating, old, peak, jitter, rate); worst {
	case rate:
		return fmt.Sprintf("bits come %+.1f %% off the target's rate; adjust the speed of the drive that writes", 100*d.rate)
	case coating:
		return fmt.Sprintf("%s; %s", d.signal, d.signal.remedy())
	case old:
		return "an old, wider track beside it is heard; bulk-erase the disk first"
	case peak:
		return fmt.Sprintf("peak shift of %.0f ns near the middle; raise the write precompensation", peak)
	}
	return fmt.Sprintf("little signal: the head hears %.0f %% of a track; use a drive of the target's width", 100*wanted)
}
