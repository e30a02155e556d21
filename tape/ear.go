package tape

import (
	"math"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// An ear listens to one signal (a channel, or a combination of two) for every code asked for. Positions it gives are
// samples of the recording, at the rate it listens at.
type ear struct {
	name  string // "left", "right", "both", "mono"
	codes []*linecode.Code
	rate  float64
	opts  linecode.Options

	dems    []*linecode.Demodulator
	base    int64 // sample at which dems began
	at      int64 // samples heard
	zeros   int64 // exact zeros at the end of what was heard
	asleep  bool
	runs    []heard
	refused []refusal
	limit   int // runs kept at most
	buf     []float32
}

// heard is a run with its place in the whole recording.
type heard struct {
	*linecode.Run
	ear  *ear
	base int64
}

func (h *heard) seconds(sample float64) float64 { return (sample + float64(h.base)) / h.ear.rate }
func (h *heard) fromS() float64                 { return h.seconds(h.From) }
func (h *heard) toS() float64                   { return h.seconds(h.To) }
func (h *heard) leaderS() float64               { return h.seconds(h.LeaderAt) }

type refusal struct {
	atS  float64
	code string
	why  string
}

// sleepAfterS: after so many seconds of samples that are exactly zero nothing can be going on; the demodulators are
// closed, and new ones begin with the next sound. Hours of nothing then cost next to nothing.
const sleepAfterS = 15

func newEar(name string, codes []*linecode.Code, rate float64, o linecode.Options) (*ear, error) {
	e := &ear{name: name, codes: codes, rate: rate, opts: o, limit: 20_000}
	return e, e.wake()
}

func (e *ear) wake() error {
	e.dems = e.dems[:0]
	e.base = e.at
	for _, c := range e.codes {
		d, err := linecode.NewDemodulator(c, e.rate, e.opts)
		if err != nil {
			return err
		}
		e.dems = append(e.dems, d)
	}
	e.asleep = false
	return nil
}

func (e *ear) feed(s []float32) error {
	if len(s) == 0 {
		return nil
	}
	silent := true
	for _, v := range s {
		if v != 0 {
			silent = false
			break
		}
	}
	if silent {
		e.zeros += int64(len(s))
	} else {
		e.zeros = 0
	}
	if e.asleep {
		if silent {
			e.at += int64(len(s))
			return nil
		}
		if err := e.wake(); err != nil {
			return err
		}
	}
	for _, d := range e.dems {
		d.Feed(s)
	}
	e.at += int64(len(s))
	e.take()
	if e.zeros > int64(sleepAfterS*e.rate) {
		e.close()
		e.asleep = true
	}
	return nil
}

func (e *ear) close() {
	for _, d := range e.dems {
		d.Close()
	}
	e.take()
	e.dems = e.dems[:0]
}

func (e *ear) take() {
	for i, d := range e.dems {
		for _, r := range d.Take() {
			if len(e.runs) < e.limit {
				e.runs = append(e.runs, heard{r, e, e.base})
			}
		}
		for _, f := range d.Refusals() {
			if len(e.refused) < 200 {
				e.refused = append(e.refused, refusal{(f.At + float64(e.base)) / e.rate, e.codes[i].Name, f.Why})
			}
		}
	}
}

// stereo finds out how the two channels of a recording belong together, as it goes by: which is louder, whether one is
// upside down, and by how much one is late (a head at an angle). It gives a combination of them.
type stereo struct {
	rate       float64
	corr       [2*maxSkew + 1]float64
	e0, e1     float64
	sign       float64
	lag        int // right channel late by lag samples
	combine    bool
	tail0      []float32
	tail1      []float32
	chunks     int
	gain0      float64
	gain1      float64
	mixed      []float32
	lagSum     float64
	lagWeight  float64
	corrWeight float64
	corrSum    float64
}

// maxSkew is the largest delay between the channels looked for, in samples: 0.9 mm at 1 degree is 0.33 ms.
const maxSkew = 20

// mix measures a chunk of both channels and gives their combination, delayed by maxSkew samples.
func (t *stereo) mix(l, r []float32) []float32 {
	t.measure(l, r)
	n := len(l)
	t.tail0 = append(t.tail0, l...)
	t.tail1 = append(t.tail1, r...)
	if len(t.tail0) < n+2*maxSkew { // the first chunk: silence before it
		pad := make([]float32, n+2*maxSkew-len(t.tail0))
		t.tail0 = append(pad, t.tail0...)
		t.tail1 = append(append([]float32(nil), pad...), t.tail1...)
	}
	a := t.tail0[len(t.tail0)-n-maxSkew : len(t.tail0)-maxSkew]
	shift := maxSkew - t.lag
	b := t.tail1[len(t.tail1)-n-shift : len(t.tail1)-shift]
	t.mixed = t.mixed[:0]
	g0, g1 := float32(t.gain0), float32(t.gain1)
	for i := range a {
		t.mixed = append(t.mixed, g0*a[i]+g1*b[i])
	}
	keep := 2 * maxSkew
	t.tail0 = append(t.tail0[:0], t.tail0[len(t.tail0)-keep:]...)
	t.tail1 = append(t.tail1[:0], t.tail1[len(t.tail1)-keep:]...)
	return t.mixed
}

func (t *stereo) measure(l, r []float32) {
	const win = 1024
	if len(l) < win+2*maxSkew {
		if t.chunks == 0 {
			t.gain0, t.gain1, t.sign = 0.5, 0.5, 1
		}
		return
	}
	var m0, m1 float64
	for i := 0; i < win+2*maxSkew; i++ {
		m0 += float64(l[i])
		m1 += float64(r[i])
	}
	m0 /= win + 2*maxSkew
	m1 /= win + 2*maxSkew
	var c [2*maxSkew + 1]float64
	var e0, e1 float64
	for i := maxSkew; i < maxSkew+win; i++ {
		x := float64(l[i]) - m0
		e0 += x * x
		y := float64(r[i]) - m1
		e1 += y * y
	}
	for lag := -maxSkew; lag <= maxSkew; lag++ {
		var s float64
		for i := maxSkew; i < maxSkew+win; i++ {
			s += (float64(l[i]) - m0) * (float64(r[i+lag]) - m1)
		}
		c[lag+maxSkew] = s
	}
	a := 0.03
	if t.chunks < 30 {
		a = 1 / float64(t.chunks+1)
	}
	t.chunks++
	for i := range c {
		t.corr[i] += a * (c[i] - t.corr[i])
	}
	t.e0 += a * (e0 - t.e0)
	t.e1 += a * (e1 - t.e1)
	best := maxSkew
	for i := range t.corr {
		if math.Abs(t.corr[i]) > math.Abs(t.corr[best])*1.02 {
			best = i
		}
	}
	norm := math.Sqrt(t.e0*t.e1) + 1e-12
	rho := t.corr[best] / norm
	t.combine = math.Abs(rho) > 0.3
	if !t.combine {
		t.lag, t.sign = 0, 1
		if t.e0 >= t.e1 { // nothing in common: the louder one
			t.gain0, t.gain1 = 1, 0
		} else {
			t.gain0, t.gain1 = 0, 1
		}
		return
	}
	t.lag = best - maxSkew
	t.sign = math.Copysign(1, rho)
	// Each weighted by its amplitude: best where both carry the same noise.
	a0, a1 := math.Sqrt(t.e0), math.Sqrt(t.e1)
	t.gain0 = a0 / (a0 + a1)
	t.gain1 = t.sign * a1 / (a0 + a1)
	w := math.Sqrt(e0 * e1)
	t.lagSum += w * float64(t.lag)
	t.lagWeight += w
	t.corrSum += w * rho
	t.corrWeight += w
}

// meanLag is the delay of the right channel in samples over all that was combined, and the correlation.
func (t *stereo) meanLag() (lag, rho float64) {
	if t.lagWeight == 0 {
		return 0, 0
	}
	return t.lagSum / t.lagWeight, t.corrSum / t.corrWeight
}

// listeningRate is the rate demodulators work at: recordings far above what a cassette carries are brought down.
func listeningRate(f audio.Format) int {
	switch r := f.RateHz; {
	case r <= 60000:
		return r
	case r%44100 == 0:
		return 44100
	default:
		return 48000
	}
}
