package linecode

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"remanence/tape/audio"
)

// TestCheckValues holds the modulator to the published figures. Numbers of the rows are those of the check values in
// the tape sheet; S1 is BYTE, February 1976, pp. 72-73, S3 the manual of a Z80 home computer, chart 12.
func TestCheckValues(t *testing.T) {
	k := codeNamed(t, "kcs300")
	for _, tt := range []struct {
		rate float64
		want int
		src  string
	}{{48000, 160, "1 (S1, computed)"}, {44100, 147, "1 (S1, computed)"}} {
		m, err := NewModulator(k, tt.rate, Shape{})
		if err != nil {
			t.Fatal(err)
		}
		m.Bits(1)
		if n := len(m.ReadAll()); n != tt.want {
			t.Errorf("a bit at %v Hz: %d samples, want %d: check value %s", tt.rate, n, tt.want, tt.src)
		}
	}
	for _, tt := range []struct {
		b    byte
		want string
		src  string
	}{{0x41, "01000001011", "2 (S1, computed)"}, {0x27, "01110010011", "4 (S3's printed example)"}} {
		s := ""
		for _, bit := range k.Framing.FrameOf(tt.b) {
			s += fmt.Sprint(bit)
		}
		if s != tt.want {
			t.Errorf("frame of %02Xh: %s, want %s: check value %s", tt.b, s, tt.want, tt.src)
		}
	}
	// 3: the frame of 41h has 28 cycles of 1200 Hz and 32 of 2400 Hz in 36.667 ms (computed)
	m, err := NewModulator(k, 768000, Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.Write([]byte{0x41})
	x := m.ReadAll()
	if s := float64(len(x)) / 768000; math.Abs(s-0.0366667) > 3e-6 {
		t.Errorf("frame of 41h: %.6f s, want 0.036667: check value 3", s)
	}
	slow, fast := cycles(x, 768000)
	if slow != 28 || fast != 32 {
		t.Errorf("frame of 41h: %d cycles of 1200 Hz and %d of 2400 Hz, want 28 and 32: check value 3", slow, fast)
	}
	// 5: 16384 bytes without gaps
	for _, tt := range []struct {
		code string
		stop []int
		want float64
	}{{"kcs300", []int{1, 1}, 600.747}, {"kcs1200", []int{1, 1}, 150.187}, {"kcs1200", []int{1}, 136.533}} {
		c := *codeNamed(t, tt.code)
		c.Framing.Stop = tt.stop
		if s := 16384 * c.FrameSeconds(); math.Abs(s-tt.want) > 0.0005 {
			t.Errorf("16384 bytes in %s with %d stop bits: %.3f s, want %.3f: check value 5", tt.code, len(tt.stop), s, tt.want)
		}
	}
	// 6: 3600 one-bits at 1200 baud last 3.000 s (S3)
	if s := 3600 * codeNamed(t, "kcs1200").BitSeconds(1); math.Abs(s-3) > 1e-9 {
		t.Errorf("3600 ones: %v s, want 3: check value 6", s)
	}
	// 7: at least 12000 cycles of 2400 Hz before a block (S1)
	m, err = NewModulator(k, 48000, Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.Leader()
	if slow, fast := cycles(m.ReadAll(), 48000); slow != 0 || fast < 12000 {
		t.Errorf("leader: %d cycles of 2400 Hz (and %d slower), want 12000: check value 7", fast, slow)
	}
	// pulse500: +0.85 V and 0 V for 128 us each, 2 ms cells, a 1 has a second pulse after 1 ms (machine sheet, from memory)
	m, err = NewModulator(codeNamed(t, "pulse500"), 250000, Shape{Level: 1})
	if err != nil {
		t.Fatal(err)
	}
	m.Write([]byte{0x40})
	x = m.ReadAll()
	if len(x) != 8*500 {
		t.Errorf("a byte of pulse500 at 250 kHz: %d samples, want 4000", len(x))
	}
	for i, v := range x {
		want := float32(0)
		if at := i % 500; at < 64 || i/500 == 1 && at >= 250 && at < 314 { // 64 samples are 256 us
			want = 1
			if at%250 >= 32 {
				want = -1
			}
		}
		if edge := i%500%250 == 0 || i%500%250 == 32 || i%500%250 == 64; !edge && v != want { // a sample on an edge is half of each
			t.Fatalf("sample %d: %v, want %v", i, v, want)
		}
	}
}

// cycles counts upward zero crossings by how long the cycle before them was: over 625 us or not.
func cycles(x []float32, rate float64) (slow, fast int) {
	begin := 0
	for i := 1; i <= len(x); i++ {
		if i == len(x) || x[i-1] < -1e-7 && x[i] >= -1e-7 {
			if float64(i-begin)/rate > 625e-6 {
				slow++
			} else {
				fast++
			}
			begin = i
		}
	}
	return slow, fast
}

// TestShapes: level, polarity, speed, rise time and pre-emphasis do what they say.
func TestShapes(t *testing.T) {
	for _, name := range allCodes {
		c := codeNamed(t, name)
		make := func(s Shape) []float32 {
			m, err := NewModulator(c, 44100, s)
			if err != nil {
				t.Fatal(err)
			}
			m.Write([]byte("shape"))
			return m.ReadAll()
		}
		plain := make(Shape{Level: 0.8})
		peak := func(x []float32) float64 {
			p := 0.0
			for _, v := range x {
				p = max(p, math.Abs(float64(v)))
			}
			return p
		}
		if p := peak(plain); p > 0.8001 || p < 0.72 {
			t.Errorf("%s: level 0.8 gives a peak of %.3f", name, p)
		}
		for i, v := range make(Shape{Level: 0.8, Invert: true}) {
			if v != -plain[i] {
				t.Errorf("%s: upside down, sample %d is %v, not %v", name, i, v, -plain[i])
				break
			}
		}
		if n := len(make(Shape{Speed: 0.9})); math.Abs(float64(n)-float64(len(plain))/0.9) > 1.5 {
			t.Errorf("%s: at speed 0.9 %d samples, at 1 %d", name, n, len(plain))
		}
		if p := peak(make(Shape{Level: 0.8, PreEmphasisUS: 120})); p > 0.82 || p < 0.5 {
			t.Errorf("%s: with pre-emphasis a peak of %.3f, want about 0.8", name, p)
		}
		steepest := func(x []float32) float64 {
			d := 0.0
			for i := 1; i < len(x); i++ {
				d = max(d, math.Abs(float64(x[i]-x[i-1])))
			}
			return d
		}
		if a, b := steepest(plain), steepest(make(Shape{Level: 0.8, RiseUS: 100})); b > a || b > 2*0.8/4+0.01 {
			t.Errorf("%s: edges of 100 us (4 samples) step %.3f at most, without %.3f", name, b, a)
		}
	}
}

// TestFractionalPhase: 10 minutes of 1200 baud at 44.1 kHz (36.75 samples a bit) end where they should, to a sample.
func TestFractionalPhase(t *testing.T) {
	m, err := NewModulator(codeNamed(t, "kcs1200"), 44100, Shape{})
	if err != nil {
		t.Fatal(err)
	}
	m.LeaderOf(60)
	n := 0
	buf := make([]float32, 4096)
	for {
		k, err := m.Read(buf)
		n += k
		if err != nil {
			break
		}
	}
	if n != 60*44100 {
		t.Errorf("60 s have %d samples, want %d", n, 60*44100)
	}
}

func writeWAV(t *testing.T, path string, x []float32) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := audio.CreateWAV(f, audio.Format{RateHz: testRate, Channels: 1, Bits: 16}, int64(len(x)))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// run runs an outside program (apt packages minimodem and sox).
func run(t *testing.T, stdin []byte, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Stdin = bytes.NewReader(stdin)
	var out, msg bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &msg
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v (it comes with the Debian package of that name)\n%s", name, err, msg.String())
	}
	return out.Bytes()
}

// TestOutsideModem: what we write an outside modem program reads, and what it writes we read.
func TestOutsideModem(t *testing.T) {
	dir := t.TempDir()
	payload := []byte("A tape is a long thin disk. 0123456789 - 40 years on.\n")
	c := codeNamed(t, "kcs300")
	ours := filepath.Join(dir, "ours.wav")
	writeWAV(t, ours, record(t, c, payload))
	modem := []string{"-M", "2400", "-S", "1200", "--startbits", "1", "--stopbits", "2"}
	if got := run(t, nil, "minimodem", append([]string{"--rx", "--file", ours}, append(modem, "300")...)...); !bytes.Equal(got, payload) {
		t.Errorf("the outside modem reads %q, want %q", got, payload)
	}
	// It writes two bits of leader; sox makes three seconds of it.
	theirs, lead, whole := filepath.Join(dir, "theirs.wav"), filepath.Join(dir, "lead.wav"), filepath.Join(dir, "whole.wav")
	binary := randomBytes(200, 6)
	run(t, binary, "minimodem", append([]string{"--tx", "--file", theirs, "-R", "44100"}, append(modem, "300")...)...)
	run(t, nil, "sox", "-n", "-r", "44100", "-b", "16", "-c", "1", lead, "synth", "3", "sine", "2400", "pad", "0.4", "0")
	run(t, nil, "sox", lead, theirs, whole, "pad", "0", "0.5")
	f, err := audio.Open(whole)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	x := make([]float32, f.Len())
	n, _ := f.Read(x)
	for n < len(x) {
		k, err := f.Read(x[n:])
		n += k
		if err != nil {
			break
		}
	}
	runs, refused := demodulate(t, c, x[:n], testRate)
	if got := values(runs); !bytes.Equal(got, binary) {
		t.Errorf("of 200 bytes the outside modem wrote %d are wrong (%d read, %v)", wrong(binary, got), len(got), refused)
	}
}
