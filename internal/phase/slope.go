package phase

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Slope is how a vector follows the speed around Speed: V(w) = V(Speed) (1 +
// Rate (w/Speed - 1)). Real part: percent of amplitude per percent of speed;
// imaginary part: rad per unit of relative speed. Far below a resonance a mass
// gives about 3 in velocity; near one it is large and turns.
type Slope struct {
	Speed float64    // rad/s
	Rate  complex128 // relative change of the vector per relative change of speed
	Error float64    // standard error of one axis of Rate; Inf where nothing is known
}

// fitAbove is the least scatter of the speed, relative, from which a slope can
// be fitted within a reading, and slopeClear how many standard errors make it
// worth using.
const (
	fitAbove   = 2e-4
	slopeClear = 3
)

// FitSlope fits the slope of an order of a channel to the turns of the average
// by least squares of the turn vectors on their speed; ok is false where the
// speed did not move enough or the slope drowns in its error.
func (a *Average) FitSlope(channel, order int) (s Slope, ok bool) {
	if a.n < 16 || channel < 0 || channel >= len(a.at(0).shape.setup.Channels) {
		return Slope{Error: math.Inf(1)}, false
	}
	var mean complex128
	speed := 0.0
	for i := range a.n {
		v, ok := a.at(i).Value(channel, order)
		if !ok {
			return Slope{Error: math.Inf(1)}, false
		}
		mean += v
		speed += a.at(i).Speed
	}
	n := float64(a.n)
	mean /= complex(n, 0)
	speed /= n
	var xy complex128
	var xx float64
	for i := range a.n {
		v, _ := a.at(i).Value(channel, order)
		x := a.at(i).Speed/speed - 1
		xy += complex(x, 0) * (v - mean)
		xx += x * x
	}
	s = Slope{Speed: speed, Error: math.Inf(1)}
	if mean == 0 || !(math.Sqrt(xx/n) > fitAbove) {
		return s, false
	}
	b := xy / complex(xx, 0)
	left := 0.0
	for i := range a.n {
		v, _ := a.at(i).Value(channel, order)
		d := v - mean - b*complex(a.at(i).Speed/speed-1, 0)
		left += real(d)*real(d) + imag(d)*imag(d)
	}
	size := cmplx.Abs(mean)
	s.Rate = b / mean
	s.Error = math.Sqrt(left/2/(n-2)/xx) / size
	return s, cmplx.Abs(s.Rate) > slopeClear*s.Error
}

// At brings a component taken at mean speed (rad/s) to the speed of the slope
// and says in one sentence what that did. Its covariance grows by the doubt of
// the slope.
func (s Slope) At(c Component, speed float64) (Component, string) {
	x := speed/s.Speed - 1
	if math.IsInf(s.Error, 1) || x == 0 {
		return c, "not brought to another speed"
	}
	f := 1 / (1 + s.Rate*complex(x, 0))
	v := c.Value * f
	doubt := cmplx.Abs(v) * math.Abs(x) * s.Error * cmplx.Abs(f)
	moved := cmplx.Abs(v-c.Value) / cmplx.Abs(c.Value)
	c.Value, c.Cov = v, c.Cov.Times(f)
	c.Cov.RR += doubt * doubt
	c.Cov.II += doubt * doubt
	return c, fmt.Sprintf("brought from %+.2f %% of speed: moved by %.2g %%, with a doubt of %.2g %%", 100*x, 100*moved, 100*doubt/math.Max(cmplx.Abs(v), 1e-300))
}
