package audio

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// tool gives the path of an outside program; a missing one fails the test, since a check that is skipped checks
// nothing.
func tool(t testing.TB, name string) string {
	t.Helper()
	p, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is not installed; 'make test' installs what the outside checks need", name)
	}
	return p
}

func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(tool(t, name), args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// noise is a seeded test signal: a sweep, noise and full-scale corners.
func noise(n, channels int) []float32 {
	r := rand.New(rand.NewPCG(1, 2))
	s := make([]float32, n*channels)
	for i := range s {
		t := float64(i/channels) / 44100
		s[i] = float32(0.4*math.Sin(2*math.Pi*(500+2000*t)*t) + 0.1*r.NormFloat64())
	}
	s[0], s[len(s)-1] = 1, -1
	return s
}

func writeFile(t testing.TB, path string, f Format, frames int64, s []float32, create func(io.Writer, Format, int64) (Sink, error)) {
	t.Helper()
	o, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	k, err := create(o, f, frames)
	if err != nil {
		t.Fatal(err)
	}
	for len(s) > 0 { // in pieces of odd length, as streams come
		n := min(len(s), 997*f.Channels)
		if err := k.Write(s[:n]); err != nil {
			t.Fatal(err)
		}
		s = s[n:]
	}
	if err := errors.Join(k.Close(), o.Close()); err != nil {
		t.Fatal(err)
	}
}

func readFile(t testing.TB, path string) (*File, []float32) {
	t.Helper()
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := ReadAll(f, 1<<24)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return f, s
}

// Sheet check value 45: the header of 1 s of 44.1 kHz 16-bit mono, as sox writes it too.
func TestWAVHeader(t *testing.T) {
	want, _ := hex.DecodeString(strings.ReplaceAll("52 49 46 46 AC 58 01 00 57 41 56 45 66 6D 74 20 10 00 00 00 01 00 01 00 44 AC 00 00 88 58 01 00 02 00 10 00 64 61 74 61 88 58 01 00", " ", ""))
	var b bytes.Buffer
	k, err := CreateWAV(&b, Format{RateHz: 44100, Channels: 1, Bits: 16}, 44100)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(k.Write(make([]float32, 44100)), k.Close()); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(b.Bytes()[:44], want) || b.Len() != 88244 {
		t.Errorf("header % X, %d bytes; want % X, 88244 bytes (sheet check 45)", b.Bytes()[:44], b.Len(), want)
	}
}

// What we write, sox reads with the same samples; what sox writes in every sample size, we read.
func TestWAVAgainstSox(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []Format{{44100, 1, 8, false}, {44100, 1, 16, false}, {48000, 2, 24, false}, {192000, 1, 16, false}, {11025, 3, 32, true}} {
		s := noise(20001, f.Channels)
		ours := filepath.Join(dir, "ours.wav")
		for _, frames := range []int64{20001, -1} {
			writeFile(t, ours, f, frames, s, CreateWAV)
			info := run(t, "sox", "--i", ours)
			if !strings.Contains(info, "20001 samples") {
				t.Errorf("%s: sox --i does not see 20001 samples:\n%s", f, info)
			}
			raw := filepath.Join(dir, "x.f32")
			run(t, "sox", ours, "-e", "floating-point", "-b", "32", "-t", "raw", raw)
			same(t, f.String(), f, rawF32(t, raw), s)
		}
		_, back := readFile(t, ours)
		same(t, f.String()+" read back", f, back, s)
	}
	for _, args := range [][]string{{"-b", "8", "-e", "unsigned"}, {"-b", "16"}, {"-b", "24"}, {"-b", "32"}, {"-b", "32", "-e", "float"}, {"-b", "64", "-e", "float"}} {
		ours, theirs := filepath.Join(dir, "a.wav"), filepath.Join(dir, "b.wav")
		s := noise(5001, 2)
		writeFile(t, ours, Format{44100, 2, 24, false}, -1, s, CreateWAV)
		run(t, "sox", append(append([]string{"-D", ours}, args...), theirs)...) // sox writes 24 and 32 bits in the extensible form
		f, got := readFile(t, theirs)
		same(t, strings.Join(args, " "), f.Format(), got, s)
		if f.Len() != 5001 {
			t.Errorf("%v: Len = %d, want 5001", args, f.Len())
		}
	}
}

func rawF32(t testing.TB, path string) []float32 {
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := make([]float32, len(b)/4)
	for i := range s {
		s[i] = math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:]))
	}
	return s
}

// same compares within one step of the format.
func same(t testing.TB, what string, f Format, got, want []float32) {
	t.Helper()
	step := 1.01 / math.Exp2(float64(min(f.Bits, 23)-1))
	if len(got) != len(want) {
		t.Fatalf("%s: %d samples, want %d", what, len(got), len(want))
	}
	for i := range got {
		if math.Abs(float64(got[i]-want[i])) > step {
			t.Fatalf("%s: sample %d is %v, want %v", what, i, got[i], want[i])
		}
	}
}

// RFC 9639's smallest example (sheet check 46): one stereo sample, left 25588, right 10416.
func TestFLACExample(t *testing.T) {
	b, _ := hex.DecodeString(strings.ReplaceAll("66 4C 61 43 80 00 00 22 10 00 10 00 00 00 0F 00 00 0F 0A C4 42 F0 00 00 00 01 3E 84 B4 18 07 DC 69 03 07 58 6A 3D AD 1A 2E 0F FF F8 69 18 00 00 BF 03 58 FD 03 12 8B AA 9A", " ", ""))
	f, err := OpenReader(bytes.NewReader(b), "example", int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	s, err := ReadAll(f, 10)
	if err != nil || len(s) != 2 || s[0]*32768 != 25588 || s[1]*32768 != 10416 || f.Format().RateHz != 44100 {
		t.Errorf("got %v, %v, %s", s, err, f.Format())
	}
	if n := f.Notes(); len(n) != 0 {
		t.Errorf("notes on a right file: %q", n)
	}
	// The digest is checked by us, not by the library: a wrong one is told.
	c := bytes.Clone(b)
	c[30] ^= 1
	f, _ = OpenReader(bytes.NewReader(c), "example", int64(len(c)))
	if _, err := ReadAll(f, 10); err != nil || !strings.Contains(strings.Join(f.Notes(), " "), "digest") {
		t.Errorf("wrong digest: notes %q, %v", f.Notes(), err)
	}
}

func TestFLACAgainstReference(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []Format{{44100, 1, 16, false}, {48000, 2, 24, false}, {8000, 1, 8, false}} {
		s := noise(30001, f.Channels)
		ours, wav := filepath.Join(dir, "ours.flac"), filepath.Join(dir, "theirs.wav")
		writeFile(t, ours, f, -1, s, CreateFLAC)
		run(t, "flac", "-t", "-w", "-s", ours) // -w: warnings, such as a missing digest, are errors
		run(t, "flac", "-d", "-s", "-f", "-o", wav, ours)
		_, got := readFile(t, wav)
		same(t, f.String()+", decoded by flac", f, got, s)
		writeFile(t, wav, f, -1, s, CreateWAV)
		run(t, "flac", "-8", "-s", "-f", "-o", ours, wav)
		file, got := readFile(t, ours)
		same(t, f.String()+", encoded by flac", f, got, s)
		if len(file.Notes()) != 0 || file.Len() != 30001 {
			t.Errorf("%s: notes %q, length %d", f, file.Notes(), file.Len())
		}
	}
}

// A damaged frame costs its own time and nothing else: what follows stays in its place.
func TestFLACDamage(t *testing.T) {
	dir := t.TempDir()
	p := filepath.Join(dir, "a.flac")
	f := Format{44100, 1, 16, false}
	s := noise(40000, 1)
	writeFile(t, p, f, -1, s, CreateFLAC)
	b, _ := os.ReadFile(p)
	for i := 20000; i < 20020; i++ {
		b[i] ^= 0x55
	}
	file, err := OpenReader(bytes.NewReader(b), "a", int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	got, err := ReadAll(file, 1<<20)
	if err != nil || len(got) != len(s) {
		t.Fatalf("%d samples, want %d, %v; %q", len(got), len(s), err, file.Notes())
	}
	wrong := 0
	for i := range s {
		if math.Abs(float64(got[i]-s[i])) > 1e-4 {
			wrong++
		}
	}
	if wrong == 0 || wrong > 2*flacBlock {
		t.Errorf("%d samples differ, want those of one or two frames", wrong)
	}
	if !strings.Contains(strings.Join(file.Notes(), " "), "damaged") {
		t.Errorf("notes: %q", file.Notes())
	}
}

func TestLossy(t *testing.T) {
	dir := t.TempDir()
	wav := filepath.Join(dir, "a.wav")
	s := make([]float32, 44100)
	for i := range s {
		s[i] = float32(0.5 * math.Sin(2*math.Pi*1200*float64(i)/44100))
	}
	writeFile(t, wav, Format{44100, 1, 16, false}, -1, s, CreateWAV)
	mp3 := filepath.Join(dir, "a.mp3")
	run(t, "lame", "--quiet", "-b", "128", wav, mp3)
	ogg := filepath.Join(dir, "a.ogg")
	run(t, "oggenc", "-Q", "-q", "5", "-o", ogg, wav)
	for _, p := range []string{mp3, ogg} {
		f, got := readFile(t, p)
		ch := f.Format().Channels
		if !f.Lossy || !strings.Contains(strings.Join(f.Notes(), " "), "lossy") {
			t.Errorf("%s: no warning that the form is lossy", p)
		}
		n, below := 0, false
		for i := 0; i < len(got); i += ch { // count cycles, with hysteresis against the noise before and after
			if got[i] < -0.25 {
				below = true
			} else if below && got[i] > 0.25 {
				n, below = n+1, false
			}
		}
		if n < 1190 || n > 1210 {
			t.Errorf("%s: %d cycles of a tone of 1200", p, n)
		}
	}
	b, _ := os.ReadFile(ogg)
	_, _, err := openOggWith(newBuf(b), func(string) (string, error) { return "", exec.ErrNotFound })
	if err == nil || !strings.Contains(err.Error(), "oggdec, sox, ffmpeg") {
		t.Errorf("without a decoder: %v", err)
	}
}
