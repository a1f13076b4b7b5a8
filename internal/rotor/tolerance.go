package rotor

import (
	"errors"
	"fmt"
	"math"
)

// The formulas of this file are those of ISO 21940-11 (ISO 1940-1 before it):
// the grade G is the product of specific unbalance and angular speed. Numbers
// marked as from memory were not read in the standard; check them there.

// SpecificUnbalance is e_per = G/omega in m (1 um = 1 g mm/kg); grade in m/s,
// omega in rad/s.
func SpecificUnbalance(grade, omega float64) float64 { return grade / omega }

// PermissibleUnbalance is U_per = G m/omega in kg m for the whole rotor; with G
// in mm/s, m in kg and n in r/min it is 9549 G m/n in g mm.
func PermissibleUnbalance(grade, mass, omega float64) float64 { return grade * mass / omega }

// GradeOf is the grade (m/s) to which a residual unbalance (kg m) corresponds.
func GradeOf(unbalance, mass, omega float64) float64 { return unbalance * omega / mass }

// Grade is a balance quality grade and what it is commonly used for.
type Grade struct {
	G       float64 // mm/s
	Rotors  string
	Checked bool // the use was read in a published table, not only remembered
}

// Grades are presets to start from, editable by whoever has the standard; the
// steps are a factor of 2.5. G 6.3 for fans, 16 and 40 were read in table 6-5 of
// Bloch and Geitner, Machinery Component Maintenance and Repair; the rest is from
// memory of ISO 21940-11 table 1.
var Grades = []Grade{
	{0.4, "gyroscopes, spindles of high-precision systems", false},
	{1, "grinding-machine drives", false},
	{2.5, "gas and steam turbines, compressors, machine-tool drives, larger motors above 950 r/min", false},
	{6.3, "fans, pumps, general machinery, motors", true},
	{16, "agricultural and crushing machinery, drive shafts", true},
	{40, "car wheels, wheel sets", true},
}

// Bearings places the centre of mass between or beyond two bearings.
type Bearings struct {
	ToA, ToB float64 // m from the centre of mass to A and to B, both >= 0
	Overhung bool    // the centre of mass lies beyond B
}

// Allocate shares the permissible unbalance of a rotor between its bearing planes
// by the lever rule, within limits on either share: 0.3 to 0.7 between bearings,
// 0.3 to 1.3 overhung. Rule and limits are from memory of ISO 1940-1:2003, 7.3.
func Allocate(per float64, b Bearings) (a, bb float64, err error) {
	span := b.ToA + b.ToB
	low, high := 0.3, 0.7
	if b.Overhung {
		span, high = b.ToA-b.ToB, 1.3
	}
	if !(span > 0) || b.ToA < 0 || b.ToB < 0 {
		return 0, 0, errors.New("the bearing distances do not fit together: give the distance from the centre of mass to each bearing, and overhung only where it lies beyond B")
	}
	share := func(d float64) float64 { return per * math.Min(high, math.Max(low, d/span)) }
	return share(b.ToB), share(b.ToA), nil
}

// Side is who measures: a balancer must count his error against the rotor, a
// later checker against himself.
type Side uint8

// The two sides of an acceptance.
const (
	Balancer Side = iota
	Checker
)

// Accept compares a measured residual unbalance with the permissible one, given
// the combined measuring error: at the balancer U <= U_per - dU, at a later check
// U <= U_per + dU (from memory of ISO 21940-14). An unknown error is 0 and should
// be said to be unknown.
func Accept(measured, err, per float64, side Side) bool {
	if side == Checker {
		return measured <= per+err
	}
	return measured <= per-err
}

// NavyUnbalance is U = 4 W/N in oz in, lb and r/min for each plane, W the static
// load of its journal (energy-tech.com article 18389, page 3), returned in kg m.
// It corresponds to a grade of G 0.665.
func NavyUnbalance(load, omega float64) float64 {
	return 4 * (load / pound) / RPM(omega) * ounceInch
}

const (
	pound     = 0.45359237          // kg, exact
	ounceInch = pound / 16 * 0.0254 // kg m
)

// MountingUnbalance is what eccentric mounting on an arbor adds: W e with e half
// the total indicator reading plus half the clearance (Bloch and Geitner, page
// 282); mass in kg, lengths in m, result in kg m.
func MountingUnbalance(mass, totalIndicator, clearance float64) float64 {
	return mass * (totalIndicator/2 + clearance/2)
}

// ParseGrade reads "6.3", "G6.3" or "G 6.3" into m/s.
func ParseGrade(s string) (float64, error) {
	var g float64
	for _, f := range []string{"G %g", "G%g", "%g"} {
		if n, err := fmt.Sscanf(s, f, &g); n == 1 && err == nil && g > 0 && g <= 4000 {
			return g * 1e-3, nil
		}
	}
	return 0, fmt.Errorf("balance grade %q is not known: write a number such as 6.3", s)
}
