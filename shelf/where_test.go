package shelf

import (
	"strings"
	"testing"
	"time"
)

// Who looks for a file is told on which media it is, where they are, and whether they still read: at once, in the hit.
func TestSearchTellsWhere(t *testing.T) {
	s := stocked(t)
	hit := func(q, kind string) Hit {
		t.Helper()
		hits, _, err := s.Search(t.Context(), q, 50)
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hits {
			if h.Kind == kind {
				return h
			}
		}
		t.Fatalf("%s: no %s among %+v", q, kind, hits)
		return Hit{}
	}
	if got := hit("tide", "file").Where; got != "on no medium, on master D01 of m, shelved 2026-11-24" {
		t.Errorf("not written yet: %q", got)
	}
	if got := hit("coast", "file").About; !strings.HasPrefix(got, "on no medium; ") {
		t.Errorf("on no master: %q", got)
	}
	run(t, s, Run{Medium: "SCC-0012", Kind: Write, Outcome: Good, Master: "D01", Place: "box 3", At: day.Add(-48 * time.Hour)})
	run(t, s, Run{Medium: "SCC-0013", Kind: Write, Outcome: Good, Master: "D01", At: day.Add(-48 * time.Hour)})
	run(t, s, Run{Medium: "SCC-0013", Kind: Read, Outcome: Good, Place: "attic", At: day.Add(-24 * time.Hour)})
	const want = "on SCC-0013 (attic, proven, read 2026-11-23, from D01), SCC-0012 (box 3, made, never read back, from D01)"
	if got := hit("tide", "file"); got.Where != want || !strings.HasPrefix(got.About, want+"; ") {
		t.Errorf("file: %+v, want %s", got, want)
	}
	if got := hit("tide", "master").Where; got != "of m, shelved 2026-11-24; "+want {
		t.Errorf("master: %q", got)
	}
	d := must(s.Show(t.Context(), "TIDES.BAS"))(t)
	if len(d.On) != 2 || d.On[0].Number != "SCC-0013" || len(d.Masters) != 1 || d.Masters[0].Number != "D01" {
		t.Errorf("the file's own page: %+v", d)
	}
}

// Numbers go on in the width they have; a shelf's own series goes on after its highest number.
func TestNumbers(t *testing.T) {
	if got := must(NumbersFrom("SCC-0099", 3))(t); strings.Join(got, " ") != "SCC-0099 SCC-0100 SCC-0101" {
		t.Errorf("%v", got)
	}
	for _, bad := range []string{"", "A B", "SCC", "AAAAAAAAAAAAAAAAAAAAAAA9"} {
		if got, err := NumbersFrom(bad, 2); err == nil {
			t.Errorf("%q: %v", bad, got)
		}
	}
	var media []Medium
	for _, n := range []string{"D01", "SCC-0012", "SCC-0007", "attic"} {
		media = append(media, Medium{Number: n})
	}
	if got := NextNumber(media); got != "SCC-0013" {
		t.Errorf("next: %q", got)
	}
	if got := NextNumber(media[3:]); got != "" {
		t.Errorf("none in digits: %q", got)
	}
}
