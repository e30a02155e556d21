package computer

import (
	"math"

	"remanence/tape/audio"
)

// Circuit is the analogue input behind the cassette socket, playing a recording: a high pass against hum, a low pass
// for the amplifier, a full-wave rectifier and a comparator that sets the latch while the rectified signal stands above
// a threshold. The class's own pulse of +-0.85 V for 128 us each sets it within some 30 us; ringing of the filters
// keeps it set for a while after, which is why a program waits before it clears the latch. Corner frequencies and
// threshold are a modelling choice: the fact sheet gives only the latch.
type Circuit struct {
	HighPassHz float64 // 0: 700
	LowPassHz  float64 // 0: 7,000
	Threshold  float64 // of the nominal peak; 0: 0.35. The comparator lets go at 0.7 of it
	Volume     float64 // gain of the player; 0: 1
	Channel    int     // which channel is connected

	src       audio.Source
	rate      float64
	dt        float64 // of a frame
	kl, kh    float64 // coefficients of the two filters; 0: not yet worked out
	channels  int
	buf       []float32
	n, at     int   // samples in buf, next of them
	frame     int64 // frames done
	ended     bool
	hp, lp    float64 // filter states
	last      float64 // last input
	level     float64 // last rectified output
	high      bool
	lastHigh  float64 // end of the last high span, or now while high
	lastStart float64
}

// NewCircuit plays src into the input.
func NewCircuit(src audio.Source) *Circuit {
	f := src.Format()
	c := &Circuit{HighPassHz: 700, LowPassHz: 7000, Threshold: 0.35, Volume: 1, src: src, rate: float64(f.RateHz), channels: f.Channels,
		buf: make([]float32, 4096*f.Channels), lastHigh: -1, lastStart: -1}
	return c
}

// Ended reports that the recording has been played to its end.
func (c *Circuit) Ended() bool { return c.ended && c.at >= c.n }

// Quiet is how long the comparator has been low, in seconds of playing time.
func (c *Circuit) Quiet() float64 { return float64(c.frame)/c.rate - max(c.lastHigh, 0) }

// Pulse reports whether the comparator was high at any time in (from, to].
func (c *Circuit) Pulse(from, to float64) bool {
	for float64(c.frame) < to*c.rate {
		if !c.next() {
			break
		}
	}
	return c.lastStart >= 0 && c.lastStart <= to && c.lastHigh > from
}

// next takes one frame through the circuit.
func (c *Circuit) next() bool {
	if c.at >= c.n {
		if c.ended {
			return false
		}
		n, err := c.src.Read(c.buf)
		c.n, c.at = n, 0
		if err != nil || n == 0 {
			c.ended = true
		}
		if n == 0 {
			return false
		}
	}
	x := float64(c.buf[c.at+min(c.Channel, c.channels-1)]) * c.Volume
	c.at += c.channels
	if c.kl == 0 {
		c.dt = 1 / c.rate
		c.kl, c.kh = 1-math.Exp(-2*math.Pi*c.LowPassHz*c.dt), math.Exp(-2*math.Pi*c.HighPassHz*c.dt)
	}
	dt := c.dt
	t := float64(c.frame) * dt
	c.frame++
	c.lp += c.kl * (x - c.lp)
	c.hp = c.kh * (c.hp + c.lp - c.last)
	c.last = c.lp
	v := math.Abs(c.hp)
	switch {
	case !c.high && v >= c.Threshold:
		c.high = true
		c.lastStart = t
		if v > c.level && c.level < c.Threshold { // where between the two samples it crossed
			c.lastStart = t - dt*(v-c.Threshold)/(v-c.level)
		}
		c.lastHigh = t
	case c.high && v < 0.7*c.Threshold:
		c.high = false
		c.lastHigh = t
	case c.high:
		c.lastHigh = t
	}
	c.level = v
	return true
}
