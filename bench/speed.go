package bench

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"remanence/disk"
	"remanence/machine"
)

// capture is how far the bit rate may be from a data separator's own before it is called lost: the lower end of the
// ±6 to 10 % of analog separators (common practice; chips of the simple digital kind claim more, up to ±30 %: reference
// sheet 7.8). What the reading drive's own speed is off goes off it.
const capture = 0.06

// spindleSpeeds are the two speeds that disk drives turn at (reference sheet 6.1).
var spindleSpeeds = []float64{300, 360}

// mfmRate is the rate to select at the controller: FM runs at half of it.
func mfmRate(f disk.TrackFormat, rate float64) float64 {
	if f.Encoding == disk.FM {
		return 2 * rate
	}
	return rate
}

// speed picks the drive's rpm and the data rate that goes with it, and follows what the measured speed makes of it.
func (j judge) speed(rec *disk.Recording, d *machine.Drive, k *machine.Controller, media machine.DiskMedium) {
	rpm := setSpeed(rec, d, k)
	rate := rec.Track.RateKbit * rpm / rec.RPM
	want := mfmRate(rec.Track, rate)
	s := &j.c.Settings
	j.c.RateKbit, s.RPM, s.SelectKbit = round(rate, 3), rpm, round(want, 3)
	j.c.turn = rpm
	if rpm != rec.RPM {
		j.say("at %s rpm, where the recording is meant for %s: %s kbit/s x %s/%s = %s kbit/s keeps the same length of a bit on the disk", num(rpm), num(rec.RPM), num(rec.Track.RateKbit), num(rpm), num(rec.RPM), num(rate))
	}
	half := ""
	if rec.Track.Encoding == disk.FM {
		half = fmt.Sprintf(" (FM at %s is the %s setting)", num(rate), num(want))
	}
	if !has(k.RatesKbit, want) {
		other := ""
		for _, r := range d.RPM {
			if v := mfmRate(rec.Track, rec.Track.RateKbit*r/rec.RPM); r != rpm && has(k.RatesKbit, v) {
				other = fmt.Sprintf("; set to %s rpm, which this drive has, %s would do", num(r), num(v))
			}
		}
		j.no("the controller has no rate of %s kbit/s%s; it has %s%s", num(want), half, numbers(k.RatesKbit), other)
	}
	if !slices.ContainsFunc(d.RPM, func(r float64) bool { return has(d.RatesKbit, want) || has(d.RatesKbit, want*r/rpm) }) {
		j.no("the drive's electronics are made for %s kbit/s, not for %s%s", numbers(d.RatesKbit), num(want), half)
	}
	if d.MeasuredRPM != 0 {
		j.measured(rec, d, k, media)
	}
}

// setSpeed is the nominal speed that the drive runs at. The one measured on it decides: whatever its kind says, a drive
// that turns at 301 is set to 300. A drive not measured runs at the one of its speeds whose rate both pieces have.
func setSpeed(rec *disk.Recording, d *machine.Drive, k *machine.Controller) float64 {
	if turn := d.MeasuredRPM; turn != 0 {
		nearest := func(l []float64) float64 {
			return slices.MinFunc(l, func(a, b float64) int { return cmp.Compare(math.Abs(a/turn-1), math.Abs(b/turn-1)) })
		}
		if r := nearest(d.RPM); near(turn, r, capture) {
			return r
		}
		return nearest(append(slices.Clone(spindleSpeeds), d.RPM...))
	}
	best, bestScore := d.RPM[0], -1
	for _, rpm := range d.RPM {
		want := mfmRate(rec.Track, rec.Track.RateKbit*rpm/rec.RPM)
		score := 0
		if has(k.RatesKbit, want) {
			score += 2
		}
		if has(d.RatesKbit, want) {
			score += 2
		}
		if score > bestScore {
			best, bestScore = rpm, score
		}
	}
	return best
}

// measured judges the bit rate that comes of writing at the speed that was measured, as the target sees it.
func (j judge) measured(rec *disk.Recording, d *machine.Drive, k *machine.Controller, media machine.DiskMedium) {
	turn, s := d.MeasuredRPM, &j.c.Settings
	s.RateError = round(100*(s.RPM/turn-1), 2)
	j.c.turn, j.c.rate = turn, s.RateError/100
	if !slices.ContainsFunc(d.RPM, func(r float64) bool { return near(turn, r, capture) }) && near(turn, s.RPM, capture) {
		j.say("the drive turns at %s rpm, not at %s as its kind says: it is set to %s (a jumper), or of another kind; put it right in bench.toml", num(turn), numbers(d.RPM), num(s.RPM))
	}
	if s.RateError == 0 {
		return
	}
	spread := ""
	if d.RPMSpread > 0 {
		spread = fmt.Sprintf(" (single turns ±%.2f)", d.RPMSpread)
	}
	rate := rec.Track.RateKbit * s.RPM / rec.RPM
	seen := rate * rec.RPM / turn
	what := fmt.Sprintf("measured at %s rpm%s: what is written at %s kbit/s comes to the target, which turns at %s, at %s x %s/%s = %s kbit/s, %+.1f %% of %s", num(turn), spread, num(rate), num(rec.RPM), num(rate), num(rec.RPM), num(turn), num2(seen), 100*j.c.rate, num(rec.Track.RateKbit))
	if math.Abs(j.c.rate)+media.SpeedPercent/100 <= capture {
		j.say("%s", what)
		return
	}
	remedy := fmt.Sprintf("adjust the speed to %s rpm", num(s.RPM))
	for _, r := range spindleSpeeds {
		if v := mfmRate(rec.Track, rec.Track.RateKbit*r/rec.RPM); r != s.RPM && has(k.RatesKbit, v) {
			remedy += fmt.Sprintf(", or to %s and select %s kbit/s", num(r), num(v))
		}
	}
	j.no("%s; a data separator follows about ±%g %% (common practice), less the ±%g %% of the target's own speed: %s", what, 100*capture, media.SpeedPercent, remedy)
}

func has(list []float64, v float64) bool {
	return slices.ContainsFunc(list, func(x float64) bool { return near(x, v, 0.01) })
}

func round(v float64, digits int) float64 {
	p := math.Pow(10, float64(digits))
	return math.Round(v*p) / p
}

// num is a figure as it is said: one place after the point at most.
func num(v float64) string { return fmt.Sprintf("%g", round(v, 1)) }

// num2 has two.
func num2(v float64) string { return fmt.Sprintf("%g", round(v, 2)) }

func numbers(l []float64) string {
	var w []string
	for _, v := range l {
		w = append(w, num(v))
	}
	return strings.Join(w, ", ")
}

// asWritten is the recording as it comes to the target: the bit rate that the drive's measured speed makes of it, and
// the gap that the controller needs.
func (c *Combination) asWritten(rec *disk.Recording) *disk.Recording {
	r := *rec
	r.Zones = slices.Clone(rec.Zones)
	change := func(f *disk.TrackFormat) {
		f.RateKbit *= 1 + c.rate
		f.Gap3 = max(f.Gap3, c.leastGap3)
	}
	change(&r.Track)
	for i := range r.Zones {
		change(&r.Zones[i].Track)
	}
	return &r
}
