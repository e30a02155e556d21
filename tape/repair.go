package tape

import (
	"container/heap"
	"fmt"
	"math"

	"remanence/tape/linecode"
)

// Bounds of block repair.
const (
	repairBits  = 24   // least certain bits of a block that may be turned
	repairTries = 4096 // combinations of them that are tried, most likely first
	// repairChance is the largest chance of a false repair that is accepted. An 8-bit sum lets one wrong block of 256
	// pass, so that a repair is believed only where the odds of the bits speak for it as well.
	repairChance = 0.05
)

// A flip is one uncertain bit: byte i of the block, bit k, and how sure the reader was of it.
type flip struct {
	i, k int
	cost float64
}

// repairBlocks tries to make the bad blocks of a machine-code tape whole: the least certain bits are turned, most likely
// combination first, until the sum is right. data is copied before it is changed.
func (r *Result) repairBlocks(p *Program, soft []linecode.Byte, data []byte, q *parsed, at func(int) float64) ([]byte, *parsed) {
	copied := false
	for round := 0; round < 64; round++ {
		changed := false
		for _, b := range q.blocks {
			if b.good || b.to-b.from < 6 || b.to > len(data) || blockLen(data[b.from:]) != b.to-b.from {
				continue
			}
			if p.triedBlock(b.from) {
				continue
			}
			fix, ok := repairSum(soft[b.from:b.to], data[b.from:b.to])
			if !ok {
				continue
			}
			if !copied {
				data = append([]byte(nil), data...)
				copied = true
			}
			where := ""
			for _, f := range fix.flips {
				data[b.from+f.i] ^= 1 << f.k
				if where != "" {
					where += ", "
				}
				where += fmt.Sprintf("byte %d bit %d", f.i, f.k)
			}
			p.Repairs = append(p.Repairs, Repair{AtS: at(b.from), Bits: len(fix.flips), Tried: fix.tried, FalseChance: roundTo(fix.falseChance, 2),
				What: fmt.Sprintf("block %d repaired: %s turned; an 8-bit sum is weak proof, so that this is wrong with a chance of %.1g %%", b.n, where, 100*fix.falseChance)})
			changed = true
			break
		}
		if !changed {
			break
		}
		q = parse(MachineTape, data)
	}
	return data, q
}

func roundTo(x float64, digits int) float64 {
	if x == 0 {
		return 0
	}
	k := math.Pow(10, float64(digits)-1-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*k) / k
}

// triedBlock remembers blocks that could not be repaired, so that each is tried once.
func (p *Program) triedBlock(from int) bool {
	if p.tried == nil {
		p.tried = map[int]bool{}
	}
	if p.tried[from] {
		return true
	}
	p.tried[from] = true
	return false
}

type fixed struct {
	flips       []flip
	tried       int
	falseChance float64
}

// repairSum looks for the most likely set of wrong bits that makes the sum of a block right. Mark and count are taken as
// read: with another count the block would have another length.
//
// The chance that the set found is false is exact for the odds given: every set of wrong bits has the weight
// exp(-sum of |odds|); of all sets that make the sum right, the one found has its share. Turning bit k of any byte moves
// the sum by 2^k, so that a single wrong bit is easily mistaken for the same bit of another byte: the weights of all sets
// are added up by what they do to the sum, bit by bit (256 numbers).
func repairSum(soft []linecode.Byte, b []byte) (fixed, bool) {
	var bits []flip
	var weight, next [256]float64
	weight[0] = 1
	turns := func(i, k int) byte { // what turning a bit does to the sum of the data minus the sum stored
		d := byte(1) << k
		if b[i]>>k&1 == 1 {
			d = -d
		}
		if i == len(b)-1 {
			d = -d
		}
		return d
	}
	for i := 2; i < len(b); i++ {
		for k := range 8 {
			c := math.Abs(float64(soft[i].LLR[k]))
			bits = append(bits, flip{i, k, c})
			w := math.Exp(-c)
			if w < 1e-12 {
				continue
			}
			d := turns(i, k)
			for x := range weight {
				next[x] = weight[x] + w*weight[byte(x)-d]
			}
			weight = next
		}
	}
	bits = leastCertain(bits, repairBits)
	var want byte
	for _, c := range b[2 : len(b)-1] {
		want += c
	}
	want -= b[len(b)-1]
	fitting := weight[-want]
	h := &sets{{cost: bits[0].cost, last: 0, mask: 1}}
	for tried := 1; tried <= repairTries && h.Len() > 0; tried++ {
		s := heap.Pop(h).(set)
		w := want
		for j := range bits {
			if s.mask>>j&1 == 1 {
				w += turns(bits[j].i, bits[j].k)
			}
		}
		if w == 0 {
			found := math.Exp(-s.cost)
			f := fixed{tried: tried, falseChance: math.Max(0, 1-found/math.Max(fitting, found))}
			for j := range bits {
				if s.mask>>j&1 == 1 {
					f.flips = append(f.flips, bits[j])
				}
			}
			return f, f.falseChance <= repairChance
		}
		// Children of a set in order of cost: move its last bit on, or add the bit after it. Every set is made once.
		if next := s.last + 1; next < len(bits) {
			heap.Push(h, set{s.cost - bits[s.last].cost + bits[next].cost, next, s.mask&^(1<<s.last) | 1<<next})
			heap.Push(h, set{s.cost + bits[next].cost, next, s.mask | 1<<next})
		}
	}
	return fixed{}, false
}

// leastCertain gives the n bits with the smallest cost, ascending; ties keep their order on the tape.
func leastCertain(bits []flip, n int) []flip {
	var best []flip
	for _, f := range bits {
		if len(best) == n && f.cost >= best[n-1].cost {
			continue
		}
		i := len(best)
		for i > 0 && best[i-1].cost > f.cost {
			i--
		}
		best = append(best, flip{})
		copy(best[i+1:], best[i:])
		best[i] = f
		if len(best) > n {
			best = best[:n]
		}
	}
	return best
}

// set is a set of bits to turn.
type set struct {
	cost float64
	last int
	mask uint32
}

type sets []set

func (s sets) Len() int { return len(s) }
func (s sets) Less(i, j int) bool {
	if s[i].cost != s[j].cost {
		return s[i].cost < s[j].cost
	}
	return s[i].mask < s[j].mask
}
func (s sets) Swap(i, j int) { s[i], s[j] = s[j], s[i] }
func (s *sets) Push(x any)   { *s = append(*s, x.(set)) }
func (s *sets) Pop() any {
	old := *s
	x := old[len(old)-1]
	*s = old[:len(old)-1]
	return x
}
