package audio

import (
	"bufio"
	"bytes"
	"crypto/md5"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"
)

func isFLAC(h []byte, _ *bufio.Reader) bool { return bytes.HasPrefix(h, []byte("fLaC")) }

// flacSource reads frames one at a time. The library checks each frame's CRC; the digest of the whole is checked here.
type flacSource struct {
	f       Format
	br      *bufio.Reader
	info    *meta.StreamInfo
	sum     hash.Hash
	bytes   []byte
	fr      *frame.Frame
	at      int   // next sample of fr
	pos     int64 // frames given out
	silence int64 // frames of silence to give before fr
	scale   float32
	remarks []string
	done    bool
	damaged bool
	tell    func() int64 // byte of the file that is parsed next; nil: nobody asks
	places  []Place
	unheard bool // a stretch: there is no digest of it
}

func openFLAC(br *bufio.Reader, _ int64) (Source, io.Closer, error) {
	s, err := flac.New(br) // br holds 64 KiB, so the library reads from it directly and no further than the header
	if err != nil {
		return nil, nil, fmt.Errorf("FLAC header: %w", err)
	}
	if s.Info == nil {
		return nil, nil, errors.New("FLAC header: want a STREAMINFO block, found none")
	}
	f := Format{RateHz: int(s.Info.SampleRate), Channels: int(s.Info.NChannels), Bits: int(s.Info.BitsPerSample)}
	if f.Bits < 4 || f.Bits > 32 {
		return nil, nil, fmt.Errorf("FLAC header: want 4 to 32 bits a sample, found %d", f.Bits)
	}
	return &flacSource{f: f, br: br, info: s.Info, sum: md5.New(), scale: 1 / float32(uint64(1)<<(f.Bits-1))}, nil, nil
}

func (s *flacSource) Format() Format { return s.f }
func (s *flacSource) Len() int64 {
	if s.info.NSamples == 0 {
		return -1
	}
	return int64(s.info.NSamples)
}
func (s *flacSource) notes() []string { return s.remarks }

func (s *flacSource) Read(dst []float32) (int, error) {
	ch := s.f.Channels
	if len(dst) < ch {
		return 0, fmt.Errorf("read: want room for %d samples, found %d", ch, len(dst))
	}
	for s.silence == 0 && (s.fr == nil || s.at >= len(s.fr.Subframes[0].Samples)) {
		if s.done {
			return 0, io.EOF
		}
		if err := s.next(); err != nil {
			s.done = true
			s.finish()
			if err == io.EOF {
				return 0, io.EOF
			}
			return 0, err
		}
	}
	if s.silence > 0 {
		n := min(int64(len(dst)/ch), s.silence)
		clear(dst[:n*int64(ch)])
		s.silence -= n
		s.pos += n
		return int(n) * ch, nil
	}
	n := min(len(dst)/ch, len(s.fr.Subframes[0].Samples)-s.at)
	for c, sub := range s.fr.Subframes {
		out := dst[c:]
		for i, v := range sub.Samples[s.at : s.at+n] {
			out[i*ch] = float32(v) * s.scale
		}
	}
	s.at += n
	s.pos += int64(n)
	return n * ch, nil
}

// maxFill is the most silence put in place of damaged frames, in seconds; a gap beyond it is a wrong frame number.
const maxFill = 600

// next parses one frame. A damaged one is skipped to the next header whose own check is right; its time is kept as
// silence, so that places after it stay true.
func (s *flacSource) next() error {
	for {
		var at int64
		if s.tell != nil {
			at = s.tell()
		}
		fr, err := s.parse()
		if err == nil {
			err = s.fits(fr)
		}
		if err == nil {
			s.fr, s.at = fr, 0
			start := s.frameStart(fr)
			s.place(start, at)
			if gap := start - s.pos; s.damaged && gap > 0 && gap <= int64(maxFill*s.f.RateHz) {
				s.silence = gap
			}
			if !s.unheard {
				s.hash(fr)
			}
			return nil
		}
		if err == io.EOF {
			return io.EOF
		}
		s.damaged = true
		if len(s.remarks) < 20 {
			s.remarks = append(s.remarks, fmt.Sprintf("FLAC frame at %.3f s is damaged (%v); replaced by silence", float64(s.pos)/float64(s.f.RateHz), err))
		}
		if err := s.resync(); err != nil {
			return io.EOF
		}
	}
}

func (s *flacSource) frameStart(fr *frame.Frame) int64 {
	if fr.HasFixedBlockSize {
		return int64(fr.Num) * int64(s.info.BlockSizeMax)
	}
	return int64(fr.Num)
}

// parse reads a frame; a panic of the library on bytes nobody foresaw becomes an error.
func (s *flacSource) parse() (fr *frame.Frame, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("malformed frame: %v", r)
		}
	}()
	if _, err := s.br.Peek(1); err != nil {
		return nil, io.EOF
	}
	fr, err = frame.Parse(s.br)
	if err == io.EOF {
		err = io.ErrUnexpectedEOF
	}
	return fr, err
}

func (s *flacSource) fits(fr *frame.Frame) error {
	if len(fr.Subframes) != s.f.Channels {
		return fmt.Errorf("want %d channels, found %d", s.f.Channels, len(fr.Subframes))
	}
	if b := int(fr.BitsPerSample); b != 0 && b != s.f.Bits {
		return fmt.Errorf("want %d bits, found %d", s.f.Bits, b)
	}
	for _, sub := range fr.Subframes {
		if len(sub.Samples) != len(fr.Subframes[0].Samples) {
			return errors.New("channels of unequal length")
		}
	}
	return nil
}

// resync moves to the next bytes that are a frame header by sync code, CRC-8 and channel count.
func (s *flacSource) resync() error {
	for {
		b, err := s.br.Peek(16)
		if len(b) < 6 {
			if err == nil {
				err = io.EOF
			}
			return err
		}
		if b[0] == 0xFF && b[1]&0xFE == 0xF8 && headerAt(b, s.f) {
			return nil
		}
		if _, err := s.br.Discard(1); err != nil {
			return err
		}
	}
}

func headerAt(b []byte, f Format) (ok bool) {
	defer func() {
		if recover() != nil {
			ok = false
		}
	}()
	fr, err := frame.New(bytes.NewReader(b))
	return err == nil && fr.Channels.Count() == f.Channels
}

// hash adds the frame to the digest: interleaved, signed, least significant byte first, whole bytes (RFC 9639).
func (s *flacSource) hash(fr *frame.Frame) {
	n, ch, w := len(fr.Subframes[0].Samples), len(fr.Subframes), (s.f.Bits+7)/8
	if cap(s.bytes) < n*ch*w+4 {
		s.bytes = make([]byte, n*ch*w+4)
	}
	b := s.bytes[:n*ch*w+4]
	for c, sub := range fr.Subframes {
		for i, v := range sub.Samples {
			p := (i*ch + c) * w
			switch w {
			case 2:
				binary.LittleEndian.PutUint16(b[p:], uint16(v))
			case 1:
				b[p] = byte(v)
			case 3:
				b[p], b[p+1], b[p+2] = byte(v), byte(v>>8), byte(v>>16)
			default:
				binary.LittleEndian.PutUint32(b[p:], uint32(v))
			}
		}
	}
	s.sum.Write(b[:n*ch*w])
}

func (s *flacSource) finish() {
	if n := int64(s.info.NSamples); n > 0 && s.pos != n {
		s.remarks = append(s.remarks, fmt.Sprintf("the header promises %d frames, %d were found: cut short, or the header is wrong", n, s.pos))
		return
	}
	var none [16]byte
	if s.info.MD5sum == none || s.damaged || s.unheard {
		return
	}
	if got := s.sum.Sum(nil); !bytes.Equal(got, s.info.MD5sum[:]) {
		s.remarks = append(s.remarks, fmt.Sprintf("the digest of the samples is wrong: header says %x, samples give %x; the file was altered or badly written", s.info.MD5sum, got))
	}
}

// flacBlock is the block length written: at most 4608 keeps to the streamable subset (RFC 9639).
const flacBlock = 4096

type flacSink struct {
	w      io.Writer
	bw     *bufio.Writer
	enc    *flac.Encoder
	info   meta.StreamInfo
	f      Format
	fr     frame.Frame
	chans  frame.Channels
	fill   int
	want   int64
	frames int64
	sum    hash.Hash
	raw    []byte
	top    int32
	start  int64
	clip   int64
}

// CreateFLAC starts a FLAC stream of f (8, 16 or 24 bits, 1 to 8 channels) on w. frames is the number of frames that
// will be written, -1 if not known; where w is an io.WriteSeeker the header gets length and digest at Close.
func CreateFLAC(w io.Writer, f Format, frames int64) (Sink, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	if f.Float || f.Bits != 8 && f.Bits != 16 && f.Bits != 24 {
		return nil, fmt.Errorf("FLAC sample size: want 8, 16 or 24 bits, found %s", f)
	}
	if f.Channels > 8 {
		return nil, fmt.Errorf("FLAC channels: want 1 to 8, found %d", f.Channels)
	}
	s := &flacSink{w: w, bw: bufio.NewWriterSize(w, 1<<16), f: f, want: frames, sum: md5.New(), top: 1<<(f.Bits-1) - 1}
	s.info = meta.StreamInfo{BlockSizeMin: flacBlock, BlockSizeMax: flacBlock, SampleRate: uint32(f.RateHz), NChannels: uint8(f.Channels), BitsPerSample: uint8(f.Bits), NSamples: uint64(max(frames, 0))}
	if ws, ok := w.(io.WriteSeeker); ok {
		p, err := ws.Seek(0, io.SeekCurrent)
		if err == nil {
			s.start = p
		}
	}
	info := s.info
	enc, err := flac.NewEncoder(onlyWriter{s.bw}, &info)
	if err != nil {
		return nil, err
	}
	s.enc = enc
	s.chans = frame.Channels(f.Channels - 1)
	s.fr.Subframes = make([]*frame.Subframe, f.Channels)
	for c := range s.fr.Subframes {
		s.fr.Subframes[c] = &frame.Subframe{Samples: make([]int32, flacBlock)}
	}
	s.raw = make([]byte, flacBlock*f.Channels*f.Bits/8)
	return s, nil
}

// onlyWriter hides Seek and Close from the library, which would patch a header of its own.
type onlyWriter struct{ io.Writer }

func (s *flacSink) Write(samples []float32) error {
	ch := s.f.Channels
	if len(samples)%ch != 0 {
		return fmt.Errorf("FLAC: want whole frames of %d samples, found %d samples", ch, len(samples))
	}
	w := s.f.Bits / 8
	for len(samples) > 0 {
		n := min(flacBlock-s.fill, len(samples)/ch)
		for c := 0; c < ch; c++ {
			dst := s.fr.Subframes[c].Samples[s.fill : s.fill+n]
			for i := range dst {
				q := quantise(samples[i*ch+c], s.top, &s.clip)
				dst[i] = q
				p := ((s.fill+i)*ch + c) * w
				switch w {
				case 2:
					binary.LittleEndian.PutUint16(s.raw[p:], uint16(q))
				case 1:
					s.raw[p] = byte(q)
				default:
					s.raw[p], s.raw[p+1], s.raw[p+2] = byte(q), byte(q>>8), byte(q>>16)
				}
			}
		}
		s.fill += n
		samples = samples[n*ch:]
		if s.fill == flacBlock {
			if err := s.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s *flacSink) flush() error {
	if s.fill == 0 {
		return nil
	}
	n := s.fill
	s.sum.Write(s.raw[:n*s.f.Channels*s.f.Bits/8])
	s.fr.Header = frame.Header{HasFixedBlockSize: true, BlockSize: uint16(n), SampleRate: uint32(s.f.RateHz), Channels: s.chans, BitsPerSample: uint8(s.f.Bits)}
	for c, sub := range s.fr.Subframes {
		s.fr.Subframes[c] = &frame.Subframe{SubHeader: frame.SubHeader{Pred: frame.PredVerbatim}, Samples: sub.Samples[:n], NSamples: n}
	}
	err := s.enc.WriteFrame(&s.fr)
	for _, sub := range s.fr.Subframes {
		sub.Samples = sub.Samples[:cap(sub.Samples)]
	}
	s.frames += int64(n)
	s.fill = 0
	return err
}

func (s *flacSink) Close() error {
	if err := s.flush(); err != nil {
		return err
	}
	if err := s.bw.Flush(); err != nil {
		return err
	}
	if s.want >= 0 && s.frames != s.want {
		return fmt.Errorf("FLAC: header promises %d frames, %d were written", s.want, s.frames)
	}
	ws, ok := s.w.(io.WriteSeeker)
	if !ok {
		return nil
	}
	// Bytes 21-25 of the file end with the 36-bit length; the digest follows (RFC 9639, STREAMINFO).
	if _, err := ws.Seek(s.start+8+10, io.SeekStart); err != nil {
		return nil // a pipe: the header stays without length and digest, which the format allows
	}
	v := uint64(s.f.RateHz)<<44 | uint64(s.f.Channels-1)<<41 | uint64(s.f.Bits-1)<<36 | uint64(s.frames)
	tail := s.sum.Sum(binary.BigEndian.AppendUint64(nil, v))
	if _, err := ws.Write(tail); err != nil {
		return err
	}
	_, err := ws.Seek(0, io.SeekEnd)
	return err
}

// Clipped is the number of samples that lay beyond full scale and were cut.
func (s *flacSink) Clipped() int64 { return s.clip }
