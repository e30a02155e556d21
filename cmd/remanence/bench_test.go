package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// bench advise prints what scripts rely on: field names from the issue, best first. Rates: 125 kbit/s FM at 300 rpm,
// 150 at 360 (fact sheet on floppies, 6.3).
func TestBenchAdviseJSON(t *testing.T) {
	config := t.TempDir()
	const own = `[[controller]]
name = "pc"
kind = "c765-fm"
[[drive]]
name = "wide"
kind = "dd48"
[[drive]]
name = "narrow"
kind = "hd96"
[[disk]]
name = "box"
kind = "dd-used"
`
	if err := os.WriteFile(filepath.Join(config, "bench.toml"), []byte(own), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := run([]string{"bench", "advise", "fm10x256", "--machine", "z80-fm10", "--json", "--config", config, "--picture", filepath.Join(config, "p.svg")}, &out, &errs); code != 0 {
		t.Fatalf("status %d: %s", code, errs.String())
	}
	var a struct {
		Recording    string           `json:"recording"`
		Combinations []map[string]any `json:"combinations"`
	}
	if err := json.Unmarshal(out.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	if a.Recording != "fm10x256" || len(a.Combinations) != 2 {
		t.Fatalf("%s", out.String())
	}
	for i, want := range []struct {
		drive       string
		rate, steps float64
		margin      float64
	}{{"wide", 125, 1, 0}, {"narrow", 150, 2, 0}} {
		c := a.Combinations[i]
		for _, k := range []string{"drive", "controller", "medium", "possible", "rate-kbit-s", "steps-per-cylinder", "mark-replaced", "margin-percent", "do-first", "reasons"} {
			if _, ok := c[k]; !ok {
				t.Errorf("no %q", k)
			}
		}
		if c["drive"] != want.drive || c["rate-kbit-s"] != want.rate || c["steps-per-cylinder"] != want.steps || c["possible"] != true || c["mark-replaced"] != "FA by F8" {
			t.Errorf("%d: %v", i, c)
		}
		if m := c["margin-percent"].(float64); !(m > 5 && m <= 100) {
			t.Errorf("margin %v", m)
		}
	}
	if b, err := os.ReadFile(filepath.Join(config, "p.svg")); err != nil || !strings.Contains(string(b), "<svg") {
		t.Errorf("picture: %v", err)
	}
}

// Calls that cannot work say so with the right status, before anything is written.
func TestBenchRefusals(t *testing.T) {
	dir := t.TempDir()
	img := filepath.Join(dir, "d.img")
	if err := os.WriteFile(img, make([]byte, 102400), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"bench", "advise", "nothing"}, 2, "there is none of that name"},
		{[]string{"bench", "write", img, "--recording", "mfm9x512:40x2", "--yes"}, 3, "image has 102400 bytes, recording mfm9x512:40x2 needs 368640"},
		{[]string{"bench", "check", "--device", "/dev/fd0", "--yes"}, 2, "say its kind with --drive"},
		{[]string{"bench", "check", "--drive", "dd48", "--device", filepath.Join(dir, "none"), "--yes"}, 4, "name one with --device"},
		{[]string{"bench", "check", "--drive", "dd48", "--remote", "old-pc:7531", "--yes"}, 2, "copy what it wrote"},
		{[]string{"serve", "--bench", "--adapter", filepath.Join(dir, "none")}, 4, "mend the command line of --adapter"},
		{[]string{"serve", "--bench", "--drive", filepath.Join(dir, "none")}, 4, "name one with --drive"},
		{[]string{"make", dir, "--drive", "dd48"}, 2, "say --bench"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--yes"}, 2, "which drive"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--drive", "dd48", "--controller", "c765-nofm", "--disk", "dd-new", "--yes"}, 2, "does no FM"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--drive", "dd48", "--controller", "c765-fm", "--disk", "dd-new", "--yes"}, 2, "no device is named"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--drive", "dd48", "--controller", "c765-fm", "--disk", "dd-new", "--device", "/dev/null", "--yes"}, 4, "no block device"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--drive", "dd48", "--controller", "c765-fm", "--disk", "dd-new", "--remote", "127.0.0.1:9", "--yes"}, 2, "not paired"},
		{[]string{"bench", "write", img, "--recording", "fm10x256", "--drive", "dd48", "--controller", "c765-fm", "--disk", "dd-new", "--adapter", "/nonexistent/adapter", "--yes"}, 4, "adapter"},
	} {
		var out, errs bytes.Buffer
		if code := run(append(c.args, "--config", filepath.Join(dir, "config")), &out, &errs); code != c.code || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%v: status %d, want %d with %q: %s", c.args[1:], code, c.code, c.want, errs.String())
		}
	}
}

// The run sheet is a PDF that says what the bench needs, cautions where the hazard is.
func TestBenchSheet(t *testing.T) {
	dir := t.TempDir()
	img, pdf := filepath.Join(dir, "d.img"), filepath.Join(dir, "run.pdf")
	if err := os.WriteFile(img, make([]byte, 102400), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := run([]string{"bench", "sheet", img, "--recording", "fm10x256", "--machine", "z80-fm10", "--drive", "hd96", "--controller", "c765-fm", "--disk", "dd-used",
		"--medium", "SCC-0012", "-o", pdf, "--config", filepath.Join(dir, "config")}, &out, &errs); code != 0 {
		t.Fatalf("status %d: %s", code, errs.String())
	}
	text := pdfText(t, pdf)
	for _, want := range []string{"SCC-0012", "300 kbit/s (FM runs at 150)", "bulk eraser", "heart devices", "qualified people", "40 of 40 tracks verified, 400 sectors", "FA by F8", "Log entry", "--medium SCC-0012", "Verify it in a drive of the target's width (48 tpi)", "least margin measured, %"} {
		if !strings.Contains(text, want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
}

// pdfText is the text of a PDF as pdftotext (Debian package poppler-utils) reads it.
func pdfText(t *testing.T, path string) string {
	t.Helper()
	b, err := exec.Command("pdftotext", "-layout", path, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext (Debian package poppler-utils): %v", err)
	}
	return strings.Join(strings.Fields(string(b)), " ")
}
