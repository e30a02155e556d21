package tape

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"

	"remanence/internal/progress"
	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// ReadOptions says how a recording is read. The zero value repairs what it can and says so.
type ReadOptions struct {
	Raw      bool    // collect every byte after each sync, in order, without looking for programs
	NoRepair bool    // leave blocks whose sum is wrong as they were heard
	Channel  string  // "": chosen by quality; "left", "right" or "both" (their combination) only
	Speed    float64 // largest deviation from nominal speed looked for; 0: 0.15
	// Keep gives the result what pictures need (decisions of every bit); it costs 72 bytes a byte read.
	Keep bool
}

// Result is what was found on one recording.
type Result struct {
	LineCode     string     `json:"line-code"` // of the first program; "" where none was found
	Programs     []*Program `json:"programs"`
	Faults       []Fault    `json:"faults"`
	Polarity     string     `json:"polarity"`      // normal, inverted, mixed; indifferent: the code has none; unknown: nothing found
	SpeedPercent float64    `json:"speed-percent"` // mean deviation from nominal, + is fast
	LevelDBFS    float64    `json:"level-dbfs"`    // rms of the signal while a code was sounding
	Verdict      string     `json:"verdict"`
	Diagnosis    *Diagnosis `json:"diagnosis"`
	Notes        []string   `json:"notes"`
	Stopped      bool       `json:"stopped,omitempty"` // given up before the end of the recording

	Raw     []byte          `json:"-"` // with ReadOptions.Raw
	RawSoft []linecode.Byte `json:"-"` // the same with odds
	runs    []*track
	mixes   []mixAt
	rate    float64
	refused []refusal
}

// track is what one stretch of tape says: the best run heard there, with the others beside it.
type track struct {
	best   heard
	others []heard
	bytes  []linecode.Byte // after merging channels
	index  int             // among the tracks of the recording
}

// Read finds every program in src, at whatever place, speed, polarity and level, in any of the codes. A context that
// ends stops it; what was found until then is in the result, and Stopped is set.
func Read(ctx context.Context, src audio.Source, codes []*linecode.Code, o ReadOptions, p progress.Progress) (*Result, error) {
	if len(codes) == 0 {
		return nil, errors.New("line codes: want at least one, found none")
	}
	f := src.Format()
	if listen := listeningRate(f); listen != f.RateHz {
		src = audio.Resample(src, listen)
	}
	l, err := newListener(src.Format(), codes, o)
	if err != nil {
		return nil, err
	}
	p = progress.Or(p)
	total := 0
	if n := src.Len(); n > 0 {
		total = int(n / int64(src.Format().RateHz))
	}
	p.Start("reading tape", total)
	defer p.Done()
	stopped, err := l.listen(ctx, src, p)
	if err != nil && l.frames == 0 {
		return nil, err
	}
	if e := l.finish(); e != nil {
		return nil, e
	}
	res := l.result(f, o)
	res.Stopped = stopped
	if err != nil {
		at := float64(l.frames) / l.rate
		res.Faults = append(res.Faults, Fault{at, fmt.Sprintf("the file cannot be read further: %v", err)})
		res.Notes = append(res.Notes, "reading ended early: "+err.Error())
	}
	if stopped {
		res.Notes = append(res.Notes, fmt.Sprintf("stopped at %.0f s; what follows was not read", float64(l.frames)/l.rate))
	}
	return res, nil
}

type listener struct {
	f      audio.Format
	rate   float64
	ears   []*ear
	lines  []*timeline
	mix    *stereo
	frames int64
	l, r   []float32
	spec   *spectra
	notes  []string
	keep   bool
	mixes  []mixAt
}

func newListener(f audio.Format, codes []*linecode.Code, o ReadOptions) (*listener, error) {
	l := &listener{f: f, rate: float64(f.RateHz), keep: o.Keep}
	opts := linecode.Options{SpeedRange: o.Speed}
	usable := codes[:0:0]
	var last error
	for _, c := range codes {
		if _, err := linecode.NewDemodulator(c, l.rate, opts); err != nil { // for example: too low a rate for the code
			last = err
			l.notes = append(l.notes, err.Error())
			continue
		}
		usable = append(usable, c)
	}
	if len(usable) == 0 {
		return nil, last
	}
	names := []string{"mono"}
	switch {
	case f.Channels == 1:
	case o.Channel == "":
		names = []string{"both", "left", "right"}
	case o.Channel == "left" || o.Channel == "right" || o.Channel == "both":
		names = []string{o.Channel}
	default:
		return nil, fmt.Errorf("channel %q: want left, right or both", o.Channel)
	}
	for _, n := range names {
		l.ears = append(l.ears, newEar(n, usable, l.rate, opts))
	}
	l.lines = append(l.lines, newTimeline(l.rate))
	l.spec = newSpectra(l.rate)
	if f.Channels > 1 {
		l.lines = append(l.lines, newTimeline(l.rate))
		l.mix = &stereo{rate: l.rate, sign: 1, gain0: 0.5, gain1: 0.5}
		if f.Channels > 2 {
			l.notes = append(l.notes, fmt.Sprintf("%d channels; the first two are read", f.Channels))
		}
	}
	return l, nil
}

// listenChunk is how many frames are read at a time.
const listenChunk = 8192

func (l *listener) listen(ctx context.Context, src audio.Source, p progress.Progress) (stopped bool, err error) {
	ch := l.f.Channels
	buf := make([]float32, listenChunk*ch)
	told := int64(0)
	for {
		if ctx.Err() != nil {
			return true, nil
		}
		n, err := src.Read(buf)
		if n > 0 {
			if err := l.chunk(buf[:n]); err != nil {
				return false, err
			}
			if s := l.frames / int64(l.f.RateHz); s > told {
				p.Step(int(s-told), l.note())
				told = s
			}
		}
		if err == io.EOF {
			return false, nil
		}
		if err != nil {
			return false, err
		}
	}
}

func (l *listener) note() string {
	n := 0
	for _, e := range l.ears {
		n = max(n, len(e.runs))
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%d blocks heard", n)
}

func (l *listener) chunk(s []float32) error {
	ch := l.f.Channels
	l.frames += int64(len(s) / ch)
	silent := !slices.ContainsFunc(s, func(v float32) bool { return v != 0 })
	for c, t := range l.lines {
		rest := s
		if silent {
			rest = s[t.silence(len(s)/ch)*ch:]
		}
		t.add(rest, c, ch)
	}
	if silent && !slices.ContainsFunc(l.ears, func(e *ear) bool { return !e.asleep }) {
		for _, e := range l.ears { // hours of nothing
			e.at += int64(len(s) / ch)
		}
		l.spec.n += int64(len(s) / ch)
		return nil
	}
	if ch == 1 {
		l.spec.add(s)
		return l.ears[0].feed(s)
	}
	l.l, l.r = l.l[:0], l.r[:0]
	for i := 0; i+1 < len(s); i += ch {
		l.l = append(l.l, s[i])
		l.r = append(l.r, s[i+1])
	}
	mixed := l.mix.mix(l.l, l.r)
	if l.keep {
		l.noteMix()
	}
	l.spec.add(mixed)
	for _, e := range l.ears {
		in := mixed
		switch e.name {
		case "left":
			in = l.l
		case "right":
			in = l.r
		}
		if err := e.feed(in); err != nil {
			return err
		}
	}
	return nil
}

func (l *listener) finish() error {
	for _, e := range l.ears {
		if err := e.close(); err != nil {
			return err
		}
	}
	for _, t := range l.lines {
		t.cut()
	}
	return nil
}

// quality says how much a run deserves belief: what share of its bits is certain, times how well it keeps the rules of
// its code.
func quality(r *linecode.Run) float64 { return r.Certainty * r.Fit }

// believable says whether a run can be a recording of its code at all. A run of another code, of music or of noise now
// and then begins like one; it does not keep the rules of the code for long, and its bits are guesses.
func (e *ear) believable(r *linecode.Run) bool {
	if len(r.Bytes) == 0 || !r.Synced {
		return false
	}
	if len(e.codes) == 1 { // asked for by name
		return r.Fit >= 0.4
	}
	return r.Fit >= 0.6 && quality(r) >= 0.25
}

// choose keeps, of runs that lie over each other, the best, with runs of the same code on other ears beside it.
func (l *listener) choose() []*track {
	var all []heard
	for _, e := range l.ears {
		for _, h := range e.runs {
			if e.believable(h.Run) {
				all = append(all, h)
			}
		}
	}
	sort.SliceStable(all, func(i, j int) bool {
		a, b := score(&all[i]), score(&all[j])
		return a > b
	})
	var out []*track
	for _, h := range all {
		var over *track
		for _, t := range out {
			lo, hi := math.Max(t.best.leaderS(), h.leaderS()), math.Min(t.best.toS(), h.toS())
			if hi-lo > 0.2*math.Min(t.best.toS()-t.best.leaderS(), h.toS()-h.leaderS()) {
				over = t
				break
			}
		}
		switch {
		case over == nil:
			out = append(out, &track{best: h})
		case over.best.Code.Name == h.Code.Name && over.best.ear != h.ear:
			over.others = append(over.others, h)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].best.fromS() < out[j].best.fromS() })
	for _, t := range out {
		t.merge()
	}
	return out
}

// score orders runs that compete for a stretch of tape: by how well they keep the rules of their code, by how much of the
// sound they explain (a wrong code that fits by chance leaves most of it over), and by how much of the tape they cover.
func score(h *heard) float64 {
	return quality(h.Run) * explained(h.Run) * (1 + math.Log1p(float64(len(h.Bytes)))/20)
}

// explained is the part of the power that is the decided waveform.
func explained(r *linecode.Run) float64 {
	s, n := r.Level*r.Level, r.Noise*r.Noise
	if s+n == 0 {
		return 0
	}
	return s / (s + n)
}

// merge adds to each byte of the best run the odds of the same byte on other channels. Their noise is only partly the
// same, so that the sum is too sure of itself, but its sign is right; where one channel drops out the other speaks.
func (t *track) merge() {
	t.bytes = t.best.Bytes
	defer t.dropStrays()
	if len(t.others) == 0 {
		return
	}
	t.bytes = append([]linecode.Byte(nil), t.bytes...)
	for _, o := range t.others {
		off := float64(o.base - t.best.base)
		delay := off
		if o.ear.name == "both" || t.best.ear.name == "both" { // the combination comes maxSkew samples late
			if o.ear.name == "both" {
				delay -= maxSkew
			} else {
				delay += maxSkew
			}
		}
		j := 0
		for i := range t.bytes {
			b := &t.bytes[i]
			for j < len(o.Bytes) && o.Bytes[j].At+delay < b.At-float64(b.Length)/4 {
				j++
			}
			if j < len(o.Bytes) && math.Abs(o.Bytes[j].At+delay-b.At) <= float64(b.Length)/4 {
				addOdds(b, &o.Bytes[j], 0.5)
			}
		}
	}
}

// dropStrays takes out bytes that a dropout in the leader, or between two blocks, made: one or two that stand alone in
// the mark, with a start bit far weaker than those of the rest.
func (t *track) dropStrays() {
	c := t.best.Code
	if len(c.Framing.Start) == 0 || len(t.bytes) < 8 {
		return
	}
	frames := make([]float64, len(t.bytes))
	for i := range t.bytes {
		frames[i] = float64(t.bytes[i].Frame)
	}
	usual := quantile(frames, 0.5)
	var out []linecode.Byte
	from := 0
	for i := 1; i <= len(t.bytes); i++ {
		b := t.bytes
		if i < len(b) && b[i].At-b[i-1].At-float64(b[i-1].Length) < strayPauseS*t.best.ear.rate {
			continue
		}
		weak := i-from <= 2
		for k := from; k < i; k++ {
			weak = weak && float64(b[k].Frame) < 0.2*usual
		}
		if !weak {
			out = append(out, b[from:i]...)
		}
		from = i
	}
	t.bytes = out
}

// strayPauseS is the least mark around a stray byte, in seconds.
const strayPauseS = 0.1

// addOdds adds the odds of o to b, weighted, and decides again.
func addOdds(b *linecode.Byte, o *linecode.Byte, weight float32) {
	var v byte
	for k := range b.LLR {
		b.LLR[k] += weight * o.LLR[k]
		if b.LLR[k] > 0 {
			v |= 1 << k
		}
	}
	b.Value = v
}
