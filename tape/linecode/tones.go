package linecode

import (
	"errors"
	"fmt"
	"math"
)

// The tone engine works in three steps.
//
// Search: a spectrum every now and then, until the leader's tone stands out in several in a row.
//
// Tracking: for each bit, correlation with sine and cosine of both tones, summed over chunks of half a cycle of the
// faster tone, at the place and speed a Kalman filter predicts. Because a bit is a whole number of cycles, the phase of
// each tone at a chunk border stays the same through the whole recording, whatever the data: the phase of either tone is
// the clock.
//
// Decision (tonetrellis.go): blocks of some hundred bits, with a look ahead, go through a trellis of frames whose borders
// may lie at any chunk, with the phases smoothed in both directions first where the signal is poor.
type toneEngine struct {
	d          *Demodulator
	dec        *decimator
	rate       float64 // after decimation
	cycles     [2]int  // of a 0 and of a 1 in a bit
	chunksPer  int     // M: chunks in a bit
	bitNominal float64 // samples after decimation
	lead       int     // the bit the leader is made of
	spread     float64 // speed range

	tab  []toneRef
	y    []float32 // decimated samples
	base int64     // index of y[0]

	// search
	spec     *spectrum
	next     int64 // where the next spectrum begins
	streak   []float64
	streakAt int64
	idleSkip int64

	lk   *toneLock
	view toneTrellis // for live
}

// toneRef is sine and cosine of the two tones at one place in the bit.
type toneRef struct{ s1, c1, s0, c0 float32 }

// chunk is the correlation over half a cycle of the faster tone.
type chunk struct {
	i1, q1, i0, q0 float32
	at             float64   // where it began, in decimated samples
	other          complex64 // phase of the tone that is not the leader's, as far as known then
}

const toneTableBits = 11

func newToneEngine(d *Demodulator, o Options) (*toneEngine, error) {
	t := d.code.Tones
	e := &toneEngine{d: d, spread: o.SpeedRange, cycles: [2]int{int(t.Zero.Cycles), int(t.One.Cycles)}}
	top, low := max(t.One.Hz, t.Zero.Hz), min(t.One.Hz, t.Zero.Hz)
	if len(d.code.Leader.Pattern) == 0 {
		return nil, errors.New("leader: want a pattern of bits")
	}
	e.lead = d.code.Leader.Pattern[0]
	for _, b := range d.code.Leader.Pattern {
		if b != e.lead {
			return nil, errors.New("leader: a tones code wants a steady tone, all bits alike")
		}
	}
	if len(d.code.Framing.Start) == 0 {
		return nil, errors.New("framing.start: a tones code wants a start bit; its bytes may stand anywhere")
	}
	pass := top * (1 + o.SpeedRange)
	if d.rate < 2.5*pass {
		return nil, fmt.Errorf("sample rate: %v Hz is too low for a tone of %v Hz, want at least %.0f Hz", d.rate, top, math.Ceil(2.5*pass))
	}
	factor := max(1, int(d.rate/(4.5*top)))
	e.dec = newDecimator(d.rate, factor, pass, low/8)
	e.rate = d.rate / float64(factor)
	e.bitNominal = d.code.BitSeconds(1) * e.rate
	e.chunksPer = 2 * max(e.cycles[0], e.cycles[1])
	for e.chunksPer < 4 {
		e.chunksPer *= 2
	}
	e.tab = make([]toneRef, 1<<toneTableBits)
	for i := range e.tab {
		u := 2 * math.Pi * (float64(i) + 0.5) / float64(len(e.tab))
		s1, c1 := math.Sincos(u * float64(e.cycles[1]))
		s0, c0 := math.Sincos(u * float64(e.cycles[0]))
		e.tab[i] = toneRef{float32(s1), float32(c1), float32(s0), float32(c0)}
	}
	// A spectrum of about 45 ms: fine enough to tell speed to 0.2 %, short enough for 10 % a second of wow.
	leadHz := t.One.Hz
	if e.lead == 0 {
		leadHz = t.Zero.Hz
	}
	n := 64
	for float64(2*n) <= 0.06*e.rate && float64(2*n) <= d.code.LeaderSeconds()/6*e.rate {
		n *= 2
	}
	e.spec = newSpectrum(n, e.rate, leadHz, o.SpeedRange)
	// Look at one spectrum in several while nothing is heard, often enough to meet any leader five times.
	e.idleSkip = int64(max(1, min(6, int(d.code.LeaderSeconds()*e.rate/float64(n)/8)))) * int64(n)
	return e, nil
}

// feed implements engine.
func (e *toneEngine) feed(x []float32) {
	for len(x) > 0 { // in pieces, so that memory does not grow with the caller's buffer
		k := min(len(x), 1<<15)
		e.y = e.dec.run(e.y, x[:k])
		x = x[k:]
		e.work(false)
	}
}

func (e *toneEngine) close() {
	e.y = append(e.y, make([]float32, 8)...) // the last bit may end between samples
	e.work(true)
}

// work runs search and tracking over what has been heard.
func (e *toneEngine) work(end bool) {
	for {
		if e.lk == nil {
			if !e.search() {
				break
			}
			continue
		}
		if !e.lk.step() {
			if end {
				e.lk.tr.finish(e.lk.bestAt)
				e.next = max(e.next, int64(e.lk.bestT+e.lk.period)) // what was heard is not heard again
				e.streak = e.streak[:0]
				e.lk = nil
				continue
			}
			break
		}
		if e.lk.over {
			e.next = max(e.lk.resume, int64(e.lk.start)+int64(e.spec.n)) // never twice from the same place
			e.streak = e.streak[:0]
			e.lk = nil
		}
	}
	// Keep two seconds for going back after a loss of signal.
	keep := e.next - int64(e.rate)
	if e.lk != nil {
		keep = int64(e.lk.t) - int64(2*e.rate)
	} else if len(e.streak) > 0 {
		keep = e.streakAt - int64(e.rate)/4
	}
	if drop := keep - e.base; drop > 1<<16 {
		drop = min(drop, int64(len(e.y)))
		e.y = append(e.y[:0], e.y[drop:]...)
		e.base += drop
	}
}

// streakWindows is how many spectra in a row must show the leader.
const streakWindows = 3

// sameTone is how far the tone may move from one spectrum to the next.
const sameTone = 0.02

// search looks at one spectrum; false when there is too little sound for it.
func (e *toneEngine) search() bool {
	n := int64(e.spec.n)
	if e.next < e.base {
		e.next = e.base
	}
	if e.next+n > e.base+int64(len(e.y)) {
		return false
	}
	w := e.y[e.next-e.base : e.next-e.base+n]
	f, stands := e.spec.look(w)
	if !stands {
		e.streak = e.streak[:0]
		e.next += e.idleSkip
		return true
	}
	if k := len(e.streak); k > 0 && math.Abs(f/e.streak[k-1]-1) > sameTone {
		e.streak = e.streak[:0]
	}
	if len(e.streak) == 0 {
		e.streakAt = e.next
	}
	e.streak = append(e.streak, f)
	e.next += n
	if len(e.streak) >= streakWindows {
		e.lk = newToneLock(e, e.streakAt+n, e.streak[1])
		e.lk.quiet = float64(e.streakAt + 2*n)
	}
	return true
}

// recordingAt turns a place in decimated samples into one in samples of the recording.
func (e *toneEngine) recordingAt(t float64) float64 {
	return t*float64(e.dec.factor) + e.dec.delay
}
