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

// A size that is smaller than what the extents hold is made by hand; a repair must not cut the file without a word.
func TestSurplusIsTold(t *testing.T) {
	v := mustNew(t, "granule", fm10(35, 1), NewOptions{})
	mustPut(t, v, "LONG/DAT", bytes.Repeat([]byte{3}, 9000))
	mustPut(t, v, "EMPTY/DAT", nil)
	g := v.(*granule)
	code, _ := g.find("LONG/DAT")
	copy(g.entry(code)[20:22], []byte{1, 0}) // one sector
	_, changes, err := Repair(v)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range changes {
		told := slices.ContainsFunc(c.What, func(s string) bool { return strings.Contains(s, "what lies behind the size is left out") })
		if told != (c.From == "LONG/DAT") {
			t.Errorf("%+v", c)
		}
	}
}

// User numbers run from 0 to 15 (the extent volume's own description, doc/volumes.md); a file under another is out of the
// machine's reach, and a repair files it where it can be reached.
func TestRepairMovesUnreachableUser(t *testing.T) {
	o := NewOptions{Parameters: ParametersFor(fm26, nil)}
	v := mustNew(t, "extent", fm26, o)
	want := bytes.Repeat([]byte{7}, 256)
	mustPut(t, v, "0:RAFTER.DAT", want)
	x := v.(*extentVolume)
	f, _ := x.find("0:RAFTER.DAT")
	x.entry(f.entries[0])[0] = 29
	to, changes, err := Repair(v)
	if err != nil {
		t.Fatal(err)
	}
	if len(changes) != 1 || changes[0].From != "29:RAFTER.DAT" || changes[0].To != "0:RAFTER.DAT" || !strings.Contains(strings.Join(changes[0].What, " "), "user number 29") {
		t.Errorf("%+v", changes)
	}
	if got, faults, err := to.Get("0:RAFTER.DAT"); err != nil || len(faults) > 0 || !bytes.Equal(got, want) {
		t.Errorf("%d bytes, %v, %v", len(got), faults, err)
	}
}
