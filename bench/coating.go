package bench

import (
	"fmt"
	"math"
	"slices"

	"remanence/disk"
	"remanence/machine"
)

// Signal is what a write current leaves in a coating, against the same current in a coating that it suits.
//
// Published (textbooks of magnetic recording, from memory): far from the gap a head's field falls as 1/distance
// (Karlqvist 1954); below saturation the remanence grows as the square of the field (Rayleigh 1887); a transition is an
// arctangent whose length grows as the field's gradient at the place of writing falls (Williams and Comstock 1971), and
// reads back as a Lorentzian pulse, lower as it is wider.
//
// Derived for this project, not published, x being field over need:
//
//   - x < 1: the field writes x of the depth, and that to x^2 of its remanence: Level = x^3. What it does not turn keeps
//     an older recording: Old = 1 - x^3.
//   - x > 1: writing happens x times as far out, where the gradient is 1/x: pulses are x times as wide and 1/x as high.
//     Peak shift grows as x^2: Lorentzian pulses as wide as their spacing of 4 us shift each other by 122 ns (the preset
//     "good" has 125), twice as wide ones by 519.
//
// Worked example: 600 Oe at the current for 300 Oe: x = 0.5, Level = 0.125; three sigma of 40 ns grow from 120 to 960
// of a half window of 1,000 ns, which leaves 4 %. 300 Oe at the current for 600 Oe: x = 2, Level = 0.5, peak shift
// 4 x 125 = 500 ns, 375 of them after precompensation, and 120 of jitter, of a half window of 500: 1 %.
type Signal struct {
	FieldOe, NeedOe float64 // coercivity that the write current suits; that of the disk
	Level           float64 // of the full signal, 0..1
	Old             float64 // of an older recording's full signal, what stays under the new one, 0..1
	Width           float64 // of a pulse, against one written as it should be; 1 or more
}

// Matched is the signal where write current and coating fit.
var Matched = Signal{FieldOe: 300, NeedOe: 300, Level: 1, Width: 1}

// mismatch is how far coating and write current may lie apart before a combination is called unfit, as a fraction.
const mismatch = 0.2

// signalOf is the signal of a recording that a drive writes on a disk.
func signalOf(rec *disk.Recording, d *machine.Drive, m *machine.Disk) Signal {
	s := Signal{FieldOe: fieldOf(rec, d, m), NeedOe: float64(m.Oersted), Level: 1, Width: 1}
	switch x := s.FieldOe / s.NeedOe; {
	case x < 1:
		s.Level = x * x * x
		s.Old = 1 - s.Level
	case x > 1:
		s.Level, s.Width = 1/x, x
	}
	return s
}

// fieldOf is the coercivity that the drive's write current suits, in oersted. A 5.25-inch drive with two currents takes
// the low one up to 300 kbit/s. A 3.5-inch one takes the higher current for the lower coercivity, because that coating
// is the thicker (reference: Personal Systems Technical Journal 2/1989): its currents are known by the disk they are
// for, and the nearest is taken.
func fieldOf(rec *disk.Recording, d *machine.Drive, m *machine.Disk) float64 {
	if d.SizeInches > 5 && d.SizeInches < 6 {
		if mfmRate(rec.Track, rec.Track.RateKbit) <= 300 {
			return float64(slices.Min(d.Oersted))
		}
		return float64(slices.Max(d.Oersted))
	}
	return float64(slices.MinFunc(d.Oersted, func(a, b int) int { return abs(a-m.Oersted) - abs(b-m.Oersted) }))
}

func abs(a int) int { return max(a, -a) }

// Fits reports whether write current and coating are near enough.
func (s Signal) Fits() bool { return near(s.NeedOe, s.FieldOe, mismatch) }

// String is the arithmetic in words.
func (s Signal) String() string {
	x := s.FieldOe / s.NeedOe
	switch {
	case x < 1:
		return fmt.Sprintf("the write current is for %g Oe, the disk has %g Oe: the field reaches %g/%g = %.0f %% of what is needed, the signal (%g/%g)^3 = %.0f %% of a full one",
			s.FieldOe, s.NeedOe, s.FieldOe, s.NeedOe, 100*x, s.FieldOe, s.NeedOe, 100*s.Level)
	case x > 1:
		return fmt.Sprintf("the write current is for %g Oe, the disk has %g Oe: the field is %g/%g = %.2g times what is needed, pulses are %.2g times as wide and %.0f %% as high, peak shift is (%g/%g)^2 = %.2g times as large",
			s.FieldOe, s.NeedOe, s.FieldOe, s.NeedOe, x, s.Width, 100*s.Level, s.FieldOe, s.NeedOe, s.crowd())
	}
	return fmt.Sprintf("the write current is for %g Oe, as the disk is", s.FieldOe)
}

// remedy says which disk to take.
func (s Signal) remedy() string { return fmt.Sprintf("use a disk of %g Oe", s.FieldOe) }

// crowd is how much the peak shift grows.
func (s Signal) crowd() float64 { return s.Width * s.Width }

// heard is the part of a full track's signal that a head over p hears, and what it hears of an older recording: beside
// the track, and under it where the field did not reach. Both are fractions of a full track.
func (s Signal) heard(p Profile) (wanted, old float64) {
	wanted, old = min(max(p.Wanted*s.Level, 0.01), 1), p.Residue
	if p.OldMM > 0 {
		old += p.Wanted * s.Old
	}
	return wanted, old
}

// push is how far an old signal moves the peaks of the wanted one, in half-cells: up to asin(r)/2pi of a wave of four
// half-cells (derived for this project, not published).
func push(wanted, old float64) float64 {
	if old <= 0 {
		return 0
	}
	return math.Asin(min(1, old/wanted)) / (2 * math.Pi) * 4
}

// coating judges the write current against the disk's coercivity.
func (j judge) coating(rec *disk.Recording, d *machine.Drive, m *machine.Disk) {
	s := signalOf(rec, d, m)
	j.c.signal = s
	switch {
	case !s.Fits():
		j.weak("%s; %s", s, s.remedy())
	case s.FieldOe != s.NeedOe:
		j.say("%s", s)
	}
}
