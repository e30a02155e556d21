package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"remanence/label"
	"remanence/shelf"
)

// made is a make result of two small programs: one disk and one tape side.
func made(t *testing.T) (archive, out string) {
	t.Helper()
	archive, out = filepath.Join(t.TempDir(), "archive"), filepath.Join(t.TempDir(), "masters")
	for name, data := range map[string]string{"TIDES.TXT": "high water at noon\r", "LOG.TXT": strings.Repeat("fog, no wind\r", 40)} {
		if err := os.MkdirAll(archive, 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(archive, name), []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if status, _, stderr := call(t, "make", "-q", "--machine", "z80-fm10", "--out", out, archive); status != 0 {
		t.Fatalf("make: exit %d: %s", status, stderr)
	}
	return archive, out
}

// inJSON runs a command with --json and gives the object; want is the exit status.
func inJSON(t *testing.T, want int, args ...string) map[string]any {
	t.Helper()
	status, stdout, stderr := call(t, append(args, "--json")...)
	if status != want {
		t.Fatalf("%v: exit %d, want %d: %s", args, status, want, stderr)
	}
	m := map[string]any{}
	if err := json.Unmarshal([]byte(stdout), &m); err != nil {
		t.Fatalf("%v: %v in\n%s", args, err, stdout)
	}
	return m
}

func TestLabelsCommand(t *testing.T) {
	_, out := made(t)
	pdf := filepath.Join(t.TempDir(), "labels.pdf")
	m := inJSON(t, 0, "labels", out, "-s", "disk-5in-letter", "-s", "index-letter", "--start", "3", "--as", "D01=SCC-0012", "--date", "2026-11-24", "-o", pdf)
	if m["pages"] != 2.0 || m["media"].([]any)[0] != "SCC-0012" || len(m["notes"].([]any)) != 0 {
		t.Errorf("%v", m)
	}
	totext, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Fatal("pdftotext is needed for this check: apt-get install poppler-utils (make test does)")
	}
	text, err := exec.Command(totext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"SCC-0012", "TIDES/TXT", "LOG/TXT", "2026-11-24", "fm10x256", "100 mm"} {
		if !bytes.Contains(text, []byte(want)) {
			t.Errorf("%q is not on the labels:\n%s", want, text)
		}
	}
	before, err := os.ReadFile(pdf)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		status int
		args   []string
	}{
		{4, []string{out, "-o", pdf}},                                 // is there already
		{2, []string{out}},                                            // no output
		{2, []string{"-o", pdf + "2"}},                                // nothing to print
		{2, []string{out, "-o", pdf + "2", "-s", "none"}},             // no such sheet
		{2, []string{out, "-o", pdf + "2", "--start", "99"}},          // beyond the sheet
		{2, []string{out, "-o", pdf + "2", "--only", "D77"}},          // no such medium
		{2, []string{out, "-o", pdf + "2", "--as", "D01=a b"}},        // no number
		{2, []string{out, "-o", pdf + "2", "--size", "99xx"}},         // no size
		{3, []string{t.TempDir(), "-o", pdf + "2"}},                   // no manifest
		{3, []string{filepath.Join(out, "D01.img"), "-o", pdf + "2"}}, // no manifest either
	} {
		if status, _, stderr := call(t, append([]string{"labels"}, c.args...)...); status != c.status || stderr == "" {
			t.Errorf("labels %v: exit %d, want %d: %s", c.args, status, c.status, stderr)
		}
	}
	if after, err := os.ReadFile(pdf); err != nil || !bytes.Equal(before, after) {
		t.Error("a PDF was changed without --force")
	}
	own := filepath.Join(t.TempDir(), "own.pdf")
	if m := inJSON(t, 0, "labels", "--number", "X-1", "--title", "Tides", "--name", "A/B,C", "--paper", "100x80", "--size", "90x38", "--grid", "1x1", "--origin", "5,5", "-o", own); m["pages"] != 1.0 && m["pages"] != 2.0 {
		t.Errorf("%v", m)
	}
	info, err := exec.Command("pdfinfo", own).Output()
	if err != nil || !regexp.MustCompile(`Page size: +283\.4[67] x 226\.7[67] pts`).Match(info) { // 100 x 80 mm in 1/72 inch
		t.Errorf("own paper: %v\n%s", err, info)
	}
	if m := inJSON(t, 0, "labels", "--list"); len(m["sheets"].([]any)) < 12 {
		t.Errorf("--list: %v", m)
	}
}

// TestShelfCommand walks from files to a medium at risk and back out of an export.
func TestShelfCommand(t *testing.T) {
	archive, out := made(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "shelf.sqlite")
	on := func(args ...string) []string { return append([]string{"shelf", "--shelf", file}, args...) }
	if status, _, stderr := call(t, on("ls")...); status != 3 || !strings.Contains(stderr, "no shelf yet") {
		t.Errorf("exit %d: %s", status, stderr)
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("looking made a shelf")
	}
	m := inJSON(t, 0, on("add", archive, out)...)
	if m["files"] != 2.0 || m["masters"] != 1.0 {
		t.Errorf("add: %v", m)
	}
	inJSON(t, 0, on("log", "SCC-1", "write", "--master", "D01", "-e", "drive A", "--place", "box 3", "--at", "2020-01-01")...)
	inJSON(t, 0, on("log", "SCC-1", "read", "--margin", "45", "--at", "2020-01-02")...)
	inJSON(t, 0, on("log", "SCC-1", "read", "--margin", "30 %", "--at", "2020-06-02T10:00:00Z")...)
	risk := inJSON(t, 1, on("risk")...)
	if risk["margin"] != 1.0 || risk["unread"] != 1.0 || risk["one-copy"] != 0.0 || risk["failing"] != 0.0 {
		t.Errorf("risk: %v", risk)
	}
	inJSON(t, 0, on("log", "SCC-1", "verify", "--margin", "44")...) // now
	risk = inJSON(t, 0, on("risk")...)
	if len(risk["list"].([]any)) != 0 {
		t.Errorf("risk: %v", risk)
	}
	pdf := filepath.Join(dir, "again.pdf")
	if m := inJSON(t, 0, "labels", "--shelf", file, "--medium", "SCC-1", "-s", "index-a4", "-o", pdf); m["pages"] != 1.0 {
		t.Errorf("labels: %v", m)
	}
	if text, err := exec.Command("pdftotext", pdf, "-").Output(); err != nil || !bytes.Contains(text, []byte("SCC-1")) || !bytes.Contains(text, []byte("TIDES/TXT")) {
		t.Errorf("labels from the shelf: %v\n%s", err, text)
	}
	inJSON(t, 0, on("note", "SCC-1", "label torn", "--tag", "lent")...)
	inJSON(t, 0, on("medium", "SCC-2", "--type", "tape", "--title", "spare", "--place", "box 4")...)
	if m := inJSON(t, 0, on("medium", "SCC-2", "--place", "attic")...)["medium"].(map[string]any); m["state"] != "blank" || m["title"] != "spare" || m["place"] != "attic" {
		t.Errorf("medium: %v", m)
	}
	notes := inJSON(t, 0, on("note", "SCC-2", "sticky", "--tag", "lent")...)["notes"].([]any)
	mark := notes[0].(map[string]any)["uid"].(string)[:6]
	if m := inJSON(t, 0, on("note", "SCC-2", "baked for a night", "--edit", mark)...); m["notes"].([]any)[0].(map[string]any)["text"] != "baked for a night" {
		t.Errorf("edited note: %v", m)
	}
	if m := inJSON(t, 0, on("note", "SCC-2", "--remove", mark, "--tag=-lent")...); m["notes"] != nil || m["tags"] != nil {
		t.Errorf("removed note and tag: %v", m)
	}
	for q, want := range map[string]int{"sticky": 0, "baked": 0, "attic": 1, "tides": 2, "torn": 1, "lent box": 1, "nothing here": 0, "drive": 1} {
		if m := inJSON(t, 0, on(append([]string{"search"}, strings.Fields(q)...)...)...); len(m["hits"].([]any)) != want {
			t.Errorf("search %q: %v, want %d hits", q, m["hits"], want)
		}
	}
	show := inJSON(t, 0, on("show", "SCC-1")...)
	if show["medium"].(map[string]any)["state"] != "proven" || len(show["runs"].([]any)) != 4 {
		t.Errorf("show: %v", show)
	}
	for what, want := range map[string]int{"files": 2, "masters": 1, "media": 2, "runs": 4, "duplicates": 0, "near": 0} {
		if m := inJSON(t, 0, on("ls", what)...); len(m[what].([]any)) != want {
			t.Errorf("ls %s: %v", what, m)
		}
	}
	lines := filepath.Join(dir, "a.jsonl")
	inJSON(t, 0, on("export", "-o", lines)...)
	inJSON(t, 0, on("export", "--as", "csv", "-o", filepath.Join(dir, "csv"))...)
	inJSON(t, 0, on("export", "--as", "bag", "--files", "-o", filepath.Join(dir, "bag"))...)
	sums := exec.Command("sha512sum", "-c", "--strict", "--quiet", "manifest-sha512.txt") // GNU coreutils; RFC 8493
	sums.Dir = filepath.Join(dir, "bag")
	if text, err := sums.CombinedOutput(); err != nil {
		t.Errorf("sha512sum: %v\n%s", err, text)
	}
	second := []string{"shelf", "--shelf", filepath.Join(dir, "second.sqlite")}
	if m := inJSON(t, 0, append(second, "import", filepath.Join(dir, "bag"))...); m["files"] != 2.0 || m["runs"] != 4.0 || m["notes"] != 1.0 || m["tags"] != 1.0 {
		t.Errorf("import: %v", m)
	}
	again := filepath.Join(dir, "b.jsonl")
	inJSON(t, 0, append(second, "export", "-o", again)...)
	a, err := os.ReadFile(lines)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(again); err != nil || !bytes.Equal(a, b) {
		t.Errorf("the shelf is not the same after export and import (%v)", err)
	}
	if m := inJSON(t, 0, on("check")...); m["whole"] != true || len(m["backups"].([]any)) == 0 {
		t.Errorf("check: %v", m)
	}
	for _, c := range []struct {
		status int
		args   []string
	}{{2, on("log", "a b", "read")}, {2, on("log", "X", "read")}, {2, on("log", "SCC-1", "burn")}, {2, on("log", "SCC-1", "read", "--margin", "140")}, {2, on("log", "SCC-1", "read", "--at", "noon")},
		{2, on("show", "zzz")}, {2, on("note", "SCC-1")}, {2, on("note", "SCC-1", "--remove", "beef")}, {2, on("note", "SCC-1", "--edit", "beef")}, {2, on("medium", "SCC-1")},
		{2, on("medium", "SCC-1", "--type", "disk")}, {2, on("medium", "SCC-9", "--type", "card")}, {2, on("medium", "SCC-9", "--place", "box 1")}, {3, on("import", lines+".none")}, {4, on("export", "-o", lines)}, {2, on("ls", "everything")}} {
		if status, _, stderr := call(t, c.args...); status != c.status || stderr == "" {
			t.Errorf("%v: exit %d, want %d: %s", c.args, status, c.status, stderr)
		}
	}
}

// The label of a shelved medium whose master did not come back whole says so; one of a verified master does not.
func TestShelvedLabelNotProven(t *testing.T) {
	d := &shelf.Detail{Medium: &shelf.Medium{Number: "T1", Type: "tape"}, Master: &shelf.Master{Items: []shelf.Item{{Name: "GULL", Side: "A"}, {Name: "TIDES", Side: "B"}}}}
	for _, verified := range []bool{false, true} {
		d.Master.Verified = verified
		m := d.Label()
		if len(m.Sides) != 2 {
			t.Fatalf("%d sides", len(m.Sides))
		}
		for _, s := range m.Sides {
			if (s.Proof == label.NotProven) == verified {
				t.Errorf("verified %v: side %s says %q", verified, s.Name, s.Proof)
			}
		}
	}
}
