package linecode

// Live is the run under way, as far as it has been heard. What is settled stays as it is, but for the end: when the
// signal stops, bytes decided out of what came after it are taken back. What is open was decided from the sound so far;
// more sound may change it.
type Live struct {
	Code     *Code
	LeaderAt float64
	Inverted bool
	Polar    bool
	Settled  []Byte  // read only; it grows
	Open     []Byte  // what follows; valid until the next call of Live
	Noise    float64 // rms in the full band of the recording, as in Run
	Gone     bool    // the signal is not there now: a dropout, or the end
}

// Live gives the run under way, nil where no leader is heard. It decides anew, each time, what is not settled yet, and
// leaves the demodulator as it was: what Take gives later does not depend on it. The work is bounded by the block that
// waits for its decision (656 bits of tones, 1120 cells of pulses, 608 bits of half-waves with start bits).
//
// A byte is given from about its own length after its end on. A code of half-waves decides in blocks of 64 bits with 28
// bits to look ahead, so that its bytes come up to 92 bits late.
func (d *Demodulator) Live() *Live { return d.engine.live() }

func (e *toneEngine) live() *Live {
	lk := e.lk
	if lk == nil || lk.tr.refused != "" {
		return nil
	}
	l := &Live{Code: e.d.code, LeaderAt: lk.leaderAt(), Gone: lk.loc < 0.5, Inverted: lk.tr.upright < 0}
	if lk.tr.open != nil {
		l.Settled = lk.tr.open.Bytes
		l.Polar = 5*max(lk.tr.upright, -lk.tr.upright) >= 3*len(l.Settled)
	}
	l.Open, l.Noise = e.view.peek(&lk.tr, l.Gone)
	if l.Gone {
		l.cut(func(b *Byte) bool { return lk.tr.dataEnd(*b) > lk.bestT+0.5*lk.period })
	}
	return l
}

// cut takes back bytes at the end that came after the signal.
func (l *Live) cut(after func(b *Byte) bool) {
	for n := len(l.Open); n > 0 && after(&l.Open[n-1]); n-- {
		l.Open = l.Open[:n-1]
	}
	for n := len(l.Settled); len(l.Open) == 0 && n > 0 && after(&l.Settled[n-1]); n-- {
		l.Settled = l.Settled[:n-1]
	}
}

// peek decides what of has not decided yet, with scratch memory of its own. Smoothing corrects the tracking loop as it
// goes; here the loop is put back. A frame is given once as much sound as it is long has followed it, or none will.
func (tr *toneTrellis) peek(of *toneTrellis, gone bool) ([]Byte, float64) {
	lk, m, k := of.lk, int64(of.m), int64(len(of.kinds))
	end := lk.last()
	if gone {
		end = min(lk.bestAt+2*m, end)
	}
	n := int(end-of.at) + of.m
	if end-of.at < k*m || int(of.at-lk.first)+int(end-of.at) > len(lk.chunks) {
		return nil, of.stats.noise
	}
	tr.lk, tr.m, tr.kinds, tr.parity = lk, of.m, of.kinds, of.parity
	tr.at, tr.frames, tr.gaps, tr.lastTo, tr.stats, tr.upright, tr.refused = of.at, of.frames, of.gaps, of.lastTo, of.stats, of.upright, ""
	tr.cutShort = true
	tr.sync, tr.heard = of.sync, append(tr.heard[:0], of.heard...)
	q, phase, seen := lk.q, lk.phase, lk.seen
	defer func() { lk.q, lk.phase, lk.seen = q, phase, seen }()
	tr.solve(n, gone)
	if tr.open == nil {
		tr.open = &Run{Code: lk.e.d.code}
	}
	tr.open.Bytes = tr.open.Bytes[:0]
	for _, f := range tr.path {
		if gone || f.from+2*k*m <= end {
			tr.emit(f)
		}
	}
	return tr.open.Bytes, tr.stats.noise
}

// openEnd is where the best path leads that may end inside a frame: the node at which that frame begins, or n.
func (tr *toneTrellis) openEnd(n int) (end int, inFrame bool) {
	m, k := tr.m, len(tr.kinds)
	end, inFrame = n, tr.done[n] > tr.rest[n]
	best := max(tr.done[n], tr.rest[n])
	for c := max(m, n-k*m+1); c <= n-m; c++ {
		x, follows := tr.rest[c]-costStart, false
		if tr.done[c] > x {
			x, follows = tr.done[c], true
		}
		for j, b := 0, c+m; b <= n; j, b = j+1, b+m {
			switch tr.kinds[j] {
			case 1:
				x += tr.l1[b]
			case 0:
				x += tr.l0[b]
			default:
				x += max(tr.l1[b], tr.l0[b]) - costFree
			}
		}
		if x > best {
			best, end, inFrame = x, c, follows
		}
	}
	return end, inFrame
}

func (e *pulseEngine) live() *Live {
	lk := e.lk
	if lk == nil || lk.fr.refused || lk.cells < 64 { // before that it may be chance
		return nil
	}
	if len(lk.buf) > 0 {
		lk.soften()
	}
	l := lk.fr.live(func(bit func(softBit)) {
		for i := range lk.buf {
			bit(lk.soft(&lk.buf[i]))
		}
	})
	l.Gone = lk.loc < 0.5
	if l.Gone {
		to := e.recordingAt(lk.bestT + 0.3*lk.period)
		l.cut(func(b *Byte) bool { return lk.fr.after(b, to) })
	}
	return l
}

func (e *waveEngine) live() *Live {
	lk := e.lk
	if lk == nil || lk.fr.refused || lk.refused {
		return nil
	}
	l := lk.fr.live(func(func(softBit)) {})
	l.Gone = lk.sum < lk.best-40
	if l.Gone {
		to := e.recordingAt(lk.bestT + 0.3*lk.bitLen())
		l.cut(func(b *Byte) bool { return lk.fr.after(b, to) })
	}
	return l
}

// live gives what the framer has, and what it would make of more bits. Frames between start bits are placed as far as
// they have been followed by the bits of another.
func (f *framer) live(more func(bit func(softBit))) *Live {
	l := &Live{Code: f.d.code, LeaderAt: f.leadAt, Inverted: f.run0.Inverted, Polar: f.run0.Polar, Noise: f.stats.noise}
	if f.view == nil {
		f.view = new(framer)
	}
	g := f.view
	bits, bytes := g.bits, []Byte(nil)
	if g.run != nil {
		bytes = g.run.Bytes
	}
	*g = *f
	g.d = &Demodulator{code: f.d.code, rate: f.d.rate} // it must not refuse on the demodulator's behalf
	g.bits = append(bits[:0], f.bits...)
	g.view, g.cutShort, g.run = nil, true, &Run{Code: f.d.code, Bytes: bytes[:0]}
	if f.run != nil {
		l.Settled, l.Inverted = f.run.Bytes, f.run.Inverted
	}
	more(g.bit)
	if k := f.d.code.Framing.FrameBits(); !g.hunting && len(f.d.code.Framing.Start) > 0 && len(g.bits) >= 2*k {
		g.place(len(g.bits) - 2*k + 1)
	}
	if f.run == nil {
		l.Inverted = g.run0.Inverted
	}
	l.Open = g.run.Bytes
	return l
}
