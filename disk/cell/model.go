package cell

import "math"

// Model is what is assumed of the transitions of a track: a transition of cell n is seen at n plus the shift for its
// neighbours plus a Gaussian error. Lengths are in cells; half a cell is half the decision window.
type Model struct {
	MFM   bool
	Sigma float64 // standard deviation of the error
	// Shift is the mean displacement by the spacing before and after a transition. Classes: in MFM two, three, four
	// cells; in FM one, two cells; the last class is any other spacing and has no shift.
	Shift [classes][classes]float64
}

const (
	classes = 4
	cands   = 3 // cells a transition may belong to: the nearest and its two neighbours
	states  = cands * classes
	other   = classes - 1
)

// Costs of what a perfect recording never has, in nats: about the odds of one flaw in 10^5 transitions.
const (
	costIllegal = 11 // a spacing that the code forbids: a transition was not seen
	costHole    = 14 // more than maxSpacing cells without a transition
	costExtra   = 12 // a transition that is none
	maxSpacing  = 9
)

var never = math.Inf(-1)

// branch is what a spacing means, by the parity of the cell it starts from.
type branch struct {
	class uint8
	erase bool // the data cells in between are unknown
	cost  float64
}

type branchTable [2][maxSpacing + 2]branch

func makeBranches(mfm bool) *branchTable {
	t := &branchTable{}
	for odd := range t {
		for s := range t[odd] {
			b := branch{other, s > 0, costIllegal}
			switch {
			case s > maxSpacing:
				b.cost = costHole
			case s == 0:
				b.cost = costExtra
			case mfm && (s == 2 || s == 3 || s == 4 && odd == 1): // four cells only from data to data: bits 1 0 1
				b = branch{uint8(s - 2), false, 0}
			case mfm && s < 5: // a single cell, or four between clocks: legal nowhere but in marks
				b.erase = false
			case !mfm && (s == 1 || s == 2 && odd == 0): // every clock cell is 1
				b = branch{uint8(s - 1), false, 0}
			}
			t[odd][s] = b
		}
	}
	return t
}

var (
	mfmBranches = makeBranches(true)
	fmBranches  = makeBranches(false)
)

// Spread is the standard deviation of the errors of the best explanation, in half windows, and the margin: how far
// the worst of them is from half a window, 0..1.
func (d *Decoder) Spread() (rms, margin float64) {
	sum, n, worst := 0.0, 0, 0.0
	for i := d.known; i < len(d.U); i++ {
		if d.Path[i] == skipped {
			continue
		}
		e := d.U[i] - float64(d.Path[i])
		sum += e * e
		n++
		worst = max(worst, math.Abs(e))
	}
	if n == 0 {
		return 1, 0
	}
	return math.Sqrt(sum/float64(n)) / 0.5, max(0, 1-worst/0.5)
}

// Stats gathers errors of explained transitions by the class of their neighbours.
type Stats struct {
	n, sum, sq [classes][classes]float64
}

// Measure adds the errors of the best explanation that Explain or Decode found.
func (d *Decoder) Measure(s *Stats) {
	for i := d.known + 1; i+1 < len(d.U); i++ {
		if d.Path[i] == skipped {
			continue
		}
		a, b := d.class(i-1, i), d.class(i, i+1)
		if a == other || b == other {
			continue
		}
		e := d.U[i] - float64(d.Path[i])
		if math.Abs(e) > 0.75 {
			continue
		}
		s.n[a][b]++
		s.sum[a][b] += e
		s.sq[a][b] += e * e
	}
}

// Into sets the jitter and the shifts of m to what was measured; false where that is too little to go by.
func (s *Stats) Into(m *Model) bool {
	total, sq := 0.0, 0.0
	for a := range s.n {
		for b := range s.n[a] {
			if n := s.n[a][b]; n > 0 {
				mean := s.sum[a][b] / n
				total += n
				sq += s.sq[a][b] - n*mean*mean
				m.Shift[a][b] = s.sum[a][b] / (n + 20) // few examples prove little
			}
		}
	}
	if total < 300 {
		m.Shift = [classes][classes]float64{}
		return false
	}
	m.Sigma = max(0.03, min(0.25, math.Sqrt(sq/total)))
	return true
}
