package balance

import (
	"errors"
	"math"
	"math/cmplx"
)

// Unbalance is a known unbalance: m r as a phasor (kg m) at a place along the
// shaft (m).
type Unbalance struct {
	U complex128
	Z float64
}

// StaticOf is the vector sum of unbalances: what one plane has to answer.
func StaticOf(us []Unbalance) (sum complex128) {
	for _, u := range us {
		sum += u.U
	}
	return sum
}

// MomentOf is sum U (z - z0), kg m^2: what is left for a couple about z0.
func MomentOf(us []Unbalance, z0 float64) (sum complex128) {
	for _, u := range us {
		sum += u.U * complex(u.Z-z0, 0)
	}
	return sum
}

// ResolveTwo gives the unbalances (kg m) to add in planes at z1 and z2 so that
// force and moment of known unbalances vanish. It is statics on a rigid rotor and
// uses no influence coefficients.
func ResolveTwo(us []Unbalance, z1, z2 float64) (u1, u2 complex128, err error) {
	if z1 == z2 {
		return 0, 0, errors.New("both planes stand at the same place along the shaft: give two places, or correct the static part alone")
	}
	u2 = -MomentOf(us, z1) / complex(z2-z1, 0)
	u1 = -StaticOf(us) - u2
	return u1, u2, nil
}

// StaticCouple splits the readings of two ends into the part that both share and
// the part in which they oppose: a = s + c, b = s - c.
func StaticCouple(a, b complex128) (static, couple complex128) { return (a + b) / 2, (a - b) / 2 }

// StaticShare splits an unbalance in two planes at z1 and z2 into a static part
// placed at the centre of mass zg and a pure couple given as its share in plane 2
// (plane 1 holds the opposite).
func StaticShare(u1, u2 complex128, z1, z2, zg float64) (static, couple2 complex128) {
	static = u1 + u2
	moment := u1*complex(z1-zg, 0) + u2*complex(z2-zg, 0)
	return static, moment / complex(z2-z1, 0)
}

// Along resolves a phasor into amounts along two directions (rad): the triangle
// rule m_a = m sin(b-d)/sin(b-a). Where one amount is below zero the target does not
// lie between the directions.
func Along(target complex128, a, b float64) (ma, mb float64, err error) {
	span := math.Sin(b - a)
	if math.Abs(span) < 1e-12 {
		return 0, 0, errors.New("the two directions lie on one line: choose two that do not")
	}
	m, d := cmplx.Polar(target)
	return m * math.Sin(b-d) / span, m * math.Sin(d-a) / span, nil
}
