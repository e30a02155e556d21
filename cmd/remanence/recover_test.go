package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func callRecover(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	var out, errs bytes.Buffer
	status = run(append([]string{"recover", "--config", t.TempDir(), "-q"}, args...), &out, &errs)
	return out.String(), errs.String(), status
}

// The schema of issue 4 (recover is like disk decode), the exit statuses of the design, and every output.
func TestRecoverCommand(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	volumeOK(t, "new", "--recording", "fm10x256:35x1", "-o", at("a.img"))
	var out, errs bytes.Buffer
	if n := run([]string{"disk", "encode", at("a.img"), "--recording", "fm10x256:35x1", "-o", at("captures"), "-q"}, &out, &errs); n != 0 {
		t.Fatalf("disk encode: %d %s", n, errs.String())
	}
	text, _, status := callRecover(t, at("captures"), "-o", at("b.img"), "--json", "--sectors", at("b.jsonl"), "--map", at("b.svg"),
		"--map", at("b.json"), "--before", at("before.txt"), "--quality", at("q.png"), "--bag", at("bag"), "--date", "1983-07-14")
	if status != 0 {
		t.Fatalf("exit %d: %s", status, text)
	}
	var rep map[string]any
	if err := json.Unmarshal([]byte(text), &rep); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{"recording", "sectors-expected", "sectors-good", "sectors-damaged", "sectors-missing", "bad", "assumed", "problems", "sources", "conflicts"} {
		if _, ok := rep[k]; !ok {
			t.Errorf("no %q in %s", k, text)
		}
	}
	if rep["recording"] != "fm10x256" || rep["sectors-good"] != 350.0 {
		t.Errorf("recording %v, good %v", rep["recording"], rep["sectors-good"])
	}
	a, _ := os.ReadFile(at("a.img"))
	b, _ := os.ReadFile(at("b.img"))
	if !bytes.Equal(a, b) {
		t.Error("the image is not what was encoded")
	}
	lines, _ := os.ReadFile(at("b.jsonl"))
	if n := bytes.Count(lines, []byte("\n")); n != 350 {
		t.Errorf("%d lines of sectors, want 350", n)
	}
	for _, f := range []string{"b.svg", "b.json", "before.txt", "q.png", "bag/bagit.txt", "bag/data/image/b.img", "bag/metadata/premis-events.json"} {
		if st, err := os.Stat(at(f)); err != nil || st.Size() == 0 {
			t.Errorf("%s: %v", f, err)
		}
	}
	// Nothing that is there is replaced, and no work is done before that is clear.
	for _, args := range [][]string{
		{at("captures"), "-o", at("b.img")}, {at("captures"), "-o", at("new.img"), "--map", at("b.svg")},
	} {
		if _, said, n := callRecover(t, args...); n != 4 || !strings.Contains(said, "exists already") {
			t.Errorf("%q: exit %d, %s", args, n, said)
		}
	}
	for _, args := range [][]string{
		{at("captures"), "-o", at("new.img"), "--map", at("x.gif")}, {at("captures"), "-o", at("new.img"), "--date", "yesterday"}, {at("a.img"), "-o", at("a.img"), "--force"},
	} {
		if _, said, n := callRecover(t, args...); n != 2 {
			t.Errorf("%q: exit %d, %s", args, n, said)
		}
	}
	if _, err := os.Stat(at("new.img")); err == nil {
		t.Error("a refused call left an image")
	}
	// One capture less: exit 1, and the missing track is told.
	if err := os.Remove(at("captures/c17h0.ivl")); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(at("captures/c17h0.ivl"), []byte("remanence-intervals 1\ntick-ns 25\ncylinder 17\nhead 0\nindex\ntransitions 3\n\n\x01\x02"), 0o600); err != nil {
		t.Fatal(err)
	}
	text, _, status = callRecover(t, at("captures"), "-o", at("c.img"), "--json")
	if err := json.Unmarshal([]byte(text), &rep); err != nil || status != 1 || rep["sectors-missing"] != 10.0 {
		t.Errorf("exit %d, missing %v, %v", status, rep["sectors-missing"], err)
	}
	// Together with the image everything is there again.
	text, _, _ = callRecover(t, at("captures"), at("a.img"), "-o", at("d.img"), "--json")
	if err := json.Unmarshal([]byte(text), &rep); err != nil || rep["sectors-good"] != 350.0 {
		t.Errorf("with the image: %v good, %v", rep["sectors-good"], err)
	}
	if err := os.WriteFile(at("junk"), bytes.Repeat([]byte("no disk "), 999), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, said, n := callRecover(t, at("junk"), "-o", at("e.img")); n != 3 || !strings.Contains(said, "junk") || !strings.Contains(said, "readers.md") || strings.Count(said, at("junk")) != 1 {
		t.Errorf("junk: exit %d, %s", n, said)
	}
}

// Cylinders that nothing was captured of are told by decode and recover alike, in text and JSON, and are no success;
// where an image has them, recover has nothing to tell. What is no capture is told without its bytes.
func TestCylindersNotCaptured(t *testing.T) {
	dir := t.TempDir()
	at := func(n string) string { return filepath.Join(dir, n) }
	volumeOK(t, "new", "--recording", "fm10x256:35x1", "-o", at("a.img"))
	var out, errs bytes.Buffer
	if n := run([]string{"disk", "encode", at("a.img"), "--recording", "fm10x256:35x1", "-o", at("captures"), "-q"}, &out, &errs); n != 0 {
		t.Fatalf("disk encode: %d %s", n, errs.String())
	}
	for c := range 17 {
		if err := os.Remove(at(fmt.Sprintf("captures/c%02dh0.ivl", c))); err != nil {
			t.Fatal(err)
		}
	}
	const want = "cylinders 0-16 were not captured"
	for i, args := range [][]string{{"disk", "decode"}, {"recover"}} {
		for k, json := range []string{"--json", "-q"} {
			out.Reset()
			n := run(append(args, at("captures"), "-o", at(fmt.Sprintf("b%d%d.img", i, k)), json), &out, &errs)
			if n != 1 || strings.Count(out.String(), want) != 1 || !strings.Contains(out.String(), "180") {
				t.Errorf("%v %s: exit %d, %s", args, json, n, out.String())
			}
		}
	}
	if text, _, n := callRecover(t, at("captures"), at("a.img"), "-o", at("c.img")); n != 0 || strings.Contains(text, "not captured") {
		t.Errorf("with the image: exit %d, %s", n, text)
	}
	errs.Reset()
	n := run([]string{"disk", "decode", at("a.img"), "-o", at("d.img")}, &out, &errs)
	if n != 3 || !strings.Contains(errs.String(), "remanence recover") || strings.Contains(errs.String(), `\x`) {
		t.Errorf("an image: exit %d, %s", n, errs.String())
	}
}

// The manual names every option there is.
func TestRecoverManual(t *testing.T) {
	doc, err := os.ReadFile("../../doc/recover.md")
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	run([]string{"recover", "--help"}, &out, &errs)
	var missing []string
	for _, w := range strings.Fields(out.String()) {
		flag, _, _ := strings.Cut(strings.TrimRight(w, ","), "=")
		if strings.HasPrefix(flag, "--") && !bytes.Contains(doc, []byte("`"+flag)) && !slices.Contains([]string{"--help", "--json", "--quiet", "--config", "--force", "--output"}, flag) {
			missing = append(missing, flag)
		}
	}
	if len(missing) > 0 {
		t.Errorf("doc/recover.md does not name %v", missing)
	}
}
