package tape

import (
	"math"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// An ear listens to one signal (a channel, or a combination of two) for every code asked for. Positions it gives are
// samples of the recording, at the rate it listens at.
//
// Listening for every code all the time would cost a multiple of what is needed. The ear therefore scouts: it keeps the
// last half minute, tries every code on a window of it, and lets the one that was understood listen from the beginning of
// that window on. When a run of that code ends, it scouts again from there.
type ear struct {
	name  string // "left", "right", "both", "mono"
	codes []*linecode.Code
	rate  float64
	opts  linecode.Options

	main     *linecode.Demodulator // listens; nil: no code is known yet
	mainCode int
	mainBase int64 // sample at which it began
	scouting bool
	scoutAt  int64 // where the next window begins
	ring     []float32
	ringAt   int64 // sample of ring[0]

	at      int64 // samples heard
	zeros   int64 // exact zeros at the end of what was heard
	asleep  bool
	runs    []heard
	refused []refusal
}

// heard is a run with its place in the whole recording.
type heard struct {
	*linecode.Run
	ear  *ear
	base int64
}

func (h *heard) seconds(sample float64) float64 { return (sample + float64(h.base)) / h.ear.rate }
func (h *heard) fromS() float64                 { return h.seconds(h.From) }
func (h *heard) toS() float64                   { return h.seconds(h.To) }
func (h *heard) leaderS() float64               { return h.seconds(h.LeaderAt) }

type refusal struct {
	atS  float64
	code string
	why  string
}

const (
	// sleepAfterS: after so many seconds of samples that are exactly zero nothing can be going on; the demodulators are
	// closed, and the ear wakes with the next sound. Hours of nothing then cost next to nothing.
	sleepAfterS = 15
	// A window must hold enough of a leader to lock on and some bytes, wherever it begins: half of it does.
	scoutWindowS = 12
	scoutHopS    = 6
	ringS        = 36
	maxRuns      = 20_000
	maxRefusals  = 200
)

func newEar(name string, codes []*linecode.Code, rate float64, o linecode.Options) *ear {
	return &ear{name: name, codes: codes, rate: rate, opts: o, scouting: true}
}

func (e *ear) feed(s []float32) error {
	if len(s) == 0 {
		return nil
	}
	silent := true
	for _, v := range s {
		if v != 0 {
			silent = false
			break
		}
	}
	if silent {
		e.zeros += int64(len(s))
	} else {
		e.zeros = 0
	}
	if e.asleep {
		if silent {
			e.at += int64(len(s))
			return nil
		}
		e.asleep = false
		e.ring, e.ringAt, e.scouting, e.scoutAt = e.ring[:0], e.at, true, e.at
	}
	if len(e.codes) == 1 && e.main == nil {
		if err := e.listen(0, e.at); err != nil {
			return err
		}
	}
	e.at += int64(len(s))
	if len(e.codes) > 1 {
		e.remember(s)
	}
	if e.main != nil {
		e.main.Feed(s)
		e.take()
	}
	if err := e.scout(false); err != nil {
		return err
	}
	if e.zeros > int64(sleepAfterS*e.rate) {
		e.asleep = true
		return e.close()
	}
	return nil
}

// remember appends to the ring.
func (e *ear) remember(s []float32) {
	most := int(ringS * e.rate)
	if e.ring == nil {
		e.ring = make([]float32, 0, 2*most+listenChunk)
	}
	if len(e.ring)+len(s) > 2*most {
		drop := len(e.ring) - most
		e.ring = e.ring[:copy(e.ring, e.ring[drop:])]
		e.ringAt += int64(drop)
	}
	e.ring = append(e.ring, s...)
}

// listen makes code c the one listened for, from sample from on.
func (e *ear) listen(c int, from int64) error {
	e.drop()
	d, err := linecode.NewDemodulator(e.codes[c], e.rate, e.opts)
	if err != nil {
		return err
	}
	e.main, e.mainCode, e.mainBase = d, c, from
	if from < e.at && len(e.ring) > 0 {
		d.Feed(e.ring[max(from-e.ringAt, 0):])
		e.take()
	}
	return nil
}

// drop ends the present listening.
func (e *ear) drop() {
	if e.main != nil {
		e.main.Close()
		e.take()
		e.main = nil
	}
}

// scout tries all codes on the next window, when it is complete or the sound ends.
func (e *ear) scout(last bool) error {
	if len(e.codes) < 2 {
		return nil
	}
	window, hop := int64(scoutWindowS*e.rate), int64(scoutHopS*e.rate)
	for e.scouting {
		e.scoutAt = max(e.scoutAt, e.ringAt)
		end := e.scoutAt + window
		if end > e.at {
			if !last || e.at-e.scoutAt < int64(e.rate/10) {
				return nil
			}
			end = e.at
		}
		x := e.ring[e.scoutAt-e.ringAt : end-e.ringAt]
		best, bestScore, bestSure := -1, 0.0, false
		for _, i := range e.order() {
			c := e.codes[i]
			d, err := linecode.NewDemodulator(c, e.rate, e.opts)
			if err != nil {
				return err
			}
			d.Feed(x)
			d.Close()
			for _, r := range d.Take() {
				h := heard{r, e, e.scoutAt}
				if e.believable(r) && len(r.Bytes) >= 2 && score(&h) > bestScore {
					best, bestScore = i, score(&h)
					bestSure = quality(r) >= 0.97 && explained(r) >= 0.8 && len(r.Bytes) >= 24
				}
			}
			for _, f := range d.Refusals() {
				e.refuse(f, e.scoutAt, c)
			}
			if bestSure {
				break // no other code can explain it as well
			}
		}
		if best < 0 {
			if end == e.at && last {
				e.scouting = false
				return nil
			}
			e.scoutAt += hop
			continue
		}
		e.scouting = false
		if e.main != nil && e.mainCode == best {
			return nil // it hears this already
		}
		if err := e.listen(best, e.scoutAt); err != nil {
			return err
		}
	}
	return nil
}

// order is the order in which codes are tried: the one heard last, then those that cost least.
func (e *ear) order() []int {
	var out []int
	if e.main != nil {
		out = append(out, e.mainCode)
	}
	for _, shape := range []func(*linecode.Code) bool{
		func(c *linecode.Code) bool { return c.Pulses != nil },
		func(c *linecode.Code) bool { return c.Tones != nil },
		func(c *linecode.Code) bool { return c.Waves != nil },
	} {
		for i, c := range e.codes {
			if shape(c) && (e.main == nil || i != e.mainCode) {
				out = append(out, i)
			}
		}
	}
	return out
}

func (e *ear) close() error {
	if err := e.scout(true); err != nil {
		return err
	}
	e.drop()
	// The end of a run may have left something behind it that no window has seen yet.
	for i := 0; e.scouting && i < 64; i++ {
		if err := e.scout(true); err != nil {
			return err
		}
		if e.main == nil {
			break
		}
		e.drop()
	}
	return nil
}

func (e *ear) refuse(f linecode.Refusal, base int64, c *linecode.Code) {
	if len(e.refused) < maxRefusals {
		e.refused = append(e.refused, refusal{(f.At + float64(base)) / e.rate, c.Name, f.Why})
	}
}

func (e *ear) take() {
	for _, r := range e.main.Take() {
		h := heard{r, e, e.mainBase}
		if len(e.runs) < maxRuns {
			e.runs = append(e.runs, h)
		}
		from := r.To
		if !e.believable(r) || len(r.Bytes) < 8 {
			from = r.LeaderAt + e.rate/2 // it may have been no run of this code: look again at what it lay over
		}
		e.scouting = true
		e.scoutAt = max(e.scoutAt, int64(from)+e.mainBase)
	}
	for _, f := range e.main.Refusals() {
		e.refuse(f, e.mainBase, e.codes[e.mainCode])
	}
}

// stereo finds out how the two channels of a recording belong together, as it goes by: which is louder, whether one is
// upside down, and by how much one is late (a head at an angle). It gives a combination of them.
type stereo struct {
	rate       float64
	corr       [2*maxSkew + 1]float64
	e0, e1     float64
	sign       float64
	lag        int // right channel late by lag samples
	combine    bool
	tail0      []float32
	tail1      []float32
	chunks     int
	gain0      float64
	gain1      float64
	mixed      []float32
	lagSum     float64
	lagWeight  float64
	corrWeight float64
	corrSum    float64
}

// maxSkew is the largest delay between the channels looked for, in samples: 0.9 mm at 1 degree is 0.33 ms.
const maxSkew = 20

// mix measures a chunk of both channels and gives their combination, delayed by maxSkew samples.
func (t *stereo) mix(l, r []float32) []float32 {
	t.measure(l, r)
	n := len(l)
	t.tail0 = append(t.tail0, l...)
	t.tail1 = append(t.tail1, r...)
	if len(t.tail0) < n+2*maxSkew { // the first chunk: silence before it
		pad := make([]float32, n+2*maxSkew-len(t.tail0))
		t.tail0 = append(pad, t.tail0...)
		t.tail1 = append(append([]float32(nil), pad...), t.tail1...)
	}
	a := t.tail0[len(t.tail0)-n-maxSkew : len(t.tail0)-maxSkew]
	shift := maxSkew - t.lag
	b := t.tail1[len(t.tail1)-n-shift : len(t.tail1)-shift]
	t.mixed = t.mixed[:0]
	g0, g1 := float32(t.gain0), float32(t.gain1)
	for i := range a {
		t.mixed = append(t.mixed, g0*a[i]+g1*b[i])
	}
	keep := 2 * maxSkew
	t.tail0 = append(t.tail0[:0], t.tail0[len(t.tail0)-keep:]...)
	t.tail1 = append(t.tail1[:0], t.tail1[len(t.tail1)-keep:]...)
	return t.mixed
}

func (t *stereo) measure(l, r []float32) {
	const win = 1024
	if len(l) < win+2*maxSkew {
		if t.chunks == 0 {
			t.gain0, t.gain1, t.sign = 0.5, 0.5, 1
		}
		return
	}
	var m0, m1 float64
	for i := 0; i < win+2*maxSkew; i++ {
		m0 += float64(l[i])
		m1 += float64(r[i])
	}
	m0 /= win + 2*maxSkew
	m1 /= win + 2*maxSkew
	var c [2*maxSkew + 1]float64
	var e0, e1 float64
	for i := maxSkew; i < maxSkew+win; i++ {
		x := float64(l[i]) - m0
		e0 += x * x
		y := float64(r[i]) - m1
		e1 += y * y
	}
	for lag := -maxSkew; lag <= maxSkew; lag++ {
		var s float64
		for i := maxSkew; i < maxSkew+win; i++ {
			s += (float64(l[i]) - m0) * (float64(r[i+lag]) - m1)
		}
		c[lag+maxSkew] = s
	}
	a := 0.03
	if t.chunks < 30 {
		a = 1 / float64(t.chunks+1)
	}
	t.chunks++
	for i := range c {
		t.corr[i] += a * (c[i] - t.corr[i])
	}
	t.e0 += a * (e0 - t.e0)
	t.e1 += a * (e1 - t.e1)
	best := maxSkew
	for i := range t.corr {
		if math.Abs(t.corr[i]) > math.Abs(t.corr[best])*1.02 {
			best = i
		}
	}
	norm := math.Sqrt(t.e0*t.e1) + 1e-12
	rho := t.corr[best] / norm
	t.combine = math.Abs(rho) > 0.3
	if !t.combine {
		t.lag, t.sign = 0, 1
		if t.e0 >= t.e1 { // nothing in common: the louder one
			t.gain0, t.gain1 = 1, 0
		} else {
			t.gain0, t.gain1 = 0, 1
		}
		return
	}
	t.lag = best - maxSkew
	t.sign = math.Copysign(1, rho)
	// Each weighted by its amplitude: best where both carry the same noise.
	a0, a1 := math.Sqrt(t.e0), math.Sqrt(t.e1)
	t.gain0 = a0 / (a0 + a1)
	t.gain1 = t.sign * a1 / (a0 + a1)
	w := math.Sqrt(e0 * e1)
	t.lagSum += w * float64(t.lag)
	t.lagWeight += w
	t.corrSum += w * rho
	t.corrWeight += w
}

// meanLag is the delay of the right channel in samples over all that was combined, and the correlation.
func (t *stereo) meanLag() (lag, rho float64) {
	if t.lagWeight == 0 {
		return 0, 0
	}
	return t.lagSum / t.lagWeight, t.corrSum / t.corrWeight
}

// listeningRate is the rate demodulators work at: recordings far above what a cassette carries are brought down.
func listeningRate(f audio.Format) int {
	switch r := f.RateHz; {
	case r <= 60000:
		return r
	case r%44100 == 0:
		return 44100
	default:
		return 48000
	}
}
