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
	hunting bool
	either  bool // the sync may be upside down: a code in which a 0 is a 1 upside down
	invert  bool
	found   bool
	heard   int
	end     float64 // of the last bit
	run     *Run
	stats   runStats
	refused bool

	view     *framer // for live
	cutShort bool    // the bits may end inside a frame
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
	f.end = b.at + b.length
	if f.invert {
		b.llr = -b.llr
	}
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
	if f.either && odds <= 8 {
		f.turn()
		if odds = f.odds(0); odds <= 8 {
			f.turn()
		}
	}
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
	if len(pat) > 0 && lead < 0.6*6*leadBefore {
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
	if miss > max(1, len(f.sync)/16) {
		return math.Inf(-1)
	}
	return sync - max(more, 0)
}

// turn takes the signal upside down from here on.
func (f *framer) turn() {
	f.invert = !f.invert
	f.run0.Inverted = f.invert
	for i := range f.bits {
		f.bits[i].llr = -f.bits[i].llr
	}
}

func sign(bit int) float64 { return float64(2*bit - 1) }

// Sizes of a block for placing frames with start bits.
const (
	placeBits = 512
	placeLook = 96
)

// cut makes bytes of the bits there are. Without start bits one frame follows the other. With them there may be leader in
// between, and a wrong bit may look like a start: the best row of frames and leader is looked for, over a block at a time.
func (f *framer) cut() {
	fr := f.d.code.Framing
	k := fr.FrameBits()
	if len(fr.Start) == 0 {
		if len(f.bits) >= k {
			f.frame(f.bits[:k])
			f.bits = append(f.bits[:0], f.bits[k:]...)
		}
		return
	}
	if len(f.bits) >= placeBits+placeLook {
		f.place(placeBits)
	}
}

// place cuts frames that begin in the first n bits, and drops what is used up.
func (f *framer) place(n int) {
	kinds, _ := f.d.code.Framing.kinds()
	k, total := len(kinds), len(f.bits)
	lead := 1.0
	if p := f.d.code.Leader.Pattern; len(p) > 0 {
		lead = sign(p[0])
	}
	// v[i]: best row of frames and leader that ends before bit i
	const startCost, freeCost = 1.5, 0.7
	v := make([]float64, total+1)
	framed := make([]bool, total+1)
	for i := 1; i <= total; i++ {
		v[i] = v[i-1] + lead*limited(f.bits[i-1].llr, 12)/2
		if i < k {
			continue
		}
		x := v[i-k] - startCost
		for j, kind := range kinds {
			x += frameBit(kind, f.bits[i-k+j].llr, freeCost)
		}
		if x > v[i] {
			v[i], framed[i] = x, true
		}
	}
	end := total
	if f.cutShort {
		for c, best := max(0, total-k+1), v[total]; c < total; c++ {
			x := v[c] - startCost
			for j := range total - c {
				x += frameBit(kinds[j], f.bits[c+j].llr, freeCost)
			}
			if x > best {
				best, end = x, c
			}
		}
	}
	var starts []int
	used := 0
	for i := end; i > 0; {
		if !framed[i] {
			i--
			continue
		}
		i -= k
		if i < n {
			starts = append(starts, i)
			used = max(used, i+k)
		}
	}
	for j := len(starts) - 1; j >= 0 && !f.refused; j-- {
		f.frame(f.bits[starts[j] : starts[j]+k])
	}
	used = min(max(used, n), total)
	f.bits = append(f.bits[:0], f.bits[used:]...)
}

// frameBit is what a bit is worth as one of its kind in a frame.
func frameBit(kind int8, llr, freeCost float64) float64 {
	l := limited(llr, 12) / 2
	if kind == free {
		return math.Abs(l) - freeCost
	}
	return sign(int(kind)) * l
}

// frame makes a byte.
func (f *framer) frame(bits []softBit) {
	fr := f.d.code.Framing
	k := len(bits)
	kinds, parity := fr.kinds()
	b := Byte{At: bits[0].at, Frame: float32(math.Inf(1))}
	ones, weakest := 0, math.Inf(1)
	for j, sb := range bits {
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
			b.LLR[w] = believable(sb.llr)
			if sb.llr > 0 {
				b.Value |= 1 << w
				ones++
			}
			weakest = min(weakest, math.Abs(sb.llr))
		}
	}
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

// flush uses up the bits kept.
func (f *framer) flush() {
	for n := 0; f.hunting && n < leadBefore+2*len(f.sync); n++ { // a sync near the end: nothing better can follow it
		f.bit(softBit{at: f.end})
	}
	if !f.hunting && len(f.d.code.Framing.Start) > 0 && len(f.bits) > 0 {
		f.place(len(f.bits))
	}
}

// trim takes back bytes that end after a sample of the recording: they came after the signal.
func (f *framer) trim(to float64) {
	f.flush()
	if f.run == nil {
		return
	}
	b := f.run.Bytes
	for n := len(b); n > 0 && f.after(&b[n-1], to); n-- {
		b = b[:n-1]
	}
	f.run.Bytes = b
}

// after says whether a byte ends after a sample of the recording, its stop bits not counted.
func (f *framer) after(b *Byte, to float64) bool {
	stop := float64(len(f.d.code.Framing.Stop)) / float64(f.d.code.Framing.FrameBits())
	return b.At+float64(b.Length)*(1-stop) > to
}

// finish ends the run at a sample of the recording.
func (f *framer) finish(to float64) {
	f.flush()
	switch {
	case f.refused:
	case !f.found:
		f.d.refuse(f.leadAt, "%d bits of leader, but no sync after them", f.heard)
	case f.run == nil || len(f.run.Bytes) == 0:
		f.d.refuse(f.leadAt, "leader and sync, but no bytes after them")
	default:
		if why := f.stats.judge(f.run); why != "" {
			f.d.refuse(f.leadAt, "%s", why)
			break
		}
		f.run.To = to
		f.d.finishRun(f.run, f.stats.noise)
	}
	f.run = nil
}
