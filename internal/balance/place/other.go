package place

import (
	"math"

	"counterpoise/internal/rotor"
)

// AtRadius is the mass in kg at radius to that acts like mass m at radius from:
// the moment m r counts.
func AtRadius(m, from, to float64) float64 { return m * from / to }

// ArcEfficiency is the part of its mass with which a weight spread evenly over
// an arc of half angle a (rad) acts: sin(a)/a.
func ArcEfficiency(a float64) float64 {
	if a == 0 {
		return 1
	}
	return math.Sin(a) / a
}

// Arc is the mass in kg of a strip of half angle a (rad) that acts like the
// point mass m in its middle.
func Arc(m, a float64) float64 { return m / ArcEfficiency(a) }

// Combine replaces all weights of a plane by one of the same effect, at the
// plane's radius. The target of a further correction can be added to it.
func Combine(p rotor.Plane, weights []rotor.Weight) (sum complex128) {
	for _, w := range weights {
		if w.Plane == "" || w.Plane == p.Name {
			sum += w.Phasor(p.Radius)
		}
	}
	return sum
}
