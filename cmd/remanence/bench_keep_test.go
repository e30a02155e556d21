package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"remanence/bench"
	"remanence/shelf"
)

// simulated is a bench whose drive is the reference adapter, run as another process.
func simulated(t *testing.T) (config string, args []string) {
	t.Helper()
	t.Setenv(programEnv, "1")
	config = t.TempDir()
	return config, []string{"--config", config, "--drive", "dd48", "--controller", "flux", "--disk", "dd-new", "--adapter", os.Args[0] + " bench adapter-simulator"}
}

func object(t *testing.T, want int, args ...string) map[string]any {
	t.Helper()
	var out, errs bytes.Buffer
	if status := run(append(args, "--json"), &out, &errs); status != want {
		t.Fatalf("%v: exit %d, want %d: %s", args, status, want, errs.String())
	}
	var m map[string]any
	if err := json.Unmarshal(out.Bytes(), &m); err != nil {
		t.Fatalf("%v: %v: %s", args, err, out.String())
	}
	return m
}

// A disk is written and read with --medium: the shelf knows both runs with equipment, settings and margin, the medium
// carries the master that was written, and its state is that of the latest run.
func TestBenchKeepsRuns(t *testing.T) {
	_, made := made(t)
	config, pieces := simulated(t)
	shelfOf := func(want int, args ...string) map[string]any {
		return object(t, want, append([]string{"shelf", "--config", config}, args...)...)
	}
	image := filepath.Join(made, "-D01's.img") // a name that a shell and a command line could take for something else
	data, err := os.ReadFile(filepath.Join(made, "D01.img"))
	if err == nil {
		err = os.WriteFile(image, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	write := append([]string{"bench", "write", image, "--recording", "fm10x256:40x1", "--machine", "z80-fm10", "--yes"}, pieces...)

	// Without a number nothing is kept, and no shelf is made.
	if m := object(t, 0, write...); m["shelf"] != nil || m["verified"] != true || m["least-margin-percent"] == nil {
		t.Errorf("without --medium: %v", m)
	}
	if _, err := os.Stat(filepath.Join(config, "shelf.sqlite")); err == nil {
		t.Fatal("a shelf was made though no number was said")
	}
	// A first run makes the shelf; the image is no master yet.
	if m := object(t, 0, append(write, "--medium", "SCC-0001")...); m["shelf"].(map[string]any)["kept"] != true {
		t.Errorf("kept: %v", m["shelf"])
	}
	show := func(n string) (medium map[string]any, runs []any) {
		m := shelfOf(0, "show", n)
		return m["medium"].(map[string]any), m["runs"].([]any)
	}
	if m, _ := show("SCC-0001"); m["state"] != "proven" || m["title"] != "-D01's" || m["master"] != nil {
		t.Errorf("the first run: %v", m)
	}
	// Once the masters are there, the image is known by its sum.
	shelfOf(0, "add", made)
	object(t, 0, append(write, "--medium", "SCC-0001")...)
	m, runs := show("SCC-0001")
	if ref, _ := m["master"].(string); m["state"] != "proven" || !strings.HasPrefix(ref, "master:D01:") || len(runs) != 4 {
		t.Fatalf("%v, %d runs", m, len(runs))
	}
	verify, wrote := runs[0].(map[string]any), runs[1].(map[string]any)
	margin, _ := verify["margin"].(float64)
	if verify["kind"] != "verify" || verify["outcome"] != "good" || !(margin > 0.5 && margin <= 1) || wrote["kind"] != "write" || wrote["outcome"] != "good" {
		t.Errorf("runs: %v", runs[:2])
	}
	for _, want := range []string{"40 of 40 tracks verified, 400 sectors", "250 kbit/s at 300 rpm, 1 step a cylinder, gap 3 of 12 bytes (7 for reading and writing)", "disk dd-new", "-D01's.img (SHA-256 "} {
		if d := wrote["detail"].(string); !strings.Contains(d, want) {
			t.Errorf("detail %q does not say %q", d, want)
		}
	}
	if e := wrote["equipment"]; e != "dd48 on flux: adapter simulator" {
		t.Errorf("equipment %q", e)
	}
	if hits := shelfOf(0, "search", "dd48", "simulator")["hits"].([]any); len(hits) != 1 {
		t.Errorf("search: %v", hits)
	}
	// A reading that loses sectors (the simulated disk is empty at each start) makes the medium failing, and a risk.
	read := append([]string{"bench", "read", "fm10x256:40x1", "-o", filepath.Join(t.TempDir(), "back.img"), "--medium", "SCC-0001"}, pieces...)
	if m := object(t, 1, read...); m["sectors-lost"] != 400.0 || m["shelf"].(map[string]any)["kept"] != true {
		t.Errorf("read: %v", m)
	}
	if m, runs := show("SCC-0001"); m["state"] != "failing" || runs[0].(map[string]any)["outcome"] != "lost" || runs[0].(map[string]any)["kind"] != "read" {
		t.Errorf("after the reading: %v %v", m, runs[0])
	}
	if r := shelfOf(1, "risk"); r["failing"] != 1.0 {
		t.Errorf("risk: %v", r)
	}
	// The shelf is there, no number is said: the commands are, and they work.
	later := object(t, 0, write...)["shelf"].(map[string]any)
	if later["kept"] != false || len(later["later"].([]any)) != 2 {
		t.Fatalf("later: %v", later)
	}
	sayLater(t, later, "SCC-0002")
	if m, runs := show("SCC-0002"); m["state"] != "proven" || m["master"] == nil || len(runs) != 2 {
		t.Errorf("logged by hand: %v %v", m, runs)
	}
}

// sayLater says the printed commands in a shell, NUMBER being medium; twice, for they must be kept once.
func sayLater(t *testing.T, kept map[string]any, medium string) {
	t.Helper()
	for _, l := range append(kept["later"].([]any), kept["later"].([]any)...) {
		words := strings.Replace(l.(string), " NUMBER ", " "+medium+" ", 1)
		c := exec.Command("sh", "-c", `remanence() { "$PROGRAM" "$@"; }; `+words)
		c.Env = append(os.Environ(), programEnv+"=1", "PROGRAM="+os.Args[0])
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v: %s", words, err, out)
		}
	}
}

// A shelf that cannot be written loses nothing: the disk is written and verified, the result says that the run is not
// kept, with the commands that keep it later; they do.
func TestBenchKeepsRunsLater(t *testing.T) {
	_, made := made(t)
	config, pieces := simulated(t)
	file := filepath.Join(config, "box", "shelf.sqlite")
	if err := os.MkdirAll(file, 0o777); err != nil { // a folder where the file would be
		t.Fatal(err)
	}
	m := object(t, 1, append([]string{"bench", "write", filepath.Join(made, "D01.img"), "--recording", "fm10x256:40x1", "--yes", "--medium", "SCC-0003", "--shelf", file}, pieces...)...)
	kept := m["shelf"].(map[string]any)
	if m["verified"] != true || kept["kept"] != false || !strings.Contains(kept["why"].(string), "folder") || len(kept["later"].([]any)) != 2 {
		t.Fatalf("%v", m)
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	sayLater(t, kept, "")
	d := object(t, 0, "shelf", "--shelf", file, "show", "SCC-0003")
	if md := d["medium"].(map[string]any); md["state"] != "proven" || len(d["runs"].([]any)) != 2 {
		t.Errorf("%v", d)
	}
	// A number that no label has, and one that is a tape's, are refused before the disk is touched.
	object(t, 0, "shelf", "--shelf", file, "log", "SCC-T1", "write", "--type", "tape")
	for _, n := range []string{"not a number", "SCC-T1"} {
		var out, errs bytes.Buffer
		if status := run(append([]string{"bench", "write", filepath.Join(made, "D01.img"), "--recording", "fm10x256:40x1", "--yes", "--medium", n, "--shelf", file}, pieces...), &out, &errs); status != 2 || !strings.Contains(errs.String(), n) {
			t.Errorf("--medium %q: exit %d: %s", n, status, errs.String())
		}
	}
}

// What ended a job early is kept as what it is: a disk that was begun and is not whole is failing; one that was not
// touched has no run.
func TestWriteRuns(t *testing.T) {
	c := &bench.Combination{Drive: "a", Controller: "pc", Medium: "box", Steps: 2}
	report := func(tracks, verified int) *bench.WriteReport {
		return &bench.WriteReport{Device: "x\x1b[2J\nfloppy", SHA256: strings.Repeat("c", 64), Recording: "fm10x256", Cylinders: 40, Sides: 1, Tracks: tracks, Verified: verified}
	}
	begun := time.Now()
	for _, n := range []struct {
		r    *bench.WriteReport
		err  error
		runs int
		says string
	}{
		{report(0, 0), bench.ErrUnable, 0, ""},
		{report(1, 0), bench.ErrWriteProtected, 0, ""},
		{report(1, 0), bench.ErrNoDisk, 0, ""},
		{report(1, 0), bench.ErrLinkLost, 1, "0 of 40 tracks verified, 0 sectors; stopped: the link to the drive is lost"},
		{report(13, 12), bench.ErrNoDisk, 1, "12 of 40 tracks verified"},
	} {
		runs := writeRuns("D01.img", n.r, c, begun, n.err)
		if len(runs) != n.runs {
			t.Errorf("%d tracks, %v: %d runs, want %d", n.r.Tracks, n.err, len(runs), n.runs)
			continue
		}
		for _, r := range runs {
			if r.Outcome != shelf.Lost || r.Kind != shelf.Write || !strings.Contains(r.Detail, n.says) {
				t.Errorf("%d tracks, %v: %+v", n.r.Tracks, n.err, r)
			}
			if r.Equipment != "a on pc: x [2J floppy" {
				t.Errorf("equipment %q: a device's words reach a terminal", r.Equipment)
			}
		}
	}
}

// A device's words may hold anything; in a command they stay one word. Compared with what sh makes of it.
func TestQuoted(t *testing.T) {
	for _, s := range []string{"plain", "two words", "it's; rm -rf \"$HOME\" `id` \\", "a\\", "dd48 on flux: (raw)"} {
		out, err := exec.Command("sh", "-c", "printf %s "+quoted(s)).Output()
		if err != nil || string(out) != s {
			t.Errorf("%q: sh makes %q of %s (%v)", s, out, quoted(s), err)
		}
	}
}
