package linecode

import "math"

// softBit is one decided bit of a stream.
type softBit struct {
	llr    float64
	at     float64 // sample of the recording
	length float64
	level  float64
	speed  float64
}

// framer finds the sync in a stream of bits and cuts what follows into bytes. It serves codes whose bits come one after
// the other without a choice of where: pulses and waves.
type framer struct {
	d       *Demodulator
	sync    []int // the sync's bits on the tape
	run0    Run   // what the run begins with
	leadAt  float64
	bits    []softBit // not yet used: while hunting, the last few; then those of the frame
	lead    int       // bits of leader so far, for the judge
	hunting bool
	found   bool
	heard   int
	run     *Run
	stats   runStats
	refused bool
	last    softBit
}

func (f *framer) init(d *Demodulator, leadAt float64) {
	f.d, f.leadAt = d, leadAt
	for _, b := range d.code.Sync.Bytes {
		f.sync = d.code.Framing.frame(f.sync, byte(b))
	}
	f.hunting = len(f.sync) > 0
	f.found = !f.hunting
}

// leadBefore is how many bits in front of the sync must be those of the leader.
const leadBefore = 16

// bit takes the next bit.
func (f *framer) bit(b softBit) {
	f.heard++
	f.last = b
	f.bits = append(f.bits, b)
	if f.hunting {
		f.hunt()
		return
	}
	f.cut()
}

func limited(x, lim float64) float64 { return min(max(x, -lim), lim) }

// hunt looks for the sync among the bits kept: leadBefore bits of leader, the sync, and as many bits again, so that a
// better match a few bits later is not missed.
func (f *framer) hunt() {
	n := len(f.sync)
	if len(f.bits) < leadBefore+2*n {
		return
	}
	odds := f.odds(0)
	if odds > 8 {
		better := false
		for s := 1; s < n; s++ {
			better = better || f.odds(s) > odds
		}
		if !better {
			f.hunting, f.found = false, true
			rest := append([]softBit(nil), f.bits[leadBefore+n:]...)
			f.bits = f.bits[:0]
			for _, b := range rest {
				f.bits = append(f.bits, b)
				f.cut()
			}
			return
		}
	}
	f.bits = append(f.bits[:0], f.bits[1:]...)
}

// odds is the logarithm of the odds that the sync begins leadBefore+s bits into those kept, against more leader there.
func (f *framer) odds(s int) float64 {
	pat := f.d.code.Leader.Pattern
	period := max(len(pat), 1)
	bits := f.bits[s:]
	// the leader in front: like the pattern, in whatever phase it is
	lead := math.Inf(-1)
	phase := 0
	for ph := range pat {
		m := 0.0
		for i := range leadBefore {
			m += limited(sign(pat[(i+ph)%period])*bits[i].llr, 6)
		}
		if m > lead {
			lead, phase = m, ph
		}
	}
	if len(pat) > 0 && lead < 0.4*6*leadBefore {
		weak := 0.0 // a weak signal has small odds throughout
		for i := range leadBefore {
			weak += min(math.Abs(bits[i].llr), 6)
		}
		if lead < 0.8*weak || weak < leadBefore {
			return math.Inf(-1)
		}
	}
	sync, more, miss := 0.0, 0.0, 0
	for i, b := range f.sync {
		l := limited(bits[leadBefore+i].llr, 12)
		sync += sign(b) * l
		if sign(b)*l < 0 {
			miss++
		}
		if len(pat) > 0 {
			more += sign(pat[(leadBefore+i+phase)%period]) * l
		}
	}
	if miss > len(f.sync)/8 {
		return math.Inf(-1)
	}
	return sync - max(more, 0)
}

func sign(bit int) float64 { return float64(2*bit - 1) }

// cut makes a byte when there are enough bits for one.
func (f *framer) cut() {
	fr := f.d.code.Framing
	k := fr.FrameBits()
	if len(fr.Start) > 0 {
		// between bytes there may be leader
		for len(f.bits) > 0 && (f.bits[0].llr > 0) != (fr.Start[0] == 1) {
			f.bits = f.bits[1:]
		}
	}
	if len(f.bits) < k {
		return
	}
	kinds, parity := fr.kinds()
	b := Byte{At: f.bits[0].at, Frame: float32(math.Inf(1))}
	ones, weakest := 0, math.Inf(1)
	for j, sb := range f.bits[:k] {
		b.Length += float32(sb.length)
		b.Level += float32(sb.level) / float32(k)
		b.Speed += float32(sb.speed) / float32(k)
		switch {
		case kinds[j] == 1:
			b.Frame = min(b.Frame, float32(sb.llr))
		case kinds[j] == 0:
			b.Frame = min(b.Frame, float32(-sb.llr))
		case j == parity:
			weakest = min(weakest, math.Abs(sb.llr))
			if sb.llr > 0 {
				ones++
			}
			if (ones&1 == 1) != (fr.Parity == "odd") {
				weakest = -weakest
			}
			b.Frame = min(b.Frame, float32(weakest))
		default:
			w := j - len(fr.Start)
			if fr.Order == HighFirst {
				w = fr.Bits - 1 - w
			}
			b.LLR[w] = float32(sb.llr)
			if sb.llr > 0 {
				b.Value |= 1 << w
				ones++
			}
			weakest = min(weakest, math.Abs(sb.llr))
		}
	}
	f.bits = append(f.bits[:0], f.bits[k:]...)
	f.stats.level += float64(b.Level)
	if f.run == nil {
		r := f.run0
		r.Code, r.LeaderAt, r.From, r.Synced = f.d.code, f.leadAt, b.At, true
		f.run = &r
	}
	f.d.addByte(&f.run, f.leadAt, &b, &f.stats)
	if f.stats.frames == 48 && float64(f.stats.bad) > 0.4*48 {
		f.d.refuse(f.leadAt, "a leader, then bits that are not framed as bytes of this code")
		f.refused = true
	}
}

// finish ends the run at a sample of the recording.
func (f *framer) finish(to float64) {
	switch {
	case f.refused:
	case !f.found:
		f.d.refuse(f.leadAt, "%d bits of leader, but no sync after them", f.heard)
	case f.run == nil:
		f.d.refuse(f.leadAt, "leader and sync, but no bytes after them")
	default:
		if why := f.stats.judge((f.run.From - f.leadAt) / f.d.rate); why != "" {
			f.d.refuse(f.leadAt, "%s", why)
			break
		}
		f.run.To = to
		f.d.finishRun(f.run, &f.stats)
	}
	f.run = nil
}
