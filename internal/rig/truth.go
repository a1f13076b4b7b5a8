package rig

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// The functions here are for tests and campaigns. They tell what no instrument
// could know, so nothing that measures may call them.

// TrueVector is the steady 1x velocity phasor (m/s, peak) of the machine at a
// channel, for the weights and blades of now and the present speed, or running
// speed when it stands. It is the closed form of the equations in the package
// comment, free of sensor, noise and time stepping.
func (r *Rig) TrueVector(channel int) complex128 {
	r.mu.Lock()
	omega := r.sim.motion.omega
	r.mu.Unlock()
	if omega == 0 {
		omega = r.sim.Drive.Run
	}
	return r.TrueVectorAt(channel, omega)
}

// TrueVectorAt is TrueVector at a speed in rad/s.
func (r *Rig) TrueVectorAt(channel int, omega float64) complex128 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.sim.velocity(r.sim.Probes[channel], omega, r.sim.total(omega))
}

// Response is the factor that sensor, filter and slot put on a sine of omega
// (rad/s) in a channel, beside noise, range and step.
func (r *Rig) Response(channel int, omega float64) complex128 {
	return r.sim.chains[channel].response(omega, r.sim.dt)
}

// Mode is one natural motion of the body.
type Mode struct {
	Hz      float64 // undamped natural frequency
	Damping float64 // part of critical
}

// Modes are the natural motions at a speed of the rotor (rad/s), ascending.
func (r *Rig) Modes(omega float64) []Mode { return r.sim.Body.modes(omega) }

func (b *Body) modes(omega float64) []Mode {
	k, c := b.matrices(omega)
	m := b.inertia()
	a := mat.NewDense(states, states, nil)
	for i := range 4 {
		a.Set(i, 4+i, 1)
		for j := range 4 {
			a.Set(4+i, j, -k[i][j]/m[i])
			a.Set(4+i, 4+j, -c[i][j]/m[i])
		}
	}
	var eig mat.Eigen
	if !eig.Factorize(a, mat.EigenNone) {
		return nil
	}
	var out []Mode
	for _, v := range eig.Values(nil) {
		if imag(v) > 0 {
			out = append(out, Mode{cmplx.Abs(v) / (2 * math.Pi), -real(v) / cmplx.Abs(v)})
		}
	}
	slices.SortFunc(out, func(a, b Mode) int { return cmp.Compare(a.Hz, b.Hz) })
	return out
}

// lowest is the lowest natural frequency at standstill, Hz.
func (p *Params) lowest() float64 {
	if m := p.Body.modes(0); len(m) > 0 {
		return m[0].Hz
	}
	return 0
}

// Air is the hidden gain of the aerodynamic effect and the phase (rad) that is
// added to its stated lead.
func (r *Rig) Air() (gain, phase float64) {
	return r.sim.hidden.gain, cmplx.Phase(r.sim.hidden.turn)
}

// LineHz is the true frequency of the supply, Hz of true time; the board's
// clock runs fast by ClockPPM beside it.
func (r *Rig) LineHz() float64 { return r.sim.Drive.SupplyHz }

// Running is the true axial place of a blade (from 1) at the distance sensor at
// a speed in rad/s, m.
func (r *Rig) Running(blade int, omega float64) float64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	w := &r.sim.Wheel
	at := w.TipRadius
	if d := r.sim.Distance; d != nil {
		at = d.Radius
	}
	return r.sim.blades[blade-1].Track * w.share(omega) * (at - w.HubRadius) / (w.TipRadius - w.HubRadius)
}
