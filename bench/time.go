package bench

import (
	"time"

	"remanence/disk"
	"remanence/machine"
)

// JobTime is what rotation and stepping ask of a disk that is formatted, written and verified track by track: half a
// revolution of waiting for the index and one for formatting, then as many for writing and for reading as sectors in
// numeric order take to pass, and a step with settling between cylinders.
func JobTime(rec *disk.Recording, d *machine.Drive, rpm float64) time.Duration {
	rev := 60 / rpm
	tracks := float64(rec.Cylinders * rec.Sides)
	steps := float64(max(d.TPI/max(rec.TPI, 1), 1))
	s := d.MotorMS/1000 + tracks*(1.5+2*float64(Passes(rec.Track)))*rev + float64(rec.Cylinders)*(steps*d.StepMS+d.SettleMS)/1000
	return time.Duration(s * float64(time.Second))
}

// Passes is how many revolutions it takes until the sectors of a track have passed in numeric order: 1 for 1, 2, 3, ...;
// 2 for 0, 5, 1, 6, 2, ... A controller that counts the numbers up by itself needs that long.
func Passes(f disk.TrackFormat) int {
	at := map[int]int{}
	for i, n := range f.SectorOrder() {
		at[n] = i
	}
	n := 1
	for id := f.FirstID + 1; id < f.FirstID+f.Sectors; id++ {
		if at[id] < at[id-1] {
			n++
		}
	}
	return n
}
