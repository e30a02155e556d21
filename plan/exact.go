package plan

import "slices"

// exact asks, for one bin fewer each time, whether a packing exists. A search that ends without finding one is a proof,
// and raises the bound; one that runs out of steps proves nothing.
func (p *packer) exact(best [][]int, bound int) ([][]int, int) {
	order := p.order(p.all(), [2]float64{p.units, p.slots})
	for len(best) > bound {
		e := &proof{p: p, order: order, left: make([]Size, len(best)-1), in: make([]int, len(order)), nodes: min(p.steps/2, 1_000_000)}
		for i := range e.left {
			e.left[i] = p.room
		}
		e.rest = make([]Size, len(order)+1)
		e.small = make([]Size, len(order)+1)
		e.small[len(order)] = Size{1 << 30, 1 << 30}
		for i := len(order) - 1; i >= 0; i-- {
			it := p.items[order[i]]
			e.rest[i] = e.rest[i+1].add(it)
			e.small[i] = Size{min(e.small[i+1].Units, it.Units), min(e.small[i+1].Slots, it.Slots)}
		}
		before := e.nodes
		found := e.place(0, 0)
		p.steps -= before - e.nodes
		switch {
		case found:
			bins := make([][]int, len(e.left))
			for i, b := range e.in {
				bins[b] = append(bins[b], order[i])
			}
			best = slices.DeleteFunc(bins, func(b []int) bool { return len(b) == 0 })
		case e.nodes > 0:
			return best, len(best)
		default:
			return best, bound
		}
	}
	return best, bound
}

// proof is a depth-first search for a packing into a given number of bins.
type proof struct {
	p           *packer
	order       []int
	left        []Size // of each bin
	in          []int  // bin of each item of order
	rest, small []Size // sum, and least of each size, of the items from here on
	nodes       int
}

// place puts item n of the order and all after it; used bins are 0..used-1.
func (e *proof) place(n, used int) bool {
	if n == len(e.order) {
		return true
	}
	if e.nodes <= 0 {
		return false
	}
	// Room that no remaining item fits is lost; the rest must be enough.
	var free Size
	for _, l := range e.left {
		if e.small[n].fits(l) {
			free = free.add(l)
		}
	}
	if !e.rest[n].fits(free) {
		return false
	}
	it := e.p.items[e.order[n]]
	first := 0
	if n > 0 && e.p.items[e.order[n-1]] == it {
		first = e.in[n-1] // equal items go into bins in rising order: swapping them changes nothing
	}
	for b := first; b < min(used+1, len(e.left)); b++ {
		if !it.fits(e.left[b]) || slices.Contains(e.left[first:b], e.left[b]) { // a bin with as much room was tried
			continue
		}
		e.nodes--
		e.left[b] = e.left[b].sub(it)
		e.in[n] = b
		if e.place(n+1, max(used, b+1)) {
			return true
		}
		e.left[b] = e.left[b].add(it)
		if e.nodes <= 0 {
			return false
		}
	}
	return false
}
