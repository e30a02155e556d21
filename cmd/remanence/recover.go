package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"remanence/disk"
	"remanence/disk/track"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/machine"
	"remanence/recover"
	"remanence/recover/reader"
	"remanence/volume"
)

// recoverCmd makes the best image of a disk from everything there is of it.
type recoverCmd struct {
	Source    []string `arg:"" help:"Folders, zips and files of captures, raw images (their sidecars are read too), dumps in unknown containers: all of one disk."`
	Output    string   `short:"o" required:"" type:"path" placeholder:"IMAGE" help:"Raw sector image; what it can't say goes into NAME.sectors.json beside it."`
	Recording string   `placeholder:"NAME:CxS" help:"Recording (default: recognised)."`
	Sectors   string   `type:"path" placeholder:"FILE" help:"Also write every sector found, as JSON Lines."`
	Map       []string `type:"path" placeholder:"FILE" help:"Damage map: .svg or .png a picture, .json or .txt a table. May be given several times."`
	Before    []string `type:"path" placeholder:"FILE" help:"The same map of what a single plain read gives, to compare."`
	Quality   []string `type:"path" placeholder:"FILE" help:"Picture of the captures (.svg, .png): intervals with their windows, speed around the revolution."`
	Bag       string   `type:"path" placeholder:"FOLDER" help:"Keep originals, image, maps and events together as a BagIt bag (RFC 8493) in a new folder."`
	Date      string   `placeholder:"DATE" help:"Date for the bag, YYYY-MM-DD (default: none; no clock is read)."`
	Reader    []string `type:"path" placeholder:"FILE" help:"A reader of your own for a container, tried before those in your configuration folder; see doc/readers.md."`
	NoRepair  bool     `help:"Leave a sector whose CRC fails as it was read."`
	Force     bool     `help:"Replace outputs that are there already."`
}

func (recoverCmd) Help() string {
	return `Takes all that there is of one disk and makes the best image of it. Captures of a track are merged before bits are
decided; sectors from other sources are compared with them, and each sector of the result says where it came from. A
file of track-level bytes in an unknown container is searched for address marks and CRCs. Two good reads that differ
are told, and the sector is doubtful.

Exit status 1: something is damaged, doubtful or missing; the output says what.

--map draws every cylinder as a ribbon, angle from left to right, margin as lightness; --before draws the same of one
plain read. --bag keeps everything together so that it can be proven unchanged decades later.

Example:
  remanence recover heron1-first heron1-second old-dump.bin -o heron1.img --map heron1.svg --bag heron1-bag`
}

// recoverReport is the JSON of recover.
type recoverReport struct {
	track.Summary
	Assumed   []string            `json:"assumed"`
	Problems  []string            `json:"problems"`
	Sources   []recover.Source    `json:"sources"`
	Conflicts []recover.Conflict  `json:"conflicts"`
	Repairs   *track.RepairReport `json:"repairs,omitempty"`
}

func (c *recoverCmd) Run(env *Env) error {
	if err := c.check(); err != nil {
		return err
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	opt := recover.Options{NoRepair: c.NoRepair, Recordings: set.Recordings(), Progress: env.Progress()}
	if c.Recording != "" {
		if opt.Recording, err = set.Recording(c.Recording); err != nil {
			return err
		}
		_, cyl, _, _ := disk.ParseReference(c.Recording)
		opt.Sized = cyl > 0
	}
	opt.OpenImage = func(path string, data []byte, sc *disk.Sidecar) (*disk.Image, []string, error) {
		im, _, said, err := loadForEncoding(set, path, c.Recording)
		if err != nil && sc == nil {
			if im, said := proposed(set, data); im != nil {
				return im, said, nil
			}
		}
		return im, said, err
	}
	if opt.Readers, err = c.readers(env); err != nil {
		return err
	}
	res, err := recover.Run(env.Context, c.Source, opt)
	if err != nil {
		return err
	}
	for _, n := range res.Problems {
		env.Note("%s", n)
	}
	if c.Sectors != "" {
		if err := writeSectors(c.Sectors, res.Tracks, c.Force); err != nil {
			return err
		}
	}
	if err := res.Best.Save(c.Output, c.Force); err != nil {
		return err
	}
	if err := c.pictures(env, res); err != nil {
		return err
	}
	if c.Bag != "" {
		b, err := res.Bag(recover.Keeping{Originals: c.Source, Name: filepath.Base(c.Output), Agent: "remanence " + version, Date: c.Date})
		if err != nil {
			return outcome.As(outcome.Input, err)
		}
		if err := b.Write(c.Bag, c.Force); err != nil {
			return err
		}
	}
	gaps := track.NotCaptured(res.Tracks, res.Rec)
	rep := recoverReport{
		Summary: res.Summary, Assumed: list(res.Assumed), Problems: list(append(res.Problems, gaps...)), Sources: res.Sources,
		Conflicts: res.Conflicts, Repairs: res.Repairs,
	}
	if rep.Conflicts == nil {
		rep.Conflicts = []recover.Conflict{}
	}
	if err := env.Report(rep, func() { c.text(env, &rep, gaps) }); err != nil {
		return err
	}
	if !res.Whole() || len(res.Conflicts) > 0 || len(gaps) > 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

// proposed finds a volume at any offset, interleave and side order of a file of sectors, and gives its sectors as an
// image in the usual order; nil where there is none.
func proposed(set *machine.Set, data []byte) (*disk.Image, []string) {
	opt := volume.Options{Recordings: set.Recordings(), ParameterSets: set.ParameterSets()}
	for _, p := range volume.Propose(data, opt) {
		v, _, err := p.Volume(opt)
		if err != nil || v.Image() == nil {
			continue
		}
		said := []string{fmt.Sprintf("sectors of a %s volume: %d bytes before them, %d behind; %d cylinders, %d sides, %d sectors of %d bytes", p.Kind, p.Header, p.Trailer, p.Cylinders, p.Sides, p.Sectors, p.Size)}
		return v.Image(), append(said, p.Why...)
	}
	return nil, nil
}

// check refuses before any work what could not be written after it.
func (c *recoverCmd) check() error {
	outs := slices.Concat([]string{c.Output, c.Sectors}, c.Map, c.Before, c.Quality)
	errs := []error{outputsFree(c.Force, outs...), outcome.As(outcome.Usage, recover.CheckDate(c.Date))}
	for _, o := range outs {
		errs = append(errs, safefile.Distinct(o, c.Source...))
	}
	for _, n := range slices.Concat(c.Map, c.Before) {
		if !recover.Extension(n, true) {
			errs = append(errs, outcome.As(outcome.Usage, fmt.Errorf("%s: want a name that ends in .svg, .png, .json or .txt", n)))
		}
	}
	for _, n := range c.Quality {
		if !recover.Extension(n, false) {
			errs = append(errs, outcome.As(outcome.Usage, fmt.Errorf("%s: want a name that ends in .svg or .png", n)))
		}
	}
	for _, e := range errs {
		if e != nil {
			return e
		}
	}
	return nil
}

// pictures writes the maps and the picture of the captures.
func (c *recoverCmd) pictures(env *Env, res *recover.Result) error {
	name := filepath.Base(c.Output)
	for _, k := range []struct {
		files  []string
		title  string
		before bool
	}{{c.Map, name, false}, {c.Before, name + ", one plain read", true}} {
		for _, f := range k.files {
			b, err := recover.RenderMap(res.Map(k.title, k.before), f)
			if err != nil {
				return outcome.As(outcome.Output, err)
			}
			if err := safefile.WriteFile(f, b, c.Force); err != nil {
				return err
			}
		}
	}
	for _, f := range c.Quality {
		q := res.Quality(name)
		if q == nil {
			env.Note("%s: not drawn, none of the sources are captures", f)
			continue
		}
		b, err := recover.Render(q, f)
		if err != nil {
			return outcome.As(outcome.Output, err)
		}
		if err := safefile.WriteFile(f, b, c.Force); err != nil {
			return err
		}
	}
	return nil
}

// list is s, never nil: JSON shows an empty list.
func list(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

func (c *recoverCmd) text(env *Env, rep *recoverReport, gaps []string) {
	for _, s := range rep.Sources {
		env.Printf("%s: %s, %d tracks, %d of %d sectors good\n", s.Path, s.Kind, s.Tracks, s.Good, s.Sectors)
		for _, a := range s.Assumed {
			env.Printf("  %s\n", a)
		}
	}
	for _, a := range rep.Assumed {
		env.Printf("%s\n", a)
	}
	env.Printf("\n")
	s := &rep.Summary
	printSectors(env, s, gaps, rep.Repairs, c.Output)
	if !s.Whole() || len(gaps) > 0 {
		env.Printf("Next: capture the damaged and missing tracks again, on another drive if you can, and name all sources together.\n")
	}
}

// readers are those named, then those of the configuration folder.
func (c *recoverCmd) readers(env *Env) ([]recover.Reader, error) {
	var out []recover.Reader
	for _, p := range c.Reader {
		s, err := reader.Load(p)
		if err != nil {
			return nil, outcome.As(outcome.Input, err)
		}
		out = append(out, s)
	}
	own, err := reader.LoadFolder(env.ConfigDir())
	if err != nil {
		env.Note("%v", err)
	}
	for _, s := range own {
		out = append(out, s)
	}
	return out, nil
}

// readerChildCmd is the process that a reader runs in.
type readerChildCmd struct{}

func (readerChildCmd) Run(env *Env) error {
	os.Exit(reader.Child(os.Stdin, env.Stdout, env.Stderr))
	return nil
}
