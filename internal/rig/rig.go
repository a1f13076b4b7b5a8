package rig

import (
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"counterpoise/internal/rotor"
)

// Rig is one virtual fan with its board.
type Rig struct {
	mu      sync.Mutex
	sim     *sim
	pace    float64
	faults  Faults
	board   board
	serving bool
	wake    chan struct{} // pokes the owner after a change of pace
	cable   cable
}

// New makes the virtual fan of that name in the state that chance, from seed,
// leaves it in. Names and Scenarios list the names.
func New(name string, seed uint64) (*Rig, error) {
	p, err := Preset(name)
	if err != nil {
		return nil, err
	}
	return NewWith(p, seed)
}

// NewWith makes a virtual fan of other parameters.
func NewWith(p Params, seed uint64) (*Rig, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	return &Rig{sim: newSim(p, seed), pace: 1, wake: make(chan struct{}, 1), board: board{id: seed}}, nil
}

// check refuses parameters that no board or rotor could have.
func (p *Params) check() error {
	b := &p.Board
	channels := len(p.Probes)
	if p.Distance != nil {
		channels++
	}
	switch {
	case channels < 1 || channels > maxChannels:
		return fmt.Errorf("a rig has 1 to %d channels, not %d", maxChannels, channels)
	case !(b.Rate > 0) || math.Mod(b.TickHz, b.Rate) != 0 || b.TickHz > math.MaxUint32:
		return fmt.Errorf("a tick of %v Hz is no whole multiple of %v samples a second", b.TickHz, b.Rate)
	case b.Bits < 2 || b.Bits > 24:
		return fmt.Errorf("a converter has 2 to 24 bits here, not %d", b.Bits)
	case b.Pulses < 1 || b.Pulses > 60:
		return fmt.Errorf("a tach has 1 to 60 marks a turn here, not %d", b.Pulses)
	case p.Wheel.Blades < 1 || !(p.Drive.Run > 0) || !(p.Drive.Slip > 0 && p.Drive.Slip < 1):
		return fmt.Errorf("a rig needs blades, a running speed and a slip between 0 and 1")
	case len(p.Body.Supports) < 2:
		return fmt.Errorf("a rig stands on at least two supports")
	}
	if d, w := p.Distance, &p.Wheel; d != nil && float64(w.Blades)*w.Chord*math.Cos(w.Stagger) > 2*math.Pi*d.Radius {
		return fmt.Errorf("%d blades of %g m chord overlap before a distance sensor at %g m", w.Blades, w.Chord, d.Radius)
	}
	for _, pr := range p.Probes {
		if !(pr.Slot >= 0 && pr.Slot <= 1/b.Rate) {
			return fmt.Errorf("the slot of %s lies outside one sample", pr.Name)
		}
	}
	for _, bent := range p.Found.Bent {
		if bent.Number < 1 || bent.Number > p.Wheel.Blades {
			return fmt.Errorf("there is no blade %d to bend", bent.Number)
		}
	}
	return nil
}

// Motion is what the rotor does.
type Motion string

// The words for Motion.
const (
	Still    Motion = "still"    // stands, supply off
	Running  Motion = "running"  // supply on: runs up or runs
	Coasting Motion = "coasting" // supply off, still turning
)

// State is the rig at one moment.
type State struct {
	Motion    Motion
	Speed     float64 // rad/s
	AtSpeed   bool    // running speed is reached
	SupplyOn  bool
	Weights   []rotor.Weight // on the rotor, relative to as found
	Blades    []Blade
	Seconds   float64 // of board time since the rig was made
	Plugged   bool
	Streaming bool // a host has asked for data
}

// State returns the present state.
func (r *Rig) State() State {
	r.mu.Lock()
	defer r.mu.Unlock()
	m := &r.sim.motion
	return State{
		Motion: m.word(), Speed: m.omega, AtSpeed: m.settled(), SupplyOn: m.supply,
		Weights: slices.Clone(r.sim.weights), Blades: slices.Clone(r.sim.blades),
		Seconds: float64(r.sim.sample) * r.sim.dt, Plugged: r.cable.isIn(), Streaming: r.board.streaming,
	}
}

func (m *motion) word() Motion {
	switch {
	case m.supply:
		return Running
	case m.speed > 0:
		return Coasting
	}
	return Still
}

// Start switches the supply on. It may be on already.
func (r *Rig) Start() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sim.motion.supply = true
	return nil
}

// Stop switches the supply off; the rotor coasts down. Whatever the current
// made is gone at once.
func (r *Rig) Stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sim.motion.supply = false
}

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

// Blades returns the state of the blades: what an exact survey would find.
func (r *Rig) Blades() []Blade {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.sim.blades)
}

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

// SetPace lets the board's clock run x times as fast as the wall clock. 1 is a
// real board; beyond that the board waits for a host that reads too slowly
// instead of dropping. 0 is as fast as the host reads.
func (r *Rig) SetPace(x float64) error {
	if !(x >= 0) || math.IsInf(x, 1) {
		return fmt.Errorf("a pace of %v is no speed-up: give 1 for a real clock, more for a faster one, 0 for as fast as the host reads", x)
	}
	r.mu.Lock()
	r.pace = x
	r.mu.Unlock()
	r.poke()
	return nil
}

// poke wakes the owner.
func (r *Rig) poke() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Unplug pulls the cable. After d it is plugged in again; 0 leaves it out until
// Plug. The plant goes on meanwhile; the board forgets that it was streaming.
func (r *Rig) Unplug(d time.Duration) { r.cable.pull(d) }

// Plug puts the cable back.
func (r *Rig) Plug() { r.cable.plug() }
