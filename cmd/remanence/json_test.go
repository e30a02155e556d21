package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// shapes reads the example blocks of doc/json.md: ```json NAME.
func shapes(t *testing.T) map[string]any {
	t.Helper()
	b, err := os.ReadFile("../../doc/json.md")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]any{}
	for _, m := range regexp.MustCompile("(?s)```json ([a-z-]+)\n(.*?)```").FindAllSubmatch(b, -1) {
		var v any
		if err := json.Unmarshal(m[2], &v); err != nil {
			t.Fatalf("doc/json.md, block %s: %v", m[1], err)
		}
		out[string(m[1])] = v
	}
	return out
}

// conform compares the names of an object with those of its example, and the kinds of the values. open says that got
// may have more names than the example.
func conform(t *testing.T, where string, want, got any, open bool) {
	t.Helper()
	switch w := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok {
			t.Errorf("%s: %T, doc/json.md has an object", where, got)
			return
		}
		if len(w) == 0 {
			return
		}
		known := map[string]bool{}
		for k, v := range w {
			name, optional := strings.CutSuffix(k, "?")
			known[name] = true
			x, there := g[name]
			if !there {
				if !optional {
					t.Errorf("%s: %q is in doc/json.md and not printed", where, name)
				}
				continue
			}
			conform(t, where+"."+name, v, x, open)
		}
		for k := range g {
			if !known[k] && !open {
				t.Errorf("%s: %q is printed and not in doc/json.md", where, k)
			}
		}
	case []any:
		if got == nil {
			return
		}
		g, ok := got.([]any)
		if !ok {
			t.Errorf("%s: %T, doc/json.md has a list", where, got)
			return
		}
		if len(w) > 0 {
			for _, x := range g {
				conform(t, where+"[]", w[0], x, open)
			}
		}
	case string:
		if _, ok := got.(string); !ok && got != nil {
			t.Errorf("%s: %T, doc/json.md has a text", where, got)
		}
	case float64:
		if _, ok := got.(float64); !ok && got != nil {
			t.Errorf("%s: %T, doc/json.md has a number", where, got)
		}
	case bool:
		if _, ok := got.(bool); !ok {
			t.Errorf("%s: %T, doc/json.md has true or false", where, got)
		}
	}
}

func TestJSONAsDocumented(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	shape := shapes(t)
	object := func(name string, open bool, wantStatus int, args ...string) {
		t.Helper()
		var out, errs bytes.Buffer
		status := run(append(args, "--json"), &out, &errs)
		if status != wantStatus {
			t.Errorf("%v: exit %d, want %d: %s", args, status, wantStatus, errs.String())
		}
		d := json.NewDecoder(&out)
		var got any
		if err := d.Decode(&got); err != nil {
			t.Errorf("%v: %v", args, err)
			return
		}
		if d.More() {
			t.Errorf("%v: more than one object on standard output", args)
		}
		want, ok := shape[name]
		if !ok {
			t.Fatalf("doc/json.md has no block %q", name)
		}
		conform(t, name, want, got, open)
	}
	object("plan", true, 0, "demo", "--out", at("demo"))
	a := func(name string) string { return at("demo/archive/" + name) }
	object("inspect", false, 1, "inspect", at("demo/archive"))
	object("compare", false, 1, "inspect", "--compare", a("GULL.CMD"), a("SORT.CMD"))
	object("convert", false, 0, "convert", a("TIDES.BAS"), "-o", at("tides.txt"))
	object("plan", true, 0, "plan", a("GULL.CMD"))
	object("plan", true, 0, "make", a("GULL.CMD"), a("WINCH.CAS"), "--out", at("made"))
	image := at("demo/D02.img")
	object("volume-ls", false, 0, "volume", "ls", image)
	object("volume-check", false, 0, "volume", "check", image)
	object("volume-get", false, 0, "volume", "get", image, "README/TXT", "-o", at("readme.txt"))
	object("volume-new", false, 0, "volume", "new", "--recording", "fm10x256", "-o", at("new.img"))
	object("volume-put", false, 0, "volume", "put", at("new.img"), at("tides.txt"), "-o", at("put.img"))
	object("volume-copy", false, 0, "volume", "copy", image, at("new.img"), "-o", at("copy.img"))
	object("volume-map", false, 0, "volume", "map", image)
	object("volume-propose", false, 0, "volume", "propose", image)
	object("disk-encode", false, 0, "disk", "encode", image, "--recording", "fm10x256", "-o", at("heron"))
	object("disk-decode", false, 0, "disk", "decode", at("heron"), "-o", at("back.img"), "--sectors", at("sectors.jsonl"))
	object("recover", false, 0, "recover", at("heron"), "-o", at("best.img"))
	object("bench-advise", false, 0, "bench", "advise", "fm10x256")
	object("starter", true, 0, "starter", image, "-o", at("starter.wav"))
	object("tape-write", true, 0, "tape", "write", a("WINCH.CAS"), "-o", at("winch.wav"))
	object("tape-read", true, 0, "tape", "read", at("winch.wav"), "-o", at("read"))

	f, err := os.Open(at("sectors.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := 0
	for sc := bufio.NewScanner(f); sc.Scan(); lines++ {
		var got any
		if err := json.Unmarshal(sc.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		conform(t, "sectors", shape["sectors"], got, false)
	}
	if lines != 400 {
		t.Errorf("--sectors: %d lines, want 400", lines)
	}
}
