package web

import (
	"net/url"
	"slices"
	"strings"
	"testing"

	"remanence/plan"
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
