package linecode

import "math"

// toneLoudness is how loud it is where a lock listens, and where something far louder set in.
type toneLoudness struct {
	mean, usual float64 // power of a chunk in the leader's tone: over the last bits, and the greatest that has been
	above       bool    // the power is far above the usual, since
	since       float64 // decimated samples
	others      int     // bits of the other tone while it has been
	bestAt      int64   // where the signal had last been heard then: chunk and time
	bestT       float64
}

// outshines is how far above all that a lock has heard a leader must stand for the lock to be given up, as a ratio of
// powers: 12 dB. Below that the lock follows by itself.
const outshines = 16

// outshineBits is after how many bits of the other tone the louder signal is that of the run itself: no leader has any, but
// it may begin with a click.
const outshineBits = 4

// startLoudness takes the first bits of the leader for the usual.
func (lk *toneLock) startLoudness() {
	for i := range lk.chunks {
		lk.loud.mean += lk.chunks[i].power(lk.e.lead) / float64(len(lk.chunks))
	}
	lk.loud.usual = lk.loud.mean
}

// outshone says that the lock hangs on something faint, such as a neighbouring layer of the tape heard in a pause, while a
// leader has set in far above it. The leader is looked for anew, for nothing the lock knows of speed, phase and levels is
// true of it. A program whose own level jumps keeps its lock: its bits are of both tones, and the lock is given up only
// after as much of one tone as the search needs to find it.
func (lk *toneLock) outshone() bool {
	e, l := lk.e, &lk.loud
	c := &lk.chunks[len(lk.chunks)-1]
	p := c.power(e.lead)
	if p <= outshines*l.usual {
		l.above = false
		l.mean += (p - l.mean) * (1. / 16)
		l.usual = max(l.usual, l.mean)
		return false
	}
	if !l.above {
		l.above, l.others, l.since, l.bestAt, l.bestT = true, 0, c.at, lk.bestAt, lk.bestT
	}
	if z := lk.otherTone(); z*z > 0.15*float64(e.chunksPer*e.chunksPer)*p { // half a bit of it, at least
		l.since = lk.t
		if l.others++; l.others == outshineBits {
			l.above, l.mean, l.usual = false, p, p
		}
		return false
	}
	n := int64(e.spec.n)
	from := int64(math.Ceil(l.since)) - e.base
	if from < 0 || from+streakWindows*n > int64(lk.t)-e.base {
		return false
	}
	last := 0.0
	for i := range int64(streakWindows) {
		hz, stands := e.spec.look(e.y[from+i*n : from+(i+1)*n])
		if !stands || i > 0 && math.Abs(hz/last-1) > sameTone {
			l.above, l.mean, l.usual = false, p, p // neither a leader nor the code
			return false
		}
		last = hz
	}
	lk.bestAt, lk.bestT = l.bestAt, l.bestT
	lk.resume = e.base + from
	return true
}

// otherTone is what the last bit of the reference correlates to with the tone that is not the leader's.
func (lk *toneLock) otherTone() float64 {
	z1, z0 := lk.window(lk.last())
	if lk.e.lead == 0 {
		return cabs(z1)
	}
	return cabs(z0)
}

// power is that of the tone of a bit in the chunk. Half a cycle of the faster tone tells it at any speed and phase.
func (c *chunk) power(bit int) float64 {
	if bit == 1 {
		return float64(c.i1*c.i1 + c.q1*c.q1)
	}
	return float64(c.i0*c.i0 + c.q0*c.q0)
}
