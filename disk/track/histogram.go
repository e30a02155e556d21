package track

import (
	"math"

	"remanence/disk"
	"remanence/disk/flux"
)

// HistogramOf counts the intervals of captures in bins of binNS (0: 100 ns, or a tick if that is longer), up to 20 us;
// what is longer counts in the last bin.
func HistogramOf(caps []*flux.Capture, binNS float64) Histogram {
	const topNS = 20_000
	if binNS <= 0 {
		binNS = 100
		for _, c := range caps {
			binNS = max(binNS, c.TickNS)
		}
	}
	h := Histogram{BinNS: binNS, Counts: make([]int, int(topNS/binNS)+1)}
	for _, c := range caps {
		h.add(c.Intervals, c.TickNS)
	}
	return h
}

func (h *Histogram) add(intervals []uint32, tickNS float64) {
	k, last := tickNS/h.BinNS, len(h.Counts)-1
	for _, v := range intervals {
		h.Counts[min(int(float64(v)*k), last)]++
	}
}

// pace is what an interval histogram says of the recording.
type pace struct {
	shortNS float64 // the shortest regular interval: one FM cell, two MFM cells
	middle  float64 // share of intervals of one and a half of that: none in FM
	fit     float64 // share of intervals at 1, 1.5 and 2 of that
}

// paceOf looks at a sample of a capture: a quarter of it, spread evenly.
func paceOf(c *flux.Capture) pace {
	const block, step = 512, 2048
	bin := max(50, c.TickNS)
	h := Histogram{BinNS: bin, Counts: make([]int, int(20_000/bin)+1)}
	for i := 0; i < len(c.Intervals); i += step {
		h.add(c.Intervals[i:min(i+block, len(c.Intervals))], c.TickNS)
	}
	return h.pace()
}

// paceStep is the width of a bin on the scale of ratios; paceBins reach from 0.6 to 20 us.
const (
	paceStep = 0.01
	paceBins = 352
)

type paceWeight struct{ one, fit, mid float64 }

// paceWeights is what an interval says for a pace, by the distance of their bins, from -30 on.
var paceWeights = func() (t [131]paceWeight) {
	near := func(x, p float64) float64 { d := (x/p - 1) / 0.12; return math.Exp(-d * d / 2) }
	for i := range t {
		x := math.Exp(float64(i-30) * paceStep)
		t[i] = paceWeight{one: near(x, 1), fit: max(near(x, 1), near(x, 1.5), near(x, 2))}
		if x > 1.4 && x < 1.6 {
			t[i].mid = 1
		}
	}
	return t
}()

func (h *Histogram) pace() pace {
	total := 0
	for i, n := range h.Counts {
		if x := (float64(i) + 0.5) * h.BinNS; x > 600 && i < len(h.Counts)-1 {
			total += n
		}
	}
	if total == 0 {
		return pace{}
	}
	// On a scale of equal ratios the weight of an interval depends on the distance of two bins alone.
	var logs [paceBins]float64
	top := 0
	for i, n := range h.Counts[:len(h.Counts)-1] {
		if x := (float64(i) + 0.5) * h.BinNS; n > 0 && x > 600 {
			k := min(int(math.Log(x/600)/paceStep+0.5), paceBins-1)
			logs[k] += float64(n)
			top = max(top, k)
		}
	}
	var best pace
	const from, to = 92, 277 // 1.5 to 9.5 us
	const reach = 30         // and down to 0.74, up to 2.7 of p
	for k := from; k < to; k++ {
		one, fit, mid := 0.0, 0.0, 0.0
		for i := max(0, k-reach); i <= min(top, k+100); i++ {
			n := logs[i]
			if n == 0 {
				continue
			}
			w := &paceWeights[i-k+reach]
			one += w.one * n
			fit += w.fit * n
			mid += w.mid * n
		}
		if one < 0.04*float64(total) {
			continue
		}
		if f := fit / float64(total); f > best.fit {
			best = pace{600 * math.Exp(float64(k)*paceStep), mid / float64(total), f}
		}
	}
	return best
}

// cellNS is the nominal cell of an encoding at this pace.
func (p pace) cellNS(e disk.Encoding) float64 {
	if e == disk.MFM {
		return p.shortNS / 2
	}
	return p.shortNS
}
