package cdda

import (
	"math"
	"math/bits"
	"math/cmplx"
)

// transform is the discrete Fourier transform of a length that is a power of two,
// by the decimation in time of Cooley and Tukey (1965).
type transform struct {
	n     int
	roots []complex128
}

func newTransform(n int) *transform {
	t := &transform{n: n, roots: make([]complex128, n/2)}
	for k := range t.roots {
		t.roots[k] = cmplx.Rect(1, -2*math.Pi*float64(k)/float64(n))
	}
	return t
}

// forward transforms a in place.
func (t *transform) forward(a []complex128) {
	shift := 64 - bits.TrailingZeros(uint(t.n))
	for i := range a {
		if j := int(bits.Reverse64(uint64(i)) >> shift); i < j {
			a[i], a[j] = a[j], a[i]
		}
	}
	for half := 1; half < t.n; half *= 2 {
		step := t.n / (2 * half)
		for i := 0; i < t.n; i += 2 * half {
			x, y := a[i:i+half], a[i+half:i+2*half]
			for k := range x {
				v := y[k] * t.roots[k*step]
				x[k], y[k] = x[k]+v, x[k]-v
			}
		}
	}
}

// correlate puts into a the circular correlation of a and b: element l is the sum of
// conj(a[i]) * b[i+l]. b is spoilt.
func (t *transform) correlate(a, b []complex128) {
	t.forward(a)
	t.forward(b)
	// The inverse is the forward transform of the conjugate, conjugated.
	for i := range a {
		a[i] = a[i] * cmplx.Conj(b[i])
	}
	t.forward(a)
	for i := range a {
		a[i] = cmplx.Conj(a[i]) / complex(float64(t.n), 0)
	}
}
