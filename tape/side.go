package tape

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"

	"remanence/internal/progress"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// SideOptions says how programs are laid on one side of a cassette.
type SideOptions struct {
	Code      *linecode.Code
	RateHz    int // 0: 44100
	Mastering Mastering
	StartS    float64 // silence before the first program: leader tape and slack
	GapS      float64 // silence between programs
	EndS      float64 // kept free at the end; also written as silence, at most 1 s of it
	Copies    int     // how often each program is recorded, one after the other; 0 or 1: once
	LengthS   float64 // of the side; 0: as long as need be
	Counter   *Counter
}

// textGapS stands between the blocks of one text: the class needs a moment to stop and start its motor.
const textGapS = 0.25

// Entry is the place of one program on a side.
type Entry struct {
	Name    string  `json:"name"`
	Kind    string  `json:"kind"`
	Code    string  `json:"line-code"`
	Bytes   int     `json:"bytes"`
	Copy    int     `json:"copy"` // from 1
	FromS   float64 `json:"from-s"`
	ToS     float64 `json:"to-s"`
	Counter int     `json:"counter,omitempty"` // where the deck's counter stands at its start, if calibrated
}

// Side is what was written.
type Side struct {
	Entries []Entry `json:"entries"`
	Seconds float64 `json:"duration-s"`
	FreeS   float64 `json:"free-s,omitempty"`
	RateHz  int     `json:"rate-hz"`
	Frames  int64   `json:"frames"`
}

func (o *SideOptions) fill() error {
	if o.RateHz == 0 {
		o.RateHz = 44100
	}
	if o.Copies < 1 {
		o.Copies = 1
	}
	if o.Copies > 20 {
		return fmt.Errorf("copies: want 1 to 20, found %d", o.Copies)
	}
	for _, f := range []struct {
		name string
		v    float64
	}{{"silence at the start", o.StartS}, {"gap", o.GapS}, {"end", o.EndS}} {
		if !(f.v >= 0 && f.v <= 600) {
			return fmt.Errorf("%s: want 0 to 600 seconds, found %v", f.name, f.v)
		}
	}
	if o.Code == nil {
		return errors.New("line code: want one, found none")
	}
	return o.Mastering.Validate()
}

// blockSeconds is the length of one block with its leader, sync and trailer.
func (o *SideOptions) blockSeconds(c *linecode.Code, data []byte) float64 {
	lead := c.LeaderSeconds()
	if o.Mastering.LeaderS > 0 {
		lead = o.Mastering.LeaderS
	}
	s := lead + c.TrailerSeconds()
	for _, w := range c.Sync.WaveUS {
		s += math.Abs(w) / 1e6
	}
	frame := func(b byte) {
		for _, bit := range c.Framing.FrameOf(b) {
			s += c.BitSeconds(bit)
		}
	}
	for _, b := range c.Sync.Bytes {
		frame(byte(b))
	}
	if c.BitSeconds(0) == c.BitSeconds(1) {
		s += float64(len(data)) * float64(c.Framing.FrameBits()) * c.BitSeconds(0)
	} else {
		for _, b := range data {
			frame(b)
		}
	}
	if o.Mastering.Speed > 0 {
		s /= o.Mastering.Speed
	}
	return s
}

// Seconds is how long one copy of it sounds, without the silence around it.
func (o SideOptions) Seconds(it Item) float64 {
	c := it.Code
	if c == nil {
		c = o.Code
	}
	if c == nil {
		return 0
	}
	s := 0.0
	for i, b := range it.Blocks {
		if i > 0 {
			s += textGapS
		}
		s += o.blockSeconds(c, b)
	}
	return s
}

// EndSilence is how much of what is kept free at the end of a side is written, in seconds: a player that stops at the end
// of the sound must not cut the last program.
func EndSilence(endS float64) float64 { return math.Min(endS, 1) }

// ItemSeconds is how much of a side it takes, copies and the gap after each included.
func (o SideOptions) ItemSeconds(it Item) float64 {
	return float64(max(o.Copies, 1)) * (o.Seconds(it) + o.GapS)
}

// LeftItem is an item that no side can hold.
type LeftItem struct {
	Index int
	Why   string
}

// PlanSides lays items on as few sides of sideS seconds as it can, in order of length, longest first; the order of the
// items is kept on each side. sides holds the numbers of the items on each side.
func PlanSides(items []Item, sideS float64, o SideOptions) (sides [][]int, left []LeftItem, err error) {
	if err := o.fill(); err != nil {
		return nil, nil, err
	}
	room := sideS - o.StartS - o.EndS + o.GapS // the last program needs no gap after it
	need := make([]float64, len(items))
	order := make([]int, 0, len(items))
	for i, it := range items {
		need[i] = o.ItemSeconds(it)
		if need[i] > room+1e-9 {
			left = append(left, LeftItem{i, fmt.Sprintf("takes %.0f s, a side has %.0f s for programs", need[i]-o.GapS, math.Max(0, room-o.GapS))})
			continue
		}
		order = append(order, i)
	}
	for i := 1; i < len(order); i++ { // stable, longest first
		for j := i; j > 0 && need[order[j]] > need[order[j-1]]; j-- {
			order[j], order[j-1] = order[j-1], order[j]
		}
	}
	var used []float64
	for _, i := range order {
		best := -1
		for s := range sides { // the side that it fills best
			if used[s]+need[i] <= room+1e-9 && (best < 0 || used[s] > used[best]) {
				best = s
			}
		}
		if best < 0 {
			sides, used = append(sides, nil), append(used, 0)
			best = len(sides) - 1
		}
		sides[best] = append(sides[best], i)
		used[best] += need[i]
	}
	for _, s := range sides {
		for i := 1; i < len(s); i++ {
			for j := i; j > 0 && s[j] < s[j-1]; j-- {
				s[j], s[j-1] = s[j-1], s[j]
			}
		}
	}
	return sides, left, nil
}

// WriteSide writes items to sink, one channel, and says where each lies. The samples depend on nothing but the
// arguments. A cancelled context stops it between blocks.
func WriteSide(ctx context.Context, sink audio.Sink, items []Item, o SideOptions, p progress.Progress) (*Side, error) {
	if err := o.fill(); err != nil {
		return nil, err
	}
	if len(items) == 0 {
		return nil, errors.New("side: want at least one program, found none")
	}
	p = progress.Or(p)
	total := 0
	for _, it := range items {
		total += it.Bytes() * o.Copies
	}
	p.Start("writing tape", total)
	defer p.Done()
	w := &sideWriter{ctx: ctx, sink: sink, rate: float64(o.RateHz), o: &o, buf: make([]float32, 8192)}
	side := &Side{RateHz: o.RateHz}
	if err := w.silence(o.StartS); err != nil {
		return nil, err
	}
	for i, it := range items {
		for c := 1; c <= o.Copies; c++ {
			if i > 0 || c > 1 {
				if err := w.silence(o.GapS); err != nil {
					return nil, err
				}
			}
			e := Entry{Name: it.Name, Kind: it.Kind, Bytes: it.Bytes(), Copy: c, FromS: w.seconds()}
			if err := w.item(it, &e, p); err != nil {
				return nil, fmt.Errorf("%s: %w", it.Name, err)
			}
			e.ToS = w.seconds()
			if o.Counter != nil {
				e.Counter = o.Counter.At(e.FromS)
			}
			side.Entries = append(side.Entries, e)
		}
	}
	end := w.seconds()
	if err := w.silence(EndSilence(o.EndS)); err != nil {
		return nil, err
	}
	side.Seconds, side.Frames = w.seconds(), w.n
	if o.LengthS > 0 {
		side.FreeS = o.LengthS - end - o.EndS
		if side.FreeS < -1e-6 {
			return nil, fmt.Errorf("side: want at most %.0f s, found %.0f s of programs and %.0f s to keep free", o.LengthS, end, o.EndS)
		}
	}
	return side, nil
}

type sideWriter struct {
	ctx  context.Context
	sink audio.Sink
	rate float64
	o    *SideOptions
	n    int64
	buf  []float32
}

func (w *sideWriter) seconds() float64 { return float64(w.n) / w.rate }

func (w *sideWriter) silence(s float64) error {
	clear(w.buf)
	for n := int64(s*w.rate + 0.5); n > 0; {
		k := min(n, int64(len(w.buf)))
		if err := w.sink.Write(w.buf[:k]); err != nil {
			return err
		}
		n -= k
		w.n += k
	}
	return w.ctx.Err()
}

func (w *sideWriter) item(it Item, e *Entry, p progress.Progress) error {
	c := it.Code
	if c == nil {
		c = w.o.Code
	}
	e.Code = c.Name
	if len(it.Blocks) == 0 || it.Bytes() == 0 {
		return errors.New("want at least one byte to write, found none")
	}
	m, err := linecode.NewModulator(c, w.rate, w.o.Mastering.shape())
	if err != nil {
		return err
	}
	for i, b := range it.Blocks {
		if i > 0 {
			m.Silence(textGapS)
		}
		if w.o.Mastering.LeaderS > 0 {
			m.LeaderOf(w.o.Mastering.LeaderS)
		} else {
			m.Leader()
		}
		m.Sync()
		if _, err := m.Write(b); err != nil {
			return err
		}
		m.Trailer()
		if err := w.drain(m); err != nil {
			return err
		}
		p.Step(len(b), it.Name)
	}
	return nil
}

func (w *sideWriter) drain(m *linecode.Modulator) error {
	for {
		n, err := m.Read(w.buf)
		if n > 0 {
			w.n += int64(n)
			if err := w.sink.Write(w.buf[:n]); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return w.ctx.Err()
		}
		if err != nil {
			return err
		}
		if w.ctx.Err() != nil {
			return w.ctx.Err()
		}
	}
}

// Counter is what a deck's tape counter does. It is geared to a spool, which turns more slowly as it fills: after t
// seconds the counter stands at k (sqrt(1 + b t) - 1). Two readings settle k and b.
type Counter struct {
	K, B float64
	End  int // first number it cannot show: 1000 for three digits
}

// NewCounter calibrates a counter by two readings of a deck, set to 0 at the start of the side: times in seconds.
func NewCounter(t1 float64, c1 int, t2 float64, c2 int) (*Counter, error) {
	if !(t1 > 0 && t2 > t1 && c1 > 0 && c2 > c1) {
		return nil, fmt.Errorf("counter: want two readings that grow with time, found %d at %v s and %d at %v s", c1, t1, c2, t2)
	}
	want := float64(c2) / float64(c1)
	f := func(b float64) float64 { return (math.Sqrt(1+b*t2) - 1) / (math.Sqrt(1+b*t1) - 1) }
	// The ratio falls from t2/t1 (a spool that never fills) to its root (one that begins with no hub at all).
	if want > t2/t1*1.001 || want < math.Sqrt(t2/t1) {
		return nil, fmt.Errorf("counter: %d at %v s and %d at %v s fit no spool: the second must lie between %.0f and %.0f",
			c1, t1, c2, t2, float64(c1)*math.Sqrt(t2/t1), float64(c1)*t2/t1)
	}
	lo, hi := 1e-9, 1e3
	for range 200 {
		mid := math.Sqrt(lo * hi)
		if f(mid) > want {
			lo = mid
		} else {
			hi = mid
		}
	}
	b := math.Sqrt(lo * hi)
	return &Counter{K: float64(c1) / (math.Sqrt(1+b*t1) - 1), B: b, End: 1000}, nil
}

// At is what the counter shows t seconds after 0.
func (c *Counter) At(t float64) int {
	n := int(c.K*(math.Sqrt(1+c.B*t)-1) + 0.5)
	if c.End > 0 {
		n %= c.End
	}
	return n
}
