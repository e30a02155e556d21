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
	near := func(x, p float64) float64 { d := (x/p - 1) / 0.12; return math.Exp(-d * d / 2) }
	var best pace
	for p := 1500.0; p < 9500; p *= 1.01 {
		one, fit, mid := 0.0, 0.0, 0.0
		for i, n := range h.Counts[:len(h.Counts)-1] {
			if n == 0 {
				continue
			}
			x := (float64(i) + 0.5) * h.BinNS
			if x < 600 || x > 2.6*p {
				continue
			}
			a, b, c := near(x, p), near(x, 1.5*p), near(x, 2*p)
			one += a * float64(n)
			fit += max(a, b, c) * float64(n)
			if x > 1.4*p && x < 1.6*p {
				mid += float64(n)
			}
		}
		if one < 0.04*float64(total) {
			continue
		}
		if f := fit / float64(total); f > best.fit {
			best = pace{p, mid / float64(total), f}
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
