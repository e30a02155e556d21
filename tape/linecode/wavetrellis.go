package linecode

import "math"

// waveTrellis finds the best row of symbols through a block. A node is a sample between two symbols, with the sign the
// next half-wave has; a branch is a symbol of about its length.
type waveTrellis struct {
	lk                *waveLock
	vars              [4][]waveVariant
	scale             float64         // the variants are made for
	v                 [2][2][]float32 // metric by layer (leader, data), sign and node; node i is sample at-hist+i
	via               [2][2][]uint16  // branch that came here: symbol, variant
	b                 [2][2][]float32 // best metric from here to the end of the block
	cand              []bool
	s2                []float64 // second running sum of the sound
	pw                []float64 // running sum of its square
	hist              int
	carry             [2][2][]float32 // metrics of the last hist nodes before at, with at
	path              []waveStep
	endSign, endLayer int // at the end of the path
}

// waveVariant is a symbol at one length: where its half-waves end, in samples from its beginning.
type waveVariant struct {
	length int
	parts  []wavePart
	energy float32
	cost   float32
}

// wavePart is a half-wave correlated with a trapezoid, which is within 1 % of half a sine wave in what it gathers, and
// costs four additions: ramp up over ramp samples, level, ramp down.
type wavePart struct {
	from, to, ramp int
	gain           float64
}

// waveStep is one symbol of the best path.
type waveStep struct {
	from, to int64
	sym      int
	sign     int
	metric   float32
	corr     float64
	energy   float64
	power    float64
	llr      float32
}

const trellisFloor = float32(-1e30)

func (tr *waveTrellis) init(lk *waveLock) {
	tr.lk = lk
	tr.hist = int(tr.longest()) + 4
	for l := range 2 {
		for s := range 2 {
			tr.carry[l][s] = make([]float32, tr.hist+1)
			for i := range tr.carry[l][s] {
				tr.carry[l][s][i] = trellisFloor
			}
		}
	}
	tr.free()
}

// longest is the length in samples of the longest symbol at the slowest speed.
func (tr *waveTrellis) longest() float64 {
	l := 0.0
	for _, s := range tr.lk.e.syms {
		l = max(l, s.length)
	}
	return l/(1-tr.lk.e.spread-0.03)*1.06 + 4
}

// variants makes the symbols anew for the present speed.
func (tr *waveTrellis) variants() {
	tr.scale = tr.lk.scale
	for i, s := range tr.lk.e.syms {
		tr.vars[i] = tr.vars[i][:0]
		if len(s.widths) == 0 {
			continue
		}
		step := max(1, int(math.Round(s.length*tr.scale/48)))
		nominal := s.length * tr.scale
		for k := -2; k <= 2; k++ {
			n := int(math.Round(nominal)) + k*step
			if n < 2*len(s.widths) {
				continue
			}
			off := (float64(n) - nominal) / float64(step)
			if math.Abs(off) > 2.2 {
				continue
			}
			v := waveVariant{length: n, cost: float32(0.35 * off * off)}
			at, acc := 0, 0.0
			for j, w := range s.widths {
				acc += w / s.length * float64(n)
				to := int(math.Round(acc))
				width := max(to-at, 2)
				ramp := max(1, int(math.Round(float64(width)*0.36)))
				// energy of the trapezoid as it comes out of the sums: box of width-ramp+1 over box of ramp
				en := 0.0
				for q := range width {
					h := float64(min(q+1, ramp, width-q)) / float64(ramp)
					en += h * h
				}
				v.energy += float32(en)
				v.parts = append(v.parts, wavePart{at, at + width, ramp, s.signs[j] / float64(ramp)})
				at += width
			}
			v.length = at
			tr.vars[i] = append(tr.vars[i], v)
		}
	}
}

// corr is what the sound from node i on has of the variant, first half-wave up.
func (tr *waveTrellis) corr(v *waveVariant, i int) float64 {
	s := 0.0
	for p := range v.parts {
		q := &v.parts[p]
		a, b := i+q.from, i+q.to
		// sum of x times the trapezoid: the second sum at four places
		s += q.gain * (tr.s2[b+1] - tr.s2[b+1-q.ramp] - tr.s2[a+q.ramp] + tr.s2[a])
	}
	return s
}

// block decides symbols that begin before sample commit, looking as far as end.
func (tr *waveTrellis) block(at, end, commit int64, last bool) {
	lk := tr.lk
	e := lk.e
	if tr.scale != lk.scale {
		tr.variants()
	}
	n := int(end - at) // nodes after at
	total := tr.hist + n + 1
	tr.load(at, total)
	for l := range 2 {
		for s := range 2 {
			tr.v[l][s], tr.via[l][s], tr.b[l][s] = grow(tr.v[l][s], total), grow(tr.via[l][s], total), grow(tr.b[l][s], total)
			copy(tr.v[l][s], tr.carry[l][s])
			for i := tr.hist + 1; i < total; i++ {
				tr.v[l][s][i] = trellisFloor
			}
		}
	}
	// forward: from each node, every symbol
	for i := 0; i < total; i++ {
		for layer := range 2 {
			if layer == 0 && (lk.data || !e.hasLead) {
				continue
			}
			v0, v1 := tr.v[layer][0][i], tr.v[layer][1][i]
			if v0 <= trellisFloor && v1 <= trellisFloor {
				continue
			}
			syms := [2]int{symZero, symOne}
			if layer == 0 {
				syms = [2]int{symLead, symSync}
				if !e.hasSync { // bits follow the leader at once
					for s := range 2 {
						if x := tr.v[0][s][i] - 6; x > tr.v[1][s][i] {
							tr.v[1][s][i] = x
							tr.via[1][s][i] = 1 << 15
						}
					}
				}
			}
			for _, sym := range syms {
				to := layer
				if sym == symSync {
					to = 1
				}
				a := lk.amp[sym]
				flips := e.syms[sym].flips
				for k := range tr.vars[sym] {
					va := &tr.vars[sym][k]
					j := i + va.length
					if j >= total || j <= tr.hist || !tr.cand[j] {
						continue
					}
					c := tr.corr(va, i)
					up := float32(a * c / lk.vari)
					flat := float32(a*a/2/lk.vari)*va.energy + va.cost
					if layer == 0 && sym == symSync {
						flat += 6
					}
					for s := range 2 {
						x := v0 + up
						if s == 1 {
							x = v1 - up
						}
						x -= flat
						t := s
						if flips {
							t = 1 - s
						}
						if x > tr.v[to][t][j] {
							tr.v[to][t][j] = x
							tr.via[to][t][j] = uint16(sym)<<8 | uint16(k)<<4 | uint16(s)<<1 | uint16(layer)
						}
					}
				}
			}
		}
	}
	tr.trace(at, total, commit, last)
	tr.odds(at, total)
}

// goOn makes the next block begin where the path so far ended, so that no bit is lost or told twice between blocks; or
// anywhere, where there was no path.
//
// A steady leader fits in more than one way, half a cycle apart. Until something else has been heard every way is kept.
func (tr *waveTrellis) goOn(at, commit int64) (next int64, ok bool) {
	if !tr.lk.settled {
		off := int(commit - at)
		top := trellisFloor
		for l := range 2 {
			for s := range 2 {
				copy(tr.carry[l][s], tr.v[l][s][off:off+tr.hist+1])
				for _, x := range tr.carry[l][s] {
					top = max(top, x)
				}
			}
		}
		for l := range 2 {
			for s := range 2 {
				for i := range tr.carry[l][s] {
					tr.carry[l][s][i] = max(tr.carry[l][s][i]-top, trellisFloor)
				}
			}
		}
		return commit, top > trellisFloor
	}
	for l := range 2 {
		for s := range 2 {
			c := tr.carry[l][s]
			for i := range c {
				c[i] = trellisFloor
			}
		}
	}
	if len(tr.path) == 0 {
		tr.free()
		return 0, false
	}
	tr.carry[tr.endLayer][tr.endSign][tr.hist] = 0
	return tr.path[len(tr.path)-1].to, true
}

// free lets the first symbol begin anywhere in the stretch before the block, with either sign.
func (tr *waveTrellis) free() {
	layer := 0
	if tr.lk.data {
		layer = 1
	}
	for i := range tr.carry[layer][0] {
		tr.carry[layer][0][i] = 0
		if !tr.lk.e.signed {
			tr.carry[layer][1][i] = 0
		}
	}
}

// load makes running sums of the sound and says which nodes may be borders between symbols. In a width code a border is
// where the sound changes sign; unless it is poor, only those are tried.
func (tr *waveTrellis) load(at int64, total int) {
	lk := tr.lk
	e := lk.e
	tr.s2, tr.pw, tr.cand = grow(tr.s2, total+2), grow(tr.pw, total+1), grow(tr.cand, total)
	from := int(at - e.base - int64(tr.hist))
	s1, s2, p := 0.0, 0.0, 0.0
	x := func(i int) float64 {
		if i += from; i >= 0 && i < len(e.y) {
			return float64(e.y[i])
		}
		return 0
	}
	tr.s2[0], tr.pw[0] = 0, 0
	// s2[i+1] - s2[i] is the sum of the first i samples
	for i := range total {
		tr.s2[i+1] = s2 + s1
		s2 += s1
		v := x(i)
		s1 += v
		p += v * v
		tr.pw[i+1] = p
	}
	tr.s2[total+1] = s2 + s1
	top := min(lk.amp[0], lk.amp[1])
	all := e.signed || lk.vari > 0.03*top*top
	for i := range tr.cand {
		tr.cand[i] = all
	}
	if all {
		return
	}
	was, low := x(0), 0.15*top
	for i := 1; i < total; i++ {
		v := x(i)
		if v < low && v > -low { // no signal to speak of: anything goes
			tr.cand[i] = true
		}
		if (v > 0) != (was > 0) {
			for j := max(i-2, 0); j <= min(i+2, total-1); j++ {
				tr.cand[j] = true
			}
		}
		was = v
	}
}

// trace follows the best path back; path gets its symbols that begin in [at, commit).
func (tr *waveTrellis) trace(at int64, total int, commit int64, last bool) {
	lk := tr.lk
	bl := lk.bitLen()
	tr.path = tr.path[:0]
	// paths end at different nodes: compare by what a sample is worth on average
	per := float32(0)
	n := float32(total - 1 - tr.hist)
	hi := trellisFloor
	for l := range 2 {
		for s := range 2 {
			for i := max(total-int(2*bl), tr.hist+1); i < total; i++ {
				hi = max(hi, tr.v[l][s][i])
			}
		}
	}
	if hi > 0 && n > 0 {
		per = hi / n
	}
	bl2 := int(2 * bl)
	bi, bs, bL, bx := -1, 0, 0, trellisFloor
	for l := range 2 {
		for s := range 2 {
			for i := max(total-bl2, tr.hist+1); i < total; i++ {
				if x := tr.v[l][s][i]; x > trellisFloor && x+per*float32(total-1-i) > bx {
					bi, bs, bL, bx = i, s, l, x+per*float32(total-1-i)
				}
			}
		}
	}
	if bi < 0 { // the sound ends before the block does
		for l := range 2 {
			for s := range 2 {
				for i := tr.hist + 1; i < total; i++ {
					if x := tr.v[l][s][i]; x > bx {
						bi, bs, bL, bx = i, s, l, x
					}
				}
			}
		}
	}
	for i, s, l := bi, bs, bL; i > tr.hist; {
		w := tr.via[l][s][i]
		if w == 1<<15 {
			l = 0
			continue
		}
		sym, k := int(w>>8&15), int(w>>4&15)
		va := &tr.vars[sym][k]
		j := i - va.length
		ps, pl := int(w>>1&1), int(w&1)
		st := waveStep{from: at + int64(j-tr.hist), to: at + int64(i-tr.hist), sym: sym, sign: ps, energy: float64(va.energy)}
		if j < 0 {
			break
		}
		st.corr = tr.corr(va, j)
		if ps == 1 {
			st.corr = -st.corr
		}
		a := lk.amp[sym]
		st.metric = float32((a*st.corr - a*a/2*st.energy) / lk.vari)
		st.power = tr.pw[i] - tr.pw[j]
		if st.from >= at && (st.from < commit || last) {
			if len(tr.path) == 0 {
				tr.endSign, tr.endLayer = s, l
			}
			tr.path = append(tr.path, st)
		}
		i, s, l = j, ps, pl
	}
	for a, b := 0, len(tr.path)-1; a < b; a, b = a+1, b-1 {
		tr.path[a], tr.path[b] = tr.path[b], tr.path[a]
	}
}

// odds gives every bit of the path its odds: the best path through the other bit near the same place against the best
// path there is, forward metric before it and backward metric behind it.
func (tr *waveTrellis) odds(at int64, total int) {
	lk := tr.lk
	e := lk.e
	any := false
	for _, s := range tr.path {
		any = any || s.sym <= symOne
	}
	if !any {
		return
	}
	b := &tr.b[1]
	for s := range 2 {
		for i := range b[s] {
			b[s][i] = trellisFloor
		}
	}
	bl := int(2 * lk.bitLen())
	hi := trellisFloor
	for s := range 2 {
		for i := max(total-bl, tr.hist+1); i < total; i++ {
			hi = max(hi, tr.v[1][s][i])
		}
	}
	per := max(hi, 0) / float32(max(total-1-tr.hist, 1))
	for i := total - 1; i >= tr.hist; i-- {
		if i >= total-bl {
			for s := range 2 {
				b[s][i] = per * float32(total-1-i)
			}
		}
		if !tr.cand[i] && i != tr.hist {
			continue
		}
		for sym := symZero; sym <= symOne; sym++ {
			a := lk.amp[sym]
			for k := range tr.vars[sym] {
				va := &tr.vars[sym][k]
				j := i + va.length
				if j >= total || !tr.cand[j] {
					continue
				}
				up := float32(a * tr.corr(va, i) / lk.vari)
				flat := float32(a*a/2/lk.vari)*va.energy + va.cost
				for s := range 2 {
					t := s
					if e.syms[sym].flips {
						t = 1 - s
					}
					x := b[t][j] - flat
					if s == 0 {
						x += up
					} else {
						x -= up
					}
					b[s][i] = max(b[s][i], x)
				}
			}
		}
	}
	for p := range tr.path {
		st := &tr.path[p]
		if st.sym > symOne {
			continue
		}
		i0 := int(st.from-at) + tr.hist
		var m [2]float32
		m[0], m[1] = trellisFloor, trellisFloor
		for i := max(i0-2, 0); i <= i0+2 && i < total; i++ {
			for s := range 2 {
				f := tr.v[1][s][i]
				if f <= trellisFloor {
					continue
				}
				for sym := symZero; sym <= symOne; sym++ {
					a := lk.amp[sym]
					for k := range tr.vars[sym] {
						va := &tr.vars[sym][k]
						j := i + va.length
						if j >= total {
							continue
						}
						t := s
						if e.syms[sym].flips {
							t = 1 - s
						}
						c := tr.corr(va, i)
						if s == 1 {
							c = -c
						}
						x := f + float32((a*c-a*a/2*float64(va.energy))/lk.vari) - va.cost + b[t][j]
						m[sym] = max(m[sym], x)
					}
				}
			}
		}
		st.llr = float32(limited(float64(m[1]-m[0]), 1000))
		if (st.llr > 0) != (st.sym == symOne) { // the best path has the last word
			st.llr = 0.01
			if st.sym == symZero {
				st.llr = -0.01
			}
		}
	}
}
