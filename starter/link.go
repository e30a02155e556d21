package starter

import "math"

// Rate is one speed of the link.
type Rate struct {
	ShortUS float64 // time between two pulses that is a 0; a 1 is half as long again
	PulseUS float64 // each half of a pulse: up, then down
}

// BitRate is the average over zeros and ones.
func (r Rate) BitRate() float64 { return 1e6 / (1.25 * r.ShortUS) }

// Rates are the speeds that a tape can be made for, slowest first. A pulse must be over, and have rung out, when the
// blind time of 217 us after it ends.
var Rates = []Rate{
	{1600, 80}, {1100, 80}, {800, 80}, {640, 80}, {540, 80}, {460, 80}, {400, 80}, {350, 80}, {310, 80},
}

// DefaultRate is the speed that a plain tape is made for.
const DefaultRate = 7

// quietS follows each block: longer than the machine's poll waits, so that it begins anew.
const quietS = 8e-3

// pulses appends the times of a block's pulses, beginning at t, and gives the time after its quiet.
func (r Rate) pulses(dst []float64, t float64, b *Block) ([]float64, float64) {
	dst = append(dst, t)
	bit := func(one bool) {
		d := r.ShortUS
		if one {
			d *= 1.5
		}
		t += d * 1e-6
		dst = append(dst, t)
	}
	for range preambleBits {
		bit(false)
	}
	octet := func(v byte) {
		for i := 7; i >= 0; i-- {
			bit(v>>i&1 != 0)
		}
	}
	octet(syncByte)
	for _, v := range b {
		octet(v)
	}
	return dst, t + quietS
}

// Seconds is how long a block lasts on the tape, its quiet included.
func (r Rate) Seconds(b *Block) float64 {
	ones := 0
	for _, v := range append([]byte{syncByte}, b[:]...) {
		for ; v != 0; v &= v - 1 {
			ones++
		}
	}
	bits := preambleBits + 8*(1+len(b))
	return float64(bits)*r.ShortUS*1e-6 + float64(ones)*r.ShortUS*0.5e-6 + quietS
}

// drawPulse adds a pulse to samples that begin at time from: up for a half, down for a half, with the corners that a
// sampled signal can have (each sample is the mean over its own time).
func (r Rate) drawPulse(samples []float32, rateHz, from, at float64, level float64) {
	half := r.PulseUS * 1e-6
	area := func(t float64) float64 { // integral of the pulse up to t after its start
		switch {
		case t <= 0:
			return 0
		case t < half:
			return t
		case t < 2*half:
			return 2*half - t
		}
		return 0
	}
	first := int(math.Floor((at - from) * rateHz))
	last := int(math.Ceil((at + 2*half - from) * rateHz))
	for i := max(first, 0); i <= last && i < len(samples); i++ {
		t := from + float64(i)/rateHz - at
		samples[i] += float32(level * rateHz * (area(t+1/rateHz) - area(t)))
	}
}
