package plan

import (
	"strings"
	"testing"

	"remanence/volume"
)

// Units of 1,280 bytes, 3 of them: a file of 1,281 bytes takes two (rounding up is arithmetic, not convention).
func TestMove(t *testing.T) {
	p := &Plan{Room: volume.Room{Unit: "granule", Units: 3, UnitBytes: 1280, Slots: 8}}
	p.Media = []*Medium{
		{ID: "D01", Type: ToDisk, Files: []Placed{{Name: "A", Path: "a", Size: 1281}, {Name: "B", Path: "b", Size: 10}}},
		{ID: "D02", Type: ToDisk, Files: []Placed{{Name: "C", Path: "c", Size: 2000}}},
	}
	if err := p.Move("a", "A", "D01", "D02", TapeRoom{}); err == nil || !strings.Contains(err.Error(), "a does not fit on D02: 1 granule too few") {
		t.Fatalf("a file that does not fit: %v", err)
	}
	if len(p.Media[0].Files) != 2 || len(p.Media[1].Files) != 1 {
		t.Fatal("a refused move changed the plan")
	}
	if err := p.Move("b", "B", "D01", "D02", TapeRoom{}); err != nil {
		t.Fatal(err)
	}
	if p.Media[0].FreeBytes != 1280 || p.Media[1].FreeBytes != 0 {
		t.Fatalf("free: %d and %d, want 1280 and 0", p.Media[0].FreeBytes, p.Media[1].FreeBytes)
	}
	if err := p.Move("c", "C", "D02", "", TapeRoom{}); err != nil || p.medium("D03") == nil {
		t.Fatalf("to a new disk: %v, %v", err, p.Media)
	}
	if err := p.Move("b", "B", "D02", "D01", TapeRoom{}); err != nil || p.medium("D02") != nil {
		t.Fatalf("an empty disk stayed: %v", err)
	}
	if err := p.Move("nothing", "A", "D01", "D03", TapeRoom{}); err == nil {
		t.Fatal("a file that is not there was moved")
	}
}
