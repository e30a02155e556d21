package flux

import (
	"archive/zip"
	"bytes"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// handMade is a capture written by hand after the interval sheet; its CRC was worked out with Python's zlib.crc32.
const handMade = "remanence-intervals 1\ntick-ns 25\ncylinder 3\nhead 1\nindex 320 8000320\ntransitions 4\nnote hand-made\n\n" +
	"\xc0\x02\x7f\x00\x80\x80\x01" + "\ncrc32 44a59eaf\n"

func TestReadHandMade(t *testing.T) {
	c, err := ReadCapture(strings.NewReader(handMade))
	if err != nil {
		t.Fatal(err)
	}
	if c.TickNS != 25 || c.Cylinder != 3 || c.Head != 1 || !slices.Equal(c.Index, []uint64{320, 8000320}) ||
		!slices.Equal(c.Intervals, []uint32{320, 127, 0, 16384}) || len(c.Keys) != 1 || c.Keys[0] != (Key{"note", "hand-made"}) {
		t.Errorf("read %+v", c)
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil || b.String() != handMade {
		t.Errorf("written back as %q, %v", b.String(), err)
	}
}

func TestReadDamaged(t *testing.T) {
	body := strings.Index(handMade, "\n\n") + 2
	for _, tt := range []struct {
		name string
		file string
		got  int    // intervals used; -1: nothing can be
		want string // in the error
	}{
		{"final LF missing", strings.TrimSuffix(handMade, "\n"), 4, ""},
		{"cut in the body", handMade[:body+3], 2, fmt.Sprintf("byte %d: the file is cut short", body+3)},
		{"cut inside a number", handMade[:body+5], 3, fmt.Sprintf("byte %d: the file is cut short inside interval 4", body+4)},
		{"wrong count", strings.Replace(handMade, "transitions 4", "transitions 9", 1), 4, "byte 69: header says 9 transitions, the body holds 4"},
		{"no count", strings.Replace(handMade, "transitions 4", "transitions x", 1), 4, "byte 69: transitions: want a number"},
		{"wrong crc", strings.Replace(handMade, "44a59eaf", "44a59eae", 1), 4, fmt.Sprintf("byte %d: crc32 says 44a59eae, the file has 44a59eaf", body+8)},
		{"crc not hex", strings.Replace(handMade, "44a59eaf", "44a59eag", 1), 4, "crc32 says"},
		{"byte of the body changed", strings.Replace(handMade, "\x7f", "\x7e", 1), 4, "crc32 says 44a59eaf"},
		{"number too large", strings.Replace(handMade, "\x80\x80\x01", "\xff\xff\xff\xff\x1f", 1), 3, "interval 4 does not fit 32 bits"},
		{"endless number", strings.Replace(handMade, "\x80\x80\x01", strings.Repeat("\x80", 40), 1), 3, "interval 4 does not fit 32 bits"},
		{"no tick", strings.Replace(handMade, "tick-ns 25", "tock-ns 25", 1), -1, "no tick-ns line"},
		{"tick 0", strings.Replace(handMade, "tick-ns 25", "tick-ns 0", 1), -1, "byte 22: tick-ns"},
		{"tick NaN", strings.Replace(handMade, "tick-ns 25", "tick-ns NaN", 1), -1, "byte 22: tick-ns"},
		{"head 2", strings.Replace(handMade, "head 1", "head 2", 1), 4, "head: want 0..1"},
		{"index falls", strings.Replace(handMade, "320 8000320", "320 300", 1), 4, "index: want ascending ticks"},
		{"header without end", "remanence-intervals 1\ntick-ns 25\n", -1, "the header has no end"},
		{"another version", strings.Replace(handMade, "intervals 1", "intervals 2", 1), -1, "byte 0: first line"},
		{"empty", "", -1, "byte 0: first line"},
	} {
		c, err := ReadCapture(strings.NewReader(tt.file))
		if tt.got < 0 {
			if c != nil {
				t.Errorf("%s: got a capture", tt.name)
			}
		} else if c == nil || len(c.Intervals) != tt.got {
			t.Errorf("%s: got %v, want %d intervals (%v)", tt.name, c, tt.got, err)
		}
		if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
			t.Errorf("%s: error %v, want %q", tt.name, err, tt.want)
		}
	}
}

// Times are rounded down from the start of the capture, so that the sum of any number of intervals is off by less than
// a tick (interval sheet).
func TestFromTimesDoesNotDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, tick := range []float64{25, 12.5, 41.6667, 125, 1000.0 / 72} {
		var times []float64
		at := 0.0
		for range 5000 {
			at += 3000 + 6000*rng.Float64()
			times = append(times, at)
		}
		c := FromTimes(times, tick)
		sum := uint64(0)
		for i, d := range c.Intervals {
			sum += uint64(d)
			if e := times[i] - float64(sum)*tick; e < -1e-6 || e >= tick+1e-6 {
				t.Fatalf("tick %v: transition %d is off by %v ns", tick, i, e)
			}
		}
	}
}

// Worked out by hand from rows 0110, 0001 (early) and 0011, 1000 (late) of the WD177x data sheet: cells of 2 us, 125 ns.
func TestPrecompensate(t *testing.T) {
	for _, tt := range []struct {
		bits          string
		before, after float64 // spacings around the transition of the third bit, in cells
		shift         float64
	}{
		{"0110", 2, 3, -125}, {"0001", 2, 3, -125}, {"0011", 3, 2, 125}, {"1000", 3, 2, 125}, {"1111", 2, 2, 0},
		{"1011 after 1", 4, 2, 125}, {"1101", 2, 4, -125}, {"three against four", 3, 4, 0},
	} {
		at := []float64{0, tt.before * 2000, (tt.before + tt.after) * 2000}
		want := at[1] + tt.shift
		Precompensate(at, 2000, 125)
		if at[1] != want || at[0] != 0 {
			t.Errorf("%s: transition at %v, want %v", tt.bits, at[1], want)
		}
	}
}

// The peak shift of the fact sheet (7.3) undoes the precompensation of the same amount where the spacings are two
// against three or four.
func TestImpairmentPeakShift(t *testing.T) {
	at := []float64{0, 4000, 10000, 18000, 22000, 26000}
	got := Impairment{PeakNS: 100}.Apply(at, rand.New(rand.NewPCG(1, 1)))
	want := []float64{0, 4100, 10050, 17900, 22000, 26000} // 2|3, 3|4 half, 4|2, 2|2
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-9 {
			t.Errorf("transition %d at %v, want %v", i, got[i], want[i])
		}
	}
}

func TestImpairmentMoments(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	var at []float64
	for i := range 50_000 {
		at = append(at, float64(i)*8000)
	}
	got := Impairment{Speed: 0.02, JitterNS: 300}.Apply(at, rng)
	sum, sq := 0.0, 0.0
	for i, x := range got {
		e := x - at[i]*1.02
		sum += e
		sq += e * e
	}
	n := float64(len(got))
	if m, s := sum/n, math.Sqrt(sq/n); math.Abs(m) > 6 || math.Abs(s/300-1) > 0.02 {
		t.Errorf("mean error %v, standard deviation %v: want 0 and 300", m, s)
	}
	lost := Impairment{Drop: 0.01}.Apply(at, rng)
	if f := 1 - float64(len(lost))/n; math.Abs(f-0.01) > 0.002 {
		t.Errorf("lost %v of the transitions, want 0.01", f)
	}
	if !slices.IsSorted(got) || !slices.IsSorted(lost) {
		t.Error("times out of order")
	}
}

func TestLoadDisk(t *testing.T) {
	dir := t.TempDir()
	put := func(name string, cyl, head int, intervals ...uint32) []byte {
		c := &Capture{TickNS: 25, Cylinder: cyl, Head: head, Intervals: intervals}
		b, err := c.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		if name != "" {
			if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		return b
	}
	put("c00h0.ivl", 0, 0, 1)
	put("c00h0.10.ivl", 0, 0, 10)
	put("c00h0.2.ivl", 0, 0, 2)
	put("c00h1.ivl", 0, 1, 3)
	put("c05h0.ivl", 6, 0, 4) // the header is believed, and the contradiction told
	os.WriteFile(filepath.Join(dir, "c07h0.ivl"), []byte("nothing of the kind"), 0o644)
	os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("x"), 0o644)
	zipped := filepath.Join(t.TempDir(), "more.zip")
	f, err := os.Create(zipped)
	if err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(f)
	w, _ := z.Create("heron/c00h1.2.ivl")
	w.Write(put("", 0, 1, 5))
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	f.Close()

	set, err := LoadDisk([]string{dir, zipped})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for i := range set.Tracks {
		caps, problems := set.Tracks[i].Load()
		if len(problems) != 0 {
			t.Error(problems)
		}
		for _, c := range caps {
			got = append(got, fmt.Sprintf("c%dh%d:%d", c.Cylinder, c.Head, c.Intervals[0]))
		}
	}
	if want := "c0h0:1 c0h0:2 c0h0:10 c0h1:3 c0h1:5 c6h0:4"; strings.Join(got, " ") != want {
		t.Errorf("captures %v, want %s", got, want)
	}
	if len(set.Problems) != 2 {
		t.Errorf("problems %v: want one for c05h0.ivl and one for c07h0.ivl", set.Problems)
	}
	if _, err := LoadDisk([]string{filepath.Join(dir, "notes.txt")}); err == nil {
		t.Error("a text file passed for a capture")
	}
}

func FuzzReadCapture(f *testing.F) {
	f.Add([]byte(handMade))
	f.Add([]byte(handMade[:len(handMade)-20]))
	f.Add([]byte(strings.Replace(handMade, "transitions 4", "transitions 99999999999", 1)))
	f.Fuzz(func(t *testing.T, in []byte) {
		c, err := ReadCapture(bytes.NewReader(in))
		if c == nil {
			if err == nil {
				t.Fatal("neither a capture nor an error")
			}
			return
		}
		if len(c.Intervals) > len(in) {
			t.Fatalf("%d intervals from %d bytes", len(c.Intervals), len(in))
		}
		if err != nil {
			return
		}
		b, err := c.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		d, err := ReadCapture(bytes.NewReader(b))
		if err != nil || !slices.Equal(c.Intervals, d.Intervals) || !slices.Equal(c.Index, d.Index) || !slices.Equal(c.Keys, d.Keys) || c.TickNS != d.TickNS {
			t.Fatalf("written and read again: %v", err)
		}
		// A sound file's checksum is the one an independent pass over it gives.
		if i := bytes.LastIndex(b, []byte("\ncrc32 ")); fmt.Sprintf("\ncrc32 %08x\n", crc32.ChecksumIEEE(b[:i])) != string(b[i:]) {
			t.Fatal("crc32 line does not fit")
		}
	})
}

func BenchmarkReadCapture(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	c := &Capture{TickNS: 25}
	for range 40_000 {
		c.Intervals = append(c.Intervals, 160+uint32(rng.IntN(3))*80)
	}
	file, err := c.Append(nil)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		if _, err := ReadCapture(bytes.NewReader(file)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkWriteCapture(b *testing.B) {
	c := &Capture{TickNS: 25}
	for i := range 40_000 {
		c.Intervals = append(c.Intervals, 160+uint32(i%3)*80)
	}
	n, _ := c.WriteTo(io.Discard)
	b.SetBytes(n)
	for b.Loop() {
		if _, err := c.WriteTo(io.Discard); err != nil {
			b.Fatal(err)
		}
	}
}
