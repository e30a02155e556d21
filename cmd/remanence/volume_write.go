package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/volume"
)

// volumeOut says where a changed volume goes.
type volumeOut struct {
	Out     string `short:"o" placeholder:"IMAGE" help:"Write the changed volume to this image."`
	InPlace bool   `help:"Change the image itself."`
	Force   bool   `help:"Replace an image that is there already."`
}

func (o *volumeOut) check() error {
	if (o.Out == "") == !o.InPlace {
		return outcome.Hint(outcome.Usage, fmt.Errorf("where to?"), "say -o NEW, or --in-place to change the image itself")
	}
	return nil
}

// save writes the volume; the image it came from is touched only with --in-place.
func (o *volumeOut) save(v volume.Volume, from string) (string, error) {
	if o.InPlace {
		if from == "-" {
			return "", outcome.As(outcome.Usage, fmt.Errorf("--in-place: standard input is no file"))
		}
		return from, v.Image().Save(from, true)
	}
	if err := safefile.Distinct(o.Out, from); err != nil {
		return "", err
	}
	return o.Out, v.Image().Save(o.Out, o.Force)
}

type volumeNewCmd struct {
	Recording  string   `required:"" placeholder:"NAME:CxS" help:"Recording of the disk, as fm10x256:40x1."`
	Out        string   `short:"o" required:"" placeholder:"IMAGE" help:"Image to write."`
	Kind       string   `placeholder:"KIND" help:"granule, fat12 or extent (default: what is usual on the recording)."`
	Machine    string   `placeholder:"CLASS" help:"Take directory cylinder, marks and parameter block from this machine class."`
	Name       string   `help:"Volume name or label."`
	Date       string   `placeholder:"YYYY-MM-DD" help:"Date of the volume (default: 1979-01-01, so that equal calls give equal disks)."`
	Command    string   `help:"Granule volumes: command run at start-up."`
	Directory  int      `placeholder:"CYLINDER" help:"Granule volumes: cylinder of the directory (default 17)."`
	Rounding   string   `placeholder:"up|down" help:"Granule volumes: is a partial last sector counted? (default up)"`
	LockOut    []int    `placeholder:"CYLINDER" help:"Granule volumes: cylinders that are not to be used."`
	Boot       string   `type:"existingfile" placeholder:"FILE" help:"Boot sector code (default: says that this is no system disk)."`
	Serial     uint32   `help:"FAT12: volume serial number."`
	Parameters string   `placeholder:"NAME" help:"Extent volumes: parameter block, by name or TOML file."`
	Files      []string `short:"f" placeholder:"FILE" type:"existingfile" help:"Files to put into it at once."`
	Force      bool     `help:"Replace an image that is there already."`
}

func (volumeNewCmd) Help() string {
	return "Example:\n  remanence volume new --recording fm10x256:35x1 --name TIDES -o tides.img\n" +
		"  remanence volume new --recording mfm9x512:40x2 -o exchange.img"
}

func (c *volumeNewCmd) Run(env *Env) error {
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	rec, err := set.Recording(c.Recording)
	if err != nil {
		return err
	}
	var o volume.NewOptions
	kind := c.Kind
	if c.Machine != "" {
		m, err := set.Machine(c.Machine)
		if err != nil {
			return err
		}
		if m.Disk == nil {
			return outcome.As(outcome.Usage, fmt.Errorf("machine %s: has no disk", m.Name))
		}
		o = m.Disk.Options
		if kind == "" {
			kind = m.Disk.Volume
		}
		if m.Disk.Parameters != "" && o.Parameters == nil {
			if o.Parameters, err = set.Parameters(m.Disk.Parameters); err != nil {
				return err
			}
		}
	}
	if kind == "" {
		if kind = volume.UsualKind(rec); kind == "" {
			return outcome.Hint(outcome.Usage, fmt.Errorf("%s: no kind of volume is usual on it", rec.Reference()), "say --kind granule, fat12 or extent")
		}
	}
	set1 := func(to *string, s string) {
		if s != "" {
			*to = s
		}
	}
	set1(&o.Name, c.Name)
	set1(&o.Date, c.Date)
	set1(&o.Command, c.Command)
	set1(&o.Rounding, c.Rounding)
	if c.Directory != 0 {
		o.Directory = c.Directory
	}
	o.LockedOut = append(slices.Clone(o.LockedOut), c.LockOut...)
	if c.Serial != 0 {
		o.Serial = c.Serial
	}
	if c.Boot != "" {
		if o.Boot, err = readSmall(c.Boot, 8192); err != nil {
			return err
		}
	}
	if c.Parameters != "" {
		if o.Parameters, err = volumeParameters(set, c.Parameters); err != nil {
			return err
		}
	}
	if kind == "extent" && o.Parameters == nil {
		if o.Parameters = volume.ParametersFor(rec, set.ParameterSets()); o.Parameters == nil {
			return outcome.Hint(outcome.Usage, fmt.Errorf("%s: no parameter block is known for it", rec.Reference()), "say --parameters NAME or FILE.toml")
		}
	}
	v, err := volume.New(kind, rec, o)
	if err != nil {
		return outcome.As(outcome.Usage, err)
	}
	if len(c.Files) > 0 {
		put := volumePutCmd{Files: c.Files}
		if _, err := put.putAll(env, v); err != nil {
			return err
		}
	}
	if err := v.Image().Save(c.Out, c.Force); err != nil {
		return err
	}
	in := v.Info()
	return env.Report(map[string]any{"kind": in.Kind, "name": in.Name, "image": c.Out, "recording": rec.Name, "cylinders": rec.Cylinders, "sides": rec.Sides, "free-granules": in.Free, "free-entries": in.FreeSlots}, func() {
		env.Printf("%s: %s volume on %s, %s and %s free.\n", c.Out, in.Kind, rec.Reference(), kib(int64(in.Free)*int64(in.UnitBytes)), words.Count(in.FreeSlots, "directory entry"))
	})
}

func readSmall(path string, most int64) ([]byte, error) {
	st, err := os.Stat(path)
	if err == nil && st.Size() > most {
		err = fmt.Errorf("%s: %d bytes; want at most %d", path, st.Size(), most)
	}
	if err != nil {
		return nil, outcome.As(outcome.Input, err)
	}
	b, err := os.ReadFile(path)
	return b, outcome.As(outcome.Input, err)
}

type volumePutCmd struct {
	Image      string   `arg:"" help:"Raw sector image."`
	Files      []string `arg:"" help:"Files to put in."`
	As         string   `placeholder:"NAME" help:"Name on the volume, for one file (default: made from the file's own)."`
	Into       string   `placeholder:"DIR" help:"FAT12: directory to put them in, made where it is missing. Extent volumes: user number."`
	FileDate   string   `placeholder:"YYYY-MM-DD" help:"Date to file them under, with a time HH:MM:SS if you like (default: none; FAT12 1980-01-01)."`
	Attributes []string `placeholder:"WORD" help:"read-only, hidden, system, as the kind has them."`
	Replace    bool     `help:"Replace files of the same name on the volume."`
	volumeOut
	volumeOpen
}

func (volumePutCmd) Help() string {
	return "Example:\n  remanence volume put heron.img tide.cmd notes.txt -o heron1.img\n  remanence volume put heron.img game.bas --as GAME/BAS --in-place"
}

type volumePutJSON struct {
	Image string          `json:"image"`
	Files []volumePutFile `json:"files"`
}

type volumePutFile struct {
	Path    string `json:"path"`
	Name    string `json:"name"`
	Size    int    `json:"size"`
	Changed string `json:"changed,omitempty"`
}

func (c *volumePutCmd) Run(env *Env) error {
	if err := c.check(); err != nil {
		return err
	}
	if c.As != "" && len(c.Files) != 1 {
		return outcome.As(outcome.Usage, fmt.Errorf("--as: names one file, not %d", len(c.Files)))
	}
	v, _, err := c.open(env, c.Image)
	if err != nil {
		return err
	}
	files, err := c.putAll(env, v)
	if err != nil {
		return err
	}
	to, err := c.save(v, c.Image)
	if err != nil {
		return err
	}
	return env.Report(volumePutJSON{to, files}, func() {
		for _, f := range files {
			env.Printf("%s -> %s, %d bytes%s\n", f.Path, f.Name, f.Size, changed(f.Changed))
		}
		in := v.Info()
		env.Printf("%s: %s free.\n", to, kib(int64(in.Free)*int64(in.UnitBytes)))
	})
}

func changed(why string) string {
	if why == "" {
		return ""
	}
	return " (" + why + ")"
}

// putAll puts every file or none: the volume is saved only where all fit.
func (c *volumePutCmd) putAll(env *Env, v volume.Volume) ([]volumePutFile, error) {
	there := map[string]bool{}
	for _, f := range v.Files() {
		there[f.Name] = true
	}
	prefix := volume.Prefix(v.Kind(), c.Into)
	var out []volumePutFile
	mine := map[string]bool{}
	for _, path := range c.Files {
		data, err := readSmall(path, disk.MaxImageBytes)
		if err != nil {
			return nil, err
		}
		f := volumePutFile{Path: path, Name: c.As, Size: len(data)}
		if f.Name == "" {
			taken := func(n string) bool { return mine[prefix+n] || !c.Replace && there[prefix+n] }
			f.Name, f.Changed = volume.NameFor(v.Kind(), filepath.Base(path), taken)
			f.Name = prefix + f.Name
		}
		mine[f.Name] = true
		if err := v.Put(f.Name, data, volume.PutOptions{Date: c.FileDate, Attributes: c.Attributes, Replace: c.Replace}); err != nil {
			return nil, outcome.As(outcome.Output, fmt.Errorf("%s: %w", path, err))
		}
		out = append(out, f)
	}
	return out, nil
}

type volumeDeleteCmd struct {
	Image string   `arg:"" help:"Raw sector image."`
	Names []string `arg:"" help:"Files to delete."`
	volumeOut
	volumeOpen
}

func (volumeDeleteCmd) Help() string {
	return "Example:\n  remanence volume delete heron.img OLD/BAS -o slim.img"
}

func (c *volumeDeleteCmd) Run(env *Env) error {
	return c.change(env, c.Image, &c.volumeOpen, func(v volume.Volume) error {
		for _, n := range c.Names {
			if err := v.Delete(n); err != nil {
				return outcome.As(outcome.Input, err)
			}
		}
		return nil
	}, strings.Join(c.Names, ", ")+" deleted")
}

type volumeRenameCmd struct {
	Image string `arg:"" help:"Raw sector image."`
	From  string `arg:"" help:"Name now."`
	To    string `arg:"" help:"New name."`
	volumeOut
	volumeOpen
}

func (volumeRenameCmd) Help() string {
	return "Example:\n  remanence volume rename heron.img GAME/BAS CHESS/BAS -o new.img"
}

func (c *volumeRenameCmd) Run(env *Env) error {
	return c.change(env, c.Image, &c.volumeOpen, func(v volume.Volume) error {
		return outcome.As(outcome.Input, v.Rename(c.From, c.To))
	}, c.From+" is now "+c.To)
}

type volumeLabelCmd struct {
	Image string `arg:"" help:"Raw sector image."`
	Name  string `arg:"" help:"New name."`
	Date  string `placeholder:"YYYY-MM-DD" help:"New date (default: the one it has)."`
	volumeOut
	volumeOpen
}

func (volumeLabelCmd) Help() string {
	return "Extent volumes have no name.\n\nExample:\n  remanence volume label heron.img TIDES -o tides.img"
}

func (c *volumeLabelCmd) Run(env *Env) error {
	return c.change(env, c.Image, &c.volumeOpen, func(v volume.Volume) error {
		l, ok := v.(volume.Labelled)
		if !ok {
			return fmt.Errorf("%s: a volume of this kind has no name", v.Kind())
		}
		return l.SetLabel(c.Name, c.Date)
	}, "is now called "+strings.ToUpper(c.Name))
}

type volumeMkdirCmd struct {
	Image string `arg:"" help:"Raw sector image of a FAT12 volume."`
	Name  string `arg:"" help:"Directory; those above it are made as well."`
	Date  string `placeholder:"YYYY-MM-DD" help:"Date of the directory (default: 1980-01-01)."`
	volumeOut
	volumeOpen
}

func (volumeMkdirCmd) Help() string {
	return "Example:\n  remanence volume mkdir exchange.img OLD/TAPES -o new.img"
}

func (c *volumeMkdirCmd) Run(env *Env) error {
	return c.change(env, c.Image, &c.volumeOpen, func(v volume.Volume) error {
		d, ok := v.(volume.Directories)
		if !ok {
			return fmt.Errorf("%s: a volume of this kind has no directories", v.Kind())
		}
		return d.MakeDirectory(c.Name, c.Date)
	}, "has the directory "+strings.ToUpper(c.Name))
}

// change opens, changes and saves a volume.
func (o *volumeOut) change(env *Env, image string, how *volumeOpen, do func(volume.Volume) error, done string) error {
	if err := o.check(); err != nil {
		return err
	}
	v, _, err := how.open(env, image)
	if err != nil {
		return err
	}
	if err := do(v); err != nil {
		return outcome.As(outcome.Usage, fmt.Errorf("%s: %w", image, err))
	}
	to, err := o.save(v, image)
	if err != nil {
		return err
	}
	return env.Report(map[string]any{"image": to, "done": done}, func() { env.Printf("%s: %s.\n", to, done) })
}
