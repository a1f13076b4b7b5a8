package blades

import (
	"math"
	"math/cmplx"
)

// Air is what one radian of pitch at one blade does through the flow, in the
// units of unbalance: divided by the square of the speed, with which both grow
// alike. The moment has the angle of the blade, as if the blade stood
// downstream by so much; the force acts in the plane, behind the blade.
type Air struct {
	Known  bool
	Couple complex128 // kg m^2 per rad, times sum dbeta exp(i theta)
	Force  complex128 // kg m per rad, times the same sum
	Gain   float64    // relative standard deviation of both
	Phase  float64    // rad, standard deviation of the angle of both
}

// The stated reach of an estimate for attached flow by two-dimensional rows and
// empirical ends. Beyond stall it says nothing.
const (
	AirGain  = 0.35        // either way
	AirPhase = 30 * degree // either way
	ruleGain = 0.25        // either way, on top: the rule below against blade element integrals of its fan
)

// StatedAir is the effect of pitch as somebody integrated it for this fan:
// moment in N m per rad at the angular speed omega, side in kg m per rad, lead
// in rad ahead of the blade.
func StatedAir(moment, side, lead, omega float64) Air {
	turn := cmplx.Rect(1, lead)
	return Air{Known: true, Couple: complex(moment/(omega*omega), 0) * turn, Force: complex(0, -side) * turn,
		Gain: AirGain / math.Sqrt(3), Phase: AirPhase / math.Sqrt(3)}
}

const (
	airDensity = 1.2  // kg/m^3, dry air at 20 degrees C and sea level
	endLoss    = 0.85 // lift slope left by hub and tip of one blade
	tipLoss    = 0.65 // and by the fall of the speed and tip loss along the span: blade element integrals of seven fans gave 0.55 to 0.76
	inflow     = 0.45 // ratio of side force at 3/4 radius to moment, about the tangent of the inflow angle; 0.37 to 0.52
)

// air estimates the effect of pitch from chord and radii: a blade element
// integral with the lift slope of the first circumferential pattern,
//
//	M' = tipLoss (rho a c R^4 (1 - nu^4))/8 omega^2,   F' = inflow M'/(0.75 R)
//
// which is the Lock number rule of rotor dynamics. A flexible blade is also bent
// upstream, which takes the same share off the moment as off its track.
func (s *Survey) air(g Geometry) Air {
	if s.Air.Known {
		a := s.Air
		a.Couple *= complex(s.stiffening(), 0)
		return a
	}
	if s.Chord <= 0 || s.TipRadius <= 0 {
		return Air{}
	}
	rho := s.Density
	if rho == 0 {
		rho = airDensity
	}
	r := 0.75 * s.TipRadius
	solidity := float64(s.Blades) * s.Chord / (2 * math.Pi * r)
	lead := cascade(s.Blades, min(solidity, 1.2), s.pitchForAir(g))
	slope := complex(2*math.Pi*endLoss, 0) * lead
	r4 := math.Pow(s.TipRadius, 4) - math.Pow(s.HubRadius, 4)
	moment := complex(tipLoss*rho*s.Chord*r4/8, 0) * slope
	return Air{Known: true, Couple: moment * complex(s.stiffening(), 0), Force: moment * complex(0, -inflow/r),
		Gain: math.Hypot(AirGain, ruleGain) / math.Sqrt(3), Phase: AirPhase / math.Sqrt(3)}
}

// pitchForAir is the mean pitch, or a usual one where it was not read or where
// the figures are errors from the setting rather than angles.
func (s *Survey) pitchForAir(g Geometry) float64 {
	if g.Pitch.Given {
		if m := meanOf(g.Pitch.Value); m > 3*degree {
			return m
		}
	}
	if s.Setting > 0 {
		return s.Setting
	}
	return 25 * degree
}
