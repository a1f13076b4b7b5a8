package rig

import (
	"fmt"
	"math"
	"slices"

	"counterpoise/internal/rotor"
)

// standing says why nobody may touch the rotor now.
func (r *Rig) standing(what string) error {
	m := &r.sim.motion
	switch {
	case m.supply:
		return fmt.Errorf("%s refused: the supply is on and the rotor turns at %.0f rpm; switch off, lock out and let it come to rest first", what, rotor.RPM(m.omega))
	case m.speed > 0:
		return fmt.Errorf("%s refused: the rotor still turns at %.0f rpm; wait until it stands", what, rotor.RPM(m.omega))
	}
	return nil
}

// Fit puts these weights on the rotor and takes off all that were fitted
// before: total is what is on the rotor relative to as found. It is refused
// with a sentence while the rotor turns or the supply is on, and for a weight
// that the plane cannot take.
func (r *Rig) Fit(total []rotor.Weight) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.standing("fitting weights"); err != nil {
		return err
	}
	for _, w := range total {
		i := slices.IndexFunc(r.sim.Planes, func(p rotor.Plane) bool { return p.Name == w.Plane })
		if i < 0 {
			return fmt.Errorf("fitting weights refused: this rotor has no plane %q", w.Plane)
		}
		if !(w.Mass >= 0 && w.Mass < r.sim.RotorMass) || !(math.Abs(w.Angle) < 1e6) || !(w.Radius >= 0 && w.Radius <= r.sim.Wheel.TipRadius) {
			return fmt.Errorf("fitting weights refused: %g kg at %g rad and radius %g m is no weight for plane %q", w.Mass, w.Angle, w.Radius, w.Plane)
		}
	}
	r.sim.weights = slices.Clone(total)
	r.sim.refresh()
	return nil
}

// Bend gives one blade (numbered from 1) a new track (m, + downstream, read at
// the tip at standstill), pitch error (rad, + more pitch) and mass (kg; 0 leaves
// it). It is refused with a sentence while the rotor turns or the supply is on.
func (r *Rig) Bend(blade int, trackMetres, pitchRad, massKg float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.standing("bending a blade"); err != nil {
		return err
	}
	w := &r.sim.Wheel
	switch {
	case blade < 1 || blade > w.Blades:
		return fmt.Errorf("bending a blade refused: the blades are numbered 1 to %d, there is no %d", w.Blades, blade)
	case !(math.Abs(trackMetres) <= w.TipRadius/4):
		return fmt.Errorf("bending a blade refused: %.0f mm out of track is more than a quarter of the tip radius", trackMetres*1000)
	case !(math.Abs(pitchRad) <= 30*degree):
		return fmt.Errorf("bending a blade refused: %.0f degrees of pitch is beyond the 30 that the air of this rig allows", pitchRad/degree)
	case !(massKg == 0 || massKg >= w.BladeMass/2 && massKg <= w.BladeMass*2):
		return fmt.Errorf("bending a blade refused: %.3g kg is less than half or more than twice a blade of %.3g kg", massKg, w.BladeMass)
	}
	b := &r.sim.blades[blade-1]
	b.Track, b.Pitch = trackMetres, pitchRad
	if massKg > 0 {
		b.Mass = massKg
	}
	r.sim.refresh()
	return nil
}
