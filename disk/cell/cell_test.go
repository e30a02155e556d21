package cell

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func run(first byte, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = first
	}
	return b
}

func count(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i)
	}
	return b
}

// Check values of the floppy fact sheet, sections 3 and 9 (computed there by two independent routines).
func TestCRCCheckValues(t *testing.T) {
	a1 := []byte{0xA1, 0xA1, 0xA1}
	cat := func(parts ...[]byte) (out []byte) {
		for _, p := range parts {
			out = append(out, p...)
		}
		return out
	}
	for _, tt := range []struct {
		src  string
		in   []byte
		want uint16
	}{
		{"9.1 CRC-16/IBM-3740 of 123456789", []byte("123456789"), 0x29B1},
		{"9.2", nil, 0xFFFF},
		{"9.3", a1, 0xCDB4},
		{"9.4", cat(a1, []byte{0xFE}), 0xB230},
		{"9.4", []byte{0xFE}, 0xEF21},
		{"9.5 FM ID", unhex(t, "FE00000100"), 0xD2C3},
		{"9.6 MFM ID", cat(a1, unhex(t, "FE00000101")), 0xFA0C},
		{"9.7", cat(a1, unhex(t, "FE00000102")), 0xCA6F},
		{"9.8", cat(a1, unhex(t, "FE27010902")), 0x1295},
		{"9.9", unhex(t, "FE4C001A00"), 0x2CE4},
		{"9.9", cat(a1, unhex(t, "FE4C001A00")), 0x140A},
		{"9.10", cat(a1, unhex(t, "FE4C010803")), 0x7648},
		{"9.10", cat(a1, unhex(t, "FE4F010F02")), 0x6422},
		{"9.10", cat(a1, unhex(t, "FE4F011202")), 0x110D},
		{"9.11", cat([]byte{0xFB}, run(0xE5, 128)), 0x5D30},
		{"9.11", cat([]byte{0xF8}, run(0xE5, 128)), 0x063D},
		{"9.11", cat([]byte{0xFA}, run(0xE5, 128)), 0x6BCB},
		{"9.11", cat([]byte{0xF9}, run(0xE5, 128)), 0x30C6},
		{"9.12", cat(a1, []byte{0xFB}, run(0xE5, 256)), 0x7827},
		{"9.12", cat(a1, []byte{0xFB}, run(0xF6, 512)), 0x2BF6},
		{"9.13", cat(a1, []byte{0xFB}, count(256)), 0x9F77},
		{"9.13", cat([]byte{0xFB}, count(128)), 0xA023},
		{"9.15 an MFM ID without its A1", unhex(t, "FE00000101"), 0xC2E2},
		{"3 table: 256 x 40, MFM F8", cat(a1, []byte{0xF8}, run(0x40, 256)), 0xDB4D},
		{"3 table: 1024 x E5, FM FB", cat([]byte{0xFB}, run(0xE5, 1024)), 0x1107},
	} {
		got := CRC(CRCInit, tt.in)
		if got != tt.want {
			t.Errorf("%s: CRC %04X, want %04X", tt.src, got, tt.want)
		}
		if z := CRC(got, []byte{byte(got >> 8), byte(got)}); z != 0 { // 9.14, 3.7
			t.Errorf("%s: a field and its CRC give %04X, want 0", tt.src, z)
		}
	}
	if CRCMFM != CRC(CRCInit, a1) {
		t.Errorf("CRCMFM is %04X", CRCMFM)
	}
}

// crcBitwise is the serial register of the data sheet, bit by bit.
func crcBitwise(crc uint16, data []byte) uint16 {
	for _, b := range data {
		for i := 7; i >= 0; i-- {
			x := crc>>15 ^ uint16(b>>i&1)
			crc <<= 1
			if x != 0 {
				crc ^= 0x1021
			}
		}
	}
	return crc
}

func TestCRCAgainstSerialRegister(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for n := range 70 {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		init := uint16(rng.Uint32())
		if got, want := CRC(init, b), crcBitwise(init, b); got != want {
			t.Fatalf("%d bytes: %04X, the serial register gives %04X", n, got, want)
		}
	}
}

func TestCRCBit(t *testing.T) {
	b := count(66)
	whole := CRC(CRCInit, b)
	for d := range 8 * len(b) {
		c := append([]byte{}, b...)
		c[len(c)-1-d/8] ^= 1 << (d % 8)
		if got, want := CRCBit(d), CRC(CRCInit, c)^whole; got != want {
			t.Fatalf("bit %d before the end: effect %04X, want %04X", d, got, want)
		}
	}
}

func words(c *Cells) string {
	var s []string
	for i := 0; i < c.Len(); i += 16 {
		s = append(s, fmt.Sprintf("%04X", c.Word(i)>>48))
	}
	return strings.Join(s, " ")
}

// Cell strings of the fact sheet, sections 1, 2 and 9.
func TestCellCheckValues(t *testing.T) {
	fm := func(data, clock byte) string { return fmt.Sprintf("%04X", FM(data, clock)) }
	mfm := func(before int, b ...byte) string {
		var s []string
		for _, x := range b {
			s = append(s, fmt.Sprintf("%04X", MFM(x, before)))
			before = int(x & 1)
		}
		return strings.Join(s, " ")
	}
	built := func(f func(c *Cells)) string {
		var c Cells
		f(&c)
		return words(&c)
	}
	for _, tt := range []struct{ src, got, want string }{
		{"9.16 FE", fm(0xFE, FMClock), "F57E"},
		{"9.16 FB", fm(0xFB, FMClock), "F56F"},
		{"9.16 F8", fm(0xF8, FMClock), "F56A"},
		{"9.16 FA", fm(0xFA, FMClock), "F56E"},
		{"9.16 F9", fm(0xF9, FMClock), "F56B"},
		{"9.16 FC", fm(0xFC, FMIndexClock), "F77A"},
		{"9.17 00", fm(0x00, 0xFF), "AAAA"},
		{"9.17 FF", fm(0xFF, 0xFF), "FFFF"},
		{"9.17 E5", fm(0xE5, 0xFF), "FEBB"},
		{"9.18 A1", mfm(0, 0xA1), "44A9"},
		{"9.18 C2", mfm(0, 0xC2), "52A4"},
		{"9.19 4E after 4E", mfm(0, 0x4E), "9254"},
		{"2 4E after 1", mfm(1, 0x4E), "1254"},
		{"9.19 00 after 00", mfm(0, 0), "AAAA"},
		{"9.19 FE after A1", mfm(1, 0xFE), "5554"},
		{"9.19 FB", mfm(1, 0xFB), "5545"},
		{"9.19 F8", mfm(1, 0xF8), "554A"},
		{"9.19 FC", mfm(0, 0xFC), "5552"},
		{"2 E5, F6, 40", mfm(0, 0xE5) + mfm(1, 0xF6) + mfm(0, 0x40), "5491" + "5514" + "92AA"},
		{"9.18 and section 2: index mark", built(func(c *Cells) { c.AppendMFMMark(0xFC) }), "5224 5224 5224 5552"},
		{"9.20 MFM ID 00 00 01 01", built(func(c *Cells) {
			c.AppendMFMMark(0xFE)
			c.AppendMFM(unhex(t, "00000101FA0C4E"))
		}), "4489 4489 4489 5554 AAAA AAAA AAA9 2AA9 5544 AA52 9254"},
		{"9.21 MFM ID 27 01 09 02", built(func(c *Cells) {
			c.AppendMFMMark(0xFE)
			c.AppendMFM(unhex(t, "2701090212954E"))
		}), "4489 4489 4489 5554 A495 2AA9 2A49 2AA4 A924 4911 1254"},
		{"9.22 FM ID 4C 00 1A 00", built(func(c *Cells) {
			c.AppendFMMark(0xFE)
			c.AppendFM(unhex(t, "4C001A002CE4"))
		}), "F57E BAFA AAAA ABEE AAAA AEFA FEBA"},
		{"1 FM ID 00 00 01 00", built(func(c *Cells) {
			c.AppendFMMark(0xFE)
			c.AppendFM(unhex(t, "00000100D2C3"))
		}), "F57E AAAA AAAA AAAB AAAA FBAE FAAF"},
	} {
		if tt.got != tt.want {
			t.Errorf("%s: %s, want %s", tt.src, tt.got, tt.want)
		}
	}
}

// 9.23: no legal MFM contains 4489 at either alignment; 5224 does occur one cell off. 9.24: spacings are 2, 3 or 4
// cells, marks included.
func TestMFMUniqueness(t *testing.T) {
	stray := 0
	for v := range 1 << 18 { // 18 bits hold every window of 16 cells at either alignment
		var c Cells
		b := []byte{byte(v >> 10), byte(v >> 2), byte(v << 6)}
		c.AppendMFM(b)
		for i := 0; i < 2*18-16; i++ {
			switch c.Word(i) >> 48 {
			case MFMMark:
				t.Fatalf("bits %06b: 4489 at cell %d", v, i)
			case MFMIndexMark:
				stray++
			}
		}
	}
	if stray == 0 {
		t.Error("5224 never occurred in data; it must at the wrong alignment")
	}
	var c Cells
	rng := rand.New(rand.NewPCG(5, 5))
	for range 200 {
		c.AppendMFM([]byte{byte(rng.Uint32()), 0, 0})
		c.AppendMFMMark([]byte{0xFE, 0xFB, 0xF8, 0xFC}[rng.IntN(4)])
	}
	last := -1
	c.Ones(func(i int) {
		if s := i - last; last >= 0 && (s < 2 || s > 4) {
			t.Fatalf("%d cells between transitions at cell %d", s, i)
		}
		last = i
	})
}

// Decoding against the plain rule: a data bit is the second cell of its pair.
func FuzzBytes(f *testing.F) {
	f.Add([]byte{0xA1, 0x00, 0x4E, 0xFF}, uint8(3))
	f.Fuzz(func(t *testing.T, in []byte, shift uint8) {
		if len(in) > 1<<12 {
			in = in[:1<<12]
		}
		for _, mfm := range []bool{false, true} {
			var c Cells
			off := int(shift % 70)
			c.Append(0, min(off, 64))
			c.Append(0, off-min(off, 64))
			if mfm {
				c.AppendMFM(in)
			} else {
				c.AppendFM(in)
			}
			got := c.Bytes(nil, off, len(in))
			for i := range in {
				var b byte
				for k := range 8 {
					b = b<<1 | byte(c.At(off+16*i+2*k+1))
				}
				if got[i] != b || b != in[i] {
					t.Fatalf("byte %d: %02X, cells say %02X, encoded %02X", i, got[i], b, in[i])
				}
			}
		}
	})
}

func TestStretchedAndTruncated(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for n := range 150 {
		var c, s Cells
		for range n {
			c.Append(uint64(rng.IntN(2)), 1)
		}
		s.Append(1, 1)
		s.AppendStretched(&c)
		if s.Len() != 2*n+1 {
			t.Fatalf("%d cells stretched to %d", n, s.Len())
		}
		for i := range n {
			if s.At(1+2*i) != c.At(i) || s.At(2+2*i) != 0 {
				t.Fatalf("cell %d of %d stretched wrongly", i, n)
			}
		}
		k := rng.IntN(n + 1)
		c.Truncate(k)
		if c.Len() != k || c.Word(0)&(1<<63>>max(k-1, 0)-1) != 0 && k < 64 && k > 0 {
			t.Fatalf("truncated to %d of %d: %016X", k, n, c.Word(0))
		}
	}
}

func BenchmarkCRC(b *testing.B) {
	data := count(256)
	b.SetBytes(256)
	for b.Loop() {
		CRC(CRCInit, data)
	}
}

func BenchmarkEncodeMFM(b *testing.B) {
	data := count(256)
	var c Cells
	b.SetBytes(256)
	for b.Loop() {
		c.Reset()
		c.AppendMFM(data)
	}
}

func BenchmarkBytes(b *testing.B) {
	var c Cells
	c.AppendMFM(count(256))
	buf := make([]byte, 0, 256)
	b.SetBytes(256)
	for b.Loop() {
		buf = c.Bytes(buf[:0], 0, 256)
	}
}
