package program

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// outside runs a program that is not ours; package names the Debian package that has it.
func outside(t *testing.T, pkg, name string, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("needs %s (Debian package %s; make tools installs it): %v", name, pkg, err)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return out
}

func write(t *testing.T, dir, name string, data []byte) string {
	t.Helper()
	p := filepath.Join(dir, name)
	if err := os.WriteFile(p, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return p
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// memories to convert: one area, odd ends, two areas, above 64 KiB.
func memories() map[string]Memory {
	rng := rand.New(rand.NewPCG(3, 4))
	noise := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	at := func(e int) *int { return &e }
	return map[string]Memory{
		"one":   {Name: "HERON", Entry: at(0x5200), Segments: []Segment{{0x5200, noise(700)}}},
		"odd":   {Name: "TIDE", Entry: at(0x6003), Segments: []Segment{{0x5FFF, noise(257)}}},
		"two":   {Name: "KNOT", Entry: at(0x7000), Segments: []Segment{{0x4A00, noise(33)}, {0x7000, noise(1)}}},
		"top":   {Name: "TOP", Entry: at(0xFFFF), Segments: []Segment{{0xFF01, noise(255)}}},
		"large": {Name: "WIDE", Entry: at(0x12345), Segments: []Segment{{0x0FFF0, noise(40)}, {0x12345, noise(70)}}},
	}
}

// TestHexAgainstOthers: what we write, srec_cat and objcopy read to the same bytes; what they write, we read.
func TestHexAgainstOthers(t *testing.T) {
	for name, m := range memories() {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			flat := m.Flat()
			first := flat.Segments[0].Address
			want := make([]byte, flat.Segments[len(flat.Segments)-1].End()-first)
			for _, s := range flat.Segments {
				copy(want[s.Address-first:], s.Data)
			}
			for _, f := range []struct {
				kind          Kind
				build         func(Memory, HexOptions) ([]byte, error)
				parse         func([]byte) (Memory, []Fault)
				srec, objcopy string
			}{
				{IntelHex, BuildIntelHex, ParseIntelHex, "-intel", "ihex"},
				{SRecord, BuildSRecord, ParseSRecord, "-motorola", "srec"},
			} {
				ours, err := f.build(m, HexOptions{})
				if err != nil {
					t.Fatal(err)
				}
				file := write(t, dir, "ours", ours)
				bin := filepath.Join(dir, "out.bin")
				// srec_cat (srecord): to raw bytes, moved down to 0, gaps filled with 0
				outside(t, "srecord", "srec_cat", file, f.srec, "-offset", fmt.Sprintf("-%d", first), "-fill", "0", "0", fmt.Sprint(len(want)), "-o", bin, "-binary")
				if !bytes.Equal(read(t, bin), want) {
					t.Errorf("%s: srec_cat reads other bytes from ours", f.kind)
				}
				outside(t, "binutils", "objcopy", "-I", f.objcopy, "-O", "binary", file, bin)
				if !bytes.Equal(read(t, bin), want) {
					t.Errorf("%s: objcopy reads other bytes from ours", f.kind)
				}
				// theirs, from the bytes of the first area alone
				raw := write(t, dir, "raw", flat.Segments[0].Data)
				hexFile := filepath.Join(dir, "theirs")
				outside(t, "srecord", "srec_cat", raw, "-binary", "-offset", fmt.Sprint(first), "-execution-start-address", fmt.Sprint(first), "-o", hexFile, f.srec)
				part := Memory{Segments: flat.Segments[:1]}
				got, faults := f.parse(read(t, hexFile))
				got.Entry, got.Name = nil, ""
				if len(faults) > 0 || !got.Equal(part) {
					t.Errorf("%s: srec_cat's file reads as %v, faults %v", f.kind, got.Ranges(), faults)
				}
				outside(t, "binutils", "objcopy", "-I", "binary", "-O", f.objcopy, fmt.Sprintf("--change-addresses=%d", first), raw, hexFile)
				got, faults = f.parse(read(t, hexFile))
				got.Entry, got.Name = nil, ""
				if len(faults) > 0 || !got.Equal(part) {
					t.Errorf("%s: objcopy's file reads as %v, faults %v", f.kind, got.Ranges(), faults)
				}
			}
		})
	}
}

// TestEntryAgainstOthers: srec_cat writes entries (-execution-start-address) that we read, and reads ours.
func TestEntryAgainstOthers(t *testing.T) {
	dir := t.TempDir()
	raw := write(t, dir, "raw", ramp(1, 40))
	for _, f := range []struct {
		kind Kind
		flag string
	}{{IntelHex, "-intel"}, {SRecord, "-motorola"}} {
		file := filepath.Join(dir, "theirs")
		outside(t, "srecord", "srec_cat", raw, "-binary", "-offset", "0x5200", "-execution-start-address", "0x5203", "-o", file, f.flag)
		if r := Inspect(read(t, file)); r.Kind != f.kind || !r.Whole || r.Entry == nil || *r.Entry != 0x5203 {
			t.Errorf("%s: %s, whole %v, entry %v, %v", f.kind, r.Kind, r.Whole, r.Entry, r.Faults)
		}
	}
}

// TestPublishedRecords holds the reader and writer to the check values of the standards sheet (42 to 44).
func TestPublishedRecords(t *testing.T) {
	for _, c := range []struct{ src, line string }{
		{"S29, published example", ":04FEDC00210080CFB2"},
		{"computed, objcopy agrees", ":050100003E05D301766D"},
		{"computed", ":10010000214601360121470136007EFE09D2190140"},
		{"computed", ":020000040001F9"},
		{"computed", ":020000021000EC"},
		{"S29", ":00000001FF"},
		{"S29, published example", "S107FEDC210080CFAE"},
		{"computed", "S10801003E05D3017669"},
		{"computed", "S9030100FB"},
		{"computed", "S00600004844521B"},
		{"S30, header without address bytes", "S008763330627567736D"},
	} {
		end := "\n:00000001FF\n"
		if c.line[0] == 'S' {
			end = "\nS9030000FC\n"
		}
		if c.line == ":00000001FF" || c.line[:2] == "S9" {
			end = "\n"
		}
		for _, f := range Inspect([]byte(c.line + end)).Faults {
			if f.Class == Checksum || f.Class == BadRecord {
				t.Errorf("%s (%s): %v", c.line, c.src, f)
			}
		}
	}
	at := 0x0100
	m := Memory{Name: "HDR", Entry: &at, Segments: []Segment{{0x0100, []byte{0x3E, 0x05, 0xD3, 0x01, 0x76}}}}
	ihex, _ := BuildIntelHex(m, HexOptions{})
	if want := ":050100003E05D301766D\n:0400000500000100F6\n:00000001FF\n"; string(ihex) != want {
		t.Errorf("intel hex: %q, want %q", ihex, want)
	}
	srec, _ := BuildSRecord(m, HexOptions{})
	if want := "S00600004844521B\nS10801003E05D3017669\nS5030001FB\nS9030100FB\n"; string(srec) != want {
		t.Errorf("s-record: %q, want %q", srec, want)
	}
}
