package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"remanence/internal/outcome"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/master"
)

// makeFlags are those of make that demo has as well.
type makeFlags struct {
	Out    string `short:"o" type:"path" default:"out" placeholder:"FOLDER" help:"Where everything is written (default: out)."`
	Force  bool   `help:"Replace outputs that are there."`
	Medium string `default:"good" placeholder:"PRESET" help:"What the simulated drive and deck are like: clean, good, tired, limit, worn, beyond (default: good)."`
	Seed   uint64 `default:"1" placeholder:"N" help:"What the simulation leaves to chance; the same seed gives the same bytes."`
	WAV    bool   `name:"wav" help:"Write sound as WAV, which any program plays, instead of FLAC, which takes a third of the room or less."`
	RateHz int    `name:"rate" default:"44100" placeholder:"HZ" help:"Sample rate of the sound."`
	Paper  string `enum:"a4,letter" default:"a4" help:"Paper of the labels: a4 or letter."`
	Jobs   int    `placeholder:"N" help:"How many pieces are worked on at once (default: as many as there are processors)."`
}

func (f *makeFlags) options(set *machine.Set) (master.Options, error) {
	o := master.Options{Out: f.Out, Force: f.Force, Seed: f.Seed, WAV: f.WAV, RateHz: f.RateHz, Workers: f.Jobs, Paper: f.Paper, Version: version}
	if f.RateHz < 8000 || f.RateHz > 192000 {
		return o, outcome.As(outcome.Usage, fmt.Errorf("--rate %d: want 8000 to 192000 Hz", f.RateHz))
	}
	var err error
	o.Medium, err = set.Medium(f.Medium)
	return o, err
}

// makeCmd is the main job.
type makeCmd struct {
	jobFlags
	makeFlags
	Bench bool `help:"Also rehearse each disk on the pieces of bench.toml, and say which sectors are at risk."`
	onlyFlags
}

// Help is the long help.
func (makeCmd) Help() string {
	return `The main job, end to end: inspects every file, packs them on as few disks and tape sides as it can, builds volumes
and tapes, passes each through a simulated drive or cassette, reads it back with the decoders that read real media,
and compares every byte and mark. Only what came back whole is called verified. Images, captures, sound, labels
(PDF), a report (HTML) and a manifest with SHA-256 sums are written to the output folder.

Exit status 1: something is not verified or was left out; the output says what.

Examples:
  remanence make archive/ --out masters
  remanence make job.toml --out masters --medium tired
  remanence make --machine z80-fm10 --cylinders 35 --to disk archive/
  remanence make archive/ --out masters --bench
  remanence make archive/ --out masters --bench --drive hd96 --controller c765-fm --disk dd-used`
}

// Run is the command.
func (c *makeCmd) Run(env *Env) error {
	q, err := c.request(env, c.Out)
	if err != nil {
		return err
	}
	o, err := c.options(q.Set)
	if err != nil {
		return err
	}
	if c.any() && !c.Bench {
		return outcome.As(outcome.Usage, errors.New("--drive, --controller and --disk name the pieces of a rehearsal: say --bench, too"))
	}
	if c.Bench { // what is wrong with the bench is said before hours of work
		if _, err := c.kit(env, q.Set); err != nil {
			return err
		}
	}
	o.Command = "remanence make " + strings.Join(c.Files, " ")
	a, err := master.Arrange(env.Context, q, env.Progress())
	if err != nil {
		return stopped(err, "before anything was made")
	}
	r, err := master.Make(env.Context, q.Set, a, o, env.Progress())
	if err != nil {
		return err
	}
	var rehearsed []*rehearsedJSON
	if c.Bench {
		if rehearsed, err = rehearseMade(env, q.Set, c.Out, c.onlyFlags, r, o); err != nil {
			return stopped(err, "during the rehearsal; the masters in "+c.Out+" are complete")
		}
	}
	all := struct {
		*master.Result
		Rehearsals []*rehearsedJSON `json:"rehearsals,omitempty"`
	}{r, rehearsed}
	if err := env.Report(all, func() { printMade(env, r, c.Out); printRehearsals(env, rehearsed) }); err != nil {
		return err
	}
	if !whole(rehearsed) {
		return outcome.ErrIncomplete
	}
	return madeStatus(r)
}

// stopped says when the person's stop came; other errors stay as they are.
func stopped(err error, when string) error {
	if errors.Is(err, context.Canceled) {
		return &stop{when, err}
	}
	return err
}

// stop is a cancelled context in words; it unwraps to it for the exit status.
type stop struct {
	when  string
	cause error
}

func (s *stop) Error() string { return "stopped " + s.when }
func (s *stop) Unwrap() error { return s.cause }

// madeStatus is the error for what is not whole although the work was done.
func madeStatus(r *master.Result) error {
	if !r.Verified || len(r.LeftOut) > 0 {
		return outcome.ErrIncomplete
	}
	return nil
}

// printMade prints what was made and proven.
func printMade(env *Env, r *master.Result, out string) {
	printAssumed(env, r.Arranged)
	printPlan(env, r, true)
	failed := 0
	for _, m := range r.Media {
		if m.Verified {
			continue
		}
		failed++
		env.Printf("\n%s is not verified:\n", m.ID)
		for i, f := range m.Faults {
			if i == 12 {
				env.Printf("     and %d more, in the report\n", len(m.Faults)-i)
				break
			}
			env.Printf("     %s: %s", f.Where, f.What)
			if f.Consequence != "" {
				env.Printf("; %s", f.Consequence)
			}
			env.Printf("\n")
		}
	}
	var bytes int64
	for _, o := range r.Outputs {
		bytes += o.Size
	}
	env.Printf("Written to %s%c: %s, %.1f MB.\n", out, os.PathSeparator, words.Count(len(r.Outputs)+1, "file"), float64(bytes)/1e6)
	switch {
	case len(r.Media) == 0:
		env.Remark("\nNext: see above why nothing could go on a medium.\n")
	case failed > 0:
		env.Remark("\nNext: %d of %d media did not come back whole from a %q medium: read %s for what is lost and why.\n", failed, len(r.Media), r.Preset, filepath.Join(out, r.Report))
		printRemedies(env, r)
	default:
		env.Remark("\nNext: open %s, print %s at 100 %%, and write the masters (remanence bench write, or play the sound to a recorder).\n", r.Report, r.Labels)
	}
}

// printRemedies says what can be done about media that are not verified.
func printRemedies(env *Env, r *master.Result) {
	var disks, tapes bool
	for _, m := range r.Media {
		disks = disks || !m.Verified && m.Disk != nil
		tapes = tapes || !m.Verified && m.Disk == nil
	}
	if tapes && r.Arranged.Copies < 2 {
		env.Remark("     tape: remanence make --copies 2 records every program twice; or take a better cassette or deck (--medium)\n")
	} else if tapes {
		env.Remark("     tape: take a better cassette or deck (--medium)\n")
	}
	if disks {
		env.Remark("     disk: take a better disk or drive (--medium)\n")
	}
	env.Remark("     --seed N varies what the simulation leaves to chance, such as where dropouts lie\n")
}
