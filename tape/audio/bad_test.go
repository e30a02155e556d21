package audio

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func newBuf(b []byte) *bufio.Reader { return bufio.NewReaderSize(bytes.NewReader(b), 1<<16) }

func wavBytes(t testing.TB, frames int) []byte {
	var b bytes.Buffer
	k, err := CreateWAV(&b, Format{RateHz: 44100, Channels: 1, Bits: 16}, int64(frames))
	if err != nil {
		t.Fatal(err)
	}
	if err := k.Write(make([]float32, frames)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestBadHeaders(t *testing.T) {
	good := wavBytes(t, 1000)
	put := func(at int, v ...byte) []byte { c := bytes.Clone(good); copy(c[at:], v); return c }
	for _, tt := range []struct {
		name   string
		in     []byte
		err    string // "" opens
		frames int
		note   string
	}{
		{"whole", good, "", 1000, ""},
		{"empty file", nil, "the file is empty", 0, ""},
		{"text", []byte("a letter to the reader"), "want WAV, FLAC, MP3 or Ogg", 0, ""},
		{"header cut", good[:30], "fmt chunk", 0, ""},
		{"no data chunk", good[:36], "data chunk", 0, ""},
		{"no samples", good[:44], "holds no samples", 0, ""},
		{"sound cut", good[:1044], "", 500, "cut short"},
		{"size too large", put(40, 0xF0, 0xFF, 0xFF, 0x7F), "", 1000, "promises 2147483632 bytes"},
		{"streamed, all ones", put(40, 0xFF, 0xFF, 0xFF, 0xFF), "", 1000, "streamed"},
		{"streamed, zeros", func() []byte { c := put(40, 0, 0, 0, 0); copy(c[4:], []byte{0, 0, 0, 0}); return c }(), "", 1000, "streamed"},
		{"really empty data", put(40, 0, 0, 0, 0), "holds no samples", 0, ""},
		{"no channels", put(22, 0, 0), "channels: want 1 to 32, found 0", 0, ""},
		{"rate 0", put(24, 0, 0, 0, 0), "sample rate", 0, ""},
		{"rate 4 GHz", put(24, 0xFF, 0xFF, 0xFF, 0xFF), "sample rate", 0, ""},
		{"ADPCM", put(20, 2, 0), "ADPCM", 0, ""},
		{"12 bits", put(34, 12, 0), "", 1000, ""},
		{"7 bytes a sample", put(32, 7, 0, 56, 0), "sample size", 0, ""},
		{"RIFX", put(3, 'X'), "RIFX", 0, ""},
		{"other RIFF", put(8, 'A', 'V', 'I', ' '), "want WAVE", 0, ""},
		{"odd chunk with pad", func() []byte {
			c := append(bytes.Clone(good[:12]), "LIST\x03\x00\x00\x00abc\x00fact\x04\x00\x00\x00\x00\x00\x00\x00"...)
			return append(c, good[12:]...)
		}(), "", 1000, ""},
		{"chunk past the end", func() []byte {
			return append(bytes.Clone(good[:36]), "LIST\xF0\xFF\xFF\x7Fabc"...)
		}(), `chunk "LIST"`, 0, ""},
		{"FLAC cut", []byte("fLaC\x00\x00"), "FLAC header", 0, ""},
		{"Ogg cut", []byte("OggS\x00\x02\x00\x00\x00\x00\x00\x00\x00\x00"), "Ogg", 0, ""},
	} {
		for _, size := range []int64{int64(len(tt.in)), -1} { // a file, and a pipe of unknown length
			f, err := OpenReader(bytes.NewReader(tt.in), "x", size)
			if tt.err != "" {
				if err == nil {
					_, err = ReadAll(f, 1<<20)
				}
				if size < 0 && tt.name == "no samples" && err == nil {
					continue // a pipe cannot tell beforehand; it just ends
				}
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("%s (size %d): error %v, want %q", tt.name, size, err, tt.err)
				}
				continue
			}
			if err != nil {
				t.Errorf("%s (size %d): %v", tt.name, size, err)
				continue
			}
			s, err := ReadAll(f, 1<<20)
			if err != nil || len(s) != tt.frames {
				t.Errorf("%s (size %d): %d frames, want %d, %v", tt.name, size, len(s), tt.frames, err)
			}
			note := strings.Join(f.Notes(), "; ")
			if size >= 0 && (tt.note == "") != (note == "") || size >= 0 && !strings.Contains(note, tt.note) {
				t.Errorf("%s: notes %q, want %q", tt.name, note, tt.note)
			}
		}
	}
}

// A 20 GB file of nothing is refused at its first bytes; behind a true header it opens at once.
func TestSparse(t *testing.T) {
	p := filepath.Join(t.TempDir(), "big.wav")
	if err := os.WriteFile(p, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(p, 20<<30); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(p); err == nil || !strings.Contains(err.Error(), "want WAV") {
		t.Errorf("20 GB of zeros: %v", err)
	}
	h := wavBytes(t, 1)[:44]
	binary.LittleEndian.PutUint32(h[40:], 0xFFFFFFFF)
	o, err := os.OpenFile(p, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := o.WriteAt(h, 0); err != nil {
		t.Fatal(err)
	}
	o.Close()
	f, err := Open(p)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if want := int64(20<<30-44) / 2; f.Len() != want {
		t.Errorf("Len = %d, want %d", f.Len(), want)
	}
	if n, err := f.Read(make([]float32, 4096)); n != 4096 || err != nil {
		t.Errorf("Read: %d, %v", n, err)
	}
}

func FuzzOpen(f *testing.F) {
	f.Add(wavBytes(f, 50))
	f.Add([]byte("fLaC\x80\x00\x00\x22\x10\x00\x10\x00\x00\x00\x0F\x00\x00\x0F\x0A\xC4\x42\xF0\x00\x00\x00\x01\x3E\x84\xB4\x18\x07\xDC\x69\x03\x07\x58\x6A\x3D\xAD\x1A\x2E\x0F\xFF\xF8\x69\x18\x00\x00\xBF\x03\x58\xFD\x03\x12\x8B\xAA\x9A"))
	f.Add([]byte("ID3\x03\x00\x00\x00\x00\x00\x00\xFF\xFB\x90\x64\x00\x00"))
	f.Add([]byte("RF64\xFF\xFF\xFF\xFFWAVEds64\x1c\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, in []byte) {
		if bytes.HasPrefix(in, []byte("OggS")) {
			return // that parser is somebody else's program
		}
		file, err := OpenReader(bytes.NewReader(in), "x", int64(len(in)))
		if err != nil {
			return
		}
		defer file.Close()
		buf := make([]float32, 1024*file.Format().Channels)
		ch := file.Format().Channels
		for i := 0; i < 20000; i++ {
			n, err := file.Read(buf)
			if n%ch != 0 {
				t.Fatalf("Read gave %d samples of %d channels", n, ch)
			}
			for _, v := range buf[:n] {
				if !(v >= -maxSample && v <= maxSample) {
					t.Fatalf("sample %v", v)
				}
			}
			if err != nil {
				if err == io.EOF {
					_ = file.Notes()
				}
				return
			}
		}
	})
}
