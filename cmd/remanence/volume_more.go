package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/internal/words"
	"remanence/picture"
	"remanence/volume"
)

type volumeMapCmd struct {
	Image string `arg:"" help:"Raw sector image; - for standard input."`
	Out   string `short:"o" placeholder:"FILE" help:"Draw it: .svg or .png."`
	Force bool   `help:"Replace a picture that is there already."`
	volumeOpen
}

func (volumeMapCmd) Help() string {
	return "The ribbon shows the volume in disk order; the denser a character, the more of its stretch is taken.\n\nExample:\n  remanence volume map heron.img -o heron-map.svg"
}

type volumeMapJSON struct {
	Kind   string         `json:"kind"`
	Unit   string         `json:"unit"`
	Bytes  int            `json:"unit-bytes"`
	Counts map[string]int `json:"counts"`
	Units  []volume.Unit  `json:"units"`
}

func (c *volumeMapCmd) Run(env *Env) error {
	v, _, err := c.open(env, c.Image)
	if err != nil {
		return err
	}
	in, units := v.Info(), v.Map()
	counts := map[string]int{}
	for s, n := range volume.Counts(units) {
		counts[s.String()] = n
	}
	if c.Out != "" {
		if err := drawVolumeMap(c.Out, c.Force, filepath.Base(c.Image), in, units); err != nil {
			return err
		}
	}
	return env.Report(volumeMapJSON{in.Kind, in.Unit, in.UnitBytes, counts, units}, func() {
		const width = 64
		lines := max(1, (len(units)+4*width-1)/(4*width)) // at most four units a character
		for i := range lines {
			part := units[i*len(units)/lines : (i+1)*len(units)/lines]
			env.Printf("%5d  %s\n", part[0].Number, volume.Ribbon(part, width))
		}
		env.Printf("\n")
		for s := volume.UnitFree; s <= volume.UnitShared; s++ {
			if n := counts[s.String()]; n > 0 {
				env.Printf("  %-8s %13s, %s\n", s, words.Count(n, in.Unit), kib(int64(n)*int64(in.UnitBytes)))
			}
		}
		for _, s := range fileStretches(units) {
			env.Printf("  %s\n", s)
		}
	})
}

// drawVolumeMap writes the map as a picture; the ending of the name says in which form.
func drawVolumeMap(path string, force bool, title string, in volume.Info, units []volume.Unit) error {
	m := picture.VolumeMap{Title: title, Desc: fmt.Sprintf("%s volume, %d %ss of %d bytes", in.Kind, in.Units, in.Unit, in.UnitBytes), Unit: in.Unit}
	index := map[string]int{}
	for _, u := range units {
		use := picture.UnitUse{File: -1, State: picture.UnitUsed}
		switch u.State {
		case volume.UnitFree:
			use.State = picture.UnitFree
		case volume.UnitSystem:
			use.State = picture.UnitSystem
		case volume.UnitLocked:
			use.State = picture.UnitLocked
		case volume.UnitLost:
			use.State = picture.UnitLost
		}
		if u.File != "" {
			i, ok := index[u.File]
			if !ok {
				i = len(m.Files)
				index[u.File] = i
				m.Files = append(m.Files, u.File)
			}
			use.File = i
		}
		m.Units = append(m.Units, use)
	}
	var b bytes.Buffer
	var err error
	switch strings.ToLower(filepath.Ext(path)) {
	case ".svg":
		err = m.Draw().SVG(&b, picture.SVGOptions{})
	case ".png":
		err = m.Draw().PNG(&b, 2, picture.Light)
	default:
		return outcome.As(outcome.Usage, fmt.Errorf("%s: want a name that ends in .svg or .png", path))
	}
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	return safefile.WriteFile(path, b.Bytes(), force)
}

// fileStretches lists where each file lies, in disk order.
func fileStretches(units []volume.Unit) []string {
	var out []string
	for i := 0; i < len(units); {
		j := i + 1
		for j < len(units) && units[j].File == units[i].File && units[j].State == units[i].State {
			j++
		}
		if units[i].File != "" {
			out = append(out, fmt.Sprintf("%-24s %s, %d", units[i].File, units[i].Place, j-i))
		}
		i = j
	}
	return out
}

type volumeCopyCmd struct {
	From    string   `arg:"" help:"Image to copy from."`
	To      string   `arg:"" help:"Image to copy to."`
	Names   []string `arg:"" optional:"" help:"Files to copy (default: all)."`
	Into    string   `placeholder:"DIR" help:"FAT12: directory they go to. Extent volumes: user number."`
	Binary  bool     `help:"Leave line ends of text as they are."`
	Replace bool     `help:"Replace files of the same name."`
	volumeOut
	Kind   string `placeholder:"KIND" help:"Kind of the volume to copy from (default: recognised)."`
	ToKind string `placeholder:"KIND" help:"Kind of the volume to copy to (default: recognised)."`
}

func (volumeCopyCmd) Help() string {
	return "Names become the form of the other kind: shortened to 8 and 3 characters, characters left out that it does not allow, numbered where\n" +
		"two would be the same. Text (lines of printable characters) gets the line ends of the other kind: 0D on granule volumes, 0D 0A elsewhere;\n" +
		"the 1Ah filler of extent volumes goes. Intel HEX and S-records are data and stay as they are. Every change is told.\n\nExample:\n  remanence volume copy old8inch.img exchange.img -o exchange1.img"
}

func (c *volumeCopyCmd) Run(env *Env) error {
	if err := c.check(); err != nil {
		return err
	}
	from, _, err := (&volumeOpen{Kind: c.Kind}).open(env, c.From)
	if err != nil {
		return err
	}
	to, _, err := (&volumeOpen{Kind: c.ToKind}).open(env, c.To)
	if err != nil {
		return err
	}
	changes := volume.Copy(to, from, c.Names, volume.CopyOptions{Binary: c.Binary, Replace: c.Replace, Into: c.Into})
	path, err := c.save(to, c.To)
	if err != nil {
		return err
	}
	return reportChanges(env, path, changes)
}

type volumeChangesJSON struct {
	Image string          `json:"image"`
	Files []volume.Change `json:"files"`
}

// reportChanges prints what became of each file; exit status 1 where one was left out or is damaged.
func reportChanges(env *Env, path string, changes []volume.Change) error {
	if changes == nil {
		changes = []volume.Change{}
	}
	lost := 0
	err := env.Report(volumeChangesJSON{path, changes}, func() {
		for _, c := range changes {
			if c.Fault != "" {
				env.Printf("%s: left out: %s\n", c.From, c.Fault)
				continue
			}
			line := fmt.Sprintf("%s -> %s, %d bytes", c.From, c.To, c.Size)
			if len(c.What) > 0 {
				line += " (" + strings.Join(c.What, "; ") + ")"
			}
			env.Printf("%s\n", line)
		}
		env.Printf("%s: written.\n", path)
	})
	for _, c := range changes {
		if c.Fault != "" || len(c.What) > 0 && strings.HasPrefix(c.What[0], "damaged") {
			lost++
		}
	}
	if err == nil && lost > 0 {
		return outcome.ErrIncomplete
	}
	return err
}

type volumeRepairCmd struct {
	Image string `arg:"" help:"Raw sector image; it is not changed."`
	Out   string `short:"o" required:"" placeholder:"IMAGE" help:"Image to write."`
	Force bool   `help:"Replace an image that is there already."`
	volumeOpen
}

func (volumeRepairCmd) Help() string {
	return "A fresh volume of the same shape is filled with every file that can be read; boot code, name, lock-outs, dates and passwords are kept.\n" +
		"Space that was marked as taken but belonged to no file is kept as LOST1, LOST2, ... where anything is in it.\n" +
		"Exit status 1: a file that is damaged or suspect, as one that shares a unit with another, is among them, or faults remain.\n\nExample:\n  remanence volume repair old.img -o sound.img"
}

func (c *volumeRepairCmd) Run(env *Env) error {
	v, _, err := c.open(env, c.Image)
	if err != nil {
		return err
	}
	before := v.Check()
	to, changes, err := volume.Repair(v)
	if err != nil {
		return outcome.As(outcome.Input, fmt.Errorf("%s: %w", c.Image, err))
	}
	after := to.Check()
	if len(after) > 0 { // damage is told even with --quiet
		for _, f := range after {
			fmt.Fprintln(env.Stderr, f)
		}
		fmt.Fprintf(env.Stderr, "%s: %s remain (of %d); they lie in the sectors or in the boot area.\n", c.Out, words.Count(len(after), "fault"), len(before))
	}
	out := volumeOut{Out: c.Out, Force: c.Force}
	path, err := out.save(to, c.Image)
	if err != nil {
		return err
	}
	err = reportChanges(env, path, changes)
	if err == nil && len(after) > 0 {
		err = outcome.ErrIncomplete
	}
	return err
}
