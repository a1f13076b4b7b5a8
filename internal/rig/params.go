package rig

import (
	"math"

	"counterpoise/internal/rotor"
)

// Params is everything that makes one virtual fan, before chance draws the
// state in which it is found. All of it is invented; see Preset for how.
type Params struct {
	Name  string
	Story string // one sentence for people: what it is, and that it is invented

	Body      Body
	RotorMass float64 // kg
	Grade     float64 // m/s, balance quality grade that the fan shall reach
	Wheel     Wheel
	Planes    []rotor.Plane // Z from the centre of gravity of rotor and frame
	Probes    []Probe
	Distance  *Distance // nil = no distance sensor
	Drive     Drive
	Noise     Noise
	Board     Board
	Found     Found
}

// Wheel is the bladed wheel as drawn, all blades alike.
type Wheel struct {
	Blades    int
	BladeMass float64 // kg
	TipRadius float64 // m
	HubRadius float64 // m
	Chord     float64 // m, at the tip
	Stagger   float64 // rad, angle of the chord to the plane of rotation at the tip
	FlapHz    float64 // Hz, first flapwise frequency of a blade at standstill
	Z         float64 // m, plane of the wheel
	Blade1    float64 // rad, angle of blade 1 from the mark
	// Aerodynamics of one over-pitched blade at running speed, before the
	// hidden gain and phase that a seed draws.
	Moment float64 // N m per rad, thrust moment
	Side   float64 // kg m per rad, unbalance that gives the same in-plane force
	Lead   float64 // rad by which the effect points ahead of the blade, with rotation
}

// nu is the hub ratio.
func (w *Wheel) nu() float64 { return w.HubRadius / w.TipRadius }

// centre is the radius of a uniform blade's centre of gravity, m.
func (w *Wheel) centre() float64 { return (w.HubRadius + w.TipRadius) / 2 }

// kappa is the factor between the couple of a blade shifted along the shaft and
// that of a uniform blade tilted about its root, where the offset is read at
// the tip: (2 + nu)/(3 (1 + nu)), from the integral of mass, radius and offset
// over the span.
func (w *Wheel) kappa() float64 { return (2 + w.nu()) / (3 * (1 + w.nu())) }

// share is the part of a static blade deflection that is left at omega (rad/s):
// the centrifugal force straightens a blade, f^2/(f^2 + n^2) for a flapwise
// frequency f and n turns a second (balance of moments about an elastic root).
func (w *Wheel) share(omega float64) float64 {
	n := omega / (2 * math.Pi)
	return w.FlapHz * w.FlapHz / (w.FlapHz*w.FlapHz + n*n)
}

// Probe is one accelerometer.
type Probe struct {
	Name  string
	Z     float64 // m from the centre of gravity
	Angle float64 // rad, measuring direction: 0 = x (horizontal), pi/2 = y (vertical)
	Axial bool    // measures along z instead, at the height below
	High  float64 // m above the shaft, for an axial probe
	Slot  float64 // s by which the converter takes this channel after the first
}

// Distance is a displacement sensor that looks along the shaft at the passing
// blades. Its channel reads the axial place of what stands before it, m, +
// downstream of the plane of the wheel.
type Distance struct {
	Radius float64 // m, where it looks
	Angle  float64 // rad, from the tach, with rotation
	Range  float64 // m, it reads within +- this; between blades it shows + this
	Spot   float64 // m, width of what it sees
	Noise  float64 // m, rms of a sample
}

// Drive is the motor and its supply.
type Drive struct {
	Run         float64 // rad/s, settled speed
	Slip        float64 // how far that lies under the synchronous speed, part of 1
	SupplyHz    float64 // line, or output of the inverter
	Inverter    bool
	Power       float64 // W at the shaft
	StartTorque float64 // times the running torque
	Friction    float64 // N m
	Inertia     float64 // kg m^2 about the shaft
	Pull        float64 // N, peak of the magnetic pull at twice the supply frequency
	PullZ       float64 // m, where it acts
	Wander      float64 // part of 1, rms of the slow wander of speed
	WanderTau   float64 // s, its correlation time
	Passing     float64 // N m, peak of the moment at blade-passing frequency at running speed
}

// load is the coefficient of a torque that grows with speed squared.
func (d *Drive) load() float64 { return d.Power / (d.Run * d.Run * d.Run) }

// Noise is broadband disturbance, one-sided densities per root hertz.
type Noise struct {
	Force  float64 // N, in x and in y
	Moment float64 // N m
	Sensor float64 // m/s^2
}

// Board is converter, tachometer and clock.
type Board struct {
	Rate       float64 // samples/s, nominal; TickHz must be a multiple of it
	TickHz     float64
	Bits       int     // of the converter, <= 24
	Range      float64 // m/s^2, the accelerometers clip at +- this
	Couple     float64 // Hz, corner of the AC coupling
	Filter     float64 // Hz, corner of the one-pole filter before the converter
	ClockPPM   float64 // the board's clock runs fast by this
	Pulses     int     // tach marks a turn
	TachDelay  float64 // s
	TachJitter float64 // s, rms
	TachMiss   float64 // chance that an edge is missed
	TachDouble float64 // chance that an edge is followed by a second one 2 ms later
}

// Found says in what state chance leaves the fan.
type Found struct {
	Worst     [2]float64 // m/s rms, the worst radial probe lies between these at running speed, before any bend
	Couple    float64    // part of the hub's unbalance that stands in the other plane, 0 = static only
	Track     float64    // m, standard deviation of a blade's track
	Pitch     float64    // rad, of its pitch
	MassShare float64    // part of 1, of its mass
	Spacing   float64    // rad, of its place
	Bent      []Blade    // these blades get this track and pitch on top
}
