package program

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// anyMemory draws one to four areas that do not overlap.
func anyMemory(t *rapid.T) Memory {
	m := Memory{Name: rapid.StringMatching(`[A-Z][A-Z0-9]{0,5}`).Draw(t, "name")}
	at := 0x4000
	for range rapid.IntRange(1, 4).Draw(t, "areas") {
		at += rapid.IntRange(0, 3000).Draw(t, "gap")
		data := rapid.SliceOfN(rapid.Byte(), 1, 700).Draw(t, "data")
		m.Segments = append(m.Segments, Segment{at, data})
		at += len(data)
	}
	s := m.Segments[rapid.IntRange(0, len(m.Segments)-1).Draw(t, "entry in")]
	e := s.Address + rapid.IntRange(0, len(s.Data)-1).Draw(t, "entry at")
	m.Entry = &e
	return m
}

// TestCodeRoundTrip: memory, entry and name survive every way between the forms, and Inspect calls each one whole.
func TestCodeRoundTrip(t *testing.T) {
	kinds := []Kind{LoadModule, MachineTape, IntelHex, SRecord}
	rapid.Check(t, func(t *rapid.T) {
		m := anyMemory(t)
		file, err := BuildModule(m)
		if err != nil {
			t.Fatal(err)
		}
		for range 4 {
			to := rapid.SampledFrom(kinds).Draw(t, "to")
			c, err := Convert(file, ConvertOptions{To: to, Name: m.Name, Tape: TapeOptions{Leader: rapid.Bool().Draw(t, "leader")},
				Hex: HexOptions{LineBytes: rapid.IntRange(0, 40).Draw(t, "line")}})
			if err != nil {
				t.Fatal(err)
			}
			file = c.Data
			r := Inspect(file)
			if r.Kind != to || !r.Whole {
				t.Fatalf("made as %s: %s, %v", to, r.Kind, r.Faults)
			}
			if got, _ := MemoryOf(to, file); !got.Equal(m) || to != IntelHex && got.Name != m.Name {
				t.Fatalf("%s: %v %v, want %v", to, got.Name, got.Ranges(), m.Ranges())
			}
			if !slices.Equal(r.LoadRanges, m.Ranges()) {
				t.Fatalf("%s: ranges %v, want %v", to, r.LoadRanges, m.Ranges())
			}
		}
	})
}

// TestSplitAndJoin: the parts hold what the whole did, none is larger than asked, and joining gives the whole.
func TestSplitAndJoin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyMemory(t)
		file, err := BuildModule(m)
		if err != nil {
			t.Fatal(err)
		}
		size := rapid.SampledFrom([]int{0, 1, 100, 256, 1000}).Draw(t, "size")
		if m.Size() > 300 && size == 1 {
			size = 64
		}
		parts, err := ConvertSplit(file, ConvertOptions{To: LoadModule}, size)
		if err != nil {
			t.Fatal(err)
		}
		var files [][]byte
		for i, p := range parts {
			pm, faults := ParseModule(p.Data)
			if size > 0 && pm.Size() > size || (pm.Entry != nil) != (i == len(parts)-1) {
				t.Fatalf("part %d of %d: %d bytes, entry %v", i+1, len(parts), pm.Size(), pm.Entry)
			}
			for _, f := range faults {
				if f.Class != EntryOutside { // of the last part, where the entry may be in an earlier one
					t.Fatal(f)
				}
			}
			files = append(files, p.Data)
		}
		slices.Reverse(files) // addresses decide, not order
		joined, err := ConvertJoined(files, ConvertOptions{To: LoadModule})
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := ParseModule(joined.Data); !got.Equal(m) {
			t.Fatalf("joined: %v, want %v", got.Ranges(), m.Ranges())
		}
	})
}

func TestConvertRefuses(t *testing.T) {
	e := 0x5200
	module, _ := BuildModule(Memory{Name: "TIDE", Entry: &e, Segments: []Segment{{0x5200, ramp(1, 99)}, {0x6000, ramp(2, 5)}}})
	noEntry, _ := BuildModule(Memory{Segments: []Segment{{0x5200, ramp(1, 99)}}})
	basic := cat(0xFF, basicLineOf(0x6A0B, 10, "\xB2 \"HI\""), 0, 0)
	listing := []byte("10 PRINT \"HI\"\r20 GOTO 10\r")
	zero := 0
	for _, c := range []struct {
		what string
		data []byte
		o    ConvertOptions
		want string
	}{
		{"module to BASIC", module, ConvertOptions{To: BASICDisk}, "do not turn into each other"},
		{"BASIC to module", basic, ConvertOptions{To: LoadModule}, "do not turn into each other"},
		{"BASIC to HEX", basic, ConvertOptions{To: IntelHex}, "do not turn into each other"},
		{"no entry to tape", noEntry, ConvertOptions{To: MachineTape}, "a tape needs one"},
		{"gaps to raw", module, ConvertOptions{To: Raw}, "3485 bytes from 5263h on"},
		{"raw without address", ramp(3, 50), ConvertOptions{From: Raw, To: LoadModule}, "no address"},
		{"unknown", ramp(3, 50), ConvertOptions{To: LoadModule}, "no program of a known form"},
		{"damaged", flip(cat(0x55, "TIDE  ", tapeBlockOf(0x4A00, ramp(3, 256)), 0x78, 0, 0x4A), 50), ConvertOptions{To: LoadModule}, "checksum"},
		{"trailing", cat(module, 1, 2, 3), ConvertOptions{To: SRecord}, "3 bytes after"},
		{"HEX above 64 KiB", []byte(":020000040001F9\n:050100003E05D301766D\n:00000001FF\n"), ConvertOptions{To: LoadModule}, "beyond the 64 KiB"},
		{"entry 0 to S-records", module, ConvertOptions{To: SRecord, Entry: &zero}, "no entry"},
		{"prose to BASIC", []byte("Dear reader,\rthis is prose.\r"), ConvertOptions{To: BASICDisk}, "line number is expected"},
		{"Unicode the class lacks", []byte("10 PRINT \"é\"\n"), ConvertOptions{To: BASICDisk}, "no character for 'é'"},
		{"to audio", module, ConvertOptions{To: Audio}, "cannot be written"},
		{"raw past the end", ramp(1, 300), ConvertOptions{From: Raw, Address: ptr(0xFF00), To: LoadModule}, "beyond the 64 KiB"},
		{"line bytes", module, ConvertOptions{To: SRecord, Hex: HexOptions{LineBytes: 251}}, "1 to 250"},
	} {
		_, err := Convert(c.data, c.o)
		var refused *RefusedError
		if !errors.As(err, &refused) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a refusal with %q", c.what, err, c.want)
		}
	}
	if _, err := ConvertSplit(basic, ConvertOptions{To: BASICTape}, 10); err == nil {
		t.Error("half a BASIC program was written")
	}
	if _, err := ConvertSplit(listing, ConvertOptions{To: Text}, 5); err == nil || !strings.Contains(err.Error(), "line 1 is 14 bytes") {
		t.Errorf("a line was divided: %v", err)
	}
	if _, err := ConvertJoined([][]byte{listing, listing}, ConvertOptions{To: BASICDisk}); err == nil || !strings.Contains(err.Error(), "line 10") {
		t.Errorf("two lines 10: %v", err)
	}
	if _, err := ConvertJoined([][]byte{module, module}, ConvertOptions{To: LoadModule}); err == nil || !strings.Contains(err.Error(), "5200h-5262h") {
		t.Errorf("the same memory twice: %v", err)
	}
}

func ptr(n int) *int { return &n }

func TestConvertText(t *testing.T) {
	listing := "10 PRINT \"\x8C\xBF\"\r20 A=2[3\r"
	shown := "10 PRINT \"\U0001FB0B█\"\n20 A=2↑3\n"
	c, err := Convert([]byte(listing), ConvertOptions{To: Text, Encoding: Unicode})
	if err != nil || string(c.Data) != shown {
		t.Errorf("shown: %q, %v, want %q", c.Data, err, shown)
	}
	c, err = Convert([]byte(shown), ConvertOptions{To: Text, Encoding: ClassText})
	if err != nil || string(c.Data) != listing {
		t.Errorf("back: %q, %v, want %q", c.Data, err, listing)
	}
	for _, src := range []string{listing, shown, strings.ReplaceAll(listing, "\r", "\r\n")} {
		c, err = Convert([]byte(src), ConvertOptions{To: BASICTape, Name: "HERON"})
		if err != nil {
			t.Fatal(err)
		}
		// B2 PRINT, D5 =, D1 arrow up; linked for 42E9: 42E9 + 4 + 6 + 1 = 42F4, + 4 + 6 + 1 = 42FF
		want := cat(0xD3, 0xD3, 0xD3, "H", basicLineOf(0x42F4, 10, "\xB2 \"\x8C\xBF\""), basicLineOf(0x42FE, 20, "A\xD52\xD13"), 0, 0)
		if !bytes.Equal(c.Data, want) {
			t.Errorf("%q:\n% X, want\n% X", src, c.Data, want)
		}
	}
	mixed := "One.\rTwo.\nThree.\r\nFour."
	if c, err := Convert([]byte(mixed), ConvertOptions{To: Text}); err != nil || string(c.Data) != "One.\rTwo.\rThree.\rFour." {
		t.Errorf("line ends: %q, %v", c.Data, err)
	}
	parts, err := ConvertSplit([]byte("One.\rTwo.\rThree.\r"), ConvertOptions{To: Text}, 10)
	if err != nil || len(parts) != 2 || string(parts[0].Data) != "One.\rTwo.\r" || string(parts[1].Data) != "Three.\r" {
		t.Errorf("parts: %v, %v", parts, err)
	}
	if c, err := ConvertJoined([][]byte{[]byte("10 A=1\r30 C=3\r"), []byte("20 B=2\n")}, ConvertOptions{To: Text, Encoding: ClassText}); err != nil || string(c.Data) != "10 A=1\r30 C=3\r20 B=2\r" {
		t.Errorf("joined text: %q, %v", c.Data, err)
	}
	c, err = ConvertJoined([][]byte{[]byte("10 A=1\r30 C=3\r"), []byte("20 B=2\n")}, ConvertOptions{To: BASICDisk})
	if err != nil {
		t.Fatal(err)
	}
	if p, _ := ParseBASIC(c.Data); string(p.Listing("\r")) != "10 A=1\r20 B=2\r30 C=3\r" {
		t.Errorf("merged: %q", p.Listing("\r"))
	}
}

// TestPlainBytes: data of no known form can be stripped, divided and joined, and nothing else.
func TestPlainBytes(t *testing.T) {
	data := cat(ramp(3, 200), make([]byte, 56))
	c, err := Convert(data, ConvertOptions{To: Raw, Strip: true})
	if err != nil || !bytes.Equal(c.Data, data[:200]) {
		t.Fatalf("stripped: %v, %v", c, err)
	}
	parts, err := ConvertSplit(data, ConvertOptions{To: Raw}, 100)
	if err != nil || len(parts) != 3 || len(parts[2].Data) != 56 {
		t.Fatalf("parts: %v, %v", parts, err)
	}
	var files [][]byte
	for _, p := range parts {
		files = append(files, p.Data)
	}
	if c, err := ConvertJoined(files, ConvertOptions{To: Raw}); err != nil || !bytes.Equal(c.Data, data) {
		t.Errorf("joined: %v, %v", c, err)
	}
	if _, err := ConvertSplit(data, ConvertOptions{To: LoadModule}, 100); err == nil {
		t.Error("bytes without an address became a load module")
	}
}

func TestStrip(t *testing.T) {
	e := 0x5200
	module, _ := BuildModule(Memory{Entry: &e, Segments: []Segment{{0x5200, ramp(1, 99)}}})
	for _, c := range []struct {
		what string
		data []byte
		want int
	}{
		{"module in whole sectors", cat(module, make([]byte, 256-len(module))), len(module)},
		{"module alone", module, len(module)},
		{"text", []byte("A line of text.\r\x1a\x1a\x1a\x00\x00"), 16},
		{"data in whole sectors", cat(ramp(3, 200), bytes.Repeat([]byte{0xE5}, 56)), 200},
		{"data that is no whole sector", cat(ramp(3, 200), 0, 0, 0), 203},
		{"data that ends in another value", cat(ramp(3, 200), bytes.Repeat([]byte{7}, 56)), 256},
		{"a blank sector", make([]byte, 256), 256},
	} {
		if out, _ := Strip(c.data, Inspect(c.data)); len(out) != c.want {
			t.Errorf("%s: %d bytes stay, want %d", c.what, len(out), c.want)
		}
	}
}

func TestCompare(t *testing.T) {
	e, e2 := 0x5200, 0x5210
	m := Memory{Name: "TIDE", Entry: &e, Segments: []Segment{{0x5200, ramp(1, 300)}}}
	module, _ := BuildModule(m)
	tape, _ := BuildTape(m, TapeOptions{})
	other := Memory{Name: "TIDE", Entry: &e2, Segments: []Segment{{0x5200, flip(ramp(1, 300), 20)}, {0x6000, ramp(1, 4)}}}
	module2, _ := BuildModule(other)
	listing := []byte("10 A=1\r20 B=2\r30 C=3\r")
	basic := func(s string) []byte {
		c, err := Convert([]byte(s), ConvertOptions{To: BASICDisk})
		if err != nil {
			t.Fatal(err)
		}
		return c.Data
	}
	for _, c := range []struct {
		what string
		a, b []byte
		same bool
		want []string
	}{
		{"itself", module, module, true, nil},
		{"another form", module, tape, true, []string{"wrapping"}},
		{"bytes, entry, area", module, module2, false, []string{"entry", "5214h", "6000h"}},
		{"tape and module", tape, module2, false, []string{"entry", "5214h", "6000h"}},
		{"lines", basic("10 A=1\r20 B=2\r30 C=3\r"), basic("10 A=1\r20 B=9\r40 C=3\r"), false, []string{"line 20", "line 30", "line 40"}},
		{"text with other line ends", listing, bytes.ReplaceAll(listing, []byte("\r"), []byte("\r\n")), true, []string{"wrapping"}},
		{"a text line put in", listing, []byte("10 A=1\r15 X\r20 B=2\r30 C=3\r"), false, []string{"line 2"}},
		{"bytes", ramp(3, 60), flip(ramp(3, 61), 7), false, []string{"offset 7", "offset 60"}},
	} {
		got := Compare(c.a, c.b)
		var where []string
		for _, d := range got.Differences {
			where = append(where, d.Where)
		}
		if got.SameProgram != c.same || !slices.Equal(where, c.want) {
			t.Errorf("%s: same %v, %v; want %v, %v", c.what, got.SameProgram, got.Differences, c.same, c.want)
		}
	}
}

// A program linked for another address comes back byte for byte where the address is given, as the note says. The bytes
// are those of doc/programs.md (from memory) with links counted by hand for 6A00h: 6A00h + 11 = 6A0Bh, + 9 = 6A14h.
func TestBASICBase(t *testing.T) {
	body := []byte{0x0B, 0x6A, 10, 0, 0xB2, ' ', '"', 'H', 'I', '"', 0, 0x14, 0x6A, 20, 0, 0x8D, ' ', '1', '0', 0, 0, 0}
	for kind, head := range map[Kind][]byte{BASICDisk: {0xFF}, BASICTape: {0xD3, 0xD3, 0xD3, 'A'}} {
		was := append(bytes.Clone(head), body...)
		text, err := Convert(was, ConvertOptions{To: Text})
		if err != nil {
			t.Fatal(err)
		}
		if n := strings.Join(text.Notes, "\n"); !strings.Contains(n, "6A00h") || !strings.Contains(n, "--load-address") {
			t.Errorf("%s: notes %q do not name the base", kind, text.Notes)
		}
		base := 0x6A00
		back, err := Convert(text.Data, ConvertOptions{To: kind, Address: &base})
		if err != nil || !bytes.Equal(back.Data, was) {
			t.Errorf("%s: came back as % X, %v; want % X", kind, back, err, was)
		}
		if usual, err := Convert(was, ConvertOptions{To: kind}); err != nil || bytes.Equal(usual.Data, was) || len(usual.Notes) == 0 {
			t.Errorf("%s to itself: %v %v: want the usual base and a note", kind, usual, err)
		}
	}
}
