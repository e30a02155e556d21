package linecode

import (
	"errors"
	"fmt"
	"io"
	"math"
)

// Shape is how a modulator forms its output.
type Shape struct {
	Level         float64 // peak, 0 to 1 of full scale; 0 stands for 0.5
	Invert        bool    // upside down, for decks and leads that invert
	Speed         float64 // of the tape, 1 is nominal; 0 stands for 1; 0.5 to 2
	RiseUS        float64 // edges become ramps of this length, 0 to 1000 us; 0 leaves them as steep as the rate allows
	PreEmphasisUS float64 // the slope of the signal times this is added to it, 0 to 500 us: lifts what a tape loses at high frequencies; the peak stays at Level
}

// Modulator writes a line code as sound. Leader, Sync, Write, Trailer and Silence queue what is to be written, in
// order; Read renders it. Bit borders fall between samples where they fall: nothing is rounded to a whole sample, so
// that the bit rate is exact at any sample rate. A Modulator holds no more than the bytes queued.
type Modulator struct {
	code  *Code
	rate  float64
	gain  float64
	shape Shape
	one   []piece
	zero  []piece
	queue []item

	// the piece being rendered, in samples from the start of the output
	cur        piece
	from, to   float64
	sign       float64 // running sign of alternating half-waves
	n          int64   // samples rendered
	acc        float64 // what the pieces so far put into sample n
	pending    []piece // rest of the bit being rendered
	bits       []int   // rest of the frame being rendered
	rise       []float64
	riseAt     int
	riseSum    float64
	last       float64 // last sample before pre-emphasis
	tail       int     // samples left to flush the ramp
	pieceReady bool
}

// item is one thing in the queue.
type item struct {
	pattern []int   // bits, unframed
	wave    []piece // or half-waves
	repeats int
	bytes   []byte
	silence float64 // seconds
}

// Limits of a Modulator.
const (
	minRateHz = 4000
	maxRateHz = 768_000
)

// NewModulator makes a Modulator for output at rateHz samples a second (4000 to 768000).
func NewModulator(code *Code, rateHz float64, s Shape) (*Modulator, error) {
	if err := code.Validate(); err != nil {
		return nil, fmt.Errorf("line code %s: %w", code.Name, err)
	}
	if !(rateHz >= minRateHz && rateHz <= maxRateHz) {
		return nil, fmt.Errorf("sample rate: want %d to %d Hz, found %v", minRateHz, maxRateHz, rateHz)
	}
	if s.Level == 0 {
		s.Level = 0.5
	}
	if s.Speed == 0 {
		s.Speed = 1
	}
	for _, x := range []struct {
		what      string
		v, lo, hi float64
	}{{"level", s.Level, 0, 1}, {"speed", s.Speed, 0.5, 2}, {"rise time in us", s.RiseUS, 0, 1000}, {"pre-emphasis in us", s.PreEmphasisUS, 0, 500}} {
		if !(x.v >= x.lo && x.v <= x.hi) {
			return nil, fmt.Errorf("%s: want %v to %v, found %v", x.what, x.lo, x.hi, x.v)
		}
	}
	m := newModulator(code, rateHz, s)
	if s.PreEmphasisUS > 0 {
		m.gain /= m.peakOfTrial()
	}
	return m, nil
}

func newModulator(code *Code, rateHz float64, s Shape) *Modulator {
	m := &Modulator{code: code, rate: rateHz / s.Speed, gain: s.Level, shape: s, sign: 1}
	if s.Invert {
		m.gain = -m.gain
	}
	m.one, m.zero = code.bitPieces(1), code.bitPieces(0)
	if n := int(math.Round(s.RiseUS * 1e-6 * rateHz)); n > 1 {
		m.rise = make([]float64, n)
	}
	return m
}

// peakOfTrial is the highest sample of every pair of bits in a row, at a level of 1.
func (m *Modulator) peakOfTrial() float64 {
	s := m.shape
	s.Level, s.Invert = 1, false
	t := newModulator(m.code, m.rate*s.Speed, s)
	t.queue = []item{{pattern: []int{0, 0, 1, 1, 0, 1, 0, 0, 1, 1, 1, 0}, repeats: 2}}
	peak := 0.0
	var buf [512]float32
	for {
		n, err := t.Read(buf[:])
		for _, x := range buf[:n] {
			peak = max(peak, math.Abs(float64(x)))
		}
		if err != nil {
			return max(peak, 1e-3)
		}
	}
}

// Leader queues the declared leader. LeaderOf queues it for another length.
func (m *Modulator) Leader() { m.leader(m.code.Leader) }

// LeaderOf queues the pattern of the declared leader for at least the given seconds.
func (m *Modulator) LeaderOf(seconds float64) {
	l := m.code.Leader
	l.Count, l.Seconds = 0, min(max(seconds, 0), maxSeconds)
	m.leader(l)
}

// Trailer queues the declared trailer, if any.
func (m *Modulator) Trailer() { m.leader(m.code.Trailer) }

func (m *Modulator) leader(l Leader) {
	it := item{pattern: l.Pattern}
	one := 0.0
	for _, b := range l.Pattern {
		one += m.code.BitSeconds(b)
	}
	if len(l.WaveUS) > 0 {
		it.wave = m.code.wavePieces(l.WaveUS)
		one = sumAbs(l.WaveUS) / 1e6
	}
	if one > 0 {
		it.repeats = l.repeats(one)
		m.queue = append(m.queue, it)
	}
}

// Sync queues the declared sync, if any.
func (m *Modulator) Sync() {
	if len(m.code.Sync.WaveUS) > 0 {
		m.queue = append(m.queue, item{wave: m.code.wavePieces(m.code.Sync.WaveUS), repeats: 1})
	}
	if len(m.code.Sync.Bytes) > 0 {
		b := make([]byte, len(m.code.Sync.Bytes))
		for i, v := range m.code.Sync.Bytes {
			b[i] = byte(v)
		}
		m.queue = append(m.queue, item{bytes: b})
	}
}

// Write queues bytes, framed as the code declares. It never fails.
func (m *Modulator) Write(p []byte) (int, error) {
	m.queue = append(m.queue, item{bytes: append([]byte(nil), p...)})
	return len(p), nil
}

// Bits queues bits without a frame.
func (m *Modulator) Bits(bits ...int) {
	m.queue = append(m.queue, item{pattern: append([]int(nil), bits...), repeats: 1})
}

// Silence queues the idle level.
func (m *Modulator) Silence(seconds float64) {
	m.queue = append(m.queue, item{silence: max(seconds, 0)})
}

// Samples is how many samples have been read so far.
func (m *Modulator) Samples() int64 { return m.n }

// nextPiece takes the next piece from the queue; false when there is nothing left.
func (m *Modulator) nextPiece() bool {
	for len(m.pending) == 0 {
		if len(m.bits) > 0 {
			m.pending = m.zero
			if m.bits[0] == 1 {
				m.pending = m.one
			}
			m.bits = m.bits[1:]
			continue
		}
		if len(m.queue) == 0 {
			return false
		}
		it := &m.queue[0]
		switch {
		case it.repeats > 0:
			it.repeats--
			m.bits, m.pending = it.pattern, it.wave
		case len(it.bytes) > 0:
			m.bits = m.code.Framing.frame(nil, it.bytes[0])
			it.bytes = it.bytes[1:]
		case it.silence > 0:
			m.cur = piece{seconds: it.silence}
			it.silence = 0
			return true
		default:
			*it = item{}
			m.queue = m.queue[1:]
		}
	}
	m.cur = m.pending[0]
	m.pending = m.pending[1:]
	if m.cur.flips {
		m.cur.level *= m.sign
		m.sign = -m.sign
	}
	return true
}

// Read renders up to len(buf) samples. io.EOF says the queue is empty; more may be queued and read after it.
func (m *Modulator) Read(buf []float32) (int, error) {
	n := 0
	for n < len(buf) {
		if !m.pieceReady {
			if !m.nextPiece() {
				break
			}
			m.from = m.to
			m.to += m.cur.seconds * m.rate
			m.pieceReady = true
			m.tail = len(m.rise)
		}
		k := m.render(buf[n:])
		m.finish(buf[n : n+k])
		n += k
	}
	for ; n < len(buf) && m.tail > 0 && !m.pieceReady; n++ { // let the last edge come to rest
		m.tail--
		buf[n] = 0
		m.n++
		m.acc = 0
		m.to = max(m.to, float64(m.n))
		m.finish(buf[n : n+1])
	}
	if n == 0 && len(buf) > 0 {
		return 0, io.EOF
	}
	return n, nil
}

// render writes the samples that end within the current piece. Sample n stands for the time n-1/2 to n+1/2: a constant
// fills it by the share it covers, which puts an edge between samples where it belongs.
func (m *Modulator) render(buf []float32) int {
	p, k := m.cur, 0
	at := max(m.from, float64(m.n)-0.5) // everything before at is in acc already
	if p.sine {
		w := math.Pi / (m.to - m.from)
		s, c := math.Sincos(w * (float64(m.n) - m.from))
		ds, dc := math.Sincos(w)
		for k < len(buf) && float64(m.n)+0.5 <= m.to {
			share := float64(m.n) + 0.5 - at
			at += share
			buf[k] = float32(m.acc + share*p.level*s)
			s, c = s*dc+c*ds, c*dc-s*ds
			m.acc = 0
			m.n++
			k++
		}
		if k < len(buf) {
			if rest := m.to - at; rest > 0 {
				m.acc += rest * p.level * math.Sin(w*(math.Min(float64(m.n), m.to)-m.from))
			}
			m.pieceReady = false
		}
		return k
	}
	for k < len(buf) && float64(m.n)+0.5 <= m.to {
		share := float64(m.n) + 0.5 - at
		at += share
		buf[k] = float32(m.acc + share*p.level)
		m.acc = 0
		m.n++
		k++
	}
	if k < len(buf) {
		if rest := m.to - at; rest > 0 {
			m.acc += rest * p.level
		}
		m.pieceReady = false
	}
	return k
}

// finish shapes edges, adds pre-emphasis and sets the level.
func (m *Modulator) finish(s []float32) {
	if m.rise != nil {
		for i, x := range s {
			m.riseSum += float64(x) - m.rise[m.riseAt]
			m.rise[m.riseAt] = float64(x)
			if m.riseAt++; m.riseAt == len(m.rise) {
				m.riseAt = 0
				m.riseSum = 0 // no rounding error builds up over hours
				for _, y := range m.rise {
					m.riseSum += y
				}
			}
			s[i] = float32(m.riseSum / float64(len(m.rise)))
		}
	}
	if m.shape.PreEmphasisUS > 0 {
		a := m.shape.PreEmphasisUS * 1e-6 * m.rate * m.shape.Speed
		for i, x := range s {
			v := float64(x)
			s[i] = float32(v + a*(v-m.last))
			m.last = v
		}
	}
	g := float32(m.gain)
	for i := range s {
		s[i] *= g
	}
}

// ReadAll renders everything queued. It is for short recordings; a leader of ten minutes is 100 MB.
func (m *Modulator) ReadAll() []float32 {
	var out []float32
	buf := make([]float32, 8192)
	for {
		n, err := m.Read(buf)
		out = append(out, buf[:n]...)
		if errors.Is(err, io.EOF) {
			return out
		}
	}
}
