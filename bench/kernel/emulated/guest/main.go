//go:build linux && amd64

// Command guest is the first and only process of an emulated PC: it loads the floppy driver's module, follows /plan
// with the bench's own code, says what came of it on the console, and switches the machine off.
//
// Lines of the plan: open DEVICE RECORDING UNIT STEPS; write IMAGE; read; format C H (one track of fresh sectors);
// check DRIVE (what bench check tries); sync NAME (waits for the host); close. Answers: "RUN line => result".
package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unsafe"

	"remanence/bench"
	"remanence/bench/kernel"
	"remanence/disk"
	"remanence/machine"
)

type agent struct {
	in  *bufio.Reader
	set *machine.Set
	dev *kernel.Drive
	rec *disk.Recording
	c   *bench.Combination
}

func main() {
	for _, m := range [][2]string{{"devtmpfs", "/dev"}, {"proc", "/proc"}, {"sysfs", "/sys"}} {
		_ = syscall.Mount(m[0], m[1], m[0], 0, "") // what is missing shows in the first line that needs it
	}
	if c, err := os.OpenFile("/dev/console", os.O_RDWR, 0); err == nil {
		os.Stdin, os.Stdout = c, c
	}
	a := &agent{in: bufio.NewReader(os.Stdin)}
	var err error
	if a.set, err = machine.Load(""); err != nil {
		fmt.Println("RUN profiles =>", err)
	}
	fmt.Println("RUN module =>", module("/floppy.ko"))
	plan, _ := os.ReadFile("/plan")
	for _, l := range strings.Split(string(plan), "\n") {
		if w := strings.Fields(l); len(w) > 0 {
			t := time.Now()
			r := a.run(w)
			fmt.Printf("RUN %s => %s (%d ms)\n", l, r, time.Since(t).Milliseconds())
		}
	}
	fmt.Println("RUN end")
	syscall.Sync()
	_ = syscall.Reboot(syscall.LINUX_REBOOT_CMD_RESTART)
	select {}
}

func module(path string) string {
	h, err := syscall.Open(path, syscall.O_RDONLY, 0)
	if err != nil {
		return err.Error()
	}
	none := []byte{0}
	const finitModule = 313 // amd64
	if _, _, e := syscall.Syscall(finitModule, uintptr(h), uintptr(unsafe.Pointer(&none[0])), 0); e != 0 {
		return e.Error()
	}
	return "ok"
}

func (a *agent) run(w []string) string {
	ctx := context.Background()
	switch w[0] {
	case "open":
		for t := time.Now(); time.Since(t) < 20*time.Second; time.Sleep(20 * time.Millisecond) {
			if _, err := os.Stat(w[1]); err == nil {
				break
			}
		}
		rec, err := a.set.Recording(w[2])
		if err != nil {
			return err.Error()
		}
		p, err := kernel.Open(w[1])
		if err != nil {
			return err.Error()
		}
		unit, _ := strconv.Atoi(w[3])
		steps, _ := strconv.Atoi(w[4])
		a.rec, a.dev = rec, kernel.New(p, unit, rec, steps)
		a.c = &bench.Combination{Steps: steps, Settings: bench.Settings{RPM: rec.RPM}}
		return "ok " + a.dev.Name()
	case "write":
		data, err := os.ReadFile(w[1])
		if err != nil {
			return err.Error()
		}
		im, err := disk.ImageOf(a.rec.Name, a.rec.Geometry(), data)
		if err != nil {
			return err.Error()
		}
		log, err := bench.OpenLog("/log.jsonl", nil)
		if err != nil {
			return err.Error()
		}
		defer log.Close()
		r, err := bench.WriteDisk(ctx, a.dev, im, a.rec, a.c, bench.WriteOptions{Log: log})
		s := fmt.Sprintf("verified %v, %d of %d tracks, %d resumed", r.Whole, r.Verified, a.rec.Cylinders*a.rec.Sides, r.Resumed)
		for _, f := range r.Failed {
			s += "; " + f.Why
		}
		if err != nil {
			s += "; error " + err.Error()
		}
		return s
	case "read":
		im, lost, err := bench.ReadDisk(ctx, a.dev, a.rec, a.c, nil, nil)
		if err != nil {
			return err.Error()
		}
		return fmt.Sprintf("lost %d sha256 %x", lost, sha256.Sum256(im.Data))
	case "format":
		c, _ := strconv.Atoi(w[1])
		h, _ := strconv.Atoi(w[2])
		t := bench.TrackOf(disk.NewImage(a.rec), a.rec, c, h, a.c)
		if err := a.dev.Unable(t); err != nil {
			return "unable: " + err.Error()
		}
		if err := a.dev.Format(ctx, t); err != nil {
			return err.Error()
		}
		return "ok"
	case "check":
		own, err := a.set.Drive(w[1])
		if err != nil {
			return err.Error()
		}
		f, tests, err := a.dev.Check(ctx, kernel.CheckOptions{Recordings: []*disk.Recording{a.rec}, Drive: own, Now: time.Now})
		for _, t := range tests {
			fmt.Printf("CHECK %s: ok %v unknown %v: %s\n", t.Name, t.OK, t.Unknown, t.Why)
		}
		if err != nil {
			return err.Error()
		}
		return fmt.Sprintf("rpm %g fm %s gap3 %d blind %g", f.RPM, f.FM, f.LeastGap3, f.BlindUS)
	case "sync":
		fmt.Println("SYNC", w[1])
		if _, err := a.in.ReadString('\n'); err != nil {
			return err.Error()
		}
		return "ok"
	case "close":
		if err := a.dev.Close(); err != nil {
			return err.Error()
		}
		return "ok"
	}
	return "no such line"
}
