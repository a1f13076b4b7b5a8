package blades

import (
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// Harmonic is one quantity over the blades as the vibration sees it. Only Sum
// shakes at once per revolution: a mean shift and all higher patterns cancel.
type Harmonic struct {
	Mean   float64
	Spread float64    // largest minus smallest
	Sum    complex128 // sum x exp(i theta), in blade units
	Cov    rotor.Cov  // of Sum
	SD     float64    // of one value
}

// harmonicOf needs a complete column. Errors are taken from the mean: it drops
// out of even spacing anyway, and with uneven spacing the place of the pointer
// must not matter.
func harmonicOf(c Column, theta []float64) Harmonic {
	return harmonicAbout(c, theta, meanOf(c.Value))
}

func harmonicAbout(c Column, theta []float64, ref float64) Harmonic {
	h := Harmonic{Spread: slices.Max(c.Value) - slices.Min(c.Value), Mean: meanOf(c.Value)}
	for i, v := range c.Value {
		u := cmplx.Rect(1, theta[i])
		h.Sum += u * complex(v-ref, 0)
		h.Cov = h.Cov.Add(rotor.Cov{RR: c.SD[i] * c.SD[i]}.Times(u))
		h.SD = max(h.SD, c.SD[i])
	}
	return h
}

func meanOf(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// couplePerTrack is the couple unbalance of blades out of track, in kg m^2, per metre
// of reading at blade i: a uniform blade tilted about its root,
//
//	kappa m r z = m (r (r - r_hub) + L^2/12)/(r_read - r_hub) z
//
// which is (2+nu)/(3(1+nu)) m r z for a depth at the tip, nu = hub over tip
// radius. Derivation: the integral of r z dm with z growing linearly from the
// root. Without a hub radius the whole blade is taken as shifted along the
// shaft, kappa = 1, which is an upper bound.
func (s *Survey) couplePerTrack(i int, g Geometry) (perMetre float64, bound bool) {
	m, r := s.massOf(i, g)
	if m <= 0 {
		return 0, false
	}
	if s.HubRadius <= 0 || s.TipRadius <= 0 {
		return m * r * s.stiffening(), true
	}
	length := s.TipRadius - s.HubRadius
	read := s.ReadRadius
	if read == 0 {
		read = s.TipRadius
	}
	return m * (r*(r-s.HubRadius) + length*length/12) / (read - s.HubRadius) * s.stiffening(), false
}

// massOf is the mass of blade i and the radius of its centre of mass, so that
// mass times radius is the moment weight if that was measured.
func (s *Survey) massOf(i int, g Geometry) (m, r float64) {
	r = s.CGRadius
	switch {
	case r > 0:
	case s.HubRadius > 0 && s.TipRadius > 0:
		r = (s.HubRadius + s.TipRadius) / 2
	default:
		r = s.TipRadius
	}
	m = s.BladeMass
	if g.Mass.Given {
		m = g.Mass.Value[i]
	}
	if g.Moment.Given && r > 0 {
		m = g.Moment.Value[i] / r
	}
	return m, r
}

// stiffening is the share of a static out-of-plane error that is left at
// running speed, when the centrifugal force has straightened the blade:
// f_flap^2/(f_flap^2 + f_rot^2), with f_flap of the standing blade.
func (s *Survey) stiffening() float64 {
	f := s.Speed / (2 * math.Pi)
	if s.FlapHz <= 0 || f <= 0 {
		return 1
	}
	return s.FlapHz * s.FlapHz / (s.FlapHz*s.FlapHz + f*f)
}

// meanMoment is the mean of mass times radius over the blades, 0 if unknown.
func (s *Survey) meanMoment(g Geometry) float64 {
	sum := 0.0
	for i := range s.Blades {
		m, r := s.massOf(i, g)
		sum += m * r / float64(s.Blades)
	}
	return sum
}
