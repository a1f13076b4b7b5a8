package rotor

import (
	"math"
	"math/cmplx"
)

// Plane is a correction plane: where weights may go. Unknown figures are zero.
type Plane struct {
	Name      string
	Radius    float64    // m, where weights sit unless a position says otherwise
	Z         float64    // m along the shaft, + downstream, from the machine's stated origin
	Positions []Position // the places that exist; empty means any angle
	Cap       float64    // kg, most mass that may be on the plane in all, so on each place too; 0 = not given
	MaxForce  float64    // N, most centrifugal force one place may carry; 0 = not given
	Masses    []float64  // kg, the weights in the box; empty means any mass
}

// Position is one place of a plane that can take a weight: a blade or a hole.
type Position struct {
	Number    int     // as painted on the rotor, from 1
	Angle     float64 // rad from the mark, with rotation
	Radius    float64 // m; 0 = the plane's
	Forbidden bool    // cannot take a weight
}

// EvenPositions makes n numbered places, the first at angle first, the others
// following in the direction of c.
func EvenPositions(n int, first float64, c Convention) []Position {
	step := 2 * math.Pi / float64(n)
	if c == AgainstRotation {
		step = -step
	}
	ps := make([]Position, n)
	for i := range ps {
		ps[i] = Position{Number: i + 1, Angle: first + float64(i)*step}
	}
	return ps
}

// Weight is a mass on the rotor. Removed material is the same mass on the
// opposite side.
type Weight struct {
	Plane  string
	Mass   float64 // kg
	Angle  float64 // rad from the mark, with rotation
	Radius float64 // m; 0 = the plane's
}

// Phasor is the weight as a complex mass in kg at radius ref (m): a weight at
// another radius counts by its moment. Where either radius is unknown the mass
// counts as it is.
func (w Weight) Phasor(ref float64) complex128 {
	m := w.Mass
	if w.Radius > 0 && ref > 0 {
		m *= w.Radius / ref
	}
	return cmplx.Rect(m, w.Angle)
}

// Force is the centrifugal force in N of a mass (kg) at a radius (m) and an
// angular speed (rad/s): m r omega^2.
func Force(mass, radius, omega float64) float64 { return mass * radius * omega * omega }
