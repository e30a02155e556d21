package plan

import (
	"cmp"
	"math"
	"slices"
)

// Size is what an item takes of a volume, or what a volume holds. Units and Slots are counts; for tape sides Units
// are milliseconds and Slots are not limited.
type Size struct{ Units, Slots int }

func (a Size) add(b Size) Size     { return Size{a.Units + b.Units, a.Slots + b.Slots} }
func (a Size) sub(b Size) Size     { return Size{a.Units - b.Units, a.Slots - b.Slots} }
func (a Size) fits(room Size) bool { return a.Units <= room.Units && a.Slots <= room.Slots }

// Packing is the answer of Pack.
type Packing struct {
	Bins    [][]int // indices of the items, ascending within a bin; bins in the order of their first item
	Bound   int     // no packing needs fewer bins
	Optimal bool    // len(Bins) == Bound
}

// DefaultSteps bounds the search: each step tries one item in one place. Steps are counted, not timed, so that the
// same files give the same disks on every machine; 20 million take about a quarter of a second.
const DefaultSteps = 20_000_000

// Pack distributes items over as few bins of size room as it can find within a number of steps (0: DefaultSteps).
// Every item must fit an empty bin. The result does not depend on anything but the arguments.
func Pack(items []Size, room Size, steps int) Packing {
	if len(items) == 0 {
		return Packing{Optimal: true}
	}
	if steps <= 0 {
		steps = DefaultSteps
	}
	p := &packer{items: items, room: room, steps: steps, rng: 0x9E3779B97F4A7C15}
	var sum Size
	for _, it := range items {
		sum = sum.add(it)
	}
	p.units, p.slots = float64(sum.Units)/float64(max(room.Units, 1)), float64(sum.Slots)/float64(max(room.Slots, 1))
	bound := LowerBound(items, room)
	best := p.greedy(bound)
	if len(best) > bound {
		best = p.fillOneByOne(best, bound)
	}
	if len(best) > bound && len(items) <= exactItems {
		best, bound = p.exact(best, bound)
	}
	if len(best) > bound {
		best = p.improve(best, bound)
	}
	for _, b := range best {
		slices.Sort(b)
	}
	slices.SortFunc(best, func(a, b []int) int { return cmp.Compare(a[0], b[0]) })
	return Packing{Bins: best, Bound: bound, Optimal: len(best) == bound}
}

// exactItems is up to how many items the search for a proof is worth its steps.
const exactItems = 60

type packer struct {
	items        []Size
	room         Size
	steps        int // left
	rng          uint64
	units, slots float64 // how many bins the items fill by each size
}

// next is a small fixed random sequence (xorshift64): the same in every run.
func (p *packer) next(n int) int {
	p.rng ^= p.rng << 13
	p.rng ^= p.rng >> 7
	p.rng ^= p.rng << 17
	return int(p.rng>>33) % n
}

// weights are ways of making one number of two sizes, by which items are sorted. The last four follow what is scarce.
func (p *packer) weights() [][2]float64 {
	u, s := p.units, p.slots
	return [][2]float64{{1, 0}, {0, 1}, {1, 1}, {u, s}, {2 * u, s}, {u, 2 * s}, {u * u, s * s}}
}

func (p *packer) value(it Size, w [2]float64) float64 {
	return w[0]*float64(it.Units)/float64(max(p.room.Units, 1)) + w[1]*float64(it.Slots)/float64(max(p.room.Slots, 1))
}

// order is the indices of subset sorted by falling value; equal ones stay in their order.
func (p *packer) order(subset []int, w [2]float64) []int {
	o := slices.Clone(subset)
	slices.SortStableFunc(o, func(a, b int) int { return cmp.Compare(p.value(p.items[b], w), p.value(p.items[a], w)) })
	return o
}

func (p *packer) all() []int {
	o := make([]int, len(p.items))
	for i := range o {
		o[i] = i
	}
	return o
}

// greedy is first fit and best fit decreasing, by several ways of sorting.
func (p *packer) greedy(bound int) [][]int {
	var best [][]int
	for _, w := range p.weights() {
		o := p.order(p.all(), w)
		for _, fit := range []func([]int, [2]float64) [][]int{p.firstFit, p.bestFit} {
			if len(best) > 0 && (p.steps <= 0 || len(best)*len(o) > p.steps/8) {
				break // best fit looks at every bin for every item: too much for so many
			}
			b := fit(o, w)
			if best == nil || len(b) < len(best) {
				best = b
			}
			if len(best) == bound {
				return best
			}
		}
	}
	return best
}

// firstFit puts the items in order into the first bin with room. A tree of what the bins have left finds it in a few
// steps, so that 100,000 files take no longer than reading their names.
func (p *packer) firstFit(order []int, _ [2]float64) [][]int {
	n := 1
	for n < len(order) {
		n *= 2
	}
	most := make([]Size, 2*n) // of node i: the largest of each size left in the bins below it; leaves are n, n+1, ...
	for i := range most {
		most[i] = p.room
	}
	var bins [][]int
	for _, i := range order {
		it := p.items[i]
		b := p.leftmost(most, 1, n, it)
		if b == len(bins) {
			bins = append(bins, nil)
		}
		bins[b] = append(bins[b], i)
		at := n + b
		for most[at] = most[at].sub(it); at > 1; {
			at /= 2
			l, r := most[2*at], most[2*at+1]
			most[at] = Size{max(l.Units, r.Units), max(l.Slots, r.Slots)}
		}
	}
	return bins
}

// leftmost is the first bin below node with room for it; -1 if none. The two sizes may be left in different bins, so a
// node that promises room may not keep it.
func (p *packer) leftmost(most []Size, node, n int, it Size) int {
	p.steps--
	if !it.fits(most[node]) {
		return -1
	}
	if node >= n {
		return node - n
	}
	if b := p.leftmost(most, 2*node, n, it); b >= 0 {
		return b
	}
	return p.leftmost(most, 2*node+1, n, it)
}

// bestFit puts the items in order into the bin that it leaves least room in.
func (p *packer) bestFit(order []int, w [2]float64) [][]int {
	var bins [][]int
	var left []Size
	for k, i := range order {
		it, to, least := p.items[i], -1, 0.0
		for b := range left {
			if it.fits(left[b]) {
				if v := p.value(left[b].sub(it), w); to < 0 || v < least {
					to, least = b, v
				}
			}
		}
		if p.steps -= len(left); p.steps <= 0 { // the rest goes into bins of its own, which is never the best packing
			for _, r := range order[k:] {
				bins = append(bins, []int{r})
			}
			return bins
		}
		if to < 0 {
			bins, left = append(bins, nil), append(left, p.room)
			to = len(bins) - 1
		}
		bins[to] = append(bins[to], i)
		left[to] = left[to].sub(it)
	}
	return bins
}

// fillOneByOne fills one bin after the other as full as a short search can (minimum bin slack), by several weights.
func (p *packer) fillOneByOne(best [][]int, bound int) [][]int {
	keep := p.steps / 2 // for improve, which gains more where there are many bins
	for _, nodes := range []int{500, 5000} {
		for _, w := range p.weights() {
			if w[0] == 0 || p.steps <= keep {
				continue
			}
			if b := p.fillBins(p.all(), w, nodes, len(best)-1); b != nil {
				best = b
			}
			if len(best) == bound {
				return best
			}
		}
	}
	return best
}

// fillBins packs subset into at most most bins by filling each as well as it can; nil where that does not do.
func (p *packer) fillBins(subset []int, w [2]float64, nodes, most int) [][]int {
	// Items of one size are alike: the search goes over sizes, of which there are far fewer.
	var groups []group
	at := map[Size]int{}
	for _, i := range p.order(subset, w) {
		g, ok := at[p.items[i]]
		if !ok {
			g = len(groups)
			at[p.items[i]] = g
			groups = append(groups, group{size: p.items[i]})
		}
		groups[g].items = append(groups[g].items, i)
	}
	var bins [][]int
	for n := len(subset); n > 0; {
		if len(bins) == most {
			return nil
		}
		f := filler{p: p, w: w, groups: groups, nodes: nodes}
		f.take[0] = 0
		groups[0].taken = 1
		f.search(1, 0, p.room.sub(groups[0].size))
		groups[0].taken = 0
		p.steps -= nodes - f.nodes + len(groups)
		bin := make([]int, 0, len(f.best))
		for _, g := range f.best {
			bin = append(bin, groups[g].items[0])
			groups[g].items = groups[g].items[1:]
		}
		groups = slices.DeleteFunc(groups, func(g group) bool { return len(g.items) == 0 })
		n -= len(bin)
		bins = append(bins, bin)
	}
	return bins
}

// group is the items of one size that are still to be packed.
type group struct {
	size  Size
	items []int
	taken int // by the search that is under way
}

// maxInBin bounds how many items a filler follows; a floppy's directory has no more slots.
const maxInBin = 512

// filler searches the items, one of the first group always among them, that leave least room in a bin.
type filler struct {
	p      *packer
	w      [2]float64
	groups []group
	nodes  int
	take   [maxInBin]int // groups, ascending
	best   []int
	slack  float64
}

func (f *filler) search(depth, from int, left Size) {
	if v := f.p.value(left, f.w); f.best == nil || v < f.slack-1e-12 {
		f.slack, f.best = v, append(f.best[:0:0], f.take[:depth]...)
	}
	if depth == maxInBin {
		return
	}
	for at := from; at < len(f.groups); at++ {
		g := &f.groups[at]
		if g.taken == len(g.items) || !g.size.fits(left) {
			continue
		}
		if f.slack <= 1e-12 || f.nodes <= 0 {
			return
		}
		f.nodes--
		f.take[depth] = at
		g.taken++
		f.search(depth+1, at, left.sub(g.size))
		g.taken--
	}
}

// improve takes a few bins apart, the emptiest among them, and packs their items again: into fewer bins, or so that
// the emptiest gets emptier still.
func (p *packer) improve(bins [][]int, bound int) [][]int {
	fill := func(b []int) float64 {
		var sum Size
		for _, i := range b {
			sum = sum.add(p.items[i])
		}
		return p.value(sum, [2]float64{p.units, p.slots})
	}
	fills := make([]float64, len(bins))
	for i, b := range bins {
		fills[i] = fill(b)
	}
	for p.steps > 0 && len(bins) > bound {
		p.steps -= 50 + len(bins)
		e := 0 // the emptiest bin first
		for b := range bins {
			if fills[b] < fills[e] {
				e = b
			}
		}
		least := fills[e]
		fills[0], fills[e] = fills[e], fills[0]
		bins[0], bins[e] = bins[e], bins[0]
		k := min(len(bins)-1, 2+p.next(4))
		for j := 1; j <= k; j++ {
			r := j + p.next(len(bins)-j)
			bins[j], bins[r] = bins[r], bins[j]
			fills[j], fills[r] = fills[r], fills[j]
		}
		var pool []int
		for _, b := range bins[:k+1] {
			pool = append(pool, b...)
		}
		for j := len(pool) - 1; j > 0; j-- { // another order among equals
			r := p.next(j + 1)
			pool[j], pool[r] = pool[r], pool[j]
		}
		ws := p.weights()
		w := ws[p.next(len(ws))]
		if w[0] == 0 {
			w = ws[2]
		}
		again := p.fillBins(pool, w, 300, k+1)
		switch {
		case again == nil:
		case len(again) <= k:
			bins = append(again, bins[k+1:]...)
			fills = fills[:0]
			for _, b := range bins {
				fills = append(fills, fill(b))
			}
		default:
			emptiest := math.Inf(1)
			for _, b := range again {
				emptiest = min(emptiest, fill(b))
			}
			if emptiest <= least+1e-9 {
				copy(bins, again)
				for j, b := range again {
					fills[j] = fill(b)
				}
			}
		}
	}
	return bins
}
