package balance

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/stat/distuv"

	"counterpoise/internal/rotor"
)

// outer is the covariance of one cause whose standard deviation moves a phasor
// by z.
func outer(z complex128) rotor.Cov {
	return rotor.Cov{RR: real(z) * real(z), RI: real(z) * imag(z), II: imag(z) * imag(z)}
}

func slipsOf(e Errors) []complex128 {
	var out []complex128
	if e.Mass > 0 {
		out = append(out, complex(e.Mass, 0))
	}
	if e.Angle > 0 {
		out = append(out, complex(0, e.Angle))
	}
	return out
}

func chi2Quantile(p, dof float64) float64 { return distuv.ChiSquared{K: dof}.Quantile(p) }

// radius95 is the radius of the circle that holds 95 % of a Gaussian error with
// covariance c. The squared length is taken as a scaled chi square with the same
// mean and variance, exact for a round cloud (2.448 sigma) and for a line (1.960
// sigma). dof > 0 widens it for a covariance that is itself an estimate, by
// Hotelling's T square.
func radius95(c rotor.Cov, dof float64) float64 {
	major, minor, _ := c.Principal()
	l1, l2 := major*major, minor*minor
	if !(l1 > 0) {
		return 0
	}
	h := (l1 + l2) * (l1 + l2) / (l1*l1 + l2*l2)
	if dof <= 0 || dof > 1e4 {
		return math.Sqrt((l1 + l2) * chi2Quantile(0.95, h) / h)
	}
	nu := math.Max(dof, 2)
	return math.Sqrt((l1 + l2) * distuv.F{D1: h, D2: nu - 1}.Quantile(0.95) * nu / (nu - 1))
}

// student95 is how many standard deviations reach to either side of 95 %.
func student95(dof float64) float64 {
	if dof <= 0 || dof > 1e4 {
		return 1.959964
	}
	return distuv.StudentsT{Sigma: 1, Nu: math.Max(dof, 1)}.Quantile(0.975)
}

// polarIntervals are the 95 % intervals of mass and angle of a phasor. Where the
// error reaches the origin the angle is anything.
func polarIntervals(w complex128, c rotor.Cov, dof float64) (mass, angle Interval) {
	a, m, k := cmplx.Phase(w), cmplx.Abs(w), student95(dof)
	along, across := k*math.Sqrt(c.Along(a)), k*math.Sqrt(c.Along(a+math.Pi/2))
	mass = Interval{math.Max(0, m-along), m + along}
	angle = Interval{a - math.Pi, a + math.Pi}
	if across < m {
		half := math.Asin(across / m)
		angle = Interval{a - half, a + half}
	}
	return mass, angle
}
