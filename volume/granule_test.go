package volume

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
)

func TestNameHash(t *testing.T) {
	// Long-known values, kept in the sheet z80-home-machine as verified.
	for name, want := range map[string]byte{"BOOT    SYS": 0xA2, "DIR     SYS": 0xC4, "SYS0    SYS": 0x2E, "SYS1    SYS": 0x2F} {
		if got := nameHash([]byte(name)); got != want {
			t.Errorf("hash of %s = %02X, want %02X", name, got, want)
		}
	}
}

func TestPasswordHash(t *testing.T) {
	// Long-known values, kept in the sheet z80-home-machine as verified.
	for word, want := range map[string]uint16{"": 0x4296, "PASSWORD": 0x42E0} {
		if got := PasswordHash(word); got != want {
			t.Errorf("hash of %q = %04X, want %04X", word, got, want)
		}
	}
}

// The embedded boot sector is what z80asm makes of its source.
func TestBootSectorIsAssembled(t *testing.T) {
	out := filepath.Join(t.TempDir(), "boot.bin")
	tool(t, "z80asm", "-o", out, "asm/notsystem.asm")
	got, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, notSystem) {
		t.Fatalf("asm/notsystem.bin (%d bytes) is not what z80asm makes of asm/notsystem.asm (%d bytes)", len(notSystem), len(got))
	}
	if !bytes.HasPrefix(notSystem, []byte{0x00, 0xFE, 0x11}) || len(notSystem) != 256 {
		t.Errorf("boot sector starts % X and is %d bytes long; the class expects 00 FE 11 and 256 (from memory)", notSystem[:3], len(notSystem))
	}
}

// The boot sector runs on sz80 of sdcc-ucsim as on the machine: read to 4200h and jumped to, it leaves its message
// in screen memory and stops.
func TestBootSectorRuns(t *testing.T) {
	var hex strings.Builder
	line := func(at int, b []byte) {
		r := append([]byte{byte(len(b)), byte(at >> 8), byte(at), 0}, b...)
		var sum byte
		for _, x := range r {
			sum -= x
		}
		fmt.Fprintf(&hex, ":%X\n", append(r, sum))
	}
	line(0, []byte{0xC3, 0x00, 0x42})
	for i := 0; i < len(notSystem); i += 16 {
		line(0x4200+i, notSystem[i:i+16])
	}
	hex.WriteString(":00000001FF\n")
	file := filepath.Join(t.TempDir(), "boot.hex")
	if err := os.WriteFile(file, []byte(hex.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	stop := 0x4200 + bytes.Index(notSystem, []byte{0x18, 0xFE})
	out := toolInput(t, fmt.Sprintf("expr sp_limit=0\nbreak 0x%x\nrun\ndump /h rom 0x3c00 0x3fff 64\nquit\n", stop), "sz80", "-t", "Z80", file)
	for _, want := range []string{"THIS DISK HOLDS FILES BUT NO SYSTEM.", "PUT A SYSTEM DISK IN THE FIRST DRIVE", "AND PRESS RESET."} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not on the screen:\n%s", want, out)
		}
	}
}

// An empty volume byte by byte, as the sheet z80-home-machine describes it (from memory).
func TestNewGranuleBytes(t *testing.T) {
	v := mustNew(t, "granule", fm10(40, 1), NewOptions{Name: "tides", Date: "1982-03-04", Command: "BASIC"})
	d := v.Image().Data
	at := func(cyl, sector int) []byte { return d[(cyl*10+sector)*256:][:256] }
	table := at(17, 0)
	for c := range 96 {
		want := byte(0xFC)
		switch {
		case c == 0:
			want = 0xFD
		case c == 17 || c >= 40:
			want = 0xFF
		}
		if table[c] != want {
			t.Errorf("allocation byte %d = %02X, want %02X", c, table[c], want)
		}
	}
	if got := string(table[0xD0:0xE6]); got != "TIDES   03/04/82BASIC\r" {
		t.Errorf("name, date, command = %q", got)
	}
	if table[0xCE] != 0xE0 || table[0xCF] != 0x42 {
		t.Errorf("master password bytes %02X %02X, want E0 42 (PASSWORD)", table[0xCE], table[0xCF])
	}
	if index := at(17, 1); index[0] != 0xA2 || index[1] != 0xC4 || !bytes.Equal(index[2:], make([]byte, 254)) {
		t.Errorf("hash index starts % X, want A2 C4 and zeros", index[:4])
	}
	want := []byte("\x5D\x00\x00\x00\x00DIR     SYS\x96\x42\x96\x42\x0A\x00\x11\x01\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF")
	if got := at(17, 3)[:32]; !bytes.Equal(got, want) {
		t.Errorf("DIR/SYS entry\n% X, want\n% X", got, want)
	}
	for s := range 10 {
		if x, _ := v.Image().Sector(disk.Place{Cylinder: 17, Sector: s}); x.Mark != disk.MarkUserA {
			t.Errorf("directory sector %d has mark %02X, want FA", s, x.Mark)
		}
	}
	if x, _ := v.Image().Sector(disk.Place{Cylinder: 16}); x.Mark != disk.MarkData {
		t.Errorf("cylinder 16 has mark %02X, want FB", x.Mark)
	}
	if r, err := RoomOf("granule", fm10(40, 1), NewOptions{}); err != nil || r.Units != 77 || r.Slots != 48 || v.Info().Free != 77 {
		t.Errorf("room %+v, %v, free %d; want 80 - 1 - 2 = 77 granules, 48 entries", r, err, v.Info().Free)
	}
}

// The size of a disk that is not plain stands in the allocation table (sheet z80-home-machine: CC, CD).
func TestGranuleSizeBytes(t *testing.T) {
	for _, tt := range []struct {
		rec    *disk.Recording
		cc, cd byte
	}{{fm10(40, 1), 0, 0}, {fm10(40, 2), 5, 0x23}, {mfm18(40, 1), 5, 0x42}, {mfm18(80, 2), 45, 0x65}} {
		s := mustNew(t, "granule", tt.rec, NewOptions{}).(*granule).sector(0)
		if s[0xCC] != tt.cc || s[0xCD] != tt.cd {
			t.Errorf("%s: CC CD = %02X %02X, want %02X %02X", tt.rec.Reference(), s[0xCC], s[0xCD], tt.cc, tt.cd)
		}
	}
}

// The worked example of the package comment: a file on cylinder 5.
func TestGranuleWorkedExample(t *testing.T) {
	v := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	mustPut(t, v, "PAD/DAT", make([]byte, 10*1280))
	mustPut(t, v, "DEMO/BAS", bytes.Repeat([]byte("x"), 1024))
	g := v.(*granule)
	code, err := g.find("DEMO/BAS")
	if err != nil {
		t.Fatal(err)
	}
	e := g.entry(code)
	if e[3] != 0 || e[20] != 4 || e[22] != 5 || e[23] != 0x20 || e[24] != 0xFF {
		t.Errorf("entry % X: want size 00, 04 sectors, extent 05 20", []byte(e))
	}
	if d := v.Image().Data; d[14079] == 'x' || d[14080] != 'x' || d[15103] != 'x' || d[15104] == 'x' {
		t.Error("the data is not at bytes 14,080 to 15,103")
	}
	if g.alloc()[5]&2 == 0 {
		t.Error("bit 1 of allocation byte 5 is not set")
	}
}

var granuleShapes = []struct {
	name string
	rec  *disk.Recording
	o    NewOptions
}{
	{"35 cylinders", fm10(35, 1), NewOptions{}},
	{"40 cylinders", fm10(40, 1), NewOptions{}},
	{"80 cylinders", fm10(80, 1), NewOptions{}},
	{"two sides", fm10(40, 2), NewOptions{}},
	{"two sides of 80", fm10(80, 2), NewOptions{}},
	{"MFM", mfm18(40, 1), NewOptions{}},
	{"MFM two sides", mfm18(80, 2), NewOptions{}},
	{"FM boot track", fmBoot(40, 1), NewOptions{}},
	{"FM boot track, two sides", fmBoot(40, 2), NewOptions{}},
	{"directory on 20", fm10(40, 1), NewOptions{Directory: 20}},
	{"rounded down", fm10(40, 1), NewOptions{Rounding: "down"}},
	{"locked out", fm10(40, 1), NewOptions{LockedOut: []int{5, 6, 39}}},
}

// Every shape is filled with files of awkward sizes, found again without being told anything, and read back.
func TestGranuleShapes(t *testing.T) {
	for _, s := range granuleShapes {
		t.Run(s.name, func(t *testing.T) {
			v := mustNew(t, "granule", s.rec, s.o)
			mustClean(t, v)
			sizes := []int{0, 1, 255, 256, 257, 1279, 1280, 1281, 1535, 1536, 1537, 2560, 5119, 5121, 10000}
			for i, n := range sizes {
				mustPut(t, v, "F"+strings.Repeat("X", i%4)+string(rune('A'+i))+"/DAT", noise(int64(i), n))
			}
			mustClean(t, v)
			im := v.Image()
			w, said, err := Open(bytes.Clone(im.Data), Options{Recordings: []*disk.Recording{fm10(40, 1), mfm18(40, 1), fmBoot(40, 1)}})
			if err != nil {
				t.Fatal(err)
			}
			mustClean(t, w)
			if w.Image().Geometry.Cylinders != s.rec.Cylinders || w.Image().Geometry.Heads != s.rec.Sides || w.Info().Recording != s.rec.Name {
				t.Errorf("found as %s %dx%d (%q)", w.Info().Recording, w.Image().Geometry.Cylinders, w.Image().Geometry.Heads, said)
			}
			for i, f := range w.Files() {
				want := noise(int64(i), sizes[i])
				if got := mustGet(t, w, f.Name); !bytes.Equal(got, want) || f.Size != int64(len(want)) {
					t.Errorf("%s: %d bytes (listed as %d), want %d alike", f.Name, len(got), f.Size, len(want))
				}
			}
		})
	}
}

// One file over scattered single granules: a long chain of extension entries.
func TestGranuleScattered(t *testing.T) {
	v := mustNew(t, "granule", fm10(40, 1), NewOptions{})
	var names []string
	for i := range 38 {
		n := "P" + string(rune('A'+i/26)) + string(rune('A'+i%26))
		mustPut(t, v, n, noise(int64(i), 1280))
		names = append(names, n)
	}
	for i, n := range names {
		if i%2 == 0 {
			if err := v.Delete(n); err != nil {
				t.Fatal(err)
			}
		}
	}
	big := noise(99, (v.Info().Free-2)*1280-7)
	mustPut(t, v, "BIG/DAT", big)
	mustClean(t, v)
	g := v.(*granule)
	code, _ := g.find("BIG/DAT")
	if chain, _ := g.chain(code); len(chain) < 4 {
		t.Errorf("chain of %d entries; the disk was to be scattered", len(chain))
	}
	if got := mustGet(t, reopen(t, v), "BIG/DAT"); !bytes.Equal(got, big) {
		t.Error("content differs")
	}
	if err := v.Rename("BIG/DAT", "LARGE/DAT"); err != nil {
		t.Fatal(err)
	}
	mustClean(t, v)
	if err := v.Delete("LARGE/DAT"); err != nil {
		t.Fatal(err)
	}
	mustClean(t, v)
	for i, n := range names {
		if i%2 == 1 && !bytes.Equal(mustGet(t, v, n), noise(int64(i), 1280)) {
			t.Errorf("%s changed", n)
		}
	}
}

// Every kind of damage is made once; each must be found, at its place, and only the file that it touches may suffer.
func TestGranuleFaults(t *testing.T) {
	base := func() *granule {
		v := mustNew(t, "granule", fm10(40, 1), NewOptions{}).(*granule)
		mustPut(t, v, "ONE/DAT", noise(1, 3000))
		mustPut(t, v, "TWO/DAT", noise(2, 1000))
		for i := range 6 {
			mustPut(t, v, "GAP"+string(rune('A'+i)), noise(3, 1280))
		}
		for i := range 3 {
			if err := v.Delete("GAP" + string(rune('A'+2*i))); err != nil {
				t.Fatal(err)
			}
		}
		// One granule goes into each gap but the last, so that five extents and an extension entry are needed.
		for _, c := range []int{8, 10, 12, 14} {
			v.alloc()[c], v.lockout()[c] = 0xFF, 0xFF
		}
		mustPut(t, v, "LONG/DAT", noise(4, 60*1280))
		mustClean(t, v)
		return v
	}
	code := func(v *granule, name string) int { c, _ := v.find(name); return c }
	for _, tt := range []struct {
		name, where, what string
		break_            func(v *granule)
	}{
		{"used granule free", "allocation table", "belongs to ONE/DAT", func(v *granule) { v.alloc()[0] &^= 2 }},
		{"free granule used", "allocation table", "no file holds it", func(v *granule) { v.alloc()[39] |= 2 }},
		{"two files, one granule", "TWO/DAT", "belongs to ONE/DAT", func(v *granule) { copy(v.entry(code(v, "TWO/DAT"))[22:], v.entry(code(v, "ONE/DAT"))[22:24]) }},
		{"extent off the disk", "TWO/DAT", "cylinder 60", func(v *granule) { v.entry(code(v, "TWO/DAT"))[22] = 60 }},
		{"granule number too high", "TWO/DAT", "not on a disk", func(v *granule) { v.entry(code(v, "TWO/DAT"))[23] = 7 << 5 }},
		{"hash wrong", "hash index", "hash of ONE/DAT", func(v *granule) { v.index()[code(v, "ONE/DAT")] ^= 1 }},
		{"hash gone", "hash index", "hash of ONE/DAT", func(v *granule) { v.index()[code(v, "ONE/DAT")] = 0 }},
		{"hash stale", "hash index", "free", func(v *granule) { v.index()[0xE7] = 9 }},
		{"hash past the directory", "hash index", "no such entry", func(v *granule) { v.index()[0x1F] = 9 }},
		{"extension names another", "LONG/DAT", "as the one before it", func(v *granule) {
			next, _ := v.entry(code(v, "LONG/DAT")).next()
			v.entry(next)[1] = byte(code(v, "TWO/DAT"))
		}},
		{"link to a free entry", "LONG/DAT", "not an extension entry", func(v *granule) { v.entry(code(v, "LONG/DAT"))[31] = 0xE7 }},
		{"link out of the directory", "LONG/DAT", "outside the directory", func(v *granule) { v.entry(code(v, "LONG/DAT"))[31] = 0x1F }},
		{"link gone", "entry", "no file leads to", func(v *granule) { v.entry(code(v, "LONG/DAT"))[30] = 0xFF; v.entry(code(v, "LONG/DAT"))[31] = 0xFF }},
		{"loop", "LONG/DAT", "back to itself", func(v *granule) {
			c := code(v, "LONG/DAT")
			next, _ := v.entry(c).next()
			v.entry(next)[30], v.entry(next)[31] = 0xFE, byte(next)
		}},
		{"too many sectors", "TWO/DAT", "the end is missing", func(v *granule) { v.entry(code(v, "TWO/DAT"))[20] = 40 }},
		{"too few sectors", "ONE/DAT", "space is wasted", func(v *granule) { v.entry(code(v, "ONE/DAT"))[20] = 1 }},
		{"lower-case name", "entry", "capitals", func(v *granule) { v.entry(code(v, "ONE/DAT"))[6] = 'n' }},
		{"blank in a name", "entry", "capitals", func(v *granule) { v.entry(code(v, "ONE/DAT"))[6] = ' ' }},
		{"used cylinder locked out", "lock-out table", "lies there", func(v *granule) { v.lockout()[1] = 0xFF }},
		{"locked out but free", "allocation table", "locked out", func(v *granule) { v.alloc()[8] = 0xFC }},
		{"boot sector names another cylinder", "boot sector", "names cylinder 20", func(v *granule) { v.im.Data[2] = 20 }},
		{"bits past the last granule", "allocation table byte 1Eh", "past the last", func(v *granule) { v.alloc()[30] &= 3 }},
		{"absent cylinder free", "allocation table byte 29h", "does not have", func(v *granule) { v.alloc()[41] = 0xFC }},
		{"absent cylinder not locked out", "lock-out table byte 29h", "must be set", func(v *granule) { v.lockout()[41] = 0xFC }},
		{"one name twice", "ONE/DAT", "same name", func(v *granule) { copy(v.entry(code(v, "TWO/DAT"))[5:], "ONE  ") }},
		{"DIR/SYS elsewhere", "entry 01h", "want 2 granules from cylinder 17", func(v *granule) { v.entry(codeDir)[22] = 30 }},
		{"BOOT/SYS gone", "entry 00h", "want BOOT/SYS", func(v *granule) { v.entry(codeBoot)[0] = 0; v.index()[0] = 0 }},
		{"impossible date", "volume date", "13/40/81", func(v *granule) { copy(v.sector(0)[0xD8:], "13/40/81") }},
		{"rubbish behind the extents", "bytes 22 to 29", "something stands after", func(v *granule) { v.entry(code(v, "ONE/DAT"))[28] = 4 }},
		{"rubbish for a link", "bytes 30 to 31", "want FF FF", func(v *granule) { v.entry(code(v, "ONE/DAT"))[30] = 4 }},
		{"ordinary marks on the directory", "cylinder 17", "mark FB", func(v *granule) {
			for _, p := range v.dirPlaces()[1:] { // with no mark at all there would be no sidecar to tell
				v.im.SetMark(p, disk.MarkData)
			}
		}},
		{"damaged sector", "cylinder 0 head 0 sector 5 (ONE/DAT", "doubtful", func(v *granule) {
			p := disk.Place{Cylinder: 0, Sector: 5}
			s, _ := v.im.Sector(p)
			s.Status, s.Why = disk.Doubtful, "CRC"
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
			for _, f := range w.Files() { // whatever it is, everything that is listed can be had
				if _, _, err := w.Get(f.Name); err != nil {
					t.Errorf("Get(%s): %v", f.Name, err)
				}
			}
			to, _, err := Repair(w)
			if err != nil {
				t.Fatal(err)
			}
			mustClean(t, to)
			if got, _, err := to.Get("GAPB"); err != nil || !bytes.Equal(got, noise(3, 1280)) {
				t.Errorf("GAPB, which nothing happened to, did not survive the repair: %v", err)
			}
		})
	}
}

func TestGranuleRefusals(t *testing.T) {
	v := mustNew(t, "granule", fm10(35, 1), NewOptions{})
	mustPut(t, v, "A/B", []byte("x"))
	before := bytes.Clone(v.Image().Data)
	for _, tt := range []struct {
		name string
		err  error
		do   func() error
	}{
		{"again", ErrFileExists, func() error { return v.Put("A/B", nil, PutOptions{}) }},
		{"bad name", ErrName, func() error { return v.Put("1A/B", nil, PutOptions{}) }},
		{"long name", ErrName, func() error { return v.Put("ABCDEFGHI", nil, PutOptions{}) }},
		{"system file", ErrName, func() error { return v.Put("DIR/SYS", nil, PutOptions{}) }},
		{"too big", ErrFull, func() error { return v.Put("BIG/DAT", make([]byte, 90000), PutOptions{}) }},
		{"too big in place of another", ErrFull, func() error { return v.Put("A/B", make([]byte, 90000), PutOptions{Replace: true}) }},
		{"far too big", ErrFull, func() error { return v.Put("BIG/DAT", make([]byte, 20<<20), PutOptions{}) }},
		{"delete what is not there", ErrNoFile, func() error { return v.Delete("C/D") }},
		{"rename what is not there", ErrNoFile, func() error { return v.Rename("C/D", "E/F") }},
	} {
		if err := tt.do(); !errors.Is(err, tt.err) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.err)
		}
		if !bytes.Equal(before, v.Image().Data) {
			t.Fatalf("%s: the volume changed", tt.name)
		}
	}
	for i := range 47 {
		mustPut(t, v, "N"+string(rune('A'+i/26))+string(rune('A'+i%26)), nil)
	}
	if err := v.Put("ONEMORE", nil, PutOptions{}); !errors.Is(err, ErrFull) {
		t.Errorf("49th file: %v, want %v", err, ErrFull)
	}
	mustClean(t, v)
}

// Passwords and everything else in an entry survive what is done to the file.
func TestGranulePasswordsStay(t *testing.T) {
	v := mustNew(t, "granule", fm10(40, 1), NewOptions{}).(*granule)
	mustPut(t, v, "SECRET/DAT", []byte("x"))
	c, _ := v.find("SECRET/DAT")
	copy(v.entry(c)[16:], []byte{0x12, 0x34, 0xE0, 0x42})
	v.entry(c)[0] |= 6
	mustClean(t, v)
	if err := v.Rename("SECRET/DAT", "HIDDEN/DAT"); err != nil {
		t.Fatal(err)
	}
	to, _, err := Repair(v)
	if err != nil {
		t.Fatal(err)
	}
	g := to.(*granule)
	c, err = g.find("HIDDEN/DAT")
	if err != nil || !bytes.Equal(g.entry(c)[16:20], []byte{0x12, 0x34, 0xE0, 0x42}) || g.entry(c)[0]&7 != 6 {
		t.Errorf("entry after rename and repair: % X, %v", []byte(g.entry(c)), err)
	}
	if a := g.Files()[0].Attributes; !slices.Contains(a, "access password") {
		t.Errorf("attributes %v do not tell of the password", a)
	}
}

// Rounding is recognised from sizes, and from the slack of the last sector where no size decides.
func TestRoundingRecognised(t *testing.T) {
	for _, rounding := range []string{"up", "down"} {
		for _, sizes := range [][]int{{1280 + 100, 5000, 100}, {300, 1280 + 600, 2560 + 1000}} {
			v := mustNew(t, "granule", fm10(40, 1), NewOptions{Rounding: rounding})
			for i, n := range sizes {
				mustPut(t, v, "F"+string(rune('A'+i)), noise(int64(i), n))
			}
			w := reopen(t, v)
			if got := w.(*granule).down; got != (rounding == "down") {
				t.Errorf("sizes %v rounded %s: recognised as down = %v", sizes, rounding, got)
			}
		}
	}
}
