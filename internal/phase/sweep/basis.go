package sweep

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// pole is a mode that is tried: its natural frequency where the rotor meets it,
// its damping, and by how much of a change of speed the frequency moves with it
// (the gyroscopic moment of a wheel; 0 = a mode that stands still).
type pole struct{ omega, zeta, drift float64 }

// natural is the natural frequency while the rotor turns at w.
func (p pole) natural(w float64) float64 { return p.omega + p.drift*(w-p.omega) }

// course is the sweep as the model needs it: the points with their speeds, and
// whether the envelope must be carried through time.
type course struct {
	points []Point
	timed  bool
}

const (
	steps      = 12   // of the envelope in a turn
	slowSteps  = 4    // where turns change so little that they were taken together
	slowEnough = 0.01 // share by which a mode as sharp as the sharpest may lag before it must be carried in time
	sharpest   = 0.005
	holeTurns  = 20 // a longer hole begins the envelope anew, in the steady state
)

func newCourse(points []Point) *course {
	c := &course{points: points}
	for _, p := range points {
		if math.IsNaN(p.At) || !(p.Seconds > 0) {
			c.timed = false
			return c
		}
		// First-order lag of a mode at its resonance: accel/(zeta w)^2.
		if math.Abs(p.Accel) > slowEnough*math.Pow(sharpest*p.Speed, 2) {
			c.timed = true
		}
	}
	return c
}

// columns are the two real columns of a complex share: what a turn reads for a
// share of 1 and of i. They differ from B and iB where the envelope changes
// within a turn: the mirror image B* exp(-2 i phi) does not average out then.
type columns struct{ re, im []complex128 }

func newColumns(n int) columns { return columns{make([]complex128, n), make([]complex128, n)} }

func (c columns) set(i int, b, mirror complex128) {
	c.re[i] = b + mirror
	c.im[i] = 1i * (b - mirror)
}

// response is the steady answer of a mode at w in quantity q, per unit share.
func (p pole) response(w float64, q rotor.Quantity) complex128 {
	o := p.natural(w)
	x := complex(w*w, 0) / complex(o*o-w*w, 2*p.zeta*o*w)
	return x * derived(w, q)
}

// derived is the factor from displacement to quantity q at w.
func derived(w float64, q rotor.Quantity) complex128 {
	switch q {
	case rotor.Velocity:
		return complex(0, w)
	case rotor.Acceleration:
		return complex(-w*w, 0)
	}
	return 1
}

// mode fills the columns of one mode for a quantity.
func (c *course) mode(p pole, q rotor.Quantity) columns {
	out := newColumns(len(c.points))
	if !c.timed {
		for i, pt := range c.points {
			out.set(i, p.response(pt.Speed, q), 0)
		}
		return out
	}
	e := envelope{pole: p, q: q}
	e.at(p.omega)
	for i, pt := range c.points {
		c.bridge(&e, i)
		if pt.Turns > 1 {
			out.set(i, e.carry(pt.Speed, pt.Accel, pt.Seconds, slowSteps*pt.Turns), 0)
			continue
		}
		b, mirror := e.turn(pt)
		out.set(i, b, mirror)
	}
	return out
}

// bridge carries the envelope over what lies between two points.
func (c *course) bridge(e *envelope, i int) {
	pt := c.points[i]
	if i == 0 {
		e.settle(pt.Speed - pt.Accel*pt.Seconds/2)
		return
	}
	before := c.points[i-1]
	gap := pt.At - pt.Seconds/2 - before.At - before.Seconds/2
	switch mean := (pt.Speed + before.Speed) / 2; {
	case gap < 0.01*pt.Seconds:
	case gap > holeTurns*2*math.Pi/mean:
		e.settle(pt.Speed - pt.Accel*pt.Seconds/2)
	default:
		e.carry(mean, (pt.Speed-before.Speed)/(pt.At-before.At), gap, steps*(int(gap*mean/(2*math.Pi))+1))
	}
}

// envelope is the state y = V - down X of a mode in the turning frame:
//
//	y' = (up - i w) y + w^2
//
// Its counterpart V - up X turns backwards and is in its steady state at any
// rate of sweep that a rotor can have.
type envelope struct {
	pole
	up, down complex128 // at the present speed
	q        rotor.Quantity
	y        complex128
}

// at sets the roots for a speed.
func (e *envelope) at(w float64) {
	o := e.natural(w)
	root := o * math.Sqrt(1-e.zeta*e.zeta)
	e.up, e.down = complex(-e.zeta*o, root), complex(-e.zeta*o, -root)
}

func (e *envelope) settle(w float64) {
	e.at(w)
	e.y = complex(w*w, 0) / (complex(0, w) - e.up)
}

func (e *envelope) step(w, h float64) {
	if e.drift != 0 {
		e.at(w)
	}
	r := e.up - complex(0, w)
	g := cmplx.Exp(r * complex(h, 0))
	e.y = e.y*g + complex(w*w, 0)*(g-1)/r
}

// carry takes the envelope through seconds of changing speed in n steps and
// returns its mean.
func (e *envelope) carry(w, accel, seconds float64, n int) (mean complex128) {
	h := seconds / float64(n)
	for j := range n {
		mid := w + accel*((float64(j)+0.5)*h-seconds/2)
		before := e.y
		e.step(mid, h)
		after := e.y
		e.y = (before + after) / 2
		mean += e.value(mid) / complex(float64(n), 0)
		e.y = after
	}
	return mean
}

// value is the envelope in the wanted quantity at speed w.
func (e *envelope) value(w float64) complex128 {
	y2 := complex(w*w, 0) / (complex(0, w) - e.down)
	split := e.up - e.down
	x := (e.y - y2) / split
	if e.q != rotor.Velocity && e.q != rotor.Acceleration {
		return x
	}
	v := (e.up*e.y - e.down*y2) / split
	if e.q == rotor.Velocity {
		return v
	}
	return complex(w*w, 0) + (e.up+e.down)*v - e.up*e.down*x
}

// turn carries the envelope through one turn and returns what averaging over
// it reads: the mean, and the mean of the mirror image.
func (e *envelope) turn(pt Point) (b, mirror complex128) {
	h := pt.Seconds / steps
	w := pt.Speed - pt.Accel*pt.Seconds/2
	phi := 0.0
	for j := 0; ; j++ {
		v, part := e.value(w), 1.0/steps
		if j == 0 || j == steps {
			part /= 2
		}
		b += v * complex(part, 0)
		mirror += cmplx.Conj(v) * cmplx.Rect(part, -2*phi)
		if j == steps {
			return b, mirror
		}
		mid := w + pt.Accel*h/2
		e.step(mid, h)
		w += pt.Accel * h
		phi += mid * h
	}
}

// outside fills the columns of the modes above and below the sweep. ref scales
// them to about 1.
func (c *course) outside(q rotor.Quantity, ref float64) (above, below columns) {
	above, below = newColumns(len(c.points)), newColumns(len(c.points))
	for i, pt := range c.points {
		w := pt.Speed
		above.set(i, complex(w*w/(ref*ref), 0)*derived(w, q), 0)
		below.set(i, derived(w, q), 0)
	}
	return above, below
}
