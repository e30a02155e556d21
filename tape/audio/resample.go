package audio

import (
	"fmt"
	"io"
	"math"
)

// Warp plays samples at a speed that may change from one sample to the next: the time base of a tape deck, or, with a
// fixed step, a change of rate. It interpolates with a windowed sinc: for a band-limited signal the value between two
// samples is the sum of the samples around it, each times sin(pi d)/(pi d) at its distance d; the window (Blackman)
// ends that sum after a few samples each side.
type Warp struct {
	channels int
	half     int         // samples each side
	table    []float32   // (phases+1) rows of 2*half weights
	buf      [][]float32 // one row a channel
	pos      float64     // where in buf the next output sample lies
}

// warpPhases is the number of places between two samples with weights of their own; the nearest is taken, which
// leaves an error of about -66 dB at 4 kHz in 44.1 kHz.
const warpPhases = 1024

// NewWarp makes a Warp. cutoff is the highest frequency kept, as a part of half the input rate: 1 for playing near
// the recorded speed, less where the output has a lower rate than the input.
func NewWarp(channels int, cutoff float64) *Warp {
	cutoff = min(cutoff, 1)
	half := int(math.Ceil(8 / cutoff))
	w := &Warp{channels: channels, half: half, buf: make([][]float32, channels), pos: float64(half)}
	w.table = make([]float32, (warpPhases+1)*2*half)
	for p := 0; p <= warpPhases; p++ {
		row := w.table[p*2*half : (p+1)*2*half]
		var sum float64
		for k := range row {
			d := float64(k-half+1) - float64(p)/warpPhases
			x := d / float64(half)
			if x <= -1 || x >= 1 {
				continue
			}
			v := cutoff * sinc(cutoff*d) * (0.42 + 0.5*math.Cos(math.Pi*x) + 0.08*math.Cos(2*math.Pi*x))
			row[k] = float32(v)
			sum += v
		}
		for k := range row { // a constant stays the constant it was
			row[k] = float32(float64(row[k]) / sum)
		}
	}
	for c := range w.buf { // the first sample has silence before it
		w.buf[c] = make([]float32, half, 1<<14)
	}
	return w
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// Feed takes interleaved samples.
func (w *Warp) Feed(in []float32) {
	if drop := int(w.pos) - w.half; drop > 1<<13 {
		for c, b := range w.buf {
			w.buf[c] = b[:copy(b, b[drop:])]
		}
		w.pos -= float64(drop)
	}
	for c := range w.buf {
		b := w.buf[c]
		for i := c; i < len(in); i += w.channels {
			b = append(b, in[i])
		}
		w.buf[c] = b
	}
}

// Finish feeds the silence after the last sample, so that the last ones come out.
func (w *Warp) Finish() { w.Feed(make([]float32, w.half*w.channels)) }

// Pull appends to out what can be made of the samples fed so far; step gives, for each output frame, how many input
// frames to move on.
func (w *Warp) Pull(out []float32, step func() float64) []float32 {
	n := len(w.buf[0])
	taps := 2 * w.half
	for {
		i := int(w.pos)
		if i+w.half >= n {
			return out
		}
		p := int((w.pos-float64(i))*warpPhases + 0.5)
		row := w.table[p*taps : (p+1)*taps]
		for _, b := range w.buf {
			x := b[i-w.half+1 : i+w.half+1]
			x = x[:len(row)]
			var s0, s1 float32
			for k := 0; k+1 < len(row); k += 2 {
				s0 += row[k] * x[k]
				s1 += row[k+1] * x[k+1]
			}
			out = append(out, s0+s1)
		}
		s := step()
		if !(s > 0.01) {
			s = 0.01
		}
		w.pos += s
	}
}

// Resampled is a Source with another rate.
type Resampled struct {
	src  Source
	f    Format
	w    *Warp
	step float64
	in   []float32
	out  []float32
	at   int
	err  error
}

// Resample gives src at rateHz.
func Resample(src Source, rateHz int) *Resampled {
	f := src.Format()
	step := float64(f.RateHz) / float64(rateHz)
	cutoff := 1.0
	if step > 1 {
		cutoff = 0.95 / step
	}
	r := &Resampled{src: src, f: f, w: NewWarp(f.Channels, cutoff), step: step, in: make([]float32, 8192/f.Channels*f.Channels)}
	r.f.RateHz, r.f.Bits, r.f.Float = rateHz, 32, true
	return r
}

func (r *Resampled) Format() Format { return r.f }

func (r *Resampled) Len() int64 {
	n := r.src.Len()
	if n < 0 {
		return -1
	}
	return int64(float64(n) / r.step)
}

func (r *Resampled) Read(dst []float32) (int, error) {
	if len(dst) < r.f.Channels {
		return 0, fmt.Errorf("read: want room for %d samples, found %d", r.f.Channels, len(dst))
	}
	for r.at == len(r.out) {
		if r.err != nil {
			return 0, r.err
		}
		n, err := r.src.Read(r.in)
		r.w.Feed(r.in[:n])
		if err == io.EOF {
			r.w.Finish()
		}
		r.err = err
		r.out = r.w.Pull(r.out[:0], func() float64 { return r.step })
		r.at = 0
	}
	n := min(len(dst)/r.f.Channels*r.f.Channels, len(r.out)-r.at)
	copy(dst, r.out[r.at:r.at+n])
	r.at += n
	return n, nil
}
