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

// Blades returns the state of the blades: what an exact survey would find.
func (r *Rig) Blades() []Blade {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.sim.blades)
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
