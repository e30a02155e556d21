package cell

import "math"

// Decoder decides the cells of one field by maximum likelihood: of all sequences of cells that the code allows it
// weighs how well each explains the transition times, and gives for every bit the best explanation with a 1 against
// the best with a 0. It keeps its memory from field to field and serves one goroutine.
type Decoder struct {
	Model Model
	Skip  bool // consider that single transitions are none; twice the work
	// Thorough takes the speed out once more through the best explanation, not only through the nearest cells.
	Thorough bool

	// Soft is the result: for each bit the logarithm of the odds of a 1; 0 where nothing is known.
	Soft []float32
	// Path is the cell of each transition in the best explanation; -1<<30 where it is taken as none.
	Path   []int32
	U      []float64 // measured position of each transition, in cells, after the speed was taken out
	Flaws  int       // spacings in the best explanation that the code forbids
	CellNS float64   // mean length of a cell in the field

	near    []int32 // nearest cell of each transition
	alpha   []float64
	back    []uint8
	m0, m1  []float64
	y       []float64
	sums    [][5]float64
	known   int
	hasMean bool
	ref     float64 // total of the best explanation
}

const skipped = math.MinInt32 / 2

// Decode decodes bits data bits. times are transition times in nanoseconds; times[i] is known to be at cell known[i]
// for the first len(known) of them (at least two). Cell 0 is the clock cell of the first bit, so that the mark has
// negative cells. It reports how many transitions were used; where the capture ends early, the bits beyond have Soft 0.
func (d *Decoder) Decode(times []float64, known []int32, cellNS float64, bits int) int {
	n := d.follow(times, known, cellNS, 2*bits)
	d.hasMean = false
	for _, r := range d.Model.Shift {
		for _, v := range r {
			d.hasMean = d.hasMean || v != 0
		}
	}
	d.nearest()
	d.refit(times[:n])
	d.forward()
	d.trace()
	if d.Thorough {
		d.refit(times[:n])
		d.forward()
		d.trace()
	}
	d.weigh(bits)
	return n
}

// Explain finds only the best explanation, with the speed taken out: for measuring the model.
func (d *Decoder) Explain(times []float64, known []int32, cellNS float64, bits int) int {
	n := d.follow(times, known, cellNS, 2*bits)
	d.hasMean = true
	d.nearest()
	d.refit(times[:n])
	d.forward()
	d.trace()
	d.refit(times[:n])
	return n
}

// follow runs a slow phase-locked loop over the transitions, started on the known ones.
func (d *Decoder) follow(times []float64, known []int32, cellNS float64, cells int) int {
	// Least squares through the known transitions, held to the expected length by a prior of 1.5 % of it.
	var n, sx, sy, sxx, sxy float64
	for i, c := range known {
		x, y := float64(c), (times[i]-times[0])/cellNS-float64(c-known[0])
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	mx, my := sx/n, sy/n
	prior := d.Model.Sigma * d.Model.Sigma / (0.015 * 0.015)
	slope := (sxy - n*mx*my) / (sxx - n*mx*mx + prior)
	length := cellNS * (1 + slope)
	d.U, d.near = d.U[:0], d.near[:0]
	last := len(known) - 1
	for i, c := range known {
		d.U = append(d.U, float64(c)+(times[i]-times[0])/cellNS-float64(c-known[0])-(my+slope*(float64(c)-mx)))
		d.near = append(d.near, c)
	}
	d.known = len(known)
	x := float64(known[last]) // where the loop believes the cell of the last transition to be
	ref := times[last] - (d.U[last]-float64(known[last]))*length
	const gain, speed = 0.05, 0.0006
	for i := len(known); i < len(times); i++ {
		u := x + (times[i]-ref)/length
		if u > float64(cells)+8 {
			break
		}
		r := math.Floor(u + 0.5)
		e := u - r
		d.U = append(d.U, u)
		d.near = append(d.near, int32(r))
		if times[i]-times[i-1] > 12*length { // a hole: nothing can be learned from where it ends
			e = 0
		}
		x = u - gain*e
		ref = times[i]
		length *= 1 + speed*e
	}
	d.CellNS = length
	k := len(d.U)
	if cap(d.alpha) < k*states {
		d.alpha = make([]float64, k*states*5/4+states)
		d.back = make([]uint8, len(d.alpha))
	}
	return k
}

// nearest takes for each transition the nearest cell as its own: good enough to find the speed by.
func (d *Decoder) nearest() { d.Path = append(d.Path[:0], d.near...) }

func (d *Decoder) table() *branchTable {
	if d.Model.MFM {
		return mfmBranches
	}
	return fmBranches
}

// forward fills alpha: for every transition, cell it may belong to and class of the spacing before it, the best
// explanation up to there (without the transition's own error, which depends on the spacing after it too).
func (d *Decoder) forward() {
	k := len(d.U)
	a := d.alpha[:k*states]
	for i := range a {
		a[i] = never
	}
	first := 1*classes + other // known transitions have only the middle candidate
	a[first] = 0
	t := d.table()
	for i := 1; i < k; i++ {
		d.step(t, i-1, i, 0)
		if d.Skip && i >= 2 && i-1 >= d.known {
			d.step(t, i-2, i, costExtra)
		}
	}
}

// hopeless is how far behind the best an explanation is given up, in nats.
const hopeless = 60

// step extends the explanations that end at transition p to transition i.
func (d *Decoder) step(t *branchTable, p, i int, extra float64) {
	from := d.alpha[p*states : p*states+states : p*states+states]
	to := d.alpha[i*states : i*states+states : i*states+states]
	kappa := 1 / (2 * d.Model.Sigma * d.Model.Sigma)
	gap := int(d.near[i] - d.near[p])
	skipBit := uint8(0)
	if p != i-1 {
		skipBit = 0x80
	}
	jLo, jHi := 0, cands
	if i < d.known {
		jLo, jHi = 1, 2
	}
	pLo, pHi := 0, cands
	if p < d.known {
		pLo, pHi = 1, 2
	}
	top := never
	for _, v := range from {
		if v > top {
			top = v
		}
	}
	top -= hopeless
	for j := pLo; j < pHi; j++ {
		f := (*[classes]float64)(from[j*classes:])
		if f[0] < top && f[1] < top && f[2] < top && f[3] < top {
			continue
		}
		n := int(d.near[p]) + j - 1
		dev := d.U[p] - float64(n)
		row := &t[n&1]
		plain, plainFrom := f[0], 0
		for q := 1; q < classes; q++ {
			if f[q] > plain {
				plain, plainFrom = f[q], q
			}
		}
		plain -= dev * dev * kappa
		for g := jLo; g < jHi; g++ {
			s := gap + g - j
			if s < 0 {
				continue
			}
			b := row[min(s, maxSpacing+1)]
			best, from := plain, plainFrom
			if d.hasMean {
				best = never
				for q, v := range f {
					if v > best && v > top {
						x := dev - d.Model.Shift[q][b.class&3]
						if v -= x * x * kappa; v > best {
							best, from = v, q
						}
					}
				}
			}
			best -= b.cost + extra
			if x := g*classes + int(b.class); best > to[x] {
				to[x] = best
				d.back[i*states+x] = skipBit | uint8(j*classes+from)
			}
		}
	}
}

// trace follows the best explanation back from the last transition.
func (d *Decoder) trace() {
	k := len(d.U)
	if cap(d.Path) < k {
		d.Path = make([]int32, k)
	}
	d.Path = d.Path[:k]
	d.Flaws = 0
	best, at := never, 0
	for x, v := range d.alpha[(k-1)*states : k*states] {
		n := int(d.near[k-1]) + x/classes - 1
		dev := d.U[k-1] - float64(n)
		if v -= dev * dev / (2 * d.Model.Sigma * d.Model.Sigma); v > best {
			best, at = v, x
		}
	}
	for i := k - 1; i >= 0; {
		d.Path[i] = d.near[i] + int32(at/classes) - 1
		if at%classes == other && i >= d.known {
			d.Flaws++
		}
		b := d.back[i*states+at]
		if i--; b&0x80 != 0 {
			d.Path[i] = skipped
			d.Flaws++
			i--
		}
		at = int(b & 0x7f)
	}
}

// fitReach is how many transitions before and after a transition take part in finding where its cell should be. The
// speed of a drive changes little over that stretch (about 1 ms), and the line through some 160 errors is known twelve
// times better than a single transition.
const fitReach = 80

// refit takes the speed out anew, through the best explanation: a straight line through the errors of the
// neighbourhood gives where each cell lies.
func (d *Decoder) refit(times []float64) {
	k := len(d.U)
	if cap(d.sums) < k+1 {
		d.sums = make([][5]float64, k+k/4+1)
		d.y = make([]float64, cap(d.sums))
	}
	d.sums = d.sums[:k+1]
	d.y = d.y[:k]
	d.sums[0] = [5]float64{}
	mean := d.CellNS
	base := float64(d.near[0])
	for i := range k {
		s := d.sums[i]
		x := float64(d.Path[i])
		y := (times[i]-times[0])/mean - (x - base)
		if d.Path[i] == skipped {
			y = 0
		} else {
			m := 0.0
			if d.hasMean && i > 0 && i+1 < k {
				m = d.Model.Shift[d.class(i-1, i)][d.class(i, i+1)]
			}
			v := y - m
			s[0]++
			s[1] += x
			s[2] += v
			s[3] += x * x
			s[4] += x * v
		}
		d.y[i] = y
		d.sums[i+1] = s
	}
	for i := range k {
		a, b := d.sums[max(0, i-fitReach)], d.sums[min(k, i+fitReach+1)]
		n, sx, sy, sxx, sxy := b[0]-a[0], b[1]-a[1], b[2]-a[2], b[3]-a[3], b[4]-a[4]
		x := float64(d.Path[i])
		if d.Path[i] == skipped {
			x = float64(d.near[i])
			d.y[i] = (times[i]-times[0])/mean - (x - base)
		}
		if n < 4 {
			continue
		}
		mx := sx / n
		slope := 0.0
		if v := sxx - sx*mx; v > 0 {
			slope = (sxy - sy*mx) / v
		}
		d.U[i] = x + d.y[i] - (sy/n + slope*(x-mx))
		if i >= d.known {
			d.near[i] = int32(math.Floor(d.U[i] + 0.5))
		}
	}
}

// class of the spacing between two transitions of the path.
func (d *Decoder) class(i, j int) uint8 {
	a, b := d.Path[i], d.Path[j]
	if a == skipped || b == skipped || b < a {
		return other
	}
	return d.table()[a&1][min(int(b-a), maxSpacing+1)].class
}

// weigh runs backward and gives each bit its odds.
func (d *Decoder) weigh(bits int) {
	k := len(d.U)
	if cap(d.m0) < bits {
		d.m0, d.m1 = make([]float64, bits+bits/4), make([]float64, bits+bits/4)
	}
	d.m0, d.m1 = d.m0[:bits], d.m1[:bits]
	for i := range d.m0 {
		d.m0[i], d.m1[i] = never, never
	}
	kappa := 1 / (2 * d.Model.Sigma * d.Model.Sigma)
	t := d.table()
	var beta, next, after [states]float64 // of transition i, i+1, i+2
	for x := range next {
		n := int(d.near[k-1]) + x/classes - 1
		dev := d.U[k-1] - float64(n)
		next[x] = -dev * dev * kappa
	}
	for x := range after {
		after[x] = never
	}
	d.ref = never
	for x, v := range d.alpha[(k-1)*states : k*states] {
		d.ref = max(d.ref, v+next[x])
	}
	for i := k - 2; i >= 0; i-- {
		for x := range beta {
			beta[x] = never
		}
		d.weighStep(t, i, i+1, 0, &beta, &next, bits)
		if d.Skip && i+2 < k && i+1 >= d.known {
			d.weighStep(t, i, i+2, costExtra, &beta, &after, bits)
		}
		after, next = next, beta
	}
	if cap(d.Soft) < bits {
		d.Soft = make([]float32, bits)
	}
	d.Soft = d.Soft[:bits]
	for i := range d.Soft {
		a, b := d.m1[i], d.m0[i]
		switch {
		case math.IsInf(a, -1) && math.IsInf(b, -1):
			d.Soft[i] = 0
		case math.IsInf(a, -1):
			d.Soft[i] = -certain
		case math.IsInf(b, -1):
			d.Soft[i] = certain
		default:
			d.Soft[i] = float32(max(-certain, min(certain, a-b)))
		}
	}
}

// certain is the largest odds that are told apart.
const certain = 100

// weighStep extends beta over the spacing from transition i to transition p. Every explanation's total through a
// branch is alpha + branch + beta; what counts is how far it falls short of the best there is.
func (d *Decoder) weighStep(t *branchTable, i, p int, extra float64, beta, next *[states]float64, bits int) {
	kappa := 1 / (2 * d.Model.Sigma * d.Model.Sigma)
	a := d.alpha[i*states : i*states+states : i*states+states]
	gap := int(d.near[p] - d.near[i])
	jLo, jHi := 0, cands
	if p < d.known {
		jLo, jHi = 1, 2
	}
	pLo, pHi := 0, cands
	if i < d.known {
		pLo, pHi = 1, 2
	}
	type total struct {
		v     float64
		n, to int
		erase bool
	}
	var totals [cands * cands]total
	nt := 0
	floor := never
	for _, v := range a {
		if v > floor {
			floor = v
		}
	}
	floor -= hopeless
	for j := pLo; j < pHi; j++ {
		f := (*[classes]float64)(a[j*classes:])
		if f[0] < floor && f[1] < floor && f[2] < floor && f[3] < floor {
			continue
		}
		n := int(d.near[i]) + j - 1
		dev := d.U[i] - float64(n)
		row := &t[n&1]
		for g := jLo; g < jHi; g++ {
			s := gap + g - j
			if s < 0 {
				continue
			}
			b := row[min(s, maxSpacing+1)]
			rest := next[g*classes+int(b.class)] - b.cost - extra
			if rest < -1e300 {
				continue
			}
			top := never
			for q, w := range f {
				if w < floor {
					continue
				}
				x := j*classes + q
				e := dev
				if d.hasMean {
					e -= d.Model.Shift[q][b.class&3]
				}
				v := rest - e*e*kappa
				if v > beta[x] {
					beta[x] = v
				}
				if w += v; w > top {
					top = w
				}
			}
			if top < d.ref-certain {
				continue
			}
			totals[nt] = total{top, n, n + s, b.erase}
			nt++
		}
	}
	for _, x := range totals[:nt] {
		v := x.v - d.ref
		if v < -certain {
			continue
		}
		for c := (x.n + 1) | 1; c < x.to; c += 2 {
			if c < 0 || c >= 2*bits {
				continue
			}
			d.m0[c>>1] = max(d.m0[c>>1], v)
			if x.erase {
				d.m1[c>>1] = max(d.m1[c>>1], v)
			}
		}
		if c := x.to; c&1 == 1 && c > 0 && c < 2*bits {
			d.m1[c>>1] = max(d.m1[c>>1], v)
		}
	}
}
