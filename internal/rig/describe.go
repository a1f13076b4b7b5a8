package rig

import (
	"math"
	"slices"

	"counterpoise/internal/rotor"
)

// Planes returns the correction planes, with Z from the centre of gravity of
// rotor and frame.
func (r *Rig) Planes() []rotor.Plane {
	ps := slices.Clone(r.sim.Planes)
	for i := range ps {
		ps[i].Positions = slices.Clone(ps[i].Positions)
		ps[i].Masses = slices.Clone(ps[i].Masses)
	}
	return ps
}

// Machine returns what a name plate and a scale would tell.
func (r *Rig) Machine() rotor.Machine {
	p := &r.sim.Params
	m := rotor.Machine{
		Name: p.Name, Mass: p.RotorMass, Grade: p.Grade, Speed: p.Drive.Run, MaxSpeed: p.Drive.Run / (1 - p.Drive.Slip),
		Power: p.Drive.Power, Blades: p.Wheel.Blades, Blade1: p.Wheel.Blade1,
		Flexible: p.lowest() < p.Drive.Run/(2*math.Pi),
	}
	if !p.Drive.Inverter {
		m.LineHz = p.Drive.SupplyHz
	}
	return m
}

// Description is what a person who stands before the machine could find out.
type Description struct {
	Name, Story string
	Blades      int
	BladeMass   float64 // kg
	TipRadius   float64 // m
	HubRadius   float64 // m
	BladeCG     float64 // m, radius of a blade's centre of gravity
	Chord       float64 // m, at the tip
	Stagger     float64 // rad, set pitch at the tip
	FlapHz      float64 // Hz, first flapwise frequency of a blade
	WheelZ      float64 // m, plane of the wheel, same origin as the planes
	SupplyHz    float64
	Inverter    bool
	RunHz       float64 // settled turns a second
	Pulses      int     // tach marks a turn
	Rate        float64 // samples a second
	Channels    []string
	Distance    *Distance // nil = none

	// The air of one over-pitched blade as a tool may know it: gain to 35 %,
	// phase to 30 degrees.
	Moment float64 // N m per rad at running speed
	Side   float64 // kg m per rad
	Lead   float64 // rad ahead of the blade, with rotation
}

// Describe describes the machine.
func (r *Rig) Describe() Description {
	p := &r.sim.Params
	w := &p.Wheel
	d := Description{
		Name: p.Name, Story: p.Story, Blades: w.Blades, BladeMass: w.BladeMass, TipRadius: w.TipRadius, HubRadius: w.HubRadius,
		BladeCG: w.centre(), Chord: w.Chord, Stagger: w.Stagger, FlapHz: w.FlapHz, WheelZ: w.Z,
		SupplyHz: p.Drive.SupplyHz, Inverter: p.Drive.Inverter, RunHz: p.Drive.Run / (2 * math.Pi),
		Pulses: p.Board.Pulses, Rate: p.Board.Rate, Channels: p.channels(),
		Moment: w.Moment, Side: w.Side, Lead: w.Lead,
	}
	if p.Distance != nil {
		c := *p.Distance
		d.Distance = &c
	}
	return d
}

// channels are the names of the channels in their order on the wire.
func (p *Params) channels() []string {
	var names []string
	for _, pr := range p.Probes {
		names = append(names, pr.Name)
	}
	if p.Distance != nil {
		names = append(names, "track")
	}
	return names
}
