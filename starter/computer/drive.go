package computer

import "math"

// Clock rates and times of the class (z80-fm10 fact sheet: from memory; the drive: 1977 service manual of a 5.25-inch
// drive).
const (
	ClockHz       = 10_644_500.0 / 6 // processor clock
	revolutionS   = 0.2              // 300 rpm
	byteS         = 64e-6            // one FM byte at 125 kbit/s
	indexS        = 4e-3             // length of the index pulse: common practice
	spinUpS       = 1.0              // until a drive is up to speed
	motorHoldS    = 3.0              // motors stay on after a select; about 2-3 s on the class
	dataWindow    = 28               // bytes from the identifier within which a data mark must come (FD1771 data sheet)
	markClock     = 0xC7             // clock bits of all marks but the index mark
	indexClock    = 0xD7             // clock bits of the index mark
	searchRevs    = 2                // identifier search gives up after this many index pulses: from memory
	settleS       = 20e-3            // head load and settling at a 1 MHz clock (FD1771 data sheet)
	gap2Bytes     = 11               // bytes after the identifier before the write gate opens (FD1771 data sheet)
	bytesPerTrack = 3125             // at nominal speed
)

// stepS are the step times of rate codes 00-11 at a 1 MHz clock (FD1771 data sheet).
var stepS = [4]float64{12e-3, 12e-3, 20e-3, 40e-3}

// Drive is one drive of the machine. The zero value with a Medium turns at exactly 300 rpm.
type Drive struct {
	Medium    *Medium // nil: empty
	Cylinders int     // how far the head can go; 0: 40
	Speed     float64 // relative speed error: 0.02 turns 2 % fast
	StartS    float64 // angle at time 0 in seconds of rotation

	cylinder int
	motorAt  float64 // when the motor was last started
}

// period is the time of one revolution.
func (d *Drive) period() float64 { return revolutionS / (1 + d.Speed) }

// phase is the time since the last index pulse.
func (d *Drive) phase(now float64) float64 { return math.Mod(now+d.StartS, d.period()) }

// length is how many bytes a controller writes in one revolution of this drive.
func (d *Drive) length() int { return int(d.period()/byteS + 0.5) }

// byteTime is how long a recorded byte of a track of n bytes takes to pass.
func (d *Drive) byteTime(n int) float64 { return d.period() / float64(n) }

func (d *Drive) limit() int {
	if d.Cylinders > 0 {
		return d.Cylinders - 1
	}
	return 39
}

// track and length of what is under the head.
func (d *Drive) recorded(head int) Track {
	if d.Medium == nil {
		return nil
	}
	return d.Medium.Track(d.cylinder, head)
}
