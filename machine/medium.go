package machine

import (
	"errors"
	"fmt"
)

// Medium is what a simulated drive and disk, or deck and cassette, do to a signal: the presets of --medium.
type Medium struct {
	Name   string     `toml:"name"`
	Title  string     `toml:"title"`
	Source string     `toml:"source"`
	Disk   DiskMedium `toml:"disk"`
	Tape   TapeMedium `toml:"tape"`
}

// DiskMedium is the disk generator: time of a transition = nominal x (1 + speed + wander sin(2 pi t/T + phase)) +
// peak shift + Gaussian jitter. Peak shift and jitter are those of MFM at 250 kbit/s (half-cell 2 us); the bench
// scales them to other half-cells.
type DiskMedium struct {
	SpeedPercent   float64 `toml:"speed-percent"`      // largest constant offset, either sign (the seed chooses)
	WanderPercent  float64 `toml:"wander-percent"`     // once a revolution
	PeakShiftNS    float64 `toml:"peak-shift-ns"`      // at the innermost track, 250 kbit/s
	PeakShift500NS float64 `toml:"peak-shift-500-ns"`  // the same at 500 kbit/s
	JitterNS       float64 `toml:"jitter-ns"`          // sigma
	DropoutsDisk   float64 `toml:"dropouts-disk"`      // mean number of dropouts on one side of the disk
	DropoutUS      float64 `toml:"dropout-us"`         // length of one, in microseconds
	NoiseTrack     float64 `toml:"extra-pulses-track"` // mean number of spurious transitions a revolution
}

// TapeMedium names the preset of the simulated cassette path.
type TapeMedium struct {
	Preset string `toml:"preset"` // a preset of package tape
	// DropoutsMinute replaces that of the preset. A sound cassette has none: where dropouts lie is a matter of the one
	// cassette and not of the master.
	DropoutsMinute *float64 `toml:"dropouts-minute,omitempty"`
}

// Validate says what is impossible about m, nil if nothing.
func (m *Medium) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if !isWord(m.Name) {
		bad("name %q: want a word of letters, digits and hyphens", m.Name)
	}
	if m.Source == "" {
		bad("source: say where the figures come from")
	}
	d := &m.Disk
	for _, f := range []struct {
		name   string
		v, max float64
	}{{"speed-percent", d.SpeedPercent, 20}, {"wander-percent", d.WanderPercent, 20}, {"peak-shift-ns", d.PeakShiftNS, 2000},
		{"peak-shift-500-ns", d.PeakShift500NS, 2000}, {"jitter-ns", d.JitterNS, 2000}, {"dropouts-disk", d.DropoutsDisk, 100000},
		{"dropout-us", d.DropoutUS, 200000}, {"extra-pulses-track", d.NoiseTrack, 10000}} {
		if !(f.v >= 0 && f.v <= f.max) {
			bad("disk: %s %v: want 0..%v", f.name, f.v, f.max)
		}
	}
	if n := m.Tape.DropoutsMinute; n != nil && !(*n >= 0 && *n <= 1000) {
		bad("tape: dropouts-minute %v: want 0..1000", *n)
	}
	return errors.Join(errs...)
}
