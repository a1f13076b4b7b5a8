package rig

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Blade is the state of one blade.
type Blade struct {
	Number int
	Angle  float64 // rad from the mark, with rotation; blades are numbered with rotation
	Track  float64 // m, axial place of the tip's mid-chord at standstill, + downstream
	Pitch  float64 // rad, error of the pitch angle, + more pitch, turned about its centre of gravity
	Mass   float64 // kg
}

// hidden is what a tool cannot know of the rotor.
type hidden struct {
	hub  []load     // unbalance of everything but the blades
	gain float64    // of the air, around 1
	turn complex128 // of the air, around 1
}

// load is an unbalance in a plane.
type load struct {
	u complex128 // kg m
	z float64    // m
}

// pull is what turns with the rotor: force f and moment g about the centre of
// gravity, both divided by omega^2 (kg m and kg m^2).
type pull struct{ f, g complex128 }

func (a pull) add(b pull) pull { return pull{a.f + b.f, a.g + b.g} }

func (a pull) times(s float64) pull { return pull{a.f * complex(s, 0), a.g * complex(s, 0)} }

func loads(ls []load) (p pull) {
	for _, l := range ls {
		p.f += l.u
		p.g += l.u * complex(l.z, 0)
	}
	return p
}

// bladePull sums over the blades
//
//	mass     U = sum (m_i - m) r e^{i th_i}
//	track    C = kappa share sum m_i r z_i e^{i th_i}
//	pitch    g = gain share M' sum db_i e^{i th_i},  f = -i gain S' sum db_i e^{i th_i}
//
// An over-pitched blade is pulled upstream; the moment of that is the moment of
// a blade that tracks downstream. The side force acts a quarter turn behind.
func (p *Params) bladePull(blades []Blade, h hidden, omega float64) pull {
	w := &p.Wheel
	var u, c, db complex128
	for _, b := range blades {
		e := cmplx.Rect(1, b.Angle)
		u += complex((b.Mass-w.BladeMass)*w.centre(), 0) * e
		c += complex(b.Mass*w.centre()*b.Track, 0) * e
		db += complex(b.Pitch, 0) * e
	}
	share := w.share(omega)
	air := cmplx.Rect(h.gain, w.Lead) * h.turn * db
	f := u - 1i*air*complex(w.Side, 0)
	g := c*complex(w.kappa()*share, 0) + air*complex(share*w.Moment/(p.Drive.Run*p.Drive.Run), 0)
	return pull{f: f, g: g + f*complex(w.Z, 0)}
}

func weightPull(planes []rotor.Plane, ws []rotor.Weight) (p pull) {
	for _, w := range ws {
		for i := range planes {
			if pl := &planes[i]; pl.Name == w.Plane {
				u := w.Phasor(pl.Radius) * complex(pl.Radius, 0)
				p.f += u
				p.g += u * complex(pl.Z, 0)
			}
		}
	}
	return p
}

// velocity is the steady velocity phasor (m/s, peak) of the machine at a probe.
func (p *Params) velocity(pr Probe, omega float64, a pull) complex128 {
	w2 := complex(omega*omega, 0)
	q, _ := p.Body.respond(omega, w2*a.f, w2*a.g)
	return complex(0, omega) * pr.project(q)
}

// project is the displacement along the probe's direction. At a height h an
// axial probe sees the tilt: a point at y = h moves by -h ga along the shaft.
func (pr Probe) project(q [4]complex128) complex128 {
	var v complex128
	for i, w := range pr.weights() {
		v += complex(w, 0) * q[i]
	}
	return v
}

func (pr Probe) weights() [4]float64 {
	if pr.Axial {
		return [4]float64{3: -pr.High}
	}
	s, c := math.Sincos(pr.Angle)
	return [4]float64{c, c * pr.Z, s, s * pr.Z}
}
