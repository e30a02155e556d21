// Package audio reads and writes the sound files that tapes travel in, a buffer at a time.
//
// Sound is a row of frames, one sample a channel, taken at a fixed rate. A sample is a float32 where ±1 is full
// scale whatever the file stores: an 8-bit file stores 0..255 with 128 for silence, a 16-bit file -32768..32767, a
// float file the number itself. A file therefore has three figures, rate, channels and bits, and one long row:
//
//	f, err := audio.Open("side-a.wav")   // recognised by content: WAV, FLAC, MP3, Ogg
//	buf := make([]float32, 4096)
//	for {
//		n, err := f.Read(buf)        // n samples, a whole number of frames
//		use(buf[:n])                 // left, right, left, right, ...
//		if err == io.EOF { break }
//	}
//
// Nothing here holds a whole recording: an hour or a hundred hours take the same few hundred kilobytes. What a header
// promises and a file does not keep is told in Notes and never trusted with an allocation. Sources: RIFF WAVE as in
// the sheet's E3 (and its own streamed forms, from memory), FLAC by RFC 9639.
package audio

import (
	"errors"
	"fmt"
	"io"
	"math"
)

// Format is the shape of a recording.
type Format struct {
	RateHz   int  // frames a second
	Channels int  // samples a frame
	Bits     int  // bits a stored sample: 8, 16, 24, 32, 64 (float)
	Float    bool // stored as floating point
}

func (f Format) String() string {
	kind := "bit"
	if f.Float {
		kind = "bit float"
	}
	ch := fmt.Sprintf("%d channels", f.Channels)
	switch f.Channels {
	case 1:
		ch = "mono"
	case 2:
		ch = "stereo"
	}
	return fmt.Sprintf("%d Hz, %s, %d %s", f.RateHz, ch, f.Bits, kind)
}

// Limits of what is taken for a recording. A header outside them is an error, not an allocation.
const (
	MinRateHz   = 4000
	MaxRateHz   = 768_000
	MaxChannels = 32
)

// ErrNotAudio is wrapped by the error of Open for a file that is none of the known kinds.
var ErrNotAudio = errors.New("not a sound file of a known kind")

// A Source gives the frames of a recording in order.
type Source interface {
	Format() Format
	// Read fills buf with interleaved samples and says how many; always whole frames, so buf must hold at least one.
	// It may give samples and io.EOF, or samples and the error that ended them, together.
	Read(buf []float32) (n int, err error)
	// Len is the number of frames the recording holds, -1 where only reading it to the end will tell.
	Len() int64
}

// A Sink takes the frames of a recording in order. Close completes the file but does not close what it is written to.
type Sink interface {
	Write(samples []float32) error // interleaved, whole frames, ±1 full scale
	Close() error
}

func (f Format) check() error {
	switch {
	case f.RateHz < MinRateHz || f.RateHz > MaxRateHz:
		return fmt.Errorf("sample rate: want %d to %d Hz, found %d", MinRateHz, MaxRateHz, f.RateHz)
	case f.Channels < 1 || f.Channels > MaxChannels:
		return fmt.Errorf("channels: want 1 to %d, found %d", MaxChannels, f.Channels)
	}
	return nil
}

// Buffer is a Source over samples in memory.
type Buffer struct {
	F       Format
	Samples []float32
	pos     int
}

// NewBuffer gives the samples (interleaved) as a Source; they are not copied.
func NewBuffer(rateHz, channels int, samples []float32) *Buffer {
	return &Buffer{F: Format{RateHz: rateHz, Channels: channels, Bits: 32, Float: true}, Samples: samples}
}

func (b *Buffer) Format() Format { return b.F }
func (b *Buffer) Len() int64     { return int64(len(b.Samples) / b.F.Channels) }

func (b *Buffer) Read(buf []float32) (int, error) {
	rest := b.Samples[b.pos:]
	n := min(len(rest), len(buf))
	n -= n % b.F.Channels
	copy(buf, rest[:n])
	b.pos += n
	if n == 0 {
		return 0, io.EOF
	}
	return n, nil
}

// Rewind starts again from the first frame.
func (b *Buffer) Rewind() { b.pos = 0 }

// Collector is a Sink that keeps the samples in memory.
type Collector struct{ Samples []float32 }

func (c *Collector) Write(s []float32) error { c.Samples = append(c.Samples, s...); return nil }
func (c *Collector) Close() error            { return nil }

// ReadAll reads at most maxFrames frames of s; it is an error if there are more.
func ReadAll(s Source, maxFrames int64) ([]float32, error) {
	ch := s.Format().Channels
	var out []float32
	buf := make([]float32, 8192/ch*ch)
	for {
		n, err := s.Read(buf)
		out = append(out, buf[:n]...)
		if int64(len(out)/ch) > maxFrames {
			return out, fmt.Errorf("recording: want at most %d frames, found more", maxFrames)
		}
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
	}
}

// DB is the level of an amplitude where 1 is full scale: 20 log10; -200 for nothing at all.
func DB(amplitude float64) float64 {
	if amplitude < 1e-10 {
		return -200
	}
	return 20 * math.Log10(amplitude)
}

// Amplitude is the inverse of DB.
func Amplitude(db float64) float64 { return math.Pow(10, db/20) }
