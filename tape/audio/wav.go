package audio

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

// WAVE format tags. Source: sheet E3 for PCM and the extensible form; the others from memory, named so that a person
// is told what the file holds.
const (
	wavPCM        = 1
	wavFloat      = 3
	wavExtensible = 0xFFFE
)

var wavOther = map[uint16]string{2: "ADPCM", 6: "A-law", 7: "mu-law", 0x11: "IMA ADPCM", 0x31: "GSM", 0x50: "MPEG", 0x55: "MP3"}

func isWAV(h []byte, _ *bufio.Reader) bool {
	return len(h) >= 4 && (string(h[:4]) == "RIFF" || string(h[:4]) == "RF64" || string(h[:4]) == "RIFX")
}

// wavSource reads the data chunk.
type wavSource struct {
	f       Format
	r       io.Reader
	frame   int   // bytes a frame
	start   int64 // byte of the file at which the samples begin
	left    int64 // bytes of data still promised; -1: to the end of the file
	frames  int64 // promised; -1 unknown
	read    int64 // bytes read
	convert func(dst []float32, src []byte) int
	buf     []byte
	remarks []string
	unfit   int64 // samples that are not numbers
	done    bool
}

func (w *wavSource) Format() Format { return w.f }
func (w *wavSource) Len() int64     { return w.frames }
func (w *wavSource) notes() []string {
	n := w.remarks
	if w.unfit > 0 {
		n = append(n[:len(n):len(n)], fmt.Sprintf("%d samples are not numbers; taken as silence", w.unfit))
	}
	return n
}

func openWAV(br *bufio.Reader, size int64) (Source, io.Closer, error) {
	var h [12]byte
	if _, err := io.ReadFull(br, h[:]); err != nil {
		return nil, nil, errors.New("WAV header: want 12 bytes, found fewer")
	}
	if string(h[:4]) == "RIFX" {
		return nil, nil, errors.New("WAV header: want RIFF (least significant byte first), found RIFX")
	}
	if string(h[8:]) != "WAVE" {
		return nil, nil, fmt.Errorf("RIFF form at byte 8: want WAVE, found %q", h[8:])
	}
	w := &wavSource{r: br, frames: -1}
	riff := binary.LittleEndian.Uint32(h[4:])
	pos := int64(12)
	var ds64 int64 = -1
	var haveFmt bool
	for chunk := 0; ; chunk++ {
		if chunk > 10_000 {
			return nil, nil, fmt.Errorf("byte %d: want a data chunk, found 10000 others", pos)
		}
		var c [8]byte
		if n, err := io.ReadFull(br, c[:]); err != nil {
			if !haveFmt {
				return nil, nil, fmt.Errorf("byte %d: want a fmt chunk, found the end of the file", pos)
			}
			return nil, nil, fmt.Errorf("byte %d: want a data chunk, found the end of the file (%d bytes left)", pos, n)
		}
		id, n := string(c[:4]), binary.LittleEndian.Uint32(c[4:])
		pos += 8
		switch id {
		case "fmt ":
			if err := w.format(br, n, pos); err != nil {
				return nil, nil, err
			}
			haveFmt = true
		case "ds64": // sizes of a file over 4 GiB
			if n < 16 || n > 1<<16 {
				return nil, nil, fmt.Errorf("byte %d: ds64 chunk: want 16 to 65536 bytes, found %d", pos, n)
			}
			b := make([]byte, n)
			if _, err := io.ReadFull(br, b); err != nil {
				return nil, nil, fmt.Errorf("byte %d: ds64 chunk: want %d bytes, found the end of the file", pos, n)
			}
			ds64 = int64(binary.LittleEndian.Uint64(b[8:]))
		case "data":
			if !haveFmt {
				return nil, nil, fmt.Errorf("byte %d: want a fmt chunk before the data, found none", pos)
			}
			w.start = pos
			return w, nil, w.data(n, riff, ds64, pos, size)
		default:
			if m, err := io.CopyN(io.Discard, br, int64(n)); err != nil {
				return nil, nil, fmt.Errorf("byte %d: chunk %q: want %d bytes, found %d", pos, id, n, m)
			}
		}
		pos += int64(n)
		if n&1 == 1 {
			_, _ = br.Discard(1) // the pad byte is not counted; its absence at the end of a file harms nothing
			pos++
		}
	}
}

func (w *wavSource) format(br *bufio.Reader, n uint32, pos int64) error {
	if n < 16 || n > 4096 {
		return fmt.Errorf("byte %d: fmt chunk: want 16 to 4096 bytes, found %d", pos, n)
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(br, b); err != nil {
		return fmt.Errorf("byte %d: fmt chunk: want %d bytes, found the end of the file", pos, n)
	}
	tag := binary.LittleEndian.Uint16(b)
	if tag == wavExtensible {
		if n < 26 {
			return fmt.Errorf("byte %d: extensible fmt chunk: want 40 bytes, found %d", pos, n)
		}
		tag = binary.LittleEndian.Uint16(b[24:])
	}
	w.f = Format{
		Channels: int(binary.LittleEndian.Uint16(b[2:])),
		RateHz:   int(min(binary.LittleEndian.Uint32(b[4:]), math.MaxInt32)),
		Bits:     int(binary.LittleEndian.Uint16(b[14:])),
		Float:    tag == wavFloat,
	}
	if err := w.f.check(); err != nil {
		return fmt.Errorf("byte %d: %w", pos, err)
	}
	align := int(binary.LittleEndian.Uint16(b[12:]))
	bytes := (w.f.Bits + 7) / 8
	if align != bytes*w.f.Channels && align != 0 {
		// A few programs keep, say, 20-bit samples in 4 bytes: the block size is what the data follow.
		if align%w.f.Channels != 0 || align/w.f.Channels < bytes || align/w.f.Channels > 8 {
			return fmt.Errorf("byte %d: block align: want %d for %s, found %d", pos+12, bytes*w.f.Channels, w.f, align)
		}
		bytes = align / w.f.Channels
	}
	switch {
	case tag == wavPCM && w.f.Bits >= 1 && bytes == 1:
		w.convert = fromU8
	case tag == wavPCM && w.f.Bits > 8 && bytes == 2:
		w.convert = fromS16
	case tag == wavPCM && w.f.Bits > 8 && bytes == 3:
		w.convert = fromS24
	case tag == wavPCM && w.f.Bits > 8 && bytes == 4:
		w.convert = fromS32
	case tag == wavFloat && w.f.Bits == 32 && bytes == 4:
		w.convert = w.fromF32
	case tag == wavFloat && w.f.Bits == 64 && bytes == 8:
		w.convert = w.fromF64
	case tag == wavPCM || tag == wavFloat:
		return fmt.Errorf("byte %d: sample size: want 8, 16, 24 or 32 bits, or 32 or 64 in floating point, found %s", pos+14, w.f)
	default:
		name := wavOther[tag]
		if name == "" {
			name = "unknown"
		}
		return fmt.Errorf("byte %d: coding: want PCM (1) or floating point (3), found %s (%d); convert it first, for example with sox", pos, name, tag)
	}
	w.frame = bytes * w.f.Channels
	return nil
}

// data settles how much of the rest of the file is sound. A header that lies is noted, and the file itself believed.
func (w *wavSource) data(n, riff uint32, ds64, pos, size int64) error {
	promised := int64(n)
	streamed := n == math.MaxUint32
	if n == 0 && (riff == 0 || riff == math.MaxUint32 || int64(riff) < pos-8) {
		streamed = true // a recorder that never came back to write the size
	}
	if ds64 >= 0 && n == math.MaxUint32 {
		promised, streamed = ds64, false
	}
	w.left = promised
	if streamed {
		w.left = -1
		w.remarks = append(w.remarks, "the header gives no size (a streamed recording); read to the end of the file")
	}
	if size >= 0 {
		rest := size - pos
		switch {
		case streamed:
			w.left = rest
		case promised > rest:
			w.remarks = append(w.remarks, fmt.Sprintf("the header promises %d bytes of sound, the file holds %d: cut short, or the header is wrong", promised, rest))
			w.left = rest
		}
		if w.left > 0 && w.left < int64(w.frame) {
			w.left = 0
		}
		if w.left == 0 {
			return errors.New("the recording holds no samples")
		}
		w.frames = w.left / int64(w.frame)
	} else if !streamed {
		if w.left < int64(w.frame) {
			return errors.New("the recording holds no samples")
		}
		w.frames = w.left / int64(w.frame)
	}
	w.buf = make([]byte, max(1, 32768/w.frame)*w.frame)
	return nil
}

func (w *wavSource) Read(dst []float32) (int, error) {
	if len(dst) < w.f.Channels {
		return 0, fmt.Errorf("read: want room for %d samples, found %d", w.f.Channels, len(dst))
	}
	if w.done {
		return 0, io.EOF
	}
	want := min(len(w.buf), len(dst)/w.f.Channels*w.frame)
	if w.left >= 0 && int64(want) > w.left {
		want = int(w.left) / w.frame * w.frame
	}
	if want == 0 {
		w.done = true
		return 0, io.EOF
	}
	got, err := io.ReadFull(w.r, w.buf[:want])
	got -= got % w.frame
	w.read += int64(got)
	if w.left >= 0 {
		w.left -= int64(got)
	}
	n := w.convert(dst, w.buf[:got])
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		w.done = true
		if w.left > 0 {
			w.remarks = append(w.remarks, fmt.Sprintf("the header promises %d bytes more than the file holds: cut short, or the header is wrong", w.left))
		}
		w.frames = w.read / int64(w.frame)
		err = io.EOF
	}
	return n, err
}

func fromU8(dst []float32, src []byte) int {
	for i, b := range src {
		dst[i] = float32(int(b)-128) * (1.0 / 128)
	}
	return len(src)
}

func fromS16(dst []float32, src []byte) int {
	n := len(src) / 2
	dst = dst[:n]
	for len(dst) >= 4 && len(src) >= 8 { // four at a time
		w, d := binary.LittleEndian.Uint64(src), (*[4]float32)(dst)
		d[0] = float32(int16(w)) * (1.0 / 32768)
		d[1] = float32(int16(w>>16)) * (1.0 / 32768)
		d[2] = float32(int16(w>>32)) * (1.0 / 32768)
		d[3] = float32(int16(w>>48)) * (1.0 / 32768)
		dst, src = dst[4:], src[8:]
	}
	for i := range dst {
		dst[i] = float32(int16(binary.LittleEndian.Uint16(src[2*i:]))) * (1.0 / 32768)
	}
	return n
}

func fromS24(dst []float32, src []byte) int {
	n := len(src) / 3
	for i := 0; i < n; i++ {
		b := src[3*i : 3*i+3]
		dst[i] = float32(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)>>8) * (1.0 / (1 << 23))
	}
	return n
}

func fromS32(dst []float32, src []byte) int {
	n := len(src) / 4
	for i := 0; i < n; i++ {
		dst[i] = float32(int32(binary.LittleEndian.Uint32(src[4*i:]))) * (1.0 / (1 << 31))
	}
	return n
}

// maxSample keeps absurd floating-point files from overflowing sums of squares; 60 dB over full scale is no recording.
const maxSample = 1000

func (w *wavSource) fromF32(dst []float32, src []byte) int {
	n := len(src) / 4
	for i := 0; i < n; i++ {
		v := math.Float32frombits(binary.LittleEndian.Uint32(src[4*i:]))
		if !(v >= -maxSample && v <= maxSample) {
			v = 0
			w.unfit++
		}
		dst[i] = v
	}
	return n
}

func (w *wavSource) fromF64(dst []float32, src []byte) int {
	n := len(src) / 8
	for i := 0; i < n; i++ {
		v := math.Float64frombits(binary.LittleEndian.Uint64(src[8*i:]))
		if !(v >= -maxSample && v <= maxSample) {
			v = 0
			w.unfit++
		}
		dst[i] = float32(v)
	}
	return n
}
