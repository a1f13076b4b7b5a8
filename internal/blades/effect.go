package blades

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Effect is what the geometry does to the rotor at once per revolution.
type Effect struct {
	Track complex128 // kg m^2, couple by track through mass
	Tilt  complex128 // kg m^2, couple by pitch through mass: the centre of mass leaves the plane
	Air   complex128 // kg m^2, couple by pitch through the flow
	Side  complex128 // kg m, side force by pitch through the flow, as static unbalance
	Shift complex128 // kg m, static unbalance by pitch through mass
	Mass  complex128 // kg m, static unbalance by unequal moment weights or spacing

	CoupleKnown bool // blade masses are known, so Track is
	AirKnown    bool // chord and radius are known, so Air and Side are
	Bound       bool // Track is an upper bound, the hub radius being unknown
	Doubts      []Doubt
}

// Doubt is one independent source of error: what one standard deviation of it
// does to the couple (kg m^2) and to the static part (kg m).
type Doubt struct{ Couple, Static complex128 }

// Couple is the whole effective couple in kg m^2 about the fan plane.
func (e Effect) Couple() complex128 { return e.Track + e.Tilt + e.Air }

// Static is what pitch does in the fan plane, in kg m. Mass is not part of it:
// that is the unbalance which weights are for.
func (e Effect) Static() complex128 { return e.Side + e.Shift }

// CoupleCov is the covariance of Couple.
func (e Effect) CoupleCov() rotor.Cov { return e.seen(1, 0) }

// StaticCov is the covariance of Static.
func (e Effect) StaticCov() rotor.Cov { return e.seen(0, 1) }

// seen is the covariance of c Couple + u Static, the vibration of a sensor
// that answers a couple by c and a static unbalance by u.
func (e Effect) seen(c, u complex128) (cov rotor.Cov) {
	for _, d := range e.Doubts {
		v := c*d.Couple + u*d.Static
		cov.RR += real(v) * real(v)
		cov.RI += real(v) * imag(v)
		cov.II += imag(v) * imag(v)
	}
	return cov
}

// forms are the coefficients by which an error of each blade acts.
type forms struct {
	theta  []float64
	track  []float64 // kg m^2 per m
	tilt   []float64 // kg m^2 per rad
	shift  []complex128
	air    Air
	couple bool
	bound  bool
}

func newForms(s *Survey, g Geometry) forms {
	n := s.Blades
	f := forms{theta: s.Theta(), track: make([]float64, n), tilt: make([]float64, n), shift: make([]complex128, n), air: s.air(g), couple: true}
	b := s.pitchForAir(g)
	for i := range n {
		per, bound := s.couplePerTrack(i, g)
		f.track[i], f.bound = per, f.bound || bound
		f.couple = f.couple && per > 0
		m, r := s.massOf(i, g)
		f.tilt[i] = m * r * s.CGOffset * math.Cos(b) * s.stiffening()
		f.shift[i] = complex(0, m*s.CGOffset*math.Sin(b))
	}
	return f
}

// effect is what errors of track (m) and pitch (rad) per blade do, both taken
// from whatever is no error. sdTrack and sdPitch are their standard deviations.
func (f forms) effect(track, pitch, sdTrack, sdPitch []float64) Effect {
	e := Effect{CoupleKnown: f.couple, AirKnown: f.air.Known && pitch != nil, Bound: f.bound}
	for i, th := range f.theta {
		u := cmplx.Rect(1, th)
		if track != nil {
			by := complex(f.track[i], 0) * u
			e.Track += by * complex(track[i], 0)
			e.Doubts = append(e.Doubts, Doubt{Couple: by * complex(sdTrack[i], 0)})
		}
		if pitch != nil {
			db, sd := u*complex(pitch[i], 0), u*complex(sdPitch[i], 0)
			tilt, shift := complex(f.tilt[i], 0), f.shift[i]
			e.Tilt += tilt * db
			e.Shift += shift * db
			e.Air += f.air.Couple * db
			e.Side += f.air.Force * db
			e.Doubts = append(e.Doubts, Doubt{(tilt + f.air.Couple) * sd, (shift + f.air.Force) * sd})
		}
	}
	// Gain and phase of the flow are known within limits either way; an error
	// spread evenly over them has the standard deviation limit/sqrt 3. They act on
	// couple and side force alike.
	gain, turn := complex(f.air.Gain, 0), complex(0, f.air.Phase)
	e.Doubts = append(e.Doubts, Doubt{gain * e.Air, gain * e.Side}, Doubt{turn * e.Air, turn * e.Side})
	return e
}

// effect of a survey as it stands: errors are taken from the mean of the
// blades.
func (s *Survey) effect(g Geometry) Effect {
	f := newForms(s, g)
	track, sdTrack := deviations(g.Track)
	pitch, sdPitch := deviations(g.Pitch)
	e := f.effect(track, pitch, sdTrack, sdPitch)
	for i, th := range f.theta {
		m, r := s.massOf(i, g)
		e.Mass += cmplx.Rect(m*r, th)
	}
	return e
}

func deviations(c Column) (dev, sd []float64) {
	if dev = c.Deviations(); dev == nil {
		return nil, nil
	}
	return dev, c.SD
}

// Deviations are the values from their mean; nil where a blade has none.
func (c Column) Deviations() []float64 {
	if !c.Given {
		return nil
	}
	mean := meanOf(c.Value)
	dev := make([]float64, len(c.Value))
	for i, v := range c.Value {
		dev[i] = v - mean
	}
	return dev
}

// Radius95 is the radius of the circle around the estimate that holds the
// truth with 95 % probability, for a normal error of covariance c: 2.448
// standard deviations for a round error, 1.960 for one along a line. Between
// them the Rayleigh integral is solved by bisection.
func Radius95(c rotor.Cov) float64 {
	major, minor, _ := c.Principal()
	if major <= 0 || math.IsNaN(major) {
		return 0
	}
	lo, hi := 1.95*major, 2.45*major
	for range 40 {
		if mid := (lo + hi) / 2; withinCircle(mid, major, minor) < 0.95 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// withinCircle integrates over the major axis: for each place on it the minor
// axis must stay inside the circle.
func withinCircle(r, major, minor float64) float64 {
	const n = 200
	sum := 0.0
	for i := range n { // substitution x = r sin t removes the edge's infinite slope
		t := (float64(i) + 0.5) / n * math.Pi / 2
		s, c := math.Sincos(t)
		x, y := r*s/major, r*c
		in := 1.0
		if minor > 0 {
			in = math.Erf(y / (minor * math.Sqrt2))
		}
		sum += 2 * math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) * in * r * c / major * (math.Pi / 2 / n)
	}
	return sum
}
