package program

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The samples here are put together byte by byte from the reference sheets, not by the builders of this package.

// cat joins bytes, numbers and strings.
func cat(parts ...any) []byte {
	var out []byte
	for _, p := range parts {
		switch p := p.(type) {
		case int:
			out = append(out, byte(p))
		case string:
			out = append(out, p...)
		case []byte:
			out = append(out, p...)
		}
	}
	return out
}

// ramp is n bytes 00, 01, 02 ... from v on, which is no fill and no text.
func ramp(v, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(v + 7*i)
	}
	return b
}

// record is a data record of a load module (sheet: "Load module").
func record(address int, data []byte) []byte {
	return cat(1, len(data)+2, address, address>>8, data)
}

// tapeBlockOf is a block of a machine-code tape (sheet: "Block forms after the sync byte").
func tapeBlockOf(address int, data []byte) []byte {
	sum := address + address>>8
	for _, c := range data {
		sum += int(c)
	}
	return cat(0x3C, len(data), address, address>>8, data, sum)
}

// basicLineOf is a line of a tokenised program.
func basicLineOf(next, number int, text string) []byte {
	return cat(next, next>>8, number, number>>8, text, 0)
}

type sample struct {
	name   string
	data   []byte
	kind   Kind
	faults []Fault // class and offset
	ranges [][2]int
	entry  int // -1: none
	ram    int
}

func samples() []sample {
	module := cat(5, 6, "HERON ", record(0x5200, ramp(1, 256)), record(0x5300, ramp(9, 100)))
	transfer := cat(2, 2, 0, 0x52)
	whole := cat(module, transfer)
	tape := cat(0x55, "TIDE  ", tapeBlockOf(0x4A00, ramp(3, 256)), tapeBlockOf(0x4B00, ramp(5, 40)))
	tapeEnd := cat(0x78, 0, 0x4A)
	// 10 PRINT "HI"  /  20 GOTO 10, linked for 42E9 (tape) and for 6A00 (disk); tokens B2 and 8D of the sheet
	lines := func(base int) []byte {
		one := base + 4 + 6 + 1
		return cat(basicLineOf(one, 10, "\xB2 \"HI\""), basicLineOf(one+4+4+1, 20, "\x8D 10"), 0, 0)
	}
	stale := lines(0x6A00)
	stale[11] ^= 0x40 // the link of line 20
	// E1: 3E 05 D3 01 76 at 0100h is :050100003E05D301766D (objcopy agrees); here at 5200h, so 5 less in the sum: 6D-51=1C
	hexFile := ":055200003E05D301761C\n:0400000500005200A5\n:00000001FF\n"
	srec := "S00600004844521B\nS10852003E05D3017618\nS5030001FB\nS9035200AA\n"
	bits := func(fs ...Fault) []Fault { return fs }
	f := func(c Class, at int) Fault { return Fault{Class: c, Offset: int64(at)} }
	n := len(module)
	return []sample{
		{"module", whole, LoadModule, nil, [][2]int{{0x5200, 0x5364}}, 0x5200, 16},
		{"module, length byte 2 for 256 data bytes, end of 48 KiB", cat(record(0xFF00, ramp(1, 256)), 2, 2, 0, 0xFF), LoadModule, nil, [][2]int{{0xFF00, 0x10000}}, 0xFF00, 48},
		{"module, length byte 0 for 254", cat(1, 0, 0, 0x80, ramp(1, 254), 2, 2, 0, 0x80), LoadModule, nil, [][2]int{{0x8000, 0x80FE}}, 0x8000, 32},
		{"module, end without entry", cat(module, 3, 0), LoadModule, nil, [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module, end without entry, no length", cat(module, 3), LoadModule, nil, [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module, end without entry, length 2", cat(module, 3, 2, 0, 0), LoadModule, nil, [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module, patch and copyright skipped", cat(5, 4, "TERN", 7, 3, "FIX", 0x1F, 4, "1979", record(0x7FFF, []byte{0xC9, 0}), 2, 2, 0xFF, 0x7F), LoadModule, nil, [][2]int{{0x7FFF, 0x8001}}, 0x7FFF, 32},
		{"module cut in a record", whole[:200], LoadModule, bits(f(Truncated, 200)), nil, -1, 0},
		{"module cut in the transfer record", whole[:len(whole)-1], LoadModule, bits(f(Truncated, n+3)), [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module without an end", module, LoadModule, bits(f(NoEnd, n)), [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module with bytes after the end", cat(whole, ramp(7, 90)), LoadModule, bits(f(Trailing, n+4)), [][2]int{{0x5200, 0x5364}}, 0x5200, 16},
		{"module, entry below", cat(module, 2, 2, 0xFF, 0x51), LoadModule, bits(f(EntryOutside, n)), [][2]int{{0x5200, 0x5364}}, 0x51FF, 16},
		{"module, entry one past the end", cat(module, 2, 2, 0x64, 0x53), LoadModule, bits(f(EntryOutside, n)), [][2]int{{0x5200, 0x5364}}, 0x5364, 16},
		{"module, overlap by a byte", cat(module, record(0x5363, ramp(4, 20)), transfer), LoadModule, bits(f(Overlap, n)), [][2]int{{0x5200, 0x5377}}, 0x5200, 16},
		{"module, earlier addresses later", cat(record(0x6000, ramp(1, 99)), record(0x5FF0, ramp(1, 17)), 2, 2, 0, 0x60), LoadModule, bits(f(Overlap, 103)), [][2]int{{0x5FF0, 0x6063}}, 0x6000, 16},
		{"module, bad record", cat(module, 0x7A, whole), LoadModule, bits(f(BadRecord, n)), [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module past FFFF", cat(record(0xFFF0, ramp(1, 32)), 2, 2, 0xF0, 0xFF), LoadModule, bits(f(BadRecord, 0)), [][2]int{{0xFFF0, 0x10000}}, 0xFFF0, 48},
		{"module, transfer record of one byte", cat(module, 2, 1, 0), LoadModule, bits(f(BadRecord, n)), [][2]int{{0x5200, 0x5364}}, -1, 16},
		{"module with a damaged first byte", cat(0x85, whole[1:]), LoadModule, bits(f(BadRecord, 0)), [][2]int{{0x5200, 0x5364}}, 0x5200, 16},

		{"tape, bare", cat(tape, tapeEnd), MachineTape, nil, [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape with sync", cat(0xA5, tape, tapeEnd), MachineTape, nil, [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape with leader", cat(make([]byte, 256), 0xA5, tape, tapeEnd), MachineTape, nil, [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape with a damaged sync", cat(make([]byte, 256), 0xA4, tape, tapeEnd), MachineTape, bits(f(BadRecord, 256)), [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape, data bit", flip(cat(tape, tapeEnd), 100), MachineTape, bits(f(Checksum, 7)), [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape, sum of the last block", flip(cat(tape, tapeEnd), len(tape)-1), MachineTape, bits(f(Checksum, 7+261)), [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape cut in a block", cat(tape, tapeEnd)[:280], MachineTape, bits(f(Truncated, 280)), [][2]int{{0x4A00, 0x4B00}}, -1, 16},
		{"tape cut in the entry", cat(tape, 0x78, 0), MachineTape, bits(f(Truncated, len(tape)+2)), [][2]int{{0x4A00, 0x4B28}}, -1, 16},
		{"tape without entry", tape, MachineTape, bits(f(NoEnd, len(tape))), [][2]int{{0x4A00, 0x4B28}}, -1, 16},
		{"tape, trailing", cat(tape, tapeEnd, ramp(1, 77)), MachineTape, bits(f(Trailing, len(tape)+3)), [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape, entry in a gap", cat(tape, 0x78, 0, 0x50), MachineTape, bits(f(EntryOutside, len(tape))), [][2]int{{0x4A00, 0x4B28}}, 0x5000, 16},
		{"tape, damaged mark", flip(cat(tape, tapeEnd), 0), MachineTape, bits(f(BadRecord, 0)), [][2]int{{0x4A00, 0x4B28}}, 0x4A00, 16},
		{"tape, block mark damaged", flip(cat(tape, tapeBlockOf(0x4B28, ramp(1, 9)), tapeEnd), 7+261), MachineTape, bits(f(BadRecord, 7+261), f(Truncated, 0))[:1], [][2]int{{0x4A00, 0x4B00}, {0x4B28, 0x4B31}}, 0x4A00, 16},

		{"BASIC tape", cat(0xD3, 0xD3, 0xD3, "T", lines(0x42E9)), BASICTape, nil, [][2]int{{0x42E9, 0x42FF}}, -1, 16},
		{"BASIC tape with leader", cat(make([]byte, 256), 0xA5, 0xD3, 0xD3, 0xD3, "T", lines(0x42E9)), BASICTape, nil, [][2]int{{0x42E9, 0x42FF}}, -1, 16},
		{"BASIC disk", cat(0xFF, lines(0x6A00)), BASICDisk, nil, [][2]int{{0x6A00, 0x6A16}}, -1, 16},
		{"BASIC disk, stale link", cat(0xFF, stale, ""), BASICDisk, bits(f(Links, 12)), [][2]int{{0x6A00, 0x6A16}}, -1, 16},
		{"BASIC tape, one link of two is stale", flip(cat(0xD3, 0xD3, 0xD3, "T", lines(0x42E9)), 4), BASICTape, bits(f(Links, 4)), [][2]int{{0x42E9, 0x42FF}}, -1, 16},
		{"BASIC disk, end missing", cat(0xFF, lines(0x6A00))[:21], BASICDisk, bits(f(Truncated, 21)), [][2]int{{0x6A00, 0x6A14}}, -1, 16},
		{"BASIC tape cut in a line", cat(0xD3, 0xD3, 0xD3, "T", lines(0x42E9))[:20], BASICTape, bits(f(Truncated, 20)), [][2]int{{0x42E9, 0x42F4}}, -1, 16},
		{"BASIC disk, trailing", cat(0xFF, lines(0x6A00), ramp(1, 9)), BASICDisk, bits(f(Trailing, 23)), [][2]int{{0x6A00, 0x6A16}}, -1, 16},

		{"HEX", []byte(hexFile), IntelHex, nil, [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX, CR LF and fill", []byte(strings.ReplaceAll(hexFile, "\n", "\r\n") + "\x1A\x1A"), IntelHex, nil, [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX, entry in the end record", []byte(":055200003E05D301761C\n:00520001AD\n"), IntelHex, nil, [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX, entry as segment", []byte(":055200003E05D301761C\n:0400000305000200F2\n:00000001FF\n"), IntelHex, nil, [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX, a data digit", []byte(strings.Replace(hexFile, "3E05", "3F05", 1)), IntelHex, bits(f(Checksum, 0)), [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX without end", []byte(hexFile[:41]), IntelHex, bits(f(NoEnd, 41)), [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX cut in a line", []byte(hexFile[:30]), IntelHex, bits(f(Truncated, 30)), [][2]int{{0x5200, 0x5205}}, -1, 16},
		{"HEX, text after the end", []byte(hexFile + "NOTES\n"), IntelHex, bits(f(Trailing, len(hexFile))), [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"HEX, the same twice", []byte(hexFile[:22] + hexFile), IntelHex, bits(f(Overlap, 22)), [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"S-records", []byte(srec), SRecord, nil, [][2]int{{0x5200, 0x5205}}, 0x5200, 16},
		{"S-records, entry elsewhere", []byte(strings.Replace(srec, "S9035200AA", "S9036900 93", 1)), SRecord, bits(f(BadRecord, 0)), nil, -1, 0},
		{"S-records, one missing", []byte(strings.Replace(srec, "S5030001FB", "S5030002FA", 1)), SRecord, bits(f(BadRecord, 38)), [][2]int{{0x5200, 0x5205}}, 0x5200, 16},

		{"text", []byte("Tide tables for the Heron.\rRead the notes first.\r"), Text, nil, nil, -1, 0},
		{"listing", []byte("10 PRINT \"HI\"\r20 GOTO 10\r"), Text, nil, nil, -1, 0},
		{"text with CR LF", []byte("One line.\r\nAnother.\r\n"), Text, bits(f(LineEnds, 9)), nil, -1, 0},
		{"text with LF", []byte("One line.\nAnother.\n"), Text, bits(f(LineEnds, 9)), nil, -1, 0},
		{"text with both", []byte("One line.\rAnother.\nThird.\r"), Text, bits(f(LineEnds, 18)), nil, -1, 0},
		{"text with graphics", []byte("SCORE \x8C\x8C\xBF 100\rEND\r"), Text, nil, nil, -1, 0},
		{"text with a control", []byte("A long enough line of plain text, and one more.\x02\r"), Text, bits(f(BadCharacters, 47)), nil, -1, 0},

		{"WAV", wavOf(100, 100), Audio, nil, nil, -1, 0},
		{"WAV cut", wavOf(100, 60), Audio, bits(f(Truncated, 44+60)), nil, -1, 0},
		{"FLAC", cat("fLaC", 0x80, 0, 0, 34, 0x10, 0, 0x10, 0, 0, 0, 0xF, 0, 0, 0xF, 0x0A, 0xC4, 0x42, 0xF0, make([]byte, 20)), Audio, nil, nil, -1, 0},
		{"capture", captureOf(0), Captures, nil, nil, -1, 0},
		{"capture, CRC", captureOf(1), Captures, bits(f(Checksum, len(captureOf(0))-9)), nil, -1, 0},
		{"capture cut", captureOf(0)[:95], Captures, bits(f(Truncated, 95)), nil, -1, 0},
		{"empty", nil, Unknown, bits(f(Empty, 0)), nil, -1, 0},
		{"blank medium", bytes.Repeat([]byte{0xE5}, 4096), Unknown, bits(f(NotAProgram, 0)), nil, -1, 0},
	}
}

func flip(b []byte, at int) []byte { b = bytes.Clone(b); b[at] ^= 0x04; return b }

// wavOf is a WAV head (standards sheet E3) that says n bytes and has k.
func wavOf(n, k int) []byte {
	le := func(v, n int) []byte { b := binary.LittleEndian.AppendUint32(nil, uint32(v)); return b[:n] }
	return cat("RIFF", le(36+n, 4), "WAVE", "fmt ", le(16, 4), le(1, 2), le(1, 2), le(44100, 4), le(88200, 4), le(2, 2), le(16, 2), "data", le(n, 4), make([]byte, k))
}

// captureOf is an interval capture as intervals.md describes it; add is added to its CRC.
func captureOf(add uint32) []byte {
	head := "remanence-intervals 1\ntick-ns 25\ncylinder 3\nhead 1\nindex\ntransitions 4\nnote heron disk 7\n\n"
	b := cat(head, 0xA0, 1, 0xC0, 2, 5, 0)
	return cat(b, fmt.Sprintf("\ncrc32 %08x\n", crc32.ChecksumIEEE(b)+add))
}

func TestInspect(t *testing.T) {
	for _, s := range samples() {
		t.Run(s.name, func(t *testing.T) {
			r := Inspect(s.data)
			if r.Kind != s.kind {
				t.Fatalf("kind %s, want %s; %v", r.Kind, s.kind, r.Faults)
			}
			if r.Whole != (len(s.faults) == 0) {
				t.Errorf("whole %v, want %v; %v", r.Whole, len(s.faults) == 0, r.Faults)
			}
			if s.name == "S-records, entry elsewhere" { // a blank in a line: what matters is that it is not whole
				return
			}
			var got []Fault
			for _, f := range r.Faults {
				got = append(got, Fault{Class: f.Class, Offset: f.Offset})
			}
			if d := cmp.Diff(s.faults, got); d != "" {
				t.Errorf("faults (- want, + got):\n%s%v", d, r.Faults)
			}
			if d := cmp.Diff(s.ranges, r.LoadRanges); d != "" {
				t.Errorf("ranges (- want, + got):\n%s", d)
			}
			entry := -1
			if r.Entry != nil {
				entry = *r.Entry
			}
			if entry != s.entry || r.RAMKiB != s.ram {
				t.Errorf("entry %d, %d KiB; want %d, %d", entry, r.RAMKiB, s.entry, s.ram)
			}
		})
	}
}

// TestNoiseIsUnknown: nothing must decode to nothing. Weak forms get noise that begins as they do.
func TestNoiseIsUnknown(t *testing.T) {
	rng := rand.New(rand.NewPCG(1979, 7))
	const files = 20000
	taken := map[Kind]int{}
	for i := range files {
		b := make([]byte, 16+rng.IntN(600))
		for j := range b {
			b[j] = byte(rng.Uint32())
		}
		if heads := []byte{1, 5, 0x55, 0xFF, 0xD3, ':', 'S', 0xA5, 0}; i%10 < len(heads) {
			b[0] = heads[i%10]
		}
		if r := Inspect(b); r.Kind != Unknown {
			taken[r.Kind]++
			t.Logf("%s: % x", r.Kind, b[:16])
		}
	}
	total := 0
	for _, n := range taken {
		total += n
	}
	if total > 2 {
		t.Errorf("%d of %d files of noise taken for programs: %v", total, files, taken)
	}
	big := make([]byte, 1<<20)
	for j := range big {
		big[j] = byte(rng.Uint32())
	}
	for _, b := range [][]byte{big, make([]byte, 102400), bytes.Repeat([]byte{0x4E}, 3125), bytes.Repeat([]byte{0xF6}, 1000), []byte("PK\x05\x06"), []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x01\x00\x00\x00\x01\x00\x08\x06\x00\x00\x00")} {
		if r := Inspect(b); r.Kind != Unknown && !(r.Kind == Text && b[0] == 'N') {
			t.Errorf("%d bytes beginning % x are %s, want unknown", len(b), b[:8], r.Kind)
		}
	}
}

// TestOneWrongCharacter: a HEX or S-record file with any single character altered stays one, and is not whole. Other
// case of a digit and blanks for a line end change nothing and are left out.
func TestOneWrongCharacter(t *testing.T) {
	m := Memory{Name: "TIDE", Segments: []Segment{{0x5200, ramp(3, 70)}, {0x6000, ramp(9, 21)}}}
	entry := 0x5200
	m.Entry = &entry
	ihex, err := BuildIntelHex(m, HexOptions{})
	if err != nil {
		t.Fatal(err)
	}
	srec, err := BuildSRecord(m, HexOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for kind, file := range map[Kind][]byte{IntelHex: ihex, SRecord: srec} {
		if r := Inspect(file); r.Kind != kind || !r.Whole {
			t.Fatalf("%s: %s %v", kind, r.Kind, r.Faults)
		}
		for i := range file {
			for _, c := range []byte("09AFGS:;X \x00\x7F\x80\xFF!") {
				if c == file[i] || c == ' ' && file[i] == '\n' {
					continue
				}
				b := bytes.Clone(file)
				b[i] = c
				r := Inspect(b)
				if r.Kind != kind {
					t.Errorf("%s, offset %d, %q for %q: %s", kind, i, c, file[i], r.Kind)
				}
				if r.Whole && !(i == len(file)-1 && (c == 0 || c == ' ')) {
					t.Errorf("%s, offset %d, %q for %q: called whole", kind, i, c, file[i])
				}
			}
		}
	}
}

// TestFaultsAreBounded: a hostile file must not make a large report.
func TestFaultsAreBounded(t *testing.T) {
	b := bytes.Repeat(record(0x5200, []byte{1}), 200000)
	r := Inspect(b)
	if r.Kind != LoadModule || len(r.Faults) > maxFaults || len(r.Notes) > maxNotes {
		t.Fatalf("%s, %d faults, %d notes", r.Kind, len(r.Faults), len(r.Notes))
	}
	if !slices.ContainsFunc(r.Notes, func(s string) bool { return strings.Contains(s, "more faults") }) {
		t.Errorf("no note of the faults left out: %v", r.Notes)
	}
	var wide []byte // every other address: as many ranges as can be
	for a := 0x4000; a < 0x10000; a += 2 {
		wide = append(wide, record(a, []byte{1})...)
	}
	if r := Inspect(wide); len(r.LoadRanges) > maxRanges {
		t.Errorf("%d ranges", len(r.LoadRanges))
	}
}

func TestTargets(t *testing.T) {
	heron := Target{Name: "heron", ROMEnd: 0x3000, RAMStart: 0x4000, RAMChoicesKiB: []int{16, 32}, SystemFirst: 0x4000, SystemEnd: 0x5200,
		Kinds: []Kind{LoadModule, MachineTape, BASICDisk}}
	board := Target{Name: "board", RAMStart: 0x0200, RAMChoicesKiB: []int{4}, Kinds: []Kind{Text}}
	targets := []Target{heron, board}
	for _, c := range []struct {
		what  string
		r     Report
		on    string
		clash string
	}{
		{"module", Report{Kind: LoadModule, LoadRanges: [][2]int{{0x5200, 0x6000}}}, "heron", ""},
		{"module up to the last byte", Report{Kind: LoadModule, LoadRanges: [][2]int{{0x5200, 0xC000}}}, "heron", ""},
		{"module above the memory", Report{Kind: LoadModule, LoadRanges: [][2]int{{0x5200, 0xC001}}}, "", ""},
		{"module over the system", Report{Kind: LoadModule, LoadRanges: [][2]int{{0x51FF, 0x5300}}}, "", "51FFh-51FFh"},
		{"tape over the system", Report{Kind: MachineTape, LoadRanges: [][2]int{{0x4A00, 0x5300}}}, "heron", "4A00h-51FFh"},
		{"module in ROM", Report{Kind: LoadModule, LoadRanges: [][2]int{{0x100, 0x200}}}, "", ""},
		{"HEX over the system, which may go to tape", Report{Kind: IntelHex, LoadRanges: [][2]int{{0x4A00, 0x5300}}}, "heron", "4A00h-51FFh"},
		{"BASIC", Report{Kind: BASICDisk, LoadRanges: [][2]int{{0x4A00, 0x5300}}}, "heron", ""},
		{"text", Report{Kind: Text}, "board", ""},
		{"unknown", Report{Kind: Unknown}, "", ""},
	} {
		if got := strings.Join(c.r.RunsOn(targets), " "); got != c.on {
			t.Errorf("%s runs on %q, want %q", c.what, got, c.on)
		}
		clash := ""
		if x := c.r.ClashesWith(heron); len(x) > 0 {
			clash = rangesText(x)
		}
		if clash != c.clash {
			t.Errorf("%s clashes at %q, want %q", c.what, clash, c.clash)
		}
	}
}

// TestRAMNeeded: 16 KiB end at 7FFF, 32 at BFFF, 48 at FFFF (sheet: "Processor, memory, ports").
func TestRAMNeeded(t *testing.T) {
	for end, want := range map[int]int{0x4001: 16, 0x8000: 16, 0x8001: 32, 0xC000: 32, 0xC001: 48, 0x10000: 48, 0x10001: 0} {
		if got := RAMNeeded(end); got != want {
			t.Errorf("end %Xh: %d, want %d", end, got, want)
		}
	}
}
