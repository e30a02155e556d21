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

// logI0 is ln I0(x), the modified Bessel function of order 0, x >= 0 (Abramowitz and Stegun 9.8.1, 9.8.2).
func logI0(x float64) float64 {
	if x < 3.75 {
		t := x / 3.75
		t *= t
		return math.Log(1 + t*(3.5156229+t*(3.0899424+t*(1.2067492+t*(0.2659732+t*(0.0360768+t*0.0045813))))))
	}
	t := 3.75 / x
	return x - 0.5*math.Log(x) + math.Log(0.39894228+t*(0.01328592+t*(0.00225319+t*(-0.00157565+t*(0.00916281+
		t*(-0.02057706+t*(0.02635537+t*(-0.01647633+t*0.00392377))))))))
}
