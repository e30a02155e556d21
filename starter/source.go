package starter

import (
	"context"
	"fmt"
	"io"

	"remanence/internal/progress"
	"remanence/tape/audio"
)

// Rate is the link's speed.
func (t *Tape) Rate() Rate { return t.rate }

// Options are those the tape was made with, the defaults filled in.
func (t *Tape) Options() Options { return t.o }

// Side is one side of a cassette: a span of the tape, in seconds.
type Side struct{ FromS, ToS float64 }

// Sides cuts the tape for sides of a length, each of which begins with leadS seconds of silence (a cassette's clear
// leader, and the time to press the button). A side ends between two tracks, so nothing is lost at the turn; the
// machine waits as long as it takes. lengthS 0: one side.
func (t *Tape) Sides(lengthS, leadS float64) ([]Side, error) {
	if lengthS == 0 {
		return []Side{{0, t.Seconds}}, nil
	}
	var out []Side
	from, last := 0.0, 0.0
	for _, end := range append(append([]float64(nil), t.ends...), t.Seconds) {
		if end-from > lengthS-leadS {
			if last == from {
				return nil, fmt.Errorf("a side of %.0f s is too short: %.0f s of it are for the leader, and the first part on it needs %.0f s", lengthS, leadS, end-from)
			}
			out = append(out, Side{from, last})
			from = last
			if end-from > lengthS-leadS {
				return nil, fmt.Errorf("a side of %.0f s is too short: %.0f s of it are for the leader, and one track needs %.0f s", lengthS, leadS, end-from)
			}
		}
		last = end
	}
	return append(out, Side{from, t.Seconds}), nil
}

// Write puts a side into sink, leadS seconds of silence first.
func (t *Tape) Write(ctx context.Context, sink audio.Sink, side Side, leadS float64, p progress.Progress) error {
	p = progress.Or(p)
	hz := float64(t.o.RateHz)
	p.Start("writing", int(side.ToS-side.FromS))
	defer p.Done()
	buf := make([]float32, t.o.RateHz)
	for left := int(leadS * hz); left > 0; {
		n := min(left, len(buf))
		if err := sink.Write(buf[:n]); err != nil {
			return err
		}
		left -= n
	}
	src := t.Source(side.FromS)
	for left := int64(side.ToS*hz) - int64(side.FromS*hz); left > 0; {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := src.Read(buf[:min(left, int64(len(buf)))])
		if n == 0 {
			return fmt.Errorf("the tape ended %d samples early: %w", left, err)
		}
		if err := sink.Write(buf[:n]); err != nil {
			return err
		}
		left -= int64(n)
		p.Step(1, "")
	}
	return nil
}

// Source plays the tape from a place in seconds.
func (t *Tape) Source(fromS float64) audio.Source {
	s := &source{t: t, level: audio.Amplitude(t.o.LevelDB)}
	s.frame = int64(fromS * float64(t.o.RateHz))
	s.clock = t.LoaderS
	return s
}

// source renders the tape a buffer at a time.
type source struct {
	t     *Tape
	level float64
	frame int64   // next frame to give
	next  int     // next item to lay out
	clock float64 // time up to which items are laid out
	queue []drawn
	times []float64
}

type drawn struct {
	at   float64
	rate Rate
}

func (s *source) Format() audio.Format {
	return audio.Format{RateHz: s.t.o.RateHz, Channels: 1, Bits: 16}
}

func (s *source) Len() int64 { return int64(s.t.Seconds * float64(s.t.o.RateHz)) }

func (s *source) Read(buf []float32) (int, error) {
	left := s.Len() - s.frame
	if left <= 0 {
		return 0, io.EOF
	}
	if int64(len(buf)) > left {
		buf = buf[:left]
	}
	clear(buf)
	hz := float64(s.t.o.RateHz)
	if s.frame < int64(len(s.t.loader)) {
		n := copy(buf, s.t.loader[s.frame:])
		s.frame += int64(n)
		return n, nil
	}
	from := float64(s.frame) / hz
	to := from + float64(len(buf))/hz
	for s.next < len(s.t.items) && s.clock < to {
		it := &s.t.items[s.next]
		s.next++
		if it.block != nil {
			var end float64
			s.times, end = it.rate.pulses(s.times[:0], s.clock, it.block)
			s.clock = end
			if end > from {
				for _, at := range s.times {
					s.queue = append(s.queue, drawn{at, it.rate})
				}
			}
		}
		s.clock += it.quiet
	}
	keep := s.queue[:0]
	for _, d := range s.queue {
		if d.at < to {
			d.rate.drawPulse(buf, hz, from, d.at, s.level)
		}
		if d.at+2*d.rate.PulseUS*1e-6+1/hz >= to {
			keep = append(keep, d)
		}
	}
	s.queue = keep
	s.frame += int64(len(buf))
	return len(buf), nil
}
