package linecode

import "math"

// shapeRes is the resolution of a pulse's shape: table entries a sample at nominal speed.
const shapeRes = 8

// pulseShape is a pulse as heard, with its slope, and the means it is made from.
type pulseShape struct {
	pre   float64 // samples before the start of the pulse where the table begins
	tab   []shapeEntry
	slope float64 // energy of the slope against energy 1 of the pulse, per sample squared
	rms   float64 // of the signal in a mean cell, for a pulse of energy 1
	acc   []float64
	cnt   []float64
	heard int
	next  int // pulses heard when the shape is made anew
}

type shapeEntry struct{ p, d float32 }

func (s *pulseShape) init(e *pulseEngine, inverted bool) {
	width := e.gap * e.cell
	s.pre = min(0.2*width, 0.3e-3*e.rate)
	n := int(min(width, s.pre+1.5*float64(len(e.nominal))+0.4e-3*e.rate) * shapeRes)
	s.tab = make([]shapeEntry, n)
	s.acc, s.cnt = make([]float64, n), make([]float64, n)
	v := make([]float64, n)
	off := s.pre
	at, sign := 0.0, 1.0
	if inverted {
		sign = -1
	}
	for _, st := range e.d.code.Pulses.Pulse {
		to := at + st.US/1e6*e.rate
		for i := range v {
			if u := (float64(i)+0.5)/shapeRes - off; u >= at && u < to {
				v[i] = st.Level * sign
			}
		}
		at = to
	}
	s.set(e, smooth(v, shapeRes))
	s.next = 48
}

// smooth is a moving mean over w entries, w even.
func smooth(v []float64, w int) []float64 {
	out := make([]float64, len(v))
	for i := range v {
		s := 0.0
		for j := max(i-w/2, 0); j <= min(i+w/2, len(v)-1); j++ {
			k := 1.0
			if j == i-w/2 || j == i+w/2 {
				k = 0.5
			}
			s += k * v[j]
		}
		out[i] = s / float64(w)
	}
	return out
}

// set takes v as the pulse: DC out, energy 1, slope by differences.
func (s *pulseShape) set(e *pulseEngine, v []float64) {
	mean, energy := 0.0, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		energy += (x - mean) * (x - mean) / shapeRes
	}
	if energy < 1e-24 {
		return
	}
	k := 1 / math.Sqrt(energy)
	s.slope = 0
	for i := range v {
		a, b := max(i-shapeRes/2, 0), min(i+shapeRes/2, len(v)-1)
		d := k * (v[b] - v[a]) / float64(b-a) * shapeRes
		s.tab[i] = shapeEntry{float32(k * (v[i] - mean)), float32(d)}
		s.slope += d * d / shapeRes
	}
	pulses := 0.0
	for b := range 2 {
		for _, h := range e.has[b] {
			if h {
				pulses += 0.5
			}
		}
	}
	s.rms = math.Sqrt(pulses / e.cell)
}

// correlate gives what the sound has of the pulse, and of its slope, with the pulse starting at sample t.
func (s *pulseShape) correlate(e *pulseEngine, t, stretch float64) (y, d float32) {
	from := t - s.pre*stretch
	n := int64(math.Ceil(from))
	inc := shapeRes / stretch
	pos := (float64(n) - from) * inc
	i := n - e.base
	if i < 0 || i >= int64(len(e.y)) {
		return 0, 0
	}
	x := e.y[i:]
	tab := s.tab
	const fix = 1 << 20
	ip, ii := int(pos*fix), int(inc*fix)
	for _, v := range x {
		k := ip / fix
		if uint(k) >= uint(len(tab)) {
			break
		}
		w := &tab[k]
		y += v * w.p
		d += v * w.d
		ip += ii
	}
	// keep energy 1 at any speed
	g := float32(1 / math.Sqrt(stretch))
	return y * g, d * g
}

// learn adds a pulse to the mean, and makes the shape anew when there are enough of them.
func (s *pulseShape) learn(e *pulseEngine, t, stretch, vari float64) {
	if s.heard > 4096 && s.heard&7 != 0 { // the shape is known by now; follow it at leisure
		s.heard++
		return
	}
	from := t - s.pre*stretch
	n := int64(math.Ceil(from))
	inc := shapeRes / stretch
	pos := (float64(n) - from) * inc
	i := n - e.base
	if i < 0 {
		return
	}
	n2 := int64(0)
	for p := pos; int(p) < len(s.acc) && i+n2 < int64(len(e.y)); p += inc {
		n2++
	}
	// Hum often keeps step with the cells and would not go out in the mean: take a straight line out, as the quiet ends
	// of the stretch have it.
	x := e.y[i : i+n2]
	const edge = 6
	if len(x) < 3*edge {
		return
	}
	first, last := 0.0, 0.0
	for j := range edge {
		first += float64(x[j]) / edge
		last += float64(x[len(x)-1-j]) / edge
	}
	slope := (last - first) / float64(len(x)-edge)
	first -= slope * (edge - 1) / 2
	for j, v := range x {
		k := int(pos)
		s.acc[k] += float64(v) - first - slope*float64(j)
		s.cnt[k]++
		pos += inc
	}
	s.heard++
	if s.heard < s.next {
		return
	}
	s.next += s.heard
	if s.heard > 4096 {
		s.next = s.heard + 4096
	}
	s.set(e, s.mean(vari))
	if s.heard > 4096 { // forget by halves
		for k := range s.acc {
			s.acc[k] /= 2
			s.cnt[k] /= 2
		}
	}
}

// mean is the mean pulse: each entry from the samples that fell near it, the nearer the more pulses there are. What does
// not stand out of the noise left in the mean is made smaller, so that an empty stretch adds no noise of its own.
func (s *pulseShape) mean(vari float64) []float64 {
	h := shapeRes / 2
	switch {
	case s.heard >= 1500:
		h = 1
	case s.heard >= 300:
		h = 2
	}
	v := make([]float64, len(s.acc))
	dc := 0.0
	cnt := make([]float64, len(v))
	for k := range v {
		a := 0.0
		for j := max(k-h, 0); j <= min(k+h, len(v)-1); j++ {
			a += s.acc[j]
			cnt[k] += s.cnt[j]
		}
		if cnt[k] > 0 {
			v[k] = a / cnt[k]
		}
		dc += v[k] / float64(len(v))
	}
	for k := range v {
		v[k] -= dc
		if cnt[k] > 0 && v[k] != 0 {
			v[k] *= max(0, 1-2*vari/cnt[k]/(v[k]*v[k]))
		}
	}
	return v
}
