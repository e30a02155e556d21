package track

import (
	"remanence/disk"
)

// Options say how hard Scan tries. The zero value tries everything.
type Options struct {
	Format       *disk.TrackFormat // what is expected there; nil: nothing is known. It guides the search, nothing else
	RevolutionNS float64           // nominal time of a revolution; 0: from the index pulses, or 200 ms
	FastOnly     bool              // no likelihood decoder, no merging by certainty, no repair
	NoRepair     bool              // a sector whose CRC fails stays as read
	RepairTrials int               // most combinations of uncertain bits tried for one sector; 0: 4096
}

// DefaultRepairTrials bounds the combinations of uncertain bits tried for one sector.
const DefaultRepairTrials = 4096

func (o Options) trials() int {
	switch {
	case o.NoRepair || o.FastOnly:
		return 0
	case o.RepairTrials > 0:
		return o.RepairTrials
	}
	return DefaultRepairTrials
}

// Result is what the captures of one track hold.
type Result struct {
	Cylinder, Head int
	Sectors        []disk.Sector // one for each sector found, merged over all reads, in order of angle
	Captures       int
	Revolutions    float64      // how many revolutions the captures cover together
	Transitions    int          // in all captures
	RevolutionNS   float64      // measured time of a revolution; 0 where it could not be measured
	CellNS         float64      // measured mean cell; 0 where nothing was recognised
	Encodings      []Recognised // what was found on the track, most sectors first
	Jitter         float64      // standard deviation of a transition, as a fraction of half the decision window; 0 not measured
	PeakShift      float64      // push of unequal neighbours, same unit; 0 not measured
	Speed          []SpeedPoint // speed round the revolution, from the first capture
	Repair         RepairReport
	Problems       []string // what was wrong with the captures or had to be assumed
	Turns          []Turn   // what each revolution gives by itself

	clusters []*cluster // of Sectors
}

// Recognised is one encoding found on a track.
type Recognised struct {
	Encoding disk.Encoding
	CellNS   float64 // nominal length of its cell
	Sectors  int
}

// SpeedPoint is the speed at an angle.
type SpeedPoint struct {
	Angle   float64 // 0..1 of a revolution after the index, or after the start of a capture without index
	Percent float64 // longer cells than the track's mean (slower) are negative
}

// Histogram counts intervals by length.
type Histogram struct {
	BinNS  float64
	Counts []int // bin i: i*BinNS up to (i+1)*BinNS
}

// RepairReport says what repairs were tried on a track and how far they can be trusted.
type RepairReport struct {
	Sectors     int     `json:"sectors-repaired"`  // sectors repaired
	Tried       int     `json:"sectors-tried"`     // sectors on which it was tried
	Trials      int     `json:"trials"`            // combinations tried in all
	Acceptable  int     `json:"acceptable-trials"` // of these, how many would have been believed had their CRC fitted
	FalseChance float64 `json:"false-chance"`      // chance that any repaired sector is a random match: acceptable trials on failed sectors / 65,536
}

// Bad is how many sectors are not whole.
func (r *Result) Bad() int {
	n := 0
	for i := range r.Sectors {
		if s := r.Sectors[i].Status; s == disk.Bad || s == disk.Doubtful {
			n++
		}
	}
	return n
}

// Sound is how many sectors are good or repaired.
func (r *Result) Sound() int { return len(r.Sectors) - r.Bad() }

// SumRepairs adds up the repair reports of tracks; nil where none was tried.
func SumRepairs(results []*Result) *RepairReport {
	var sum RepairReport
	for _, r := range results {
		sum.Sectors += r.Repair.Sectors
		sum.Tried += r.Repair.Tried
		sum.Trials += r.Repair.Trials
		sum.Acceptable += r.Repair.Acceptable
		sum.FalseChance += r.Repair.FalseChance
	}
	if sum.Tried == 0 {
		return nil
	}
	return &sum
}
