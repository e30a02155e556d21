package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"remanence/bench"
	"remanence/bench/adapter"
	"remanence/bench/kernel"
	"remanence/bench/remote"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/internal/progress"
	"remanence/internal/words"
	"remanence/machine"
	"remanence/shelf"
)

// deviceFlags name the pieces that a command works with.
type deviceFlags struct {
	Drive      string        `placeholder:"NAME" help:"Drive of the bench (default: the first)."`
	Controller string        `placeholder:"NAME" help:"Its controller (default: the drive's own, or the first)."`
	Disk       string        `name:"disk" placeholder:"NAME" help:"Kind of disk (default: the first)."`
	Device     string        `placeholder:"PATH" help:"Device of the drive, as /dev/fd0, with --remote of that computer (default: the drive's own in bench.toml)."`
	Adapter    string        `placeholder:"COMMAND" help:"Program that drives the device (doc/adapters.md), with its arguments."`
	Remote     string        `placeholder:"HOST:PORT" help:"Drive of another computer on which 'remanence serve --bench' runs (default: the drive's own in bench.toml)."`
	Pair       string        `placeholder:"CODE" help:"Pairing code that the other computer shows; once, at the first connection."`
	Wait       time.Duration `default:"60s" help:"Longest wait for one answer of an adapter or a remote bench."`
	Machine    string        `placeholder:"NAME" help:"Machine that must read the disk."`
}

// choice is what a command works with.
type choice struct {
	drive      *machine.Drive
	controller *machine.Controller
	medium     *machine.Disk
	comb       *bench.Combination
}

// choose finds the pieces that were named, and judges whether they can do it.
func (f *deviceFlags) choose(set *machine.Set, kit *bench.Kit, rec *disk.Recording) (*choice, error) {
	if !kit.Own && f.Drive == "" {
		return nil, outcome.Hint(outcome.Usage, errors.New("which drive? there is no bench.toml"), "say --drive and --controller with generic kinds (remanence bench list), or describe your own (doc/bench.md)")
	}
	x := &choice{}
	var err error
	if x.drive, x.controller, x.medium, err = kit.Find(f.Drive, f.Controller, f.Disk); err != nil {
		return nil, err
	}
	target, err := bench.TargetOf(set, rec, f.Machine)
	if err != nil {
		return nil, err
	}
	good, err := set.Medium("good")
	if err != nil {
		return nil, err
	}
	x.comb = bench.Judge(rec, target, x.drive, x.controller, x.medium, good.Disk)
	if !x.comb.Possible {
		return nil, outcome.Hint(outcome.Usage, fmt.Errorf("%s on %s with %s cannot do %s: %s", x.drive.Name, x.controller.Name, x.medium.Name, rec.Reference(), strings.Join(x.comb.Against, "; ")), "remanence bench advise "+rec.Reference()+flags("--machine", f.Machine)+" says what can")
	}
	return x, nil
}

// open gives the device and the judgement of its combination.
func (f *deviceFlags) open(env *Env, rec *disk.Recording) (bench.Device, *bench.Combination, *machine.Disk, error) {
	set, kit, err := loadKit(env)
	if err != nil {
		return nil, nil, nil, err
	}
	x, err := f.choose(set, kit, rec)
	if err != nil {
		return nil, nil, nil, err
	}
	d, k, c, m := x.drive, x.controller, x.comb, x.medium
	dev, err := f.device(env, rec, d, k, c)
	if err != nil {
		return nil, nil, nil, outcome.As(outcome.Output, err)
	}
	return dev, c, m, nil
}

// device opens the drive: where the command says, or else where bench.toml does.
func (f *deviceFlags) device(env *Env, rec *disk.Recording, d *machine.Drive, k *machine.Controller, c *bench.Combination) (bench.Device, error) {
	there := f.Device
	if d.Remote != "" { // its device is one of that computer
		there = cmp.Or(f.Device, d.Device)
	}
	switch {
	case f.Remote != "":
		return f.dial(env, "--remote", f.Remote, there, rec, c)
	case f.Adapter != "":
		return adapter.Start(env.Context, strings.Fields(f.Adapter), f.Wait, c)
	case f.Device != "":
		return openKernel(f.Device, rec, c.Steps)
	case d.Remote != "":
		return f.dial(env, "remote of drive "+d.Name, d.Remote, there, rec, c)
	case k.Adapter != "":
		return adapter.Start(env.Context, strings.Fields(k.Adapter), f.Wait, c)
	case d.Device != "":
		return openKernel(d.Device, rec, c.Steps)
	}
	return nil, outcome.Hint(outcome.Usage, fmt.Errorf("drive %s: no device is named", d.Name), "say --device /dev/fd0, --adapter COMMAND or --remote HOST:PORT, or name it in bench.toml")
}

func openKernel(path string, rec *disk.Recording, steps int) (*kernel.Drive, error) {
	p, err := kernel.Open(path)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			err = outcome.Hint(outcome.Output, err, noDevice)
		}
		return nil, err
	}
	unit := 0
	if n := path[len(path)-1]; n >= '0' && n <= '9' {
		unit = int(n - '0')
	}
	return kernel.New(p, unit, rec, steps), nil
}

const noDevice = "Next: see which there are (ls /dev/fd*) and name one with --device; without any, load the kernel's driver (modprobe floppy); " +
	"a device that it does not drive needs an adapter (doc/adapters.md)"

// dial opens a drive of another computer; from says who named it.
func (f *deviceFlags) dial(env *Env, from, addr, device string, rec *disk.Recording, c *bench.Combination) (bench.Device, error) {
	host, _, err := net.SplitHostPort(addr)
	if err != nil || host == "" {
		return nil, outcome.As(outcome.Usage, fmt.Errorf("%s %q: want HOST:PORT", from, addr))
	}
	pins := filepath.Join(env.ConfigDir(), "remote-benches.json")
	if f.Pair != "" {
		if err := remote.Pair(env.Context, addr, f.Pair, pins, f.Wait); err != nil {
			return nil, err
		}
	}
	d, err := remote.Dial(env.Context, addr, pins, device, rec.Reference(), c.Steps, f.Wait)
	if err != nil {
		return nil, err
	}
	d.Say = func(what string) { env.Note("%s", what) }
	return d, nil
}

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
	kept := c.keep(env, titleOf(c.Output), []shelf.Run{readRun(c.Output, rec, im, lost, dev.Name(), comb, begun)})
	if err := im.Save(c.Output, c.Force); err != nil {
		return err
	}
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
		return "remanence bench read " + name + flags("-o", c.Output, "--drive", c.Drive, "--controller", c.Controller, "--disk", c.Disk, "--device", c.Device, "--adapter", c.Adapter, "--remote", c.Remote, "--medium", c.Medium) + flags(configFlag(env)...) + " --force"
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

// adapterSimulatorCmd is the reference adapter.
type adapterSimulatorCmd struct {
	Cylinders int `default:"82" help:"How far it steps."`
}

func (c *adapterSimulatorCmd) Run(env *Env) error {
	return adapter.Simulate(env.Context, os.Stdin, env.Stdout, c.Cylinders)
}

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
		rep.Tests = append(rep.Tests, adapter.Result{Name: t.Name, OK: t.OK, Unknown: t.Unknown, Why: t.Why})
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
