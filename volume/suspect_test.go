package volume

import (
	"bytes"
	"slices"
	"strings"
	"testing"
)

// Two files are made to hold the same unit by changing the directory or the table by hand; both must be named, and a
// repair must say so of both.
func TestSuspects(t *testing.T) {
	for _, tt := range []struct {
		kind, a, b string
		cross      func(v Volume)
	}{
		{"granule", "ONE/DAT", "TWO/DAT", func(v Volume) {
			g := v.(*granule)
			a, _ := g.find("ONE/DAT")
			b, _ := g.find("TWO/DAT")
			copy(g.entry(b)[22:24], g.entry(a)[22:24])
		}},
		{"fat12", "ONE.DAT", "TWO.DAT", func(v Volume) {
			f := v.(*fat12)
			_, a, _ := f.find("ONE.DAT")
			_, b, _ := f.find("TWO.DAT")
			copy(b[0x1A:0x1C], a[0x1A:0x1C])
		}},
		{"extent", "0:ONE.DAT", "0:TWO.DAT", func(v Volume) {
			x := v.(*extentVolume)
			a, _ := x.find("0:ONE.DAT")
			b, _ := x.find("0:TWO.DAT")
			copy(x.entry(b.entries[0])[16:18], x.entry(a.entries[0])[16:18])
		}},
	} {
		t.Run(tt.kind, func(t *testing.T) {
			rec, o := fm10(35, 1), NewOptions{}
			switch tt.kind {
			case "fat12":
				rec = mfm(9, 40, 2)
			case "extent":
				rec = fm26
				if o.Parameters = ParametersFor(rec, nil); o.Parameters == nil {
					t.Fatal("no parameter block for fm26x128")
				}
			}
			v := mustNew(t, tt.kind, rec, o)
			mustPut(t, v, tt.a, bytes.Repeat([]byte{1}, 600))
			mustPut(t, v, tt.b, bytes.Repeat([]byte{2}, 600))
			if s := Suspects(v); len(s) != 0 {
				t.Fatalf("suspects on a sound volume: %v", s)
			}
			tt.cross(v)
			s := Suspects(v)
			for _, p := range [][2]string{{tt.a, tt.b}, {tt.b, tt.a}} {
				if len(s[p[0]]) != 1 || !strings.Contains(s[p[0]][0].What, "belongs to "+p[1]) {
					t.Errorf("%s: %v: want one fault that names %s", p[0], s[p[0]], p[1])
				}
			}
			_, changes, err := Repair(v)
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range []string{tt.a, tt.b} {
				if !slices.ContainsFunc(changes, func(c Change) bool {
					return c.From == n && len(c.What) > 0 && strings.HasPrefix(c.What[0], "damaged: ")
				}) {
					t.Errorf("repair says nothing of %s: %+v", n, changes)
				}
			}
		})
	}
}

// Lines that check themselves are data, whatever their characters: an Intel HEX and an S-record file keep their bytes.
// Records from the formats' descriptions (end of file; S9 termination).
func TestHexIsNoText(t *testing.T) {
	for text, want := range map[string]bool{
		":0300300002337A1E\r\n:00000001FF\r\n":                     false,
		"S1137AF00A0A0D0000000000000000000000000061\nS9030000FC\n": false,
		"S1137AF0 is where it loads\r":                             true,
		":00 o'clock\r":                                            true,
	} {
		if got := isText([]byte(text)); got != want {
			t.Errorf("isText(%q) = %v", text, got)
		}
	}
}
