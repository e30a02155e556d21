package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"

	"remanence/disk"
	"remanence/disk/flux"
	"remanence/disk/track"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/volume"
)

// diskCmd turns images into captures of flux transitions and back.
type diskCmd struct {
	Encode diskEncodeCmd `cmd:"" help:"Turn an image into interval captures, one a track."`
	Decode diskDecodeCmd `cmd:"" help:"Read interval captures into an image."`
}

type diskEncodeCmd struct {
	Image     string  `arg:"" help:"Raw sector image; its sidecar is read too."`
	Recording string  `placeholder:"NAME:CxS" help:"Recording, as fm10x256:40x1 (default: recognised from the volume on it)."`
	Output    string  `short:"o" required:"" type:"path" placeholder:"FOLDER" help:"Folder for the captures."`
	TickNS    float64 `name:"tick-ns" default:"25" help:"Length of a tick in nanoseconds."`
	PrecompNS float64 `name:"precomp-ns" default:"0" help:"Write precompensation in nanoseconds (MFM only)."`
	Force     bool    `help:"Replace captures that are there already."`
}

func (diskEncodeCmd) Help() string {
	return `Lays out every track of the recording (gaps, marks, identifiers, CRCs) and writes the times of its transitions
as interval captures c00h0.ivl, c01h0.ivl, ... A sidecar's odd identifiers and marks are written as they are, and a
sector known to be bad gets a CRC that does not fit. On a granule volume whose marks nothing is known of, the
directory cylinder gets the mark its machine looks for, and a line says so.

Example:
  remanence disk encode heron1.img --recording fm10x256 -o heron1-captures`
}

type encodeReport struct {
	Recording string   `json:"recording"`
	Folder    string   `json:"folder"`
	Captures  []string `json:"captures"`
	Assumed   []string `json:"assumed"`
}

func (c *diskEncodeCmd) Run(env *Env) error {
	if !(c.TickNS > 0 && c.TickNS <= 1000) {
		return outcome.As(outcome.Usage, fmt.Errorf("--tick-ns %v: want more than 0, at most 1000", c.TickNS))
	}
	if !(c.PrecompNS >= 0 && c.PrecompNS <= 1000) {
		return outcome.As(outcome.Usage, fmt.Errorf("--precomp-ns %v: want 0 to 1000", c.PrecompNS))
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	im, rec, assumed, err := loadForEncoding(set, c.Image, c.Recording)
	if err != nil {
		return err
	}
	for _, a := range assumed {
		env.Note("%s", a)
	}
	p := env.Progress()
	p.Start("encode", im.Geometry.Cylinders*im.Geometry.Heads)
	defer p.Done()
	rep := encodeReport{Recording: rec.Name, Folder: c.Output, Captures: []string{}, Assumed: assumed}
	told := func(note string) {
		rep.Assumed = append(rep.Assumed, note)
		env.Note("%s", note)
	}
	var buf []byte
	for k, err := range track.EncodeDisk(env.Context, im, rec, track.EncodeOptions{TickNS: c.TickNS, PrecompNS: c.PrecompNS, Note: "made by remanence from " + filepath.Base(c.Image), Told: told}) {
		if err != nil {
			return outcome.As(outcome.Input, fmt.Errorf("%s: %w", c.Image, err))
		}
		name := flux.FileName(k.Cylinder, k.Head, 1)
		if buf, err = k.Append(buf[:0]); err != nil {
			return err
		}
		if err := safefile.WriteFile(filepath.Join(c.Output, name), buf, c.Force); err != nil {
			return err
		}
		rep.Captures = append(rep.Captures, name)
		p.Step(1, name)
	}
	return env.Report(rep, func() {
		env.Printf("%s: %d captures of %s in %s\n", c.Image, len(rep.Captures), rep.Recording, c.Output)
	})
}

// loadForEncoding reads an image with everything known of it. A volume on it tells the recording where none is
// given, and the marks of its directory where no sidecar does.
func loadForEncoding(set *machine.Set, path, ref string) (got *disk.Image, like *disk.Recording, said []string, failed error) {
	data, sidecar, err := disk.ReadRaw(path)
	if err != nil {
		return nil, nil, nil, outcome.As(outcome.Input, err)
	}
	assumed := []string{}
	opt := volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets(), Sidecar: sidecar}
	if ref != "" {
		if opt.Recording, err = set.Recording(ref); err != nil {
			return nil, nil, nil, err
		}
		if _, c, _, _ := disk.ParseReference(ref); c == 0 {
			if opt.Recording, err = fitImage(opt.Recording, int64(len(data)), sidecar); err != nil {
				return nil, nil, nil, outcome.As(outcome.Input, fmt.Errorf("%s: %w", path, err))
			}
		}
	}
	rec := opt.Recording
	if v, said, err := volume.Open(data, opt); err == nil && v.Image() != nil {
		im := v.Image()
		if rec == nil && v.Info().Recording != "" {
			if r, err := set.Recording(v.Info().Recording); err == nil {
				rec = r.With(im.Geometry.Cylinders, im.Geometry.Heads)
				assumed = append(assumed, "recording "+rec.Reference()+", recognised from the "+v.Kind()+" volume")
			}
		}
		if rec != nil && im.Geometry.Size() == geometrySize(rec) {
			if v.Kind() == "granule" {
				assumed = append(assumed, said...)
				return im, rec, assumed, nil
			}
		}
	}
	if rec == nil {
		return nil, nil, nil, outcome.Hint(outcome.Usage, fmt.Errorf("%s: no volume on it tells the recording", path), "say --recording NAME:CYLINDERSxSIDES")
	}
	im, err := disk.ImageOf(rec.Name, rec.Geometry(), data)
	if err != nil {
		return nil, nil, nil, outcome.As(outcome.Input, fmt.Errorf("%s: recording %s: %w", path, rec.Reference(), err))
	}
	if err := im.Apply(sidecar); err != nil {
		assumed = append(assumed, disk.SidecarPath(path)+": "+err.Error())
	}
	return im, rec, assumed, nil
}

func geometrySize(r *disk.Recording) int64 { g := r.Geometry(); return g.Size() }

// fitImage finds the number of cylinders and sides that an image of this length has, where the user named none.
func fitImage(rec *disk.Recording, size int64, sidecar *disk.Sidecar) (*disk.Recording, error) {
	if sidecar != nil && sidecar.Cylinders > 0 && sidecar.Heads > 0 && sidecar.Cylinders <= disk.MaxCylinders && sidecar.Heads <= 2 {
		return rec.With(sidecar.Cylinders, sidecar.Heads), nil
	}
	var fits *disk.Recording
	for _, sides := range machine.Choices(rec.SideChoices, rec.Sides) {
		for _, cyl := range machine.Choices(rec.CylinderChoices, rec.Cylinders) {
			r := rec.With(cyl, sides)
			if geometrySize(r) == size && (fits == nil || sides == rec.Sides) {
				fits = r
			}
		}
	}
	if fits == nil { // another number of cylinders
		for cyl := 1; cyl <= disk.MaxCylinders && fits == nil; cyl++ {
			if r := rec.With(cyl, rec.Sides); geometrySize(r) == size {
				fits = r
			}
		}
	}
	if fits == nil {
		return nil, fmt.Errorf("%d bytes: no number of cylinders and sides of %s gives that; say --recording %s:CYLINDERSxSIDES", size, rec.Name, rec.Name)
	}
	return fits, nil
}

type diskDecodeCmd struct {
	Source    []string `arg:"" help:"Folders, zips and files of interval captures, all of one disk."`
	Output    string   `short:"o" required:"" type:"path" placeholder:"IMAGE" help:"Raw sector image; what it can't say goes into NAME.sectors.json beside it."`
	Recording string   `placeholder:"NAME:CxS" help:"Recording (default: recognised)."`
	Sectors   string   `type:"path" placeholder:"FILE" help:"Also write every sector found, as JSON Lines."`
	NoRepair  bool     `help:"Leave a sector whose CRC fails as it was read."`
	Fast      bool     `help:"Only the fast separator: what a controller of the period would read."`
	Force     bool     `help:"Replace outputs that are there already."`
}

func (diskDecodeCmd) Help() string {
	return `Reads captures of one disk: any number of files and revolutions of a track are merged. Sectors that a simple
separator can't read are decoded by maximum likelihood, then rebuilt from all reads together; where a CRC still fails
the least certain bits are tried, within a bound that keeps a chance match improbable. Each sector is good, repaired
(and the sidecar says how), doubtful or bad.

Example:
  remanence disk decode heron1-captures -o heron1-back.img --sectors heron1.jsonl`
}

// decodeReport is the JSON of disk decode.
type decodeReport struct {
	track.Summary
	Assumed  []string            `json:"assumed"`
	Problems []string            `json:"problems"`
	Repairs  *track.RepairReport `json:"repairs,omitempty"`
}

func (c *diskDecodeCmd) Run(env *Env) error {
	if err := errors.Join(safefile.Distinct(c.Output, c.Source...), outputsFree(c.Force, c.Output, c.Sectors)); err != nil {
		return err
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	var rec *disk.Recording
	if c.Recording != "" {
		if rec, err = set.Recording(c.Recording); err != nil {
			return err
		}
	}
	captures, err := flux.LoadDisk(c.Source)
	if err != nil {
		return outcome.Hint(outcome.Input, err, "Where a source is an image or a dump of another kind: remanence recover takes those, too.")
	}
	rep := decodeReport{Assumed: []string{}, Problems: []string{}}
	for _, p := range captures.Problems {
		rep.Problems = append(rep.Problems, p.Error())
	}
	opt := track.Options{NoRepair: c.NoRepair, FastOnly: c.Fast}
	results, err := scanAll(env, captures.Tracks, opt, rec)
	if err != nil {
		return err
	}
	for _, r := range results {
		rep.Problems = append(rep.Problems, r.Problems...)
	}
	for _, p := range rep.Problems {
		env.Note("%s", p)
	}
	if rec == nil {
		var ev track.Evidence
		if rec, ev = track.Recognise(results, set.Recordings()); rec == nil {
			return outcome.As(outcome.Input, fmt.Errorf("%s: no sectors found on %d tracks", c.Source[0], len(results)))
		}
		rep.Assumed = append(rep.Assumed, ev.Assumed...)
		if err := scanAgain(env, captures.Tracks, results, opt, rec); err != nil {
			return err
		}
	} else if _, cyl, _, _ := disk.ParseReference(c.Recording); cyl == 0 {
		n, sides := 0, 0
		for _, r := range results {
			n, sides = max(n, r.Cylinder+1), max(sides, r.Head+1)
		}
		rec = rec.With(n, sides)
	}
	for _, a := range rep.Assumed {
		env.Note("%s", a)
	}
	im, sum := track.ToImage(results, rec)
	rep.Summary = sum
	gaps := track.NotCaptured(results, rec)
	rep.Problems = append(rep.Problems, gaps...)
	rep.Repairs = track.SumRepairs(results)
	if c.Sectors != "" {
		if err := writeSectors(c.Sectors, results, c.Force); err != nil {
			return err
		}
	}
	if err := im.Save(c.Output, c.Force); err != nil {
		return err
	}
	if err := env.Report(rep, func() { c.text(env, &rep, gaps) }); err != nil {
		return err
	}
	if !sum.Whole() || len(gaps) > 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

// outputsFree refuses outputs that exist before any work is done.
func outputsFree(force bool, paths ...string) error {
	for _, p := range paths {
		if _, err := os.Lstat(p); err == nil && !force && p != "" {
			return outcome.Hint(outcome.Output, fmt.Errorf("%s: exists already", p), "choose another name, or say --force to replace it")
		}
	}
	return nil
}

func (c *diskDecodeCmd) text(env *Env, rep *decodeReport, gaps []string) {
	printSectors(env, &rep.Summary, gaps, rep.Repairs, c.Output)
}

// printSectors says what came of a disk, in all the commands that read one.
func printSectors(env *Env, s *track.Summary, gaps []string, r *track.RepairReport, output string) {
	env.Printf("%s: %d of %d sectors good", s.Reference(), s.Good, s.Expected)
	if s.Repaired > 0 {
		env.Printf(" (%d of them repaired)", s.Repaired)
	}
	if s.Whole() {
		env.Printf(", no errors found%s\n", onRead(gaps))
	} else {
		env.Printf(", %d damaged, %d missing\n", s.Damaged, s.Missing)
	}
	for _, g := range gaps {
		env.Printf("  %s\n", g)
	}
	for _, b := range s.Bad {
		env.Printf("  cylinder %d head %d sector %d: %s\n", b.Cylinder, b.Head, b.Sector, b.Why)
	}
	if r != nil && r.Tried > 0 {
		env.Printf("Repair: tried on %d sectors, %d combinations of bits, %d sectors repaired; chance that one of them is a random match: %.1g\n", r.Tried, r.Trials, r.Sectors, r.FalseChance)
	}
	env.Printf("%s written\n", output)
}

// onRead limits what is said of a disk that was not captured whole.
func onRead(gaps []string) string {
	if len(gaps) > 0 {
		return " on the tracks that were captured"
	}
	return ""
}

// scanAll scans tracks on all cores; results are in the order of the tracks.
func scanAll(env *Env, tracks []flux.Track, o track.Options, rec *disk.Recording) ([]*track.Result, error) {
	ctx, cancel := context.WithCancel(env.Context)
	defer cancel()
	p := env.Progress()
	p.Start("decode", len(tracks))
	defer p.Done()
	results := make([]*track.Result, len(tracks))
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(runtime.NumCPU(), len(tracks)) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			var s track.Scanner
			for i := range next {
				t := &tracks[i]
				opt := o
				if rec != nil {
					f := rec.Format(t.Cylinder, t.Head)
					opt.Format, opt.RevolutionNS = &f, rec.RevolutionNS()
				}
				caps, problems := t.Load()
				r, err := s.Scan(ctx, caps, opt)
				if err != nil {
					cancel()
					continue
				}
				r.Cylinder, r.Head = t.Cylinder, t.Head
				r.Problems = r.Problems[:0]
				for _, p := range problems {
					r.Problems = append(r.Problems, p.Error())
				}
				results[i] = r
				p.Step(1, fmt.Sprintf("cylinder %d head %d: %d sectors, %d bad", t.Cylinder, t.Head, len(r.Sectors), r.Bad()))
			}
		}()
	}
	for i := range tracks {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
	return results, ctx.Err()
}

// scanAgain scans the tracks that are not whole once more, now that the layout is known: where a sector must be, less
// of it is enough to find it by.
func scanAgain(env *Env, tracks []flux.Track, results []*track.Result, o track.Options, rec *disk.Recording) error {
	var at []int
	var some []flux.Track
	for i, r := range results {
		f := rec.Format(r.Cylinder, r.Head)
		if !o.FastOnly && r.Sound() < f.Sectors && len(r.Sectors) > 0 {
			at = append(at, i)
			some = append(some, tracks[i])
		}
	}
	if len(some) == 0 {
		return nil
	}
	again, err := scanAll(env, some, o, rec)
	if err != nil {
		return err
	}
	for k, r := range again {
		if r.Sound() > results[at[k]].Sound() {
			results[at[k]] = r
		}
	}
	return nil
}

// writeSectors writes every sector found as JSON Lines.
func writeSectors(path string, results []*track.Result, force bool) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	for _, r := range results {
		for i := range r.Sectors {
			if err := enc.Encode(r.Sectors[i].Record()); err != nil {
				return err
			}
		}
	}
	return safefile.WriteFile(path, b.Bytes(), force)
}
