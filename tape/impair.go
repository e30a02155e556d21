package tape

import (
	"io"
	"math"
	"math/rand/v2"

	"remanence/tape/audio"
)

// Impair sends interleaved samples through the simulated cassette path. The same samples, preset and seed give the same
// result.
func Impair(samples []float32, rateHz, channels int, p Preset, seed uint64) []float32 {
	out, _ := ImpairLogged(samples, rateHz, channels, p, seed)
	return out
}

// ImpairLogged is Impair that also tells what the seed chose: the truth for tests of the diagnosis.
func ImpairLogged(samples []float32, rateHz, channels int, p Preset, seed uint64) ([]float32, ImpairLog) {
	if p.SignalRMS == 0 || p.SignalPeak == 0 {
		rms, peak := levelOf(samples)
		if p.SignalRMS == 0 {
			p.SignalRMS = rms
		}
		if p.SignalPeak == 0 {
			p.SignalPeak = peak
		}
	}
	m := NewImpairer(rateHz, channels, p, seed)
	out := make([]float32, 0, len(samples)+len(samples)/16)
	for len(samples) > 0 {
		n := min(len(samples), 4096*channels)
		out = append(out, m.Process(samples[:n])...)
		samples = samples[n:]
	}
	return append(out, m.Finish()...), m.Log
}

// levelOf is the rms of the samples that are not silence, and their peak.
func levelOf(samples []float32) (rms, peak float64) {
	var sum float64
	n := 0
	const block = 512
	for i := 0; i < len(samples); i += block {
		var s float64
		b := samples[i:min(i+block, len(samples))]
		for _, v := range b {
			s += float64(v) * float64(v)
			peak = max(peak, math.Abs(float64(v)))
		}
		if s > 1e-8*float64(len(b)) {
			sum += s
			n += len(b)
		}
	}
	if n == 0 {
		return 0, peak
	}
	return math.Sqrt(sum / float64(n)), peak
}

// ImpairLog is what happened on the way, times in seconds of the result.
type ImpairLog struct {
	Preset   string
	Seed     uint64
	Speed    float64 // percent
	Inverted bool
	Dropouts []Dropout
	Splices  []Dropout
}

// Dropout is a stretch of weak signal.
type Dropout struct {
	AtS, Seconds float64
	DepthDB      float64
}

// Impairer is the cassette path as a stream.
type Impairer struct {
	p     Preset
	rate  float64
	ch    int
	Log   ImpairLog
	chans []*impairChannel
	warp  *audio.Warp

	// time base
	osc      []oscillator
	speed    float64
	scrape   *rand.Rand
	scrapeHP float64
	scrapeLP float64
	stepN    int
	stepNow  float64
	stepEnd  float64

	// replay side, in output frames
	n        int64
	noise    *rand.Rand
	events   *rand.Rand
	drop     []Dropout // being played or next; in frames
	dropNext int64
	splices  []int64 // frames
	spliceN  []int64
	noiseRMS float64
	hum      [4]oscillator
	humRMS   float64
	tmp, out []float32
}

type oscillator struct{ re, im, dre, dim, depth float64 }

func newOscillator(hz, rate, phase, depth float64) oscillator {
	w := 2 * math.Pi * hz / rate
	return oscillator{math.Cos(phase), math.Sin(phase), math.Cos(w), math.Sin(w), depth}
}

func (o *oscillator) next() float64 {
	re := o.re*o.dre - o.im*o.dim
	im := o.re*o.dim + o.im*o.dre
	k := 1.5 - 0.5*(re*re+im*im) // keeps the length at 1
	o.re, o.im = re*k, im*k
	return o.depth * o.im
}

type impairChannel struct {
	filters  []biquad
	box      boxcar
	skew     int
	delay    []float32 // skew
	at       int
	lp       float64 // inside a dropout
	pink     float64
	alc      float64   // what the detector of the level control shows
	echo     []float32 // print-through
	echoAt   int
	cross    []float32 // one second of the other side, written forwards, read backwards
	crossOld []float32
	crossAt  int
}

// NewImpairer makes a cassette path. p.SignalRMS and p.SignalPeak say how strong the signal will be; 0 means that of a
// sine at half scale.
func NewImpairer(rateHz, channels int, p Preset, seed uint64) *Impairer {
	if p.SignalRMS == 0 {
		p.SignalRMS = 0.5 / math.Sqrt2
	}
	if p.SignalPeak == 0 {
		p.SignalPeak = 0.5
	}
	rate := float64(rateHz)
	m := &Impairer{p: p, rate: rate, ch: channels, warp: audio.NewWarp(channels, 1)}
	pick := rand.New(rand.NewPCG(seed, 1))
	m.scrape = rand.New(rand.NewPCG(seed, 2))
	m.noise = rand.New(rand.NewPCG(seed, 3))
	m.events = rand.New(rand.NewPCG(seed, 4))
	m.speed = p.SpeedPercent / 100
	invert := p.Invert
	if p.AnySign {
		m.speed *= 2*pick.Float64() - 1
		invert = invert != (pick.IntN(2) == 1)
	}
	m.p.Invert = invert
	m.Log = ImpairLog{Preset: p.Name, Seed: seed, Speed: m.speed * 100, Inverted: invert}
	phase := func() float64 { return 2 * math.Pi * pick.Float64() }
	control := rate / stepBlock
	for _, hz := range p.WowHz {
		m.osc = append(m.osc, newOscillator(hz, control, phase(), p.WowPercent/100))
	}
	for _, hz := range p.FlutterHz {
		m.osc = append(m.osc, newOscillator(hz, control, phase(), p.FlutterPct/100))
	}
	if p.DriftPercent != 0 {
		side := p.DriftS
		if side == 0 {
			side = 900
		}
		m.osc = append(m.osc, newOscillator(0.25/side, control, phase(), p.DriftPercent/100))
	}
	m.stepNow, m.stepEnd = m.speedNow(), m.speedNow()

	m.noiseRMS = 0
	if p.Noise {
		m.noiseRMS = p.SignalRMS * audio.Amplitude(-p.SNRDB)
	}
	if p.HumHz > 0 {
		m.humRMS = p.SignalRMS * audio.Amplitude(p.HumDB)
		// Fundamental, 2nd, 3rd and 5th harmonic at 0, -6, -10, -16 dB (sheet A6), scaled to that rms.
		var sum float64
		for i, h := range []float64{1, 2, 3, 5} {
			a := audio.Amplitude([]float64{0, -6, -10, -16}[i])
			sum += a * a / 2
			m.hum[i] = newOscillator(h*p.HumHz, rate, phase(), a)
		}
		for i := range m.hum {
			m.hum[i].depth *= m.humRMS / math.Sqrt(sum)
		}
	}
	m.dropNext = m.dropGap()
	for i := 0; i < p.Splices; i++ {
		m.splices = append(m.splices, int64(rate*(1+29*m.events.Float64())))
		m.spliceN = append(m.spliceN, int64(rate*(0.02+0.08*m.events.Float64())))
		m.Log.Splices = append(m.Log.Splices, Dropout{float64(m.splices[i]) / rate, float64(m.spliceN[i]) / rate, 200})
	}

	track := p.TrackMM
	if track == 0 {
		track = 1.5
		if channels == 2 {
			track = 0.6
		}
	}
	tan := math.Tan(p.AzimuthMinutes / 60 * math.Pi / 180)
	for c := 0; c < channels; c++ {
		k := &impairChannel{alc: p.SignalPeak * audio.Amplitude(p.RecordGainDB)}
		if p.HighPassHz > 0 {
			k.filters = append(k.filters, highPass(p.HighPassHz, rate))
		}
		if p.LowPassHz > 0 && p.LowPassHz < 0.45*rate {
			if p.LowPassOrder == 4 { // Butterworth of order 4: two sections, Q 0.541 and 1.307
				k.filters = append(k.filters, lowPass(p.LowPassHz, rate, 0.5412), lowPass(p.LowPassHz, rate, 1.3066))
			} else {
				k.filters = append(k.filters, lowPass(p.LowPassHz, rate, math.Sqrt2/2))
			}
		}
		// A gap at an angle plays the mean over the time by which its ends differ: track x tan(angle) / tape speed.
		k.box = newBoxcar(track * tan / tapeSpeedMM * rate)
		if p.SkewStereo && c == 1 {
			k.skew = int(0.9*tan/tapeSpeedMM*rate + 0.5)
		}
		k.delay = make([]float32, k.skew)
		if p.PrintDB != 0 {
			k.echo = make([]float32, int(2*rate))
		}
		if p.CrossDB != 0 {
			k.cross, k.crossOld = make([]float32, int(rate)), make([]float32, int(rate))
		}
		m.chans = append(m.chans, k)
	}
	return m
}

// tapeSpeedMM is the speed of the compact cassette in mm/s. Source: sheet A5 (1 7/8 in/s).
const tapeSpeedMM = 47.625

// stepBlock is how many output samples one calculation of the speed serves; between two it goes straight.
const stepBlock = 16

func (m *Impairer) speedNow() float64 {
	v := 1 + m.speed
	for i := range m.osc {
		v += m.osc[i].next()
	}
	return v
}

// step is how far the tape moves during one output sample.
func (m *Impairer) step() float64 {
	if m.stepN == stepBlock {
		m.stepN = 0
		m.stepNow, m.stepEnd = m.stepEnd, m.speedNow()
	}
	v := m.stepNow + (m.stepEnd-m.stepNow)*float64(m.stepN)/stepBlock
	m.stepN++
	if m.p.ScrapePercent > 0 {
		// white noise, one pole each at 3 kHz and 100 Hz; the factor brings its rms to 1
		x := m.scrape.NormFloat64()
		a := 2 * math.Pi * 3000 / m.rate
		m.scrapeLP += min(a, 1) * (x - m.scrapeLP)
		m.scrapeHP += 2 * math.Pi * 100 / m.rate * (m.scrapeLP - m.scrapeHP)
		v += m.p.ScrapePercent / 100 * (m.scrapeLP - m.scrapeHP) * math.Sqrt((2-min(a, 1))/min(a, 1))
	}
	return v
}

func (m *Impairer) dropGap() int64 {
	if m.p.DropoutsMinute <= 0 {
		return math.MaxInt64
	}
	return m.n + int64(m.events.ExpFloat64()*60/m.p.DropoutsMinute*m.rate)
}

// Process takes interleaved samples and gives what comes out of the player so far. The result is valid until the next
// call.
func (m *Impairer) Process(in []float32) []float32 {
	m.tmp = append(m.tmp[:0], in...)
	for c, k := range m.chans {
		m.record(m.tmp, c, k)
	}
	m.warp.Feed(m.tmp)
	m.out = m.warp.Pull(m.out[:0], m.step)
	m.replay(m.out)
	return m.out
}

// Finish gives what is left.
func (m *Impairer) Finish() []float32 {
	m.warp.Finish()
	m.out = m.warp.Pull(m.out[:0], m.step)
	m.replay(m.out)
	return m.out
}

// record is everything up to the tape: amplifier, clip, saturation, band limit, azimuth.
func (m *Impairer) record(s []float32, c int, k *impairChannel) {
	p := &m.p
	gain := audio.Amplitude(p.RecordGainDB)
	clip := math.Inf(1)
	if p.RecordClipDB != 0 {
		clip = p.SignalPeak * gain * audio.Amplitude(-p.RecordClipDB)
	}
	// tanh(b x)/b has 3 % third harmonic where (b x)^2/12 = 0.03: b = 0.6 at full scale.
	const b = 0.6
	attack, release := 1-math.Exp(-1/(0.02*m.rate)), 1-math.Exp(-1/(3*m.rate))
	target := p.SignalPeak * gain
	for i := c; i < len(s); i += m.ch {
		x := float64(s[i]) * gain
		if p.ALC && target > 0 {
			// A peak detector rises fast and falls slowly; the gain brings what it shows to the target, by 30 dB at most.
			if a := math.Abs(x); a > k.alc {
				k.alc += attack * (a - k.alc)
			} else {
				k.alc -= release * k.alc
			}
			x *= min(31.6, target/max(k.alc, 1e-9))
		}
		x = max(-clip, min(clip, x))
		if p.Saturation {
			x = math.Tanh(b*x) / b
		}
		for f := range k.filters {
			x = k.filters[f].next(x)
		}
		x = k.box.next(x)
		if k.echo != nil {
			e := k.echo[k.echoAt]
			k.echo[k.echoAt] = float32(x)
			k.echoAt = (k.echoAt + 1) % len(k.echo)
			x += float64(e) * audio.Amplitude(p.PrintDB)
		}
		if k.cross != nil {
			k.cross[k.crossAt] = float32(x)
			x += float64(k.crossOld[len(k.crossOld)-1-k.crossAt]) * audio.Amplitude(p.CrossDB)
			if k.crossAt++; k.crossAt == len(k.cross) {
				k.cross, k.crossOld, k.crossAt = k.crossOld, k.cross, 0
			}
		}
		if k.skew > 0 {
			x, k.delay[k.at] = float64(k.delay[k.at]), float32(x)
			k.at = (k.at + 1) % k.skew
		}
		s[i] = float32(x)
	}
}

// replay is everything after the tape's motion: dropouts, noise, hum, offset, polarity, gain, clip, quantiser.
func (m *Impairer) replay(s []float32) {
	p := &m.p
	gain := audio.Amplitude(p.ReplayDB)
	if p.Invert {
		gain = -gain
	}
	clip := audio.Amplitude(-p.ClipDB)
	if p.LeaveFullScaleUp && p.ClipDB == 0 {
		clip = math.Inf(1)
	}
	lpA := 1 - math.Exp(-2*math.Pi*1500/m.rate)
	pinkA := 1 - math.Exp(-2*math.Pi*1326/m.rate)
	steps := 0.0
	if p.Bits > 0 {
		steps = math.Exp2(float64(p.Bits - 1))
	}
	for i := 0; i+m.ch <= len(s); i += m.ch {
		level := m.dropLevel()
		hum := 0.0
		if m.humRMS > 0 {
			for h := range m.hum {
				hum += m.hum[h].next()
			}
		}
		for c, k := range m.chans {
			x := float64(s[i+c])
			k.lp += lpA * (x - k.lp)
			if level < 1 {
				x = level * (level*x + (1-level)*k.lp)
			}
			if m.noiseRMS > 0 {
				n := m.noise.NormFloat64()
				if p.Coloured { // -3 dB an octave below the corner, about: white plus its low part
					k.pink += pinkA * (n - k.pink)
					n = 0.8*n + 1.5*k.pink
				}
				x += m.noiseRMS * n
			}
			x = (x+hum)*gain + p.DC
			x = max(-clip, min(clip, x))
			if steps > 0 {
				x = max(-steps, min(steps-1, math.Round(x*steps))) / steps
			}
			s[i+c] = float32(x)
		}
		m.n++
	}
}

// dropLevel is the gain of the tape at the present output frame: 1 where it is sound.
func (m *Impairer) dropLevel() float64 {
	level := 1.0
	for m.n >= m.dropNext {
		p := &m.p
		ms := p.DropoutMedianMS
		if !p.DropoutFixed {
			// log-normal; 95 % below ten times the median: sigma = ln 10 / 1.645 (sheet A6: median 3 ms, 95 % below 30 ms)
			ms *= math.Exp(m.events.NormFloat64() * math.Log(10) / 1.645)
		}
		longest := p.DropoutMaxMS
		if longest == 0 {
			longest = 250
		}
		ms = min(ms, longest)
		d := Dropout{AtS: float64(m.n), Seconds: ms / 1000 * m.rate, DepthDB: p.DropoutMinDB + (p.DropoutMaxDB-p.DropoutMinDB)*m.events.Float64()}
		m.drop = append(m.drop, d)
		m.Log.Dropouts = append(m.Log.Dropouts, Dropout{d.AtS / m.rate, d.Seconds / m.rate, d.DepthDB})
		m.dropNext = m.dropGap()
	}
	edge := 0.0005 * m.rate
	for i := 0; i < len(m.drop); i++ {
		d := &m.drop[i]
		t := float64(m.n) - d.AtS
		if t >= d.Seconds {
			m.drop = append(m.drop[:i], m.drop[i+1:]...)
			i--
			continue
		}
		floor := audio.Amplitude(-d.DepthDB)
		e := min(edge, d.Seconds/2)
		w := 1.0
		if t < e {
			w = 0.5 - 0.5*math.Cos(math.Pi*t/e)
		} else if d.Seconds-t < e {
			w = 0.5 - 0.5*math.Cos(math.Pi*(d.Seconds-t)/e)
		}
		level *= 1 - w*(1-floor)
	}
	for i, at := range m.splices {
		if m.n >= at && m.n < at+m.spliceN[i] {
			level = 0
		}
	}
	return level
}

// ImpairSource is a Source that plays another one through the cassette path.
type ImpairSource struct {
	src  audio.Source
	m    *Impairer
	in   []float32
	out  []float32
	done bool
}

// NewImpairSource sends src through a cassette path.
func NewImpairSource(src audio.Source, p Preset, seed uint64) *ImpairSource {
	f := src.Format()
	return &ImpairSource{src: src, m: NewImpairer(f.RateHz, f.Channels, p, seed), in: make([]float32, 4096*f.Channels)}
}

// Log is what happened so far.
func (s *ImpairSource) Log() ImpairLog { return s.m.Log }

func (s *ImpairSource) Format() audio.Format {
	f := s.src.Format()
	f.Bits, f.Float = 32, true
	return f
}

func (s *ImpairSource) Len() int64 { return -1 }

func (s *ImpairSource) Read(buf []float32) (int, error) {
	ch := s.m.ch
	for len(s.out) == 0 {
		if s.done {
			return 0, io.EOF
		}
		n, err := s.src.Read(s.in)
		s.out = s.m.Process(s.in[:n])
		if err == io.EOF {
			s.out = append(append([]float32(nil), s.out...), s.m.Finish()...)
			s.done = true
		} else if err != nil {
			return 0, err
		}
	}
	n := copy(buf[:len(buf)/ch*ch], s.out)
	s.out = s.out[n:]
	return n, nil
}
