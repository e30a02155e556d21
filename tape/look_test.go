package tape

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"remanence/picture"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// looked reads samples and gives the result with its Look, and the file that holds it.
func looked(t testing.TB, samples []float32, channels int, names ...string) (*Result, *Look, *bytes.Reader) {
	t.Helper()
	w := NewWatch(audio.NewBuffer(44100, channels, samples))
	r, err := Read(context.Background(), w, codes(t, names...), ReadOptions{Keep: true}, nil)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteLook(&b, r, w, LookSource{Name: "side.wav", Kind: "WAV", Bytes: 1}); err != nil {
		t.Fatal(err)
	}
	f := bytes.NewReader(b.Bytes())
	l, err := OpenLook(f, int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return r, l, f
}

// bufferSound is a recording in memory.
type bufferSound struct {
	f audio.Format
	s []float32
	n int // samples read
}

func (b *bufferSound) Format() audio.Format { return b.f }
func (b *bufferSound) ReadFrames(buf []float32, from int64) (int, error) {
	ch := b.f.Channels
	if from*int64(ch) >= int64(len(b.s)) {
		return 0, nil
	}
	n := copy(buf, b.s[from*int64(ch):])
	b.n += n
	return n / ch, nil
}

func sound(s []float32, channels int) *bufferSound {
	return &bufferSound{f: audio.Format{RateHz: 44100, Channels: channels, Bits: 16}, s: s}
}

func svg(t testing.TB, c *picture.Canvas) string {
	t.Helper()
	var b bytes.Buffer
	if err := c.SVG(&b, picture.SVGOptions{}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// drawnBits gives the data bits in a drawn lens, in the order of the tape, as (weight, value).
var drawnBit = regexp.MustCompile(`<title>bit (\d) = ([01]), (?:[^<]*to 1|as good as even)[^<]*</title>`)

// The bits drawn over a program are those that gave its bytes, in every code that is built in, and they stand where the
// writer put them. The bytes compared are those of Read, which other tests hold against outside programs; the places are
// those of WriteSide.
func TestBitsOfALensAreTheBytes(t *testing.T) {
	for _, c := range codes(t) {
		t.Run(c.Name, func(t *testing.T) {
			data := randomBytes(40, 11)
			if c.Framing.Bits < 8 {
				for i := range data {
					data[i] &= 1<<c.Framing.Bits - 1
				}
			}
			s, wrote := side(t, SideOptions{Code: c, StartS: 1, EndS: 1}, Item{Name: "TIDE", Kind: Unknown, Blocks: [][]byte{data}})
			r, l, f := looked(t, s, 1, c.Name)
			if len(r.Programs) == 0 || !bytes.Contains(r.Programs[0].Data, data[:39]) {
				t.Fatalf("the program was not read: %+v", r.Programs)
			}
			p := r.Programs[0]
			kept, err := l.Program(f, 0)
			if err != nil || !bytes.Equal(kept, p.Data) {
				t.Errorf("bytes kept: % X, %v; want % X", kept, err, p.Data)
			}
			heard, near, err := l.Bytes(f, p.FromS-0.001, p.ToS+0.001, 1000)
			if err != nil || !near {
				t.Fatalf("bytes in the lens: %v, %v", near, err)
			}
			var from []byte
			for i := range heard {
				v := byte(0)
				last := heard[i].AtS
				for _, b := range l.bitsOf(&heard[i]) {
					if b.from < last-1e-9 || b.to <= b.from {
						t.Fatalf("bit from %v to %v after %v", b.from, b.to, last)
					}
					last = b.to
					if b.kind == "" {
						if b.odds > 0 != (b.value == 1) {
							t.Fatalf("bit %d of byte %d is %d with odds %v", b.bit, i, b.value, b.odds)
						}
						v |= byte(b.value) << b.bit
					}
				}
				if math.Abs(last-heard[i].AtS-heard[i].LengthS) > 1e-6 {
					t.Errorf("bits of byte %d end at %v, the byte at %v", i, last, heard[i].AtS+heard[i].LengthS)
				}
				if l.h.Pieces[heard[i].piece].Program == 0 {
					from = append(from, v)
				}
			}
			if !bytes.Equal(from, p.Data) {
				t.Errorf("bits make % X\nbytes are % X", from, p.Data)
			}
			// The first byte of the program stands where it was written, within a bit.
			at := bytes.Index(p.Data, data[:39])
			want := wrote.Entries[0].ToS - c.TrailerSeconds()
			for _, v := range data {
				for _, bit := range c.Framing.FrameOf(v) {
					want -= c.BitSeconds(bit)
				}
			}
			if got, ok := l.At(f, 0, at); !ok || math.Abs(got-want) > c.BitSeconds(1) {
				t.Errorf("first byte at %.5f s, written at %.5f s", got, want)
			}
			// And in the picture: a lens over eight bytes.
			a, _ := l.At(f, 0, at+4)
			z, _ := l.At(f, 0, at+12)
			lens, err := l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: a + 1e-5, SpanS: z - a - 2e-5, Width: 1600})
			if err != nil {
				t.Fatal(err)
			}
			if lens.Detail != DetailBits {
				t.Fatalf("detail %s over eight bytes, want bits", lens.Detail)
			}
			var drawn []byte
			n, v := 0, byte(0)
			for _, m := range drawnBit.FindAllStringSubmatch(svg(t, lens.Canvas), -1) {
				w, _ := strconv.Atoi(m[1])
				bit, _ := strconv.Atoi(m[2])
				v |= byte(bit) << w
				if n++; n == c.Framing.Bits {
					drawn = append(drawn, v)
					n, v = 0, 0
				}
			}
			if !bytes.Equal(drawn, p.Data[at+4:at+12]) {
				t.Errorf("bits in the picture make % X, bytes are % X", drawn, p.Data[at+4:at+12])
			}
		})
	}
}

// heron is a machine-code tape of n blocks.
func heron(n int) []byte {
	b := append([]byte{nameMark}, "HERON "...)
	for i := range n {
		data := randomBytes(64, uint64(i+1))
		addr := 0x5200 + 64*i
		b = append(b, blockMark, 64, byte(addr), byte(addr>>8))
		sum := byte(addr) + byte(addr>>8)
		for _, v := range data {
			sum += v
		}
		b = append(append(b, data...), sum)
	}
	return append(b, entryMark, 0x00, 0x52)
}

// Fields of a machine-code tape by the form in the package comment: name, blocks with count, address and sum, entry.
func TestLensNamesFields(t *testing.T) {
	code := codes(t, "pulse500")[0]
	s, _ := side(t, SideOptions{Code: code, StartS: 0.5, EndS: 1}, Item{Name: "HERON", Kind: MachineTape, Blocks: [][]byte{heron(3)}})
	r, l, f := looked(t, s, 1, "pulse500")
	all, _, err := l.Bytes(f, r.Programs[0].FromS, r.Programs[0].ToS, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		at   int
		want string
	}{{0, "name mark"}, {3, "name"}, {7, "block mark, block 1"}, {8, "count, block 1"}, {9, "address, block 1"}, {11, "data, block 1, at 5200h"},
		{74, "data, block 1, at 523Fh"}, {75, "checksum, block 1"}, {76, "block mark, block 2"}, {80 + 69, "data, block 3, at 5280h"}, {7 + 3*69, "entry mark"}, {8 + 3*69, "entry"}} {
		if got := l.FieldWords(&all[c.at]); got != c.want {
			t.Errorf("byte %d is %q, want %q", c.at, got, c.want)
		}
	}
	lens, err := l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: all[75].AtS - 0.01, SpanS: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	x := svg(t, lens.Canvas)
	for _, want := range []string{"checksum, block 1", "block mark, block 2", ">checksum<", "HERON, byte 75:", "pulse 1 of bit", "half the height"} {
		if strings.Contains(x, want) != (want != "half the height") {
			t.Errorf("lens over the border of blocks 1 and 2: %q in the picture: %v", want, strings.Contains(x, want))
		}
	}
	lens, err = l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: all[75].AtS, SpanS: 0.002})
	if err != nil {
		t.Fatal(err)
	}
	if x := svg(t, lens.Canvas); lens.Detail != DetailSamples || !strings.Contains(x, "single samples") || !strings.Contains(x, "half the height of the pulse") {
		t.Errorf("lens of one bit: detail %s, want samples with a threshold", lens.Detail)
	}
	if !strings.Contains(lens.Says, "bit 7 = ") {
		t.Errorf("lens of one bit says %q", lens.Says)
	}
	// The sync before the first byte, and the leader before it.
	lens, err = l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: all[0].AtS - 0.03, SpanS: 0.04})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(svg(t, lens.Canvas), "sync byte A5h") {
		t.Error("no sync byte before the first byte")
	}
}

// At every distance a lens reads a bounded number of samples and bytes, whatever the length of the recording.
func TestLensReadsLittle(t *testing.T) {
	code := codes(t, "pulse500")[0]
	s, _ := side(t, SideOptions{Code: code, StartS: 0.5, EndS: 1, GapS: 1}, Item{Name: "HERON", Kind: MachineTape, Blocks: [][]byte{heron(8)}}, Item{Name: "TIDE", Kind: MachineTape, Blocks: [][]byte{heron(4)}})
	_, l, f := looked(t, s, 1, "pulse500")
	details := map[string]bool{}
	for span := 200.0; span > 1e-5; span /= 2 {
		snd := sound(s, 1)
		count := &countingReader{Reader: f}
		lens, err := l.Lens(t.Context(), count, snd, LensOptions{FromS: 7.34, SpanS: span, Width: 960})
		if err != nil {
			t.Fatal(err)
		}
		if snd.n > lensFrames+1000 || count.n > 1<<20 {
			t.Errorf("span %v s: %d samples and %d bytes of the look read", span, snd.n, count.n)
		}
		details[lens.Detail] = true
		if x := svg(t, lens.Canvas); len(x) > 1<<20 || strings.Contains(x, "NaN") || strings.Contains(x, "Inf") {
			t.Errorf("span %v s: picture of %d bytes", span, len(x))
		}
	}
	lens, err := l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: 1, SpanS: 2})
	if err != nil {
		t.Fatal(err)
	}
	details[lens.Detail] = true // the leader
	if len(details) != 4 {
		t.Errorf("levels of detail seen: %v, want side, bytes, bits and samples", details)
	}
}

type countingReader struct {
	*bytes.Reader
	n int
}

func (c *countingReader) ReadAt(b []byte, at int64) (int, error) {
	c.n += len(b)
	return c.Reader.ReadAt(b, at)
}

// What a browser may ask for is put right, and a request that nobody waits for any more stops.
func TestLensLimits(t *testing.T) {
	code := codes(t, "pulse500")[0]
	s, _ := side(t, SideOptions{Code: code, StartS: 0.5, EndS: 1}, Item{Name: "HERON", Kind: MachineTape, Blocks: [][]byte{heron(2)}})
	_, l, f := looked(t, s, 1, "pulse500")
	for _, o := range []LensOptions{
		{FromS: -5, SpanS: 1}, {FromS: 1e9, SpanS: 1}, {FromS: math.NaN(), SpanS: math.NaN()}, {FromS: math.Inf(1), SpanS: math.Inf(1)}, {FromS: math.Inf(-1), SpanS: 1e-300},
		{FromS: 1, SpanS: 0.01, Width: -4}, {FromS: 1, SpanS: 0.01, Width: math.MaxInt}, {FromS: l.Seconds(), SpanS: 1e-9},
	} {
		lens, err := l.Lens(t.Context(), f, sound(s, 1), o)
		if err != nil {
			t.Errorf("%+v: %v", o, err)
			continue
		}
		if !(lens.FromS >= 0 && lens.SpanS > 0 && lens.FromS+lens.SpanS <= l.Seconds()+1e-9) || lens.Canvas.Width < 280 || lens.Canvas.Width > 1600 {
			t.Errorf("%+v: drawn from %v, %v s, %v px", o, lens.FromS, lens.SpanS, lens.Canvas.Width)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.Lens(ctx, f, sound(s, 1), LensOptions{SpanS: 1}); err != context.Canceled {
		t.Errorf("a lens nobody waits for: %v, want context.Canceled", err)
	}
	a, err := l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: 8, SpanS: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	b, err := l.Lens(t.Context(), f, sound(s, 1), LensOptions{FromS: 8, SpanS: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	if svg(t, a.Canvas) != svg(t, b.Canvas) {
		t.Error("the same lens twice differs")
	}
}

// The lens of a stereo recording shows the signal that was listened to, put together as it was then: at a mono-like
// recording with one channel upside down and late it is the sum, not the difference.
func TestLensPutsChannelsTogether(t *testing.T) {
	code := codes(t, "pulse500")[0]
	m, _ := side(t, SideOptions{Code: code, StartS: 0.5, EndS: 1}, Item{Name: "HERON", Kind: MachineTape, Blocks: [][]byte{heron(6)}})
	s := make([]float32, 2*len(m))
	rnd := rand.New(rand.NewPCG(1, 2))
	for i := range m {
		s[2*i] = m[i] + float32(0.08*rnd.NormFloat64())
		if i >= 5 {
			s[2*i+1] = -m[i-5] + float32(0.08*rnd.NormFloat64())
		}
	}
	r, l, f := looked(t, s, 2, "pulse500")
	if r.Programs[0].Channel != "both" {
		t.Fatalf("channel %q, want both", r.Programs[0].Channel)
	}
	d := l.drawer(f, 12, 0.02, 960)
	v, err := d.read(sound(s, 2), "both", 0.02*44100)
	if err != nil {
		t.Fatal(err)
	}
	off := 0.0
	for i := range v.s[:len(v.s)-5] {
		off += math.Pow(float64(v.s[i]-m[int(v.first)+i]), 2) / float64(len(v.s)-5)
	}
	if got := math.Sqrt(off); got < 0.045 || got > 0.068 { // the noise of two channels, halved in power: 0.08/sqrt 2 = 0.057
		t.Errorf("the combination is off the tape by %.3f rms, want 0.057", got)
	}
	// Bytes stand where they were written, without the delay of the combination.
	want := 0.5 + code.LeaderSeconds() + 8*code.BitSeconds(0)
	if got, _ := l.At(f, 0, 0); math.Abs(got-want) > 2e-4 {
		t.Errorf("first byte at %.6f s, written at %.6f s", got, want)
	}
}

// Peaks keep every sample within their step at every level, and a spike of one sample is in all of them.
func TestPeaks(t *testing.T) {
	m := newPeakMeter()
	s := make([]float32, 100_000)
	for i := range s {
		s[i] = float32(0.3 * math.Sin(float64(i)/40))
	}
	s[77_777] = -0.9
	m.add(s[:33_333], 0, 1)
	m.add(s[33_333:], 0, 1)
	step := m.step
	for k, level := range m.levels() {
		for i, p := range level {
			for _, v := range s[int64(i)*step : min(int64(len(s)), int64(i+1)*step)] {
				if x := float64(v) * math.MaxInt16; x < float64(p.lo)-1e-3 || x > float64(p.hi)+1e-3 {
					t.Fatalf("level %d, step %d: %v lies outside %v", k, i, x, p)
				}
			}
		}
		if p := level[77_777/step]; p.lo > -29_000 {
			t.Errorf("level %d: the spike is not in %v", k, p)
		}
		step *= peakRatio
	}
	// A recording of any length fits.
	m = newPeakMeter()
	m.step = 1
	m.add(make([]float32, maxPeaks+5), 0, 1)
	if len(m.done) > maxPeaks || m.step != 2 {
		t.Errorf("%d peaks of %d samples, want at most %d", len(m.done), m.step, maxPeaks)
	}
}

// A Look that was altered is refused or harmless; it lies in a folder other programs can write to.
func FuzzLook(f *testing.F) {
	code := codes(f, "pulse500")[0]
	s, _ := side(f, SideOptions{Code: code, EndS: 0.2, Mastering: Mastering{LeaderS: 1}}, Item{Name: "HERON", Kind: MachineTape, Blocks: [][]byte{heron(1)}})
	w := NewWatch(audio.NewBuffer(44100, 1, s))
	r, err := Read(context.Background(), w, []*linecode.Code{code}, ReadOptions{Keep: true}, nil)
	if err != nil {
		f.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteLook(&b, r, w, LookSource{Name: "a.flac", Places: []audio.Place{{Frame: 0, Byte: 90}}}); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes(), 0.5, 0.01)
	f.Add(b.Bytes()[:200], 0.0, 1.0)
	f.Add([]byte(fmt.Sprintf("%s\x02\x00\x00\x00\x00\x00\x00\x00{}", lookMagic)), 0.0, 1.0)
	f.Fuzz(func(t *testing.T, file []byte, from, span float64) {
		if len(file) > 1<<20 {
			return
		}
		r := bytes.NewReader(file)
		l, err := OpenLook(r, int64(len(file)))
		if err != nil {
			return
		}
		if _, err := l.Lens(t.Context(), r, nil, LensOptions{FromS: from, SpanS: span, Width: 400}); err != nil {
			return
		}
		if s, err := l.Outline(t.Context(), r, 400); err == nil {
			s.Frame(from, span)
		}
		l.Place(r)(1000)
	})
}

// On a recording as the modulator writes it every bit matches the declared waveform; where noise took its place it does
// not. In every code, upside down as well.
func TestLensMatchesTheDeclaredWaveform(t *testing.T) {
	for _, c := range codes(t) {
		data := randomBytes(24, 3)
		if c.Framing.Bits < 8 {
			for i := range data {
				data[i] &= 1<<c.Framing.Bits - 1
			}
		}
		s, _ := side(t, SideOptions{Code: c, StartS: 1, EndS: 1, Mastering: Mastering{Invert: true}}, Item{Name: "TIDE", Kind: Unknown, Blocks: [][]byte{data}})
		_, l, f := looked(t, s, 1, c.Name)
		at, _ := l.At(f, 0, 10)
		to, _ := l.At(f, 0, 13)
		match := func() (least, mean float64) {
			d := l.drawer(f, at, to-at, 1600)
			bytes, _, err := l.Bytes(f, at, to, 100)
			if err != nil {
				t.Fatal(err)
			}
			var bits []lensBit
			for i := range bytes {
				bits = append(bits, l.bitsOf(&bytes[i])...)
			}
			v, err := d.read(sound(s, 1), "mono", (to-at)*44100)
			if err != nil {
				t.Fatal(err)
			}
			least, n := 1.0, 0.0
			for _, m := range d.match(v, bits)[1:3] { // bytes that are in view as a whole
				for _, rho := range m.rho {
					least = math.Min(least, rho)
					mean += rho
					n++
				}
			}
			return least, mean / n
		}
		if least, mean := match(); least < 0.7 || mean < 0.9 {
			t.Errorf("%s: bits as written match %.2f at least, %.2f in the mean; want 0.7 and 0.9", c.Name, least, mean)
		}
		rnd := rand.New(rand.NewPCG(8, 8))
		for i := int(at * 44100); i < int(to*44100); i++ {
			s[i] = float32(0.3 * rnd.NormFloat64())
		}
		if _, mean := match(); mean > 0.5 {
			t.Errorf("%s: noise matches %.2f in the mean", c.Name, mean)
		}
	}
}
