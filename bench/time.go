package bench

import (
	"time"

	"remanence/disk"
	"remanence/machine"
)

// JobTime is what rotation and stepping ask of a disk that is formatted, written and verified track by track: one
// revolution each for formatting, writing and reading, half a revolution of waiting for the index before the first,
// and a step with settling between cylinders.
func JobTime(rec *disk.Recording, d *machine.Drive, rpm float64) time.Duration {
	rev := 60 / rpm
	tracks := float64(rec.Cylinders * rec.Sides)
	steps := float64(max(d.TPI/max(rec.TPI, 1), 1))
	s := d.MotorMS/1000 + tracks*3.5*rev + float64(rec.Cylinders)*(steps*d.StepMS+d.SettleMS)/1000
	return time.Duration(s * float64(time.Second))
}
