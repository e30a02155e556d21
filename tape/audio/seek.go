package audio

import (
	"bufio"
	"crypto/md5"
	"errors"
	"fmt"
	"io"
	"math"
)

// Place says at which byte of a file a frame of the recording stands.
type Place struct{ Frame, Byte int64 }

// placeEveryS is how far apart the places that are noted in a FLAC stand: so much is decoded in vain, at most, to reach
// a frame.
const placeEveryS = 0.5

// Places notes, while f is read from its start, where in the file its frames stand; it must be called before the first
// Read, with what counts the bytes taken from the file. Only FLAC needs it: what comes after is found by it. The
// function given back tells the places so far, in order.
//
// FLAC has a seek table of its own (RFC 9639, 8.5), but few files carry one, and a recording cut short carries a false
// one; what reading has found is true.
func (f *File) Places(taken func() int64) func() []Place {
	s, ok := f.Source.(*flacSource)
	if !ok {
		return func() []Place { return nil }
	}
	s.tell = func() int64 { return taken() - int64(s.br.Buffered()) }
	return func() []Place { return s.places }
}

func (s *flacSource) place(frame, at int64) {
	if s.tell == nil {
		return
	}
	if n := len(s.places); n > 0 && float64(frame-s.places[n-1].Frame) < placeEveryS*float64(s.f.RateHz) {
		return
	}
	s.places = append(s.places, Place{frame, at})
}

// Counter is a reader that counts what is taken from it.
type Counter struct {
	R io.Reader
	N int64
}

func (c *Counter) Read(b []byte) (int, error) {
	n, err := c.R.Read(b)
	c.N += int64(n)
	return n, err
}

// Seeker gives any stretch of a recording without reading what lies before it: of WAV, and of FLAC by its places.
// It is for one goroutine at a time; many may be open on one file.
type Seeker struct {
	r      io.ReaderAt
	size   int64
	f      Format
	wav    *wavSource
	flac   *flacSource
	places func(frame int64) Place
	frames int64
}

// ErrNoSeek is the error of NewSeeker for a recording of another kind than WAV and FLAC.
var ErrNoSeek = errors.New("want WAV or FLAC to look anywhere in a recording")

// NewSeeker opens the recording in r, size bytes long. place gives the last known place at or before a frame; WAV does
// not ask for it.
func NewSeeker(r io.ReaderAt, size int64, place func(frame int64) Place) (*Seeker, error) {
	f, err := OpenReader(io.NewSectionReader(r, 0, size), "recording", size)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	s := &Seeker{r: r, size: size, f: f.Format(), places: place, frames: f.Len()}
	switch src := f.Source.(type) {
	case *wavSource:
		s.wav = src
	case *flacSource:
		s.flac = src
	default:
		return nil, ErrNoSeek
	}
	return s, nil
}

// Format is that of the recording.
func (s *Seeker) Format() Format { return s.f }

// Bounds of one ReadFrames: frames given, bytes of FLAC read.
const (
	MaxSeekFrames = 1 << 22
	maxSeekBytes  = 64 << 20
)

// ReadFrames gives the frames from frame from on, interleaved, as many as fit into buf; fewer at the end of the
// recording.
func (s *Seeker) ReadFrames(buf []float32, from int64) (frames int, err error) {
	ch := s.f.Channels
	n := len(buf) / ch
	if from < 0 || n < 0 || n > MaxSeekFrames {
		return 0, fmt.Errorf("frames %d to %d: want at most %d from 0 on", from, from+int64(n), MaxSeekFrames)
	}
	if s.frames >= 0 {
		n = int(min(int64(n), max(0, s.frames-from)))
	}
	if n == 0 {
		return 0, nil
	}
	if s.wav != nil {
		return s.readWAV(buf[:n*ch], from)
	}
	return s.readFLAC(buf[:n*ch], from)
}

func (s *Seeker) readWAV(buf []float32, from int64) (int, error) {
	ch, frame := s.f.Channels, s.wav.frame
	if from > math.MaxInt64/int64(frame)-s.wav.start {
		return 0, nil
	}
	b := make([]byte, min(len(buf)/ch, 1<<15)*frame)
	got := 0
	for got < len(buf) {
		want := min(len(b), (len(buf)-got)/ch*frame)
		k, err := s.r.ReadAt(b[:want], s.wav.start+(from+int64(got/ch))*int64(frame))
		k -= k % frame
		got += s.wav.convert(buf[got:], b[:k])
		if err == io.EOF || k == 0 && err == nil {
			break
		}
		if err != nil {
			return got / ch, err
		}
	}
	return got / ch, nil
}

func (s *Seeker) readFLAC(buf []float32, from int64) (int, error) {
	p := Place{}
	if s.places != nil {
		p = s.places(from)
	}
	if p.Byte <= 0 || p.Byte >= s.size || p.Frame < 0 || p.Frame > from {
		return 0, fmt.Errorf("frame %d: want its place in the file, found none; read the recording again from its start", from)
	}
	if far := from - p.Frame; far > 60*int64(s.f.RateHz) {
		return 0, fmt.Errorf("frame %d: the next known place is %d frames before it", from, far)
	}
	ch := s.f.Channels
	src := &flacSource{f: s.f, info: s.flac.info, sum: md5.New(), scale: s.flac.scale, pos: p.Frame, unheard: true,
		br: bufio.NewReaderSize(io.NewSectionReader(s.r, p.Byte, min(s.size-p.Byte, maxSeekBytes)), 1<<15)}
	skip := make([]float32, 4096*ch)
	for src.pos < from {
		k, err := src.Read(skip[:min(int64(len(skip)), (from-src.pos)*int64(ch))])
		if k == 0 && err != nil {
			return 0, eof(err)
		}
	}
	got := 0
	for got < len(buf) {
		k, err := src.Read(buf[got:])
		got += k
		if err != nil {
			return got / ch, eof(err)
		}
	}
	return got / ch, nil
}

func eof(err error) error {
	if err == io.EOF {
		return nil
	}
	return err
}
