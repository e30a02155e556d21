package main

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"remanence/bench"
	"remanence/bench/adapter"
	"remanence/bench/kernel"
	"remanence/bench/remote"
	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/machine"
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

// adapterSimulatorCmd is the reference adapter.
type adapterSimulatorCmd struct {
	Cylinders int `default:"82" help:"How far it steps."`
}

func (c *adapterSimulatorCmd) Run(env *Env) error {
	return adapter.Simulate(env.Context, os.Stdin, env.Stdout, c.Cylinders)
}
