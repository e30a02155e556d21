package linecode

import "math"

// Speed changes a block is tried with: variance of the relative change of speed, per second. From a crystal to a wow of
// 2 % at 4 Hz.
var refineQ = [...]float64{1e-6, 2e-5, 3e-4, startQ, 4 * startQ}

// smoothStep is one bit of the path in the smoother: time of its first chunk and length of a chunk, with covariance,
// before and after the bit was used.
type smoothStep struct {
	chunk         int64
	t, p          float64 // predicted
	tt, tp, pp    float64
	t2, p2        float64 // corrected
	tt2, tp2, pp2 float64
	dc            float64 // chunks since the step before
}

// refine finds where every chunk really lay, using the decided bits before and behind it: a Kalman filter forward and a
// smoother backward (Rauch, Tung, Striebel 1965; from memory) over the phase of the tone each bit turned out to be. The
// filter is run with several rates of speed change; the one under which the phases are likeliest is taken. Then phases,
// gains and noise are measured again and the chunks turned accordingly.
func (tr *toneTrellis) refine(n int) {
	lk := tr.lk
	if len(tr.marks) < 16 {
		return
	}
	bestQ, bestL := lk.q, math.Inf(-1)
	for _, q := range refineQ {
		if l := tr.forward(q, nil); l > bestL {
			bestQ, bestL = q, l
		}
	}
	steps := make([]smoothStep, 0, len(tr.marks))
	tr.forward(bestQ, &steps)
	if len(steps) < 2 {
		return
	}
	lk.q = max(bestQ, lk.q*0.2, 2e-5) // the tracking loop follows suit, with some reserve
	// backward
	x := make([]float64, len(steps)) // smoothed time of the step's first chunk
	k := len(steps) - 1
	st, sp := steps[k].t2, steps[k].p2
	x[k] = st
	for k--; k >= 0; k-- {
		a, b := &steps[k], &steps[k+1]
		det := b.tt*b.pp - b.tp*b.tp
		if det <= 0 {
			st, sp = a.t2, a.p2
			x[k] = st
			continue
		}
		// C = P2 F' P^-1 of the next step
		d := b.dc
		ft, fp := a.tt2+d*a.tp2, a.tp2
		gt, gp := a.tp2+d*a.pp2, a.pp2
		c00 := (ft*b.pp - fp*b.tp) / det
		c01 := (fp*b.tt - ft*b.tp) / det
		c10 := (gt*b.pp - gp*b.tp) / det
		c11 := (gp*b.tt - gt*b.tp) / det
		dt, dp := st-b.t, sp-b.p
		st, sp = a.t2+c00*dt+c01*dp, a.p2+c10*dt+c11*dp
		x[k] = st
	}
	tr.turn(n, steps, x)
	tr.remeasure(n)
}

// forward runs the filter over the marks and gives the logarithm of their likelihood; it stores the steps if asked.
func (tr *toneTrellis) forward(q float64, steps *[]smoothStep) float64 {
	lk := tr.lk
	m := float64(tr.m)
	first := true
	var s smoothStep
	logL := 0.0
	for _, mk := range tr.marks {
		b := int(mk.bit)
		i := int(mk.end-tr.at) + tr.m
		if i < tr.m || !tr.coherent[b] {
			continue
		}
		z := tr.z1[i] - tr.z1[i-tr.m]
		if b == 0 {
			z = tr.z0[i] - tr.z0[i-tr.m]
		}
		start := mk.end - int64(tr.m)
		ref := lk.chunks[start-lk.first].at
		if first {
			p := lk.period / m
			if j := start + int64(tr.m) - lk.first; j < int64(len(lk.chunks)) {
				p = (lk.chunks[j].at - ref) / m
			}
			s = smoothStep{chunk: start, t: ref, p: p, tt: math.Pow(0.05*p*m, 2), pp: math.Pow(0.005*p, 2)}
			first = false
		} else {
			d := float64(start - s.chunk)
			if d <= 0 {
				continue
			}
			qp := q * d * s.p2 / lk.e.rate * s.p2 * s.p2
			n := smoothStep{chunk: start, dc: d}
			n.t, n.p = s.t2+d*s.p2, s.p2
			n.tt = s.tt2 + 2*d*s.tp2 + d*d*s.pp2 + qp*d*d/3
			n.tp = s.tp2 + d*s.pp2 + qp*d/2
			n.pp = s.pp2 + qp
			s = n
		}
		T := s.p * m
		c := 2 * math.Pi * float64(lk.e.cycles[b])
		// phase against where the filter expects the bit
		nu := -arg(z*cis(-c*(ref-s.t)/T)) / c * T
		g := tr.g[b]
		meas := tr.vari / (g * g) / (c * c) * T * T
		sv := s.tt + meas
		e2 := nu * nu / sv
		logL -= 0.5 * (min(e2, 16) + math.Log(sv))
		if e2 > 16 { // a dropout or a wrong bit
			nu *= 4 / math.Sqrt(e2)
		}
		k0, k1 := s.tt/sv, s.tp/sv
		s.t2, s.p2 = s.t+k0*nu, s.p+k1*nu
		s.tt2, s.tp2, s.pp2 = s.tt*(1-k0), s.tp*(1-k0), s.pp-k1*s.tp
		if steps != nil {
			*steps = append(*steps, s)
		}
	}
	return logL
}

// turn rebuilds the prefix sums with every chunk turned to the phase it would have, had the reference run as x says.
func (tr *toneTrellis) turn(n int, steps []smoothStep, x []float64) {
	lk := tr.lk
	off := tr.at - lk.first - int64(tr.m)
	c1, c0 := 2*math.Pi*float64(lk.e.cycles[1]), 2*math.Pi*float64(lk.e.cycles[0])
	var s1, s0 complex128
	j := 0
	eps := func(k int) float64 { // how far, in bits, the signal was ahead of the reference at step k
		return (lk.chunks[steps[k].chunk-lk.first].at - x[k]) / (steps[k].p2 * float64(tr.m))
	}
	ea, eb := eps(0), eps(min(1, len(steps)-1))
	var r1, r0 complex128
	var at int64 = math.MinInt64
	for i := range n {
		c := lk.chunks[off+int64(i)]
		abs := lk.first + off + int64(i)
		for j+1 < len(steps)-1 && abs >= steps[j+1].chunk {
			j++
			ea, eb = eb, eps(j+1)
		}
		if abs >= at { // the phase is steady enough over a quarter of a bit
			f := 0.0
			if w := steps[j+1].chunk - steps[j].chunk; w > 0 {
				f = (float64(abs-steps[j].chunk) + 0.5) / float64(w)
			}
			f = min(max(f, 0), 1)
			e := ea + (eb-ea)*f
			u1, u0 := tr.turns(&c)
			r1, r0 = u1*cis(-c1*e), u0*cis(-c0*e)
			at = abs + int64(max(1, tr.m/4))
		}
		s1 += complex(float64(c.i1), float64(c.q1)) * r1
		s0 += complex(float64(c.i0), float64(c.q0)) * r0
		tr.z1[i+1], tr.z0[i+1] = s1, s0
	}
}

// remeasure takes gains, phases and noise from the decided bits of the block.
func (tr *toneTrellis) remeasure(n int) {
	var sum [2]complex128
	var mag, cnt [2]float64
	other, others := 0.0, 0.0
	for _, mk := range tr.marks {
		i := int(mk.end-tr.at) + tr.m
		z, o := tr.z1[i]-tr.z1[i-tr.m], tr.z0[i]-tr.z0[i-tr.m]
		if mk.bit == 0 {
			z, o = o, z
		}
		sum[mk.bit] += z
		mag[mk.bit] += cabs(z)
		cnt[mk.bit]++
		other += real(o)*real(o) + imag(o)*imag(o)
		others += 2
	}
	for b := range 2 {
		if cnt[b] < 8 {
			continue
		}
		tr.coherent[b] = cabs(sum[b]) > 0.5*mag[b]
		tr.g[b] = cabs(sum[b]) / cnt[b]
		if !tr.coherent[b] {
			tr.g[b] = mag[b] / cnt[b]
			continue
		}
		u := conj(unit(sum[b])) // what phase is left belongs to this tone, not to the clock
		z := tr.z1
		if b == 0 {
			z = tr.z0
		}
		for i := range z[:n+1] {
			z[i] *= u
		}
		if b != tr.lk.e.lead {
			tr.lk.phase[b] = tr.phase[b] * unit(sum[b])
			tr.lk.seen[b] = max(tr.lk.seen[b], 4)
		}
	}
	if others > 64 {
		tr.vari = max(other/others, 1e-5*max(tr.g[0], tr.g[1])*max(tr.g[0], tr.g[1]))
	}
}
