package linecode

import (
	"errors"
	"fmt"
	"math"
)

// The pulse engine correlates with one pulse at every place a cell may have one, and with the slope of the pulse, which
// tells how far the pulse was from where it was expected. The pulse is the declared one at first; then the mean of
// the pulses heard in the leader, whatever tape and heads have made of it.
type pulseEngine struct {
	d      *Demodulator
	dec    *decimator
	rate   float64
	cell   float64   // nominal length in samples
	places []float64 // where pulses may start, in cells
	has    [2][]bool // by bit and place
	clock  int       // the place of the leader's pulse
	lead   int
	spread float64
	gap    float64 // least distance between places, in cells, around the end of the cell too

	nominal []float32 // the declared pulse, sampled, energy 1
	y       []float32
	base    int64
	next    int64
	hop     int64
	match   []float32
	lk      *pulseLock
}

const searchCells = 16

func newPulseEngine(d *Demodulator, o Options) (*pulseEngine, error) {
	p := d.code.Pulses
	e := &pulseEngine{d: d, spread: o.SpeedRange}
	short, long := math.Inf(1), 0.0
	for _, s := range p.Pulse {
		short = min(short, s.US/1e6)
		long += s.US / 1e6
	}
	if d.rate*short < 1.5 {
		return nil, fmt.Errorf("sample rate: %v Hz is too low for a pulse of %.0f us, want at least %.0f Hz", d.rate, short*1e6, math.Ceil(1.5/short))
	}
	factor := max(1, int(d.rate*short/5))
	e.dec = newDecimator(d.rate, factor, 0.38*d.rate/float64(factor), 0)
	e.rate = d.rate / float64(factor)
	e.cell = p.CellUS / 1e6 * e.rate
	if len(d.code.Leader.Pattern) == 0 {
		return nil, errors.New("leader: want a pattern of bits")
	}
	e.lead = d.code.Leader.Pattern[0]
	for _, b := range d.code.Leader.Pattern {
		if b != e.lead {
			return nil, errors.New("leader: a pulses code wants all bits alike")
		}
	}
	e.setPlaces(p)
	n := 0
	for k, h := range e.has[e.lead] {
		if h {
			n++
			e.clock = k
		}
	}
	if n != 1 {
		return nil, fmt.Errorf("leader: want a bit with one pulse in its cell, this one has %d", n)
	}
	e.nominal = sampledPulse(p.Pulse, e.rate)
	e.hop = int64(max(e.cell*(searchCells+2), d.code.LeaderSeconds()*e.rate/8))
	return e, nil
}

// setPlaces makes one list of the places of both bits.
func (e *pulseEngine) setPlaces(p *Pulses) {
	i, j := 0, 0
	for i < len(p.One) || j < len(p.Zero) {
		switch {
		case j == len(p.Zero) || i < len(p.One) && p.One[i] < p.Zero[j]-1e-9:
			e.places, e.has[1], e.has[0] = append(e.places, p.One[i]), append(e.has[1], true), append(e.has[0], false)
			i++
		case i == len(p.One) || p.Zero[j] < p.One[i]-1e-9:
			e.places, e.has[1], e.has[0] = append(e.places, p.Zero[j]), append(e.has[1], false), append(e.has[0], true)
			j++
		default:
			e.places, e.has[1], e.has[0] = append(e.places, p.One[i]), append(e.has[1], true), append(e.has[0], true)
			i++
			j++
		}
	}
	e.gap = 1
	for k, at := range e.places {
		next := e.places[0] + 1
		if k+1 < len(e.places) {
			next = e.places[k+1]
		}
		e.gap = min(e.gap, next-at)
	}
}

// sampledPulse is the mean of the pulse over each sample, without its DC, at energy 1.
func sampledPulse(steps []Step, rate float64) []float32 {
	total := 0.0
	for _, s := range steps {
		total += s.US / 1e6 * rate
	}
	n := int(math.Ceil(total)) + 1
	out := make([]float64, n)
	at, area := 0.5, 0.0
	for _, s := range steps {
		to := at + s.US/1e6*rate
		for i := range out {
			if w := min(to, float64(i+1)) - max(at, float64(i)); w > 0 {
				out[i] += w * s.Level
			}
		}
		area += (to - at) * s.Level
		at = to
	}
	if math.Abs(area) > 0.01*total { // a pulse with DC: let the surroundings stand for the idle level
		pad := make([]float64, n)
		out = append(append(append([]float64(nil), pad...), out...), pad...)
	}
	mean, energy := 0.0, 0.0
	for _, v := range out {
		mean += v / float64(len(out))
	}
	for _, v := range out {
		energy += (v - mean) * (v - mean)
	}
	p := make([]float32, len(out))
	for i, v := range out {
		p[i] = float32((v - mean) / math.Sqrt(energy))
	}
	return p
}

func (e *pulseEngine) feed(x []float32) {
	for len(x) > 0 {
		k := min(len(x), 1<<15)
		e.y = e.dec.run(e.y, x[:k])
		x = x[k:]
		e.work(false)
	}
}

func (e *pulseEngine) close() {
	e.y = append(e.y, make([]float32, int(2*e.cell)+8)...) // the last cell may end in its last pulse
	e.work(true)
}

func (e *pulseEngine) work(end bool) {
	for {
		if e.lk == nil {
			if !e.search() {
				break
			}
			continue
		}
		if !e.lk.step() {
			if end {
				e.lk.finish()
				e.next = max(e.next, int64(e.lk.t)) // what was heard is not heard again
				e.lk = nil
				continue
			}
			break
		}
		if e.lk.over {
			e.next = max(e.lk.resume, int64(e.lk.start)+int64(e.cell*searchCells)) // never twice from the same place
			e.lk = nil
		}
	}
	keep := e.next - int64(e.cell)
	if e.lk != nil {
		keep = int64(e.lk.t - 2*e.rate)
	}
	if drop := keep - e.base; drop > 1<<17 {
		drop = min(drop, int64(len(e.y)))
		e.y = append(e.y[:0], e.y[drop:]...)
		e.base += drop
	}
}

func (e *pulseEngine) recordingAt(t float64) float64 {
	return (t-0.5)*float64(e.dec.factor) + e.dec.delay
}

// search folds the matched filter's output over 16 cells at every speed and place, and looks for one place where all of
// them have a pulse. False when there is too little sound.
func (e *pulseEngine) search() bool {
	if e.next < e.base {
		e.next = e.base
	}
	longest := e.cell / (1 - e.spread)
	n := int(longest*(searchCells+1)) + len(e.nominal) + 2
	at := int(e.next - e.base)
	if at+n > len(e.y) {
		return false
	}
	w := e.y[at : at+n]
	e.next += e.hop
	energy := 0.0
	for _, v := range w {
		energy += float64(v) * float64(v)
	}
	if energy < 1e-12*float64(n) {
		return true
	}
	out := n - len(e.nominal)
	e.match = grow(e.match, out)
	for i := range out {
		var s float32
		for j, p := range e.nominal {
			s += p * w[i+j]
		}
		e.match[i] = s
	}
	y := e.match
	best, bestT, bestP := 0.0, 0, 0.0
	step := 0.25 * float64(len(e.nominal)) / searchCells
	var offs [searchCells]int
	for p := e.cell / (1 + e.spread); p <= longest; p += step {
		for k := range offs {
			offs[k] = int(float64(k)*p + 0.5)
		}
		for t := 0; t < int(p); t += 2 { // a pulse is several samples wide
			var s float32
			for _, o := range offs {
				s += y[t+o]
			}
			if a := math.Abs(float64(s)); a > best {
				best, bestT, bestP = a, t, p
			}
		}
	}
	for t, mid := max(bestT-1, 0), bestT; t <= mid+1; t++ {
		s := 0.0
		for k := range searchCells {
			s += float64(y[t+int(float64(k)*bestP+0.5)])
		}
		if a := math.Abs(s); a > best {
			best, bestT = a, t
		}
	}
	// All pulses alike: the square of the sum against N times the sum of squares is 1; in noise alone the best of all
	// speeds and places gets to about 0.6. And nothing much elsewhere: a tone of the cell's frequency fills the cell.
	var sum, sq, all, off float64
	for k := range searchCells {
		v := float64(y[bestT+int(float64(k)*bestP+0.5)])
		sum += v
		sq += v * v
	}
	m := int(bestP)
	for t := range m {
		f := 0.0
		for k := range searchCells {
			v := float64(y[t+int(float64(k)*bestP+0.5)])
			f += v
			if d := t - bestT; d > m/4 && d < m-m/4 || d < -m/4 && d > m/4-m {
				off += v * v
			}
		}
		all += f * f / float64(m)
	}
	if sum*sum < 0.7*searchCells*sq || sum*sum < 5*all {
		return true
	}
	off /= float64(searchCells * (m - 2*(m/4)))
	e.lk = newPulseLock(e, float64(e.next-e.hop)+float64(bestT)-e.places[e.clock]*bestP, bestP, sum/searchCells, off)
	return true
}
