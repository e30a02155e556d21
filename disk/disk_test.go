package disk

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// fm10 is the FM recording of 10 x 256 bytes with the gaps of floppy-controller data sheets: 16 FF, 11 FF, 12 FF.
var fm10 = Recording{
	Name: "fm10x256", Source: "test", SizeInches: 5.25, TPI: 48, RPM: 300, Cylinders: 40, Sides: 1,
	Track: TrackFormat{Encoding: FM, RateKbit: 125, Sectors: 10, Size: 256, Gap1: 16, Gap2: 11, Gap3: 12, Sync: 6, GapByte: 0xFF, Fill: 0xE5},
}

func layout(enc Encoding, rate float64, indexMark bool, gap0, gap1, sectors, size, gap3 int) TrackFormat {
	f := TrackFormat{Encoding: enc, RateKbit: rate, Sectors: sectors, Size: size, FirstID: 1, IndexMark: indexMark, Gap0: gap0, Gap1: gap1, Gap2: 11, Gap3: gap3, Sync: 6, GapByte: 0xFF}
	if enc == MFM {
		f.Gap2, f.Sync, f.GapByte = 22, 12, 0x4E
	}
	return f
}

func TestTrackCapacity(t *testing.T) {
	for _, tt := range []struct {
		f          TrackFormat
		rpm        float64
		used, left int
		src        string
	}{
		{layout(FM, 250, true, 40, 26, 26, 128, 27), 360, 4961, 247, "FD179x data sheet 12.1, FD1771 data sheet section 9"},
		{layout(FM, 250, true, 40, 26, 15, 256, 42), 360, 5038, 170, "8272 data sheet, table 5"},
		{layout(FM, 250, true, 40, 26, 8, 512, 58), 360, 4897, 311, "8272 data sheet, table 5"},
		{layout(MFM, 500, true, 80, 50, 26, 256, 54), 360, 9818, 598, "FD179x data sheet 12.2"},
		{layout(MFM, 500, true, 80, 50, 15, 512, 84), 360, 10016, 400, "8-inch drive manual, fig. 6-7"},
		{layout(MFM, 500, true, 80, 50, 8, 1024, 116), 360, 9762, 654, "8-inch drive manual, fig. 6-7"},
		{layout(FM, 125, false, 0, 16, 16, 128, 27), 300, 3024, 101, "ECMA-66 (from memory)"},
		{layout(MFM, 250, false, 0, 32, 16, 256, 54), 300, 5984, 266, "ECMA-70 (from memory)"},
		{layout(MFM, 250, true, 80, 50, 9, 512, 80), 300, 6032, 218, "kernel driver's format gap 50h"},
		{layout(MFM, 500, true, 80, 50, 18, 512, 108), 300, 12422, 78, "kernel driver's format gap 6Ch"},
	} {
		r := Recording{RPM: tt.rpm}
		if got := tt.f.UsedBytes(); got != tt.used {
			t.Errorf("%d x %d %v: uses %d bytes, want %d (%s)", tt.f.Sectors, tt.f.Size, tt.f.Encoding, got, tt.used, tt.src)
		}
		if got := int(math.Floor(r.TrackBytes(tt.f))) - tt.f.UsedBytes(); got != tt.left {
			t.Errorf("%d x %d %v: %d bytes left, want %d (%s)", tt.f.Sectors, tt.f.Size, tt.f.Encoding, got, tt.left, tt.src)
		}
	}
}

func TestValidateRefusesWhatDoesNotFit(t *testing.T) {
	// 5.25-inch FM 8 x 512 with gap 30h needs 4,817 bytes of a 3,125-byte track: a known misprint in later data sheets.
	r := fm10
	r.Track = layout(FM, 125, true, 40, 26, 8, 512, 48)
	if got := r.Track.UsedBytes(); got != 4817 {
		t.Errorf("used %d, want 4817", got)
	}
	if r.Validate() == nil {
		t.Error("a track of 4,817 bytes passes as fitting 3,125")
	}
	if err := fm10.Validate(); err != nil {
		t.Errorf("fm10x256: %v", err)
	}
}

func TestGeometry(t *testing.T) {
	g := fm10.Geometry()
	if g.Size() != 102400 { // 40 x 10 x 256, the class's published capacity
		t.Errorf("size %d, want 102400", g.Size())
	}
	off, err := g.Offset(17, 0, 3)
	if err != nil || off != 44288 {
		t.Errorf("cylinder 17 sector 3 at %d, %v; want 44288", off, err)
	}
	if c, h, s, ok := g.Locate(44288 + 255); !ok || c != 17 || h != 0 || s != 3 {
		t.Errorf("Locate: %d %d %d %v", c, h, s, ok)
	}
	for _, p := range [][3]int{{40, 0, 0}, {0, 1, 0}, {0, 0, 10}, {-1, 0, 0}} {
		if _, err := g.Offset(p[0], p[1], p[2]); err == nil {
			t.Errorf("Offset(%v) is accepted", p)
		}
	}
	// ECMA-70 format 1: one FM side of 16 x 128 and 79 track-sides of 16 x 256 make 325,632 bytes (layout from memory).
	z := Recording{RPM: 300, Cylinders: 40, Sides: 2, Track: layout(MFM, 250, false, 0, 32, 16, 256, 54),
		Zones: []Zone{{Cylinders: []int{0, 0}, Heads: []int{0}, Track: layout(FM, 125, false, 0, 16, 16, 128, 27)}}}
	zg := z.Geometry()
	if zg.Size() != 325632 {
		t.Errorf("ECMA-70 image of %d bytes, want 325632", zg.Size())
	}
}

func TestSidecarRoundTrip(t *testing.T) {
	im := NewImage(&fm10)
	im.SetMark(Place{17, 0, 3}, MarkUserA)
	odd := Sector{Cylinder: 9, Head: 0, ID: SectorID{99, 0, 4, 1}, Encoding: FM, Mark: MarkData, Data: bytes.Repeat([]byte{7}, 256), Margin: 0.5, Angle: 0.25}
	if err := im.Put(Place{9, 0, 4}, odd); err != nil {
		t.Fatal(err)
	}
	im.Extra = append(im.Extra, Sector{Cylinder: 11, ID: SectorID{11, 0, 3, 0}, Encoding: FM, Mark: MarkDeleted, Data: make([]byte, 128), Status: Doubtful, Why: "second of two", Margin: -1, Angle: -1})
	path := filepath.Join(t.TempDir(), "heron.img")
	if err := im.Save(path, false); err != nil {
		t.Fatal(err)
	}
	if err := im.Save(path, false); err == nil {
		t.Error("an existing image is overwritten without force")
	}
	data, sc, err := ReadRaw(path)
	if err != nil || sc == nil {
		t.Fatal(err, sc)
	}
	back, err := ImageOf(sc.Recording, fm10.Geometry(), data)
	if err != nil {
		t.Fatal(err)
	}
	if err := back.Apply(sc); err != nil {
		t.Fatal(err)
	}
	if s, _ := back.Sector(Place{17, 0, 3}); s.Mark != MarkUserA {
		t.Errorf("mark %02X came back, want FA", s.Mark)
	}
	if s, _ := back.Sector(Place{9, 0, 4}); s.ID != odd.ID || !bytes.Equal(s.Data, odd.Data) || s.Margin != 0.5 || s.Angle != 0.25 {
		t.Errorf("odd sector came back as %+v", s)
	}
	if len(back.Extra) != 1 || back.Extra[0].Why != "second of two" || back.Extra[0].Mark != MarkDeleted {
		t.Errorf("extra sectors came back as %+v", back.Extra)
	}
	// A plain image of the same name takes the old sidecar with it.
	if err := NewImage(&fm10).Save(path, true); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(SidecarPath(path)); err == nil {
		t.Error("the sidecar of an earlier image stayed beside a plain one")
	}
}

func TestShortImageSaysWhatIsMissing(t *testing.T) {
	im, err := ImageOf("", fm10.Geometry(), make([]byte, 102400-100))
	if err != nil {
		t.Fatal(err)
	}
	if n := im.Noted(); len(n) != 1 || n[0] != (Place{39, 0, 9}) {
		t.Errorf("noted %v, want the last sector", n)
	}
	if _, err := ImageOf("", fm10.Geometry(), make([]byte, 102401)); err == nil {
		t.Error("a byte too many is accepted")
	}
}

func TestParseReference(t *testing.T) {
	for in, want := range map[string]struct {
		name       string
		cyl, sides int
		ok         bool
	}{
		"fm10x256": {"fm10x256", 0, 0, true}, "fm10x256:35x1": {"fm10x256", 35, 1, true}, "fm10x256:80": {"fm10x256", 80, 0, true},
		"fm10x256:0x1": {}, "fm10x256:35x3": {}, "fm10x256:": {}, "x:9999": {},
	} {
		n, c, s, err := ParseReference(in)
		if (err == nil) != want.ok || want.ok && (n != want.name || c != want.cyl || s != want.sides) {
			t.Errorf("ParseReference(%q) = %q %d %d %v", in, n, c, s, err)
		}
	}
}

func FuzzSidecar(f *testing.F) {
	f.Add([]byte(`{"remanence-sectors":1,"cylinders":40,"heads":1,"sectors":[{"cylinder":1,"head":0,"id-sector":2,"size":256,"mark":"FA","status":"good","place":2}]}`))
	f.Add([]byte(`{"remanence-sectors":1,"sectors":[{"cylinder":-1,"size":3,"data":"zz"}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		sc, err := ParseSidecar(b)
		if err != nil {
			return
		}
		im := NewImage(&fm10)
		_ = im.Apply(sc)
		if int64(len(im.Data)) != im.Geometry.Size() {
			t.Fatal("a sidecar changed the length of the image")
		}
		for p, s := range im.All() {
			_ = p
			if len(s.Data) > 8192 {
				t.Fatalf("sector of %d bytes", len(s.Data))
			}
		}
		again := NewImage(&fm10)
		if first := im.Sidecar(); first != nil {
			if err := again.Apply(first); err != nil {
				t.Fatalf("our own sidecar is refused: %v", err)
			}
		}
	})
}
