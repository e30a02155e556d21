package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"remanence/bench"
	"remanence/bench/adapter"
	"remanence/bench/kernel"
	"remanence/internal/outcome"
	"remanence/machine"
)

type benchCheckCmd struct {
	Recordings []string `default:"fm10x256,mfm9x512,fm16x128" help:"Recordings to try on the scratch disk."`
	Yes        bool     `help:"Do not ask before the scratch disk is erased."`

	Drive      string        `placeholder:"NAME" help:"Drive of the bench (default: the first of bench.toml)."`
	Controller string        `placeholder:"NAME" help:"Its controller (default: the drive's own, or the first)."`
	Device     string        `placeholder:"PATH" help:"Device of the drive, as /dev/fd0 (default: the drive's own in bench.toml)."`
	Adapter    string        `placeholder:"COMMAND" help:"Put this adapter program through the protocol instead (doc/adapters.md)."`
	Wait       time.Duration `default:"60s" help:"Longest wait for one answer of an adapter."`
	Remote     string        `hidden:""`
}

func (benchCheckCmd) Help() string {
	return `Tries on a scratch disk, in a few minutes, what the drive, the controller and its board can do: MFM at the drive's rates,
the given recordings, FM (on two cylinders, with MFM beside it), marks, the least gap 3, how long after the index
identifiers are not seen, and the speed. Cylinders 1 and 20 are written. What was found goes to bench.toml, where
'bench advise' uses it; what could not be told is marked ? and changes nothing there. Marks FA and F9 cannot be
written by a controller of the 765 class. The blind time is measured only where the controller does FM.

A drive of another computer is checked there, and what was found copied into this one's bench.toml (doc/bench.md).
With --adapter the program is put through the protocol instead (doc/adapters.md).

Examples:
  remanence bench check --drive a --device /dev/fd0
  remanence bench check --adapter "remanence bench adapter-simulator"`
}

type checkJSON struct {
	Device   string           `json:"device"`
	Tests    []adapter.Result `json:"tests"`
	Findings *kernel.Found    `json:"findings,omitempty"`
	Passed   int              `json:"passed"`
	Failed   int              `json:"failed"`
	Unknown  int              `json:"unknown"`

	noted []string // lines of bench.toml
}

func (c *benchCheckCmd) Run(env *Env) error {
	rep := &checkJSON{}
	var err error
	if c.Adapter != "" {
		rep.Device = c.Adapter
		rep.Tests = adapter.Conform(env.Context, strings.Fields(c.Adapter), c.Wait)
	} else if err = c.controller(env, rep); err != nil && len(rep.Tests) == 0 {
		return err
	}
	for _, t := range rep.Tests {
		switch {
		case t.OK:
			rep.Passed++
		case t.Unknown:
			rep.Unknown++
		default:
			rep.Failed++
		}
	}
	// What was found before a check ended early is told, too.
	if err := errors.Join(err, env.Report(rep, func() { rep.print(env) })); err != nil {
		return err
	}
	if rep.Failed > 0 && c.Adapter != "" {
		return outcome.ErrIncomplete
	}
	return nil
}

func (rep *checkJSON) print(env *Env) {
	for _, t := range rep.Tests {
		w := "ok"
		switch {
		case t.Unknown:
			w = "?"
		case !t.OK:
			w = "no"
		}
		env.Printf("  %-58s %s", t.Name, w)
		if t.Why != "" {
			env.Printf("  %s", t.Why)
		}
		env.Printf("\n")
	}
	env.Printf("%s: %d passed, %d not", rep.Device, rep.Passed, rep.Failed)
	if rep.Unknown > 0 {
		env.Printf(", %d not known", rep.Unknown)
	}
	env.Printf("\n")
	for _, l := range rep.noted {
		env.Printf("in %s: %s\n", bench.KitName, l)
	}
}

// controller tries a drive behind the kernel on a scratch disk.
func (c *benchCheckCmd) controller(env *Env, rep *checkJSON) error {
	const there = "run 'remanence bench check' there, then copy what it wrote from that computer's bench.toml into this one's (doc/bench.md)"
	if c.Remote != "" {
		return outcome.Hint(outcome.Usage, errors.New("--remote: a check runs on the computer that the drive is in"), there)
	}
	set, kit, err := loadKit(env)
	if err != nil {
		return err
	}
	if !kit.Own && c.Drive == "" {
		return outcome.Hint(outcome.Usage, errors.New("which drive? there is no bench.toml"), "say its kind with --drive (remanence bench list), and --device /dev/fd0; or --adapter COMMAND to test an adapter program")
	}
	d, k, _, err := kit.Find(c.Drive, c.Controller, "")
	if err != nil {
		return err
	}
	if d.Remote != "" && c.Device == "" {
		return outcome.Hint(outcome.Usage, fmt.Errorf("drive %s is in %s: a check runs there", d.Name, d.Remote), there)
	}
	path := c.Device
	if path == "" {
		path = d.Device
	}
	if path == "" {
		return outcome.Hint(outcome.Usage, fmt.Errorf("drive %s: no device is named", d.Name), "say --device /dev/fd0, or --adapter COMMAND")
	}
	o := kernel.CheckOptions{Drive: d, Now: time.Now, Progress: env.Progress()}
	for _, name := range c.Recordings {
		r, err := set.Recording(name)
		if err != nil {
			return err
		}
		o.Recordings = append(o.Recordings, r)
	}
	if len(o.Recordings) == 0 {
		return outcome.As(outcome.Usage, errors.New("--recordings: want at least one"))
	}
	if !c.Yes {
		if err := askErase(env, path, "scratch disk"); err != nil {
			return err
		}
	}
	drive, err := openKernel(path, o.Recordings[0], 1)
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	defer drive.Close()
	return rep.check(env, set, drive, d, k, path, o)
}

// check runs the tests and notes in bench.toml what they found, also where something ends them early.
func (rep *checkJSON) check(env *Env, set *machine.Set, drive *kernel.Drive, d *machine.Drive, k *machine.Controller, path string, o kernel.CheckOptions) error {
	rep.Device = drive.Name()
	f, tests, err := drive.Check(env.Context, o)
	rep.Findings = f
	for _, t := range tests {
		rep.Tests = append(rep.Tests, adapter.Result(t))
	}
	df, kf := f.Findings(k)
	if err == nil {
		day := bench.Finding{Key: "checked", Value: fmt.Sprintf("%q", o.Now().UTC().Format(time.DateOnly))}
		df, kf = append(df, day, bench.Finding{Key: "device", Value: fmt.Sprintf("%q", path)}), append(kf, day)
	}
	for _, n := range []struct {
		family, name string
		findings     []bench.Finding
	}{{"drive", d.Name, df}, {"controller", k.Name, kf}} {
		if len(n.findings) == 0 {
			continue
		}
		e := bench.Note(env.ConfigDir(), n.family, n.name, n.name, n.findings, set)
		for _, x := range n.findings {
			if e == nil {
				rep.noted = append(rep.noted, fmt.Sprintf("%s %s: %s = %s", n.family, n.name, x.Key, x.Value))
			}
		}
		err = errors.Join(err, e)
	}
	if errors.Is(err, context.Canceled) {
		return err // that has an exit status of its own
	}
	return outcome.As(outcome.Output, err)
}
