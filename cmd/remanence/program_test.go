package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// callProgram runs the command line as main does.
func callProgram(args ...string) (status int, stdout, stderr string) {
	var out, err bytes.Buffer
	status = run(args, &out, &err)
	return status, out.String(), err.String()
}

// heronModule is a load module put together by hand from the reference sheet: header, 200 bytes to 5200h, entry 5200h.
func heronModule() []byte {
	b := append([]byte{5, 5}, "HERON"...)
	b = append(b, 1, 202, 0x00, 0x52)
	for i := range 200 {
		b = append(b, byte(3+7*i))
	}
	return append(b, 2, 2, 0x00, 0x52)
}

func programFiles(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	tape := append([]byte{0x55}, "TIDE  "...)
	block := []byte{0x3C, 4, 0x00, 0x4A, 0x3E, 1, 0xC9, 0}
	sum := byte(0x4A)
	for _, c := range block[4:] {
		sum += c
	}
	tape = append(append(append(tape, block...), sum), 0x78, 0x00, 0x4A)
	for name, data := range map[string][]byte{
		"heron.cmd":     heronModule(),
		"copy.dat":      heronModule(),
		"cut.cmd":       heronModule()[:150],
		"tide.tape":     tape,
		"notes.txt":     []byte("Tide tables.\rHigh water at noon.\r"),
		"list.txt":      []byte("10 PRINT \"HI\"\r20 GOTO 10\r"),
		"sub/noise.bin": []byte("\xC3\x01\x99\x17\xFE\x03\x02\xDD\x00\x13\x88\xA0\xFA"),
		"empty":         nil,
	} {
		p := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestInspectCommand holds the JSON that scripts rely on (issue 2) and the exit status.
func TestInspectCommand(t *testing.T) {
	dir := programFiles(t)
	status, out, _ := callProgram("inspect", "--json", dir)
	if status != 1 {
		t.Errorf("exit status %d with damaged files, want 1", status)
	}
	var got struct {
		Files []struct {
			Path        string
			Size        int
			SHA256      string
			Kind        string
			Whole       bool
			Faults      []struct{ Offset int }
			Name        string
			LoadRanges  [][2]int `json:"load-ranges"`
			Entry       *int
			RAM         *int     `json:"ram-kib"`
			RunsOn      []string `json:"runs-on"`
			DuplicateOf string   `json:"duplicate-of"`
		}
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	kinds := map[string]string{}
	for _, f := range got.Files {
		name, _ := filepath.Rel(dir, f.Path)
		kinds[filepath.ToSlash(name)] = f.Kind
		switch name {
		case "heron.cmd":
			if !f.Whole || f.Name != "HERON" || len(f.LoadRanges) != 1 || f.LoadRanges[0] != [2]int{0x5200, 0x52C8} || *f.Entry != 0x5200 || *f.RAM != 16 || len(f.RunsOn) == 0 {
				t.Errorf("%+v", f)
			}
			if f.DuplicateOf != filepath.Join(dir, "copy.dat") {
				t.Errorf("duplicate of %q", f.DuplicateOf)
			}
		case "cut.cmd":
			if f.Whole || len(f.Faults) != 1 || f.Faults[0].Offset != 150 || f.Entry != nil {
				t.Errorf("%+v", f)
			}
		}
	}
	want := map[string]string{"heron.cmd": "load-module", "copy.dat": "load-module", "cut.cmd": "load-module", "tide.tape": "machine-tape", "notes.txt": "text",
		"list.txt": "text", "sub/noise.bin": "unknown", "empty": "unknown"}
	if len(kinds) != len(want) {
		t.Errorf("%d files, want %d", len(kinds), len(want))
	}
	for name, k := range want {
		if kinds[name] != k {
			t.Errorf("%s is %s, want %s", name, kinds[name], k)
		}
	}
	if status, out, _ := callProgram("inspect", filepath.Join(dir, "heron.cmd")); status != 0 || !strings.Contains(out, "loads 5200h-52C7h, entry 5200h, needs 16 KiB") {
		t.Errorf("status %d:\n%s", status, out)
	}
	if status, _, msg := callProgram("inspect", filepath.Join(dir, "absent"), filepath.Join(dir, "heron.cmd")); status != 3 || !strings.Contains(msg, "absent") {
		t.Errorf("a missing file: status %d, %s", status, msg)
	}
}

func TestCompareCommand(t *testing.T) {
	dir := programFiles(t)
	at := func(n string) string { return filepath.Join(dir, n) }
	if status, out, _ := callProgram("inspect", "--compare", at("heron.cmd"), at("copy.dat")); status != 0 || !strings.Contains(out, "byte for byte") {
		t.Errorf("status %d, %s", status, out)
	}
	if status, out, _ := callProgram("inspect", "--compare", at("heron.cmd"), at("tide.tape")); status != 1 || !strings.Contains(out, "entry: the first begins at 5200h, the second at 4A00h") {
		t.Errorf("status %d, %s", status, out)
	}
	if status, _, _ := callProgram("inspect", "--compare", at("heron.cmd")); status != 2 {
		t.Errorf("one file: status %d, want 2", status)
	}
	// two disks that differ in one file
	var images [2]string
	for i, f := range []string{"notes.txt", "list.txt"} {
		images[i] = at(f + ".img")
		if status, _, msg := callProgram("-q", "volume", "new", "--recording", "fm10x256:40x1", "-o", images[i], "-f", at("heron.cmd"), "-f", at(f)); status != 0 {
			t.Fatalf("volume new: status %d, %s", status, msg)
		}
	}
	status, out, _ := callProgram("inspect", "--compare", images[0], images[1])
	if status != 1 || !strings.Contains(out, "NOTES/TXT") || !strings.Contains(out, "LIST/TXT") || strings.Contains(out, "HERON/CMD") {
		t.Errorf("status %d, %s", status, out)
	}
	if status, out, _ := callProgram("inspect", "--json", images[0]); status != 0 || !strings.Contains(out, `"kind": "sector-image"`) {
		t.Errorf("status %d, %s", status, out)
	}
}

func TestConvertCommand(t *testing.T) {
	dir := programFiles(t)
	at := func(n string) string { return filepath.Join(dir, n) }
	for _, c := range []struct {
		args   []string
		status int
		want   string // in standard output, or error where the status is not 0
	}{
		{[]string{at("heron.cmd"), "-o", at("a.hex")}, 0, "intel-hex"},
		{[]string{at("a.hex"), "-o", at("a.mct"), "--name", "HERON"}, 0, "machine-tape"},
		{[]string{at("a.mct"), "-o", at("a.cmd")}, 0, "load-module"},
		{[]string{at("a.mct"), "-o", at("a.cmd")}, 4, "exists already"},
		{[]string{at("a.mct"), "-o", at("a.mct"), "--force"}, 2, "is an input"},
		{[]string{at("tide.tape"), "-o", at("tide.cmd"), "--relocate", "z80-fm10"}, 0, "put in their place by a loader at 5200h"},
		{[]string{at("list.txt"), "-o", at("list.bas")}, 0, "basic-disk"},
		{[]string{at("list.bas"), "-o", at("back.txt")}, 0, "text"},
		{[]string{at("notes.txt"), "-o", at("notes.bas")}, 3, "a line number is expected"},
		{[]string{at("cut.cmd"), "-o", at("cut.hex")}, 3, "--accept-damaged"},
		{[]string{at("sub/noise.bin"), "-o", at("n.cmd"), "--load-address", "0x6000", "--entry", "6000h"}, 0, "from raw"},
		{[]string{at("sub/noise.bin"), "-o", at("m.cmd"), "--load-address", "70000"}, 2, "0 to FFFFh"},
		{[]string{at("heron.cmd"), "-o", at("x.thing")}, 2, "--to KIND"},
		{[]string{at("heron.cmd"), "-o", at("part.cmd"), "--split", "150"}, 0, "part.2.cmd: load-module, 65 bytes"},
		{[]string{at("part.1.cmd"), at("part.2.cmd"), "-o", at("whole.cmd")}, 0, "load-module, 215 bytes"},
		{[]string{at("heron.cmd"), "-o", at("y.cmd"), "--line-ends", "up"}, 2, "cr, lf or crlf"},
	} {
		status, out, msg := callProgram(append([]string{"convert"}, c.args...)...)
		if status != 0 {
			out = msg
		}
		if status != c.status || !strings.Contains(out, c.want) {
			t.Errorf("convert %v: status %d, want %d with %q:\n%s", c.args, status, c.status, c.want, out)
		}
	}
	for a, b := range map[string]string{"a.cmd": "heron.cmd", "back.txt": "list.txt", "whole.cmd": "heron.cmd"} {
		x, err := os.ReadFile(at(a))
		if err != nil {
			t.Fatal(err)
		}
		if y, _ := os.ReadFile(at(b)); !bytes.Equal(x, y) {
			t.Errorf("%s is not %s again:\n% X\n% X", a, b, x, y)
		}
	}
	if _, err := os.Stat(at("notes.bas")); err == nil {
		t.Error("a refused conversion left a file")
	}
}

// A file that is not there is one line that names it and says what was expected: no table of nothing before it.
func TestInspectMissing(t *testing.T) {
	dir := programFiles(t)
	gone := filepath.Join(dir, "nope.bin")
	status, out, errs := callProgram("inspect", gone)
	if status != 3 || out != "" || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, gone+": no such file or folder") || !strings.Contains(errs, "expected") {
		t.Errorf("exit %d, out %q, errors %q", status, out, errs)
	}
	if _, out, _ := callProgram("inspect", gone, filepath.Join(dir, "heron.cmd")); !strings.Contains(out, "1 file: 1 whole") {
		t.Errorf("the file beside it: %s", out)
	}
	if status, _, errs := callProgram("convert", gone, "-o", filepath.Join(dir, "x.hex")); status != 3 || strings.Contains(errs, "open ") || !strings.Contains(errs, gone) {
		t.Errorf("convert: exit %d, %s", status, errs)
	}
}

// With -q the results stay on standard output, notes to the files among them; what to do next and remarks on standard
// error go.
func TestInspectAndConvertQuiet(t *testing.T) {
	dir := programFiles(t)
	module := filepath.Join(dir, "heron.cmd")
	if _, loud, _ := callProgram("inspect", module); !strings.Contains(loud, "Next:") {
		t.Fatalf("no next step without -q: %s", loud)
	}
	if _, out, errs := callProgram("inspect", "-q", module); strings.Contains(out, "Next:") || !strings.Contains(out, "1 file: 1 whole") || errs != "" {
		t.Errorf("inspect -q: %s%s", out, errs)
	}
	if status, out, errs := callProgram("convert", "-q", module, "-o", filepath.Join(dir, "q.hex")); status != 0 || !strings.Contains(out, "q.hex: intel-hex") || errs != "" {
		t.Errorf("convert -q: exit %d %s%s", status, out, errs)
	}
	if status, out, errs := callProgram("convert", "-q", module, "-o", "-", "--to", "raw"); status != 0 || len(out) != 200 || errs != "" {
		t.Errorf("convert -q -o -: exit %d, %d bytes, %s", status, len(out), errs)
	}
}
