package blades

import (
	"math"
	"math/cmplx"
)

// cascade is the slope of the lift of a row of blades against a pitch pattern
// that goes once around the rotor, relative to one blade alone (2 pi per rad).
// Its argument is the angle by which the lift runs ahead, in the direction of
// rotation, of the blade that is pitched too steeply: the neighbours ahead are
// loaded, the one behind is unloaded.
//
// blades is their number, solidity is chord over spacing, pitch the angle of
// the chord from the plane of rotation in rad. Each blade is one vortex at its
// quarter chord with no flow through its three-quarter chord (J. Weissinger
// 1947), the row is unwrapped onto a straight line, and the sum over all blades
// is taken in closed form:
//
//	sum_m exp(i m s)/(z - m) = pi exp(i (s - pi) z)/sin(pi z),  0 < s < 2 pi
//
// It is inviscid, attached and two-dimensional: hub, tip and profile are left
// to Air.
func cascade(blades int, solidity, pitch float64) complex128 {
	sigma := 2 * math.Pi / float64(blades)
	chord := complex(-math.Cos(pitch), math.Sin(pitch)) // leading to trailing edge: tangential + i axial
	z := chord * complex(solidity/2, 0)                 // control point from the vortex, in spacings
	plus, minus := rowSum(z, sigma), rowSum(z, 2*math.Pi-sigma)
	// Normal velocity at the control point for a circulation cos(m s) and
	// sin(m s) along the row. The imaginary unit of the plane and the one of the
	// pattern are different, so the two are taken apart first.
	normal := func(w complex128) float64 { // w = u - iv of vortices of strength 2 pi i
		v := cmplx.Conj(w * complex(0, -1))
		n := chord * complex(0, 1)
		return dot(v, n)
	}
	even := normal((plus + minus) / 2)
	odd := normal((plus - minus) / complex(0, 2))
	alone := normal(1 / z)
	// The pattern Re(b exp(i m s)) has the first harmonic sum conj(b), so the
	// ratio of the sums is the conjugate of the ratio of the patterns.
	return complex(alone, 0) / complex(even, -odd)
}

func rowSum(z complex128, sigma float64) complex128 {
	return math.Pi * cmplx.Exp(complex(0, sigma-math.Pi)*z) / cmplx.Sin(math.Pi*z)
}
