package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"remanence/bench"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/shelf"
)

type benchReadCmd struct {
	Recording string `arg:"" help:"Recording, as fm10x256:40x1."`
	Output    string `short:"o" required:"" type:"path" placeholder:"IMAGE" help:"Raw sector image; what it can't say goes into NAME.sectors.json beside it."`
	Force     bool   `help:"Replace an image that is there."`
	Log       string `type:"path" placeholder:"FILE" help:"Log of the run (default: none)."`
	keepFlags
	deviceFlags
}

func (benchReadCmd) Help() string {
	return `Reads every track, what fails three times, and keeps what is known of each sector. With --medium the reading goes on
the shelf. Where no sector was read, the drive looks for itself, in FM and MFM, and what seems to be there is said.

Example:
  remanence bench read mfm9x512 -o found.img --drive a --medium SCC-0040`
}

// counted counts the tracks that were read.
type counted struct {
	progress.Progress
	n int
}

func (c *counted) Step(n int, what string) { c.n += n; c.Progress.Step(n, what) }

func (c *benchReadCmd) Run(env *Env) error {
	if err := outputsFree(c.Force, c.Output); err != nil {
		return err
	}
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	rec, err := set.Recording(c.Recording)
	if err != nil {
		return err
	}
	if err := c.check(env); err != nil {
		return err
	}
	dev, comb, _, err := c.open(env, rec)
	if err != nil {
		return err
	}
	defer dev.Close()
	var log *bench.RunLog
	if c.Log != "" {
		if log, err = bench.OpenLog(c.Log, time.Now); err != nil {
			return err
		}
		defer log.Close()
	}
	begun := time.Now()
	tracks := &counted{Progress: env.Progress()}
	im, lost, err := bench.ReadDisk(env.Context, dev, rec, comb, log, tracks)
	if err != nil {
		hint := fmt.Sprintf("%s read; nothing was written to %s", words.Count(tracks.n, "track"), c.Output)
		if lost > 0 { // what was found is told; a reading that only ended early says nothing of the disk
			kept := c.keep(env, titleOf(c.Output), []shelf.Run{stoppedRun(c.Output, rec, tracks.n, lost, dev.Name(), comb, begun, err)})
			if kept.missing() != nil {
				hint += "\n" + kept.text()
			}
		}
		return outcome.Hint(outcome.Output, stopped(err, "by you"), hint)
	}
	if err := im.Save(c.Output, c.Force); err != nil {
		return err
	}
	kept := c.keep(env, titleOf(c.Output), []shelf.Run{readRun(c.Output, rec, im, lost, dev.Name(), comb, begun)})
	var seen *bench.Seen
	if lost == im.Geometry.Sectors() {
		seen = bench.Look(env.Context, dev, rec, comb, set.Recordings())
	}
	rep := struct {
		Recording string      `json:"recording"`
		Cylinders int         `json:"cylinders"`
		Sides     int         `json:"sides"`
		Image     string      `json:"image"`
		Sectors   int         `json:"sectors"`
		Lost      int         `json:"sectors-lost"`
		Seen      *bench.Seen `json:"seen,omitempty"`
		Shelf     *keptJSON   `json:"shelf,omitempty"`
	}{rec.Name, rec.Cylinders, rec.Sides, c.Output, im.Geometry.Sectors(), lost, seen, kept}
	if err := env.Report(rep, func() {
		env.Printf("%s: %d of %d sectors read, written to %s\n", rep.Recording, rep.Sectors-lost, rep.Sectors, c.Output)
		kept.print(env)
		if lost == rep.Sectors {
			c.nothing(env, rec, seen)
		}
	}); err != nil {
		return err
	}
	if lost > 0 {
		return outcome.ErrIncomplete
	}
	return kept.missing()
}

// nothing says what seems to be on a disk of which no sector was read, and what to try.
func (c *benchReadCmd) nothing(env *Env, rec *disk.Recording, seen *bench.Seen) {
	const other = "the disk is blank, or recorded otherwise: try others with remanence bench read (FM: fm10x256; MFM: mfm9x512), and clean the heads"
	again := func(name string) string {
		return "remanence bench read " + name + flags("-o", c.Output, "--drive", c.Drive, "--controller", c.Controller, "--disk", c.Disk, "--device", c.Device, "--adapter", c.Adapter, "--remote", c.Remote, "--medium", c.Medium, "--shelf", c.Shelf) + flags(configFlag(env)...) + " --force"
	}
	if seen != nil {
		env.Printf("%s\n", seen)
	}
	switch {
	case seen == nil:
		env.Remark("\nNext: %s.\n", other)
	case len(seen.Recordings) == 0 && seen.SectorBytes > 0:
		env.Remark("\nNext: no recording that is known has such tracks; describe it (doc/machines.md), then read it with that.\n")
	case len(seen.Recordings) == 0:
		env.Remark("\nNext: look at the disk, clean the heads and try again; a blank disk is written with remanence bench write.\n")
	case slices.Contains(seen.Recordings, rec.Name):
		env.Remark("\nNext: that is as %s has it, but the identifiers differ; capture the disk with a device that times transitions, and: remanence disk decode.\n", rec.Name)
	default:
		env.Remark("\nNext: %s\n", again(seen.Recordings[0]))
		if len(seen.Recordings) > 1 {
			env.Remark("%s have such tracks, too.\n", strings.Join(seen.Recordings[1:], ", "))
		}
	}
}
