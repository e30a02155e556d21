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
// recording fits in the same memory. Everything is measured in one walk over the samples.
type timeline struct {
	rate   float64
	sliceS float64
	slices []Slice
	meter  audio.Meter // of the open slice
	total  audio.Meter // of all
	n      int         // samples in the open slice
	per    int
	hum    humMeter
	drop   dropMeter
	hop    int // samples of one hop: a millisecond, a whole number of hum points
	fill   int // samples in the open hop
	acc    float32
	hi, lo float32
	last   float32
	run    int64
	flatLo float32 // what lies between is no top
	flatHi float32
}

// maxSlices bounds the timeline: three hours are 43,200 slices of a quarter of a second.
const maxSlices = 1 << 16

func newTimeline(rate float64) *timeline {
	t := &timeline{rate: rate, sliceS: 0.25, flatLo: -0.2, flatHi: 0.2}
	t.hum.init(rate)
	t.hop = max(1, int(rate/1000/float64(t.hum.k)+0.5)) * t.hum.k
	t.per = int(rate*t.sliceS/float64(t.hop)) * t.hop
	t.sliceS = float64(t.per) / rate
	t.drop.init(rate, t.hop)
	return t
}

// add takes the samples of channel c of ch.
func (t *timeline) add(s []float32, c, ch int) {
	for i := c; i < len(s); {
		if k := t.hum.k; ch == 1 && t.fill%k == 0 && i+k <= len(s) {
			t.group(s[i : i+k])
			i += k
			continue
		}
		// up to the end of the hop, in groups of hum.k
		var sum, sum2 float32
		hi, lo, last := t.hi, t.lo, t.last
		if t.fill == 0 {
			hi, lo = s[i], s[i]
		}
		k := t.hum.k - t.fill%t.hum.k
		n := 0
		for ; n < k && i < len(s); i += ch {
			v := s[i]
			n++
			sum += v
			sum2 += v * v
			if v > hi {
				hi = v
			} else if v < lo {
				lo = v
			}
			if v == last {
				t.flat(v)
			} else if t.run != 0 {
				t.run = 0
			}
			last = v
		}
		t.hi, t.lo, t.last = hi, lo, last
		t.fill += n
		t.acc += sum
		m := &t.meter
		m.N += int64(n)
		m.Sum += float64(sum)
		m.Sum2 += float64(sum2)
		if t.fill%t.hum.k == 0 {
			t.hum.point(float64(t.acc) / float64(t.hum.k))
			t.acc = 0
		}
		if t.fill == t.hop {
			t.endHop()
		}
	}
}

// group is add for one whole group of hum.k samples of a recording of one channel.
func (t *timeline) group(x []float32) {
	// Highest and lowest as whole numbers in the order of the floats: no branches, and half of these would go wrong.
	hi, lo, last := order(t.hi), order(t.lo), t.last
	if t.fill == 0 {
		hi = order(x[0])
		lo = hi
	}
	var a0, a1, b0, b1 float32 // two sums of each, so that one addition need not wait for the other
	same := false
	rest := x
	for len(rest) >= 2 {
		p := (*[2]float32)(rest)
		u, v := p[0], p[1]
		a0 += u
		a1 += v
		b0 += u * u
		b1 += v * v
		hi, lo = max(hi, order(u), order(v)), min(lo, order(u), order(v))
		if u == last || u == v {
			same = true
		}
		last = v
		rest = rest[2:]
	}
	if len(rest) > 0 {
		v := rest[0]
		a0 += v
		b0 += v * v
		hi, lo = max(hi, order(v)), min(lo, order(v))
		same = same || v == last
		last = v
	}
	if same {
		before := t.last
		for _, v := range x {
			if v == before {
				t.flat(v)
			} else {
				t.run = 0
			}
			before = v
		}
	} else {
		t.run = 0
	}
	sum := a0 + a1
	t.hi, t.lo, t.last = unorder(hi), unorder(lo), last
	t.fill += len(x)
	m := &t.meter
	m.N += int64(len(x))
	m.Sum += float64(sum)
	m.Sum2 += float64(b0 + b1)
	t.hum.point(float64(sum) / float64(len(x)))
	if t.fill == t.hop {
		t.endHop()
	}
}

// order gives a whole number that stands to others as v does to other floats; unorder is its inverse.
func order(v float32) int32 {
	b := int32(math.Float32bits(v))
	return b ^ int32(uint32(b>>31)>>1)
}

func unorder(o int32) float32 { return math.Float32frombits(uint32(o ^ int32(uint32(o>>31)>>1))) }

// silence is add for n samples that are exactly zero, in a fraction of the time. It takes whole hops, between hops, and
// gives how many samples it took.
func (t *timeline) silence(n int) int {
	if t.fill != 0 {
		return 0
	}
	took := 0
	for ; took+t.hop <= n; took += t.hop {
		t.meter.N += int64(t.hop)
		t.hi, t.lo, t.last, t.fill = 0, 0, 0, t.hop
		t.hum.n += t.hop / t.hum.k
		t.endHop()
	}
	return took
}

// flat counts samples that stand at the same value, three or more in a row: a top that was cut off.
func (t *timeline) flat(v float32) {
	if v > t.flatLo && v < t.flatHi {
		t.run = 0
		return
	}
	t.run++
	if t.run == 2 {
		t.meter.ClippedRun += 3
	} else if t.run > 2 {
		t.meter.ClippedRun++
	}
}

func (t *timeline) endHop() {
	m := &t.meter
	if m.N == int64(t.fill) {
		m.Max, m.Min = t.hi, t.lo
	}
	m.Max, m.Min = max(m.Max, t.hi), min(m.Min, t.lo)
	t.drop.frame(t.hi - t.lo)
	t.n += t.fill
	t.fill = 0
	if t.n == t.per {
		t.cut()
	}
}

func (t *timeline) cut() {
	m := &t.meter
	if m.N == 0 || t.n == 0 {
		return
	}
	h, hz := t.hum.take()
	t.slices = append(t.slices, Slice{AtS: float64(len(t.slices)) * t.sliceS, LevelDB: audio.DB(m.RMS()), PeakDB: audio.DB(m.Peak()),
		Clipped: float64(m.ClippedRun) / float64(m.N), DC: m.Mean(), HumDB: audio.DB(h), humHz: hz, NoiseDB: -200})
	t.total.N += m.N
	t.total.Sum += m.Sum
	t.total.Sum2 += m.Sum2
	t.total.ClippedRun += m.ClippedRun
	if t.total.N == m.N {
		t.total.Max, t.total.Min = m.Max, m.Min
	}
	t.total.Max, t.total.Min = max(t.total.Max, m.Max), min(t.total.Min, m.Min)
	mid, half := float32(m.Mean()), float32(0.6*m.Peak())
	t.flatLo, t.flatHi = min(mid-half, -0.005), max(mid+half, 0.005)
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
	n       int
	cosSin  [6][4]float64 // re, im of the oscillator, and its step
	re, im  [6]float64
	sr, si  [6]float64 // sums of the oscillator itself: what an offset leaks into the bin
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

func (h *humMeter) point(x float64) {
	h.n++
	h.mean += x
	for i := range h.cosSin {
		o := &h.cosSin[i]
		h.re[i] += x * o[0]
		h.im[i] += x * o[1]
		h.sr[i] += o[0]
		h.si[i] += o[1]
		o[0], o[1] = o[0]*o[2]-o[1]*o[3], o[0]*o[3]+o[1]*o[2]
	}
}

// take gives the rms of the stronger of the two mains frequencies with its harmonics, and which it is.
func (h *humMeter) take() (rms float64, hz int) {
	var p [2]float64
	if h.n > 0 {
		mean := h.mean / float64(h.n)
		for i := range h.re {
			a := 2 * math.Hypot(h.re[i]-mean*h.sr[i], h.im[i]-mean*h.si[i]) / float64(h.n)
			p[i/3] += a * a / 2
		}
	}
	for i := range h.cosSin {
		o := &h.cosSin[i]
		k := 1 / math.Hypot(o[0], o[1])
		o[0], o[1] = o[0]*k, o[1]*k
	}
	h.re, h.im, h.sr, h.si, h.n, h.mean = [6]float64{}, [6]float64{}, [6]float64{}, [6]float64{}, 0, 0
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
	hop    int // samples of one frame of the envelope
	hold   [holdHops]float32
	at     int
	hops   int64
	ref    float64
	low    int64 // hop at which the envelope fell, 0: it is up
	floor  float64
	lowRef float64
	found  []Dropout
	more   int
}

const (
	holdHops    = 5   // of 1 ms
	dropRatio   = 0.4 // -8 dB
	backRatio   = 0.5
	dropLongest = 300 // hops
	maxDropouts = 5000
)

func (d *dropMeter) init(rate float64, hop int) { d.rate, d.hop = rate, hop }

func (d *dropMeter) frame(swing float32) {
	d.hold[d.at] = swing
	d.at = (d.at + 1) % holdHops
	d.hops++
	var most float32
	for _, v := range d.hold {
		if v > most {
			most = v
		}
	}
	env := float64(most)
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
