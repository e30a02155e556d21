package audio

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"io"

	mp3 "github.com/hajimehoshi/go-mp3"
)

// isMP3 wants an ID3 tag, or two frame headers at the distance the first one says; one alone is found in any file.
func isMP3(h []byte, br *bufio.Reader) bool {
	if bytes.HasPrefix(h, []byte("ID3")) {
		return true
	}
	if len(h) < 4 || h[0] != 0xFF {
		return false
	}
	n := mp3Frame(h)
	if n == 0 {
		return false
	}
	b, _ := br.Peek(n + 4)
	return len(b) == n+4 && mp3Frame(b[n:]) > 0
}

// mp3Frame is the length of the layer III frame whose header begins h, 0 if it begins with none. Source: ISO/IEC
// 11172-3, frame header (from memory).
func mp3Frame(h []byte) int {
	if h[0] != 0xFF || h[1]&0xE0 != 0xE0 {
		return 0
	}
	version, layer := h[1]>>3&3, h[1]>>1&3
	rate, pad, bit := int(h[2]>>2&3), int(h[2]>>1&1), int(h[2]>>4)
	if version == 1 || layer != 1 || rate == 3 || bit == 0 || bit == 15 {
		return 0
	}
	hz := [3]int{44100, 48000, 32000}[rate]
	if version == 3 {
		return 144*1000*[16]int{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320}[bit]/hz + pad
	}
	hz /= 2
	if version == 0 {
		hz /= 2
	}
	return 72*1000*[16]int{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160}[bit]/hz + pad
}

type mp3Source struct {
	f   Format
	d   *mp3.Decoder
	buf []byte
	err error
}

func openMP3(br *bufio.Reader, _ int64) (src Source, c io.Closer, err error) {
	defer func() {
		if r := recover(); r != nil {
			src, err = nil, fmt.Errorf("MP3: malformed frame: %v", r)
		}
	}()
	d, err := mp3.NewDecoder(onlyReader{br})
	if err != nil {
		return nil, nil, fmt.Errorf("MP3: %w", err)
	}
	return &mp3Source{f: Format{RateHz: d.SampleRate(), Channels: 2, Bits: 16}, d: d, buf: make([]byte, 16384)}, nil, nil
}

// onlyReader hides everything but Read: the decoder would otherwise seek through the file to measure it.
type onlyReader struct{ io.Reader }

func (s *mp3Source) Format() Format { return s.f }
func (s *mp3Source) Len() int64     { return -1 }

func (s *mp3Source) Read(dst []float32) (n int, err error) {
	if len(dst) < 2 {
		return 0, fmt.Errorf("read: want room for 2 samples, found %d", len(dst))
	}
	if s.err != nil {
		return 0, s.err
	}
	defer func() {
		if r := recover(); r != nil {
			s.err = fmt.Errorf("MP3: malformed frame: %v", r)
			err = s.err
		}
	}()
	want := min(len(s.buf), len(dst)/2*4)
	got, err := io.ReadFull(s.d, s.buf[:want])
	got -= got % 4
	for i := 0; i < got; i += 2 {
		dst[i/2] = float32(int16(binary.LittleEndian.Uint16(s.buf[i:]))) * (1.0 / 32768)
	}
	if err == io.ErrUnexpectedEOF {
		err = io.EOF
	}
	if err != nil {
		s.err = err
	}
	return got / 2, err
}
