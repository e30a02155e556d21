package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/internal/outcome"
	"remanence/master"
	"remanence/plan"
)

// call runs the command line in this process.
func call(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var o, e bytes.Buffer
	status = run(append([]string{"--config", t.TempDir()}, args...), &o, &e)
	return status, o.String(), e.String()
}

// mediaJSON is what scripts rely on (issue 2): the names are written out here so that a change is noticed.
type mediaJSON struct {
	Machine    *string `json:"machine"`
	LowerBound *int    `json:"lower-bound"`
	Media      []struct {
		ID        *string `json:"id"`
		Type      *string `json:"type"`
		Recording *string `json:"recording"`
		Cylinders int     `json:"cylinders"`
		Files     []struct {
			Name *string `json:"name"`
			Path *string `json:"path"`
			Size *int64  `json:"size"`
		} `json:"files"`
		FreeBytes *int64  `json:"free-bytes"`
		Image     *string `json:"image"`
		Captures  *string `json:"captures"`
		Audio     *string `json:"audio"`
		Verified  *bool   `json:"verified"`
	} `json:"media"`
	LeftOut []struct {
		Path *string `json:"path"`
		Why  *string `json:"why"`
	} `json:"left-out"`
}

func parse(t *testing.T, text string) mediaJSON {
	t.Helper()
	var m mediaJSON
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if m.Machine == nil || m.LowerBound == nil || m.Media == nil || m.LeftOut == nil {
		t.Fatalf("keys are missing in\n%s", text)
	}
	for _, x := range m.Media {
		if x.ID == nil || x.Type == nil || x.Recording == nil || x.FreeBytes == nil || x.Image == nil || x.Captures == nil || x.Audio == nil || x.Verified == nil || x.Files == nil {
			t.Fatalf("keys of a medium are missing in\n%s", text)
		}
	}
	return m
}

func TestPlanAndMake(t *testing.T) {
	dir := t.TempDir()
	text := strings.Repeat("NOTES OF THE NET LOFT, COPIED BY HAND\r", 20)
	for name, data := range map[string]string{"notes.txt": text, "big.dat": strings.Repeat("\x00\x01\xFE", 40_000)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(data), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	job := filepath.Join(dir, "job.toml")
	if err := os.WriteFile(job, []byte("machine = \"z80-fm10\"\ncylinders = 35\ntitle = \"LOFT\"\n[[file]]\npath = \"notes.txt\"\nname = \"NOTES/TXT\"\nto = [\"disk\", \"tape\"]\n[[file]]\npath = \"big.dat\"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	status, out, errs := call(t, "plan", "--json", "-q", job)
	m := parse(t, out)
	if status != 1 || len(m.Media) != 2 || *m.LowerBound != 2 || len(m.LeftOut) != 1 || *m.Machine != "z80-fm10" {
		t.Fatalf("status %d, %s%s", status, out, errs)
	}
	if *m.Media[0].Recording != "fm10x256" || *m.Media[0].Files[0].Name != "NOTES/TXT" || *m.Media[1].Type != "tape" || *m.Media[0].Verified {
		t.Errorf("%s", out)
	}

	masters := filepath.Join(dir, "masters")
	status, out, errs = call(t, "make", "--json", "-q", "--out", masters, job)
	m = parse(t, out)
	if status != 1 || !*m.Media[0].Verified || !*m.Media[1].Verified {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	for _, name := range []string{*m.Media[0].Image, *m.Media[0].Captures, *m.Media[1].Audio, "labels.pdf", "report.html", "manifest.json"} {
		if i, err := os.Stat(filepath.Join(masters, name)); err != nil || i.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	status, _, errs = call(t, "make", "-q", "--out", masters, job)
	if status != 4 || !strings.Contains(errs, "exists already") || !strings.Contains(errs, "--force") {
		t.Errorf("a second time: status %d, %s", status, errs)
	}
}

func TestMakeCallsThatCannotBe(t *testing.T) {
	dir := t.TempDir()
	in := filepath.Join(dir, "a.txt")
	bad := filepath.Join(dir, "bad.toml")
	if err := os.WriteFile(in, []byte("SOME TEXT OF THE ARCHIVE\r"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bad, []byte("machine = \"z80-fm10\"\ncolour = 3\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args   []string
		status int
		want   string
	}{
		{[]string{"plan"}, 2, "no files"},
		{[]string{"plan", "--machine", "abacus", in}, 2, "there are: board-kcs"},
		{[]string{"plan", "--cassette", "C-3", in}, 2, "want C-15"},
		{[]string{"plan", "--sides", "3", in}, 2, "1 or 2 sides"},
		{[]string{"plan", filepath.Join(dir, "nowhere")}, 3, "no such file"},
		{[]string{"plan", bad}, 3, "bad.toml:2: key \"colour\": a job has no such key"},
		{[]string{"make", "--medium", "soggy", in}, 2, "there are: beyond, clean"},
		{[]string{"make", "--rate", "10", in}, 2, "want 8000"},
	} {
		status, out, errs := call(t, c.args...)
		if status != c.status || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%v: status %d, want %d\n%s%s", c.args, status, c.status, out, errs)
		}
	}
}

// What is said of a medium that is not verified is of its own kind; a stop says so in words and ends with 130.
func TestMakeRemediesAndStop(t *testing.T) {
	r := &master.Result{Arranged: &master.Arrangement{Copies: 1}, Preset: "worn", Report: "report.html",
		Media: []*master.Medium{{Medium: plan.Medium{ID: "T01A", Type: plan.ToTape}}}}
	say := func() string {
		var o bytes.Buffer
		printRemedies(newEnv(context.Background(), &o, &o), r)
		return o.String()
	}
	if s := say(); !strings.Contains(s, "--copies 2") || !strings.Contains(s, "--seed N") || strings.Contains(s, "disk") || strings.Contains(s, "sector") {
		t.Errorf("a tape: %s", s)
	}
	r.Media[0].Disk = &disk.Recording{}
	if s := say(); strings.Contains(s, "--copies") || strings.Contains(s, "tape") || !strings.Contains(s, "better disk or drive") {
		t.Errorf("a disk: %s", s)
	}
	err := stopped(fmt.Errorf("D01: %w", context.Canceled), "before anything was made")
	if outcome.Status(err) != 130 || err.Error() != "stopped before anything was made" {
		t.Errorf("stopped: %v, status %d", err, outcome.Status(err))
	}
}

// The demo: every run writes the same bytes, wherever, and ends with what to do next.
func TestDemo(t *testing.T) {
	dir := t.TempDir()
	a, b := filepath.Join(dir, "a"), filepath.Join(dir, "deep", "b")
	status, out, errs := call(t, "demo", "--out", a)
	if status != 0 {
		t.Fatalf("status %d\n%s%s", status, out, errs)
	}
	for _, want := range []string{"3 disks and 1 tape side; fewer cannot do", "does not run them; 'remanence convert FILE -o NAME.CMD --to load-module' makes programs of them: BEACON.S19, CRANE.HEX", "Next: open report.html", "remanence inspect FOLDER"} {
		if !strings.Contains(out, want) {
			t.Errorf("the demo does not say %q:\n%s", want, out)
		}
	}
	status, out, errs = call(t, "demo", "-q", "--jobs", "1", "--out", b)
	if status != 0 || strings.Contains(out, "Next:") || !strings.Contains(out, "400 of 400 sectors") {
		t.Fatalf("quiet: status %d, %s\n%s", status, errs, out)
	}
	n := 0
	err := filepath.WalkDir(a, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		n++
		rel, _ := filepath.Rel(a, p)
		x, err1 := os.ReadFile(p)
		y, err2 := os.ReadFile(filepath.Join(b, rel))
		if err1 != nil || err2 != nil || !bytes.Equal(x, y) {
			t.Errorf("%s differs from run to run (%v, %v)", rel, err1, err2)
		}
		return nil
	})
	if err != nil || n < 24+13 {
		t.Errorf("%d files, %v", n, err)
	}
	// A person's own file among the demo's is not touched.
	if err := os.WriteFile(filepath.Join(a, "archive", "MINE.TXT"), []byte("x"), 0o666); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := call(t, "demo", "-q", "--out", a); status != 4 || !strings.Contains(errs, "is not of the demo") {
		t.Errorf("with another file in the folder: status %d, %s", status, errs)
	}
}

// Masters are compared with their manifest a year later, without any shelf; a byte that changed is exit 1.
func TestShelfCheckFolders(t *testing.T) {
	dir := t.TempDir()
	in, out := filepath.Join(dir, "NOTE.TXT"), filepath.Join(dir, "out")
	if err := os.WriteFile(in, []byte("tide tables\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, _, errs := call(t, "make", "-q", "--machine", "z80-fm10", "--out", out, in); status != 0 {
		t.Fatalf("make: status %d, %s", status, errs)
	}
	if status, said, _ := call(t, "shelf", "check", out); status != 0 || !strings.Contains(said, "as written") {
		t.Errorf("status %d, %s", status, said)
	}
	img := filepath.Join(out, "D01.img")
	b, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	b[5000] ^= 1
	if err := os.WriteFile(img, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if status, said, _ := call(t, "shelf", "check", "--json", out); status != 1 || !strings.Contains(said, `"path": "D01.img"`) {
		t.Errorf("status %d, %s", status, said)
	}
	if status, _, errs := call(t, "shelf", "check", dir); status != 3 || !strings.Contains(errs, "neither manifest.json nor bagit.txt") {
		t.Errorf("status %d, %s", status, errs)
	}
}
