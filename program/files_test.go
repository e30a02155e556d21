package program

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// counter is a progress listener that adds up.
type counter struct {
	mu          sync.Mutex
	total, done int
	ended       bool
}

func (c *counter) Start(_ string, total int) { c.total = total }
func (c *counter) Step(n int, _ string)      { c.mu.Lock(); c.done += n; c.mu.Unlock() }
func (c *counter) Done()                     { c.ended = true }

func TestInspectAll(t *testing.T) {
	dir := t.TempDir()
	var paths []string
	all := samples()
	for i := range 5 * len(all) {
		s := all[i%len(all)]
		p := filepath.Join(dir, fmt.Sprintf("%04d.dat", i))
		if err := os.WriteFile(p, s.data, 0o644); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, p)
	}
	missing := filepath.Join(dir, "missing")
	paths = append(paths, missing, dir)
	var c counter
	target := Target{Name: "heron", RAMStart: 0x4000, RAMChoicesKiB: []int{48}, SystemFirst: 0x4000, SystemEnd: 0x5200, Kinds: []Kind{LoadModule, MachineTape}}
	rs, err := InspectAll(t.Context(), paths, Options{Targets: []Target{target}, Workers: 4}, &c)
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "is a folder") {
		t.Errorf("a missing file and a folder: %v", err)
	}
	if len(rs) != 5*len(all) || c.total != len(paths) || c.done != len(paths) || !c.ended {
		t.Fatalf("%d reports of %d files; progress %d of %d, ended %v", len(rs), len(paths), c.done, c.total, c.ended)
	}
	for i, r := range rs {
		s := all[i%len(all)]
		if r.Path != paths[i] || r.Kind != s.kind || r.Size != int64(len(s.data)) {
			t.Fatalf("report %d: %s %s, want %s %s", i, r.Path, r.Kind, paths[i], s.kind)
		}
		if i >= len(all) && len(s.data) > 0 && r.DuplicateOf == "" {
			t.Errorf("%s (%s) is not called a duplicate", r.Path, s.name)
		}
	}
	if rs[0].DuplicateOf != "" || rs[len(all)].DuplicateOf != rs[0].Path {
		t.Errorf("duplicates: %q, %q", rs[0].DuplicateOf, rs[len(all)].DuplicateOf)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := InspectAll(ctx, paths, Options{}, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestSHA256 uses the vector of FIPS 180-4 for "abc" (standards sheet E6).
func TestSHA256(t *testing.T) {
	r, err := InspectReader(t.Context(), strings.NewReader("abc"), "-", Options{})
	if err != nil || r.SHA256 != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Errorf("%s, %v", r.SHA256, err)
	}
}

// TestJSONShape holds the fields that scripts rely on (issue 2).
func TestJSONShape(t *testing.T) {
	sample := samples()[0]
	r, err := InspectReader(t.Context(), bytes.NewReader(sample.data), "tide.cmd", Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{"path": "tide.cmd", "size": float64(len(sample.data)), "sha256": r.SHA256, "kind": "load-module", "whole": true, "faults": []any{},
		"name": "HERON", "load-ranges": []any{[]any{float64(0x5200), float64(0x5364)}}, "entry": float64(0x5200), "ram-kib": 16.0, "runs-on": []any{}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	r, _ = InspectReader(t.Context(), strings.NewReader("A text.\n"), "t", Options{})
	b, _ = json.Marshal(r)
	for _, part := range []string{`"entry":null`, `"ram-kib":null`, `"load-ranges":[]`, `{"offset":7,"class":"line-ends","what":`} {
		if !strings.Contains(string(b), part) {
			t.Errorf("%s is not in %s", part, b)
		}
	}
}

// TestLargeFile: more than any program has is hashed and not kept; a long recording is recognised by its head.
func TestLargeFile(t *testing.T) {
	big := make([]byte, MaxProgramBytes+5000)
	copy(big, wavOf(len(big)-44, 0))
	r, err := InspectReader(t.Context(), bytes.NewReader(big), "side-a.wav", Options{})
	if err != nil || r.Kind != Audio || !r.Whole || r.Size != int64(len(big)) {
		t.Errorf("%s, whole %v, %d bytes, %v, %v", r.Kind, r.Whole, r.Size, r.Faults, err)
	}
	name := "c00h0.ivl"
	zip := cat("PK\x03\x04", make([]byte, 22), len(name), 0, 0, 0, name, captureMark)
	copy(big, zip)
	if r, err = InspectReader(t.Context(), bytes.NewReader(big), "disk.zip", Options{}); err != nil || r.Kind != Captures {
		t.Errorf("a large zip of captures: %s, %v", r.Kind, err)
	}
	copy(big, "\x01\x02\x03")
	r, err = InspectReader(t.Context(), bytes.NewReader(big), "x", Options{})
	if err != nil || r.Kind != Unknown || r.Size != int64(len(big)) {
		t.Errorf("%s, %d bytes, %v", r.Kind, r.Size, err)
	}
}

// TestRecognizer: a caller's forms are asked where none of ours is certain, and not where one is.
func TestRecognizer(t *testing.T) {
	asked := 0
	hook := func(data []byte) *Report {
		asked++
		if len(data) != 102400 {
			return nil
		}
		return ImageReport("HERON1", "a volume", []Fault{{What: "slot 3 is crossed"}}, nil)
	}
	o := Options{Recognizers: []Recognizer{hook}}
	r, err := InspectReader(t.Context(), bytes.NewReader(make([]byte, 102400)), "heron.img", o)
	if err != nil || r.Kind != SectorImage || r.Whole || r.Name != "HERON1" || asked != 1 {
		t.Errorf("%s, whole %v, %q, asked %d times, %v", r.Kind, r.Whole, r.Name, asked, err)
	}
	if r, _ = InspectReader(t.Context(), bytes.NewReader(samples()[0].data), "tide.cmd", o); r.Kind != LoadModule || asked != 1 {
		t.Errorf("%s, asked %d times", r.Kind, asked)
	}
}
