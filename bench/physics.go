package bench

import (
	"fmt"
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
	if from, to := p.between(); to > from {
		p.Residue += (overlap(-to, -from, offMM-headMM/2, offMM+headMM/2) + overlap(from, to, offMM-headMM/2, offMM+headMM/2)) / headMM
	}
	return p
}

// between is where, from the middle of a track of 48 tpi, an old one of 96 tpi lies that passes between two of them: what
// the erasing does not reach of it. The old tracks under the new ones are covered, every other one is not.
func (p Profile) between() (from, to float64) {
	const wide, pitch = 0.2, 25.4 / 96
	if p.OldMM == 0 || p.OldMM > wide || p.TrackMM < wide {
		return 0, 0
	}
	return max(pitch-p.OldMM/2, p.EraseMM/2), pitch + p.OldMM/2
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
	RateNS       float64 // error of a bit rate that is not the target's, from one transition to the next

	half, sigma, wanted, old float64 // half-cell and one sigma of jitter, ns; what is heard of the new and of the old track
	peak, crowd, precomp     float64 // peak shift, how much it grows, what the controller takes off; ns
	spacing, rate            float64 // longest spacing of transitions, in half-cells; error of the bit rate, as a fraction
}

// Margin is what is left, as a fraction of the half window; below 0 nothing is.
func (b Budget) Margin() float64 {
	return 1 - (b.JitterNS+b.PeakNS+b.ResidueNS+b.RateNS)/b.HalfWindowNS
}

// BudgetOf is the budget of the innermost track. Jitter and peak shift are those of a good drive (preset "good",
// reference sheet 7.3). A head that hears less of the track, or a track of less signal, jitters in proportion; an old
// signal pushes peaks as push says, a write current too strong for the coating as Signal says. rate is the error of the
// bit rate at the reading drive, as a fraction: a separator that knows the place of one transition and keeps its own
// time until the next is off by rate x their spacing, of which the longest counts (derived for this project).
func BudgetOf(rec *disk.Recording, p Profile, m machine.DiskMedium, precompNS float64, s Signal, rate float64) Budget {
	f := rec.Track
	b := Budget{half: 1e6 / f.RateKbit / 2, peak: m.PeakShiftNS, crowd: s.crowd(), spacing: longest(f.Encoding), rate: rate}
	b.sigma = m.JitterNS * b.half / 2000
	b.wanted, b.old = s.heard(p)
	b.HalfWindowNS, b.JitterNS, b.ResidueNS = b.half/2, 3*b.sigma/b.wanted, push(b.wanted, b.old)*b.half
	if b.half <= 1250 {
		b.peak = m.PeakShift500NS
	}
	if f.Encoding == disk.MFM {
		b.precomp = precompNS
	}
	b.PeakNS = math.Abs(b.peak*b.crowd - b.precomp)
	b.RateNS = math.Abs(rate) * b.spacing * b.half
	return b
}

// longest is the longest spacing of two transitions in half-cells: a cell in FM, two in MFM.
func longest(e disk.Encoding) float64 {
	if e == disk.MFM {
		return 4
	}
	return 2
}

// String is the arithmetic in words.
func (b Budget) String() string {
	parts := []float64{b.JitterNS, b.PeakNS}
	out := fmt.Sprintf("of a half window of %s ns, jitter takes 3 x %s / %.3f = %s ns, peak shift ", num(b.HalfWindowNS), num(b.sigma), b.wanted, num(b.JitterNS))
	peak := num(b.peak)
	if b.crowd != 1 {
		peak += fmt.Sprintf(" x %s", num(b.crowd))
	}
	switch {
	case b.precomp > b.peak*b.crowd:
		peak = fmt.Sprintf("%s - %s = %s", num(b.precomp), peak, num(b.PeakNS))
	case b.precomp > 0:
		peak += fmt.Sprintf(" - %s = %s", num(b.precomp), num(b.PeakNS))
	case b.crowd != 1:
		peak += " = " + num(b.PeakNS)
	}
	out += peak + " ns"
	if b.ResidueNS > 0 {
		ratio := fmt.Sprintf("%.4f / %.4f", b.old, b.wanted)
		if b.old >= b.wanted {
			ratio = "1" // as loud or louder
		}
		out += fmt.Sprintf(", the old track asin(%s) / 2pi x 4 x %s = %s ns", ratio, num(b.half), num(b.ResidueNS))
		parts = append(parts, b.ResidueNS)
	}
	if b.RateNS > 0 {
		out += fmt.Sprintf(", the bit rate %.2f %% x %g x %s = %s ns", 100*math.Abs(b.rate), b.spacing, num(b.half), num(b.RateNS))
		parts = append(parts, b.RateNS)
	}
	out += ", leaving (" + num(b.HalfWindowNS)
	for _, v := range parts {
		out += " - " + num(v)
	}
	return out + fmt.Sprintf(") / %s = %.0f %%", num(b.HalfWindowNS), 100*b.Margin())
}
