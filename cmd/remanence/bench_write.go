package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/machine"
)

type benchWriteCmd struct {
	Image     string `arg:"" help:"Raw sector image; its sidecar is read too."`
	Recording string `placeholder:"NAME:CxS" help:"Recording (default: recognised from the volume on it)."`
	Yes       bool   `help:"Do not ask before the disk is erased."`
	Log       string `type:"path" placeholder:"FILE" help:"Log of the run; a later run with it resumes (default: bench-log.jsonl in the configuration folder)."`
	KeepMarks bool   `help:"Stop rather than write F8 for a mark that the controller does not have."`
	keepFlags
	deviceFlags
}

func (benchWriteCmd) Help() string {
	return `Formats, writes and reads back track by track; only what came back from the disk itself with its identifiers, marks and
data is called verified. What failed is tried three times. After an interruption, the same command reads what was
verified and goes on from there. The disk is erased: you are asked first.

With --medium the run goes on the shelf as one to write and, where every track came back, one to verify; the master is
known by the image's sum. Where the shelf cannot be written, the commands that log the run later are printed and the
exit status is 1.

Example:
  remanence bench write D01.img --recording fm10x256 --drive a --machine z80-fm10 --medium SCC-0012`
}

func (c *benchWriteCmd) Run(env *Env) error {
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
	if err := wholeImage(c.Image, rec); err != nil {
		return err
	}
	if err := c.check(env); err != nil {
		return err
	}
	dev, comb, medium, err := c.open(env, rec)
	if err != nil {
		return err
	}
	defer dev.Close()
	if k, ok := dev.(*kernel.Drive); ok {
		for _, s := range k.Degraded() {
			env.Note("%s: %s", dev.Name(), s)
		}
	}
	for _, f := range comb.DoFirst {
		env.Note("First: %s", f)
	}
	if !c.Yes {
		if err := askErase(env, dev.Name(), medium.Title); err != nil {
			return err
		}
	}
	path := c.Log
	if path == "" {
		path = filepath.Join(env.ConfigDir(), "bench-log.jsonl")
	}
	log, err := bench.OpenLog(path, time.Now)
	if err != nil {
		return err
	}
	defer log.Close()
	o := bench.WriteOptions{Log: log, Progress: env.Progress(), ReplaceMark: disk.MarkDeleted}
	if c.KeepMarks || comb.Mark == "" {
		o.ReplaceMark = 0
	}
	begun := time.Now()
	r, err := bench.WriteDisk(env.Context, dev, im, rec, comb, o)
	kept := c.keep(env, titleOf(c.Image), writeRuns(c.Image, r, comb, begun, err))
	if err != nil {
		hint := words.Count(r.Verified, "track") + " verified; say the same again to go on from there"
		if errors.Is(err, bench.ErrUnable) { // found before the first track is touched
			hint = "nothing was written; remanence bench advise " + rec.Reference() + " says what can write it"
		}
		if kept.missing() != nil {
			hint += "\n" + kept.text()
		}
		return outcome.Hint(outcome.Output, stopped(err, "by you"), hint)
	}
	rep := struct {
		*bench.WriteReport
		Shelf *keptJSON `json:"shelf,omitempty"`
	}{r, kept}
	if err := env.Report(rep, func() {
		env.Printf("%s on %s: %d of %d tracks verified, %d sectors", r.Recording, r.Device, r.Verified, r.Tracks, r.Sectors)
		if r.Resumed > 0 {
			env.Printf(" (%d tracks from an earlier run, read again)", r.Resumed)
		}
		env.Printf("\n")
		if r.Replaced > 0 {
			env.Printf("%d marks were replaced: %s\n", r.Replaced, comb.Mark)
		}
		for _, f := range r.Failed {
			env.Printf("  cylinder %d head %d: %s; that track is not verified after %d attempts\n", f.Cylinder, f.Head, f.Why, f.Attempts)
		}
		kept.print(env)
		switch {
		case !r.Whole:
			env.Remark("\nNext: clean the heads and say the same again, or take another disk.\n")
		case kept == nil:
			env.Remark("\nNext: try it at the machine. --medium NUMBER keeps such a run on the shelf.\n")
		default:
			env.Remark("\nNext: try it at the machine.\n")
		}
	}); err != nil {
		return err
	}
	if !r.Whole {
		return outcome.ErrIncomplete
	}
	return kept.missing()
}

// wholeImage refuses an image of another length than the recording's: what is not there cannot be written.
func wholeImage(path string, rec *disk.Recording) error {
	st, err := os.Stat(path)
	if want := geometrySize(rec); path != "-" && err == nil && st.Mode().IsRegular() && st.Size() != want {
		return outcome.Hint(outcome.Input, fmt.Errorf("%s: image has %d bytes, recording %s needs %d", path, st.Size(), rec.Reference(), want), "say another --recording, or none: it is recognised from the volume on the image")
	}
	return nil
}

// askErase asks on the terminal; without one, --yes must be said.
func askErase(env *Env, device, what string) error {
	if s, err := os.Stdin.Stat(); err != nil || s.Mode()&os.ModeCharDevice == 0 {
		return outcome.Hint(outcome.Usage, errors.New("the disk in "+device+" would be erased"), "say --yes if that is meant")
	}
	fmt.Fprintf(env.Stderr, "The disk in %s (%s) is erased and written anew. Say yes to go on: ", device, what)
	l, err := bufio.NewReader(os.Stdin).ReadString('\n')
	if a := strings.TrimSpace(strings.ToLower(l)); err != nil || a != "yes" && a != "y" {
		return outcome.As(outcome.Usage, errors.New("nothing was written"))
	}
	return nil
}
