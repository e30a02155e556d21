package recover

import (
	"slices"
	"testing"
)

// Two zips of eleven turns each: with room for sixteen reads both have eight, in the order of the sources; an image keeps
// its one, and captures that are files of their own are sources each.
func TestReadsAreSharedOut(t *testing.T) {
	var keys []readKey
	for _, source := range []string{"pass-a.zip", "pass-b.zip"} {
		for turn := range 11 {
			keys = append(keys, readKey{source, 0, turn})
		}
	}
	count := func(got []readKey, of readKey) (n int) {
		for _, k := range got {
			if k.source == of.source && (of.source != "" || k.capture == of.capture) {
				n++
			}
		}
		return n
	}
	got := shareOut(keys, 16)
	if a, b := count(got, readKey{source: "pass-a.zip"}), count(got, readKey{source: "pass-b.zip"}); len(got) != 16 || a != 8 || b != 8 || got[8] != keys[11] {
		t.Errorf("%d reads, %d of the first and %d of the second: %v", len(got), a, b, got)
	}
	got = shareOut(append(slices.Clone(keys[:20]), readKey{"old.img", -1, 0}), 3)
	if want := []readKey{keys[0], keys[11], {"old.img", -1, 0}}; !slices.Equal(got, want) {
		t.Errorf("with an image: %v, want %v", got, want)
	}
	loose := []readKey{{"", 0, 0}, {"", 0, 1}, {"", 1, 0}, {"", 1, 1}}
	if got, want := shareOut(loose, 2), []readKey{loose[0], loose[2]}; !slices.Equal(got, want) {
		t.Errorf("single captures: %v, want %v", got, want)
	}
}
