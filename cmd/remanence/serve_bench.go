package main

import (
	"fmt"
	"net"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"remanence/bench"
	"remanence/bench/adapter"
	"remanence/bench/remote"
	"remanence/internal/outcome"
	"remanence/machine"
)

// serveBench are the flags of serve --bench: this computer's drives for the workbench on another.
type serveBench struct {
	Bench   bool          `help:"Offer this computer's drives to the workbench of another, over TLS with a pairing code."`
	Drives  []string      `name:"drive" placeholder:"PATH" help:"With --bench: devices to offer (default: /dev/fd0)."`
	Adapter string        `placeholder:"COMMAND" help:"With --bench: offer the drive behind an adapter program instead."`
	Wait    time.Duration `default:"60s" help:"With --bench: longest wait for one answer of an adapter."`
}

// bench runs in the 24 MB of an old PC: the collector is told so.
func (c *serveBench) bench(env *Env, listen string) error {
	debug.SetMemoryLimit(16 << 20)
	debug.SetGCPercent(20)
	set, err := machine.Load(env.ConfigDir())
	if err != nil {
		return err
	}
	drives := c.Drives
	if len(drives) == 0 {
		drives = []string{"/dev/fd0"}
	}
	offered := strings.Join(drives, ", ")
	if c.Adapter != "" { // tried now: whoever connects later sees no more of it than that it failed
		d, err := c.adapter(env, 1, 300)
		if err != nil {
			return outcome.Hint(outcome.Output, err, "Next: mend the command line of --adapter; remanence bench check --adapter COMMAND tries it thoroughly")
		}
		offered = fmt.Sprintf("%s (%s)", d.Name(), c.Adapter)
		d.Close()
	} else {
		for _, d := range drives {
			if _, err := os.Stat(d); err != nil {
				return outcome.Hint(outcome.Output, err, strings.Replace(noDevice, "--device", "--drive", 1))
			}
		}
	}
	open := func(device, recording string, steps int) (bench.Device, error) {
		rec, err := set.Recording(recording)
		if err != nil {
			return nil, err
		}
		if c.Adapter != "" {
			return c.adapter(env, steps, rec.RPM)
		}
		path := drives[0]
		for _, d := range drives {
			if d == device {
				path = d
			}
		}
		if device != "" && device != path {
			return nil, fmt.Errorf("device %q is not offered here; %s is", device, strings.Join(drives, ", "))
		}
		return openKernel(path, rec, steps)
	}
	s, code, err := remote.NewServer(env.ConfigDir(), open, func(f string, a ...any) {
		if !env.Quiet {
			fmt.Fprintf(env.Stderr, "%s "+f+"\n", append([]any{time.Now().UTC().Format(time.RFC3339)}, a...)...)
		}
	})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return outcome.As(outcome.Output, err)
	}
	debug.FreeOSMemory() // what loading the profiles took
	if env.JSON {
		if err := env.PrintJSON(map[string]any{"listen": l.Addr().String(), "offers": offered, "pairing-code": code}); err != nil {
			return err
		}
	}
	env.Printf("Offering %s at %s.\nPairing code: %s (good once; three wrong ones close pairing)\nStop with Ctrl-C.\n", offered, l.Addr(), code)
	err = s.Serve(env.Context, l)
	if env.Context.Err() != nil {
		return nil // stopped as asked
	}
	return err
}

// adapter starts the adapter program.
func (c *serveBench) adapter(env *Env, steps int, rpm float64) (bench.Device, error) {
	return adapter.Start(env.Context, strings.Fields(c.Adapter), c.Wait, &bench.Combination{Steps: max(steps, 1), Settings: bench.Settings{RPM: rpm}})
}
