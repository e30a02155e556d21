package linecode

import (
	"bytes"
	"math"
)

// runStats is what a run is judged by.
type runStats struct {
	frames, bad   int // bytes, and those whose start, stop or parity bits are not as declared
	bits, certain int
	symbols, poor int // of a code of half-waves: all, and those the sound does not bear out
	level, speed  float64
	noise         float64
}

// emit gives out one frame.
func (tr *toneTrellis) emit(f toneFrame) {
	lk := tr.lk
	e := lk.e
	m := int64(tr.m)
	code := e.d.code
	k := len(tr.kinds)
	tr.frames++
	if f.from > tr.lastTo+1 {
		tr.gaps++
	}
	tr.lastTo = f.from + int64(k)*m
	base := int(f.from - tr.at + m)
	b := Byte{Frame: float32(math.Inf(1))}
	var llr [16]float64
	var along [16]float64
	for j := range k {
		i := base + (j+1)*tr.m
		r1, r0 := tr.part(1, i), tr.part(0, i)
		d := (tr.g[1]*r1 - tr.g[1]*tr.g[1]/2 - tr.g[0]*r0 + tr.g[0]*tr.g[0]/2) / tr.vari
		if d > 0 {
			along[j] = r1 / tr.g[1]
		} else {
			along[j] = r0 / tr.g[0]
		}
	}
	level := 0.0
	for j := range k {
		// the level of the bit and its neighbours: under a dropout the odds shrink with it
		s := (along[max(j-1, 0)] + along[j] + along[min(j+1, k-1)]) / 3
		level += s / float64(k)
		s = min(max(s, 0), 1)
		i := base + (j+1)*tr.m
		g1, g0 := tr.g[1]*s, tr.g[0]*s
		llr[j] = (g1*tr.part(1, i) - g1*g1/2 - g0*tr.part(0, i) + g0*g0/2) / tr.vari
	}
	fit := func(l float64) { b.Frame = min(b.Frame, float32(l)) }
	ones, weakest := 0, math.Inf(1)
	for j := range k {
		switch {
		case tr.kinds[j] == 1:
			fit(llr[j])
		case tr.kinds[j] == 0:
			fit(-llr[j])
		case j == tr.parity:
			if llr[j] > 0 {
				ones++
			}
			weakest = min(weakest, math.Abs(llr[j]))
			if (ones&1 == 1) == (code.Framing.Parity == "odd") {
				fit(weakest)
			} else {
				fit(-weakest)
			}
		default:
			w := j - len(code.Framing.Start)
			if code.Framing.Order == HighFirst {
				w = code.Framing.Bits - 1 - w
			}
			b.LLR[w] = believable(llr[j])
			if llr[j] > 0 {
				b.Value |= 1 << w
				ones++
			}
			weakest = min(weakest, math.Abs(llr[j]))
		}
	}
	t := lk.chunks[f.from-lk.first].at
	to := lk.t
	if i := f.from + int64(k)*m - lk.first; i < int64(len(lk.chunks)) {
		to = lk.chunks[i].at
	}
	b.At = e.recordingAt(t)
	b.Length = float32((to - t) * float64(e.dec.factor))
	b.Speed = float32(float64(k) * e.bitNominal / (to - t))
	amp := (tr.g[1] + tr.g[0]) / 2 * 2 / (e.bitNominal) // of the sine
	b.Level = float32(max(level, 0) * amp / math.Sqrt2)
	s := &tr.stats
	s.noise = math.Sqrt(2 * tr.vari / e.bitNominal * float64(e.dec.factor))
	tr.vote(f.from)
	if len(tr.sync) > 0 {
		tr.heard = append(tr.heard, b.Value)
		if n := len(tr.heard) - len(tr.sync); n >= 0 && bytes.Equal(tr.heard[n:], tr.sync) {
			tr.sync = nil
		} else if n > 0 {
			tr.heard = tr.heard[n:]
		}
		return
	}
	e.d.addByte(&tr.open, lk.leaderAt(), &b, s)
	if s.frames == 48 && float64(s.bad) > 0.4*48 {
		tr.refused = "a steady tone, then bits that are not framed as bytes of this code"
	}
}

// believable bounds odds by what they leave out: a dropout of half a bit takes a pulse or a stretch of tone away without
// a trace, and however clear the rest is, that happens. Odds up to e^15 stand; beyond, they grow as the logarithm does.
func believable(llr float64) float32 {
	switch {
	case llr > 15:
		return float32(15 + math.Log(llr-14))
	case llr < -15:
		return float32(-15 - math.Log(-llr-14))
	}
	return float32(llr)
}

// vote says whether the bit that begins at chunk c begins upwards, as declared, or downwards, by the phases of both tones
// there; one chunk is half a cycle of the faster tone, so the neighbours are asked as well.
func (tr *toneTrellis) vote(c int64) {
	best, up := math.Inf(-1), 0
	for d := int64(-1); d <= 1; d++ {
		s := 0.0
		for b := range 2 {
			turn := 2 * math.Pi * float64(tr.lk.e.cycles[b]) * float64((c+d)%int64(tr.m)) / float64(tr.m)
			s += math.Cos(turn + arg(tr.phase[b]))
		}
		if x := math.Abs(s) - 0.3*math.Abs(float64(d)); x > best {
			best, up = x, 1
			if s < 0 {
				up = -1
			}
		}
	}
	tr.upright += up
}

// part is what correlation of the bit that ends at index i lies in the phase of its tone.
func (tr *toneTrellis) part(bit, i int) float64 {
	z := tr.z1
	if bit == 0 {
		z = tr.z0
	}
	d := z[i] - z[i-tr.m]
	if tr.coherent[bit] {
		return real(d)
	}
	return cabs(d)
}

func (lk *toneLock) leaderAt() float64 { return lk.e.recordingAt(lk.start) }

// close judges the run and gives it out.
func (tr *toneTrellis) close() {
	r, s, e := tr.open, &tr.stats, tr.lk.e
	tr.open = nil
	seconds := (tr.lk.bestT - tr.lk.start) / e.rate
	switch {
	case tr.refused != "":
		return
	case r == nil || len(r.Bytes) == 0:
		what := "bytes"
		if len(tr.sync) > 0 {
			what = "sync"
		}
		e.d.refuse(tr.lk.leaderAt(), "%.1f s of leader, but no %s after it", seconds, what)
		return
	}
	if reason := s.judge(r); reason != "" {
		e.d.refuse(tr.lk.leaderAt(), "%s", reason)
		return
	}
	r.Synced, r.Inverted = true, tr.upright < 0
	r.Polar = 5*max(tr.upright, -tr.upright) >= 3*len(r.Bytes) // phases that have been bent say nothing
	e.d.finishRun(r, s.noise)
}

// judge says why a run is not one, "" if it is.
func (s *runStats) judge(r *Run) string {
	var t runStats
	t.count(r)
	lead := 0.0
	if len(r.Bytes) > 0 {
		lead = (r.From - r.LeaderAt) / float64(r.Bytes[0].Length) // in bytes
	}
	switch {
	case float64(t.certain) < 0.4*float64(t.bits):
		return "a leader, then bits that are all guesses"
	case float64(t.bad) > 0.25*float64(t.frames):
		return "a leader, then bits that are not framed as bytes of this code"
	case s.symbols > 0 && float64(t.certain) < 0.75*float64(t.bits), float64(s.poor) > 0.08*float64(s.symbols):
		return "a leader, then sound that is not half-waves of this code"
	case t.frames < 16 && t.bad > 0, t.frames < 16 && lead < 4:
		return "too short a leader for so few bytes"
	}
	return ""
}

// count adds up the bytes of a run.
func (s *runStats) count(r *Run) {
	for i := range r.Bytes {
		b := &r.Bytes[i]
		s.frames++
		if b.Frame < 0 && b.Level > 0 {
			s.bad++
		}
		for k := range r.Code.Framing.Bits {
			s.bits++
			if b.LLR[k] >= 5 || b.LLR[k] <= -5 {
				s.certain++
			}
		}
		s.speed += float64(b.Speed)
		s.level += float64(b.Level)
	}
}

// addByte appends b to the run, which is begun where there is none and cut where it is too long.
func (d *Demodulator) addByte(run **Run, leaderAt float64, b *Byte, s *runStats) {
	r := *run
	if r == nil {
		r = &Run{Code: d.code, LeaderAt: leaderAt, From: b.At}
		*run = r
	}
	s.frames++
	if b.Frame < 0 && b.Level > 0 {
		s.bad++
	}
	r.Bytes = append(r.Bytes, *b)
	if len(r.Bytes) >= MaxRunBytes {
		r.To = b.At + float64(b.Length)
		r.Continues, r.Synced = true, true
		d.finishRun(r, s.noise)
		*run = nil
	}
}

// finishRun fills in the means and hands the run over.
func (d *Demodulator) finishRun(r *Run, noise float64) {
	var s runStats
	s.count(r)
	n := float64(max(s.frames, 1))
	r.Speed, r.Level, r.Noise = s.speed/n, s.level/n, noise
	r.Certainty = float64(s.certain) / float64(max(s.bits, 1))
	r.Fit = 1 - float64(s.bad)/n
	d.runs = append(d.runs, r)
}
