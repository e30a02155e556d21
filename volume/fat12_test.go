package volume

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"remanence/disk"
)

var fatRecordings = []struct {
	name                  string
	rec                   *disk.Recording
	clusters, cluster5    int
	free                  int
	params                string // bytes 0Bh to 1Bh
	rootSector, firstData int
}{
	// Sheet tape-and-volume-standards C3 and check values 26, 28, 31: kernel fs/fat/inode.c, mkfs.fat 4.2, fsck.fat 4.2.
	{"160K", mfm(8, 40, 1), 313, 10, 160256, "0002010100024000 4001 FE 0100 0800 0100", 3, 7},
	{"180K", mfm(9, 40, 1), 351, 12, 179712, "0002010100024000 6801 FC 0200 0900 0100", 5, 9},
	{"320K", mfm(8, 40, 2), 315, 16, 322560, "0002020100027000 8002 FF 0100 0800 0200", 3, 10},
	{"360K", mfm(9, 40, 2), 354, 18, 362496, "0002020100027000 D002 FD 0200 0900 0200", 5, 12},
	{"720K", mfm(9, 80, 2), 713, 20, 730112, "0002020100027000 A005 F9 0300 0900 0200", 7, 14},
	{"1.2M", mfm(15, 80, 2), 2371, 32, 1213952, "000201010002E000 6009 F9 0700 0F00 0200", 15, 29},
	{"1.44M", mfm(18, 80, 2), 2847, 36, 1457664, "000201010002E000 400B F0 0900 1200 0200", 19, 33},
}

func TestFATFormats(t *testing.T) {
	for _, f := range fatRecordings {
		t.Run(f.name, func(t *testing.T) {
			v := mustNew(t, "fat12", f.rec, NewOptions{}).(*fat12)
			if v.clusters != f.clusters || v.root != f.rootSector || v.data != f.firstData || v.Info().Free*v.clusterBytes() != f.free {
				t.Errorf("clusters %d root %d data %d free %d, want %d %d %d %d", v.clusters, v.root, v.data, v.Info().Free*v.clusterBytes(), f.clusters, f.rootSector, f.firstData, f.free)
			}
			if got := v.offset(5) / v.sectorBytes; got != f.cluster5 {
				t.Errorf("cluster 5 at sector %d, want %d (data + 3 clusters; 360K: check value 28)", got, f.cluster5)
			}
			want, err := hex.DecodeString(strings.ReplaceAll(f.params, " ", ""))
			if err != nil {
				t.Fatal(err)
			}
			if got := v.im.Data[0x0B:0x1C]; !bytes.Equal(got, want) {
				t.Errorf("parameters % X, want % X", got, want)
			}
			mustClean(t, v)
			out := tool(t, "fsck.fat", "-n", "-v", writeTemp(t, v.im.Data))
			if want := fmt.Sprintf("/%d clusters", f.clusters); !strings.Contains(out, want) {
				t.Errorf("fsck.fat does not count %d clusters:\n%s", f.clusters, out)
			}
		})
	}
}

// noBoot is the start of a boot sector without code, as the sheet's recipe has it.
var noBoot = []byte("\xEB\x3C\x90        ")

func sum(b []byte) string { h := sha256.Sum256(b); return hex.EncodeToString(h[:]) }

// Sheet tape-and-volume-standards, check values 32 and 33 (computed there without this program).
func TestFATEmptyVolumes(t *testing.T) {
	for rec, want := range map[*disk.Recording]string{
		mfm(9, 40, 2):  "ae1176f38c0908cb6ddaf9849aca753a2326c74535557a0c6f9e23060022c4b4",
		mfm(18, 80, 2): "9a6d5a34010bbeb0f36987e8fd47c5fb177397195aca533ab8a2f9b43e9dce43",
		mfm(9, 80, 2):  "9e706e3a152d5fb1f96e3ae5ae14eaba0578acd0ff7e9ffc5f581cb22db3635d",
		mfm(8, 40, 1):  "2eed4b5947c558461ace17dac17368f974f6489bef3a6181f0c740f998a80123",
	} {
		v := mustNew(t, "fat12", rec, NewOptions{Serial: 0x19830714, Boot: noBoot})
		if got := sum(v.Image().Data); got != want {
			t.Errorf("empty volume on %s: SHA-256 %s, want %s", rec.Reference(), got, want)
		}
	}
}

// Check values 24, 25, 30 and 34.
func TestFATWorkedValues(t *testing.T) {
	table := make([]byte, 12)
	for i, e := range []int{0xFF9, 0xFFF, 0x003, 0x004, 0xFFF, 0xFF7, 0x000, 0xABC} {
		fatSet(table, i, e)
		if got := fatGet(table, i); got != e {
			t.Errorf("entry %d reads %03X, want %03X", i, got, e)
		}
	}
	if want := "F9 FF FF 03 40 00 FF 7F FF 00 C0 AB"; fmt.Sprintf("% X", table) != want {
		t.Errorf("table % X, want %s", table, want)
	}
	long := make([]byte, 1024)
	fatSet(long, 341, 0xABC)
	if long[511] != 0xC0 || long[512] != 0xAB {
		t.Errorf("entry 341: bytes 511, 512 = %02X %02X, want C0 AB", long[511], long[512])
	}
	v := mustNew(t, "fat12", mfm(8, 40, 1), NewOptions{Serial: 0x19830714, Boot: noBoot})
	data := make([]byte, 1234)
	for i := range data {
		data[i] = byte(i)
	}
	if err := v.Put("HELLO.BAS", data, PutOptions{Date: "1983-07-14 12:34:56"}); err != nil {
		t.Fatal(err)
	}
	want := "48454C4C4F20202042415320" + "00000000000000000000" + "5C64EE060200D2040000"
	if got := hex.EncodeToString(v.Image().Data[3*512:][:32]); !strings.EqualFold(got, want) {
		t.Errorf("entry %s, want %s", got, want)
	}
	if got := sum(v.Image().Data); got != "6529855fb9f2af558347c4e25e859b1341e73cedcfb324cb20cdc529c161e81d" {
		t.Errorf("160K volume with HELLO.BAS: SHA-256 %s", got)
	}
}

// Check value 29.
func TestFATDates(t *testing.T) {
	for _, tt := range []struct {
		s           string
		date, clock uint16
	}{{"1983-07-14 12:34:56", 0x06EE, 0x645C}, {"1980-01-01", 0x0021, 0}, {"2107-12-31 23:59:58", 0xFF9F, 0xBF7D}} {
		if d, c, err := fatDate(tt.s); err != nil || d != tt.date || c != tt.clock {
			t.Errorf("%s -> %04X %04X %v, want %04X %04X", tt.s, d, c, err, tt.date, tt.clock)
		}
	}
	for _, s := range []string{"1979-12-31", "2108-01-01", "1983-02-30", "tomorrow"} {
		if _, _, err := fatDate(s); err == nil {
			t.Errorf("%s was taken", s)
		}
	}
}

// Check value 27: 4084 clusters are FAT12, 4085 are not.
func TestFATClusterLimit(t *testing.T) {
	s := fatShape{sectorBytes: 512, perCluster: 1, reserved: 1, tables: 2, rootEntries: 16, perTable: 12, total: 26 + 4084}
	if err := s.derive(); err != nil || s.clusters != 4084 {
		t.Errorf("%d clusters: %v, want 4084 taken", s.clusters, err)
	}
	s.total++
	if err := s.derive(); err == nil {
		t.Errorf("%d clusters were taken", s.clusters)
	}
}

// unpack7z lists and extracts an image with 7z.
func unpack7z(t *testing.T, image string) map[string][]byte {
	t.Helper()
	dir := t.TempDir()
	tool(t, "7z", "x", "-y", "-tFAT", "-o"+dir, image)
	out := map[string][]byte{}
	err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(dir, p)
		out[filepath.ToSlash(rel)], err = os.ReadFile(p)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// sameAs7z demands that fsck.fat finds nothing and that 7z sees what we see.
func sameAs7z(t *testing.T, v Volume) {
	t.Helper()
	mustClean(t, v)
	image := writeTemp(t, v.Image().Data)
	tool(t, "fsck.fat", "-n", image)
	theirs := unpack7z(t, image)
	for _, f := range v.Files() {
		data := mustGet(t, v, f.Name)
		if got, ok := theirs[f.Name]; !ok || !bytes.Equal(got, data) {
			t.Errorf("%s: 7z has it %v, %d bytes; we read %d", f.Name, ok, len(got), len(data))
		}
		delete(theirs, f.Name)
	}
	if len(theirs) > 0 {
		t.Errorf("7z lists %d more files than we do", len(theirs))
	}
}

func TestFATAgainst7z(t *testing.T) {
	for _, f := range fatRecordings {
		t.Run(f.name, func(t *testing.T) {
			v := mustNew(t, "fat12", f.rec, NewOptions{Name: "TIDE TABLES", Date: "1984-05-06", Serial: 7})
			for i, n := range []int{0, 1, 511, 512, 513, 1023, 1024, 1025, 30000} {
				mustPut(t, v, fmt.Sprintf("F%d.DAT", i), noise(int64(i), n))
			}
			for i := range 40 { // a sub-directory that grows over several clusters
				mustPut(t, v, fmt.Sprintf("OLD/DEEP/N%d", i), noise(int64(i), 100))
			}
			if err := v.Delete("F3.DAT"); err != nil {
				t.Fatal(err)
			}
			if err := v.Rename("F8.DAT", "OLD/LONG.DAT"); err != nil {
				t.Fatal(err)
			}
			if err := v.Rename("OLD/DEEP", "ELSE"); err != nil {
				t.Fatal(err)
			}
			sameAs7z(t, v)
			sameAs7z(t, reopen(t, v))
		})
	}
}

// Images of mkfs.fat, changed by us, are still what fsck.fat and 7z accept.
func TestFATOfOthers(t *testing.T) {
	for _, kib := range []string{"360", "720", "1200", "1440"} {
		t.Run(kib, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "made.img")
			tool(t, "mkfs.fat", "-C", "-F", "12", "-n", "FOREIGN", path, kib)
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			boot := bytes.Clone(data[:512])
			v, said, err := Open(data, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if v.Kind() != "fat12" || v.Info().Name != "FOREIGN" {
				t.Errorf("read as %s %q (%q)", v.Kind(), v.Info().Name, said)
			}
			for i := range 20 {
				mustPut(t, v, fmt.Sprintf("SUB/F%d.BIN", i), noise(int64(i), 700*i))
			}
			if err := v.Delete("SUB/F7.BIN"); err != nil {
				t.Fatal(err)
			}
			sameAs7z(t, v)
			if !bytes.Equal(boot, v.Image().Data[:512]) {
				t.Error("the boot sector changed")
			}
			to, changes, err := Repair(v)
			if err != nil || len(changes) > 0 {
				t.Fatalf("repair of a whole volume: %v %v", changes, err)
			}
			sameAs7z(t, to)
			if !bytes.Equal(boot, to.Image().Data[:512]) {
				t.Error("the boot sector changed in the repair")
			}
		})
	}
}

// A volume of 8 sectors a track without a parameter block is known by its media byte.
func TestFATWithoutParameterBlock(t *testing.T) {
	for _, f := range fatRecordings[:3] {
		v := mustNew(t, "fat12", f.rec, NewOptions{})
		mustPut(t, v, "A.TXT", []byte("hello"))
		d := bytes.Clone(v.Image().Data)
		clear(d[3:512])
		w, said, err := Open(d, Options{})
		if err != nil {
			t.Fatalf("%s: %v", f.name, err)
		}
		if got := mustGet(t, w, "A.TXT"); string(got) != "hello" || !strings.Contains(strings.Join(said, " "), "media byte") {
			t.Errorf("%s: read %q, said %q", f.name, got, said)
		}
		mustClean(t, w)
	}
}

func TestFATFaults(t *testing.T) {
	base := func() *fat12 {
		v := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{Name: "TEST"}).(*fat12)
		mustPut(t, v, "ONE.DAT", noise(1, 5000))
		mustPut(t, v, "TWO.DAT", noise(2, 3000))
		mustPut(t, v, "SUB/THREE.DAT", noise(3, 2000))
		mustPut(t, v, "KEPT.DAT", noise(4, 2500))
		return v
	}
	at := func(v *fat12, name string) fatEntry {
		_, e, err := v.find(name)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	for _, tt := range []struct {
		name, where, what string
		fsck              bool // fsck.fat -n complains as well
		break_            func(v *fat12)
	}{
		{"tables differ", "table 2", "differs", true, func(v *fat12) { fatSet(v.table(1), 3, 9) }},
		{"chains join", "TWO.DAT", "belongs to ONE.DAT", true, func(v *fat12) { v.link(at(v, "TWO.DAT").cluster(), at(v, "ONE.DAT").cluster()+1) }},
		{"loop", "ONE.DAT", "loops", true, func(v *fat12) { c := at(v, "ONE.DAT").cluster(); v.link(c+2, c) }},
		{"lost cluster", "cluster 300", "no file holds it", true, func(v *fat12) { v.link(300, 0xFFF) }},
		{"lost loop", "cluster 300", "a chain of 2", true, func(v *fat12) { v.link(300, 301); v.link(301, 300) }},
		{"off the disk", "ONE.DAT", "leads to cluster 2048", true, func(v *fat12) { v.link(at(v, "ONE.DAT").cluster(), 0x800) }},
		{"to a free cluster", "ONE.DAT", "free cluster", true, func(v *fat12) { v.link(at(v, "ONE.DAT").cluster(), 200) }},
		{"size too large", "ONE.DAT", "the end is missing", true, func(v *fat12) { at(v, "ONE.DAT")[0x1D] = 0x30 }},
		{"size too small", "ONE.DAT", "space is wasted", true, func(v *fat12) { at(v, "ONE.DAT")[0x1D] = 0 }},
		{"start off the disk", "ONE.DAT", "starts at cluster", true, func(v *fat12) { at(v, "ONE.DAT")[0x1B] = 0x0F }},
		{"asterisk", "O*E.DAT", "cannot stand in a name", true, func(v *fat12) { at(v, "ONE.DAT")[1] = '*' }},
		{"lower case", "OnE.DAT", "lower-case", false, func(v *fat12) { at(v, "ONE.DAT")[1] = 'n' }},
		{"one name twice", "ONE.DAT", "there already", true, func(v *fat12) { copy(at(v, "TWO.DAT"), "ONE") }},
		{"media byte", "table 1 entry 0", "the boot sector says FDh", false, func(v *fat12) { v.link(0, 0xFF9) }},
		{"dot entry", "SUB/.", "the directory itself", true, func(v *fat12) { v.im.Data[v.offset(at(v, "SUB").cluster())+0x1A] = 2 }},
		{"dot-dot entry", "SUB/..", "the directory above", true, func(v *fat12) { v.im.Data[v.offset(at(v, "SUB").cluster())+0x20+0x1A] = 2 }},
		{"second label", "entry at byte", "a volume has one", false, func(v *fat12) { at(v, "TWO.DAT")[11] = attrLabel }},
		{"month 15", "ONE.DAT", "no such day", false, func(v *fat12) { at(v, "ONE.DAT")[0x18] = 0xE1; at(v, "ONE.DAT")[0x19] = 1 }},
		{"directory in itself", "SUB/LOOP", "belongs to SUB as well", true, func(v *fat12) {
			mustPut(t, v, "SUB/LOOP", nil)
			e := at(v, "SUB/LOOP")
			e[11] = attrDirectory
			e[0x1A] = byte(at(v, "SUB").cluster())
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
			if tt.fsck {
				if err := fsck(t, w.Image().Data); err == nil {
					t.Error("fsck.fat finds nothing here")
				}
			}
			to, _, err := Repair(w)
			if err != nil {
				t.Fatal(err)
			}
			sameAs7z(t, to)
			if got := mustGet(t, to, "KEPT.DAT"); !bytes.Equal(got, noise(4, 2500)) {
				t.Error("KEPT.DAT, which nothing happened to, did not survive the repair")
			}
		})
	}
}

func TestFATRefusals(t *testing.T) {
	v := mustNew(t, "fat12", mfm(8, 40, 1), NewOptions{})
	mustPut(t, v, "DIR/A.B", []byte("x"))
	before := bytes.Clone(v.Image().Data)
	for _, tt := range []struct {
		name string
		err  error
		do   func() error
	}{
		{"again", ErrFileExists, func() error { return v.Put("DIR/A.B", nil, PutOptions{}) }},
		{"bad name", ErrName, func() error { return v.Put("A+B", nil, PutOptions{}) }},
		{"way out", ErrName, func() error { return v.Put("../A", nil, PutOptions{}) }},
		{"too big", ErrFull, func() error { return v.Put("NEW/BIG.DAT", make([]byte, 170000), PutOptions{}) }},
		{"not empty", nil, func() error { return v.Delete("DIR") }},
		{"over a directory", errIsDirectory, func() error { return v.Put("DIR", nil, PutOptions{Replace: true}) }},
		{"missing", ErrNoFile, func() error { return v.Delete("C.D") }},
		{"into itself", nil, func() error { return v.Rename("DIR", "DIR/DIR") }},
	} {
		if err := tt.do(); err == nil || tt.err != nil && !errors.Is(err, tt.err) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.err)
		}
		if !bytes.Equal(before, v.Image().Data) {
			t.Fatalf("%s: the volume changed", tt.name)
		}
	}
	for i := range 63 {
		mustPut(t, v, fmt.Sprintf("N%d", i), nil)
	}
	if err := v.Put("ONEMORE", nil, PutOptions{}); !errors.Is(err, ErrFull) {
		t.Errorf("65th root entry: %v, want %v", err, ErrFull)
	}
	sameAs7z(t, v)
}

// The embedded boot code is what GNU as makes of its source, and lies where the jump leads.
func TestFATBootIsAssembled(t *testing.T) {
	dir := t.TempDir()
	tool(t, "as", "--32", "-o", filepath.Join(dir, "boot.o"), "asm/notsystem86.s")
	tool(t, "objcopy", "-O", "binary", "-j", ".text", filepath.Join(dir, "boot.o"), filepath.Join(dir, "boot.bin"))
	got, err := os.ReadFile(filepath.Join(dir, "boot.bin"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, notSystem86) || len(got) > 448 {
		t.Fatalf("asm/notsystem86.bin (%d bytes) is not what as makes of asm/notsystem86.s (%d bytes, at most 448)", len(notSystem86), len(got))
	}
	b := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{}).Image().Data[:512]
	if at := 2 + int(b[1]); b[0] != 0xEB || !bytes.HasPrefix(b[at:], notSystem86) || b[510] != 0x55 || b[511] != 0xAA {
		t.Errorf("the jump % X does not lead to the code, or 55 AA is missing", b[:3])
	}
}

// The 8-inch forms of the sheet's C3 (a quick reference of 1991): no outside program here reads sectors of 128 bytes.
func TestFATEightInch(t *testing.T) {
	for _, tt := range []struct {
		rec      *disk.Recording
		media    byte
		clusters int
	}{
		{fm26, 0xFE, (2002 - 1 - 12 - 17) / 4},
		{recording("fm26x128", disk.FM, 26, 128, 1, 77, 2), 0xFD, (4004 - 4 - 24 - 17) / 4},
		{recording("mfm8x1024", disk.MFM, 8, 1024, 1, 77, 2), 0xFE, 1232 - 1 - 4 - 6},
	} {
		v := mustNew(t, "fat12", tt.rec, NewOptions{}).(*fat12)
		if v.media != tt.media || v.clusters != tt.clusters {
			t.Errorf("%s: media %02X, %d clusters; want %02X, %d", tt.rec.Reference(), v.media, v.clusters, tt.media, tt.clusters)
		}
		for i := range 10 {
			mustPut(t, v, fmt.Sprintf("SUB/F%d.DAT", i), noise(int64(i), 900*i))
		}
		w := reopen(t, v)
		mustClean(t, w)
		for i := range 10 {
			if !bytes.Equal(mustGet(t, w, fmt.Sprintf("SUB/F%d.DAT", i)), noise(int64(i), 900*i)) {
				t.Errorf("%s: F%d.DAT differs", tt.rec.Reference(), i)
			}
		}
	}
}
