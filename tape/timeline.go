package tape

import (
	"math"

	"remanence/tape/audio"
)

// A Slice is a stretch of the recording, measured.
type Slice struct {
	AtS      float64 `json:"at-s"`
	LevelDB  float64 `json:"level-dbfs"`          // rms without the offset, of the stronger channel
	PeakDB   float64 `json:"peak-dbfs"`           // highest excursion
	Clipped  float64 `json:"clipped,omitempty"`   // share of samples standing at a flat top
	DC       float64 `json:"dc,omitempty"`        // offset, part of full scale
	HumDB    float64 `json:"hum-dbfs"`            // at 50 and 60 Hz and their first harmonics
	SpeedPct float64 `json:"speed-percent"`       // of the code heard; 0 where none is
	NoiseDB  float64 `json:"noise-dbfs"`          // of the run heard; -200 where none is
	Dropouts int     `json:"dropouts,omitempty"`  // that begin here
	Code     bool    `json:"programme,omitempty"` // a code was heard
	humHz    int
}

// timeline measures one channel as it goes by, in slices that double in length when there are too many, so that any
// recording fits in the same memory.
type timeline struct {
	rate   float64
	sliceS float64
	slices []Slice
	meter  audio.Meter
	total  audio.Meter
	n      int // samples in the open slice
	per    int
	hum    humMeter
	drop   dropMeter
}

// maxSlices bounds the timeline: three hours are 43,200 slices of a quarter of a second.
const maxSlices = 1 << 16

func newTimeline(rate float64) *timeline {
	t := &timeline{rate: rate, sliceS: 0.25}
	t.per = int(rate * t.sliceS)
	t.hum.init(rate)
	t.drop.init(rate)
	return t
}

// add takes the samples of channel c of ch.
func (t *timeline) add(s []float32, c, ch int) {
	for i := 0; i < len(s); {
		k := min((len(s)-i)/ch, t.per-t.n)
		part := s[i : i+k*ch]
		t.meter.Add(part, c, ch)
		t.hum.add(part, c, ch)
		t.drop.add(part, c, ch)
		t.n += k
		i += k * ch
		if t.n == t.per {
			t.cut()
		}
		if k == 0 {
			break
		}
	}
}

func (t *timeline) cut() {
	if t.n == 0 {
		return
	}
	m := &t.meter
	h, hz := t.hum.take()
	t.slices = append(t.slices, Slice{AtS: float64(len(t.slices)) * t.sliceS, LevelDB: audio.DB(m.RMS()), PeakDB: audio.DB(m.Peak()),
		Clipped: float64(m.ClippedRun) / float64(m.N), DC: m.Mean(), HumDB: audio.DB(h), humHz: hz, NoiseDB: -200})
	t.total.N += m.N
	t.total.Sum += m.Sum
	t.total.Sum2 += m.Sum2
	t.total.ClippedRun += m.ClippedRun
	t.total.Max, t.total.Min = max(t.total.Max, m.Max), min(t.total.Min, m.Min)
	t.meter = audio.Meter{}
	t.n = 0
	if len(t.slices) == maxSlices {
		for i := 0; i < maxSlices/2; i++ {
			a, b := t.slices[2*i], t.slices[2*i+1]
			a.LevelDB = 10 * math.Log10((math.Pow(10, a.LevelDB/10)+math.Pow(10, b.LevelDB/10))/2+1e-20)
			a.PeakDB = max(a.PeakDB, b.PeakDB)
			a.HumDB = max(a.HumDB, b.HumDB)
			a.Clipped = (a.Clipped + b.Clipped) / 2
			a.DC = (a.DC + b.DC) / 2
			t.slices[i] = a
		}
		t.slices = t.slices[:maxSlices/2]
		t.sliceS *= 2
		t.per *= 2
	}
}

// humMeter holds one-bin Fourier sums at the mains frequencies and their harmonics, over one slice at a time, on every
// eighth sample mean (hum lies far below).
type humMeter struct {
	k       int
	acc     float64
	cnt     int
	n       int
	cosSin  [6][4]float64 // re, im of the oscillator, and its step
	re, im  [6]float64
	window  float64
	per     float64
	decRate float64
	mean    float64
}

var humHz = [6]float64{50, 100, 150, 60, 120, 180}

func (h *humMeter) init(rate float64) {
	h.k = max(1, int(rate/2000))
	h.decRate = rate / float64(h.k)
	for i, hz := range humHz {
		w := 2 * math.Pi * hz / h.decRate
		h.cosSin[i] = [4]float64{1, 0, math.Cos(w), math.Sin(w)}
	}
}

func (h *humMeter) add(s []float32, c, ch int) {
	acc, cnt := h.acc, h.cnt
	for i := c; i < len(s); i += ch {
		acc += float64(s[i])
		if cnt++; cnt == h.k {
			h.point(acc / float64(h.k))
			acc, cnt = 0, 0
		}
	}
	h.acc, h.cnt = acc, cnt
}

func (h *humMeter) point(x float64) {
	h.n++
	h.mean += x
	for i := range h.cosSin {
		o := &h.cosSin[i]
		h.re[i] += x * o[0]
		h.im[i] += x * o[1]
		o[0], o[1] = o[0]*o[2]-o[1]*o[3], o[0]*o[3]+o[1]*o[2]
	}
}

// take gives the rms of the stronger of the two mains frequencies with its harmonics, and which it is.
func (h *humMeter) take() (rms float64, hz int) {
	var p [2]float64
	if h.n > 0 {
		for i := range h.re {
			a := 2 * math.Hypot(h.re[i], h.im[i]) / float64(h.n)
			p[i/3] += a * a / 2
		}
	}
	for i := range h.cosSin {
		o := &h.cosSin[i]
		k := 1 / math.Hypot(o[0], o[1])
		o[0], o[1] = o[0]*k, o[1]*k
	}
	h.re, h.im, h.n, h.mean = [6]float64{}, [6]float64{}, 0, 0
	if p[1] > p[0] {
		return math.Sqrt(p[1]), 60
	}
	return math.Sqrt(p[0]), 50
}

// dropMeter finds dropouts: stretches of up to 300 ms in which the envelope falls to a third of what it was before and
// comes back. The envelope is the largest excursion in the last few milliseconds, held longer than the longest pause
// between two pulses of any code.
type dropMeter struct {
	rate   float64
	hop    int
	n      int
	hi, lo float32
	hold   [holdHops]float32
	at     int
	hops   int64
	ref    float64
	low    int64 // hop at which the envelope fell, 0: it is up
	floor  float64
	lowRef float64
	found  []Dropout
	more   int
	hiHold [holdHops]float32
}

const (
	holdHops    = 5   // of 1 ms
	dropRatio   = 0.4 // -8 dB
	backRatio   = 0.5
	dropLongest = 300 // hops
	maxDropouts = 5000
)

func (d *dropMeter) init(rate float64) {
	d.rate = rate
	d.hop = max(1, int(rate/1000))
}

func (d *dropMeter) add(s []float32, c, ch int) {
	hi, lo, n := d.hi, d.lo, d.n
	for i := c; i < len(s); i += ch {
		v := s[i]
		if n == 0 {
			hi, lo = v, v
		} else if v > hi {
			hi = v
		} else if v < lo {
			lo = v
		}
		if n++; n == d.hop {
			d.frame(hi - lo)
			n = 0
		}
	}
	d.hi, d.lo, d.n = hi, lo, n
}

func (d *dropMeter) frame(swing float32) {
	d.hold[d.at] = swing
	d.at = (d.at + 1) % holdHops
	d.hops++
	var env float64
	for _, v := range d.hold {
		env = max(env, float64(v))
	}
	if d.low == 0 {
		if env < dropRatio*d.ref && d.ref > 1e-4 {
			d.low, d.floor, d.lowRef = d.hops, env, d.ref
			return
		}
		d.ref += 0.02 * (env - d.ref)
		return
	}
	d.floor = min(d.floor, env)
	switch long := d.hops - d.low; {
	case env > backRatio*d.lowRef:
		if len(d.found) < maxDropouts {
			// The envelope holds on for holdHops after the signal has gone, and comes back at once.
			start := float64(d.low-holdHops) * float64(d.hop) / d.rate
			length := float64(long+holdHops-1) * float64(d.hop) / d.rate
			d.found = append(d.found, Dropout{AtS: math.Max(0, start), Seconds: length, DepthDB: math.Min(60, -audio.DB(d.floor/d.lowRef))})
		} else {
			d.more++
		}
		d.low = 0
	case long > dropLongest: // the end of a programme, not a dropout
		d.low = 0
		d.ref = env
	}
}
