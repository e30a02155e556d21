package volume

import (
	"bytes"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"remanence/disk"
)

// partAt is the part that a byte lies in.
func partAt(t testing.TB, parts []Part, at int) Part {
	t.Helper()
	for _, p := range parts {
		if at >= p.At && at < p.At+p.Len {
			return p
		}
	}
	t.Fatalf("byte %Xh has no part", at)
	return Part{}
}

// wantWhole holds parts to covering the image without gaps and overlaps.
func wantWhole(t testing.TB, v Volume, parts []Part) {
	t.Helper()
	at := 0
	for _, p := range parts {
		if p.At != at || p.Len < 1 || p.Name == "" || p.What == "" {
			t.Fatalf("after byte %d: %+v", at, p)
		}
		at += p.Len
	}
	if at != len(v.Image().Data) {
		t.Fatalf("parts end at byte %d of %d", at, len(v.Image().Data))
	}
}

var bytesText = regexp.MustCompile(`: bytes (\d+) to (\d+)`)

// rebuilt is the content of a file, put together from what the parts say of the image alone.
func rebuilt(t testing.TB, v Volume, parts []Part, f File) []byte {
	t.Helper()
	out := make([]byte, f.Size)
	got := 0
	for _, p := range parts {
		m := bytesText.FindStringSubmatch(p.What)
		if m == nil || !strings.HasPrefix(p.What, f.Name+", ") {
			continue
		}
		from, _ := strconv.Atoi(m[1])
		to, _ := strconv.Atoi(m[2])
		if to-from+1 != p.Len || p.File != f.Name || to >= len(out) {
			t.Fatalf("%s: %+v", f.Name, p)
		}
		got += copy(out[from:], v.Image().Data[p.At:p.At+p.Len])
	}
	if got != len(out) {
		t.Errorf("%s: the parts have %d of its %d bytes", f.Name, got, len(out))
	}
	return out
}

// Every byte of every kind of volume is named, what the parts call content is the content, and the chain of a file has
// its sectors in their order.
func TestPartsAreTheVolume(t *testing.T) {
	for _, c := range churned {
		t.Run(c.name, func(t *testing.T) {
			v := mustNew(t, c.kind, c.rec, c.o)
			name := func(n int) string {
				switch c.kind {
				case "granule":
					return fmt.Sprintf("N%d/DAT", n)
				case "fat12":
					return []string{"", "SUB/"}[n%2] + fmt.Sprintf("N%d.DAT", n)
				}
				return fmt.Sprintf("%d:N%d.DAT", n%2, n)
			}
			for n := range 8 {
				mustPut(t, v, name(n), noise(int64(n+1), 700+3000*n%11000))
			}
			for _, n := range []int{1, 4} { // holes, so that the last one lies in pieces
				if err := v.Delete(name(n)); err != nil {
					t.Fatal(err)
				}
			}
			mustPut(t, v, name(9), noise(99, 33_000))
			parts := Parts(v)
			wantWhole(t, v, parts)
			stored := v.Image().Data
			for _, f := range v.Files() {
				want := mustGet(t, v, f.Name)
				if got := rebuilt(t, v, parts, f); !bytes.Equal(got, want) {
					t.Errorf("%s: what the parts name is not its content", f.Name)
				}
				links, err := Chain(v, f.Name)
				if err != nil || len(links) != f.Units {
					t.Fatalf("%s: %d links, want %d (%v)", f.Name, len(links), f.Units, err)
				}
				var along []byte
				for _, l := range links {
					var unit []byte
					for _, p := range l.Sectors {
						unit = append(unit, v.Image().Bytes(p)...)
					}
					along = append(along, unit[:l.Bytes]...)
				}
				if !bytes.Equal(along, want) {
					t.Errorf("%s: the sectors of its chain are not its content", f.Name)
				}
			}
			if _, err := Chain(v, "NONE"); err == nil {
				t.Error("a file that is not there has a chain")
			}
			if !bytes.Equal(stored, v.Image().Data) {
				t.Error("looking changed the image")
			}
		})
	}
}

// Bytes of doc/volumes.md, which come from the reference sheet of the class: entry 40h, its table bytes, the hash F3h
// of TIDE/CMD. Offsets of FAT12 after the FAT specification of 30 August 2005: 360 KiB disk, tables in sectors 1 to 4,
// root directory in 5 to 11, cluster 2 in sector 12; entry n of a table begins in byte n + n div 2. Offsets of the
// extent volume after the operating-system manual, 6.10: two reserved tracks of 26 sectors, sector order 1 7 13 ...
func TestPartsByTheBook(t *testing.T) {
	tide := noise(1, 3000)
	granule := mustNew(t, "granule", fm10(40, 1), NewOptions{Name: "TIDES"})
	mustPut(t, granule, "TIDE/CMD", tide)
	fat := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{})
	mustPut(t, fat, "TIDE.CMD", tide)
	ext := mustNew(t, "extent", fm26, NewOptions{})
	mustPut(t, ext, "TIDE.CMD", tide)
	const dir = 17 * 10 * 256 // of the granule volume
	const entry40 = dir + 2*256 + 2*32
	for _, tt := range []struct {
		v          Volume
		at         int
		name, what string
		file       string
	}{
		{granule, 2, "boot sector, directory cylinder", "17", ""},
		{granule, dir, "allocation table, cylinder 0", "FFh: all granules taken", ""},
		{granule, dir + 17, "allocation table, cylinder 17", "FFh: all granules taken; the directory", ""},
		{granule, dir + 0x60, "lock-out table, cylinder 0", "none locked out", ""},
		{granule, dir + 0xCF, "master password", "PASSWORD", ""},
		{granule, dir + 0xD0, "volume name", "TIDES", ""},
		{granule, dir + 0x100 + 0x40, "hash index, entry 40h", "F3h, hash of TIDE/CMD", "TIDE/CMD"},
		{granule, dir + 0x100, "hash index, entry 00h", "A2h, hash of BOOT/SYS", "BOOT/SYS"},
		{granule, entry40 + 3, "entry 40h, bytes in the last sector", "184", "TIDE/CMD"},
		{granule, entry40 + 5, "entry 40h, name", "TIDE", "TIDE/CMD"},
		{granule, entry40 + 20, "entry 40h, sectors", "12; with the last sector's bytes the file is 3000 bytes in 12 sectors", "TIDE/CMD"},
		{granule, entry40 + 22, "entry 40h, extent 1", "cylinder 0, from granule 1 on, 3 granules", "TIDE/CMD"},
		{granule, entry40 + 24, "entry 40h, extent 2", "FF FF: the extents end", "TIDE/CMD"},
		{granule, 5 * 256, "cylinder 0, head 0, sector 5", "TIDE/CMD, granule 1 of 3 (cylinder 0 granule 1): bytes 0 to 255", "TIDE/CMD"},
		{granule, 16*256 + 183, "cylinder 1, head 0, sector 6", "bytes 2816 to 2999, the last", "TIDE/CMD"},
		{granule, 16*256 + 184, "cylinder 1, head 0, sector 6, rest", "behind the end of TIDE/CMD", "TIDE/CMD"},
		{granule, 20 * 256, "cylinder 2, head 0, sector 0", "free (cylinder 2 granule 0)", ""},
		{fat, 0x0D, "boot sector, sectors a cluster", "2", ""},
		{fat, 0x15, "boot sector, media byte", "FDh", ""},
		{fat, 0x200 + 3, "table 1, entry 2", "003h: cluster 3 follows; TIDE.CMD", "TIDE.CMD"},
		{fat, 0x200 + 4, "table 1, entries 2 and 3", "entry 2: 003h: cluster 3 follows; TIDE.CMD; entry 3: 004h: cluster 4 follows; TIDE.CMD", "TIDE.CMD"},
		{fat, 0x200 + 6, "table 1, entry 4", "FFFh: the end of the chain", "TIDE.CMD"},
		{fat, 0x600 + 3, "table 2, entry 2", "003h: cluster 3 follows", "TIDE.CMD"},
		{fat, 0xA00, "root directory, entry 0, name", "TIDE", "TIDE.CMD"},
		{fat, 0xA00 + 26, "root directory, entry 0, first cluster", "2", "TIDE.CMD"},
		{fat, 0xA00 + 28, "root directory, entry 0, size", "3000 bytes", "TIDE.CMD"},
		{fat, 0xA00 + 24, "root directory, entry 0, written, date", "1980-01-01", "TIDE.CMD"},
		{fat, 12 * 512, "cylinder 0, head 1, sector 4", "TIDE.CMD, cluster 1 of 3 (cluster 2): bytes 0 to 511", "TIDE.CMD"},
		{fat, 18 * 512, "cylinder 1, head 0, sector 1", "free (cluster 5)", ""},
		{ext, 51 * 128, "reserved track 1, sector 26 of the track", "loader and system", ""},
		{ext, 52 * 128, "entry 0, user", "0", "0:TIDE.CMD"},
		{ext, 52*128 + 15, "entry 0, records of the last extent", "24; the entry reaches 24 records, 3072 bytes", "0:TIDE.CMD"},
		{ext, 52*128 + 16, "entry 0, block 1 of 16", "block 2", "0:TIDE.CMD"},
		{ext, (52 + 6) * 128, "entry 4", "free", ""},                                                                                    // record 1 lies in sector 7
		{ext, (52 + 25) * 128, "cylinder 2, head 0, sector 26", "0:TIDE.CMD, block 1 of 3 (block 2): bytes 128 to 255", "0:TIDE.CMD"},   // record 17
		{ext, (78 + 18) * 128, "cylinder 3, head 0, sector 19", "0:TIDE.CMD, block 2 of 3 (block 3): bytes 1664 to 1791", "0:TIDE.CMD"}, // record 29: track 3, fourth
	} {
		p := partAt(t, Parts(tt.v), tt.at)
		if p.Name != tt.name || !strings.Contains(p.What, tt.what) || p.File != tt.file {
			t.Errorf("%s byte %Xh: %+v, want %q, %q, %q", tt.v.Kind(), tt.at, p, tt.name, tt.what, tt.file)
		}
	}
	links, err := Chain(granule, "TIDE/CMD")
	if err != nil || len(links) != 3 || links[1].Place != "cylinder 1 granule 0" || links[1].Sectors[0] != (disk.Place{Cylinder: 1}) || links[2].Bytes != 3000-2*1280 {
		t.Errorf("chain: %+v, %v", links, err)
	}
}

// Two files on one cluster: the sector names both.
func TestPartsOfSharedUnits(t *testing.T) {
	v := mustNew(t, "fat12", mfm(9, 40, 2), NewOptions{})
	mustPut(t, v, "ONE.DAT", noise(1, 3000))
	mustPut(t, v, "TWO.DAT", noise(2, 3000))
	f := v.(*fat12)
	f.link(6, 3) // the second cluster of TWO.DAT leads into ONE.DAT
	parts := Parts(v)
	wantWhole(t, v, parts)
	if p := partAt(t, parts, f.offset(3)); !strings.Contains(p.What, "ONE.DAT, cluster 2 of 3") || !strings.Contains(p.What, "TWO.DAT holds it as well") {
		t.Errorf("%+v", p)
	}
}

func FuzzParts(f *testing.F) {
	var images [][]byte
	for _, c := range churned {
		v := mustNew(f, c.kind, c.rec, c.o)
		for n, name := range map[string][]string{"granule": {"A/DAT", "B/DAT"}, "fat12": {"SUB/A.DAT", "B.DAT"}, "extent": {"0:A.DAT", "1:B.DAT"}}[c.kind] {
			mustPut(f, v, name, noise(int64(n), 30_000))
		}
		images = append(images, v.Image().Data)
	}
	f.Add(uint8(0), uint32(17*10*256+2*256+0x40+22), []byte{0xFE, 0xFE, 0x11, 0x3F})
	f.Add(uint8(1), uint32(2), []byte{200})
	f.Add(uint8(2), uint32(0x203), []byte{2, 0, 0, 0xF7, 0x7F})
	f.Add(uint8(3), uint32(52*128+12), []byte{31, 0, 63, 0x80, 1, 255})
	f.Add(uint8(4), uint32(0), []byte{0xE5})
	f.Fuzz(func(t *testing.T, kind uint8, at uint32, patch []byte) {
		c := churned[int(kind)%len(churned)]
		data := bytes.Clone(images[int(kind)%len(churned)])
		copy(data[int(at)%len(data):], patch)
		v, _, err := Open(data, Options{Kind: c.kind, Parameters: c.o.Parameters})
		if err != nil {
			return
		}
		wantWhole(t, v, Parts(v))
		for i, x := range v.Files() {
			if i == 8 {
				break
			}
			if _, err := Chain(v, x.Name); err != nil {
				t.Fatalf("%q is listed, but has no chain: %v", x.Name, err)
			}
		}
	})
}

func BenchmarkParts(b *testing.B) {
	v := mustNew(b, "fat12", mfm(18, 80, 2), NewOptions{})
	for n := range 40 {
		mustPut(b, v, fmt.Sprintf("N%d.DAT", n), noise(int64(n), 30_000))
	}
	b.SetBytes(int64(len(v.Image().Data)))
	for b.Loop() {
		if len(Parts(v)) == 0 {
			b.Fatal("no parts")
		}
	}
}
