package balance

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Numbers beyond these are slips of the pen, and would drown the arithmetic.
const (
	heaviest       = 1e5  // kg
	lightest       = 1e-9 // kg
	largestReading = 1e15 // in any unit
)

func rpm(omega float64) float64 { return rotor.RPM(omega) }

func deg(rad float64) float64 { return rad * 180 / math.Pi }

func finite(z complex128) bool { return !cmplx.IsNaN(z) && !cmplx.IsInf(z) }

func number(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// Check looks for what makes a case unusable. The error is one sentence that
// says what is wrong and what to do.
func Check(c *Case) error {
	switch {
	case len(c.Planes) == 0:
		return fmt.Errorf("the case has no correction plane: name at least one place where weights may go")
	case len(c.Sensors) == 0:
		return fmt.Errorf("the case has no sensor: name at least one")
	case len(c.Runs) == 0:
		return fmt.Errorf("the case has no runs: record the rotor as found, then with a trial weight in each plane")
	}
	planes := map[string]bool{}
	for i, p := range c.Planes {
		if err := checkPlane(i, p); err != nil {
			return err
		}
		if planes[p.Name] {
			return fmt.Errorf("two planes are called %q: give each its own name", p.Name)
		}
		planes[p.Name] = true
	}
	for i, s := range c.Sensors {
		if !(s.Tolerance >= 0) || math.IsInf(s.Tolerance, 0) {
			return fmt.Errorf("sensor %s has tolerance %g: give a number above zero or leave it out", called(s.Name, i), s.Tolerance)
		}
		if !finite(s.Slope) {
			return fmt.Errorf("sensor %s has a slope that is not a number: leave it out where it is not known", called(s.Name, i))
		}
	}
	for _, x := range []float64{c.Errors.Mass, c.Errors.Angle, c.Errors.Repeat, c.Machine.Mass, c.Machine.Speed, c.Machine.MaxSpeed, c.Machine.Grade} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("the machine or the stated errors hold the number %g: it must be zero (not known) or above", x)
		}
	}
	for i := range c.Runs {
		if err := checkRun(c, i, planes); err != nil {
			return err
		}
	}
	return nil
}

func called(name string, i int) string {
	if name == "" {
		return fmt.Sprintf("number %d", i+1)
	}
	return fmt.Sprintf("%q", name)
}

func checkPlane(i int, p rotor.Plane) error {
	if p.Name == "" {
		return fmt.Errorf("plane number %d has no name: weights refer to planes by name", i+1)
	}
	for _, x := range []float64{p.Radius, p.Cap, p.MaxForce} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("plane %q has a radius or cap of %g: give a number above zero or leave it out", p.Name, x)
		}
	}
	for _, m := range p.Masses {
		if !(m > 0) || math.IsInf(m, 0) {
			return fmt.Errorf("plane %q lists a weight of %g g: every mass in the box must be above zero", p.Name, m*1e3)
		}
	}
	for _, q := range p.Positions {
		if !number(q.Angle) || !(q.Radius >= 0) || math.IsInf(q.Radius, 0) {
			return fmt.Errorf("plane %q has a position %d whose angle or radius is not usable: give numbers", p.Name, q.Number)
		}
	}
	return nil
}

func checkRun(c *Case, i int, planes map[string]bool) error {
	r := c.Runs[i]
	name := called(r.Name, i)
	for _, w := range r.Weights {
		switch {
		case !planes[w.Plane]:
			return fmt.Errorf("run %s has a weight in plane %q, which the case does not list: add the plane or correct its name", name, w.Plane)
		case !number(w.Mass) || !number(w.Angle):
			return fmt.Errorf("run %s has a weight in plane %q whose mass or angle is not a number: give both", name, w.Plane)
		case w.Mass < 0:
			return fmt.Errorf("run %s has a weight of %g g in plane %q: removed material is written as the same mass above zero at the angle plus 180 degrees", name, w.Mass*1e3, w.Plane)
		case w.Mass > heaviest || w.Mass > 0 && w.Mass < lightest:
			return fmt.Errorf("run %s has a weight of %g g in plane %q, which is no balance weight: check its unit", name, w.Mass*1e3, w.Plane)
		case !(w.Radius >= 0) || math.IsInf(w.Radius, 0):
			return fmt.Errorf("run %s has a weight in plane %q at a radius of %g mm: give a radius above zero or leave it out", name, w.Plane, w.Radius*1e3)
		}
	}
	if !(r.Speed >= 0) || math.IsInf(r.Speed, 0) {
		return fmt.Errorf("run %s has a speed of %g rpm: give a number above zero or leave it out", name, rpm(r.Speed))
	}
	if len(r.Vectors) != len(c.Sensors) {
		return fmt.Errorf("run %s has %d readings for %d sensors: give one reading per sensor, in the order of the sensors", name, len(r.Vectors), len(c.Sensors))
	}
	for s, v := range r.Vectors {
		if v.Missing {
			continue
		}
		if !finite(v.V) {
			return fmt.Errorf("run %s, sensor %s: the reading is not a number: measure again or leave this reading out", name, called(c.Sensors[s].Name, s))
		}
		if a := cmplx.Abs(v.V); a > largestReading || a > 0 && a < 1/largestReading {
			return fmt.Errorf("run %s, sensor %s: the reading %g is no vibration: check its unit", name, called(c.Sensors[s].Name, s), a)
		}
		if v.Known && (!(v.Cov.RR >= 0) || !(v.Cov.II >= 0) || !number(v.Cov.RI) || math.IsInf(v.Cov.PerAxis(), 0)) {
			return fmt.Errorf("run %s, sensor %s: the stated error is not a number above zero: correct it or leave it out", name, called(c.Sensors[s].Name, s))
		}
	}
	return nil
}

// totals gives the complex mass per plane in a run.
func (c *Case) totals(r Run) []complex128 {
	out := make([]complex128, len(c.Planes))
	for _, w := range r.Weights {
		for p, plane := range c.Planes {
			if plane.Name == w.Plane {
				out[p] += w.Phasor(plane.Radius)
			}
		}
	}
	return out
}

// checkTrials finds planes that never carried a weight.
func checkTrials(c *Case, totals [][]complex128) error {
	for p, plane := range c.Planes {
		seen := false
		for _, w := range totals {
			seen = seen || w[p] != 0
		}
		if !seen {
			return fmt.Errorf("plane %q has carried no weight in any run, so its effect is unknown: make a run with a trial weight there, or leave the plane out", plane.Name)
		}
	}
	return nil
}
