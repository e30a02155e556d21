package carve

import "remanence/disk"

// hints find the places of a bit pattern that may begin at any bit, without looking at every bit: whatever the
// alignment, some whole pair of bytes lies inside the pattern, and only few pairs can. A pair of bytes i, i+1 that is
// one of them points to the marks at bits 8i+lo to 8i+hi.
type hints struct {
	pairs  [1 << 10]uint64 // a set of 16-bit values
	lo, hi int
}

// newHints makes the set for patterns of n bits whose mark begins at bit mark. The pair of bytes may begin at bits
// first to last of the pattern.
func newHints(patterns []uint64, n, mark, first, last int) *hints {
	h := &hints{lo: mark - last, hi: mark - first}
	for _, p := range patterns {
		for o := first; o <= last; o++ {
			w := uint16(p >> (n - 16 - o))
			h.pairs[w>>6] |= 1 << (w & 63)
		}
	}
	return h
}

var (
	// 4489 4489 and the mark behind them.
	mfmHints = newHints([]uint64{cellsA1<<16 | cellsA1}, 32, 32, 0, 16)
	// AAAA and a mark with clock C7.
	fmHints = newHints([]uint64{0xAAAA<<16 | cellsFE, 0xAAAA<<16 | 0xF56A, 0xAAAA<<16 | 0xF56B, 0xAAAA<<16 | 0xF56E, 0xAAAA<<16 | 0xF56F}, 32, 16, 8, 15)
	// Two A1, or two zeros, and a mark, as data bits. A pair of zeros alone would be everywhere: it reaches into the mark.
	dataHints = func() *hints {
		var a1, zero []uint64
		for _, m := range []uint64{0xFE, disk.MarkDeleted, disk.MarkUser9, disk.MarkUserA, disk.MarkData} {
			a1, zero = append(a1, 0xA1A100|m), append(zero, m)
		}
		h := newHints(a1, 24, 16, 1, 8)
		for i, w := range newHints(zero, 24, 16, 1, 8).pairs {
			h.pairs[i] |= w
		}
		return h
	}()
)

// places calls check, in ascending order, for each bit in [from, to) where a mark may begin, until it says false.
func (h *hints) places(d []byte, from, to int, check func(pos int) bool) {
	done := max(from, 0) - 1
	to = min(to, len(d)*8-7)
	for i := max((done+1-h.hi)/8, 0); i+1 < len(d); i++ {
		w := uint(d[i])<<8 | uint(d[i+1])
		if h.pairs[w>>6]>>(w&63)&1 == 0 {
			continue
		}
		for pos := max(8*i+h.lo, done+1); pos <= 8*i+h.hi; pos++ {
			if pos >= to {
				return
			}
			done = pos
			if !check(pos) {
				return
			}
		}
	}
}

// bitsAt is the 32 bits from bit pos on; what lies outside d is zero.
func bitsAt(d []byte, pos int) uint32 {
	i := pos >> 3
	var w uint64
	if pos >= 0 && i+5 <= len(d) {
		w = uint64(d[i])<<32 | uint64(d[i+1])<<24 | uint64(d[i+2])<<16 | uint64(d[i+3])<<8 | uint64(d[i+4])
	} else {
		for k := range 5 {
			w <<= 8
			if j := i + k; j >= 0 && j < len(d) {
				w |= uint64(d[j])
			}
		}
	}
	return uint32(w >> (8 - uint(pos)&7))
}
