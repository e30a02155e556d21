package web

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Captures that are gone leave everything but the cells, and the page says what to do. A result that is no more, or not
// whole, or that names files outside its folder, is refused.
func TestResultsThatAreNotWhole(t *testing.T) {
	s, h := bench(t)
	bring(t, s, h, map[string][]byte{"c00h0.ivl": published(t)})
	at := readBack(t, s, h, "c00h0.ivl")
	key := path.Base(at)
	if err := s.root.Remove("read/c00h0.ivl"); err != nil {
		t.Fatal(err)
	}
	n, g := again(t, s)
	code, page := get(t, g.URL+at+"/0/0/5")
	if code != 200 || !strings.Contains(page, "no longer in the working folder") || !strings.Contains(page, "E5") {
		t.Errorf("captures gone: status %d\n%.800s", code, page)
	}
	if err := s.root.WriteFile("read/c00h0.ivl", []byte("something else"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, page = get(t, g.URL+at+"/0/0/5"); code != 200 || !strings.Contains(page, "No cells") {
		t.Errorf("captures replaced: status %d", code)
	}
	file := "results/disk-" + key + ".json.gz"
	whole, err := s.root.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	v, err := n.lens.view(n, key)
	if err != nil {
		t.Fatal(err)
	}
	outside := *v
	outside.Files = []string{"../shelf.sqlite"}
	for name, spoil := range map[string]func() error{
		"cut":       func() error { return s.root.WriteFile(file, whole[:len(whole)/2], 0o600) },
		"empty":     func() error { return s.root.WriteFile(file, nil, 0o600) },
		"no gzip":   func() error { return s.root.WriteFile(file, []byte("{}"), 0o600) },
		"nothing":   func() error { return s.results.put("disk", key, &diskView{}) },
		"outside":   func() error { return s.results.put("disk", key, &outside) },
		"other map": func() error { o := *v; o.Places = nil; return s.results.put("disk", key, &o) },
		"beyond": func() error {
			o := *v
			o.Places = []rawTrack{{1 << 40, 1, 26, 128}}
			return s.results.put("disk", key, &o)
		},
	} {
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		_, fresh := again(t, s)
		if code, page := get(t, fresh.URL+at); code != 500 || !strings.Contains(page, "Read the disk back again") {
			t.Errorf("%s: status %d\n%.300s", name, code, page)
		}
	}
	if err := s.root.Remove(file); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"", "/0/0", "/0/0/5"} { // the view is still in memory, but the result is gone
		if code, page := get(t, g.URL+at+p); code != 404 || !strings.Contains(page, "Read it back again under Prove") {
			t.Errorf("result gone, %s: status %d", p, code)
		}
	}
}

func FuzzDiskView(f *testing.F) {
	f.Add([]byte(`{"Map":{"tracks":[{"sectors":[{"sector":1}]}]},"Places":[{"Offset":0,"First":1,"Sectors":1,"Size":4}],"Data":"AAAAAA=="}`))
	f.Add([]byte(`{"Map":{"tracks":[{"sectors":[{"sector":1,"identifier":"00"}],"reads":[{"read":9}]}],"reads":[]},"Places":[{}]}`))
	pages, err := parsePages()
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		dir := t.TempDir()
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		s := &Server{o: Options{Work: dir}, root: root, results: results{root: root}, pages: pages}
		if err := s.results.putRaw("disk", "x", b); err != nil {
			t.Fatal(err)
		}
		mux := http.NewServeMux()
		s.proveRoutes(mux)
		for _, p := range []string{"/disk/x", "/disk/x?reads=all", "/disk/x/0/0", "/disk/x/0/0/1"} {
			mux.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", p, nil))
		}
	})
}

// The oldest results go when there are too many or they are too large, the one just written never; names that could lead
// elsewhere are none.
func TestResultsAreBounded(t *testing.T) {
	s, _ := bench(t)
	r := &s.results
	r.most = 3
	age := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range 5 {
		key := fmt.Sprint("k", i)
		if err := r.put("note", key, map[string]int{"n": i}); err != nil {
			t.Fatal(err)
		}
		if err := s.root.Chtimes("results/note-"+key+".json.gz", age, age.Add(time.Duration(i)*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 5 {
		var v map[string]int
		err := r.get("note", fmt.Sprint("k", i), &v)
		if i < 2 != errors.Is(err, fs.ErrNotExist) || i >= 2 && v["n"] != i {
			t.Errorf("result %d of 5, 3 are kept: %v, %v", i, v, err)
		}
	}
	r.mostSize = 1
	if err := r.put("note", "last", strings.Repeat("x", 1000)); err != nil {
		t.Fatal(err)
	}
	if left, _ := filepath.Glob(s.path("results", "*")); len(left) != 1 || !r.has("note", "last") {
		t.Errorf("left are %v, want the last alone", left)
	}
	for _, key := range []string{"", "..", "../x", "a/b", `a\b`, ".x", "-x", strings.Repeat("x", 200), "a\x00"} {
		if err := r.put("note", key, 1); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("key %q: %v", key, err)
		}
		if r.has("note", key) {
			t.Errorf("key %q is there", key)
		}
	}
}
