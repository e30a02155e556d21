package tape

import (
	"fmt"
	"strings"
)

// Preset is what a deck, a tape and time do to a recording. The zero value does nothing. Percentages are peak
// deviations of speed; levels in dB are relative to the signal's own rms unless a line says otherwise. The ranges and
// the three named presets are those of the reference sheet, A6 (modelling choices where it says so).
type Preset struct {
	Name  string
	Title string

	SpeedPercent  float64   // constant offset; + plays faster
	DriftPercent  float64   // slow drift over a side, peak
	DriftS        float64   // length of that side in seconds; 0: 900
	WowHz         []float64 // slow variations
	WowPercent    float64   // depth of each
	FlutterHz     []float64
	FlutterPct    float64
	ScrapePercent float64 // rms of speed noise between 100 Hz and 3 kHz
	AnySign       bool    // the seed chooses the sign of SpeedPercent and the polarity

	RecordGainDB   float64 // before the record clip
	RecordClipDB   float64 // hard clip this far under the signal's peak; 0: none
	Saturation     bool    // tanh, 3 % third harmonic at full scale
	HighPassHz     float64
	LowPassHz      float64
	LowPassOrder   int     // 2 or 4
	AzimuthMinutes float64 // angle between recording and playing gap, minutes of arc
	TrackMM        float64 // 0: 1.5 mm mono, 0.6 mm for stereo

	SNRDB      float64 // white noise in the full band; 0 with Noise false: none
	Noise      bool
	Coloured   bool    // noise rises 3 dB an octave below 1326 Hz
	HumDB      float64 // relative to the signal; used where HumHz is set
	HumHz      float64
	DC         float64 // part of full scale
	Invert     bool
	ALC        bool    // automatic level control
	ReplayDB   float64 // replay gain
	ClipDB     float64 // hard clip of the replay amplifier under full scale; 0: at full scale
	Bits       int     // quantiser: 8 or 16; 0: none
	PrintDB    float64 // print-through, an echo 2.0 s later; 0: none
	CrossDB    float64 // crosstalk of the other side, played backwards; 0: none
	SkewStereo bool    // right channel late by the azimuth angle

	DropoutsMinute   float64
	DropoutMedianMS  float64
	DropoutMaxMS     float64 // 0: 250
	DropoutMinDB     float64
	DropoutMaxDB     float64
	DropoutFixed     bool // every dropout lasts the median, with no tail
	Splices          int  // gaps of 20-100 ms in the first 30 s
	SignalRMS        float64
	SignalPeak       float64
	LeaveFullScaleUp bool // don't cut what exceeds full scale
}

// Presets are the named cassette paths, in order of quality.
func Presets() []Preset {
	clean := Preset{Name: "clean", Title: "nothing happens to the signal"}
	good := Preset{Name: "good", Title: "a good deck and a sound tape",
		SpeedPercent: 0.5, DriftPercent: 0.1, WowHz: []float64{0.7, 1.3, 6.1}, WowPercent: 0.05, FlutterHz: []float64{8, 25}, FlutterPct: 0.03,
		ScrapePercent: 0.02, AnySign: true, Saturation: true, HighPassHz: 40, LowPassHz: 12500, LowPassOrder: 2, AzimuthMinutes: 3,
		Noise: true, SNRDB: 46, HumHz: 50, HumDB: -55, DropoutsMinute: 0.1, DropoutMedianMS: 2, DropoutMinDB: 6, DropoutMaxDB: 20,
		CrossDB: -60, Bits: 16, SkewStereo: true}
	portable := Preset{Name: "portable", Title: "a portable recorder",
		SpeedPercent: 2, DriftPercent: 0.5, WowHz: []float64{0.5, 1.3, 5.1}, WowPercent: 0.2, FlutterHz: []float64{10, 33}, FlutterPct: 0.1,
		ScrapePercent: 0.05, AnySign: true, RecordClipDB: 3, Saturation: true, HighPassHz: 100, LowPassHz: 7000, LowPassOrder: 2, AzimuthMinutes: 10,
		Noise: true, SNRDB: 38, HumHz: 50, HumDB: -40, DC: 0.01, ALC: true, DropoutsMinute: 1, DropoutMedianMS: 3, DropoutMinDB: 6, DropoutMaxDB: 30,
		CrossDB: -50, PrintDB: -55, Bits: 16, SkewStereo: true}
	bad := Preset{Name: "bad", Title: "a bad tape on a poor recorder",
		SpeedPercent: 4, DriftPercent: 1.5, WowHz: []float64{0.5, 1.3, 5.1}, WowPercent: 0.6, FlutterHz: []float64{12, 50}, FlutterPct: 0.25,
		ScrapePercent: 0.1, AnySign: true, RecordClipDB: 9, Saturation: true, HighPassHz: 150, LowPassHz: 4000, LowPassOrder: 2, AzimuthMinutes: 25,
		Noise: true, SNRDB: 25, Coloured: true, HumHz: 50, HumDB: -25, DC: 0.08, ALC: true, DropoutsMinute: 10, DropoutMedianMS: 8, DropoutMinDB: 10, DropoutMaxDB: 40,
		Splices: 1, CrossDB: -45, PrintDB: -45, Bits: 8, SkewStereo: true}
	tired, worn := portable, bad
	tired.Name, tired.Title = "tired", "a recorder that needs service: as 'portable', with a few dropouts more"
	tired.DropoutsMinute = 1.5
	worn.Name, worn.Title = "worn", "a tape past its life: as 'bad', with twice the dropouts; programs on it are lost"
	worn.DropoutsMinute = 20
	return []Preset{clean, good, portable, tired, bad, worn}
}

// PresetNamed finds a preset.
func PresetNamed(name string) (Preset, error) {
	var names []string
	for _, p := range Presets() {
		if p.Name == name {
			return p, nil
		}
		names = append(names, p.Name)
	}
	return Preset{}, fmt.Errorf("cassette path %q: want one of %s", name, strings.Join(names, ", "))
}
