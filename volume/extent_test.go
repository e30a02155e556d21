package volume

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
)

// wide is a 720 KiB disk with two-byte block numbers; mid one of 360 KiB with one-byte numbers and two extents an
// entry. The fields follow from tables 6-8 to 6-10 of the operating-system manual.
var (
	wide = &Parameters{Name: "wide", Source: "test", Cylinders: 80, Sides: 2, Sectors: 9, SectorSize: 512, FirstSector: 1,
		SPT: 36, BSH: 4, BLM: 15, EXM: 0, DSM: 354, DRM: 127, AL0: 0xC0, CKS: 32, OFF: 2}
	mid = &Parameters{Name: "mid", Source: "test", Cylinders: 40, Sides: 2, Sectors: 9, SectorSize: 512, FirstSector: 1,
		SPT: 36, BSH: 4, BLM: 15, EXM: 1, DSM: 174, DRM: 63, AL0: 0x80, CKS: 16, OFF: 2}
	big = &Parameters{Name: "big", Source: "test", Cylinders: 80, Sides: 2, Sectors: 18, SectorSize: 512, FirstSector: 1,
		SPT: 144, BSH: 5, BLM: 31, EXM: 1, DSM: 359, DRM: 255, AL0: 0xC0, CKS: 64, OFF: 0, Skew: SkewTable(36, 3, 1)}
	back = &Parameters{Name: "back", Source: "test", Cylinders: 40, Sides: 2, Sectors: 5, SectorSize: 1024, FirstSector: 1,
		SPT: 40, BSH: 4, BLM: 15, EXM: 1, DSM: 194, DRM: 63, AL0: 0x80, CKS: 16, OFF: 2, Order: "back", Inverted: true, Skew: []int{1, 3, 5, 2, 4}}
)

func (p *Parameters) testRecording() *disk.Recording {
	return recording("rec-"+p.Name, disk.MFM, p.Sectors, p.SectorSize, p.FirstSector, p.Cylinders, p.Sides)
}

// Sheet tape-and-volume-standards, check values 35 to 39 and 41.
func TestExtentCheckValues(t *testing.T) {
	if got := hex.EncodeToString(eightInch.Bytes()); got != "1a00030700f2003f00c00010000200" {
		t.Errorf("8-inch parameter block %s (check value 35)", got)
	}
	want := []int{1, 7, 13, 19, 25, 5, 11, 17, 23, 3, 9, 15, 21, 2, 8, 14, 20, 26, 6, 12, 18, 24, 4, 10, 16, 22}
	if got := SkewTable(26, 6, 1); !slices.Equal(got, want) {
		t.Errorf("skew 6 of 26: %v, want %v (check value 36)", got, want)
	}
	v := mustNew(t, "extent", fm26, NewOptions{}).(*extentVolume)
	for _, x := range []struct{ block, record, track, sector int }{
		{0, 0, 2, 1}, {0, 7, 2, 17}, {2, 0, 2, 20}, {3, 1, 2, 22}, {3, 2, 3, 1}, {10, 0, 5, 13}, {242, 7, 76, 12},
	} {
		c, _, s, _ := v.im.Geometry.Locate(int64(v.offset(x.block*8 + x.record)))
		if c != x.track || s != x.sector {
			t.Errorf("block %d record %d: track %d sector %d, want %d %d (check value 37 and D3)", x.block, x.record, c, s, x.track, x.sector)
		}
	}
	if got := sum(v.Image().Data); got != "7b242dddd483824c39d1974f361a8e64f975c01a5df14d10df1ed52cf7427a12" || len(v.im.Data) != 256256 {
		t.Errorf("empty 8-inch volume: %d bytes, SHA-256 %s (check value 41)", len(v.im.Data), got)
	}
	if r, err := RoomOf("extent", fm26, NewOptions{}); err != nil || r.Units != 241 || r.Slots != 64 {
		t.Errorf("room %+v %v, want 241 blocks and 64 entries (D3)", r, err)
	}
	// Check values 38 and 39.
	p := *wide
	p.DSM = 300
	if n, w := p.pointers(); n != 8 || w != 2 || p.Validate() != nil {
		t.Errorf("DSM 300 with blocks of 2048: %d numbers of %d bytes, %v; want EXM 0 and two bytes", n, w, p.Validate())
	}
	p.DSM, p.EXM = 200, 1
	if n, w := p.pointers(); n != 16 || w != 1 || p.Validate() != nil {
		t.Errorf("DSM 200 with blocks of 2048: %d numbers of %d bytes, %v; want EXM 1 and one byte", n, w, p.Validate())
	}
	p.DSM, p.EXM = 300, 1
	if p.Validate() == nil {
		t.Error("DSM 300 with blocks of 2048 and EXM 1 was taken; table 6-9 says 0")
	}
	q := *eightInch
	q.DRM, q.AL0 = 127, 0xF0
	if err := q.Validate(); err != nil {
		t.Errorf("DRM 127, block 1024, AL0 F0h: %v (check value 38)", err)
	}
	q.AL0 = 0xC0
	if q.Validate() == nil {
		t.Error("DRM 127 in two blocks of 1024 was taken; it needs four (check value 38)")
	}
}

// Worked entries of D3 and check value 40.
func TestExtentWorkedEntries(t *testing.T) {
	for _, tt := range []struct {
		p    *Parameters
		want []string
	}{
		{eightInch, []string{
			"0044454D4F202020205458540000008002030405060708090A0B0C0D0E0F1011",
			"0044454D4F202020205458540100001D12131415000000000000000000000000"}},
		{mid, []string{"0044454D4F202020205458540100001D02030405060708090A0B000000000000"}},
	} {
		p := *tt.p
		if p.Name == "mid" { // the sheet's example starts at block 2
			p.DRM, p.AL0, p.CKS = 127, 0xC0, 32
		}
		rec := fm26
		if p.Name == "mid" {
			rec = p.testRecording()
		}
		v := mustNew(t, "extent", rec, NewOptions{Parameters: &p}).(*extentVolume)
		mustPut(t, v, "DEMO.TXT", bytes.Repeat([]byte("z"), 20000))
		for i, w := range tt.want {
			if got := strings.ToUpper(hex.EncodeToString(v.entry(i))); got != w {
				t.Errorf("%s entry %d\n%s, want\n%s", p.Name, i, got, w)
			}
		}
		if e := v.entry(len(tt.want)); !e.free() {
			t.Errorf("%s: one entry more than there should be: % X", p.Name, []byte(e))
		}
	}
}

func TestExtentRoundTrip(t *testing.T) {
	for _, p := range []*Parameters{eightInch, wide, mid, big, back} {
		t.Run(p.Name, func(t *testing.T) {
			rec := fm26
			if p != eightInch {
				rec = p.testRecording()
			}
			if p == big { // one logical track is a whole cylinder
				if err := p.Validate(); err != nil {
					t.Fatal(err)
				}
			}
			v := mustNew(t, "extent", rec, NewOptions{Parameters: p})
			mustClean(t, v)
			sizes := []int{0, 1, 127, 128, 129, 1024, 1025, 2048, 2049, 16383, 16384, 16385, 32768, 40000}
			for i, n := range sizes {
				mustPut(t, v, fmt.Sprintf("%d:F%d.DAT", i%3, i), noise(int64(i), n))
			}
			mustClean(t, v)
			im := v.Image()
			w, said, err := Open(bytes.Clone(im.Data), Options{ParameterSets: []*Parameters{wide, mid, big, back}})
			if err != nil {
				t.Fatal(err)
			}
			if w.Kind() != "extent" || w.(*extentVolume).p.Name != p.Name {
				t.Fatalf("read as %s with %q", w.Kind(), said)
			}
			mustClean(t, w)
			for i, n := range sizes {
				got := mustGet(t, w, fmt.Sprintf("%d:F%d.DAT", i%3, i))
				if len(got) != (n+127)/128*128 || !bytes.Equal(got[:n], noise(int64(i), n)) || len(bytes.Trim(got[n:], "\x1A")) > 0 {
					t.Errorf("F%d.DAT: %d bytes back of %d", i, len(got), n)
				}
			}
		})
	}
}

// The parameter block is worked out where none that is known explains the directory.
func TestExtentGuess(t *testing.T) {
	skewed := *mid
	skewed.Name, skewed.Skew = "skewed", SkewTable(9, 2, 1)
	for _, p := range []*Parameters{wide, mid, &skewed} {
		v := mustNew(t, "extent", p.testRecording(), NewOptions{Parameters: p})
		for i := range 50 {
			mustPut(t, v, fmt.Sprintf("%d:FILE%d.DAT", i%2, i), noise(int64(i), 200+i*150))
		}
		w, said, err := Open(bytes.Clone(v.Image().Data), Options{})
		if err != nil {
			t.Fatalf("%s: %v", p.Name, err)
		}
		q := w.(*extentVolume).p
		if q.BSH != p.BSH || q.EXM != p.EXM || q.OFF != p.OFF || q.DSM != p.DSM || q.DRM != p.DRM || len(p.Skew) > 0 && !slices.Equal(q.Skew, p.Skew) {
			t.Errorf("%s: worked out %s skew %v, want %s skew %v; said %q", p.Name, q, q.Skew, p, p.Skew, said)
		}
		mustClean(t, w)
		for i := range 50 {
			n := fmt.Sprintf("%d:FILE%d.DAT", i%2, i)
			if !bytes.Equal(mustGet(t, w, n), mustGet(t, v, n)) {
				t.Errorf("%s: %s differs", p.Name, n)
			}
		}
	}
}

// Nothing must decode to nothing.
func TestNoVolumeInNoise(t *testing.T) {
	for name, data := range map[string][]byte{
		"zeros": make([]byte, 102400), "E5": bytes.Repeat([]byte{0xE5}, 102400), "FF": bytes.Repeat([]byte{0xFF}, 368640),
		"noise": noise(1, 102400), "more noise": noise(2, 368640), "8-inch noise": noise(3, 256256), "text": bytes.Repeat([]byte("HELLO   TXT"), 20000), "nothing": nil, "one byte": {0},
	} {
		if v, said, err := Open(data, Options{}); err == nil {
			t.Errorf("%s: read as %s, %q", name, v.Kind(), said)
		}
	}
}

func TestExtentFaults(t *testing.T) {
	base := func() *extentVolume {
		v := mustNew(t, "extent", fm26, NewOptions{}).(*extentVolume)
		mustPut(t, v, "ONE.DAT", noise(1, 3000))
		mustPut(t, v, "3:LONG.DAT", noise(2, 40000))
		mustPut(t, v, "TWO.DAT", noise(3, 1000))
		mustPut(t, v, "KEPT.DAT", noise(4, 2560))
		return v
	}
	const one, long, two = 0, 1, 4 // entries: LONG.DAT has three
	for _, tt := range []struct {
		name, where, what string
		break_            func(v *extentVolume)
	}{
		{"two files, one block", "TWO.DAT", "belongs to 0:ONE.DAT", func(v *extentVolume) { v.entry(two)[16] = v.entry(one)[16] }},
		{"off the disk", "ONE.DAT", "the last one is 242", func(v *extentVolume) { v.entry(one)[17] = 250 }},
		{"in the directory", "ONE.DAT", "holds the directory", func(v *extentVolume) { v.entry(one)[16] = 1 }},
		{"record count", "TWO.DAT", "at most 128", func(v *extentVolume) { v.entry(two)[15] = 200 }},
		{"extent gone", "LONG.DAT", "what lies between is missing", func(v *extentVolume) { v.entry(long + 1)[0] = 0xE5 }},
		{"first extent gone", "LONG.DAT", "what lies between is missing", func(v *extentVolume) { v.entry(long)[0] = 0xE5 }},
		{"extent twice", "LONG.DAT", "there already", func(v *extentVolume) { v.entry(long + 1)[12] = 0 }},
		{"extent byte", "ONE.DAT", "0 to 31", func(v *extentVolume) { v.entry(one)[12] = 40 }},
		{"short in the middle", "LONG.DAT", "another entry follows", func(v *extentVolume) { v.entry(long)[15] = 100 }},
		{"block missing", "ONE.DAT", "no block for records", func(v *extentVolume) { v.entry(one)[17] = 0 }},
		{"block too many", "ONE.DAT", "behind its last record", func(v *extentVolume) { v.entry(one)[25] = 200 }},
		{"user 29", "29:ONE.DAT", "0 to 15", func(v *extentVolume) { v.entry(one)[0] = 29 }},
		{"lower case", "oNE.DAT", "lower-case", func(v *extentVolume) { v.entry(one)[1] = 'o' }},
		{"star", "O*E.DAT", "cannot stand", func(v *extentVolume) { v.entry(one)[2] = '*' }},
		{"control", "O<01>E.DAT", "no character", func(v *extentVolume) { v.entry(one)[2] = 1 }},
		{"damaged sector", "cylinder 2 head 0 sector 20", "bad", func(v *extentVolume) {
			p := disk.Place{Cylinder: 2, Sector: 20}
			s, _ := v.im.Sector(p)
			s.Status, s.Why = disk.Bad, "no data mark"
			if err := v.im.Put(p, s); err != nil {
				t.Fatal(err)
			}
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			v := base()
			tt.break_(v)
			w := reopen(t, v)
			found := w.Check()
			if !slices.ContainsFunc(found, func(f Fault) bool {
				return strings.Contains(f.Where, tt.where) && strings.Contains(f.What, tt.what)
			}) {
				t.Errorf("no fault at %q that says %q; found %v", tt.where, tt.what, found)
			}
			for _, f := range w.Files() {
				if _, _, err := w.Get(f.Name); err != nil {
					t.Errorf("Get(%s): %v", f.Name, err)
				}
			}
			to, _, err := Repair(w)
			if err != nil {
				t.Fatal(err)
			}
			if to.Image().Sidecar() == nil {
				mustClean(t, to)
			}
			if got, _, err := to.Get("KEPT.DAT"); err != nil || !bytes.Equal(got, noise(4, 2560)) {
				t.Errorf("KEPT.DAT, which nothing happened to, did not survive the repair: %v", err)
			}
		})
	}
}

func TestExtentAttributesAndRefusals(t *testing.T) {
	v := mustNew(t, "extent", fm26, NewOptions{}).(*extentVolume)
	if err := v.Put("A.B", []byte("x"), PutOptions{Attributes: []string{"read-only", "system"}}); err != nil {
		t.Fatal(err)
	}
	if err := v.Rename("A.B", "7:C.D"); err != nil {
		t.Fatal(err)
	}
	if e := v.entry(0); e[0] != 7 || e[1] != 'C' || e[9] != 'D'|0x80 || e[10] != ' '|0x80 || !slices.Equal(v.Files()[0].Attributes, []string{"read-only", "system"}) {
		t.Errorf("entry % X: want user 7, C.D, bit 7 of bytes 9 and 10 (manual, table 5-2)", []byte(e))
	}
	before := bytes.Clone(v.im.Data)
	for _, tt := range []struct {
		name string
		err  error
		do   func() error
	}{
		{"again", ErrFileExists, func() error { return v.Put("7:C.D", nil, PutOptions{}) }},
		{"bad name", ErrName, func() error { return v.Put("A=B", nil, PutOptions{}) }},
		{"user 16", ErrName, func() error { return v.Put("16:A", nil, PutOptions{}) }},
		{"too big", ErrFull, func() error { return v.Put("BIG.DAT", make([]byte, 241*1024+1), PutOptions{}) }},
		{"too big in place of another", ErrFull, func() error { return v.Put("7:C.D", make([]byte, 260000), PutOptions{Replace: true}) }},
		{"missing", ErrNoFile, func() error { return v.Delete("C.D") }},
	} {
		if err := tt.do(); !errors.Is(err, tt.err) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.err)
		}
		if !bytes.Equal(before, v.im.Data) {
			t.Fatalf("%s: the volume changed", tt.name)
		}
	}
}
