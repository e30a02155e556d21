package tape

import (
	"sort"

	"remanence/picture"
)

// NextMark is the first mark after a time, PreviousMark the last before it; marks that are nearly there count as there.
func (l *Look) NextMark(s float64) (at float64, ok bool) {
	m := l.h.Marks
	i := sort.Search(len(m), func(i int) bool { return m[i].AtS > s+nearlyS })
	if i == len(m) {
		return 0, false
	}
	return m[i].AtS, true
}

// PreviousMark is the last mark before a time.
func (l *Look) PreviousMark(s float64) (at float64, ok bool) {
	m := l.h.Marks
	i := sort.Search(len(m), func(i int) bool { return m[i].AtS >= s-nearlyS })
	if i == 0 {
		return 0, false
	}
	return m[i-1].AtS, true
}

// nearlyS is how near two places are the same.
const nearlyS = 1e-4

// NextBlock is the first block that begins after a time, nil: none does.
func (l *Look) NextBlock(s float64) *LookBlock {
	b := l.h.Blocks
	for i := sort.Search(len(b), func(i int) bool { return b[i].FromS > s+nearlyS }); i < len(b); i++ {
		if !b[i].Over {
			return &b[i]
		}
	}
	return nil
}

// PreviousBlock is the last block that ends before, or at, a time.
func (l *Look) PreviousBlock(s float64) *LookBlock {
	b := l.h.Blocks
	for i := sort.Search(len(b), func(i int) bool { return b[i].FromS >= s-nearlyS }) - 1; i >= 0; i-- {
		if !b[i].Over && b[i].ToS <= s+(b[i].ToS-b[i].FromS)/2 {
			return &b[i]
		}
	}
	return nil
}

// Least is the least odds (ln) of a bit of b.
func (l *Look) Least(b *LookByte) float64 { return b.Least(l.codeOf(b).Framing.Bits) }

// State is what became of b.
func (l *Look) State(b *LookByte) picture.State { return l.stateOf(b) }
