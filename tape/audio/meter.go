package audio

import "math"

// Meter measures one channel as it goes by: peak, rms, offset and clipping. Clipping is two or more samples in a row
// that stand at the channel's own highest or lowest value near full scale, or at a flat top below it.
type Meter struct {
	N          int64
	Sum, Sum2  float64
	Max, Min   float32
	ClippedRun int64 // samples in runs of three or more equal ones at |x| of at least 0.2

	last float32
	run  int64
}

// Add takes the samples of one channel out of interleaved ones: channel c of ch.
func (m *Meter) Add(samples []float32, c, ch int) {
	var sum, sum2 float64
	mx, mn, last, run := m.Max, m.Min, m.last, m.run
	if m.N == 0 {
		mx, mn = -math.MaxFloat32, math.MaxFloat32
	}
	n := int64(0)
	for i := c; i < len(samples); i += ch {
		v := samples[i]
		n++
		x := float64(v)
		sum += x
		sum2 += x * x
		if v > mx {
			mx = v
		}
		if v < mn {
			mn = v
		}
		if v == last && (v > 0.2 || v < -0.2) {
			run++
			switch {
			case run == 2:
				m.ClippedRun += 3
			case run > 2:
				m.ClippedRun++
			}
		} else {
			run = 0
		}
		last = v
	}
	if n == 0 {
		return
	}
	m.N += n
	m.Sum += sum
	m.Sum2 += sum2
	m.Max, m.Min, m.last, m.run = mx, mn, last, run
}

// Mean is the offset (DC) of the channel.
func (m *Meter) Mean() float64 {
	if m.N == 0 {
		return 0
	}
	return m.Sum / float64(m.N)
}

// RMS is the effective value without the offset.
func (m *Meter) RMS() float64 {
	if m.N == 0 {
		return 0
	}
	mean := m.Mean()
	return math.Sqrt(math.Max(0, m.Sum2/float64(m.N)-mean*mean))
}

// Peak is the larger of the two excursions from the offset.
func (m *Meter) Peak() float64 {
	if m.N == 0 {
		return 0
	}
	mean := m.Mean()
	return math.Max(float64(m.Max)-mean, mean-float64(m.Min))
}
