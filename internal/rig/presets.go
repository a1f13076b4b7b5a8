package rig

import (
	"fmt"
	"math"
	"strings"

	"counterpoise/internal/rotor"
)

const degree = math.Pi / 180

// The fans below are plausible constructions. None was measured on a machine.
// The figures of their air come from blade-element integrals with a gain that
// is known to 35 % and a phase that is known to 30 degrees; New draws both.

func benchFan() Params {
	return Params{
		Name:  "bench-fan",
		Story: "an invented 450 mm fan with six sheet-steel blades on a soft bench stand; no real machine",
		Body: Body{
			Mass: 13, Id: 0.101, Ip: 0.0229, Zeta: 0.04,
			Supports: []Support{{0.11, 0.6e6, 1.2e6}, {-0.11, 0.6e6, 1.2e6}},
		},
		RotorMass: 3.7,
		Grade:     0.0063,
		Wheel: Wheel{
			Blades: 6, BladeMass: 0.150, TipRadius: 0.225, HubRadius: 0.070, Chord: 0.090, Stagger: 22 * degree,
			FlapHz: 150, Z: 0.13, Blade1: 20 * degree,
			Moment: 0.048 / degree, Side: 5.5e-6 / degree, Lead: 23 * degree,
		},
		Planes: []rotor.Plane{
			{Name: "fan", Radius: 0.060, Z: 0.13, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
				Cap: 0.060, MaxForce: 60, Masses: grams(1, 2, 3, 5, 8, 10, 15, 20)},
			{Name: "rear", Radius: 0.050, Z: -0.10, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
				Cap: 0.060, MaxForce: 60, Masses: grams(1, 2, 3, 5, 8, 10, 15, 20)},
		},
		Probes: probes(0.07, -0.09, 0.06),
		Drive: Drive{
			Run: rotor.RadPerSecond(1422), Slip: 0.052, SupplyHz: 50, Power: 250, StartTorque: 2,
			Friction: 0.05, Inertia: 0.0229, Pull: 6, PullZ: -0.02, Wander: 0.002, WanderTau: 2, Passing: 0.05,
		},
		Noise: Noise{Force: 0.15, Moment: 0.01, Sensor: 2.5e-4},
		Board: converter(16, 19.6),
		Found: Found{Worst: mmps(4, 8), Couple: 0.5, Track: 0.0003, Pitch: 0.2 * degree, MassShare: 0.003, Spacing: 0.15 * degree},
	}
}

func extractor() Params {
	return Params{
		Name:  "extractor",
		Story: "an invented 1.2 m extractor with eight blades on an overhung shaft, some dust on its hub; no real machine",
		Body: Body{
			Mass: 125.8, Id: 10.2, Ip: 4.1, Zeta: 0.03,
			Supports: []Support{{0.15, 16e6, 32e6}, {-0.45, 12e6, 24e6}},
		},
		RotorMass: 90.8,
		Grade:     0.0063,
		Wheel: Wheel{
			Blades: 8, BladeMass: 2.6, TipRadius: 0.600, HubRadius: 0.201, Chord: 0.140, Stagger: 24 * degree,
			FlapHz: 55, Z: 0.40, Blade1: 10 * degree,
			Moment: 2.0 / degree, Side: 165e-6 / degree, Lead: 23 * degree,
		},
		Planes: []rotor.Plane{
			{Name: "hub front", Radius: 0.200, Z: 0.50, Positions: rotor.EvenPositions(16, 0, rotor.WithRotation),
				Cap: 1.2, MaxForce: 1500, Masses: grams(5, 10, 20, 30, 50, 70, 100, 150, 200)},
			{Name: "hub rear", Radius: 0.200, Z: 0.30, Positions: rotor.EvenPositions(16, 0, rotor.WithRotation),
				Cap: 1.2, MaxForce: 1500, Masses: grams(5, 10, 20, 30, 50, 70, 100, 150, 200)},
		},
		Probes: probes(0.15, -0.45, 0.12),
		Drive: Drive{
			Run: rotor.RadPerSecond(978), Slip: 0.022, SupplyHz: 50, Power: 7500, StartTorque: 1.8,
			Friction: 3, Inertia: 4.1, Pull: 60, PullZ: -0.30, Wander: 0.002, WanderTau: 2, Passing: 3,
		},
		Noise: Noise{Force: 3, Moment: 0.9, Sensor: 2.5e-4},
		Board: converter(24, 19.6),
		Found: Found{Worst: mmps(2.5, 5), Couple: 0.5, Track: 0.0005, Pitch: 0.2 * degree, MassShare: 0.002, Spacing: 0.15 * degree},
	}
}

func coolingFan() Params {
	return Params{
		Name:  "cooling-fan",
		Story: "an invented 2.4 m cooling fan with six hollow plastic blades on a light frame, behind a gear; no real machine",
		Body: Body{
			Mass: 432, Id: 82.5, Ip: 26.7, Zeta: 0.03,
			Supports: []Support{{0.25, 5e6, 3e6}, {-0.35, 5e6, 3e6}},
		},
		RotorMass: 102,
		Grade:     0.0063,
		Wheel: Wheel{
			Blades: 6, BladeMass: 7, TipRadius: 1.200, HubRadius: 0.257, Chord: 0.300, Stagger: 14 * degree,
			FlapHz: 9, Z: 0.42, Blade1: 30 * degree,
			Moment: 6.6 / degree, Side: 2200e-6 / degree, Lead: 23 * degree,
		},
		Planes: []rotor.Plane{
			{Name: "hub top", Radius: 0.250, Z: 0.54, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
				Cap: 2.5, MaxForce: 600, Masses: grams(10, 20, 50, 75, 100, 150, 200, 300, 400)},
			{Name: "hub bottom", Radius: 0.250, Z: 0.30, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
				Cap: 2.5, MaxForce: 600, Masses: grams(10, 20, 50, 75, 100, 150, 200, 300, 400)},
		},
		Probes: probes(0.2, -0.3, 0.30),
		Drive: Drive{
			Run: rotor.RadPerSecond(372), Slip: 0.015, SupplyHz: 50, Power: 5500, StartTorque: 1.8,
			Friction: 7, Inertia: 26.7, Pull: 60, PullZ: -0.30, Wander: 0.002, WanderTau: 2, Passing: 8,
		},
		Noise: Noise{Force: 2.5, Moment: 0.75, Sensor: 2.5e-4},
		Board: converter(24, 9.8),
		Found: Found{Worst: mmps(1.5, 3), Couple: 0.5, Track: 0.001, Pitch: 0.1 * degree, MassShare: 0.001, Spacing: 0.15 * degree},
	}
}

func grams(g ...float64) []float64 {
	kg := make([]float64, len(g))
	for i := range g {
		kg[i] = g[i] / 1000
	}
	return kg
}

func mmps(low, high float64) [2]float64 { return [2]float64{low / 1000, high / 1000} }

// probes are four radial accelerometers on the two bearings and an axial one.
// A converter that takes its channels in turn takes each a little later.
func probes(de, nde, high float64) []Probe {
	ps := []Probe{
		{Name: "DE-H", Z: de},
		{Name: "DE-V", Z: de, Angle: math.Pi / 2},
		{Name: "NDE-H", Z: nde},
		{Name: "NDE-V", Z: nde, Angle: math.Pi / 2},
		{Name: "DE-A", Z: de, Axial: true, High: high},
	}
	for i := range ps {
		ps[i].Slot = float64(i) * 25e-6
	}
	return ps
}

func converter(bits int, limit float64) Board {
	return Board{
		Rate: 6400, TickHz: 16e6, Bits: bits, Range: limit, Couple: 0.05, Filter: 2000, ClockPPM: 50,
		Pulses: 1, TachDelay: 30e-6, TachJitter: 20e-6, TachMiss: 5e-4, TachDouble: 5e-4,
	}
}

// Stiffer returns the fan with every support k times as stiff.
func (p Params) Stiffer(k float64) Params {
	s := make([]Support, len(p.Body.Supports))
	for i, u := range p.Body.Supports {
		s[i] = Support{u.Z, u.Kx * k, u.Ky * k}
	}
	p.Body.Supports = s
	return p
}

// Turning returns the fan at another supply frequency and settled speed (turns a
// second), with the power that the same air then takes; slip is the part of 1 by
// which it turns slower than its synchronous speed.
func (p Params) Turning(supplyHz, runHz, slip float64) Params {
	d := &p.Drive
	ratio := 2 * math.Pi * runHz / d.Run
	d.Run *= ratio
	d.Power *= ratio * ratio * ratio
	d.Passing *= ratio * ratio
	d.SupplyHz, d.Slip = supplyHz, slip
	p.Wheel.Moment *= ratio * ratio
	return p
}

func scenario(name, story string, p Params) Params {
	p.Name, p.Story = name, story
	return p
}

// bentFan has part of its vibration from two bent blades: a couple that no
// weight on its hub can take away within the cap of a hub face.
func bentFan() Params {
	p := scenario("bench-fan-bent", "the invented bench fan with two bent blades and an honest unbalance beside them", benchFan())
	p.Planes = []rotor.Plane{
		{Name: "hub front", Radius: 0.060, Z: 0.145, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
			Cap: 0.030, MaxForce: 40, Masses: grams(0.5, 1, 2, 3, 5, 8, 10, 15)},
		{Name: "hub rear", Radius: 0.060, Z: 0.115, Positions: rotor.EvenPositions(12, 0, rotor.WithRotation),
			Cap: 0.030, MaxForce: 40, Masses: grams(0.5, 1, 2, 3, 5, 8, 10, 15)},
	}
	p.Found.Worst = mmps(2, 3.5)
	p.Found.Couple = 0
	p.Found.Bent = []Blade{{Number: 2, Track: 0.0050}, {Number: 5, Track: -0.0045}}
	return p
}

// humFan is a two-pole fan whose second order and twice the line lie 0.8 Hz
// apart, on a stand stiff enough to run there.
func humFan() Params {
	p := scenario("bench-fan-hum", "the invented bench fan as a two-pole 60 Hz machine: its second order beats with twice the line", benchFan())
	p = p.Stiffer(16).Turning(60, 59.6, 0.4/60)
	p.Drive.Pull = 60
	p.Drive.StartTorque = 1.3
	return p
}

// driveFan runs on an inverter at an odd frequency.
func driveFan() Params {
	p := scenario("bench-fan-drive", "the invented bench fan on a frequency drive set to 37.3 Hz", benchFan())
	p = p.Turning(37.3, 17.9, 1-17.9/18.65)
	p.Drive.Inverter = true
	p.Drive.Pull = 10
	return p
}

// softFan runs above all its resonances and passes them on the way down.
func softFan() Params {
	p := scenario("bench-fan-soft", "the invented bench fan on isolators: it passes its resonances while it runs up and down", benchFan())
	p = p.Stiffer(1.0 / 25)
	p.Found.Track, p.Found.Pitch = 0.00005, 0.05*degree // couples show much on so soft a stand
	p.Found.Worst = mmps(4, 8)
	return p
}

// trackFan has a distance sensor that looks at the passing blades.
func trackFan() Params {
	p := scenario("extractor-track", "the invented extractor with a distance sensor aimed at its passing blades", extractor())
	p.Found.Track, p.Found.Pitch = 0.0015, 0.5*degree
	p.Distance = &Distance{Radius: 0.55, Angle: 70 * degree, Range: 0.060, Spot: 0.002, Noise: 10e-6}
	return p
}

var presets = []func() Params{benchFan, extractor, coolingFan, bentFan, humFan, driveFan, softFan, trackFan}

const plain = 3 // of them are the fans, the rest are scenarios on them

// Names are the virtual fans.
func Names() []string { return names(presets[:plain]) }

// Scenarios are fans with something the matter, beside those of Names: bent
// blades, hum, a drive, resonances to pass, a distance sensor.
func Scenarios() []string { return names(presets[plain:]) }

func names(of []func() Params) []string {
	out := make([]string, len(of))
	for i, p := range of {
		out[i] = p().Name
	}
	return out
}

// Preset returns the parameters of a fan or scenario; change them and pass them
// to NewWith for a fan of your own.
func Preset(name string) (Params, error) {
	for _, p := range presets {
		if q := p(); q.Name == name {
			return q, nil
		}
	}
	return Params{}, fmt.Errorf("there is no virtual fan %q: choose one of %s", name, strings.Join(append(Names(), Scenarios()...), ", "))
}
