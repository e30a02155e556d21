package main

import (
	"crypto/sha256"
	"encoding/hex"
	"path/filepath"
	"strings"

	"remanence/bench"
	"remanence/internal/outcome"
	"remanence/internal/safefile"
	"remanence/picture"
	"remanence/shelf"
)

type benchSheetCmd struct {
	Image     string `arg:"" help:"Raw sector image of the disk to be written."`
	Recording string `placeholder:"NAME:CxS" help:"Recording (default: recognised from the volume on it)."`
	Machine   string `placeholder:"NAME" help:"Machine that must read the disk."`
	Medium    string `placeholder:"NUMBER" help:"Number on the label (default: the image's name)."`
	Title     string `help:"Title of the disk."`
	Output    string `short:"o" required:"" type:"path" placeholder:"FILE.pdf" help:"The sheet."`
	Force     bool   `help:"Replace a sheet that is there."`
	onlyFlags
}

func (benchSheetCmd) Help() string {
	return `One page to take to the bench: cautions, what to do first, settings, expected time, what success looks like, and the
log entry to complete.

Example:
  remanence bench sheet D01.img --recording fm10x256 --machine z80-fm10 --medium SCC-0012 -o SCC-0012-run.pdf`
}

func (c *benchSheetCmd) Run(env *Env) error {
	set, kit, err := loadKit(env)
	if err != nil {
		return err
	}
	im, rec, _, err := loadForEncoding(set, c.Image, c.Recording)
	if err != nil {
		return err
	}
	if err := wholeImage(c.Image, rec); err != nil {
		return err
	}
	target, err := bench.TargetOf(set, rec, c.Machine)
	if err != nil {
		return err
	}
	good, err := set.Medium("good")
	if err != nil {
		return err
	}
	if kit, err = kit.Only(c.Drive, c.Controller, c.Disk); err != nil {
		return err
	}
	a := bench.Advise(rec, target, kit, good.Disk)
	if len(a.Combinations) == 0 || !a.Combinations[0].Possible {
		return outcome.Hint(outcome.Usage, errNoCombination, adviseCommand(env, rec.Reference(), c.Machine, c.onlyFlags)+" says why")
	}
	with := a.Combinations[0]
	sum := sha256.Sum256(im.Data)
	j := bench.SheetJob{Medium: c.Medium, Title: c.Title, Image: filepath.Base(c.Image), SHA256: hex.EncodeToString(sum[:]), Recording: rec, Target: target.Name, With: with}
	number := "" // the run is to be kept on the shelf under it
	if shelf.CheckNumber(c.Medium) == nil {
		number = c.Medium
	}
	j.Command = writeCommand(env, j.Image, rec.Reference(), c.Machine, with, "--medium", number)
	if j.Medium == "" {
		j.Medium = strings.TrimSuffix(j.Image, filepath.Ext(j.Image))
	}
	if m, err := set.Machine(target.Name); err == nil && m.Disk != nil {
		j.Start = m.Disk.Start
	}
	f, err := safefile.Create(c.Output, c.Force)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := picture.PDF(f, []*picture.Canvas{bench.RunSheet(j)}, picture.PDFMeta{Title: "Run sheet " + j.Medium, Creator: "remanence " + version}); err != nil {
		return outcome.As(outcome.Output, err)
	}
	if err := f.Commit(); err != nil {
		return err
	}
	return env.Report(map[string]any{"sheet": c.Output, "with": with}, func() {
		env.Printf("Run sheet of %s written to %s: %s, %s, %s.\n\nNext: print it at 100 %% and take it to the bench.\n", j.Medium, c.Output, with.Drive, with.Controller, with.Medium)
	})
}
