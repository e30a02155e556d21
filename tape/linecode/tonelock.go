package linecode

import "math"

// toneLock is the state from leader to loss of signal.
type toneLock struct {
	e        *toneEngine
	start    float64
	t        float64    // where the next bit of the reference begins
	period   float64    // of a bit
	p        [3]float64 // covariance of (t, period): tt, tp, pp
	q        float64    // variance of the relative speed change, per second
	bits     int64      // bits tracked
	chunks   []chunk
	first    int64 // index of chunks[0]
	align    int   // chunks between the reference's bit borders and those of the data
	contrast []float32

	gain  [2]float64    // what a bit's correlation comes to, by bit
	phase [2]complex128 // unit phase of each tone in the reference
	seen  [2]float64
	vari  float64 // variance of one component of a bit's correlation
	loc   float64 // level of the last few bits against gain
	low   int     // bits in a row that were far below the usual level
	sig   float64 // level of the last bits against noise

	slips   int        // bits in a row of the other tone in a phase it did not have
	jumped  complex128 // sum of their unit vectors
	dropAt  int64      // chunk of the last dropout, and its bit
	dropBit int64

	sum, best float64 // evidence that the signal is still there
	bestAt    int64   // chunk where it was greatest
	bestT     float64 // and when that was
	quiet     float64 // the leader was heard up to here at least: no byte begins before
	loud      toneLoudness

	tr     toneTrellis
	over   bool
	resume int64
}

func newToneLock(e *toneEngine, at int64, hz float64) *toneLock {
	c := float64(e.cycles[e.lead])
	lk := &toneLock{e: e, start: float64(at), t: float64(at) + 1, period: c / hz * e.rate, q: startQ}
	lk.phase = [2]complex128{1, 1}
	lk.bestT = lk.t
	lk.contrast = make([]float32, e.chunksPer)
	// The first bits of the leader give phase, level and noise.
	n := int(min(max(0.03*e.rate/lk.period, 8), 32))
	z := make([]complex128, n)
	var other float64
	t0 := lk.t
	for i := range z {
		if !lk.correlate() {
			break
		}
		z1, z0 := lk.window(lk.last())
		if e.lead == 0 {
			z1, z0 = z0, z1
		}
		z[i] = z1
		other += real(z0)*real(z0) + imag(z0)*imag(z0)
		lk.t += lk.period
	}
	// frequency from the slope of the phase, then place from its mean
	var slope, mean complex128
	for i := 1; i < n; i++ {
		slope += z[i] * conj(z[i-1])
	}
	turn := arg(slope) // radians a bit by which the signal gains on the reference
	for i := range z {
		mean += z[i] * cis(-turn*float64(i))
	}
	lk.period /= 1 + turn/(2*math.Pi*c)
	lk.t = t0 - arg(mean)/(2*math.Pi*c)*lk.period
	g := max(cabs(mean)/float64(n), 1e-9)
	lk.gain = [2]float64{g, g}
	res := 0.0
	for i := range z {
		r := z[i]*cis(-turn*float64(i)) - mean/complex(float64(n), 0)
		res += real(r)*real(r) + imag(r)*imag(r)
	}
	lk.vari = max((res/float64(n-1)+other/float64(n))/4, g*g*1e-4, 1e-18)
	lk.startLoudness()
	lk.p = [3]float64{math.Pow(0.02*lk.period, 2), 0, math.Pow(0.003*lk.period, 2)}
	lk.chunks, lk.first, lk.bits = lk.chunks[:0], 0, 0
	lk.loc, lk.sig = 1, g/math.Sqrt(lk.vari)
	lk.tr.init(lk)
	return lk
}

// startQ is how fast speed may change until the recording has shown how fast it does: wow of 1 % at 4 Hz.
const startQ = 0.0025

func (lk *toneLock) last() int64 { return lk.first + int64(len(lk.chunks)) }

// correlate takes one bit of the reference at (t, period) and appends its chunks; false when the sound ends before it.
func (lk *toneLock) correlate() bool {
	e := lk.e
	n := int64(math.Ceil(lk.t)) - e.base
	if n < 0 {
		lk.t = float64(e.base)
		n = 0
	}
	stop := int64(math.Ceil(lk.t+lk.period)) - e.base
	if stop+1 >= int64(len(e.y)) {
		return false
	}
	const whole = uint64(1) << 32
	inc := uint64(float64(whole) / lk.period)
	ph := uint64((float64(n+e.base) - lk.t) / lk.period * float64(whole))
	y := e.y[n : stop+1]
	m := uint64(e.chunksPer)
	tab := (*[1 << toneTableBits]toneRef)(e.tab)
	k := 0
	other := complex64(0) // until the phase is well known
	if lk.seen[1-e.lead] >= 40 && cabs(lk.phase[1-e.lead]) > 0.7 {
		other = complex64(lk.phase[1-e.lead])
	}
	for c := uint64(1); c <= m; c++ {
		limit := whole * c / m
		var i1, q1, i0, q0 float32
		for ph < limit && k < len(y) {
			r := &tab[ph>>(32-toneTableBits)&(1<<toneTableBits-1)]
			x := y[k]
			i1 += x * r.s1
			q1 += x * r.c1
			i0 += x * r.s0
			q0 += x * r.c0
			ph += inc
			k++
		}
		lk.chunks = append(lk.chunks, chunk{i1, q1, i0, q0, lk.t + float64(c-1)*lk.period/float64(m), other})
	}
	return true
}

// window sums the bit that ends at chunk end.
func (lk *toneLock) window(end int64) (z1, z0 complex128) {
	c := lk.chunks[int(end-lk.first)-lk.e.chunksPer : end-lk.first]
	var i1, q1, i0, q0 float32
	for i := range c {
		i1 += c[i].i1
		q1 += c[i].q1
		i0 += c[i].i0
		q0 += c[i].q0
	}
	return complex(float64(i1), float64(q1)), complex(float64(i0), float64(q0))
}

// step tracks one bit; false when there is too little sound.
func (lk *toneLock) step() bool {
	if !lk.correlate() {
		return false
	}
	e := lk.e
	m := e.chunksPer
	lk.bits++
	lk.predict()
	if (lk.bits&3 == 0 || lk.loud.above) && lk.outshone() { // one bit in four is enough to begin with
		lk.over = true
		lk.tr.finish(lk.bestAt)
		return true
	}
	lk.findAlign()
	end := lk.last()
	if lk.align > 0 {
		end -= int64(m - lk.align)
	}
	if end-lk.first < int64(m) {
		return true
	}
	z1, z0 := lk.window(end)
	lk.measure(z1, z0, end)
	if lk.gone() {
		lk.over = true
		lk.resume = int64(lk.bestT + lk.period)
		lk.tr.finish(lk.bestAt)
		return true
	}
	lk.tr.advance()
	if lk.tr.refused != "" {
		e.d.refuse(e.recordingAt(lk.start), "%s", lk.tr.refused)
		lk.over = true
		lk.resume = int64(lk.t)
	}
	return true
}

// predict moves the Kalman filter to the next bit.
func (lk *toneLock) predict() {
	lk.t += lk.period
	dt := lk.period / lk.e.rate
	q := lk.q * dt * lk.period * lk.period
	p := &lk.p
	p[0] += 2*p[1] + p[2] + q/3
	p[1] += p[2] + q/2
	p[2] += q
}

// findAlign keeps the score of every place the data's bit borders may have among the chunks of the reference: where
// windows hold one bit each, one tone or the other is strong.
func (lk *toneLock) findAlign() {
	m := lk.e.chunksPer
	n := len(lk.chunks)
	if n < 2*m {
		return
	}
	c := lk.chunks[n-2*m:]
	var i1, q1, i0, q0 float32
	for i := range m {
		i1 += c[i].i1
		q1 += c[i].q1
		i0 += c[i].i0
		q0 += c[i].q0
	}
	bestAt := 0
	for o := 1; o <= m; o++ { // windows ending o chunks into the last bit
		a, b := &c[o+m-1], &c[o-1]
		i1 += a.i1 - b.i1
		q1 += a.q1 - b.q1
		i0 += a.i0 - b.i0
		q0 += a.q0 - b.q0
		d := (i1*i1 + q1*q1) - (i0*i0 + q0*q0)
		if d < 0 {
			d = -d
		}
		s := &lk.contrast[o%m]
		*s += (d - *s) * (1. / 32)
		if lk.contrast[o%m] > lk.contrast[bestAt%m] {
			bestAt = o % m
		}
	}
	if lk.contrast[bestAt] > 1.02*lk.contrast[lk.align] {
		lk.align = bestAt
	}
}

// measure takes the correlations of a bit of data that ends at chunk end and corrects place, speed, gain and noise.
func (lk *toneLock) measure(z1, z0 complex128, end int64) {
	e := lk.e
	bit, z := 1, z1
	r1, r0 := lk.along(1, z1), lk.along(0, z0)
	if r0/lk.gain[0] > r1/lk.gain[1] {
		bit, z = 0, z0
	}
	r := r1
	if bit == 0 {
		r = r0
	}
	g := lk.gain[bit]
	// evidence for the carrier against noise alone
	lv := lk.vari
	ev := (g*r - g*g/2) / lv
	lk.sum += min(max(ev, -6), 6)
	if lk.sum > lk.best {
		lk.best, lk.bestAt = lk.sum, end
		lk.bestT = lk.t - float64(lk.last()-end)/float64(e.chunksPer)*lk.period
	}
	lk.loc += (min(max(r/g, 0), 1.5) - lk.loc) * 0.4
	lk.sig += (r/math.Sqrt(lv) - lk.sig) * (1. / 12)
	if lk.sig > 2 && lk.loc > 0.3 {
		lk.learn(z1, z0)
	}
	if !lk.phased(bit) {
		return // its phase says nothing about time
	}
	c := 2 * math.Pi * float64(e.cycles[bit])
	th := arg(z * conj(unit(lk.phase[bit])))
	switch {
	case cabs(z) > 0.35*g:
		lk.low = 0
	case lk.low < 24 || cabs(z) < 4*math.Sqrt(lk.vari):
		lk.low++
		lk.dropAt, lk.dropBit = lk.last(), lk.bits
		return // a dropout: what phase there is is noise
	default: // the level has fallen for good
		lk.gain[0] *= 0.8
		lk.gain[1] *= 0.8
	}
	lv = lk.vari / math.Pow(max(g*min(lk.loc, 1), 1e-3*g), 2)
	meas := lv / (c * c) * lk.period * lk.period
	// The window may reach back over an earlier correction of the reference, so the innovation is taken from where the
	// reference really was, on average over the window, and from where the filter now thinks that was, d bits ago.
	w := lk.chunks[int(end-lk.first)-e.chunksPer : end-lk.first]
	ref := 0.0
	for i := range w {
		ref += w[i].at
	}
	ref /= float64(len(w))
	d := (float64(lk.last()-end) + float64(e.chunksPer+1)/2) / float64(e.chunksPer)
	x := math.Remainder(th+c*(lk.t-d*lk.period-ref)/lk.period, 2*math.Pi)
	nu := -x / c * lk.period
	p := &lk.p
	ht, hp := p[0]-d*p[1], p[1]-d*p[2]
	s := ht - d*hp + meas
	k0, k1 := ht/s, hp/s
	lk.t += k0 * nu
	lk.period += k1 * nu
	p[0] -= k0 * ht
	p[1] -= k0 * hp
	p[2] -= k1 * hp
	lo, hi := e.bitNominal/(1+e.spread+0.03), e.bitNominal/(1-e.spread-0.03)
	lk.period = min(max(lk.period, lo), hi)
}

// phased says whether the phase of a tone is known and steady. That of the leader's tone is the reference; the other
// one's phase is a mean of unit vectors, long only where they agree.
func (lk *toneLock) phased(bit int) bool {
	return bit == lk.e.lead || lk.seen[bit] >= 4 && cabs(lk.phase[bit]) > 0.5
}

// learn lets gain, phase and noise follow slowly. It takes the stronger tone for the bit, whatever its phase: a wrong idea
// of the phase must not choose what it is corrected by.
func (lk *toneLock) learn(z1, z0 complex128) {
	bit, z, oz := 1, z1, z0
	if cabs(z0) > cabs(z1) {
		bit, z, oz = 0, z0, z1
	}
	a := 1 / math.Min(lk.seen[bit]+8, 64)
	lk.seen[bit]++
	r := lk.along(bit, z)
	if lk.seen[bit] < 4 && bit != lk.e.lead {
		a = 0.3
	}
	lk.gain[bit] = max(lk.gain[bit]+(r-lk.gain[bit])*a, 1e-9)
	if bit != lk.e.lead { // the leader's tone is the reference of phase
		u := lk.phase[bit]
		if lk.seen[bit] <= 1 {
			u = 0
		}
		lk.slip(bit, z)
		if lk.slips == 0 && lk.seen[bit] > 1 {
			u = lk.phase[bit]
		}
		lk.phase[bit] = u + (z/complex(cabs(z)+1e-30, 0)-u)*complex(max(1/math.Min(lk.seen[bit]+8, 64), 1/(lk.seen[bit]+1)), 0)
	}
	n := (real(oz)*real(oz) + imag(oz)*imag(oz)) / 2 // what the other tone's place holds is noise
	lk.vari += (min(n, 9*lk.vari) - lk.vari) * (1. / 64)
	lk.vari = max(lk.vari, lk.gain[bit]*lk.gain[bit]*1e-5)
}

// slip notices that the clock lost or gained a cycle of the leader's tone in a dropout: the other tone's phase then jumps
// and stays where it jumped to. What has been heard since the dropout is given the new phase as well.
func (lk *toneLock) slip(bit int, z complex128) {
	if !lk.phased(bit) || cabs(z) < 0.5*lk.gain[bit] {
		return
	}
	if off := arg(z * conj(unit(lk.phase[bit]))); math.Abs(off) < 1.2 {
		lk.slips = 0
		return
	}
	if lk.slips++; lk.slips == 1 {
		lk.jumped = 0
	}
	lk.jumped += z / complex(cabs(z), 0)
	if lk.slips < 4 || cabs(lk.jumped) < 3 || lk.bits-lk.dropBit > 120 {
		return
	}
	lk.phase[bit] = unit(lk.jumped)
	lk.slips = 0
	for i := len(lk.chunks) - 1; i >= 0 && lk.first+int64(i) >= lk.dropAt; i-- {
		lk.chunks[i].other = complex64(lk.phase[bit])
	}
}

// along is the part of z in the phase its tone should have; all of it while that phase is unknown.
func (lk *toneLock) along(bit int, z complex128) float64 {
	if !lk.phased(bit) {
		return cabs(z)
	}
	return real(z * conj(unit(lk.phase[bit])))
}

// flywheelSeconds is how long a gap may be for the bytes behind it to belong to the run before it.
const flywheelSeconds = 0.4

// gone says whether the signal has ended: the evidence has fallen, and for longer than any dropout.
func (lk *toneLock) gone() bool {
	return lk.sum < lk.best-40 && (lk.t-lk.bestT)/lk.e.rate > max(flywheelSeconds, 12*lk.period/lk.e.rate)
}
