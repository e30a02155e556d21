package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/volume"
)

// volumeCmd looks into and changes the files of a disk image.
type volumeCmd struct {
	Ls      volumeLsCmd      `cmd:"" help:"List the files of a volume."`
	Get     volumeGetCmd     `cmd:"" help:"Copy files out of a volume."`
	Check   volumeCheckCmd   `cmd:"" help:"Go through every cross-reference of a volume and name what is wrong."`
	Map     volumeMapCmd     `cmd:"" help:"Show what every granule, cluster or block is used for."`
	New     volumeNewCmd     `cmd:"" help:"Make an empty volume."`
	Put     volumePutCmd     `cmd:"" help:"Copy files into a volume."`
	Delete  volumeDeleteCmd  `cmd:"" help:"Delete files of a volume."`
	Rename  volumeRenameCmd  `cmd:"" help:"Rename a file of a volume."`
	Copy    volumeCopyCmd    `cmd:"" help:"Copy files from one volume to another of any kind."`
	Propose volumeProposeCmd `cmd:"" help:"Find the disk in sector-level bytes of unknown origin, and show why."`
	Repair  volumeRepairCmd  `cmd:"" help:"Write a sound volume with everything that can still be read."`
	Label   volumeLabelCmd   `cmd:"" help:"Give a volume another name or date."`
	Mkdir   volumeMkdirCmd   `cmd:"" help:"Make a directory (FAT12)."`
}

// Help is the long help of the group.
func (volumeCmd) Help() string {
	return `Kind, geometry, rounding and parameter block are recognised from the content; what was assumed is said on
standard error. Names: granule NAME/EXT, FAT12 DIR/NAME.EXT, extent volumes USER:NAME.EXT. An image's sidecar
(NAME.sectors.json) is read and kept.

Example:
  remanence volume new --recording fm10x256:40x1 -o heron.img
  remanence volume put heron.img tide.cmd notes.txt -o heron1.img
  remanence volume ls heron1.img`
}

// volumeOpen are the flags of every command that reads a volume.
type volumeOpen struct {
	Kind       string `placeholder:"KIND" help:"granule, fat12 or extent (default: recognised)."`
	Recording  string `placeholder:"NAME:CxS" help:"Recording, as fm10x256:40x1 (default: recognised)."`
	Rounding   string `placeholder:"up|down" help:"Granule volumes: is a partial last sector counted? (default: recognised)"`
	Parameters string `placeholder:"NAME" help:"Extent volumes: parameter block, by name or TOML file (default: recognised)."`
}

// open reads an image and finds its volume. What was assumed goes to standard error, and into the result.
func (o *volumeOpen) open(env *Env, path string) (volume.Volume, []string, error) {
	opt, err := o.options(env)
	if err != nil {
		return nil, nil, err
	}
	v, said, err := openVolume(path, opt)
	if err == nil && !env.JSON {
		for _, s := range said {
			env.Note("%s: %s", path, s)
		}
	}
	return v, said, err
}

// options are what the flags say, and all profiles to look among.
func (o *volumeOpen) options(env *Env) (opt volume.Options, err error) {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return opt, err
	}
	opt = volume.Options{Kind: o.Kind, Rounding: o.Rounding, Recordings: set.Recordings(), ParameterSets: set.ParameterSets()}
	if o.Kind != "" {
		if _, err := volume.KindOf(o.Kind); err != nil {
			return opt, outcome.As(outcome.Usage, err)
		}
	}
	if o.Rounding != "" && o.Rounding != "up" && o.Rounding != "down" {
		return opt, outcome.As(outcome.Usage, fmt.Errorf("--rounding %s: want up or down", o.Rounding))
	}
	if o.Recording != "" {
		if opt.Recording, err = set.Recording(o.Recording); err != nil {
			return opt, err
		}
	}
	if o.Parameters != "" {
		if opt.Parameters, err = volumeParameters(set, o.Parameters); err != nil {
			return opt, err
		}
	}
	return opt, nil
}

// openVolume reads one image and its sidecar.
func openVolume(path string, opt volume.Options) (volume.Volume, []string, error) {
	data, sidecar, err := disk.ReadRaw(path)
	if err != nil {
		return nil, nil, outcome.As(outcome.Input, err)
	}
	opt.Sidecar = sidecar
	v, said, err := volume.Open(data, opt)
	if err != nil {
		hint := "say --kind and --recording if you know them; 'remanence inspect' says what else the file may be"
		return nil, said, outcome.Hint(outcome.Input, fmt.Errorf("%s: %w", path, err), hint)
	}
	return v, said, nil
}

// volumeParameters finds a parameter block by name, or reads it from a file of the user's.
func volumeParameters(set *machine.Set, name string) (*volume.Parameters, error) {
	if !strings.HasSuffix(name, ".toml") {
		return set.Parameters(name)
	}
	src, err := readSmall(name, machine.MaxProfileBytes)
	if err != nil {
		return nil, err
	}
	p := new(volume.Parameters)
	places, errs := machine.Decode(name, "parameter block", src, p)
	if len(errs) > 0 {
		return nil, outcome.As(outcome.Input, errs[0])
	}
	if err := p.Validate(); err != nil {
		return nil, outcome.As(outcome.Input, places.Place(err)[0])
	}
	return p, nil
}

type volumeLsCmd struct {
	Image string `arg:"" help:"Raw sector image; - for standard input."`
	volumeOpen
}

func (volumeLsCmd) Help() string {
	return "Example:\n  remanence volume ls heron.img\n  remanence volume ls --json old.img | jq -r '.files[].name'"
}

type volumeLsJSON struct {
	Kind        string           `json:"kind"`
	Name        string           `json:"name"`
	Date        string           `json:"date"`
	Recording   string           `json:"recording"`
	Files       []volumeFileJSON `json:"files"`
	Free        int              `json:"free-granules"`
	UnitBytes   int              `json:"granule-bytes"`
	FreeSlots   int              `json:"free-entries"`
	Assumed     []string         `json:"assumed"`
	Directories []string         `json:"directories,omitempty"`
}

type volumeFileJSON struct {
	Name       string         `json:"name"`
	Size       int64          `json:"size"`
	Units      int            `json:"granules"`
	Date       string         `json:"date,omitempty"`
	Attributes []string       `json:"attributes,omitempty"`
	Faults     []volume.Fault `json:"faults,omitempty"`
}

func (c *volumeLsCmd) Run(env *Env) error {
	v, said, err := c.open(env, c.Image)
	if err != nil {
		return err
	}
	in := v.Info()
	out := volumeLsJSON{Kind: in.Kind, Name: in.Name, Date: in.Date, Recording: in.Recording, Files: []volumeFileJSON{},
		Free: in.Free, UnitBytes: in.UnitBytes, FreeSlots: in.FreeSlots, Assumed: said}
	if d, ok := v.(volume.Directories); ok {
		out.Directories = d.Directories()
	}
	damaged := false
	suspects := volume.Suspects(v)
	for _, f := range v.Files() {
		f.Faults = append(f.Faults, suspects[f.Name]...)
		out.Files = append(out.Files, volumeFileJSON{f.Name, f.Size, f.Units, f.Date, f.Attributes, f.Faults})
		damaged = damaged || len(f.Faults) > 0
	}
	err = env.Report(out, func() { printVolume(env, in, out) })
	if err == nil && damaged {
		return outcome.ErrIncomplete
	}
	return err
}

func printVolume(env *Env, in volume.Info, out volumeLsJSON) {
	files := out.Files
	title := in.Kind + " volume"
	if in.Name != "" {
		title += " " + in.Name
	}
	if in.Date != "" {
		title += ", " + in.Date
	}
	env.Printf("%s\n", title)
	for _, d := range in.Details {
		env.Printf("  %-22s %s\n", d.Label, d.Value)
	}
	env.Printf("\n")
	width := 12
	for _, f := range files {
		width = max(width, len(f.Name))
	}
	for _, f := range files {
		line := fmt.Sprintf("  %-*s %8d bytes  %5d %-*s", width, f.Name, f.Size, f.Units, len(in.Unit)+1, strings.TrimPrefix(words.Count(f.Units, in.Unit), fmt.Sprint(f.Units, " ")))
		for _, s := range append([]string{f.Date}, f.Attributes...) {
			if s != "" {
				line += "  " + s
			}
		}
		env.Printf("%s\n", strings.TrimRight(line, " "))
		for _, x := range f.Faults {
			env.Printf("    %s\n", x)
		}
	}
	for _, d := range out.Directories {
		env.Printf("  %s/\n", d)
	}
	if len(files)+len(out.Directories) > 0 {
		env.Printf("\n")
	}
	env.Printf("%s; %s of %d free (%s); %s free.\n", words.Count(len(files), "file"), words.Count(in.Free, in.Unit), in.Units, kib(int64(in.Free)*int64(in.UnitBytes)),
		words.Count(in.FreeSlots, "directory entry"))
}

func kib(n int64) string { return fmt.Sprintf("%.1f KiB", float64(n)/1024) }

type volumeCheckCmd struct {
	Images []string `arg:"" name:"image" help:"Raw sector images; - for standard input."`
	volumeOpen
}

func (volumeCheckCmd) Help() string {
	return "Exit status 1: faults were found; 3: an image holds no volume (the others are checked all the same).\n\n" +
		"Example:\n  remanence volume check --json old.img\n  remanence volume check archive/*.img"
}

type volumeCheckJSON struct {
	Image   string         `json:"image"`
	Whole   bool           `json:"whole"`
	Kind    string         `json:"kind"`
	Faults  []volume.Fault `json:"faults"`
	Assumed []string       `json:"assumed"`

	summary string
	err     error
}

func (c *volumeCheckCmd) Run(env *Env) error {
	opt, err := c.options(env)
	if err != nil {
		return err
	}
	results := make([]volumeCheckJSON, len(c.Images))
	progress := env.Progress()
	progress.Start("checking", len(c.Images))
	var wg sync.WaitGroup
	gate := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i, path := range c.Images {
		gate <- struct{}{}
		if env.Context.Err() != nil {
			<-gate
			break
		}
		wg.Go(func() {
			results[i] = checkImage(path, opt)
			progress.Step(1, path)
			<-gate
		})
	}
	wg.Wait()
	progress.Done()
	if err := env.Context.Err(); err != nil {
		return err
	}
	return c.report(env, results)
}

func checkImage(path string, opt volume.Options) volumeCheckJSON {
	r := volumeCheckJSON{Image: path, Faults: []volume.Fault{}}
	v, said, err := openVolume(path, opt)
	r.Assumed = said
	if err != nil {
		r.err = err
		return r
	}
	in := v.Info()
	r.Kind = in.Kind
	r.Faults = append(r.Faults, v.Check()...)
	r.Whole = len(r.Faults) == 0
	r.summary = fmt.Sprintf("%s volume, %s, %s", in.Kind, words.Count(len(v.Files()), "file"), words.Count(in.Units, in.Unit))
	return r
}

// report prints one object for one image, a list for several.
func (c *volumeCheckCmd) report(env *Env, results []volumeCheckJSON) error {
	if len(results) == 1 && results[0].err != nil {
		return results[0].err
	}
	var failed error
	faults, damaged := 0, ""
	list := []volumeCheckJSON{}
	for _, r := range results {
		if r.err != nil {
			failed = errors.Join(failed, r.err)
			continue
		}
		if !r.Whole && damaged == "" {
			damaged = r.Image
		}
		faults += len(r.Faults)
		list = append(list, r)
	}
	var out any = struct {
		Images []volumeCheckJSON `json:"images"`
	}{list}
	if len(results) == 1 {
		out = results[0]
	}
	err := env.Report(out, func() {
		for _, r := range list {
			if len(results) == 1 {
				for _, s := range r.Assumed {
					env.Note("%s: %s", r.Image, s)
				}
			}
			what := "no faults found"
			if !r.Whole {
				what = words.Count(len(r.Faults), "fault") + ":"
			}
			env.Printf("%s: %s: %s\n", r.Image, r.summary, what)
			for _, f := range r.Faults {
				env.Printf("  %s\n", f)
			}
		}
		if faults > 0 && !env.Quiet {
			env.Printf("\n'remanence volume repair %s -o NEW' writes a sound volume with what can be read.\n", damaged)
		}
	})
	switch {
	case err != nil:
		return err
	case failed != nil:
		return outcome.As(outcome.Input, failed)
	case faults > 0:
		return outcome.ErrIncomplete
	}
	return nil
}

type volumeGetCmd struct {
	Image string   `arg:"" help:"Raw sector image; - for standard input."`
	Names []string `arg:"" optional:"" help:"Files to copy out, by their names on the volume (default: all)."`
	Out   string   `short:"o" required:"" placeholder:"FILE" help:"Where to: a file for one name (- for standard output), a folder for several or all."`
	All   bool     `help:"Copy out every file, to safe names in the folder -o."`
	Text  bool     `help:"Extent volumes: cut at the first 1Ah, which ends a text."`
	Force bool     `help:"Replace files that are there already."`
	volumeOpen
}

func (volumeGetCmd) Help() string {
	return "Without names every file is copied out. What cannot be read is filled with zeros and told; what is suspect, as a unit\n" +
		"that two files hold, is told as well; exit status 1.\n\nExample:\n  remanence volume get old.img NOTES/TXT -o notes.txt\n" +
		"  remanence volume get old.img -o files"
}

// listedName is the name that a file is listed under, for one that was typed in small letters or without its user number.
func listedName(suspects map[string][]volume.Fault, typed string) string {
	for _, n := range []string{typed, strings.ToUpper(typed), "0:" + strings.ToUpper(typed)} {
		if suspects[n] != nil {
			return n
		}
	}
	return typed
}

type volumeGetJSON struct {
	Files []volumeGotJSON `json:"files"`
}

type volumeGotJSON struct {
	Name   string         `json:"name"`
	File   string         `json:"file"`
	Size   int            `json:"size"`
	Whole  bool           `json:"whole"`
	Faults []volume.Fault `json:"faults"`
}

func (c *volumeGetCmd) Run(env *Env) error {
	if c.All && len(c.Names) > 0 {
		return outcome.As(outcome.Usage, fmt.Errorf("volume get: name the files, or say --all, not both"))
	}
	c.All = len(c.Names) == 0 // without names all files, as volume copy does
	if c.All && c.Out == "-" {
		return outcome.Hint(outcome.Usage, fmt.Errorf("volume get: standard output holds one file"), "name the file, or say -o FOLDER")
	}
	v, _, err := c.open(env, c.Image)
	if err != nil {
		return err
	}
	names := c.Names
	if c.All {
		for _, f := range v.Files() {
			names = append(names, f.Name)
		}
	}
	folder := c.All || len(names) > 1
	if st, err := os.Stat(c.Out); err == nil && st.IsDir() {
		folder = true
	}
	out := volumeGetJSON{Files: []volumeGotJSON{}}
	taken := map[string]bool{}
	damaged := false
	suspects := volume.Suspects(v)
	for _, name := range names {
		data, faults, err := v.Get(name)
		if err != nil {
			return outcome.As(outcome.Input, fmt.Errorf("%s: %w", c.Image, err))
		}
		faults = append(faults, suspects[listedName(suspects, name)]...)
		if c.Text && v.Kind() == "extent" {
			data = volume.CutText(data)
		}
		path := c.Out
		if folder {
			rel := volume.SafePath(v.Kind(), name, func(s string) bool { return taken[s] })
			taken[strings.ToLower(rel)] = true
			path = filepath.Join(c.Out, filepath.FromSlash(rel))
		}
		if path == "-" {
			if _, err := env.Stdout.Write(data); err != nil {
				return outcome.As(outcome.Output, err)
			}
		} else {
			if err := safefile.Distinct(path, c.Image); err != nil {
				return err
			}
			if err := safefile.WriteFile(path, data, c.Force); err != nil {
				return err
			}
		}
		if faults == nil {
			faults = []volume.Fault{}
		}
		damaged = damaged || len(faults) > 0
		out.Files = append(out.Files, volumeGotJSON{name, path, len(data), len(faults) == 0, faults})
		if !env.JSON && path != "-" {
			env.Printf("%s -> %s, %d bytes\n", name, path, len(data))
		}
		if !env.JSON || path == "-" {
			for _, f := range faults { // damage is told even with --quiet
				fmt.Fprintln(env.Stderr, f)
			}
		}
	}
	if env.JSON && c.Out != "-" {
		if err := env.PrintJSON(out); err != nil {
			return err
		}
	}
	if damaged {
		return outcome.ErrIncomplete
	}
	return nil
}
