package bench

import (
	"math"

	"remanence/disk"
	"remanence/machine"
)

// Profile is what a head hears of a track, across the track's width: how much of the head lies over the new track, and
// how much over what an older, wider track left beside it. Both are fractions of the head's width.
type Profile struct {
	HeadMM, TrackMM, EraseMM, OldMM float64
	OffMM                           float64 // head against track
	Wanted, Residue                 float64
	ResidueMM                       float64 // left on each side of the erased band
}

// Across lays the head of a reading drive over a track that was written (and erased to eraseMM) over an old one.
//
// Worked example: 0.155 mm written over 0.300 mm leaves (0.300-0.155)/2 = 0.0725 mm of the old track on each side; a
// 0.33 mm head hears 0.155 mm wanted to 0.145 mm old, 0.6 dB apart (reference sheet 6.5). Over an erased disk it hears
// 0.155/0.33 = 47 % of a full track, -6.6 dB, and nothing else.
func Across(trackMM, eraseMM, oldMM, headMM, offMM float64) Profile {
	p := Profile{HeadMM: headMM, TrackMM: trackMM, EraseMM: max(eraseMM, trackMM), OldMM: oldMM, OffMM: offMM}
	p.Wanted = overlap(-trackMM/2, trackMM/2, offMM-headMM/2, offMM+headMM/2) / headMM
	if oldMM > p.EraseMM {
		p.ResidueMM = (oldMM - p.EraseMM) / 2
		p.Residue = (overlap(-oldMM/2, -p.EraseMM/2, offMM-headMM/2, offMM+headMM/2) +
			overlap(p.EraseMM/2, oldMM/2, offMM-headMM/2, offMM+headMM/2)) / headMM
	}
	return p
}

func overlap(a, b, c, d float64) float64 { return max(0, min(b, d)-max(a, c)) }

// DB is how far the wanted signal lies above the residue; +Inf without residue.
func (p Profile) DB() float64 { return 20 * math.Log10(p.Wanted/p.Residue) }

// Budget is how the half window of a decision is used up, in nanoseconds at the reading drive.
type Budget struct {
	HalfWindowNS float64 // distance of a transition from the edge of its window
	JitterNS     float64 // three sigma, grown by what the head does not hear and the coating does not hold
	PeakNS       float64 // peak shift of the innermost track, less the precompensation
	ResidueNS    float64 // push by an old recording
}

// Margin is what is left, as a fraction of the half window; below 0 nothing is.
func (b Budget) Margin() float64 {
	return 1 - (b.JitterNS+b.PeakNS+b.ResidueNS)/b.HalfWindowNS
}

// BudgetOf is the budget of the innermost track. Jitter and peak shift are those of a good drive (preset "good",
// reference sheet 7.3). A head that hears less of the track, or a track of less signal, jitters in proportion; an old
// signal pushes peaks as push says, a write current too strong for the coating as Signal says.
func BudgetOf(rec *disk.Recording, p Profile, m machine.DiskMedium, precompNS float64, s Signal) Budget {
	f := rec.Track
	half := 1e6 / f.RateKbit / 2
	wanted, old := s.heard(p)
	b := Budget{HalfWindowNS: half / 2, JitterNS: 3 * m.JitterNS * half / 2000 / wanted, ResidueNS: push(wanted, old) * half}
	peak := m.PeakShiftNS
	if half <= 1250 {
		peak = m.PeakShift500NS
	}
	b.PeakNS = peak * s.crowd()
	if f.Encoding == disk.MFM {
		b.PeakNS = math.Abs(b.PeakNS - precompNS)
	}
	return b
}
