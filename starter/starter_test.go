package starter

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"remanence/disk"
	"remanence/tape/audio"
)

// The programs that travel are those that the outside assembler makes of the sources in the repository.
func TestProgramsAreAssembled(t *testing.T) {
	z80asm, err := exec.LookPath("z80asm")
	if err != nil {
		t.Fatalf("z80asm is needed (apt: z80asm; make test installs it): %v", err)
	}
	rom, err := os.ReadFile("computer/rom.bin")
	if err != nil {
		t.Fatal(err)
	}
	for source, want := range map[string][]byte{"stage1": stage1, "stage2": stage2, "rom": rom} {
		out := filepath.Join(t.TempDir(), source+".bin")
		if b, err := exec.CommandContext(t.Context(), z80asm, "-o", out, "asm/"+source+".asm").CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", source, err, b)
		}
		got, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: the assembler makes %d bytes that are not the %d embedded ones; run go generate", source, len(got), len(want))
		}
	}
}

// 29B1 is the CRC of 123456789 in the catalogue of parametrised CRCs (CRC-16/IBM-3740).
func TestCRC(t *testing.T) {
	if c := crc([]byte("123456789")); c != 0x29B1 {
		t.Errorf("check value %04X, want 29B1", c)
	}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")
		serial := uint16(0xFFFF) // bit by bit, as the FD1771 data sheet words it: x^16 + x^12 + x^5 + 1
		for _, v := range b {
			for i := 7; i >= 0; i-- {
				top := serial>>15 != uint16(v>>i&1)
				serial <<= 1
				if top {
					serial ^= 0x1021
				}
			}
		}
		if got := crc(b); got != serial {
			t.Fatalf("%04X, bit by bit %04X", got, serial)
		}
	})
}

func TestPackedTracksComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// few different bytes, so that copies occur
		data := rapid.SliceOfN(rapid.ByteRange(0, rapid.ByteRange(1, 255).Draw(t, "alphabet")), 0, 600).Draw(t, "bytes")
		packed := pack(data)
		if len(packed) > len(data)+len(data)/128+1 {
			t.Fatalf("%d bytes became %d", len(data), len(packed))
		}
		got, err := unpack(packed, len(data))
		if err != nil || !bytes.Equal(got, data) {
			t.Fatalf("came back as %d bytes, %v", len(got), err)
		}
	})
}

func TestLostBlocksAreMended(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(1, 21).Draw(t, "blocks")
		p := rapid.IntRange(0, maxParity).Draw(t, "parity")
		data := make([][]byte, k)
		for i := range data {
			data[i] = rapid.SliceOfN(rapid.Byte(), blockData, blockData).Draw(t, "block")
		}
		parity := parityBlocks(data, p)
		here := append(append([][]byte(nil), data...), parity...)
		lost := rapid.SliceOfNDistinct(rapid.IntRange(0, k+p-1), 0, k+p, rapid.ID[int]).Draw(t, "lost")
		for _, i := range lost {
			here[i] = nil
		}
		if ok := mend(here[:k], here[k:]); ok != (len(lost) <= p) {
			t.Fatalf("%d of %d+%d lost: mended %v", len(lost), k, p, ok)
		} else if ok {
			for i := range data {
				if !bytes.Equal(here[i], data[i]) {
					t.Fatalf("block %d is wrong", i)
				}
			}
		}
	})
}

func FuzzUnpack(f *testing.F) {
	f.Add([]byte{2, 1, 2, 3, 0x80, 3, 0}, 6)
	f.Add([]byte{0xFF, 1, 0}, 130)
	f.Fuzz(func(t *testing.T, packed []byte, n int) {
		if n < 0 || n > trackBytes {
			return
		}
		if out, err := unpack(packed, n); len(out) > n || err == nil && len(out) != n {
			t.Fatalf("%d bytes of %d, %v", len(out), n, err)
		}
	})
}

// collect plays a span of a tape.
func collect(t *testing.T, tp *Tape, s Side, lead float64) []float32 {
	var c audio.Collector
	if err := tp.Write(t.Context(), &c, s, lead, nil); err != nil {
		t.Fatal(err)
	}
	return c.Samples
}

func TestNothingIsLostAtTheTurn(t *testing.T) {
	tp := newTape(t, testTracks(4, 0.5, 1), Options{Rate: -1, Parity: 2})
	whole := collect(t, tp, Side{0, tp.Seconds}, 0)
	sides, err := tp.Sides(100, 2)
	if err != nil {
		t.Fatal(err)
	}
	if len(sides) < 2 {
		t.Fatalf("%.0f s on sides of 100 s: %d sides", tp.Seconds, len(sides))
	}
	var joined []float32
	for _, s := range sides {
		if s.ToS-s.FromS > 98 {
			t.Errorf("a side of 100 s with 2 s of leader holds %.1f s", s.ToS-s.FromS)
		}
		one := collect(t, tp, s, 2)
		for _, v := range one[:2*44100] {
			if v != 0 {
				t.Fatal("the leader is not silent")
			}
		}
		joined = append(joined, one[2*44100:]...)
	}
	if len(joined) != len(whole) {
		t.Fatalf("sides of %d samples, the tape has %d", len(joined), len(whole))
	}
	for i := range whole {
		if d := whole[i] - joined[i]; d > 1e-4 || d < -1e-4 {
			t.Fatalf("sample %d: %v on its side, %v on the tape", i, joined[i], whole[i])
		}
	}
	if _, err := tp.Sides(20, 8); err == nil {
		t.Error("a side that holds no track was accepted")
	}
}

func TestWritingStops(t *testing.T) {
	tp := newTape(t, testTracks(1, 0.5, 1), Options{Rate: -1, Parity: -1})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var c audio.Collector
	if err := tp.Write(ctx, &c, Side{0, tp.Seconds}, 0, nil); err != context.Canceled {
		t.Errorf("after a stop: %v", err)
	}
	if _, err := tp.Rehearse(ctx, Rehearsal{}, nil); err != context.Canceled {
		t.Errorf("a rehearsal after a stop: %v", err)
	}
}

func TestSheet(t *testing.T) {
	pdftotext, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Fatalf("pdftotext is needed (apt: poppler-utils; make test installs it): %v", err)
	}
	tp := newTape(t, testTracks(1, 0.5, 1), Options{Rate: -1, Parity: -1})
	path := filepath.Join(t.TempDir(), "s.pdf")
	var b bytes.Buffer
	if err := tp.WriteSheet(&b, SheetOptions{Title: "Heron system disk", Files: []string{"heron.wav"}, Sides: 1}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := exec.CommandContext(t.Context(), pdftotext, "-layout", path, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Heron system disk", "no headphones", "is erased", "STARTE", "PARTS LEFT", "100 mm"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the sheet does not say %q", want)
		}
	}
	// The sheet explains what the program says, in its words.
	for _, s := range steps {
		first, _, _ := strings.Cut(strings.TrimPrefix(s.screen, "STARTER: "), " n")
		first, _, _ = strings.Cut(first, ", READ")
		if !bytes.Contains(stage2, []byte(first)) && !bytes.Contains(stage1, []byte(first)) {
			t.Errorf("no program shows %q", first)
		}
	}
}

func TestClasses(t *testing.T) {
	if _, err := ClassOf("board-kcs"); err == nil || !strings.Contains(err.Error(), "z80-fm10") {
		t.Errorf("a machine without a program: %v", err)
	}
	if k, err := ClassOf("z80-fm10"); err != nil || len(k.Stage1) == 0 {
		t.Errorf("z80-fm10: %v", err)
	}
}

func TestImagesThatATapeCannotMake(t *testing.T) {
	g := disk.Geometry{Cylinders: 2, Heads: 2}
	if _, err := TracksOf(&disk.Image{Geometry: g}); err == nil {
		t.Error("two sides were accepted")
	}
	for _, tr := range []Track{{Data: make([]byte, 10), Mark: 0xFB}, {Data: make([]byte, trackBytes), Mark: 0xF9}} {
		if _, err := NewGroup(0, 0, tr, 0, 0); err == nil {
			t.Errorf("%d bytes, mark %02X: accepted", len(tr.Data), tr.Mark)
		}
	}
}

func BenchmarkRehearse(b *testing.B) {
	tp := newTape(b, testTracks(1, 0.5, 1), Options{Rate: -1, Parity: -1})
	for b.Loop() {
		out, err := tp.Rehearse(b.Context(), Rehearsal{}, nil)
		if err != nil || !out.Verified {
			b.Fatal(err, out)
		}
	}
	b.ReportMetric(tp.Seconds*float64(b.N)/b.Elapsed().Seconds(), "tape-s/s")
}

func BenchmarkPack(b *testing.B) {
	d := testTracks(1, 0.3, 1)[0].Data
	b.SetBytes(int64(len(d)))
	for b.Loop() {
		pack(d)
	}
}
