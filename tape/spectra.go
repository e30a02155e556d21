package tape

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// spectra averages the power spectrum of a recording over stretches of it, one frame of 2048 samples in every few, so
// that what a run lost at high frequencies can be told afterwards.
type spectra struct {
	rate   float64
	fft    *fourier.FFT
	frame  []float64
	win    []float64
	fill   int
	skip   int
	n      int64
	slots  []specSlot
	slotS  float64
	coeffs []complex128
	work   [specSize]float64
}

type specSlot struct {
	n     int
	power [specBands]float32
}

const (
	specSize  = 2048
	specEvery = 21 // one frame of so many is transformed: two of a slot of two seconds
	specBands = 10
	maxSlots  = 4096
)

// specHz are the middles of the bands looked at, half an octave wide each.
var specHz = [specBands]float64{300, 600, 900, 1200, 1700, 2400, 3400, 4800, 6800, 9600}

func newSpectra(rate float64) *spectra {
	s := &spectra{rate: rate, fft: fourier.NewFFT(specSize), frame: make([]float64, specSize), win: make([]float64, specSize), slotS: 2}
	for i := range s.win {
		s.win[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/specSize)
	}
	return s
}

func (s *spectra) add(x []float32) {
	for len(x) > 0 {
		if s.skip > 0 {
			k := min(s.skip, len(x))
			s.skip -= k
			s.n += int64(k)
			x = x[k:]
			continue
		}
		k := min(specSize-s.fill, len(x))
		for i := 0; i < k; i++ {
			s.frame[s.fill+i] = float64(x[i])
		}
		s.fill += k
		s.n += int64(k)
		x = x[k:]
		if s.fill == specSize {
			s.fill = 0
			s.skip = (specEvery - 1) * specSize
			p := s.bands(s.frame)
			i := int(float64(s.n) / s.rate / s.slotS)
			if i >= maxSlots { // halve the resolution rather than grow
				for k := 0; k < maxSlots/2; k++ {
					a, b := s.slots[2*k], s.slots[min(2*k+1, len(s.slots)-1)]
					for j := range a.power {
						a.power[j] += b.power[j]
					}
					a.n += b.n
					s.slots[k] = a
				}
				s.slots = s.slots[:maxSlots/2]
				s.slotS *= 2
				i /= 2
			}
			for len(s.slots) <= i {
				s.slots = append(s.slots, specSlot{})
			}
			for j, v := range p {
				s.slots[i].power[j] += float32(v)
			}
			s.slots[i].n++
		}
	}
}

// bands is the power of one frame in each band.
func (s *spectra) bands(frame []float64) [specBands]float64 {
	x := s.work[:]
	for i := range x {
		x[i] = frame[i] * s.win[i]
	}
	s.coeffs = s.fft.Coefficients(s.coeffs, x)
	var out [specBands]float64
	for j, hz := range specHz {
		lo, hi := int(hz/1.19*specSize/s.rate), int(hz*1.19*specSize/s.rate)+1
		for k := max(lo, 1); k < hi && k < len(s.coeffs); k++ {
			re, im := real(s.coeffs[k]), imag(s.coeffs[k])
			out[j] += re*re + im*im
		}
	}
	return out
}

// between is the mean power of the stretch from a to b seconds.
func (s *spectra) between(a, b float64) (out [specBands]float64, ok bool) {
	n := 0
	for i := int(math.Ceil(a / s.slotS)); i < int(b/s.slotS) && i < len(s.slots); i++ {
		for j, v := range s.slots[i].power {
			out[j] += float64(v)
		}
		n += s.slots[i].n
	}
	if n == 0 {
		return out, false
	}
	for j := range out {
		out[j] /= float64(n)
	}
	return out, true
}
