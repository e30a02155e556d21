package track

import (
	"slices"
	"testing"

	"remanence/disk"
)

// What was not captured is told, in the words that a script looks for. The expected lines follow from the places
// listed, by counting.
func TestNotCaptured(t *testing.T) {
	rec := (&disk.Recording{Name: "x", Cylinders: 40, Sides: 1, RPM: 300,
		Track: disk.TrackFormat{Encoding: disk.FM, RateKbit: 125, Sectors: 10, Size: 256, FirstID: 0}})
	const end = " not captured; the image holds filler there"
	for _, tt := range []struct {
		name  string
		sides int
		at    [][2]int
		want  []string
	}{
		{"only a later cylinder", 1, [][2]int{{17, 0}}, []string{"cylinders 0-16 were" + end}},
		{"holes", 1, [][2]int{{0, 0}, {2, 0}, {5, 0}}, []string{"cylinders 1, 3-4 were" + end}},
		{"one hole", 1, [][2]int{{0, 0}, {2, 0}}, []string{"cylinder 1 was" + end}},
		{"all, though fewer than usual", 1, [][2]int{{0, 0}, {1, 0}}, nil},
		{"both sides alike", 2, [][2]int{{1, 0}, {1, 1}}, []string{"cylinder 0 was" + end}},
		{"one side", 2, [][2]int{{0, 0}, {0, 1}, {1, 0}}, []string{"cylinder 1, head 1, was" + end}},
		{"beyond the image", 1, [][2]int{{0, 0}, {80, 0}}, nil},
		{"nothing", 1, nil, nil},
	} {
		var results []*Result
		for _, p := range tt.at {
			results = append(results, &Result{Cylinder: p[0], Head: p[1]})
		}
		if got := NotCaptured(results, rec.With(40, tt.sides)); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}
