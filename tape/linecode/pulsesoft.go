package linecode

import "math"

// Levels the smoother knows: 2 dB apart, from 4 dB above the usual to 44 dB below.
const (
	gainSteps = 25
	gainTop   = 2 // index of 0 dB
)

var gainTable = func() (g [gainSteps]float64) {
	for i := range g {
		g[i] = math.Pow(10, -float64(i-gainTop)*2/20)
	}
	return
}()

// soften decides every cell in buf. Where the level is steady the odds follow from the correlations. Where it dips, the
// threshold between pulse and no pulse must dip with it: a hidden Markov model over the level, run forward and backward
// over the block, weighs every level by what the pulses before, in and behind the cell say about it.
func (lk *pulseLock) soften() {
	dips := false
	run := 1.0
	for i := range lk.buf {
		c := &lk.buf[i]
		y := lk.strongest(c)
		run += (y - run) * 0.4
		if run < 0.65 || run > 1.5 {
			dips = true
			break
		}
	}
	if !dips {
		for i := range lk.buf {
			c := &lk.buf[i]
			c.llr, c.gain = float32(lk.llr(c, 1)), 1
		}
		return
	}
	n := len(lk.buf)
	fwd := make([][gainSteps]float64, n)
	var bwd [gainSteps]float64
	em := make([][gainSteps]float64, n)
	const jump, creep = 0.004, 0.02
	next := func(p *[gainSteps]float64) (q [gainSteps]float64) {
		tot := 0.0
		for _, x := range p {
			tot += x
		}
		for i := range q {
			q[i] = p[i] * (1 - jump - 2*creep)
			if i > 0 {
				q[i] += p[i-1] * creep
			}
			if i < gainSteps-1 {
				q[i] += p[i+1] * creep
			}
			q[i] += tot * jump / gainSteps
		}
		return
	}
	norm := func(p *[gainSteps]float64) {
		t := 0.0
		for _, x := range p {
			t += x
		}
		if !(t > 0) {
			for i := range p {
				p[i] = 1. / gainSteps
			}
			return
		}
		for i := range p {
			p[i] /= t
		}
	}
	var p [gainSteps]float64
	p[gainTop] = 1
	for i := range lk.buf {
		p = next(&p)
		fwd[i] = p // before this cell
		lk.emission(&lk.buf[i], &em[i])
		for g := range p {
			p[g] *= em[i][g]
		}
		norm(&p)
	}
	for g := range bwd {
		bwd[g] = 1. / gainSteps
	}
	for i := n - 1; i >= 0; i-- {
		c := &lk.buf[i]
		one, zero, mean, tot := 0.0, 0.0, 0.0, 0.0
		for g := range gainSteps {
			w := fwd[i][g] * bwd[g]
			a, b := lk.likely(c, gainTable[g])
			one += w * a
			zero += w * b
			mean += w * (a + b) * gainTable[g]
			tot += w * (a + b)
		}
		c.gain = 1
		if tot > 0 {
			c.gain = float32(mean / tot)
		}
		const least = 1e-280
		c.llr = float32(math.Log(one+least) - math.Log(zero+least))
		if one < least && zero < least {
			c.llr = float32(lk.llr(c, 1))
		}
		for g := range bwd {
			bwd[g] *= em[i][g]
		}
		norm(&bwd)
		bwd = next(&bwd)
	}
}

// strongest is the level of the cell's pulses under the likelier bit, against the usual.
func (lk *pulseLock) strongest(c *pulseCell) float64 {
	bit := 0
	if lk.llr(c, 1) > 0 {
		bit = 1
	}
	s, n := 0.0, 0.0
	for k := range lk.e.places {
		if lk.e.has[bit][k] && (lk.e.has[1-bit][k] || lk.e.has[1][k] != lk.e.has[0][k] && !lk.common()) {
			s += float64(c.y[k])
			n++
		}
	}
	if n == 0 {
		return 1
	}
	return s / n / float64(c.amp)
}

// common says whether both bits have a pulse at the same place, a clock.
func (lk *pulseLock) common() bool {
	for k := range lk.e.places {
		if lk.e.has[0][k] && lk.e.has[1][k] {
			return true
		}
	}
	return false
}

// likely is the likelihood of the cell as a 1 and as a 0 at a level, over that of noise alone at the best fit, so that
// it stays within what a float holds.
func (lk *pulseLock) likely(c *pulseCell, gain float64) (one, zero float64) {
	v := 2 * float64(c.sd) * float64(c.sd)
	v = max(v, 2*math.Pow(0.05*float64(c.amp), 2)) // levels are 2 dB apart
	var l [2]float64
	for k := range lk.e.places {
		for b := range 2 {
			want := gain * lk.none[k]
			if lk.e.has[b][k] {
				want = gain * float64(c.amp)
			}
			d := float64(c.y[k]) - want
			l[b] -= d * d / v
		}
	}
	return math.Exp(l[1]), math.Exp(l[0])
}

func (lk *pulseLock) emission(c *pulseCell, em *[gainSteps]float64) {
	for g := range em {
		a, b := lk.likely(c, gainTable[g])
		em[g] = (a+b)/2 + 1e-290
	}
}
