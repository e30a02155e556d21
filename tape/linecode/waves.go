package linecode

import (
	"errors"
	"fmt"
	"math"
)

// The wave engine looks for the row of half-waves that explains the sound best. Bits may be of unlike length, so where a
// bit begins depends on all bits before it: a trellis over time, one node a sample, is searched with the Viterbi
// algorithm, forward for the best row of bits and backward for the odds of each. Speed is followed from block to block
// and within a block by letting each bit be a little longer or shorter than it should.
type waveEngine struct {
	d       *Demodulator
	dec     *decimator
	rate    float64
	spread  float64
	signed  bool
	antip   bool // a 0 is a 1 upside down
	syms    [4]waveSymbol
	hasLead bool // the leader is half-waves of its own
	hasSync bool
	y       []float32
	base    int64
	spec    *spectrum
	leadHz  float64
	next    int64
	skip    int64
	streak  []float64
	from    int64
	lk      *waveLock
}

// waveSymbol is a row of half-waves: a 0, a 1, a turn of the leader, the sync.
type waveSymbol struct {
	widths []float64 // nominal, in samples
	signs  []float64 // of each half-wave, for a first one above the idle level
	flips  bool      // the next symbol begins with the other sign
	length float64
}

const (
	symZero = iota
	symOne
	symLead
	symSync
)

func newWaveEngine(d *Demodulator, o Options) (*waveEngine, error) {
	w := d.code.Waves
	e := &waveEngine{d: d, spread: o.SpeedRange, signed: w.Signed()}
	short, long := math.Inf(1), 0.0
	lists := [][]float64{w.Zero, w.One, d.code.Leader.WaveUS, d.code.Sync.WaveUS}
	for _, l := range lists {
		for _, us := range l {
			short, long = min(short, math.Abs(us)/1e6), max(long, math.Abs(us)/1e6)
		}
	}
	if d.rate*short < 3 {
		return nil, fmt.Errorf("sample rate: %v Hz is too low for a half-wave of %.0f us, want at least %.0f Hz", d.rate, short*1e6, math.Ceil(3/short))
	}
	factor := max(1, int(d.rate*short/8))
	e.rate = d.rate / float64(factor)
	e.dec = newDecimator(d.rate, factor, 0.38*e.rate, min(0.08/long, 0.1*e.rate))
	for i, l := range lists {
		e.syms[i] = e.symbol(l)
		if e.syms[i].length > 0.25*e.rate {
			return nil, errors.New("waves: a bit longer than 0.25 s")
		}
	}
	e.hasLead, e.hasSync = len(lists[symLead]) > 0, len(lists[symSync]) > 0
	e.antip = e.signed && len(w.One) == len(w.Zero)
	for i := range w.One {
		e.antip = e.antip && w.One[i] == -w.Zero[i]
	}
	if e.hasSync && !e.hasLead {
		return nil, errors.New("sync.wave-us: want a leader of half-waves in front of it")
	}
	hz, err := leaderHz(d.code)
	if err != nil {
		return nil, err
	}
	e.leadHz = hz
	n := 64
	for float64(2*n) <= 0.06*e.rate && float64(2*n) <= d.code.LeaderSeconds()/6*e.rate {
		n *= 2
	}
	e.spec = newSpectrum(n, e.rate, hz, o.SpeedRange)
	e.skip = int64(max(1, min(6, int(d.code.LeaderSeconds()*e.rate/float64(n)/8)))) * int64(n)
	return e, nil
}

func (e *waveEngine) symbol(us []float64) waveSymbol {
	var s waveSymbol
	sg := 1.0
	for _, w := range us {
		if e.signed {
			sg = 1
			if w < 0 {
				sg = -1
			}
		}
		n := math.Abs(w) / 1e6 * e.rate
		s.widths, s.signs = append(s.widths, n), append(s.signs, sg)
		s.length += n
		sg = -sg
	}
	s.flips = !e.signed && len(us)%2 == 1
	return s
}

// leaderHz is the strongest frequency of the declared leader.
func leaderHz(c *Code) (float64, error) {
	const rate, n = 32768, 32768
	m := newModulator(c, rate, Shape{Level: 1, Speed: 1})
	m.LeaderOf(1.2)
	buf := make([]float32, n)
	if k, _ := m.Read(buf); k < n {
		return 0, errors.New("leader: too short to measure")
	}
	s := newSpectrum(n, rate, 1, 0)
	for i := range s.in {
		s.in[i] = float64(buf[i]) * s.win[i]
	}
	s.fft.Coefficients(s.out, s.in)
	best := 1
	for i := 10; i < n/2; i++ {
		if cabs(s.out[i]) > cabs(s.out[best]) {
			best = i
		}
	}
	// centre of the line
	num, den := 0.0, 0.0
	for i := max(best-2, 1); i <= min(best+2, n/2); i++ {
		p := cabs(s.out[i])
		num += p * p * float64(i)
		den += p * p
	}
	if den == 0 {
		return 0, errors.New("leader: no steady tone in it")
	}
	return num / den * rate / n, nil
}

func (e *waveEngine) feed(x []float32) {
	for len(x) > 0 {
		k := min(len(x), 1<<15)
		e.y = e.dec.run(e.y, x[:k])
		x = x[k:]
		e.work(false)
	}
}

func (e *waveEngine) close() {
	e.y = append(e.y, make([]float32, int(0.01*e.rate))...)
	e.work(true)
}

func (e *waveEngine) work(end bool) {
	for {
		if e.lk == nil {
			if !e.search() {
				break
			}
			continue
		}
		if !e.lk.step(end) {
			break
		}
		if e.lk.over {
			e.next = max(e.lk.resume, e.lk.start+int64(e.spec.n))
			e.streak = e.streak[:0]
			e.lk = nil
		}
	}
	keep := e.next - int64(e.rate)/2
	if e.lk != nil {
		keep = e.lk.at - int64(2*e.rate)
	} else if len(e.streak) > 0 {
		keep = e.from - int64(e.rate)/4
	}
	if drop := keep - e.base; drop > 1<<17 {
		drop = min(drop, int64(len(e.y)))
		e.y = append(e.y[:0], e.y[drop:]...)
		e.base += drop
	}
}

// search looks at one spectrum for the leader; false when there is too little sound.
func (e *waveEngine) search() bool {
	n := int64(e.spec.n)
	e.next = max(e.next, e.base)
	if e.next+n > e.base+int64(len(e.y)) {
		return false
	}
	f, stands := e.spec.look(e.y[e.next-e.base : e.next-e.base+n])
	if !stands {
		e.streak = e.streak[:0]
		e.next += e.skip
		return true
	}
	if k := len(e.streak); k > 0 && math.Abs(f/e.streak[k-1]-1) > 0.03 {
		e.streak = e.streak[:0]
	}
	if len(e.streak) == 0 {
		e.from = e.next
	}
	e.streak = append(e.streak, f)
	e.next += n
	if len(e.streak) >= streakWindows {
		e.lk = newWaveLock(e, e.from+n, e.leadHz/e.streak[1])
	}
	return true
}

func (e *waveEngine) recordingAt(t float64) float64 {
	return t*float64(e.dec.factor) + e.dec.delay
}
