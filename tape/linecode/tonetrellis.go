package linecode

import "slices"

// toneTrellis decides bits and frames. A path through it is a row of idle chunks (the tone between bytes) and frames;
// a frame is start bits, data bits and stop bits of exactly M chunks each, and may begin at any chunk. The best path is
// found by the Viterbi algorithm: start and stop bits place the frames and data bits are free.
type toneTrellis struct {
	lk     *toneLock
	m      int
	kinds  []int8     // of each bit of a frame: 0, 1, or free
	at     int64      // chunk up to which everything is decided
	g      [2]float64 // what a bit comes to, by bit
	vari   float64    // variance of one component
	phase  [2]complex128
	frames int // given out so far, and how many of them came after idle
	gaps   int
	lastTo int64 // chunk where the last frame given out ended

	// one block, reused; index i stands for chunk boundary at-m+i
	z1, z0   []complex128 // chunk sums in smoothed phase, prefix sums
	l1, l0   []float32    // log likelihood of a 1 and of a 0 in the bit that ends there
	level    []float32    // of the bit that ends there, against the usual
	run      []float64    // running sum of the likelihood of one tone, where the level dips
	lead     []float32    // of the idle tone in the chunk that ends there
	rest     []float32    // metric of being idle at a node
	done     []float32    // of having ended a frame there
	from     []uint8
	path     []toneFrame
	marks    []pathBit
	coherent [2]bool
	dips     bool // there is a dropout in the block
	cutShort bool // the sound may end inside a frame

	open    *Run
	stats   runStats
	refused string
	sync    []byte // the sync's bytes still looked for, empty once found
	heard   []byte // the last bytes while looking
	upright int    // frames that begin as declared, less those that begin upside down
	parity  int    // index of the parity bit in kinds, -1 none
}

type toneFrame struct{ from int64 }

// pathBit is a bit of the best path, for smoothing.
type pathBit struct {
	end int64
	bit int8
}

const free = int8(-1)

// Sizes of a block in bits. The look ahead covers more than ten frames, after which paths have long met.
const (
	blockBits = 512
	lookBits  = 144
)

const minusInf = float32(-1e30)

func (tr *toneTrellis) init(lk *toneLock) {
	f := lk.e.d.code.Framing
	tr.lk, tr.m = lk, lk.e.chunksPer
	tr.kinds, tr.parity = f.kinds()
	tr.at = int64(tr.m)
	for _, b := range lk.e.d.code.Sync.Bytes {
		tr.sync = append(tr.sync, byte(b))
	}
}

// kinds is what each bit of a frame must be, and where the parity bit stands (-1 for none).
func (f Framing) kinds() (k []int8, parity int) {
	parity = -1
	for _, b := range f.Start {
		k = append(k, int8(b))
	}
	for range f.Bits {
		k = append(k, free)
	}
	switch f.Parity {
	case "even", "odd":
		parity = len(k)
		k = append(k, free)
	case "mark":
		k = append(k, 1)
	case "space":
		k = append(k, 0)
	}
	for _, b := range f.Stop {
		k = append(k, int8(b))
	}
	return k, parity
}

// advance decides a block when there is enough sound for it and its look ahead.
func (tr *toneTrellis) advance() {
	if tr.lk.last() >= tr.at+int64((blockBits+lookBits)*tr.m) {
		tr.block(tr.at+int64(blockBits*tr.m), tr.lk.last(), false)
	}
}

// finish decides the rest, up to the chunk where the signal was last heard.
func (tr *toneTrellis) finish(heard int64) {
	end := min(heard+int64(2*tr.m), tr.lk.last())
	for end-tr.at > int64((blockBits+lookBits)*tr.m) {
		tr.block(tr.at+int64(blockBits*tr.m), tr.at+int64((blockBits+lookBits)*tr.m), false)
	}
	if end > tr.at {
		tr.block(end, end, true)
	}
	if tr.open != nil {
		n := len(tr.open.Bytes)
		for n > 0 && tr.dataEnd(tr.open.Bytes[n-1]) > tr.lk.bestT+0.5*tr.lk.period {
			n-- // decided out of what came after the signal
		}
		tr.open.Bytes = tr.open.Bytes[:n]
		tr.open.To = tr.lk.e.recordingAt(tr.lk.bestT)
	}
	tr.close()
}

// dataEnd is where the last data bit of a byte ended, in decimated samples.
func (tr *toneTrellis) dataEnd(b Byte) float64 {
	f := tr.lk.e.d.code.Framing
	e := tr.lk.e
	at := (b.At - e.dec.delay) / float64(e.dec.factor)
	return at + float64(b.Length)/float64(e.dec.factor)*float64(len(f.Start)+f.Bits)/float64(len(tr.kinds))
}

// block decides frames that begin before chunk e, looking as far as chunk end.
func (tr *toneTrellis) block(e, end int64, last bool) {
	lk := tr.lk
	tr.solve(int(end-tr.at)+tr.m, last)
	for _, f := range tr.path {
		if f.from < e || last {
			tr.emit(f)
		}
	}
	if last {
		return
	}
	tr.at = max(e, tr.lastTo)
	if drop := int(tr.at - lk.first - int64(tr.m)); drop > 0 {
		lk.chunks = append(lk.chunks[:0], lk.chunks[drop:]...)
		lk.first += int64(drop)
	}
}

// solve finds the best path over n chunks from at-m on.
func (tr *toneTrellis) solve(n int, last bool) {
	tr.load(n)
	tr.likelihoods(n)
	tr.viterbi(n)
	tr.trace(n, last)
	if tr.poor() {
		frames, worth := len(tr.path), tr.worth(n)
		tr.refine(n)
		tr.likelihoods(n)
		tr.viterbi(n)
		tr.trace(n, last)
		if len(tr.path) < frames-1 || tr.worth(n) < 0.95*worth {
			// it did not help: behind a dropout the smoother may have lost count of the cycles
			tr.load(n)
			tr.likelihoods(n)
			tr.viterbi(n)
			tr.trace(n, last)
		}
	}
}

// worth is the metric of the best path in units that do not depend on gain and noise: bits in full agreement.
func (tr *toneTrellis) worth(n int) float64 {
	top := max(tr.g[0], tr.g[1])
	return float64(max(tr.rest[n], tr.done[n])) * max(tr.vari/(top*top), 1e-2)
}

func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}

// load copies the chunks of the block as prefix sums: z[i] is the sum of the first i chunks from at-m on.
func (tr *toneTrellis) load(n int) {
	tr.z1, tr.z0 = grow(tr.z1, n+1), grow(tr.z0, n+1)
	off := int(tr.at - tr.lk.first - int64(tr.m))
	tr.g, tr.vari, tr.phase = tr.lk.gain, tr.lk.vari, [2]complex128{unit(tr.lk.phase[0]), unit(tr.lk.phase[1])}
	var s1, s0 complex128
	tr.z1[0], tr.z0[0] = 0, 0
	for i, c := range tr.lk.chunks[off : off+n] {
		u1, u0 := tr.turns(&c)
		s1 += complex(float64(c.i1), float64(c.q1)) * u1
		s0 += complex(float64(c.i0), float64(c.q0)) * u0
		tr.z1[i+1], tr.z0[i+1] = s1, s0
	}
	lead := tr.lk.e.lead
	tr.coherent[lead] = true
	tr.coherent[1-lead] = tr.lk.phased(1 - lead)
}

// turns gives what the correlations of a chunk are multiplied with to stand upright.
func (tr *toneTrellis) turns(c *chunk) (u1, u0 complex128) {
	u := tr.phase[1-tr.lk.e.lead]
	if then := complex128(c.other); real(then)*real(u)+imag(then)*imag(u) < 0 { // it has jumped since
		u = unit(then)
	}
	if tr.lk.e.lead == 1 {
		return 1, conj(u)
	}
	return conj(u), 1
}

// likelihoods turns correlations into logarithms of likelihood, against noise alone. Where the phase of a tone is known,
// only what lies in that phase counts; where it is not, its magnitude (Rice distribution).
func (tr *toneTrellis) likelihoods(n int) {
	m := tr.m
	tr.l1, tr.l0, tr.lead = grow(tr.l1, n+1), grow(tr.l0, n+1), grow(tr.lead, n+1)
	tr.level = grow(tr.level, n+1)
	top := max(tr.g[0], tr.g[1])
	v := max(tr.vari, 1e-2*top*top) // no recording is so clean that a bit is surer than that
	g1, g0 := tr.g[1], tr.g[0]
	dips := false
	a1, b1, a0, b0 := g1/v, g1*g1/2/v, g0/v, g0*g0/2/v
	i1, i0 := float32(1/g1), float32(1/g0)
	l1, l0, lv := tr.l1[:n+1], tr.l0[:n+1], tr.level[:n+1]
	if tr.coherent[0] && tr.coherent[1] {
		z1, z0 := tr.z1[:n+1], tr.z0[:n+1]
		for i := m; i <= n; i++ {
			r1, r0 := real(z1[i])-real(z1[i-m]), real(z0[i])-real(z0[i-m])
			l1[i], l0[i] = float32(a1*r1-b1), float32(a0*r0-b0)
			s := max(float32(r1), 0)*i1 + max(float32(r0), 0)*i0 // 1 between two tones as well
			lv[i] = s
			dips = dips || s < 0.7*quietLevel
		}
	} else {
		for i := m; i <= n; i++ {
			r1, r0 := tr.part(1, i), tr.part(0, i)
			l1[i], l0[i] = float32(a1*r1-b1), float32(a0*r0-b0)
			if !tr.coherent[1] {
				l1[i] = float32(logI0(a1*r1) - b1)
			}
			if !tr.coherent[0] {
				l0[i] = float32(logI0(a0*r0) - b0)
			}
			s := max(float32(r1), 0)*i1 + max(float32(r0), 0)*i0
			lv[i] = s
			dips = dips || s < 0.7*quietLevel
		}
	}
	c := tr.lk.e.lead
	z, g := tr.z1, g1
	l := tr.l1
	if c == 0 {
		z, g, l = tr.z0, g0, tr.l0
	}
	a, b := g/v, g*g/2/v/float64(m)
	for i := 1; i <= n; i++ {
		if tr.coherent[c] {
			tr.lead[i] = float32(a*(real(z[i])-real(z[i-1])) - b)
		} else if i >= m {
			tr.lead[i] = l[i] / float32(m)
		}
	}
	tr.dips = dips
	if dips {
		tr.dim(n, v)
	}
}

// dim takes the likelihoods anew with the level each chunk has: under a dropout nothing is likelier than anything else.
func (tr *toneTrellis) dim(n int, v float64) {
	m := tr.m
	gain := func(c int) float64 { // of the chunk that ends at index c, by the bit in whose middle it lies
		return min(1, float64(tr.level[min(max(c+m/2, m), n)])/quietLevel)
	}
	for b, l := range [2][]float32{tr.l0, tr.l1} {
		if !tr.coherent[b] {
			for i := m; i <= n; i++ {
				l[i] *= float32(gain(i - m/2))
			}
			continue
		}
		z, g := tr.z0, tr.g[0]
		if b == 1 {
			z, g = tr.z1, tr.g[1]
		}
		tr.run = grow(tr.run, n+1)
		tr.run[0] = 0
		for i := 1; i <= n; i++ {
			s := gain(i) * g
			x := (s*(real(z[i])-real(z[i-1])) - s*s/2/float64(m)) / v
			tr.run[i] = tr.run[i-1] + x
			if b == tr.lk.e.lead {
				tr.lead[i] = float32(x)
			}
		}
		for i := m; i <= n; i++ {
			l[i] = float32(tr.run[i] - tr.run[i-m])
		}
	}
}

// Costs of a path, logarithms of how often such a thing happens.
const (
	costStart  = 9.0   // a frame out of idle
	costFaint  = 120.0 // a frame out of idle whose first bit has no level
	costEarly  = 10.0  // a frame that begins a chunk before the last one is over
	costFree   = 0.2   // a free bit; less than ln 2, so that under a dropout bytes go on as before
	costRest   = 2.0   // idle after a frame, where that is the custom of the recording
	costGap    = 14.0  // and where bytes have followed one another without a gap
	hopeless   = 30.0  // odds against the first bit at which a frame is not tried
	quietLevel = 0.6   // below this level, against the usual, the odds shrink
)

const (
	fromRest  = 0 // the frame that ends here began out of idle
	fromFrame = 1 // right after the last frame
	fromEarly = 2 // a chunk before the end of the last frame
	fromCycle = 3 // a cycle of the leader's tone before it: the clock slipped in a dropout
	afterward = 4 // idle here follows a frame that ends here
)

// viterbi fills rest and done for nodes m .. n: the metric of the best row of frames and idle that is idle there, or has
// just ended a frame there. The row begins at node m.
func (tr *toneTrellis) viterbi(n int) {
	m, k := tr.m, len(tr.kinds)
	tr.rest, tr.done, tr.from = grow(tr.rest, n+1), grow(tr.done, n+1), grow(tr.from, n+1)
	gap := float32(costRest)
	if tr.frames >= 8 && tr.gaps*10 < tr.frames {
		gap = costGap
	}
	top := float32(max(tr.g[0], tr.g[1]))
	start := max(costStart, 0.12*top*top/max(float32(tr.vari), 0.01*top*top))
	quiet := m // node up to which only the leader was heard
	for off := int(tr.at - tr.lk.first - int64(m)); quiet < n && tr.lk.chunks[off+quiet].at < tr.lk.quiet; {
		quiet++
	}
	rest, done, from := tr.rest, tr.done, tr.from
	for i := 0; i <= min(m+k*m, n); i++ {
		rest[i], done[i] = minusInf, minusInf
	}
	rest[m], from[m] = 0, 0
	if tr.lastTo == tr.at && tr.frames > 0 {
		rest[m], done[m] = -gap, 0
	}
	l1, l0, level, kinds := tr.l1, tr.l0, tr.level, tr.kinds
	span, cycle := k*m, m/tr.lk.e.cycles[tr.lk.e.lead]
	for i := m + 1; i <= n; i++ {
		w, f := minusInf, uint8(0)
		if c := i - span; c >= m {
			b := c + m // end of the first bit
			first := l0[b] - l1[b]
			if kinds[0] == 1 {
				first = -first
			}
			if first > -hopeless {
				x := rest[c] - start
				if c < quiet {
					x = minusInf
				}
				if lv := level[b]; lv < quietLevel { // a dropout in the leader is no start bit
					x -= costFaint * (1 - lv/quietLevel)
				}
				if y := done[c]; y >= x {
					x, f = y, fromFrame
				}
				if y := done[c+1] - costEarly; y > x {
					x, f = y, fromEarly
				}
				if y := done[c+cycle] - costEarly; tr.dips && y > x {
					x, f = y, fromCycle
				}
				for _, kind := range kinds {
					p, q := l1[b], l0[b]
					b += m
					switch kind {
					case 1:
						x += p
					case 0:
						x += q
					default:
						x += max(p, q) - costFree
					}
				}
				w = x
			}
		}
		done[i] = w
		x := rest[i-1] + tr.lead[i]
		if y := w - gap; y > x {
			x = y
			f |= afterward
		}
		rest[i], from[i] = x, f
	}
}

// trace follows the best path back from the end; path gets its frames, marks every bit for smoothing.
func (tr *toneTrellis) trace(n int, last bool) {
	m, k := tr.m, len(tr.kinds)
	tr.path, tr.marks = tr.path[:0], tr.marks[:0]
	base := tr.at - int64(m)
	known := n
	if !last {
		known = n - 3*k*m // behind it there may be half a frame taken for idle
	}
	end, inFrame := n, tr.done[n] > tr.rest[n]
	if tr.cutShort && !last {
		end, inFrame = tr.openEnd(n)
	}
	idle := 0 // nodes of idle in a row
	for i := end; i > m; {
		if !inFrame && tr.from[i]&afterward == 0 {
			if idle++; idle == m {
				idle = 0
				if i+m-1 <= known {
					tr.marks = append(tr.marks, pathBit{int64(i+m-1) + base, int8(tr.lk.e.lead)})
				}
			}
			i--
			continue
		}
		idle = 0
		begin := i - k*m
		for j := k - 1; j >= 0; j-- {
			e := begin + (j+1)*m
			bit := tr.kinds[j]
			if bit == free {
				bit = 0
				if tr.l1[e] > tr.l0[e] {
					bit = 1
				}
			}
			if e <= known {
				tr.marks = append(tr.marks, pathBit{int64(e) + base, bit})
			}
		}
		tr.path = append(tr.path, toneFrame{int64(begin) + base})
		inFrame = true
		switch tr.from[i] & 3 {
		case fromRest:
			inFrame = false
		case fromEarly:
			begin++
		case fromCycle:
			begin += tr.m / tr.lk.e.cycles[tr.lk.e.lead]
		}
		i = begin
	}
	slices.Reverse(tr.path)
	slices.Reverse(tr.marks)
}

// poor says whether the block wants the heavy machinery: the odds of some bit are close.
func (tr *toneTrellis) poor() bool {
	m := tr.m
	for _, b := range tr.marks {
		i := int(b.end-tr.at) + m
		d := tr.l1[i] - tr.l0[i]
		if b.bit == 0 {
			d = -d
		}
		if d < 14 && tr.level[i] > 0.5 { // under a dropout nothing helps
			return true
		}
	}
	return false
}
