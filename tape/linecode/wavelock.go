package linecode

import "math"

// waveLock is the state from leader to loss of signal.
type waveLock struct {
	e       *waveEngine
	start   int64
	at      int64      // everything up to here is decided
	scale   float64    // length of things against nominal
	amp     [4]float64 // level of a half-wave, by symbol
	vari    float64    // of one sample
	data    bool       // past leader and sync
	settled bool       // something other than a steady leader has been heard
	steady  int        // the symbol of a steady leader, -1 where the leader is not steady
	tr      waveTrellis
	sum     float64
	best    float64
	bestT   float64
	fr      framer
	over    bool
	resume  int64
	refused bool
	symbols int // of the data, and how many the sound does not bear out
	poor    int
}

// Sizes of a block, in mean bits.
const (
	waveBlock = 64
	waveLook  = 28
)

func newWaveLock(e *waveEngine, at int64, scale float64) *waveLock {
	lk := &waveLock{e: e, start: at, at: at, scale: scale, data: !e.hasLead, bestT: float64(at)}
	lk.fr.init(e.d, e.recordingAt(float64(at)))
	lk.fr.run0.Polar = e.signed
	lk.fr.either = e.antip
	lk.steady = symLead
	if p := e.d.code.Leader.Pattern; len(p) > 0 {
		lk.steady = p[0]
		for _, b := range p {
			if b != lk.steady {
				lk.settled = true
			}
		}
	}
	// Level and noise from the leader's first stretch: the tone's share of the power, by its correlation.
	n := min(int64(0.04*e.rate), int64(len(e.y))-(at-e.base))
	var z complex128
	p := 0.0
	hz := e.leadHz / scale
	for i, v := range e.y[at-e.base : at-e.base+n] {
		z += complex(float64(v), 0) * cis(-2*math.Pi*hz*float64(i)/e.rate)
		p += float64(v) * float64(v)
	}
	a := 2 * cabs(z) / float64(n)
	p /= float64(n)
	for i := range lk.amp {
		lk.amp[i] = max(a, 1e-9)
	}
	lk.vari = max(p-a*a/2, 0.02*a*a, 1e-18)
	lk.tr.init(lk)
	return lk
}

// bitLen is the mean length of a bit in samples, as the tape runs.
func (lk *waveLock) bitLen() float64 {
	return (lk.e.syms[0].length + lk.e.syms[1].length) / 2 * lk.scale
}

// step decides one block; false when there is too little sound.
func (lk *waveLock) step(end bool) bool {
	e := lk.e
	have := e.base + int64(len(e.y)) - lk.at
	block, look := int64(waveBlock*lk.bitLen()), int64(waveLook*lk.bitLen())
	margin := int64(2*lk.tr.longest()) + 4
	last := false
	if have < block+look+margin {
		if !end {
			return false
		}
		last = true
		block, look = have-margin, 0
		if block < 1 {
			lk.finish()
			return true
		}
	}
	lk.tr.block(lk.at, lk.at+block+look, lk.at+block, last)
	lk.use(block)
	if to, ok := lk.tr.goOn(lk.at, lk.at+block); ok {
		lk.at = to
	} else {
		lk.at += block
	}
	if last {
		lk.finish()
		return true
	}
	if lk.sum < lk.best-40 && (float64(lk.at)-lk.bestT)/e.rate > max(flywheelSeconds, 12*lk.bitLen()/e.rate) {
		lk.finish()
	} else if lk.fr.refused || lk.refused {
		lk.over, lk.resume = true, lk.at
	}
	return true
}

func (lk *waveLock) finish() {
	lk.over = true
	lk.resume = int64(lk.bestT) + 1
	lk.fr.trim(lk.e.recordingAt(lk.bestT + 0.3*lk.bitLen()))
	lk.fr.finish(lk.e.recordingAt(lk.bestT))
}

// use takes the symbols of the block: bits to the framer; level, noise and speed for the next block.
func (lk *waveLock) use(block int64) {
	e := lk.e
	var c, en, n [4]float64
	res, samples := 0.0, 0.0
	durs, noms := 0.0, 0.0
	all, bad := 0, 0
	covered := int64(0)
	for _, s := range lk.tr.path {
		covered += s.to - s.from
		sym := &e.syms[s.sym]
		ev := float64(s.metric)
		lk.sum += limited(ev, 6)
		if lk.sum > lk.best {
			lk.best, lk.bestT = lk.sum, float64(s.to)
			lk.fr.stats.symbols, lk.fr.stats.poor = lk.symbols, lk.poor // what comes after the signal does not count
		}
		a := s.corr / s.energy
		level := a / lk.amp[s.sym]
		lk.settled = lk.settled || s.sym != lk.steady
		poor := ev < 0 || level < 0.4 || level > 2.5
		if s.sym == symSync && !lk.data {
			lk.data = true
			if ev < 0 && level < 0.3 {
				e.d.refuse(lk.fr.leadAt, "a steady tone, but no sync after it")
				lk.refused = true
				return
			}
		}
		all++
		if poor {
			bad++
		}
		if lk.data {
			lk.symbols++
			if poor {
				lk.poor++
			}
		} else if all >= 24 && 2*bad > all {
			e.d.refuse(lk.fr.leadAt, "a tone like the leader's, but no leader")
			lk.refused = true
			return
		}
		if level > 0.4 {
			c[s.sym] += s.corr
			en[s.sym] += s.energy
			n[s.sym]++
			durs += float64(s.to - s.from)
			noms += sym.length
			res += max(s.power-s.corr*s.corr/s.energy, 0)
			samples += float64(s.to-s.from) - 1
		}
		if s.sym <= symOne {
			lk.data = true
			lk.fr.bit(softBit{llr: float64(s.llr) * limited(max(level, 0), 1), at: e.recordingAt(float64(s.from)),
				length: float64(s.to-s.from) * float64(e.dec.factor), level: math.Abs(a) / math.Sqrt2, speed: sym.length / float64(s.to-s.from)})
		}
	}
	if gap := float64(block-covered) / lk.bitLen(); gap > 2 { // nothing that could be a half-wave
		lk.sum -= 3 * gap
	}
	for i := range n {
		if n[i] >= 4 {
			w := n[i] / (n[i] + 30)
			lk.amp[i] += (c[i]/en[i] - lk.amp[i]) * w
			lk.amp[i] = max(lk.amp[i], 1e-9)
		}
	}
	if samples > 100 {
		top := max(lk.amp[0], lk.amp[1])
		lk.vari += (res/samples - lk.vari) * 0.3
		lk.vari = max(lk.vari, 0.01*top*top)
		lk.fr.stats.noise = math.Sqrt(lk.vari * float64(e.dec.factor))
	}
	if noms > 0 {
		s := durs / noms
		lk.scale = min(max(s, 1/(1+e.spread+0.03)), 1/(1-e.spread-0.03))
	}
}
