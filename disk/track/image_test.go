package track

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"

	"remanence/disk"
	"remanence/disk/flux"
)

// scanDisk builds and scans tracks of a recording.
func scanDisk(t *testing.T, rec *disk.Recording, places [][2]int, change func(c, h int, s []disk.Sector) []disk.Sector) []*Result {
	t.Helper()
	var out []*Result
	for _, p := range places {
		secs := randomSectors(rec, p[0], p[1], rand.New(rand.NewPCG(uint64(p[0]), uint64(p[1]))))
		if change != nil {
			secs = change(p[0], p[1], secs)
		}
		c, err := Build(rec, p[0], p[1], secs)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Scan(context.Background(), []*flux.Capture{c.Capture(p[0], p[1], EncodeOptions{})}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func TestRecognise(t *testing.T) {
	fm, mfm := fm10x256(), mfm9x512()
	boot := *mfm
	boot.Name = "fmboot"
	boot.Zones = []disk.Zone{{Cylinders: []int{0, 0}, Heads: []int{0}, Track: fm.Track}}
	slow := *fm // the same sectors at twice the rate: another density
	slow.Name, slow.Track.RateKbit, slow.Track.Gap3 = "fm10x256-250", 250, 40
	list := []*disk.Recording{&slow, fm, mfm, &boot}
	some := [][2]int{{0, 0}, {1, 0}, {20, 0}}
	for _, tt := range []struct {
		of   *disk.Recording
		want string
	}{{fm, "fm10x256:21x1"}, {mfm, "mfm9x512:21x1"}, {&boot, "fmboot:21x1"}, {&slow, "fm10x256-250:21x1"}} {
		rec, ev := Recognise(scanDisk(t, tt.of, some, nil), list)
		if rec == nil || rec.Reference() != tt.want || ev.Fits != ev.Sectors || !strings.Contains(ev.String(), tt.want) {
			t.Errorf("%s: recognised %v, %+v", tt.of.Name, rec, ev)
		}
	}
	// None of the list: described from the tracks, and said so.
	odd := *fm
	odd.Track.Sectors, odd.Track.FirstID, odd.Track.Gap3 = 7, 20, 90
	results := scanDisk(t, &odd, some, nil)
	rec, ev := Recognise(results, list)
	if rec == nil || rec.Reference() != "fm7x256:21x1" || rec.Track.FirstID != 20 || ev.Fits != 21 || !strings.Contains(ev.String(), "no known recording fits") {
		t.Errorf("odd disk: recognised %+v, %+v", rec, ev)
	}
	if rec != nil {
		if _, sum := ToImage(results, rec); sum.Good != 21 || !sum.Whole() {
			t.Errorf("odd disk: %+v", sum)
		}
	}
	if rec, _ := Recognise([]*Result{{}}, list); rec != nil {
		t.Errorf("an empty track was recognised as %s", rec.Name)
	}
}

func TestToImagePlaces(t *testing.T) {
	rec := fm10x256().With(4, 1)
	results := scanDisk(t, rec, [][2]int{{0, 0}, {1, 0}, {2, 0}}, func(c, _ int, s []disk.Sector) []disk.Sector {
		for i := range s {
			switch c {
			case 1: // numbers 40h to 49h: they go in numeric order
				s[i].ID.Sector += 0x40
			case 2: // identifiers that name another cylinder: they go by number
				s[i].ID.Cylinder = 99
			}
		}
		return s
	})
	im, sum := ToImage(results, rec)
	if sum.Expected != 30 || sum.Good != 30 || len(sum.Bad) != 0 || sum.Extra != 0 {
		t.Errorf("summary %+v", sum)
	}
	for c := range 3 {
		truth := randomSectors(rec, c, 0, rand.New(rand.NewPCG(uint64(c), 0)))
		for n := range 10 {
			s, _ := im.Sector(disk.Place{Cylinder: c, Sector: n})
			if string(s.Data) != string(truth[n].Data) {
				t.Errorf("cylinder %d place %d holds the wrong sector", c, n)
			}
			if want := [3]uint8{0, 0x40, 0}[c] + uint8(n); s.ID.Sector != want {
				t.Errorf("cylinder %d place %d: identifier %s is not kept", c, n, s.ID)
			}
		}
	}
	// The cylinder that was not read is noted, not counted.
	if s, _ := im.Sector(disk.Place{Cylinder: 3}); s.Status != disk.Bad || s.Why != "the track was not read" {
		t.Errorf("cylinder 3: %s, %q", s.Status, s.Why)
	}
	// An image with everything that is odd about it gives the same tracks again.
	for c, want := range results {
		k, err := Build(rec, c, 0, im.Track(c, 0))
		if err != nil {
			t.Fatal(err)
		}
		r, err := Scan(context.Background(), []*flux.Capture{k.Capture(c, 0, EncodeOptions{})}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range r.Sectors {
			if a, b := &r.Sectors[i], &want.Sectors[i]; a.ID != b.ID || a.Mark != b.Mark || string(a.Data) != string(b.Data) {
				t.Errorf("cylinder %d sector %d: %s came back as %s", c, i, b.ID, a.ID)
			}
		}
	}
}
