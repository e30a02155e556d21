package tape

import (
	"math"

	"remanence/tape/audio"
)

// Peaks of a recording: the least and greatest sample of equal steps, 256 samples each at first, and of four steps, of
// four of those, and so on up to one. A stretch of any length is drawn from a level that has a few steps a pixel, so
// that three hours cost no more than three seconds.
const (
	peakStep  = 256
	peakRatio = 4
	// maxPeaks bounds the finest level of a channel: a recording that has more gets steps twice as long, as often as it
	// needs. Three hours at 48 kHz have 2,025,000 steps of 256.
	maxPeaks = 1 << 21
	// maxPeakChannels: the first two channels are read, so that they are looked at.
	maxPeakChannels = 2
)

// peak is the least and greatest of a step, full scale ±32767, rounded outwards.
type peak struct{ lo, hi int16 }

func outward(lo, hi float32) peak {
	down := math.Floor(math.Max(-1, math.Min(1, float64(lo))) * math.MaxInt16)
	up := math.Ceil(math.Max(-1, math.Min(1, float64(hi))) * math.MaxInt16)
	return peak{int16(down), int16(up)}
}

// peakMeter gathers the finest level of one channel.
type peakMeter struct {
	step   int64
	n      int64 // samples in the open step
	lo, hi float32
	done   []peak
}

func newPeakMeter() *peakMeter { return &peakMeter{step: peakStep} }

// add takes the samples of channel c of ch.
func (m *peakMeter) add(s []float32, c, ch int) {
	lo, hi, n := m.lo, m.hi, m.n
	for i := c; i < len(s); i += ch {
		v := s[i]
		if n == 0 {
			lo, hi = v, v
		}
		lo, hi = min(lo, v), max(hi, v)
		if n++; n == m.step {
			m.done = append(m.done, outward(lo, hi))
			n = 0
			if len(m.done) == maxPeaks {
				m.done = coarser(m.done, 2)
				m.step *= 2
			}
		}
	}
	m.lo, m.hi, m.n = lo, hi, n
}

// levels closes the meter and gives all levels, the finest first.
func (m *peakMeter) levels() [][]peak {
	if m.n > 0 {
		m.done = append(m.done, outward(m.lo, m.hi))
		m.n = 0
	}
	out := [][]peak{m.done}
	for l := m.done; len(l) > 1; {
		l = coarser(append([]peak(nil), l...), peakRatio)
		out = append(out, l)
	}
	return out
}

// coarser joins each k peaks, in place.
func coarser(p []peak, k int) []peak {
	n := 0
	for i := 0; i < len(p); i += k {
		q := p[i]
		for _, r := range p[i+1 : min(i+k, len(p))] {
			q.lo, q.hi = min(q.lo, r.lo), max(q.hi, r.hi)
		}
		p[n] = q
		n++
	}
	return p[:n]
}

// Watch is a Source that passes a recording on to Read and keeps its peaks on the way.
type Watch struct {
	audio.Source
	// Copy takes the samples as well, where they are to be kept in a form that can be looked at anywhere; nil: it does not.
	Copy   audio.Sink
	frames int64
	meters []*peakMeter
	failed error // of Copy
}

// NewWatch watches src from its start.
func NewWatch(src audio.Source) *Watch {
	w := &Watch{Source: src}
	for range min(src.Format().Channels, maxPeakChannels) {
		w.meters = append(w.meters, newPeakMeter())
	}
	return w
}

func (w *Watch) Read(buf []float32) (int, error) {
	n, err := w.Source.Read(buf)
	ch := w.Format().Channels
	for c, m := range w.meters {
		m.add(buf[:n], c, ch)
	}
	w.frames += int64(n / ch)
	if w.Copy != nil && w.failed == nil && n > 0 {
		w.failed = w.Copy.Write(buf[:n])
	}
	return n, err
}

// CopyFault says what kept Copy from taking all of the recording, nil if nothing did.
func (w *Watch) CopyFault() error { return w.failed }
