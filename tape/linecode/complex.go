package linecode

import (
	"math"
	"math/cmplx"
)

func conj(z complex128) complex128 { return complex(real(z), -imag(z)) }
func arg(z complex128) float64     { return math.Atan2(imag(z), real(z)) }
func cabs(z complex128) float64    { return math.Sqrt(real(z)*real(z) + imag(z)*imag(z)) }
func cis(phi float64) complex128   { return cmplx.Rect(1, phi) }

// unit is z at length 1, 1 where z is 0.
func unit(z complex128) complex128 {
	if a := cabs(z); a > 1e-30 {
		return complex(real(z)/a, imag(z)/a)
	}
	return 1
}

// logI0 is ln I0(x), the modified Bessel function of order 0, x >= 0, to about 0.03: the leading terms for small and large
// x (Abramowitz and Stegun 9.6.12, 9.7.1), with a logarithm out of the bits of a float.
func logI0(x float64) float64 {
	if x < 2.2 {
		t := x * x / 4
		return t - t*t/4 + t*t*t/9
	}
	bits := math.Float32bits(float32(x))
	m := math.Float32frombits(bits&0x7fffff|0x3f800000) - 1 // 0 to 1
	ln := (float64(int(bits>>23)-127) + float64(m*(1.3465553-0.3465553*m))) * math.Ln2
	return x - 0.5*ln - 0.9189385 + 0.125/x
}
