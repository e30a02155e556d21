package volume

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
)

// scramble writes a disk as some other program might have: header, sides and sectors in another order, complemented.
func scramble(image []byte, a arrangement, trailer int, inverted bool) []byte {
	tb := a.trackBytes()
	out := bytes.Repeat([]byte{0x55}, a.header+len(image)+trailer)
	copy(out, "invented container")
	for c := range a.cyls {
		for h := range a.sides {
			for i := range a.sectors {
				n := i
				if a.order != nil {
					n = a.order[i]
				}
				copy(out[a.header+a.track(c, h)*tb+i*a.size:], image[(c*a.sides+h)*tb+n*a.size:][:a.size])
			}
		}
	}
	if inverted {
		invert(out)
	}
	return out
}

func TestPropose(t *testing.T) {
	fill := func(kind string, rec *disk.Recording, o NewOptions) Volume {
		v := mustNew(t, kind, rec, o)
		for i := range 12 {
			name, _ := NameFor(kind, fmt.Sprintf("file%d.dat", i), nil)
			mustPut(t, v, name, noise(int64(i), 1000*i))
		}
		return v
	}
	interleaved := []int{0, 5, 1, 6, 2, 7, 3, 8, 4, 9}
	for _, tt := range []struct {
		name     string
		v        Volume
		header   int
		side     string
		order    []int
		trailer  int
		inverted bool
	}{
		{"granule behind a header", fill("granule", fm10(40, 1), NewOptions{}), 512, "cylinders", nil, 0, false},
		{"granule, odd header, interleaved", fill("granule", fm10(35, 1), NewOptions{}), 37, "cylinders", interleaved, 100, false},
		{"granule, sides one after the other", fill("granule", fm10(40, 2), NewOptions{}), 16, "sides", nil, 0, false},
		{"granule MFM, second side backwards", fill("granule", mfm18(40, 2), NewOptions{Directory: 20}), 0, "back", SkewTable(18, 5, 0), 0, false},
		{"FAT12 behind a header", fill("fat12", mfm(9, 40, 2), NewOptions{}), 128, "sides", nil, 64, false},
		{"FAT12 interleaved, complemented", fill("fat12", mfm(9, 80, 2), NewOptions{}), 1, "cylinders", SkewTable(9, 2, 0), 0, true},
		{"8-inch in physical order", fill("extent", fm26, NewOptions{}), 256, "cylinders", SkewTable(26, 6, 0), 0, false},
		{"extent, unknown block, sides one after the other", fill("extent", mid.testRecording(), NewOptions{Parameters: mid}), 84, "sides", nil, 0, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			im := tt.v.Image()
			g := im.Geometry
			s := g.Shape(0, 0)
			a := arrangement{cyls: g.Cylinders, sides: g.Heads, sectors: s.Sectors, size: s.Size, header: tt.header, sideOrder: tt.side, order: tt.order}
			got := Propose(scramble(im.Data, a, tt.trailer, tt.inverted), Options{})
			if len(got) == 0 {
				t.Fatal("nothing proposed")
			}
			p := got[0]
			if p.Kind != tt.v.Kind() || p.Header != tt.header || p.Faults != 0 || p.Files != 12 || p.Inverted != tt.inverted {
				t.Errorf("proposed %s, header %d, %d files, %d faults, inverted %v: %q", p.Kind, p.Header, p.Files, p.Faults, p.Inverted, p.Why)
			}
			v, _, err := p.Volume(Options{})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range tt.v.Files() {
				if !bytes.Equal(mustGet(t, v, f.Name), mustGet(t, tt.v, f.Name)) {
					t.Errorf("%s differs", f.Name)
				}
			}
			if len(p.Why) < 2 || !slices.ContainsFunc(p.Why, func(s string) bool { return strings.Contains(s, "12 of 12 files are whole") }) {
				t.Errorf("why: %q", p.Why)
			}
		})
	}
	for name, data := range map[string][]byte{"noise": noise(1, 300000), "zeros": make([]byte, 200000), "E5": bytes.Repeat([]byte{0xE5}, 200000), "text": bytes.Repeat([]byte("DIR     SYS "), 20000)} {
		if got := Propose(data, Options{}); len(got) > 0 {
			t.Errorf("%s: proposed %s %q", name, got[0].Kind, got[0].Why)
		}
	}
}

// FuzzPropose: whatever stands where, a search comes to an end, and what it proposes opens.
func FuzzPropose(f *testing.F) {
	disks := [][]byte{seed(f, "granule", fm10(35, 1), NewOptions{}), seed(f, "fat12", mfm(8, 40, 1), NewOptions{}), seed(f, "extent", fm26, NewOptions{})}
	starts := []int{17 * 2560, 0, 2 * 26 * 128}
	f.Add(byte(0), uint16(100), []byte{0, 0, 0})
	f.Add(byte(1), uint16(0), []byte{0, 0x0B, 1, 0, 0x18, 3})
	f.Add(byte(2), uint16(7), []byte{0, 1, 0x20, 0, 12, 31})
	f.Fuzz(func(t *testing.T, which byte, header uint16, edits []byte) {
		n := int(which) % len(disks)
		data := edit(disks[n], edits, []int{starts[n]}, []int{2560})
		data = append(make([]byte, header), data...)
		for _, p := range Propose(data, Options{}) {
			v, _, err := p.Volume(Options{})
			if err != nil {
				t.Fatalf("proposed, but %v", err)
			}
			if len(v.Files()) != p.Files || len(v.Check()) != p.Faults {
				t.Fatalf("proposed with %d files and %d faults, opens with %d and %d", p.Files, p.Faults, len(v.Files()), len(v.Check()))
			}
		}
	})
}
