package tape

import (
	"context"
	"io"
	"math"
	"sort"

	"remanence/tape/audio"
	"remanence/tape/linecode"
)

// faultWindow is the sound around a fault.
type faultWindow struct {
	fault   Fault
	t       *track
	from    float64 // sample of the recording
	to      float64
	samples []float32
	start   int64
}

// eyeTrace is the sound of a few bits, laid over others by the cell grid.
type eyeTrace struct {
	t       *track
	bit     int
	at      float64 // start of the bit, sample of the recording
	cell    float64 // its length in samples
	samples []float32
	start   int64
}

type windowSet struct {
	faults []*faultWindow
	eye    []*eyeTrace
}

// windows reads the recording once more and keeps what is to be drawn.
func (r *Result) windows(ctx context.Context, src audio.Source) (*windowSet, error) {
	w := &windowSet{}
	for _, f := range r.Faults {
		if len(w.faults) == maxFaultPictures {
			break
		}
		if fw := r.faultWindow(f); fw != nil {
			w.faults = append(w.faults, fw)
		}
	}
	w.eye = r.eyeTraces()
	ch := src.Format().Channels
	buf := make([]float32, 8192*ch)
	mono := make([]float32, 8192)
	var at int64
	var mix *stereo
	if ch > 1 {
		mix = &stereo{rate: r.rate, sign: 1, gain0: 0.5, gain1: 0.5}
	}
	var left, right []float32
	for {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		n, err := src.Read(buf)
		frames := n / ch
		mono = mono[:frames]
		left, right = left[:0], right[:0]
		for i := range mono {
			mono[i] = buf[i*ch]
			if ch > 1 {
				left, right = append(left, buf[i*ch]), append(right, buf[i*ch+1])
			}
		}
		var mixed []float32
		if mix != nil && frames > 0 {
			mixed = mix.mix(left, right)
		}
		pick := func(t *track) []float32 {
			switch t.best.ear.name {
			case "right":
				return right
			case "both":
				return mixed
			}
			return mono
		}
		for _, f := range w.faults {
			f.samples, f.start = keep(f.samples, f.start, pick(f.t), at, int64(f.from), int64(f.to))
		}
		for _, e := range w.eye {
			e.samples, e.start = keep(e.samples, e.start, pick(e.t), at, int64(e.at-e.cell*0.5), int64(e.at+e.cell*1.5)+2)
		}
		at += int64(frames)
		if err == io.EOF {
			return w, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// keep appends what lies between from and to of samples that begin at.
func keep(have []float32, start int64, s []float32, at, from, to int64) ([]float32, int64) {
	lo, hi := max(from-at, 0), min(to-at, int64(len(s)))
	if lo >= hi {
		return have, start
	}
	if len(have) == 0 {
		start = at + lo
	}
	return append(have, s[lo:hi]...), start
}

// faultWindow picks the bits around a fault: where the bits near it are least certain.
func (r *Result) faultWindow(f Fault) *faultWindow {
	for _, t := range r.runs {
		if f.AtS < t.best.leaderS() || f.AtS > t.best.toS()+0.1 || len(t.bytes) == 0 {
			continue
		}
		i := sort.Search(len(t.bytes), func(i int) bool { return t.best.seconds(t.bytes[i].At) >= f.AtS-1e-3 })
		i = min(i, len(t.bytes)-1)
		worst, least := i, float32(math.Inf(1))
		for k := i; k < len(t.bytes) && k < i+264; k++ {
			if _, v := t.bytes[k].Doubt(8); v < least {
				worst, least = k, v
			}
		}
		b := &t.bytes[worst]
		len := float64(b.Length)
		off := float64(t.best.base)
		return &faultWindow{fault: f, t: t, from: b.At + off - 0.8*len, to: b.At + off + 1.8*len}
	}
	return nil
}

// eyeTraces picks bits spread over the longest track.
func (r *Result) eyeTraces() []*eyeTrace {
	var t *track
	for _, x := range r.runs {
		if t == nil || len(x.bytes) > len(t.bytes) {
			t = x
		}
	}
	if t == nil {
		return nil
	}
	const most = 320
	c := t.best.Code
	bits := len(t.bytes) * 8
	step := max(1, bits/most)
	step |= 1 // odd, so that every place in a byte comes up
	var out []*eyeTrace
	for k := 0; k < bits && len(out) < most; k += step {
		b := &t.bytes[k/8]
		frame := float64(c.Framing.FrameBits())
		place := k%8 + len(c.Framing.Start)
		w := k % 8
		if c.Framing.Order == linecode.HighFirst {
			w = 7 - w
		}
		cell := float64(b.Length) / frame
		out = append(out, &eyeTrace{t: t, bit: int(b.Value>>w) & 1, at: b.At + float64(t.best.base) + float64(place)*cell, cell: cell})
	}
	return out
}

// readEye gets the sound of one trace from anywhere in the recording, at the rate and in the signal it was heard in.
func (r *Result) readEye(e *eyeTrace, sound Sound) error {
	f := sound.Format()
	delay := int64(0)
	if e.t.best.ear.name == "both" {
		delay = maxSkew
	}
	e.start = int64(e.at - e.cell*0.5)
	n := int(e.cell*2) + 2
	step := float64(f.RateHz) / r.rate
	const beside = 2 * maxSkew
	from := e.start - delay - beside
	if from < 0 {
		return nil
	}
	in := make([]float32, int(float64(n+2*beside)*step+2)*f.Channels)
	got, err := sound.ReadFrames(in, int64(math.Round(float64(from)*step)))
	if err != nil {
		return err
	}
	in = in[:got*f.Channels]
	if step != 1 {
		if in, err = audio.ReadAll(audio.Resample(audio.NewBuffer(f.RateHz, f.Channels, in), int(r.rate)), 1<<20); err != nil {
			return err
		}
	}
	m := mixBefore(r.mixes, int64(from))
	ch := f.Channels
	for i := beside; i < beside+n && (i+beside)*ch <= len(in); i++ {
		v := in[i*ch]
		switch {
		case e.t.best.ear.name == "right":
			v = in[i*ch+1]
		case e.t.best.ear.name == "both":
			v = m.Left*v + m.Right*in[(i+m.Lag)*ch+1]
		}
		e.samples = append(e.samples, v)
	}
	return nil
}
