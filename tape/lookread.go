package tape

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"sort"

	"remanence/tape/audio"
)

// OpenLook reads the header of a Look of size bytes. Sections are read from r, or from another reader of the same file,
// when they are asked for.
func OpenLook(r io.ReaderAt, size int64) (*Look, error) {
	var head [16]byte
	if _, err := r.ReadAt(head[:], 0); err != nil || string(head[:8]) != lookMagic {
		return nil, fmt.Errorf("look: byte 0: want %q and a length, found % X", lookMagic, head[:8])
	}
	n := binary.LittleEndian.Uint64(head[8:])
	if n > maxLookHeader || int64(n) > size-16 {
		return nil, fmt.Errorf("look: byte 8: want a header of at most %d bytes, found %d", min(maxLookHeader, size-16), n)
	}
	b := make([]byte, n)
	if _, err := r.ReadAt(b, 16); err != nil {
		return nil, fmt.Errorf("look: byte 16: want a header of %d bytes: %w", n, err)
	}
	l := &Look{base: 16 + int64(n)}
	if err := json.Unmarshal(b, &l.h); err != nil {
		return nil, fmt.Errorf("look: header: %w", err)
	}
	if err := l.check(size - l.base); err != nil {
		return nil, fmt.Errorf("look: header: %w", err)
	}
	return l, nil
}

func (l *Look) check(room int64) error {
	h := &l.h
	fits := func(what string, s section, size int64) error {
		if s.Off < 0 || s.N < 0 || s.Off > room || s.N > (room-s.Off)/size {
			return fmt.Errorf("%s: want at most %d bytes, found %d entries of %d from %d", what, room, s.N, size, s.Off)
		}
		return nil
	}
	err := errors.Join(fits("bytes", h.Bytes, lookByteSize), fits("curve", h.Curve, 12), fits("places", h.Places, 16))
	for _, levels := range h.Peaks {
		for _, p := range levels {
			err = errors.Join(err, fits("peaks", p.section, 4))
			if p.Step < 1 || p.N > 0 && p.Step > (1<<62)/p.N {
				err = errors.Join(err, fmt.Errorf("peaks: want a step of at least one sample, found %d", p.Step))
			}
		}
	}
	if err != nil {
		return err
	}
	switch {
	case h.Result == nil || h.Result.Diagnosis == nil:
		return errors.New("want a result, found none")
	case h.Format.RateHz < audio.MinRateHz || h.Format.RateHz > audio.MaxRateHz || h.Format.Channels < 1 || h.Format.Channels > audio.MaxChannels:
		return fmt.Errorf("format: %s", h.Format)
	case !(h.Seconds >= 0 && h.Seconds < 1e8) || h.Frames < 0 || !(h.ListenS >= audio.MinRateHz && h.ListenS <= audio.MaxRateHz) || !(h.CurveS >= 0):
		return fmt.Errorf("length: %v s", h.Seconds)
	case len(h.Peaks) != min(h.Format.Channels, maxPeakChannels):
		return fmt.Errorf("peaks: want those of %d channels, found %d", h.Format.Channels, len(h.Peaks))
	}
	for _, c := range h.Codes {
		if c == nil {
			return errors.New("codes: one is missing")
		}
		if err := c.Validate(); err != nil {
			return fmt.Errorf("line code %s: %w", c.Name, err)
		}
	}
	for _, r := range h.Runs {
		if r.Code < 0 || r.Code >= len(h.Codes) {
			return fmt.Errorf("run: want one of %d codes, found %d", len(h.Codes), r.Code)
		}
	}
	next := map[int]int64{}
	l.sums = map[int]bool{}
	for i := range h.Pieces {
		p := &h.Pieces[i]
		if p.N < 0 || p.First < 0 || p.First > h.Bytes.N-p.N || p.Run < 0 || p.Run >= len(h.Runs) || p.Program < -1 || p.Program >= len(h.Result.Programs) {
			return fmt.Errorf("piece %d: bytes %d to %d of %d, run %d of %d, program %d of %d", i, p.First, p.First+p.N, h.Bytes.N, p.Run, len(h.Runs), p.Program, len(h.Result.Programs))
		}
		p.start = next[p.Program]
		next[p.Program] += p.N
		if p.Program < 0 {
			next[-1] = 0
		} else if p.Sum {
			l.sums[p.Program] = true
		}
	}
	return nil
}

// Source says which recording it is of.
func (l *Look) Source() LookSource { return l.h.Source }

// Result is what was read, without its bytes and timeline.
func (l *Look) Result() *Result { return l.h.Result }

// Seconds is the length of the recording.
func (l *Look) Seconds() float64 { return l.h.Seconds }

// Marks are the places worth a look, in order.
func (l *Look) Marks() []LookMark { return l.h.Marks }

// Place is the last known place at or before a frame of a FLAC.
func (l *Look) Place(r io.ReaderAt) func(frame int64) audio.Place {
	at := func(i int) (p audio.Place, err error) {
		var b [16]byte
		if _, err = r.ReadAt(b[:], l.base+l.h.Places.Off+16*int64(i)); err != nil {
			return p, err
		}
		return audio.Place{Frame: int64(binary.LittleEndian.Uint64(b[:])), Byte: int64(binary.LittleEndian.Uint64(b[8:]))}, nil
	}
	return func(frame int64) audio.Place {
		i := sort.Search(int(l.h.Places.N), func(i int) bool {
			p, err := at(i)
			return err != nil || p.Frame > frame
		})
		if i == 0 {
			return audio.Place{}
		}
		p, _ := at(i - 1) // a place that cannot be read is none
		return p
	}
}

// rows reads bytes from to to of all.
func (l *Look) rows(r io.ReaderAt, from, to int64, piece int) ([]LookByte, error) {
	b := make([]byte, (to-from)*lookByteSize)
	if _, err := r.ReadAt(b, l.base+l.h.Bytes.Off+from*lookByteSize); err != nil {
		return nil, fmt.Errorf("look: bytes %d to %d: %w", from, to, err)
	}
	out := make([]LookByte, to-from)
	for i := range out {
		out[i] = readLookByte(b[i*lookByteSize:])
		out[i].piece = piece
		out[i].Index = int(l.h.Pieces[piece].start + from - l.h.Pieces[piece].First + int64(i))
	}
	return out, nil
}

// search is the first byte of a piece that begins at or after a time.
func (l *Look) search(r io.ReaderAt, p *lookPiece, at float64) (int64, error) {
	var err error
	var b [8]byte
	i := sort.Search(int(p.N), func(i int) bool {
		if err != nil {
			return true
		}
		_, err = r.ReadAt(b[:], l.base+l.h.Bytes.Off+(p.First+int64(i))*lookByteSize)
		return math.Float64frombits(binary.LittleEndian.Uint64(b[:])) >= at
	})
	return int64(i), err
}

// Bytes gives the bytes heard between two times, those that begin before it and end in it as well, at most most; ok is
// false where there are more.
func (l *Look) Bytes(r io.ReaderAt, fromS, toS float64, most int) (out []LookByte, ok bool, err error) {
	type stretch struct {
		piece int
		a, b  int64
	}
	var list []stretch
	n := int64(0)
	for i := range l.h.Pieces {
		p := &l.h.Pieces[i]
		if p.FromS >= toS {
			break // they are in order
		}
		if p.Sum || p.ToS <= fromS || p.N == 0 {
			continue
		}
		a, b := int64(0), p.N
		if p.FromS < fromS {
			if a, err = l.search(r, p, fromS); err != nil {
				return nil, false, err
			}
			a = max(0, a-1)
		}
		if p.ToS > toS {
			if b, err = l.search(r, p, toS); err != nil {
				return nil, false, err
			}
		}
		if n += b - a; n > int64(most) {
			return nil, false, nil
		}
		list = append(list, stretch{i, a, b})
	}
	for _, s := range list {
		rows, err := l.rows(r, l.h.Pieces[s.piece].First+s.a, l.h.Pieces[s.piece].First+s.b, s.piece)
		if err != nil {
			return nil, false, err
		}
		if len(rows) > 0 && rows[0].AtS+rows[0].LengthS <= fromS {
			rows = rows[1:]
		}
		out = append(out, rows...)
	}
	return out, true, nil
}

// Program gives the bytes of program i as they are stored.
func (l *Look) Program(r io.ReaderAt, i int) ([]byte, error) {
	var out []byte
	for k := range l.h.Pieces {
		p := &l.h.Pieces[k]
		for from := int64(0); p.Program == i && from < p.N; from += 4096 {
			rows, err := l.rows(r, p.First+from, p.First+min(from+4096, p.N), k)
			if err != nil {
				return nil, err
			}
			for _, b := range rows {
				out = append(out, b.Value)
			}
		}
	}
	return out, nil
}

// At is where byte n of program i was heard, in seconds; ok is false where it was not.
func (l *Look) At(r io.ReaderAt, i, n int) (s float64, ok bool) {
	left := int64(n)
	for k := range l.h.Pieces {
		p := &l.h.Pieces[k]
		if p.Program != i || left < 0 {
			continue
		}
		if left < p.N {
			rows, err := l.rows(r, p.First+left, p.First+left+1, k)
			if err != nil || len(rows) == 0 {
				return 0, false
			}
			return rows[0].AtS, true
		}
		left -= p.N
	}
	return 0, false
}

// peaksOf gives the peaks of a channel over frames from to to, from the coarsest level that has at least least steps.
func (l *Look) peaksOf(r io.ReaderAt, channel int, from, to int64, least int) (lo, hi []float32, step, first int64, err error) {
	levels := l.h.Peaks[channel]
	if len(levels) == 0 {
		return nil, nil, peakStep, 0, nil
	}
	i := 0
	for i+1 < len(levels) && (to-from)/levels[i+1].Step >= int64(least) {
		i++
	}
	s := levels[i]
	a, b := max(0, from/s.Step), min(s.N, (to+s.Step-1)/s.Step)
	if b <= a {
		return nil, nil, s.Step, a, nil
	}
	buf := make([]byte, 4*(b-a))
	if _, err := r.ReadAt(buf, l.base+s.Off+4*a); err != nil {
		return nil, nil, s.Step, a, fmt.Errorf("look: peaks: %w", err)
	}
	lo, hi = make([]float32, b-a), make([]float32, b-a)
	for k := range lo {
		lo[k] = float32(int16(binary.LittleEndian.Uint16(buf[4*k:]))) / math.MaxInt16
		hi[k] = float32(int16(binary.LittleEndian.Uint16(buf[4*k+2:]))) / math.MaxInt16
	}
	return lo, hi, s.Step, a, nil
}

// curve gives level, peak (dBFS) and speed (percent, NaN where no code was heard) of slices that touch from to to.
func (l *Look) curve(r io.ReaderAt, from, to float64) (x, level, peak, speed []float64, err error) {
	s := l.h.CurveS
	if s <= 0 || l.h.Curve.N == 0 {
		return nil, nil, nil, nil, nil
	}
	a := int64(math.Max(0, math.Floor(from/s)-1))
	b := min(l.h.Curve.N, int64(to/s)+2)
	if b <= a {
		return nil, nil, nil, nil, nil
	}
	buf := make([]byte, 12*(b-a))
	if _, err := r.ReadAt(buf, l.base+l.h.Curve.Off+12*a); err != nil {
		return nil, nil, nil, nil, fmt.Errorf("look: curve: %w", err)
	}
	n := int(b - a)
	x, level, peak, speed = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	f := func(k int) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(buf[k:]))) }
	for k := range n {
		x[k] = (float64(a) + float64(k) + 0.5) * s
		level[k], peak[k], speed[k] = math.Max(-90, f(12*k)), math.Max(-90, f(12*k+4)), f(12*k+8)
	}
	return x, level, peak, speed, nil
}
