// Package flux holds what passed under a head: the times of flux transitions.
//
// A read head sees the medium's magnetisation change direction; the drive makes a pulse of each change. Everything
// recorded on a disk is in the times of these pulses. A Capture is the list of times between them over one or more
// revolutions, counted in ticks of a stated length, with the ticks at which the index pulse came by. Times are rounded
// down to ticks from the start of the capture, not from the previous transition, so that rounding never adds up.
//
// Worked example: in FM at 125 kbit/s a byte 00 has transitions 8 us apart. With ticks of 25 ns that is an interval
// of 320, written as the two bytes C0 02 (unsigned LEB128: low seven bits first, the top bit says that more follow).
package flux

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"strconv"
	"strings"
)

// Limits of what a capture may hold; more is no floppy track and is refused before memory is asked for.
const (
	MaxCaptureBytes = 16 << 20 // one .ivl file: about 100 revolutions of the densest track
	MaxHeaderBytes  = 1 << 20
	maxIndex        = 4096
)

// Magic is the first line of an interval capture.
const Magic = "remanence-intervals 1"

// Key is one further header line, kept as it was.
type Key struct{ Name, Value string }

// Capture is what one head saw on one cylinder.
type Capture struct {
	TickNS         float64  // length of a tick in nanoseconds
	Cylinder, Head int      // physical place
	Index          []uint64 // ticks from the start of the capture to each index pulse, ascending; may be empty
	Intervals      []uint32 // ticks from the previous transition (the first: from the start of the capture)
	Keys           []Key    // notes and unknown keys, in order
	From           string   // where it came from: file name; not written
	Damage         []Fault  // what ReadCapture found wrong; not written
}

// Fault is damage of a capture file. Offset is in bytes from the start of the file.
type Fault struct {
	Offset int64
	What   string
}

func (f Fault) Error() string { return fmt.Sprintf("byte %d: %s", f.Offset, f.What) }

// DurationNS is the time from the start of the capture to its last transition.
func (c *Capture) DurationNS() float64 {
	t := uint64(0)
	for _, d := range c.Intervals {
		t += uint64(d)
	}
	return float64(t) * c.TickNS
}

// FromTimes makes a capture of transition times in nanoseconds, ascending, each rounded down to ticks from the start.
// A time before the one before it counts as simultaneous: an interval of 0.
func FromTimes(timesNS []float64, tickNS float64) *Capture {
	c := &Capture{TickNS: tickNS, Intervals: make([]uint32, 0, len(timesNS))}
	per, last := 1/tickNS, int64(0)
	for _, t := range timesNS {
		k := max(int64(math.Floor(t*per)), last)
		c.Intervals = append(c.Intervals, uint32(min(k-last, math.MaxUint32)))
		last = k
	}
	return c
}

// Times is the transition times in nanoseconds from the start of the capture, appended to dst.
func (c *Capture) Times(dst []float64) []float64 {
	t := uint64(0)
	for _, d := range c.Intervals {
		t += uint64(d)
		dst = append(dst, float64(t)*c.TickNS)
	}
	return dst
}

// WriteTo writes the capture in the project's interval form.
func (c *Capture) WriteTo(w io.Writer) (int64, error) {
	b, err := c.Append(nil)
	if err != nil {
		return 0, err
	}
	n, err := w.Write(b)
	return int64(n), err
}

// Append appends the capture in the project's interval form.
func (c *Capture) Append(b []byte) ([]byte, error) {
	if !(c.TickNS > 0) || math.IsInf(c.TickNS, 0) {
		return b, fmt.Errorf("tick-ns %v: want more than 0", c.TickNS)
	}
	start := len(b)
	b = append(b, Magic...)
	b = append(b, "\ntick-ns "...)
	b = strconv.AppendFloat(b, c.TickNS, 'f', -1, 64)
	b = fmt.Appendf(b, "\ncylinder %d\nhead %d\nindex", c.Cylinder, c.Head)
	for _, t := range c.Index {
		b = append(b, ' ')
		b = strconv.AppendUint(b, t, 10)
	}
	b = fmt.Appendf(b, "\ntransitions %d\n", len(c.Intervals))
	for _, k := range c.Keys {
		if k.Name == "" || strings.ContainsAny(k.Name, " \n\r") || strings.ContainsAny(k.Value, "\n\r") {
			return b[:start], fmt.Errorf("header key %q: must be one word and its value one line", k.Name)
		}
		b = append(b, k.Name...)
		if k.Value != "" {
			b = append(b, ' ')
			b = append(b, k.Value...)
		}
		b = append(b, '\n')
	}
	b = append(b, '\n')
	for _, v := range c.Intervals {
		for v >= 0x80 {
			b = append(b, byte(v)|0x80)
			v >>= 7
		}
		b = append(b, byte(v))
	}
	return fmt.Appendf(b, "\ncrc32 %08x\n", crc32.ChecksumIEEE(b[start:])), nil
}

// ReadCapture reads an interval capture. Where it is damaged, the capture holds everything that precedes the damage
// (after a wrong checksum or count alone: everything) and the error says what is wrong and at which byte. The capture
// is nil only where nothing can be used.
func ReadCapture(r io.Reader) (*Capture, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxCaptureBytes+1))
	if len(b) == 0 && err != nil {
		return nil, err
	}
	c, perr := ParseCapture(b)
	return c, errors.Join(err, perr)
}

// ParseCapture is ReadCapture of a file already in memory.
func ParseCapture(b []byte) (*Capture, error) {
	if len(b) > MaxCaptureBytes {
		return nil, fmt.Errorf("more than %d bytes: no capture of a track is that long", MaxCaptureBytes)
	}
	h, err := parseHeader(b)
	if err != nil {
		return nil, err
	}
	c := h.capture
	body, crc, trailer := cutTrailer(b[h.body:])
	// Every interval takes a byte at least: the body, not the header, decides how much memory is asked for.
	count := len(body)
	if h.transitions >= 0 && h.transitions < int64(count) {
		count = int(h.transitions)
	}
	c.Intervals = make([]uint32, 0, count)
	used, long := c.parseBody(body)
	fault := func(at int, format string, a ...any) {
		c.Damage = append(c.Damage, Fault{int64(at), fmt.Sprintf(format, a...)})
	}
	switch {
	case long:
		fault(h.body+used, "interval %d does not fit 32 bits; nothing after it is used", len(c.Intervals)+1)
	case used < len(body):
		fault(h.body+used, "the file is cut short inside interval %d", len(c.Intervals)+1)
	}
	if !trailer {
		fault(len(b), "the file is cut short: no crc32 line after %d of %s intervals", len(c.Intervals), h.count())
	} else {
		if h.transitions != int64(len(c.Intervals)) && !long {
			fault(h.countAt, "header says %s transitions, the body holds %d", h.count(), len(c.Intervals))
		}
		if want := crc32.ChecksumIEEE(b[:h.body+len(body)]); want != crc {
			fault(h.body+len(body)+1, "crc32 says %08x, the file has %08x", crc, want)
		}
	}
	errs := make([]error, 0, len(c.Damage))
	for _, f := range c.Damage {
		errs = append(errs, f)
	}
	return c, errors.Join(errs...)
}

// parseBody appends the intervals of body; used is where it had to stop, long that a number was too large.
func (c *Capture) parseBody(body []byte) (used int, long bool) {
	out := c.Intervals
	i := 0
	for i < len(body) {
		v := body[i]
		if v < 0x80 {
			out = append(out, uint32(v))
			i++
			continue
		}
		if i+1 < len(body) && body[i+1] < 0x80 {
			out = append(out, uint32(v)&0x7f|uint32(body[i+1])<<7)
			i += 2
			continue
		}
		x, shift, j := uint64(v&0x7f), uint(7), i+1
		for ; j < len(body) && shift < 70; j++ {
			if shift < 64 {
				x |= uint64(body[j]&0x7f) << shift
			}
			shift += 7
			if body[j] < 0x80 {
				j++
				break
			}
		}
		if x > math.MaxUint32 || shift >= 70 {
			c.Intervals = out
			return i, true
		}
		if body[j-1] >= 0x80 {
			break // the number itself is cut
		}
		out = append(out, uint32(x))
		i = j
	}
	c.Intervals = out
	return i, false
}

// cutTrailer takes the crc32 line off the end of b.
func cutTrailer(b []byte) (body []byte, crc uint32, ok bool) {
	e := bytes.TrimSuffix(b, []byte("\n"))
	const n = len("\ncrc32 12345678")
	if len(e) < n || !bytes.HasPrefix(e[len(e)-n:], []byte("\ncrc32 ")) {
		return b, 0, false
	}
	v, err := strconv.ParseUint(string(e[len(e)-8:]), 16, 32)
	if err != nil {
		return e[:len(e)-n], ^crc32.ChecksumIEEE(b), true // an unreadable checksum is a wrong one
	}
	return e[:len(e)-n], uint32(v), true
}
