package web

import (
	"bytes"
	"net/url"
	"slices"
	"strings"
	"testing"

	"remanence/plan"
	"remanence/volume"
)

// example is a workbench with the example in it.
func example(t *testing.T) (*Server, *caller) {
	t.Helper()
	s, h := bench(t)
	c := &caller{t: t, s: s, url: h.URL}
	c.must("/gather/example", "", nil)
	return s, c
}

// planned is the arrangement as it stands.
func planned(t *testing.T, s *Server) (*arranged, settings) {
	t.Helper()
	a, set, err := s.arrangement(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return a, set
}

func form(pairs ...string) string {
	v := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v.Encode()
}

func on(a *arranged, path string) string {
	for _, m := range a.Plan.Media {
		if slices.ContainsFunc(m.Files, func(f plan.Placed) bool { return f.Path == path }) {
			return m.ID
		}
	}
	return ""
}

// What was moved by hand outlives a title and another preset, and is found again when everything is packed anew; a file
// is left out and taken along again.
func TestArrangingByHand(t *testing.T) {
	s, c := example(t)
	a, set := planned(t, s)
	d := a.Plan.Media[0]
	f := d.Files[0]
	c.must("/arrange/move", form("path", f.Path, "name", f.Name, "from", d.ID, "to", "new"), nil)
	a, _ = planned(t, s)
	moved := on(a, f.Path)
	if moved == d.ID || a.moved != 1 {
		t.Fatalf("%s is on %s after the move from %s, %d moved", f.Path, moved, d.ID, a.moved)
	}
	keep := []string{"machine", set.Machine, "cassette", "0", "copies", "1", "title", "Heron", "medium", "worn"}
	c.must("/arrange/set", form(keep...), nil)
	if a, set = planned(t, s); on(a, f.Path) != moved || a.moved != 1 || set.Medium != "worn" || a.Plan.Title != "Heron" {
		t.Errorf("with a title %s is on %s, was moved to %s; %+v", f.Path, on(a, f.Path), moved, set)
	}
	c.must("/arrange/set", form(append(keep, "damaged", "1")...), nil) // more files come along: packed anew
	a, _ = planned(t, s)
	if n := len(a.notes) + a.moved; n != 1 {
		t.Errorf("packed anew: %d moved, said: %v; want the move to stand or a word about it", a.moved, a.notes)
	}

	c.must("/arrange/move", form("path", f.Path, "name", f.Name, "from", moved, "to", "out"), nil)
	a, _ = planned(t, s)
	if i := slices.IndexFunc(a.Plan.LeftOut, func(l plan.LeftOut) bool { return l.Path == f.Path }); i < 0 || on(a, f.Path) != "" {
		t.Errorf("%s was left out by hand and is on %q, left out: %v", f.Path, on(a, f.Path), a.Plan.LeftOut)
	}
	c.must("/arrange/take", form("path", f.Path, "take", "yes"), nil)
	if a, _ = planned(t, s); on(a, f.Path) == "" {
		t.Errorf("%s was taken along again and is nowhere", f.Path)
	}

	if _, err := s.add(t.Context(), "NOTHING.TXT", nil); err != nil {
		t.Fatal(err)
	}
	_, page := get(t, c.url+"/arrange")
	if a, _ = planned(t, s); on(a, "NOTHING.TXT") != "" || !strings.Contains(page, "the file is empty") {
		t.Errorf("an empty file is on %q", on(a, "NOTHING.TXT"))
	}
	c.must("/arrange/take", form("path", "NOTHING.TXT", "take", "yes"), nil)
	if a, _ = planned(t, s); on(a, "NOTHING.TXT") == "" {
		t.Error("an empty file is asked for and is nowhere")
	}
}

// The image of the example is a disk of its own, and the page says that this is why fewer cannot do; its files are taken
// out, byte for byte as its volume has them, and the image is not packed a second time.
func TestFilesOutOfAnImage(t *testing.T) {
	s, c := example(t)
	const image = "saltmarsh/OLDDISK.IMG"
	before, _ := planned(t, s)
	if _, page := get(t, c.url+"/arrange"); on(before, image) == "" || !strings.Contains(page, "while images are kept as whole disks") {
		t.Fatalf("%s is on %q, and nothing says so", image, on(before, image))
	}
	c.must("/arrange/unpack", form("path", image), nil)
	data, err := s.root.ReadFile("files/" + image)
	if err != nil {
		t.Fatal(err)
	}
	v, _, err := volume.Open(data, volume.Options{Recordings: s.o.Set.Recordings()})
	if err != nil || len(v.Files()) == 0 {
		t.Fatal(err)
	}
	after, _ := planned(t, s)
	if on(after, image) != "" || len(after.Plan.Media) >= len(before.Plan.Media) {
		t.Errorf("%d media before, %d after the files of %s were taken out; it is on %q", len(before.Plan.Media), len(after.Plan.Media), image, on(after, image))
	}
	for _, f := range v.Files() {
		path := image + " files/" + volume.SafePath(v.Kind(), f.Name, func(string) bool { return false })
		want, _, err := v.Get(f.Name)
		got, err2 := s.root.ReadFile("files/" + path)
		if err != nil || err2 != nil || !bytes.Equal(got, want) || on(after, path) == "" {
			t.Errorf("%s: %v, %v, %d bytes, want %d; on %q", path, err, err2, len(got), len(want), on(after, path))
		}
	}
	if code, _ := c.post("/arrange/unpack", form("path", "saltmarsh/TIDES.CMD"), nil); code != 409 {
		t.Errorf("files out of a program: status %d, want 409", code)
	}
}

// What was being made when the program was killed is removed, and the next start says so; what is whole stays.
func TestMakingThatWasCutOff(t *testing.T) {
	s, c := example(t)
	for _, name := range []string{"made-1", "made-2"} {
		if err := s.root.MkdirAll("out/"+name, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.root.WriteFile(makingNow, []byte("made-2"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.jobs.start(s)
	_, page := get(t, c.url+"/make")
	_, err1 := s.root.Stat("out/made-1")
	_, err2 := s.root.Stat("out/made-2")
	if !strings.Contains(page, "The work that ran when the program ended (made-2)") || err1 != nil || err2 == nil {
		t.Errorf("made-1: %v, made-2: %v; the page says nothing of made-2, or keeps it", err1, err2)
	}
}

func TestNamesFile(t *testing.T) {
	for _, tt := range []struct {
		text, name string
		want       bool
	}{
		{"PLAIN/DAT (entry 03h): 0 sectors", "PLAIN/DAT", true}, {"PLAIN/DAT: 0 sectors", "PLAIN/DAT", true}, {"belongs to PLAIN/DAT.", "PLAIN/DAT", true},
		{"XPLAIN/DAT (entry 03h)", "PLAIN/DAT", false}, {"PLAIN/DAT2 (entry 03h)", "PLAIN/DAT", false}, {"A.DAT and B.DAT", "B.DAT", true}, {"nothing", "", false},
	} {
		if got := namesFile(tt.text, tt.name); got != tt.want {
			t.Errorf("%q names %q: %v, want %v", tt.text, tt.name, got, tt.want)
		}
	}
}
