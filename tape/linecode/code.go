package linecode

import (
	"errors"
	"fmt"
	"math"
)

// Code is the declaration of a line code: what a 1 and a 0 look like on the tape, how bytes are framed, and what goes
// before and after them. Exactly one of Tones, Pulses and Waves is set. Times are in microseconds (names ending in US)
// or seconds, at nominal speed.
type Code struct {
	Name   string  `toml:"name"`             // lower case letters, digits and hyphens: "kcs300"
	Title  string  `toml:"title"`            // one line a person understands
	Source string  `toml:"source"`           // where the figures come from, with "from memory" where nothing confirms them
	Notes  string  `toml:"notes,omitempty"`  // anything else worth knowing
	Tones  *Tones  `toml:"tones,omitempty"`  // a burst of tone for each bit
	Pulses *Pulses `toml:"pulses,omitempty"` // pulses at places in a cell
	Waves  *Waves  `toml:"waves,omitempty"`  // half-waves of given widths

	Framing Framing `toml:"framing"`
	Leader  Leader  `toml:"leader"`            // before the bytes; a demodulator locks on it
	Sync    Sync    `toml:"sync,omitempty"`    // between leader and bytes
	Trailer Leader  `toml:"trailer,omitempty"` // after the bytes
}

// Tones declares a code in which a bit is a whole number of half cycles of a tone, phase running on. Both bits take the
// same time.
type Tones struct {
	One  Tone   `toml:"one"`
	Zero Tone   `toml:"zero"`
	Form string `toml:"form,omitempty"` // what the modulator writes: "sine" (also when empty) or "square"
}

// Tone is a burst: Cycles/Hz seconds long.
type Tone struct {
	Hz     float64 `toml:"hz"`
	Cycles float64 `toml:"cycles"` // a multiple of 1/2
}

// Pulses declares a code in which a bit is a cell of fixed length with pulses at places in it.
type Pulses struct {
	CellUS float64   `toml:"cell-us"`
	Pulse  []Step    `toml:"pulse"` // the pulse as written, from its start; the idle level is 0
	One    []float64 `toml:"one"`   // where the pulses of a 1 start, in cells: 0 is the start of the cell
	Zero   []float64 `toml:"zero"`  // where the pulses of a 0 start
}

// Step is a stretch of constant level.
type Step struct {
	Level float64 `toml:"level"` // -1 to 1
	US    float64 `toml:"us"`
}

// Waves declares a code of half-waves. Where all widths are positive the half-waves alternate in sign through the
// recording, whatever the sign of the first one (width codes, bi-phase mark). Where any is negative, a sign is part of
// the declaration: positive is above the idle level, negative below (phase codes).
type Waves struct {
	One  []float64 `toml:"one-us"`         // half-waves of a 1, in order
	Zero []float64 `toml:"zero-us"`        // half-waves of a 0, in order
	Form string    `toml:"form,omitempty"` // "sine" (also when empty) or "square"
}

// Signed says whether the sign of a half-wave is part of the declaration.
func (w *Waves) Signed() bool {
	for _, us := range w.One {
		if us < 0 {
			return true
		}
	}
	for _, us := range w.Zero {
		if us < 0 {
			return true
		}
	}
	return false
}

// Order is the order of the bits of a byte on the tape.
type Order string

const (
	LowFirst  Order = "low-first"
	HighFirst Order = "high-first"
)

// Framing is what surrounds the bits of a byte. Bits between frames, if any, are those of the leader.
type Framing struct {
	Bits   int    `toml:"bits"`             // data bits, 5 to 8
	Order  Order  `toml:"order"`            // low-first or high-first
	Start  []int  `toml:"start,omitempty"`  // bits before the data bits
	Parity string `toml:"parity,omitempty"` // "", "even", "odd", "mark" (always 1) or "space" (always 0)
	Stop   []int  `toml:"stop,omitempty"`   // bits after them
}

// FrameBits is the length of a byte on the tape in bits.
func (f Framing) FrameBits() int {
	n := len(f.Start) + f.Bits + len(f.Stop)
	if f.Parity != "" {
		n++
	}
	return n
}

// Leader is a repeated pattern of bits (unframed), or half-waves, for a number of times or a length of time.
type Leader struct {
	Pattern []int     `toml:"pattern,omitempty"` // bits: [1] is a steady mark
	WaveUS  []float64 `toml:"wave-us,omitempty"` // half-waves instead of bits; waves codes only
	Count   int       `toml:"count,omitempty"`   // how often, or
	Seconds float64   `toml:"seconds,omitempty"` // how long, rounded up to a whole pattern
}

// Sync marks the border between leader and bytes: half-waves, then bytes (framed as all bytes are).
type Sync struct {
	WaveUS []float64 `toml:"wave-us,omitempty"`
	Bytes  []int     `toml:"bytes,omitempty"`
}

// Limits of a declaration.
const (
	maxSeconds   = 600
	maxWaves     = 64
	minWidthUS   = 20
	maxWidthUS   = 100_000
	maxLeaderRep = 1 << 20
)

// BitSeconds is the length of a bit at nominal speed.
func (c *Code) BitSeconds(bit int) float64 {
	switch {
	case c.Tones != nil && bit == 1:
		return c.Tones.One.Cycles / c.Tones.One.Hz
	case c.Tones != nil:
		return c.Tones.Zero.Cycles / c.Tones.Zero.Hz
	case c.Pulses != nil:
		return c.Pulses.CellUS / 1e6
	case c.Waves != nil && bit == 1:
		return sumAbs(c.Waves.One) / 1e6
	case c.Waves != nil:
		return sumAbs(c.Waves.Zero) / 1e6
	}
	return 0
}

// BitsPerSecond is the mean bit rate, as many 1 as 0 bits.
func (c *Code) BitsPerSecond() float64 { return 2 / (c.BitSeconds(0) + c.BitSeconds(1)) }

// FrameSeconds is the mean length of a byte on the tape.
func (c *Code) FrameSeconds() float64 { return float64(c.Framing.FrameBits()) / c.BitsPerSecond() }

// Seconds is the length of a leader or trailer at nominal speed.
func (l Leader) seconds(c *Code) float64 {
	one := 0.0
	for _, b := range l.Pattern {
		one += c.BitSeconds(b)
	}
	one += sumAbs(l.WaveUS) / 1e6
	if one == 0 {
		return 0
	}
	return one * float64(l.repeats(one))
}

func (l Leader) repeats(oneSeconds float64) int {
	if l.Count > 0 {
		return l.Count
	}
	return int(math.Ceil(l.Seconds/oneSeconds - 1e-9))
}

// LeaderSeconds and TrailerSeconds are the lengths at nominal speed.
func (c *Code) LeaderSeconds() float64  { return c.Leader.seconds(c) }
func (c *Code) TrailerSeconds() float64 { return c.Trailer.seconds(c) }

func sumAbs(v []float64) float64 {
	s := 0.0
	for _, x := range v {
		s += math.Abs(x)
	}
	return s
}

// Validate says everything that is impossible about c, nil if nothing. Each message begins with the key it is about.
func (c *Code) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if !validName(c.Name) {
		bad("name %q: want 1 to 32 lower-case letters, digits and hyphens", c.Name)
	}
	if c.Title == "" {
		bad("title: missing")
	}
	if c.Source == "" {
		bad("source: missing; say where the figures come from")
	}
	shapes := 0
	if c.Tones != nil {
		shapes++
		c.Tones.validate(bad)
	}
	if c.Pulses != nil {
		shapes++
		c.Pulses.validate(bad)
	}
	if c.Waves != nil {
		shapes++
		c.Waves.validate(bad)
	}
	if shapes != 1 {
		bad("shape: want exactly one of [tones], [pulses] and [waves], got %d", shapes)
	}
	c.Framing.validate(bad)
	c.Leader.validate("leader", c, bad)
	if len(c.Leader.Pattern) == 0 && len(c.Leader.WaveUS) == 0 {
		bad("leader: missing; a demodulator locks on it")
	}
	c.Trailer.validate("trailer", c, bad)
	if len(c.Sync.WaveUS) > 0 && c.Waves == nil {
		bad("sync.wave-us: only in a [waves] code")
	}
	checkWidths("sync.wave-us", c.Sync.WaveUS, bad)
	if len(c.Sync.Bytes) > 8 {
		bad("sync.bytes: want at most 8, got %d", len(c.Sync.Bytes))
	}
	for _, b := range c.Sync.Bytes {
		if b < 0 || b >= 1<<max(c.Framing.Bits, 0) {
			bad("sync.bytes: %d does not fit in %d bits", b, c.Framing.Bits)
		}
	}
	if len(c.Framing.Start) == 0 && len(c.Sync.Bytes) == 0 && len(c.Sync.WaveUS) == 0 {
		bad("sync: missing; without start bits nothing else says where a byte begins")
	}
	if len(errs) == 0 && c.Leader.seconds(c) < minLeaderSeconds {
		bad("leader: %.3g s is too short to lock on, want at least %.3g s", c.Leader.seconds(c), minLeaderSeconds)
	}
	return errors.Join(errs...)
}

// minLeaderSeconds is the shortest leader a demodulator can promise to find.
const minLeaderSeconds = 0.1

func validName(s string) bool {
	if s == "" || len(s) > 32 || s[0] == '-' {
		return false
	}
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-') {
			return false
		}
	}
	return true
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func validForm(s string) bool { return s == "" || s == "sine" || s == "square" }

func (t *Tones) validate(bad func(string, ...any)) {
	for _, x := range []struct {
		key  string
		tone Tone
	}{{"tones.one", t.One}, {"tones.zero", t.Zero}} {
		if !finite(x.tone.Hz) || x.tone.Hz < 50 || x.tone.Hz > 20_000 {
			bad("%s.hz %v: want 50 to 20000", x.key, x.tone.Hz)
		}
		if half := 2 * x.tone.Cycles; !finite(half) || half < 1 || half > 256 || half != math.Trunc(half) {
			bad("%s.cycles %v: want 0.5 to 128 in halves", x.key, x.tone.Cycles)
		}
	}
	if t.One.Hz == t.Zero.Hz {
		bad("tones: both tones have %v Hz", t.One.Hz)
	}
	if a, b := t.One.Cycles/t.One.Hz, t.Zero.Cycles/t.Zero.Hz; math.Abs(a-b) > 1e-6*a {
		bad("tones: a 1 lasts %.6g s, a 0 %.6g s; want the same (for unlike lengths declare [waves])", a, b)
	}
	if t.One.Cycles != math.Trunc(t.One.Cycles) || t.Zero.Cycles != math.Trunc(t.Zero.Cycles) {
		bad("tones: half cycles leave the sign of the next bit open; declare [waves]")
	}
	if !validForm(t.Form) {
		bad("tones.form %q: want sine or square", t.Form)
	}
}

func (p *Pulses) validate(bad func(string, ...any)) {
	if !finite(p.CellUS) || p.CellUS < 100 || p.CellUS > maxWidthUS {
		bad("pulses.cell-us %v: want 100 to %d", p.CellUS, maxWidthUS)
		return
	}
	length := 0.0
	if len(p.Pulse) == 0 || len(p.Pulse) > 16 {
		bad("pulses.pulse: want 1 to 16 steps, got %d", len(p.Pulse))
	}
	any := false
	for i, s := range p.Pulse {
		if !finite(s.Level) || math.Abs(s.Level) > 1 {
			bad("pulses.pulse step %d: level %v: want -1 to 1", i+1, s.Level)
		}
		if !finite(s.US) || s.US <= 0 || s.US > p.CellUS {
			bad("pulses.pulse step %d: %v us: want more than 0 and no more than the cell", i+1, s.US)
		}
		any = any || s.Level != 0
		length += s.US
	}
	if !any {
		bad("pulses.pulse: every level is 0")
	}
	for _, x := range []struct {
		key    string
		places []float64
	}{{"pulses.one", p.One}, {"pulses.zero", p.Zero}} {
		if len(x.places) > 16 {
			bad("%s: want at most 16 places, got %d", x.key, len(x.places))
		}
		for i, at := range x.places {
			switch {
			case !finite(at) || at < 0 || at >= 1:
				bad("%s: place %v: want 0 or more and less than 1", x.key, at)
			case i > 0 && (at-x.places[i-1])*p.CellUS < length:
				bad("%s: the pulses at %v and %v overlap", x.key, x.places[i-1], at)
			case at*p.CellUS+length > p.CellUS:
				bad("%s: the pulse at %v runs out of the cell", x.key, at)
			}
		}
	}
	if len(p.One) == 0 && len(p.Zero) == 0 {
		bad("pulses: neither a 1 nor a 0 has a pulse")
	}
	same := len(p.One) == len(p.Zero)
	for i := 0; same && i < len(p.One); i++ {
		same = p.One[i] == p.Zero[i]
	}
	if same {
		bad("pulses: a 1 and a 0 look alike")
	}
}

func checkWidths(key string, us []float64, bad func(string, ...any)) {
	if len(us) > maxWaves {
		bad("%s: want at most %d half-waves, got %d", key, maxWaves, len(us))
	}
	for _, w := range us {
		if a := math.Abs(w); !finite(w) || a < minWidthUS || a > maxWidthUS {
			bad("%s: a half-wave of %v us: want %d to %d", key, w, minWidthUS, maxWidthUS)
		}
	}
}

func (w *Waves) validate(bad func(string, ...any)) {
	if len(w.One) == 0 || len(w.Zero) == 0 {
		bad("waves: a 1 and a 0 both need half-waves")
		return
	}
	checkWidths("waves.one-us", w.One, bad)
	checkWidths("waves.zero-us", w.Zero, bad)
	same := len(w.One) == len(w.Zero)
	for i := 0; same && i < len(w.One); i++ {
		same = w.One[i] == w.Zero[i]
	}
	if same {
		bad("waves: a 1 and a 0 look alike")
	}
	if !validForm(w.Form) {
		bad("waves.form %q: want sine or square", w.Form)
	}
}

func (f Framing) validate(bad func(string, ...any)) {
	if f.Bits < 5 || f.Bits > 8 {
		bad("framing.bits %d: want 5 to 8", f.Bits)
	}
	if f.Order != LowFirst && f.Order != HighFirst {
		bad("framing.order %q: want low-first or high-first", f.Order)
	}
	switch f.Parity {
	case "", "even", "odd", "mark", "space":
	default:
		bad("framing.parity %q: want even, odd, mark, space or nothing", f.Parity)
	}
	checkBits("framing.start", f.Start, bad)
	checkBits("framing.stop", f.Stop, bad)
	if len(f.Start) > 4 || len(f.Stop) > 4 {
		bad("framing: want at most 4 start and 4 stop bits")
	}
}

func checkBits(key string, bits []int, bad func(string, ...any)) {
	for _, b := range bits {
		if b != 0 && b != 1 {
			bad("%s: %d is not a bit", key, b)
		}
	}
}

func (l Leader) validate(key string, c *Code, bad func(string, ...any)) {
	if len(l.Pattern) > 0 && len(l.WaveUS) > 0 {
		bad("%s: want a pattern of bits or half-waves, not both", key)
	}
	if len(l.Pattern) > 64 {
		bad("%s.pattern: want at most 64 bits, got %d", key, len(l.Pattern))
	}
	checkBits(key+".pattern", l.Pattern, bad)
	if len(l.WaveUS) > 0 && c.Waves == nil {
		bad("%s.wave-us: only in a [waves] code", key)
	}
	checkWidths(key+".wave-us", l.WaveUS, bad)
	if l.Count < 0 || l.Count > maxLeaderRep {
		bad("%s.count %d: want 1 to %d", key, l.Count, maxLeaderRep)
	}
	if !finite(l.Seconds) || l.Seconds < 0 || l.Seconds > maxSeconds {
		bad("%s.seconds %v: want 0 to %d", key, l.Seconds, maxSeconds)
	}
	if some := len(l.Pattern) > 0 || len(l.WaveUS) > 0; some && (l.Count > 0) == (l.Seconds > 0) {
		bad("%s: want exactly one of count and seconds", key)
	} else if !some && (l.Count > 0 || l.Seconds > 0) {
		bad("%s: count or seconds, but no pattern of bits or half-waves", key)
	}
}
