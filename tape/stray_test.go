package tape

import (
	"bytes"
	"fmt"
	"testing"
)

// In the pause after a program, the neighbouring layers of the tape and the other side are heard faintly, some 50 dB down.
// That can be enough for a lock on their tone. The program that follows is whole all the same, wherever its leader sets in.
func TestProgramsAfterFaintPauses(t *testing.T) {
	p, err := PresetNamed("portable")
	if err != nil {
		t.Fatal(err)
	}
	p.DropoutsMinute = 0 // what a dropout costs is no matter of pauses
	for _, name := range []string{"kcs300", "kcs1200"} {
		for _, gap := range []float64{0.5, 1, 2, 5} {
			for seed := range uint64(3) {
				t.Run(fmt.Sprintf("%s/%gs/%d", name, gap, seed), func(t *testing.T) {
					c := codes(t, name)
					items := make([]Item, 3)
					for i := range items {
						items[i] = Item{Name: "X", Kind: Unknown, Blocks: [][]byte{randomBytes(40, 3*seed+uint64(i))}}
					}
					s, _ := side(t, SideOptions{Code: c[0], Mastering: Mastering{LeaderS: 2}, StartS: 0.5, GapS: gap, EndS: 0.5}, items...)
					r := read(t, Impair(s, 44100, 1, p, seed+1), 1, c, ReadOptions{})
					if len(r.Programs) != len(items) {
						t.Fatalf("%d programs, want %d: %s; %v", len(r.Programs), len(items), r.Verdict, r.Notes)
					}
					for i, it := range items {
						if !bytes.Equal(r.Programs[i].Data, it.Blocks[0]) {
							t.Errorf("program %d: %x, want %x", i, r.Programs[i].Data, it.Blocks[0])
						}
					}
				})
			}
		}
	}
}
