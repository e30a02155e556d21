package flux

import (
	"math"
	"math/rand/v2"
)

// Precompensate moves each transition by amountNS towards its nearer neighbour where the spacings on its two sides
// are two cells against three or four: when it is read, the crowded peaks push it back. These are the four rows of
// the controllers' table (bits 0110 and 0001 early, 0011 and 1000 late; WD177x data sheet). Times are in nanoseconds,
// ascending, and changed in place; cellNS is the MFM cell. FM needs none (WD177x data sheet).
func Precompensate(timesNS []float64, cellNS, amountNS float64) {
	shift(timesNS, func(before, after float64) float64 {
		a, b := math.Round(before/cellNS), math.Round(after/cellNS)
		switch {
		case a == 2 && b > 2:
			return -amountNS
		case a > 2 && b == 2:
			return amountNS
		}
		return 0
	})
}

// shift adds f(spacing before, spacing after) to each inner time, spacings being those before any is moved.
func shift(t []float64, f func(before, after float64) float64) {
	if len(t) < 3 {
		return
	}
	last := t[0]
	for i := 1; i+1 < len(t); i++ {
		here := t[i]
		t[i] += f(here-last, t[i+1]-here)
		last = here
	}
}

// Impairment is what drive and medium do to transition times, after section 7.3 of the project's fact sheet on
// floppies ("derived for this project"): time of transition = nominal x (1 + speed + wow) + peak shift + jitter.
// The zero value changes nothing.
type Impairment struct {
	Speed      float64 // constant speed error as a fraction: 0.01 turns 1 % slow, so that times grow by 1 %
	Wow        float64 // fraction, once round a revolution
	Wander     float64 // fraction, slowly: once in 3.7 revolutions
	PeakNS     float64 // peak shift: away from the nearer neighbour where spacings differ, half of it at 3 against 4
	JitterNS   float64 // Gaussian, fresh for each transition
	Drop       float64 // chance that a transition is not seen
	Extra      float64 // chance that one is seen after a transition where there is none
	Revolution float64 // ns; for Wow and Wander
}

// Apply gives the times as a drive would see them, in order; rng decides, so that the same seed gives the same times.
func (m Impairment) Apply(timesNS []float64, rng *rand.Rand) []float64 {
	out := make([]float64, len(timesNS))
	copy(out, timesNS)
	if m.PeakNS != 0 {
		shift(out, func(a, b float64) float64 {
			p := m.PeakNS
			if a > b {
				a, b, p = b, a, -p
			}
			switch r := a / b; {
			case r > 0.9:
				return 0
			case r > 0.7:
				return p / 2
			}
			return p
		})
	}
	phase, phase2 := rng.Float64()*2*math.Pi, rng.Float64()*2*math.Pi
	sin, sin2 := math.Sin(phase), math.Sin(phase2)
	slow := 3.7 * m.Revolution
	for i, t := range out {
		u := t * (1 + m.Speed)
		if m.Revolution > 0 {
			// The integral of the speed deviation, so that the figure is the deviation of speed and not of time.
			if m.Wow != 0 {
				u += m.Wow * m.Revolution / (2 * math.Pi) * (math.Sin(2*math.Pi*t/m.Revolution+phase) - sin)
			}
			if m.Wander != 0 {
				u += m.Wander * slow / (2 * math.Pi) * (math.Sin(2*math.Pi*t/slow+phase2) - sin2)
			}
		}
		out[i] = u
	}
	if m.JitterNS != 0 {
		for i := range out {
			out[i] += m.JitterNS * rng.NormFloat64()
		}
	}
	if m.Drop > 0 || m.Extra > 0 {
		kept := make([]float64, 0, len(out)+8)
		for i, t := range out {
			if rng.Float64() >= m.Drop {
				kept = append(kept, t)
			}
			if i+1 < len(out) && rng.Float64() < m.Extra {
				kept = append(kept, t+rng.Float64()*(out[i+1]-t))
			}
		}
		out = kept
	}
	for i := 1; i < len(out); i++ { // jitter may swap neighbours; a drive's pulses have no names
		for j := i; j > 0 && out[j] < out[j-1]; j-- {
			out[j], out[j-1] = out[j-1], out[j]
		}
	}
	for i := range out {
		out[i] = max(out[i], 0)
	}
	return out
}
