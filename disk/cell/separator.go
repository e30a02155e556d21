package cell

// Separator turns intervals into cells by a phase-locked loop in integer arithmetic: each interval is counted in
// cells of the present length, rounded, and a part of the rounding error corrects phase and length. It is the fast
// way, for tracks that a controller of the period could read too; memory is kept from run to run.
type Separator struct {
	Cells Cells
	Marks []Mark
	// Errors is for each transition how far it was from the middle of its cell: -128..127, 128 being half a cell,
	// where the decision tips over.
	Errors []int8
	// Pace is the cell length in ticks after every PaceStep transitions.
	Pace []float32
	// Twice are the transitions that fell into the cell of the one before them; all others have a cell of their own, in
	// order.
	Twice []int32
}

// PaceStep is how many transitions lie between two entries of Separator.Pace.
const PaceStep = 64

// Mark is an address mark found in the cells.
type Mark struct {
	Cell       int    // first cell of the mark byte in FM, of the first A1 in MFM
	Transition int    // index of the transition at the end of the pattern
	Offset     int    // cell of that transition, counted from Cell
	Ticks      uint64 // time of that transition from the start of the capture
}

// Encodings as the separator needs them.
const (
	mfmMarks = 0x448944894489
	fmMark   = 0x7AB // 1111 0101 011: what FE, FB, FA, F9 and F8 under clock C7 have in common
)

const (
	fracBits  = 24
	scaleBits = 40
	one       = 1 << fracBits
)

// Gains of the loop as shifts: phase 1/8, length 1/256. The phase settles in some 20 transitions, well inside the
// sync bytes before a mark (6 in FM, 12 in MFM; FD179x data sheet).
const (
	phaseShift = 3
	paceShift  = 8
)

// MaxStray is how far the cell length may stray from where it began, as a fraction.
const MaxStray = 0.12

// Run separates intervals into cells that are about cellTicks long and notes the marks of MFM or FM. The first cell
// is at the start of the capture.
func (s *Separator) Run(intervals []uint32, cellTicks float64, mfm bool) {
	s.Cells.Reset()
	s.Marks, s.Pace, s.Twice = s.Marks[:0], s.Pace[:0], s.Twice[:0]
	if cap(s.Errors) < len(intervals) {
		s.Errors = make([]int8, len(intervals))
	}
	s.Errors = s.Errors[:len(intervals)]
	if !(cellTicks >= 1.0/64) {
		return
	}
	inv := int64(float64(1<<scaleBits) / cellTicks)
	low, high := int64(float64(inv)*(1-MaxStray)), int64(float64(inv)*(1+MaxStray))
	longest := uint32(min(60*cellTicks, 1<<22))
	mask, pattern := uint64(1<<48-1), uint64(mfmMarks)
	first := 47 // cells from the start of the pattern to its last 1
	if !mfm {
		mask, pattern, first = 1<<11-1, fmMark, 10
	}
	var (
		e   int64
		acc uint64 // the last 64 cells, the newest lowest
		buf uint64 // cells not yet stored
		nb  int
		pos = -1 // cell of the newest transition
		w   = s.Cells.w
		now uint64
	)
	for i := range intervals {
		iv := intervals[i]
		now += uint64(iv)
		if iv > longest {
			iv = longest // a hole: nothing in it can be counted anyway
			e = 0
		}
		u := int64(iv)*inv>>(scaleBits-fracBits) + e
		n := (u + one/2) >> fracBits
		d := u - n<<fracBits // -half .. half
		s.Errors[i] = int8(d >> (fracBits - 8))
		if n <= 0 {
			// Nearer to the transition before it than to the next cell: the same cell, seen twice.
			e = d
			s.Twice = append(s.Twice, int32(i))
			if pos < 0 {
				e = d - d>>phaseShift
			}
			continue
		}
		e = d - d>>phaseShift
		inv -= (inv >> 20) * d >> (fracBits - 20 + paceShift)
		if inv < low {
			inv = low
		} else if inv > high {
			inv = high
		}
		k := int(n)
		pos += k
		acc = acc<<uint(k) | 1
		if nb+k <= 64 {
			buf = buf<<uint(k) | 1
			nb += k
		} else {
			// Fill the word, then start the next one.
			r := 64 - nb
			w = append(w, buf<<uint(r))
			nb = k - r
			buf = 1
		}
		if acc&mask == pattern {
			s.Marks = append(s.Marks, Mark{Cell: pos - first, Transition: i, Offset: first, Ticks: now})
		}
		if i%PaceStep == PaceStep-1 {
			s.Pace = append(s.Pace, float32(float64(1<<scaleBits)/float64(inv)))
		}
	}
	if nb > 0 {
		w = append(w, buf<<uint(64-nb))
	}
	s.Cells.w = w
	s.Cells.n = pos + 1
}
