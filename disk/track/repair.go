package track

import (
	"cmp"
	"container/heap"
	"math"
	"slices"

	"remanence/disk"
	"remanence/disk/cell"
)

// fixed is the outcome of a repair.
type fixed struct {
	found       bool
	mark        byte
	data        []byte
	events      []event
	trials      int     // combinations whose CRC was looked at
	acceptable  int     // of these, how many would have been believed
	falseChance float64 // that the match is a random one
}

// leastRepair is how likely a combination must be, before its CRC is looked at, to be believed when the CRC fits. A
// wrong combination fits once in 65,536, so that a sector which can't be repaired at all has at most 1/leastRepair
// chances of that: 40 / 65,536.
const leastRepair = 0.025

// maxEvents is how many uncertain places take part.
const maxEvents = 48

// repair tries combinations of the least certain bits in order of their likelihood.
func (m *merged) repair(bound int) fixed {
	list := events(m.soft, m.enc, 18)
	n := len(m.soft)
	type flip struct {
		event
		effect uint16
		mark   byte
	}
	var flips []flip
	for _, e := range list {
		effect := cell.CRCBit(n - 1 - e.bit)
		if e.two {
			effect ^= cell.CRCBit(n - 2 - e.bit)
		}
		flips = append(flips, flip{event: e, effect: effect})
		if e.two {
			continue
		}
		// A neighbour's flip may come along in FM: a transition taken for its neighbour's.
		if m.enc == disk.FM && e.bit+1 < n && (m.soft[e.bit] > 0) != (m.soft[e.bit+1] > 0) {
			w := max(e.cost, abs(m.soft[e.bit+1]))
			flips = append(flips, flip{event: event{w, e.bit, true}, effect: cell.CRCBit(n-1-e.bit) ^ cell.CRCBit(n-2-e.bit)})
		}
	}
	for i, mk := range m.marks[1:] {
		zero := make([]byte, len(m.data))
		flips = append(flips, flip{event: event{float32(m.markCost[i+1]), -1, false}, effect: cell.CRC(cell.CRC(0, []byte{mk ^ m.mark}), zero), mark: mk})
	}
	slices.SortStableFunc(flips, func(a, b flip) int { return cmp.Compare(a.cost, b.cost) })
	if len(flips) > maxEvents {
		flips = flips[:maxEvents]
	}
	want := m.crc()
	none := m.likely
	out := fixed{mark: m.mark}
	if len(flips) == 0 {
		return out
	}
	mass := none // what was looked at so far
	q := &combos{{cost: float64(flips[0].cost), set: []int{0}}}
	for q.Len() > 0 && out.trials < bound {
		c := heap.Pop(q).(combo)
		p := none * math.Exp(-c.cost)
		if p < leastRepair {
			break
		}
		out.trials++
		out.acceptable++
		effect, mark, twice := uint16(0), m.mark, false
		for _, i := range c.set {
			effect ^= flips[i].effect
			if flips[i].mark != 0 {
				twice = twice || mark != m.mark
				mark = flips[i].mark
			}
		}
		mass += p
		if effect == want && !twice {
			out.found, out.mark = true, mark
			out.data = slices.Clone(m.data)
			for _, i := range c.set {
				f := flips[i]
				if f.mark != 0 {
					continue
				}
				out.events = append(out.events, f.event)
				out.data[f.bit/8] ^= 0x80 >> (f.bit % 8)
				if f.two {
					b := f.bit + 1
					out.data[b/8] ^= 0x80 >> (b % 8)
				}
			}
			random := float64(out.trials) / 65536 * max(0, 1-mass)
			out.falseChance = random / (random + p)
			return out
		}
		last := c.set[len(c.set)-1]
		if last+1 < len(flips) {
			more := append(slices.Clone(c.set), last+1)
			heap.Push(q, combo{c.cost + float64(flips[last+1].cost), more})
			next := slices.Clone(c.set)
			next[len(next)-1] = last + 1
			heap.Push(q, combo{c.cost - float64(flips[last].cost) + float64(flips[last+1].cost), next})
		}
	}
	return out
}

// combo is a set of flips.
type combo struct {
	cost float64
	set  []int
}

type combos []combo

func (c combos) Len() int           { return len(c) }
func (c combos) Less(i, j int) bool { return c[i].cost < c[j].cost }
func (c combos) Swap(i, j int)      { c[i], c[j] = c[j], c[i] }
func (c *combos) Push(x any)        { *c = append(*c, x.(combo)) }
func (c *combos) Pop() any {
	o := *c
	x := o[len(o)-1]
	*c = o[:len(o)-1]
	return x
}
