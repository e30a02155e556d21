package audio

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
)

// wavSink writes the canonical 44-byte header and the samples.
type wavSink struct {
	w       io.Writer
	f       Format
	want    int64 // frames promised in the header; -1: patched at Close
	frames  int64
	buf     []byte
	start   int64
	clipped int64
}

// CreateWAV starts a WAV of f (8, 16 or 24 bits, or 32 bits floating point) on w. frames is the number of frames that
// will be written; with -1 w must be an io.WriteSeeker, so that Close can go back and fill in the sizes. The bytes
// depend on nothing but the samples.
func CreateWAV(w io.Writer, f Format, frames int64) (Sink, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	switch {
	case f.Float && f.Bits == 32, !f.Float && (f.Bits == 8 || f.Bits == 16 || f.Bits == 24):
	default:
		return nil, fmt.Errorf("WAV sample size: want 8, 16 or 24 bits, or 32 in floating point, found %s", f)
	}
	s := &wavSink{w: w, f: f, want: frames, buf: make([]byte, 0, 32768)}
	if frames < 0 {
		ws, ok := w.(io.WriteSeeker)
		if !ok {
			return nil, fmt.Errorf("WAV on a stream that cannot be rewound: want the number of frames beforehand, found none")
		}
		p, err := ws.Seek(0, io.SeekCurrent)
		if err != nil {
			return nil, err
		}
		s.start = p
		frames = 0
	}
	h, err := wavHeader(f, frames)
	if err != nil {
		return nil, err
	}
	_, err = w.Write(h)
	return s, err
}

// wavHeader is the 44 bytes before the samples. Source: sheet E3.
func wavHeader(f Format, frames int64) ([]byte, error) {
	frame := f.Bits / 8 * f.Channels
	size := frames * int64(frame)
	if size > math.MaxUint32-44 {
		return nil, fmt.Errorf("WAV: want at most %d frames of %s (4 GiB), found %d; write FLAC instead", (math.MaxUint32-44)/int64(frame), f, frames)
	}
	tag := uint16(wavPCM)
	if f.Float {
		tag = wavFloat
	}
	le := binary.LittleEndian
	h := append(make([]byte, 0, 44), "RIFF"...)
	h = le.AppendUint32(h, uint32(36+size+size&1))
	h = append(h, "WAVEfmt "...)
	h = le.AppendUint32(h, 16)
	h = le.AppendUint16(h, tag)
	h = le.AppendUint16(h, uint16(f.Channels))
	h = le.AppendUint32(h, uint32(f.RateHz))
	h = le.AppendUint32(h, uint32(f.RateHz*frame))
	h = le.AppendUint16(h, uint16(frame))
	h = le.AppendUint16(h, uint16(f.Bits))
	h = append(h, "data"...)
	return le.AppendUint32(h, uint32(size)), nil
}

func (s *wavSink) Write(samples []float32) error {
	if len(samples)%s.f.Channels != 0 {
		return fmt.Errorf("WAV: want whole frames of %d samples, found %d samples", s.f.Channels, len(samples))
	}
	s.frames += int64(len(samples) / s.f.Channels)
	for len(samples) > 0 {
		n := min(len(samples), 4096)
		b := s.buf[:0]
		switch {
		case s.f.Float:
			for _, v := range samples[:n] {
				b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
			}
		case s.f.Bits == 8:
			for _, v := range samples[:n] {
				b = append(b, byte(quantise(v, 127, &s.clipped)+128))
			}
		case s.f.Bits == 16:
			b = b[:2*n]
			for i, v := range samples[:n] {
				binary.LittleEndian.PutUint16(b[2*i:], uint16(quantise(v, 32767, &s.clipped)))
			}
		default:
			for _, v := range samples[:n] {
				q := quantise(v, 1<<23-1, &s.clipped)
				b = append(b, byte(q), byte(q>>8), byte(q>>16))
			}
		}
		if _, err := s.w.Write(b); err != nil {
			return err
		}
		samples = samples[n:]
	}
	return nil
}

// quantise rounds v to a whole number of steps, full scale at ±top. What lies beyond is cut and counted.
func quantise(v float32, top int32, clipped *int64) int32 {
	x := float64(v) * float64(top+1)
	switch {
	case x > float64(top):
		if x >= float64(top)+1.5 {
			*clipped++
		}
		return top
	case x < -float64(top)-1:
		*clipped++
		return -top - 1
	case x != x:
		return 0
	}
	if x < 0 {
		return int32(x - 0.5)
	}
	return int32(x + 0.5)
}

func (s *wavSink) Close() error {
	if size := s.frames * int64(s.f.Bits/8*s.f.Channels); size&1 == 1 {
		if _, err := s.w.Write([]byte{0}); err != nil {
			return err
		}
	}
	if s.want >= 0 {
		if s.frames != s.want {
			return fmt.Errorf("WAV: header promises %d frames, %d were written", s.want, s.frames)
		}
		return nil
	}
	h, err := wavHeader(s.f, s.frames)
	if err != nil {
		return err
	}
	ws := s.w.(io.WriteSeeker)
	if _, err := ws.Seek(s.start, io.SeekStart); err != nil {
		return err
	}
	if _, err := ws.Write(h); err != nil {
		return err
	}
	_, err = ws.Seek(0, io.SeekEnd)
	return err
}

// Clipped is the number of samples that lay beyond full scale and were cut.
func (s *wavSink) Clipped() int64 { return s.clipped }
