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
	Image      string `arg:"" help:"Raw sector image of the disk to be written."`
	Recording  string `placeholder:"NAME:CxS" help:"Recording (default: recognised from the volume on it)."`
	Machine    string `placeholder:"NAME" help:"Machine that must read the disk."`
	Medium     string `placeholder:"NUMBER" help:"Number on the label (default: the image's name)."`
	Title      string `help:"Title of the disk."`
	Drive      string `placeholder:"NAME" help:"Drive (default: of the best combination)."`
	Controller string `placeholder:"NAME" help:"Controller."`
	Disk       string `placeholder:"NAME" help:"Kind of disk."`
	Output     string `short:"o" required:"" type:"path" placeholder:"FILE.pdf" help:"The sheet."`
	Force      bool   `help:"Replace a sheet that is there."`
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
	target, err := bench.TargetOf(set, rec, c.Machine)
	if err != nil {
		return err
	}
	good, err := set.Medium("good")
	if err != nil {
		return err
	}
	var with *bench.Combination
	if c.Drive != "" || c.Controller != "" || c.Disk != "" {
		d, k, m, err := kit.Find(c.Drive, c.Controller, c.Disk)
		if err != nil {
			return err
		}
		with = bench.Judge(rec, target, d, k, m, good.Disk)
	} else if a := bench.Advise(rec, target, kit, good.Disk); len(a.Combinations) > 0 {
		with = a.Combinations[0]
	}
	if with == nil || !with.Possible {
		return outcome.Hint(outcome.Usage, errNoCombination, "remanence bench advise "+rec.Reference()+" says why")
	}
	sum := sha256.Sum256(im.Data)
	j := bench.SheetJob{Medium: c.Medium, Keep: shelf.CheckNumber(c.Medium) == nil, Title: c.Title, Image: filepath.Base(c.Image), SHA256: hex.EncodeToString(sum[:]), Recording: rec, Target: target.Name, With: with}
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
