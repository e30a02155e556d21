package main

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"remanence/bench"
	"remanence/bench/adapter"
	"remanence/bench/remote"
	"remanence/internal/outcome"
)

// stopAfter cancels once the log of a run holds n lines of that state.
func stopAfter(t *testing.T, log, state string, n int, stop func()) {
	go func() {
		defer stop()
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
			if b, _ := os.ReadFile(log); strings.Count(string(b), `"state":"`+state+`"`) >= n {
				return
			}
		}
		t.Error("the run did not come that far")
	}()
}

// Whoever stops a run is told that, with the exit status of a stop; neither log nor shelf holds a program's words for it.
func TestBenchStopped(t *testing.T) {
	config, _ := simulated(t)
	image := filepath.Join(config, "d.img")
	if err := os.WriteFile(image, make([]byte, 368640), 0o644); err != nil {
		t.Fatal(err)
	}
	pieces := deviceFlags{Drive: "dd48", Controller: "flux", Disk: "dd-new", Adapter: os.Args[0] + " bench adapter-simulator", Wait: time.Minute}
	var out, errs bytes.Buffer
	job := func(log, state string) *Env {
		ctx, cancel := context.WithCancel(context.Background())
		t.Cleanup(cancel)
		env := newEnv(ctx, &out, &errs)
		env.Config = config
		stopAfter(t, log, state, 2, cancel)
		return env
	}
	wlog, rlog := filepath.Join(config, "w.jsonl"), filepath.Join(config, "r.jsonl")
	w := &benchWriteCmd{Image: image, Recording: "mfm9x512:40x2", Yes: true, Log: wlog, keepFlags: keepFlags{Medium: "SCC-1"}, deviceFlags: pieces}
	err := w.Run(job(wlog, "verified"))
	if !errors.Is(err, context.Canceled) || outcome.Status(err) != 130 || err.Error() != "stopped by you" || !strings.Contains(outcome.HintOf(err), "verified; say the same again") {
		t.Errorf("write: %v (%s)", err, outcome.HintOf(err))
	}
	target := filepath.Join(config, "back.img")
	r := &benchReadCmd{Recording: "mfm9x512:40x2", Output: target, Log: rlog, keepFlags: keepFlags{Medium: "SCC-2"}, deviceFlags: pieces}
	if err = r.Run(job(rlog, "failed")); outcome.Status(err) != 130 || err.Error() != "stopped by you" || !strings.Contains(outcome.HintOf(err), "nothing was written to") {
		t.Errorf("read: %v (%s)", err, outcome.HintOf(err))
	}
	if _, err := os.Stat(target); err == nil {
		t.Error("an image of a part of the disk was written")
	}
	for n, want := range map[string]string{"SCC-1": "; stopped by you; ", "SCC-2": " lost until then: by you; "} {
		m := object(t, 0, "shelf", "--config", config, "show", n)
		runs := m["runs"].([]any)
		if d := runs[0].(map[string]any)["detail"].(string); len(runs) != 1 || !strings.Contains(d, want) {
			t.Errorf("%s: %v", n, runs)
		}
	}
	for _, l := range []string{wlog, rlog} {
		if b, err := os.ReadFile(l); err != nil || strings.Contains(string(b), "context canceled") {
			t.Errorf("%v %s", err, b)
		}
	}
}

// kept is a simulated drive whose disk stays in it from one job to the next.
type kept struct{ *adapter.Device }

func (kept) Close() error { return nil }

// An FM disk that is read as MFM: what seems to be there is said (fm10x256 is 125 kbit/s FM, ten sectors of 256 bytes; fact
// sheet on floppies, 6.3), also by a drive of another computer, and the command that is printed next reads it.
func TestBenchReadSaysWhatIsThere(t *testing.T) {
	config, _ := simulated(t)
	dev, err := adapter.Start(context.Background(), strings.Fields(os.Args[0]+" bench adapter-simulator"), time.Minute, &bench.Combination{Steps: 1, Settings: bench.Settings{RPM: 300}})
	if err != nil {
		t.Fatal(err)
	}
	defer dev.Close()
	s, code, err := remote.NewServer(t.TempDir(), func(string, string, int) (bench.Device, error) { return kept{dev}, nil }, func(string, ...any) {})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() { cancel(); <-done })
	data := make([]byte, 102400)
	for i := range data {
		data[i] = byte(i * 7 >> 2)
	}
	image, back := filepath.Join(config, "d.img"), filepath.Join(config, "the back.img")
	if err := os.WriteFile(image, data, 0o644); err != nil {
		t.Fatal(err)
	}
	pieces := []string{"--config", config, "--drive", "dd48", "--controller", "flux", "--disk", "dd-new", "--remote", l.Addr().String()}
	read := append([]string{"bench", "read", "mfm9x512:4x2", "-o", back, "--force"}, pieces...)
	if m := object(t, 1, append(read, "--pair", code)...)["seen"].(map[string]any); m["encoding"] != nil || m["transitions-counted"] != true || m["transitions"] != nil {
		t.Errorf("a blank disk: %v", m)
	}
	object(t, 0, append([]string{"bench", "write", image, "--recording", "fm10x256", "--yes"}, pieces...)...)
	m := object(t, 1, read...)["seen"].(map[string]any)
	if m["encoding"] != "fm" || m["rate-kbit-s"] != 125.0 || m["sector-bytes"] != 256.0 || m["sectors"] != 10.0 || m["id-cylinder"] != 1.0 || m["recordings"].([]any)[0] != "fm10x256" {
		t.Errorf("an FM disk: %v", m)
	}
	var out, errs bytes.Buffer
	if status := run(read, &out, &errs); status != 1 || !strings.Contains(out.String(), "10 sectors of 256 bytes in FM at 125 kbit/s") {
		t.Fatalf("%d: %s%s", status, out.String(), errs.String())
	}
	_, next, _ := strings.Cut(out.String(), "Next: remanence ")
	next, _, _ = strings.Cut(next, "\n")
	c := exec.Command("sh", "-c", `"$PROGRAM" `+next)
	c.Env = append(os.Environ(), programEnv+"=1", "PROGRAM="+os.Args[0])
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", next, err, out)
	}
	if got, err := os.ReadFile(back); err != nil || !bytes.Equal(got, data) {
		t.Errorf("%s: %v, %d bytes", next, err, len(got))
	}
}

// A drive whose piece says which computer it is in is written there, on the device that the piece names; no flag is
// needed, and the list tells two such drives apart.
func TestBenchRemoteOfDrive(t *testing.T) {
	config, _ := simulated(t)
	asked := make(chan string, 8)
	s, code, err := remote.NewServer(t.TempDir(), func(device, _ string, steps int) (bench.Device, error) {
		asked <- device
		return adapter.Start(context.Background(), strings.Fields(os.Args[0]+" bench adapter-simulator"), time.Minute, &bench.Combination{Steps: steps, Settings: bench.Settings{RPM: 300}})
	}, func(string, ...any) {})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() { cancel(); <-done })
	own := "[[controller]]\nname = \"pc\"\nkind = \"flux\"\n[[disk]]\nname = \"box\"\nkind = \"dd-new\"\n"
	for _, d := range [][2]string{{"a", l.Addr().String()}, {"b", "192.168.1.20:7531"}} {
		own += "[[drive]]\nname = \"" + d[0] + "\"\nkind = \"dd48\"\ncontroller = \"pc\"\nremote = \"" + d[1] + "\"\ndevice = \"/dev/fd1\"\nmeasured-rpm = 300.6\n"
	}
	image := filepath.Join(config, "d.img")
	if err := errors.Join(os.WriteFile(filepath.Join(config, bench.KitName), []byte(own), 0o644), os.WriteFile(image, make([]byte, 102400), 0o644)); err != nil {
		t.Fatal(err)
	}
	if m := object(t, 0, "bench", "write", image, "--config", config, "--recording", "fm10x256", "--drive", "a", "--pair", code, "--yes"); m["verified"] != true {
		t.Errorf("%v", m)
	}
	if d := <-asked; d != "/dev/fd1" {
		t.Errorf("device %q was asked for", d)
	}
	var out, errs bytes.Buffer
	if status := run([]string{"bench", "list", "--config", config}, &out, &errs); status != 0 {
		t.Fatal(errs.String())
	}
	for _, want := range []string{"on pc, /dev/fd1 of " + l.Addr().String() + ", measured 300.6 rpm", "on pc, /dev/fd1 of 192.168.1.20:7531", "FM: yes"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
	errs.Reset()
	if status := run([]string{"bench", "check", "--drive", "b", "--config", config, "--yes"}, &out, &errs); status != 2 || !strings.Contains(errs.String(), "drive b is in 192.168.1.20:7531") {
		t.Errorf("check: %d %s", status, errs.String())
	}
}
