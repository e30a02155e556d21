package linecode

import "math"

// pulseLock is the state from leader to loss of signal.
type pulseLock struct {
	e      *pulseEngine
	start  float64
	t      float64 // where the next cell begins
	period float64
	p      [3]float64 // covariance of (t, period)
	q      float64
	nis    float64 // mean square of the innovations against what the filter expects, 1 where q is right

	shape pulseShape
	amp   float64   // what a pulse comes to
	none  []float64 // what no pulse comes to, by place (the tail of the pulse before)
	vari  float64
	loc   float64
	cells int64
	seen  float64

	weak float64 // what a pulse must come to where the level has jumped
	jump int     // cells in a row that do

	sum, best float64
	bestCell  int64
	bestT     float64

	buf     []pulseCell
	bufFrom int64 // number of the cell buf[0]
	fr      framer
	over    bool
	resume  int64
}

// pulseCell is what is kept of a cell until it is decided.
type pulseCell struct {
	at   float64
	y    [maxPlaces]float32
	amp  float32
	sd   float32
	len  float32
	llr  float32
	gain float32
}

const maxPlaces = 32

func newPulseLock(e *pulseEngine, t, period, amp, noise float64) *pulseLock {
	lk := &pulseLock{e: e, start: t, t: t, period: period, q: startQ, nis: 1, amp: amp}
	lk.p = [3]float64{2.25, 0, math.Pow(0.003*period, 2)}
	lk.shape.init(e, amp < 0)
	lk.amp = math.Abs(amp)
	lk.vari = max(noise, 1e-4*amp*amp)
	lk.none = make([]float64, len(e.places))
	lk.loc = 1
	lk.bestT = t
	lk.fr.init(e.d, e.recordingAt(t))
	lk.fr.run0.Inverted = amp < 0
	lk.fr.run0.Polar = true
	return lk
}

// step takes one cell; false when there is too little sound.
func (lk *pulseLock) step() bool {
	e := lk.e
	if int64(math.Ceil(lk.t+(seekCells+2)*lk.period))+1 >= e.base+int64(len(e.y)) {
		return false
	}
	if lk.t-0.3*lk.period < float64(e.base) {
		lk.t = float64(e.base) + lk.period
	}
	if lk.loc < 0.35 {
		lk.reseek()
	}
	c := pulseCell{at: lk.t, amp: float32(lk.amp), sd: float32(math.Sqrt(lk.vari)), len: float32(lk.period)}
	var slope [maxPlaces]float32
	for k, p := range e.places {
		c.y[k], slope[k] = lk.shape.correlate(e, lk.t+p*lk.period, lk.period/e.cell)
	}
	if lk.strays() {
		lk.over, lk.resume = true, int64(lk.t-jumpCells*lk.period)
		return true
	}
	llr := lk.llr(&c, 1)
	lk.learn(&c, slope[:], llr)
	lk.buf = append(lk.buf, c)
	lk.cells++
	lk.decide(false)
	if lk.cells == 64 && lk.best < 40 {
		lk.over, lk.resume = true, int64(lk.t)
		return true // chance
	}
	if lk.gone() {
		lk.over = true
		lk.resume = int64(lk.bestT + lk.period)
		lk.finish()
	} else if lk.fr.refused {
		lk.over = true
		lk.resume = int64(lk.t)
	}
	return true
}

// jumpCells is after how many cells a level that has jumped is believed.
const jumpCells = 4

// strays says that the lock hangs on noise, in which it may have begun by chance and learned the noise's own shape, while
// the code sets in far above it: the code is looked for anew, for its leader is still to come. The pulses may come
// anywhere in the cell, for where the lock expects them is chance too.
func (lk *pulseLock) strays() bool {
	if sd := math.Sqrt(lk.vari); lk.jump == 0 && lk.amp < 2*sd { // no code that can be read is so weak
		lk.weak = 10 * sd
	} else if lk.jump == 0 {
		return false
	}
	if lk.loudest() < lk.weak {
		lk.jump = 0
		return false
	}
	lk.jump++ // the jump drives level and noise up: what counts is how it began
	return lk.jump == jumpCells
}

// loudest is the strongest the declared pulse is heard anywhere in the next cell, either way up: the shape and the place
// learned from noise say nothing about the code.
func (lk *pulseLock) loudest() float64 {
	e := lk.e
	from := max(int64(lk.t)-e.base, 0)
	to := min(from+int64(math.Ceil(lk.period)), int64(len(e.y)-len(e.nominal)))
	best := 0.0
	for i := from; i < to; i++ {
		var s float32
		for j, p := range e.nominal {
			s += p * e.y[i+int64(j)]
		}
		best = max(best, math.Abs(float64(s)))
	}
	return best
}

// seekCells is over how many cells the clock is looked for after a dropout.
const seekCells = 6

// reseek looks, in a dropout, whether the clock goes on from here, up to a quarter of a cell early or late: the wheel may
// have run a little off.
func (lk *pulseLock) reseek() {
	e := lk.e
	stretch := lk.period / e.cell
	best, bestOff, bestSq := 0.0, 0.0, 0.0
	place := e.places[e.clock] * lk.period
	lim := 0.24 * lk.period
	if float64(e.base) > lk.t-lim-lk.period {
		return
	}
	for off := -lim; off <= lim; off += 0.5 {
		s, sq := 0.0, 0.0
		for k := range seekCells {
			y, _ := lk.shape.correlate(e, lk.t+place+off+float64(k)*lk.period, stretch)
			s += float64(y)
			sq += float64(y) * float64(y)
		}
		if s > best {
			best, bestOff, bestSq = s, off, sq
		}
	}
	if best > 0.5*seekCells*lk.amp && best*best > 0.85*seekCells*bestSq {
		lk.t += bestOff
		lk.p[0] += 1
	}
}

func (lk *pulseLock) gone() bool {
	return lk.sum < lk.best-40 && (lk.t-lk.bestT)/lk.e.rate > max(flywheelSeconds, 12*lk.period/lk.e.rate)
}

// llr is the logarithm of the odds of a 1, were the level gain times what it has been.
func (lk *pulseLock) llr(c *pulseCell, gain float64) float64 {
	s := 0.0
	for k := range lk.e.places {
		one, zero := lk.e.has[1][k], lk.e.has[0][k]
		if one == zero {
			continue
		}
		a, b := gain*float64(c.amp), gain*lk.none[k]
		d := (a - b) * (float64(c.y[k]) - (a+b)/2)
		if one {
			s += d
		} else {
			s -= d
		}
	}
	return s / float64(c.sd*c.sd)
}

// learn corrects place and speed by the pulses there were, and follows level, noise and shape.
func (lk *pulseLock) learn(c *pulseCell, slope []float32, llr float64) {
	e := lk.e
	bit := 0
	if llr > 0 {
		bit = 1
	}
	sure := math.Abs(llr) > 3
	ev, pulses := 0.0, 0
	for k := range e.places {
		if e.has[bit][k] {
			ev += (lk.amp*float64(c.y[k]) - lk.amp*lk.amp/2) / lk.vari
			lk.loc += (min(max(float64(c.y[k])/lk.amp, 0), 1.5) - lk.loc) * 0.35
			pulses++
		}
	}
	lk.sum += min(max(ev, -6), 6)
	if lk.sum > lk.best {
		lk.best, lk.bestCell, lk.bestT = lk.sum, lk.cells, lk.t+lk.period
	}
	alive := lk.loc > 0.4 || lk.amp*lk.loc > 3*math.Sqrt(lk.vari)
	// place
	t := lk.t
	h := lk.shape.slope * lk.amp * lk.amp
	for k := range e.places {
		if !e.has[bit][k] || e.has[1][k] != e.has[0][k] && !sure {
			continue
		}
		g := min(max(float64(c.y[k])/lk.amp, 0), 1) // a weak pulse says little
		g = math.Min(g, max(lk.loc, 0.01))
		if g < 0.05 {
			continue
		}
		d := -float64(slope[k]) / (lk.amp * g * lk.shape.slope)
		lim := 0.4 * float64(len(e.nominal))
		d = min(max(d, -lim), lim)
		meas := lk.vari/(h*g*g) + 0.01
		// place of the pulse: t + p*period, both as they were when the pulse was measured
		d += t + e.places[k]*float64(c.len) - (lk.t + e.places[k]*lk.period)
		pl := e.places[k]
		p := &lk.p
		ht, hp := p[0]+pl*p[1], p[1]+pl*p[2]
		s := ht + pl*hp + meas
		// A sharp pulse promises more than samples can keep: bounded gains leave no room for the loop to ring.
		k0, k1 := min(ht/s, 0.6), min(max(hp/s, 0), 0.25)
		lk.nis += (min(d*d/s, 9) - lk.nis) * (1. / 128)
		lk.t += k0 * d
		lk.period += k1 * d
		p[0] -= k0 * ht
		p[1] -= k0 * hp
		p[2] -= k1 * hp
	}
	// level and noise
	if alive {
		lk.seen++
		a := 1 / math.Min(lk.seen+4, 100)
		for k := range e.places {
			y := float64(c.y[k])
			if e.has[1][k] != e.has[0][k] && !sure {
				continue
			}
			want := lk.none[k]
			if e.has[bit][k] {
				want = lk.amp
			}
			r := y - want
			lk.vari += (min(r*r, 9*lk.vari) - lk.vari) * (1. / 128)
			if e.has[bit][k] {
				lk.amp += r * a / float64(max(pulses, 1))
			} else {
				lk.none[k] += r * a
			}
		}
		lk.amp = max(lk.amp, 1e-9)
		lk.vari = max(lk.vari, 1e-4*lk.amp*lk.amp)
		for k := range e.places {
			if e.has[bit][k] && e.has[1][k] == e.has[0][k] {
				lk.shape.learn(e, t+e.places[k]*float64(c.len), float64(c.len)/e.cell, lk.vari)
			}
		}
	}
	// the filter trusts its prediction as far as the innovations bear it out
	switch {
	case lk.nis > 1.5 && lk.q < startQ:
		lk.q *= 1.02
	case lk.nis < 1.2 && lk.q > 1e-5:
		lk.q *= 0.995
	}
	// on to the next cell
	lk.t += lk.period
	dt := lk.period / e.rate
	q := lk.q * dt * lk.period * lk.period
	p := &lk.p
	p[0] += 2*p[1] + p[2] + q/3
	p[1] += p[2] + q/2
	p[2] += q
	lo, hi := e.cell/(1+e.spread+0.03), e.cell/(1-e.spread-0.03)
	lk.period = min(max(lk.period, lo), hi)
}

// Sizes of a block of cells.
const (
	blockCells = 1024
	lookCells  = 96
)

// decide turns cells into bits once enough is known of what follows them.
func (lk *pulseLock) decide(all bool) {
	n := len(lk.buf)
	switch {
	case !all && n < blockCells+lookCells:
		return
	case !all:
		n = blockCells
	}
	if n == 0 {
		return
	}
	lk.soften()
	for i := range lk.buf[:n] {
		lk.fr.bit(lk.soft(&lk.buf[i]))
	}
	lk.fr.stats.noise = math.Sqrt(lk.vari * float64(lk.e.dec.factor))
	lk.buf = append(lk.buf[:0], lk.buf[n:]...)
	lk.bufFrom += int64(n)
}

// soft is a cell as a bit.
func (lk *pulseLock) soft(c *pulseCell) softBit {
	return softBit{llr: float64(c.llr), at: lk.e.recordingAt(c.at), length: float64(c.len) * float64(lk.e.dec.factor),
		level: float64(c.amp*c.gain) * lk.shape.rms, speed: lk.e.cell / float64(c.len)}
}

func (lk *pulseLock) finish() {
	// what came after the last pulse is not data
	if n := lk.bestCell - lk.bufFrom + 1; n >= 0 && n < int64(len(lk.buf)) {
		lk.buf = lk.buf[:n]
	}
	lk.decide(true)
	lk.fr.trim(lk.e.recordingAt(lk.bestT + 0.3*lk.period))
	lk.fr.finish(lk.e.recordingAt(lk.bestT))
}
