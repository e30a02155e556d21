package linecode

// toneTrellis decides bits and frames. A path through it is a row of idle chunks (the tone between bytes) and frames;
// a frame is start bits, data bits and stop bits of exactly M chunks each, and may begin at any chunk. The best path is
// found by the Viterbi algorithm: start and stop bits place the frames and data bits are free.
type toneTrellis struct {
	lk     *toneLock
	m      int
	kinds  []int8 // of each bit of a frame: 0, 1, or free
	at     int64  // chunk up to which everything is decided
	begun  bool
	idles  []float32   // metric of being idle at chunks at-m+1 .. at
	cols   [][]float32 // by frame bit: metric of having ended it there
	g      [2]float64  // what a bit comes to, by bit
	vari   float64     // variance of one component
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
	v        [][]float32
	vi       []float32
	from     []uint8
	path     []toneFrame
	marks    []pathBit
	coherent [2]bool

	open    *Run
	stats   runStats
	refused string
	parity  int // index of the parity bit in kinds, -1 none
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
	tr.cols = make([][]float32, len(tr.kinds))
	for k := range tr.cols {
		tr.cols[k] = make([]float32, tr.m)
		for i := range tr.cols[k] {
			tr.cols[k][i] = minusInf
		}
	}
	tr.v = make([][]float32, len(tr.kinds))
	tr.idles = make([]float32, tr.m)
	tr.at = int64(tr.m)
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
func (tr *toneTrellis) finish(heard int64, why string) {
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
	tr.close(why)
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
	n := int(end-tr.at) + tr.m
	tr.load(n)
	tr.likelihoods(n)
	tr.viterbi(n)
	tr.trace(n)
	if poor := tr.poor(); poor {
		tr.refine(n)
		tr.likelihoods(n)
		tr.viterbi(n)
		tr.trace(n)
	}
	for _, f := range tr.path {
		if f.from < e || last {
			tr.emit(f)
		}
	}
	// keep the columns that end at e
	if !last {
		off := int(e - tr.at)
		for k := range tr.cols {
			copy(tr.cols[k], tr.v[k][off+1:off+1+tr.m])
		}
		copy(tr.idles, tr.vi[off+1:off+1+tr.m])
		top := minusInf
		all := append(tr.cols[:len(tr.cols):len(tr.cols)], tr.idles)
		for _, c := range all {
			for _, x := range c {
				top = max(top, x)
			}
		}
		for _, c := range all {
			for i := range c {
				c[i] = max(c[i]-top, minusInf)
			}
		}
		tr.at = e
		if drop := int(e - lk.first - int64(tr.m)); drop > 0 {
			lk.chunks = append(lk.chunks[:0], lk.chunks[drop:]...)
			lk.first += int64(drop)
		}
	}
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
	u1, u0 := conj(tr.phase[1]), conj(tr.phase[0])
	var s1, s0 complex128
	tr.z1[0], tr.z0[0] = 0, 0
	for i, c := range tr.lk.chunks[off : off+n] {
		s1 += complex(float64(c.i1), float64(c.q1)) * u1
		s0 += complex(float64(c.i0), float64(c.q0)) * u0
		tr.z1[i+1], tr.z0[i+1] = s1, s0
	}
	lead := tr.lk.e.lead
	tr.coherent[lead] = true
	tr.coherent[1-lead] = tr.lk.phased(1 - lead)
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
	for i := m; i <= n; i++ {
		r1, r0 := tr.part(1, i), tr.part(0, i)
		tr.l1[i] = float32((g1*r1 - g1*g1/2) / v)
		tr.l0[i] = float32((g0*r0 - g0*g0/2) / v)
		if !tr.coherent[1] {
			tr.l1[i] = float32(logI0(g1*r1/v) - g1*g1/2/v)
		}
		if !tr.coherent[0] {
			tr.l0[i] = float32(logI0(g0*r0/v) - g0*g0/2/v)
		}
		s := float32(max(r1, 0)/g1 + max(r0, 0)/g0) // 1 between two tones as well
		tr.level[i] = s
		dips = dips || s < 0.7*quietLevel
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
	costStart  = 9.0  // a frame out of idle
	costFaint  = 40.0 // a frame out of idle whose first bit has no level
	costEarly  = 10.0 // a frame that begins a chunk before the last one is over
	costFree   = 0.2  // a free bit; less than ln 2, so that under a dropout bytes go on as before
	costRest   = 2.0  // idle after a frame, where that is the custom of the recording
	costGap    = 14.0 // and where bytes have followed one another without a gap
	quietLevel = 0.6  // below this level, against the usual, the odds shrink
)

const (
	fromIdle  = 0
	fromFrame = 1 // the last frame ended right before
	fromEarly = 2
	idleFrame = 4 // idle after a frame, not after idle
)

// viterbi fills v and vi for i = m+1 .. n from the columns before.
func (tr *toneTrellis) viterbi(n int) {
	m, last := tr.m, len(tr.kinds)-1
	tr.vi, tr.from = grow(tr.vi, n+1), grow(tr.from, n+1)
	for k := range tr.v {
		tr.v[k] = grow(tr.v[k], n+1)
		tr.v[k][0] = minusInf
		copy(tr.v[k][1:], tr.cols[k])
	}
	tr.vi[0] = minusInf
	copy(tr.vi[1:], tr.idles)
	vl, v0, vi := tr.v[last], tr.v[0], tr.vi
	rest := float32(costRest)
	if tr.frames >= 8 && tr.gaps*10 < tr.frames {
		rest = costGap
	}
	top := float32(max(tr.g[0], tr.g[1]))
	start := max(costStart, 0.12*top*top/max(float32(tr.vari), 0.01*top*top))
	quiet := 0 // index up to which only the leader was heard
	for off := int(tr.at - tr.lk.first - int64(m)); quiet < n && tr.lk.chunks[off+quiet].at < tr.lk.quiet; {
		quiet++
	}
	for i := m + 1; i <= n; i++ {
		// first bit of a frame
		f := uint8(fromIdle)
		best := vi[i-m] - start
		if x := tr.level[i]; x < quietLevel { // a dropout in the leader is no start bit
			best -= costFaint * (1 - x/quietLevel)
		}
		if i-m < quiet {
			best = minusInf
		}
		if x := vl[i-m]; x >= best {
			best, f = x, fromFrame
		}
		if x := vl[i-m+1] - costEarly; x > best {
			best, f = x, fromEarly
		}
		switch tr.kinds[0] {
		case 0:
			best += tr.l0[i]
		case 1:
			best += tr.l1[i]
		default:
			best += max(tr.l1[i], tr.l0[i]) - costFree
		}
		v0[i] = best
		for k := 1; k <= last; k++ {
			x := tr.v[k-1][i-m]
			switch tr.kinds[k] {
			case 0:
				x += tr.l0[i]
			case 1:
				x += tr.l1[i]
			default:
				x += max(tr.l1[i], tr.l0[i]) - costFree
			}
			tr.v[k][i] = x
		}
		x := vi[i-1] + tr.lead[i]
		if y := vl[i] - rest; y > x {
			x = y
			f |= idleFrame
		}
		vi[i] = x
		tr.from[i] = f
	}
}

// trace follows the best path back from the end; path gets its frames, marks every bit for smoothing.
func (tr *toneTrellis) trace(n int) {
	m, last := tr.m, len(tr.kinds)-1
	tr.path, tr.marks = tr.path[:0], tr.marks[:0]
	// mean gain of a chunk, to compare paths that end at different chunks
	mean, cnt := 0.0, 0
	for i := max(m+1, n-40*m); i <= n; i++ {
		mean += float64(max(tr.l1[i], tr.l0[i]))
		cnt++
	}
	per := float32(0)
	if cnt > 0 {
		per = float32(mean / float64(cnt) / float64(m))
	}
	i, k := n, -1
	best := tr.vi[n]
	for j := max(n-m+1, m+1); j <= n; j++ {
		for s := range tr.v {
			if x := tr.v[s][j] + per*float32(n-j); x > best {
				best, i, k = x, j, s
			}
		}
	}
	for i > m {
		if k < 0 {
			if tr.from[i]&idleFrame != 0 {
				k = last
				continue
			}
			if len(tr.marks) == 0 || int64(i)+tr.at-int64(m) <= tr.marks[len(tr.marks)-1].end-int64(m) {
				tr.marks = append(tr.marks, pathBit{int64(i) + tr.at - int64(m), int8(tr.lk.e.lead)})
			}
			i--
			continue
		}
		end := int64(i) + tr.at - int64(m)
		bit := tr.kinds[k]
		if bit == free {
			bit = 0
			if tr.l1[i] > tr.l0[i] {
				bit = 1
			}
		}
		tr.marks = append(tr.marks, pathBit{end, bit})
		if k > 0 {
			k--
			i -= m
			continue
		}
		begin := i - m
		if from := begin + tr.frameLen(); from <= n {
			tr.path = append(tr.path, toneFrame{end - int64(m)})
		}
		switch tr.from[i] & 3 {
		case fromIdle:
			k = -1
		case fromFrame:
			k = last
		case fromEarly:
			k = last
			begin++
		}
		i = begin
	}
	// A frame that began in an earlier block was given out with that block.
	for a, b := 0, len(tr.path)-1; a < b; a, b = a+1, b-1 {
		tr.path[a], tr.path[b] = tr.path[b], tr.path[a]
	}
	for a, b := 0, len(tr.marks)-1; a < b; a, b = a+1, b-1 {
		tr.marks[a], tr.marks[b] = tr.marks[b], tr.marks[a]
	}
}

func (tr *toneTrellis) frameLen() int { return len(tr.kinds) * tr.m }

// poor says whether the block wants the heavy machinery: the odds of some bit are close.
func (tr *toneTrellis) poor() bool {
	m := tr.m
	for _, b := range tr.marks {
		i := int(b.end-tr.at) + m
		d := tr.l1[i] - tr.l0[i]
		if b.bit == 0 {
			d = -d
		}
		if d < 14 {
			return true
		}
	}
	return false
}
