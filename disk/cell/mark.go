package cell

import "math"

// Found is an address mark found by comparing transition times with what it should look like, without deciding cells.
type Found struct {
	Mark   byte       // FE, FB, FA, F9 or F8: the one that fits best
	Cost   float64    // sum of squared errors, in cells, over the transitions of the mark
	Costs  [5]float64 // of each of Marks instead of the best
	NS     float64    // time of cell 0: the first cell after the mark byte
	CellNS float64    // length of a cell here
	First  int        // transition that Known begins with
	Known  []int32    // cells of the transitions of the mark and of the sync before it, counted from cell 0
}

// Marks are the marks that are told apart.
var Marks = [5]byte{MarkID, 0xFB, 0xFA, 0xF9, 0xF8}

// outlier is what one transition counts at most when it is missing, one too many, or far off.
const outlier = 0.45

// template is the cells of a mark, counted from the first cell after it.
type template struct {
	common []int32    // sync and what all marks have in common
	tails  [5][]int32 // the rest, as Marks
}

func makeTemplate(mfm bool) *template {
	t := &template{}
	var all [5][]int32
	for i, m := range Marks {
		var c Cells
		if mfm {
			c.AppendMFM([]byte{0, 0})
			c.AppendMFMMark(m)
		} else {
			c.AppendFM([]byte{0, 0})
			c.AppendFMMark(m)
		}
		end := c.Len()
		c.Ones(func(k int) {
			if k >= 24 { // of the two sync bytes the last four transitions
				all[i] = append(all[i], int32(k-end))
			}
		})
		if !mfm {
			all[i] = append(all[i], 0) // the clock of the next byte
		}
	}
	n := 0
	for ; ; n++ {
		same := true
		for i := range all {
			same = same && n < len(all[i]) && all[i][n] == all[0][n]
		}
		if !same {
			break
		}
	}
	t.common = all[0][:n]
	for i := range all {
		t.tails[i] = all[i][n:]
	}
	return t
}

var mfmTemplate, fmTemplate = makeTemplate(true), makeTemplate(false)

// Finder looks for marks in transition times.
type Finder struct {
	MFM   bool
	Sigma float64 // expected error of a transition, in cells; decides how much is tolerated
}

// limit is the cost up to which a stretch counts as a mark: the expected cost of n transitions and some more. The
// nearest that ordinary data comes to a mark is three transitions too many (a cost of 1.35 without any noise).
func (f *Finder) limit(n int) float64 { return 0.5 + 1.25*float64(n)*f.Sigma*f.Sigma }

func (f *Finder) template() *template {
	if f.MFM {
		return mfmTemplate
	}
	return fmTemplate
}

// walk compares times from transition k on with cells want (relative to want[0]), the line being ref + cells*length;
// matched[i] becomes the transition of want[i], -1 where there is none. It gives up above limit.
func walk(times []float64, k int, ref, length float64, origin int32, want []int32, limit float64, matched []int32) float64 {
	cost := 0.0
	if k >= len(times) {
		for j := range matched {
			matched[j] = -1
		}
		return outlier * float64(len(want))
	}
	inv := 1 / length
	i := k
	last := k - 1 // transition matched last
	for j, w := range want {
		x := ref + float64(w-origin)*length
		for i+1 < len(times) && math.Abs(times[i+1]-x) <= math.Abs(times[i]-x) {
			i++
		}
		e := (times[i] - x) * inv
		if i <= last || e > 0.8 || e < -0.8 {
			matched[j] = -1
			cost += outlier
		} else {
			cost += min(e*e, outlier) + outlier*float64(i-last-1)
			matched[j] = int32(i)
			last = i
		}
		if cost > limit {
			return cost
		}
	}
	return cost
}

// Scan looks for marks that begin at transitions from..to-1; length gives the expected cell at a transition. slack
// widens what is tolerated where a mark is known to be about there: 1 is usual.
func (f *Finder) Scan(times []float64, from, to int, length func(i int) float64, slack float64) []Found {
	t := f.template()
	common := t.common
	origin := common[0]
	limit := f.limit(len(common)) * slack
	rough := 2*limit + 3 // before the line is fitted, the first transition's own error spoils all others
	var matched [40]int32
	var out []Found
	to = min(to, len(times)-len(common)/2)
	for k := max(from, 0); k < to; k++ {
		l := length(k)
		// Most places fail here: the second transition of a mark's sync is two cells on.
		if d := times[k+1] - times[k]; d < 0.8*l || d > 3.2*l {
			continue
		}
		m := matched[:len(common)]
		if walk(times, k, times[k], l, origin, common, rough, m) > rough {
			continue
		}
		ref, cell := line(times, common, m, l)
		cost := walk(times, k, ref+float64(origin)*cell, cell, origin, common, limit, m)
		if cost > limit {
			continue
		}
		fd := Found{Cost: math.Inf(1)}
		last := lastMatched(m)
		for i, tail := range t.tails {
			mt := matched[len(common) : len(common)+len(tail)]
			c := cost + walk(times, last+1, ref+float64(tail[0])*cell, cell, tail[0], tail, math.Inf(1), mt)
			// What comes after its last transition and before the next byte does not belong to this mark.
			for n := max(last, lastMatched(mt)) + 1; n < len(times) && times[n] < ref-0.5*cell; n++ {
				c += outlier
			}
			fd.Costs[i] = c
			if c < fd.Cost {
				fd.Cost, fd.Mark = c, Marks[i]
			}
		}
		if fd.Cost > limit+0.5 {
			continue
		}
		f.finish(&fd, times, ref, cell)
		if n := len(out); n > 0 && math.Abs(out[n-1].NS-fd.NS) < 24*cell {
			if fd.Cost < out[n-1].Cost {
				out[n-1] = fd
			}
			continue
		}
		out = append(out, fd)
	}
	return out
}

func lastMatched(m []int32) int {
	for i := len(m) - 1; i >= 0; i-- {
		if m[i] >= 0 {
			return int(m[i])
		}
	}
	return 0
}

// line fits times to cells: the time of cell 0 and the length of a cell, which is held to what was expected by a
// prior of 1.5 %.
func line(times []float64, cells []int32, matched []int32, length float64) (ref, cell float64) {
	var n, sx, sy, sxx, sxy float64
	t0 := 0.0
	for i, k := range matched {
		if k < 0 {
			continue
		}
		if n == 0 {
			t0 = times[k]
		}
		x, y := float64(cells[i]), (times[k]-t0)/length
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if n < 2 {
		return t0, length
	}
	mx, my := sx/n, sy/n
	const prior = 0.1 * 0.1 / (0.015 * 0.015)
	slope := (sxy - n*mx*my + prior) / (sxx - n*mx*mx + prior)
	return t0 + (my-slope*mx)*length, length * slope
}

// finish notes which transitions belong to the mark: the longest run up to its end without one too many, led by as
// much of the sync as is regular.
func (f *Finder) finish(fd *Found, times []float64, ref, cell float64) {
	t := f.template()
	var want []int32
	want = append(want, t.common...)
	for i, m := range Marks {
		if m == fd.Mark {
			want = append(want, t.tails[i]...)
		}
	}
	x := ref + float64(want[0])*cell
	k := lower(times, x-0.8*cell)
	m := make([]int32, len(want))
	walk(times, min(k, len(times)-1), x, cell, want[0], want, math.Inf(1), m)
	fd.NS, fd.CellNS = line(times, want, m, cell)
	fd.Known, fd.First = nil, -1
	next := -1
	var rev []int32
	for i := len(want) - 1; i >= 0; i-- {
		if m[i] < 0 {
			continue
		}
		if next >= 0 && int(m[i]) != next-1 {
			break
		}
		next = int(m[i])
		rev = append(rev, want[i])
	}
	if next < 0 {
		return
	}
	if rev[len(rev)-1] == want[0] {
		c := want[0]
		for len(rev) < 70 && next > 0 {
			c -= 2
			if e := (times[next-1]-fd.NS)/fd.CellNS - float64(c); math.Abs(e) > 0.6 {
				break
			}
			next--
			rev = append(rev, c)
		}
	}
	fd.First = next
	for i := len(rev) - 1; i >= 0; i-- {
		fd.Known = append(fd.Known, rev[i])
	}
}

// lower is the first transition at or after a time.
func lower(times []float64, t float64) int {
	lo, hi := 0, len(times)
	for lo < hi {
		if m := (lo + hi) / 2; times[m] < t {
			lo = m + 1
		} else {
			hi = m
		}
	}
	return lo
}
