package audio

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"testing"
)

// wavyNoise is n frames of ch channels of a tone with a fixed pattern on it, so that no two stretches are alike.
func wavyNoise(n, ch int) []float32 {
	s := make([]float32, n*ch)
	x := uint32(1)
	for i := range s {
		x = x*1664525 + 1013904223
		s[i] = float32(0.5*math.Sin(float64(i)/17) + float64(int32(x))/(1<<33))
	}
	return s
}

// Any stretch that a Seeker gives is the same as reading the file from its start; what reads from the start is tested
// against sox and flac in this package. FLAC comes from the general-purpose encoder 'flac' and from our own.
func TestSeekerGivesWhatReadingGives(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, f Format, create func(io.Writer, Format, int64) (Sink, error)) string {
		p := filepath.Join(dir, name)
		out, err := os.Create(p)
		if err != nil {
			t.Fatal(err)
		}
		defer out.Close()
		sink, err := create(out, f, -1)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(sink.Write(wavyNoise(300_001, f.Channels)), sink.Close()); err != nil {
			t.Fatal(err)
		}
		return p
	}
	files := []string{
		write("mono16.wav", Format{RateHz: 48000, Channels: 1, Bits: 16}, CreateWAV),
		write("stereo24.wav", Format{RateHz: 44100, Channels: 2, Bits: 24}, CreateWAV),
		write("mono8.wav", Format{RateHz: 8000, Channels: 1, Bits: 8}, CreateWAV),
		write("float.wav", Format{RateHz: 44100, Channels: 2, Bits: 32, Float: true}, CreateWAV),
		write("own.flac", Format{RateHz: 44100, Channels: 2, Bits: 16}, CreateFLAC),
	}
	if out, err := exec.Command("flac", "-s", "-5", "-o", filepath.Join(dir, "other.flac"), files[0]).CombinedOutput(); err != nil {
		t.Fatalf("flac (apt install flac): %v\n%s", err, out)
	}
	for _, p := range append(files, filepath.Join(dir, "other.flac")) {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		count := &Counter{R: bytes.NewReader(b)}
		f, err := OpenReader(count, p, int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		places := f.Places(func() int64 { return count.N })
		all, err := ReadAll(f, 1<<20)
		if err != nil {
			t.Fatal(err)
		}
		ch := f.Format().Channels
		if f.Kind == "FLAC" && len(places()) < 10 {
			t.Errorf("%s: %d places noted in 6 s, want one about every half second", p, len(places()))
		}
		sk, err := NewSeeker(bytes.NewReader(b), int64(len(b)), placesIn(places()))
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []int64{0, 1, 4095, 4096, 4097, 123_456, 299_000, 300_000} {
			buf := make([]float32, 5000*ch)
			n, err := sk.ReadFrames(buf, at)
			if err != nil {
				t.Fatalf("%s from %d: %v", p, at, err)
			}
			want := all[at*int64(ch) : min(int64(len(all)), (at+5000)*int64(ch))]
			if !slices.Equal(buf[:n*ch], want) {
				t.Errorf("%s: %d frames from %d differ from those read from the start (want %d)", p, n, at, len(want)/ch)
			}
		}
		if n, err := sk.ReadFrames(make([]float32, 10*ch), 300_001); n != 0 || err != nil {
			t.Errorf("%s: beyond the end: %d frames, %v; want none", p, n, err)
		}
		if _, err := sk.ReadFrames(make([]float32, 10*ch), -1); err == nil {
			t.Errorf("%s: frame -1 was read", p)
		}
	}
	if _, err := NewSeeker(bytes.NewReader([]byte("OggS and more")), 13, nil); err == nil {
		t.Error("Ogg was opened for looking anywhere")
	}
}

// A FLAC whose places are not those of the file gives an error or wrong sound, never a crash or endless work.
func FuzzSeekFLAC(f *testing.F) {
	var b bytes.Buffer
	sink, err := CreateFLAC(&b, Format{RateHz: 8000, Channels: 1, Bits: 16}, 9000)
	if err != nil {
		f.Fatal(err)
	}
	if err := errors.Join(sink.Write(wavyNoise(9000, 1)), sink.Close()); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes(), int64(86), int64(0), int64(5000))
	f.Add(b.Bytes(), int64(99), int64(4096), int64(4100))
	f.Fuzz(func(t *testing.T, file []byte, at, frame, from int64) {
		if len(file) > 1<<16 {
			return
		}
		s, err := NewSeeker(bytes.NewReader(file), int64(len(file)), func(int64) Place { return Place{frame, at} })
		if err != nil {
			return
		}
		buf := make([]float32, 64*s.Format().Channels)
		if n, err := s.ReadFrames(buf, from); err == nil && (n < 0 || n > 64) {
			t.Errorf("%d frames into room for 64", n)
		}
	})
}

// placesIn is the place function for places in memory, in order.
func placesIn(p []Place) func(int64) Place {
	return func(frame int64) Place {
		i := sort.Search(len(p), func(i int) bool { return p[i].Frame > frame })
		if i == 0 {
			return Place{}
		}
		return p[i-1]
	}
}
