package tape

import (
	"fmt"
	"math"
	"strings"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// Diagnosis is what the recording itself tells of tape, head and recorder.
type Diagnosis struct {
	DurationS float64         `json:"duration-s"`
	Format    string          `json:"format"`
	Channels  []ChannelReport `json:"channels"`
	Used      string          `json:"channel-used"` // mono, left, right or both (their combination)

	SNRDB        float64 `json:"snr-db"`              // signal over noise, both rms in the full band, while a code was heard; 0 where none was
	SpeedMinPct  float64 `json:"speed-min-percent"`   // slowest and fastest tenth of a second or so
	SpeedMaxPct  float64 `json:"speed-max-percent"`   //
	WowFlutter   float64 `json:"wow-flutter-percent"` // peak, weighted
	WowUnweight  float64 `json:"wow-flutter-unweighted-percent"`
	WowMethod    string  `json:"wow-flutter-method"`
	TrebleDB     float64 `json:"treble-db"`               // response at 2400 Hz against 1200 Hz; 0 where not measured
	Response     []Band  `json:"response"`                // against the waveform as declared; strongest band 0 dB
	AzimuthMin   float64 `json:"azimuth-minutes"`         // angle of the head in minutes of arc, 0 where not measured
	AzimuthBy    string  `json:"azimuth-by,omitempty"`    // what it was worked out from
	SkewUS       float64 `json:"channel-delay-us"`        // right channel late
	Correlation  float64 `json:"channel-correlation"`     // of the two channels
	HumHz        int     `json:"hum-hz,omitempty"`        // mains frequency of the hum, where there is any
	HumRelDB     float64 `json:"hum-relative-db"`         // hum over signal
	Clipped      float64 `json:"clipped-percent"`         // of the samples while a code was heard
	Synthetic    bool    `json:"made-by-computer"`        // no noise at all: never was on a tape
	Dropouts     []Event `json:"dropouts"`                //
	MoreDropouts int     `json:"more-dropouts,omitempty"` // beyond those listed
	Splices      []Event `json:"splices"`                 //
	Timeline     []Slice `json:"timeline"`                //
	SliceS       float64 `json:"timeline-step-s"`         //
}

// Band is the level of one band of the recording.
type Band struct {
	Hz float64 `json:"hz"`
	DB float64 `json:"db"`
}

// Event is a dropout or a splice.
type Event struct {
	AtS     float64 `json:"at-s"`
	MS      float64 `json:"ms"`
	DepthDB float64 `json:"depth-db"`
	Lost    string  `json:"cost,omitempty"` // what it cost, if anything
}

// ChannelReport is one channel of the recording.
type ChannelReport struct {
	Name      string  `json:"name"`
	LevelDBFS float64 `json:"level-dbfs"` // rms of the whole recording without the offset
	PeakDBFS  float64 `json:"peak-dbfs"`
	DC        float64 `json:"dc"`
	Clipped   float64 `json:"clipped-percent"`
	Inverted  *bool   `json:"inverted,omitempty"` // by the code heard on it, where the code has a polarity
}

func round(x float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(x*k)/k + 0 // no -0
}

func (l *listener) diagnose(f audio.Format, res *Result, tracks []*track) *Diagnosis {
	d := &Diagnosis{DurationS: round(float64(l.frames)/l.rate, 3), Format: f.String(), Timeline: []Slice{}, Dropouts: []Event{}, Splices: []Event{}, Response: []Band{}}
	names := []string{"mono"}
	if len(l.lines) == 2 {
		names = []string{"left", "right"}
	}
	loud := 0
	for i, t := range l.lines {
		m := &t.total
		d.Channels = append(d.Channels, ChannelReport{Name: names[i], LevelDBFS: round(audio.DB(m.RMS()), 1), PeakDBFS: round(audio.DB(m.Peak()), 1),
			DC: round(m.Mean(), 3), Clipped: round(100*float64(m.ClippedRun)/float64(max(m.N, 1)), 2), Inverted: l.invertedOn(names[i])})
		if m.RMS() > l.lines[loud].total.RMS() {
			loud = i
		}
	}
	if l.mix != nil {
		lag, rho := l.mix.meanLag()
		d.SkewUS, d.Correlation = round(1e6*lag/l.rate, 1), round(rho, 2)
	}
	d.Used = usedChannel(tracks)
	line := l.lines[loud]
	if d.Used == "right" {
		line = l.lines[1]
	} else if d.Used == "left" {
		line = l.lines[0]
	}
	d.Timeline, d.SliceS = append(d.Timeline, line.slices...), line.sliceS
	for i := range d.Timeline {
		s := &d.Timeline[i]
		s.AtS = round(float64(i)*d.SliceS, 2)
	}
	d.marks(tracks)
	d.noise(tracks)
	d.speed(tracks)
	d.hum()
	d.clipping()
	l.response(d, tracks)
	d.azimuth(tracks, l.f.Channels)
	d.events(line, tracks)
	for i := range d.Timeline {
		s := &d.Timeline[i]
		s.LevelDB, s.PeakDB, s.HumDB = round(s.LevelDB, 1), round(s.PeakDB, 1), round(s.HumDB, 1)
		s.Clipped, s.DC, s.SpeedPct, s.NoiseDB = round(s.Clipped, 4), round(s.DC, 3), round(s.SpeedPct, 2), round(s.NoiseDB, 1)
	}
	return d
}

// invertedOn tells the polarity of the code on one channel, nil if it was not heard there.
func (l *listener) invertedOn(name string) *bool {
	var w float64
	for _, e := range l.ears {
		if e.name != name {
			continue
		}
		for _, h := range e.runs {
			if h.Polar && e.believable(h.Run) {
				if h.Inverted {
					w += h.toS() - h.fromS()
				} else {
					w -= h.toS() - h.fromS()
				}
			}
		}
	}
	if w == 0 {
		return nil
	}
	inv := w > 0
	return &inv
}

func usedChannel(tracks []*track) string {
	used := ""
	for _, t := range tracks {
		if used != "" && used != t.best.ear.name {
			return "several"
		}
		used = t.best.ear.name
	}
	if used == "" {
		return "none"
	}
	return used
}

// marks enters what the runs say into the timeline.
func (d *Diagnosis) marks(tracks []*track) {
	for _, t := range tracks {
		for i := range t.bytes {
			b := &t.bytes[i]
			k := int(t.best.seconds(b.At) / d.SliceS)
			if k < 0 || k >= len(d.Timeline) {
				continue
			}
			s := &d.Timeline[k]
			s.SpeedPct = 100 * (float64(b.Speed) - 1)
			if !s.Code {
				s.Code, s.NoiseDB = true, audio.DB(t.best.Noise)
			}
		}
	}
}

func (d *Diagnosis) noise(tracks []*track) {
	var s, n, w float64
	for _, t := range tracks {
		len := t.best.toS() - t.best.fromS()
		s += len * t.best.Level * t.best.Level
		n += len * t.best.Noise * t.best.Noise
		w += len
	}
	for i := range d.Timeline {
		// Samples that are exactly zero come out of a computer, not off a tape.
		d.Synthetic = d.Synthetic || d.Timeline[i].PeakDB < -150
	}
	if w == 0 || s == 0 {
		return
	}
	d.SNRDB = round(math.Min(70, 10*math.Log10(s/(n+s*1e-7))), 1)
}

func (d *Diagnosis) hum() {
	var hum, sig float64
	votes := map[int]int{}
	n := 0
	for i := range d.Timeline {
		s := &d.Timeline[i]
		if !s.Code {
			continue
		}
		hum += math.Pow(10, s.HumDB/10)
		sig += math.Pow(10, s.LevelDB/10)
		votes[s.humHz]++
		n++
	}
	if n == 0 || sig == 0 {
		d.HumRelDB = -200
		return
	}
	d.HumRelDB = round(10*math.Log10(hum/sig+1e-20), 1)
	if d.HumRelDB > humAudible {
		d.HumHz = 50
		if votes[60] > votes[50] {
			d.HumHz = 60
		}
	}
}

// Limits from which something is worth a word.
const (
	humAudible   = -20.0 // dB below the signal
	clipWorth    = 0.5   // percent of the samples
	lowLevel     = -30.0 // dBFS
	quietLevel   = -24.0 // dBFS: above it the noise is hardly the input's
	wowWorth     = 0.5   // percent, weighted peak
	trebleWorth  = -4.0  // dB
	dcWorth      = 0.1   // of full scale
	noiseWorth   = 15.0  // dB SNR
	invertFaults = 0.5
)

func (d *Diagnosis) clipping() {
	var c, n float64
	for i := range d.Timeline {
		if d.Timeline[i].Code {
			c += d.Timeline[i].Clipped
			n++
		}
	}
	if n > 0 && !d.Synthetic {
		d.Clipped = round(100*c/n, 2)
	}
}

// response compares the spectrum of the longest track with that of its own bytes, written anew.
func (l *listener) response(d *Diagnosis, tracks []*track) {
	var t *track
	for _, x := range tracks {
		if t == nil || len(x.bytes) > len(t.bytes) {
			t = x
		}
	}
	if t == nil || len(t.bytes) < 32 {
		return
	}
	h := &t.best
	got, ok := l.spec.between(h.fromS(), h.toS())
	if !ok {
		return
	}
	m, err := linecode.NewModulator(h.Code, l.rate, linecode.Shape{Speed: math.Min(2, math.Max(0.5, h.Speed))})
	if err != nil {
		return
	}
	data := values(t.bytes)
	// A part of a long program is enough: 80 frames of the spectrum average its bits out.
	if most := int(80*specSize/l.rate/h.Code.FrameSeconds()) + 8; len(data) > most {
		data = data[:most]
	}
	_, _ = m.Write(data)
	ref := newSpectra(l.rate)
	var sum [specBands]float64
	frames := 0
	buf, frame := make([]float32, specSize), make([]float64, specSize)
	for {
		n, err := m.Read(buf)
		if n < specSize || err != nil {
			break
		}
		for i, v := range buf {
			frame[i] = float64(v)
		}
		p := ref.bands(frame)
		for j := range p {
			sum[j] += p[j]
		}
		frames++
	}
	if frames == 0 {
		return
	}
	var strongest float64
	for _, v := range sum {
		strongest = math.Max(strongest, v)
	}
	// White noise puts noise^2 x (sum of the squared window) into each line of the spectrum.
	perLine := h.Noise * h.Noise * specSize * 0.375
	best := math.Inf(-1)
	for j, hz := range specHz {
		if sum[j] < strongest*1e-3 || hz > 0.4*l.rate {
			continue
		}
		lines := math.Max(1, hz*(1.19-1/1.19)*specSize/l.rate)
		p := got[j] - perLine*lines
		if p < 0.3*got[j] {
			continue // more noise than signal: nothing to measure
		}
		db := 10 * math.Log10(p/(sum[j]/float64(frames)))
		d.Response = append(d.Response, Band{hz, db})
		best = math.Max(best, db)
	}
	for i := range d.Response {
		d.Response[i].DB = round(d.Response[i].DB-best, 1)
	}
	d.TrebleDB = round(d.at(2400)-d.at(1200), 1)
	if math.IsNaN(d.TrebleDB) {
		d.TrebleDB = 0
	}
}

// at is the response at hz, NaN where it was not measured.
func (d *Diagnosis) at(hz float64) float64 {
	for _, b := range d.Response {
		if b.Hz == hz {
			return b.DB
		}
	}
	return math.NaN()
}

// azimuth works out the angle of the head: from the delay between the channels (0.9 mm apart) where there are two, from
// what is missing at 2400 Hz on a mono track (1.5 mm) else. Other losses of treble look the same on one channel.
func (d *Diagnosis) azimuth(tracks []*track, channels int) {
	if channels > 1 && math.Abs(d.Correlation) > 0.5 && d.SkewUS != 0 {
		d.AzimuthMin = round(math.Atan(math.Abs(d.SkewUS)*1e-6*tapeSpeedMM/0.9)*180/math.Pi*60, 0)
		d.AzimuthBy = "delay between the channels"
		return
	}
	if channels == 1 && d.TrebleDB < trebleWorth {
		for a := 1.0; a < 45; a++ {
			if azimuthLossDB(2400, a, 1.5)-azimuthLossDB(1200, a, 1.5) >= -d.TrebleDB {
				d.AzimuthMin = a
				d.AzimuthBy = "treble loss; a dirty or worn head looks the same"
				return
			}
		}
	}
}

// azimuthLossDB is the loss at hz of a track of width mm played by a gap at an angle of minutes of arc, positive.
// Source: sheet A5, L = 20 log10 |sin x / x|, x = pi w tan(a) / wavelength (textbook formula, from memory).
func azimuthLossDB(hz, minutes, widthMM float64) float64 {
	x := math.Pi * widthMM * math.Tan(minutes/60*math.Pi/180) * hz / tapeSpeedMM
	if x == 0 {
		return 0
	}
	return -20 * math.Log10(math.Abs(math.Sin(x)/x))
}

// events takes the dropouts that lie in a program, and tells splices from them: a short gap with nothing at all in it.
func (d *Diagnosis) events(line *timeline, tracks []*track) {
	d.MoreDropouts = line.drop.more
	for _, e := range line.drop.found {
		inside := false
		for _, t := range tracks {
			inside = inside || e.AtS+e.Seconds > t.best.leaderS()+0.05 && e.AtS < t.best.toS()-0.02
		}
		if !inside {
			continue
		}
		ev := Event{AtS: round(e.AtS, 3), MS: round(1000*e.Seconds, 0), DepthDB: round(e.DepthDB, 0)}
		if e.DepthDB >= 25 && e.Seconds >= 0.02 && d.breaksTime(e, tracks) {
			d.Splices = append(d.Splices, ev)
		} else {
			d.Dropouts = append(d.Dropouts, ev)
		}
		if k := int(e.AtS / d.SliceS); k < len(d.Timeline) {
			d.Timeline[k].Dropouts++
		}
	}
}

// breaksTime says whether the bytes behind a gap do not stand where the ones before it lead to: tape is missing there.
func (d *Diagnosis) breaksTime(e Dropout, tracks []*track) bool {
	for _, t := range tracks {
		for i := 1; i < len(t.bytes); i++ {
			a, b := &t.bytes[i-1], &t.bytes[i]
			at := t.best.seconds(a.At)
			if at < e.AtS-0.5 || at > e.AtS+e.Seconds+0.2 {
				continue
			}
			if gap := b.At - a.At - float64(a.Length); math.Abs(gap) > 0.2*float64(a.Length) && len(t.best.Code.Framing.Start) == 0 {
				return true
			}
		}
	}
	return e.Seconds >= 0.02 && e.AtS < 30 && e.DepthDB >= 40
}

// explain adds to each fault of a program what the tape did there, and says which dropouts cost something.
func (r *Result) explain(tracks []*track) {
	d := r.Diagnosis
	blockS := 0.3
	for _, t := range tracks {
		blockS = math.Max(0.3, 262*t.best.Code.FrameSeconds())
		break
	}
	for i := range r.Faults {
		f := &r.Faults[i]
		if !strings.Contains(f.What, "block") && !strings.Contains(f.What, "byte") && !strings.Contains(f.What, "line") {
			continue
		}
		span := 0.3
		if strings.HasPrefix(f.What, "block") {
			span = blockS
		}
		cause := ""
		for k := range d.Dropouts {
			e := &d.Dropouts[k]
			if e.AtS+e.MS/1000 >= f.AtS-0.1 && e.AtS <= f.AtS+span {
				e.Lost = what(f.What)
				if cause == "" {
					cause = fmt.Sprintf("%.0f ms dropout at %.1f s", e.MS, e.AtS)
				}
			}
		}
		for k := range d.Splices {
			e := &d.Splices[k]
			if e.AtS+e.MS/1000 >= f.AtS-0.1 && e.AtS <= f.AtS+span {
				e.Lost = what(f.What)
				cause = fmt.Sprintf("splice or wrinkle of %.0f ms at %.1f s", e.MS, e.AtS)
			}
		}
		switch {
		case cause != "":
			f.What += "; " + cause + "; clean the head and play this stretch again, or use another copy"
		case d.Clipped > 5:
			f.What += "; the recording is clipped; record again with the level 10 dB lower"
		case d.SNRDB > 0 && d.SNRDB < noiseWorth && !d.Synthetic:
			f.What += fmt.Sprintf("; noise only %.0f dB below the signal", d.SNRDB) // what to do the verdict says once
		}
	}
}

// what shortens a fault to its subject.
func what(s string) string {
	for _, sep := range []string{" (", ":", " is ", " are "} {
		if i := strings.Index(s, sep); i > 0 {
			s = s[:i]
		}
	}
	return s
}
