package phase

import (
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
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

// wireSlope is a Slope in JSON, which knows no complex numbers.
type wireSlope struct {
	Speed float64
	Rate  [2]float64 // real, imaginary
	Error float64
}

// MarshalJSON writes the rate as its real and imaginary part.
func (s Slope) MarshalJSON() ([]byte, error) {
	return json.Marshal(wireSlope{s.Speed, [2]float64{real(s.Rate), imag(s.Rate)}, s.Error})
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Slope) UnmarshalJSON(b []byte) error {
	var w wireSlope
	if err := json.Unmarshal(b, &w); err != nil {
		return err
	}
	*s = Slope{w.Speed, complex(w.Rate[0], w.Rate[1]), w.Error}
	return nil
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

// Normal is what bringing every turn to the reading's speed did to a component.
type Normal struct {
	Slope Slope
	Given bool    // the slope was given, not fitted to the turns
	Moved float64 // change of the value, relative
	Doubt float64 // standard error of one axis of that, relative; it is part of the covariance
	Less  float64 // scatter of the turns with it over that without, rms
}

// NormalFigures is a Normal for programs: its keys are a promise.
type NormalFigures struct {
	AmplitudePerPercent float64 `json:"amplitude_percent_per_percent_speed"`
	DegPerPercent       float64 `json:"phase_deg_per_percent_speed"`
	Error               float64 `json:"standard_error_percent_per_percent_speed"`
	Given               bool    `json:"given,omitempty"`
	Moved               float64 `json:"moved_percent"`
	Doubt               float64 `json:"doubt_percent"`
}

// Figures is n in the units of its keys; nil for nil.
func (n *Normal) Figures() *NormalFigures {
	if n == nil {
		return nil
	}
	return &NormalFigures{real(n.Slope.Rate), imag(n.Slope.Rate) / 100 * 180 / math.Pi, n.Slope.Error, n.Given, 100 * n.Moved, 100 * n.Doubt}
}

// A slope is fitted where the speed scattered by more than fitAbove and less than
// fitBelow (a run-up is no reading), and used where it stands slopeClear standard
// errors above nothing: from there on leaving it out costs more than its doubt.
const (
	fitAbove   = 2e-4
	fitBelow   = 0.05
	fitTurns   = 16
	slopeClear = 3
)

// view sets what the stated errors of a reading are taken from.
func (f *fit) view(a *Average, r *Reading) {
	f.seen, f.gain = a.seen(r), f.noiseGain(a)
	f.speed = resize(f.speed, f.seen)
	for i := range f.speed {
		f.speed[i] = a.before.speedOf(a, f.seen-1-i)/r.Speed - 1
	}
	var sum, all float64
	for i := range a.n {
		t := a.at(i)
		for s := range t.sectors {
			w := f.weight[i*maxSectors+s] * real(t.geo[s*(f.sh.kmax+1)])
			sum += w * (t.Speed/r.Speed - 1)
			all += w
		}
	}
	f.ahead = sum / all
}

// speedOf is the speed of the i-th newest turn, of the reading itself or of
// those remembered.
func (p *past) speedOf(a *Average, i int) float64 {
	if i < a.n {
		return a.at(a.n - 1 - i).Speed
	}
	return p.newest(i).speed
}

// normalise takes out of f.resid and of the component what the speed explains,
// and says so in the component. It returns how many unknowns were fitted for it.
func (f *fit) normalise(a *Average, c int, o *Component) (taken int) {
	s, given, ok := f.slope(a, c, o)
	if !ok {
		return 0
	}
	b := s.Rate * o.Value
	before := f.rms()
	for i, x := range f.speed {
		f.resid[i] -= b * complex(x-f.ahead, 0)
	}
	n := &Normal{Slope: s, Given: given, Doubt: s.Error * math.Abs(f.ahead), Less: 1}
	if before > 0 {
		n.Less = f.rms() / before
	}
	v := o.Value - b*complex(f.ahead, 0)
	n.Moved = cmplx.Abs(v-o.Value) / cmplx.Abs(o.Value)
	o.Value, o.Normal = v, n
	if given {
		return 0
	}
	return 1
}

// steady takes out of the residuals of a reading what follows the speed.
func (f *fit) steady(v complex128) {
	if v == 0 {
		return
	}
	own := f.speed[len(f.speed)-len(f.resid):]
	s := f.fitSlope(v, own)
	if cmplx.Abs(s.Rate) > slopeClear*s.Error {
		for i, x := range own {
			f.resid[i] -= s.Rate * v * complex(x, 0)
		}
	}
}

// slope is the slope of a component, given or fitted; ok is false where there is
// none worth using.
func (f *fit) slope(a *Average, c int, o *Component) (s Slope, given, ok bool) {
	speed := a.speed()
	if o.Value == 0 {
		return s, false, false
	}
	if c < len(a.cfg.Slopes) && o.Order == 1 && a.cfg.Slopes[c].Speed > 0 {
		s = a.cfg.Slopes[c]
		return s, true, finite(s.Rate) && s.Error >= 0 && !math.IsInf(s.Error, 1)
	}
	s = f.fitSlope(o.Value, f.speed)
	s.Speed = speed
	return s, false, cmplx.Abs(s.Rate) > slopeClear*s.Error
}

// speed is the mean speed of the turns, rad/s.
func (a *Average) speed() float64 { return 2 * math.Pi * a.meanHz() }

// fitSlope fits the slope of v by least squares of the residuals on the speed of
// their turns. Its error is the long-run one: where speed and noise both change slowly, the plain
// one would make slopes out of nothing.
func (f *fit) fitSlope(v complex128, speed []float64) Slope {
	none := Slope{Error: math.Inf(1)}
	n := float64(len(f.resid))
	if n < fitTurns {
		return none
	}
	var mean, xy complex128
	x0, xx := 0.0, 0.0
	for i, x := range speed {
		mean += f.resid[i] / complex(n, 0)
		x0 += x / n
	}
	for i, x := range speed {
		xy += complex(x-x0, 0) * (f.resid[i] - mean)
		xx += (x - x0) * (x - x0)
	}
	if sd := math.Sqrt(xx / n); !(sd > fitAbove && sd < fitBelow) {
		return none
	}
	b := xy / complex(xx, 0)
	f.score = resize(f.score, len(f.resid))
	left := 0.0
	for i, x := range speed {
		d := f.resid[i] - mean - b*complex(x-x0, 0)
		left += real(d)*real(d) + imag(d)*imag(d)
		f.score[i] = complex(x-x0, 0) * d
	}
	f.resid, f.score = f.score, f.resid
	long := f.cosines(1, terms(len(f.resid), 0)).PerAxis() * n
	f.resid, f.score = f.score, f.resid
	variance := math.Max(long/xx, left/2/(n-2)) / xx
	return Slope{Rate: b / v, Error: math.Sqrt(variance) / cmplx.Abs(v)}
}

// rms is the scatter of f.resid about its mean.
func (f *fit) rms() float64 {
	var mean complex128
	sum := 0.0
	for _, r := range f.resid {
		mean += r
		sum += real(r)*real(r) + imag(r)*imag(r)
	}
	n := float64(len(f.resid))
	m := cmplx.Abs(mean) / n
	return math.Sqrt(math.Max(0, sum/n-m*m))
}

// in is n for the vector as another quantity: every differentiation adds one to
// the slope.
func (n *Normal) in(from, to rotor.Quantity) *Normal {
	if n == nil || from == to {
		return n
	}
	const step = 1e-4
	a, err1 := rotor.Convert(1, from, to, 1)
	b, err2 := rotor.Convert(1, from, to, 1+step)
	if err1 != nil || err2 != nil {
		return n
	}
	m := *n
	m.Slope.Rate += complex(math.Round(real(b/a-1)/step), 0)
	return &m
}

// normalWords says of the channel that moved most what was done.
func normalWords(r *Reading) string {
	var worst *Normal
	name, order := "", 0
	for _, ch := range r.Channels {
		for _, o := range ch.Orders {
			if o.Normal != nil && (worst == nil || o.Normal.Moved > worst.Moved) {
				worst, name, order = o.Normal, ch.Name, o.Order
			}
		}
	}
	if worst == nil {
		return ""
	}
	how := "fitted to the turns"
	if worst.Given {
		how = "as given"
	}
	rate := worst.Slope.Rate
	return fmt.Sprintf("The speed scattered by %.2g %%, so the turns were brought to %.1f rpm. Most was done to channel %q at order %d: it changes by %.1f %% and %.2f deg per %% of speed (+- %.1f %%, %s), which %s and left %.0f %% of the turns' scatter.",
		100*r.SpeedSD/r.Speed, rotor.RPM(r.Speed), name, order, real(rate), imag(rate)*0.01*180/math.Pi, worst.Slope.Error, how, worst.moved(), 100*worst.Less)
}

// moved says by how much. Where turns count alike their mean speed is the
// reading's, and nothing moves.
func (n *Normal) moved() string {
	if n.Moved < 1e-6 && n.Doubt < 1e-6 {
		return "did not move it"
	}
	return fmt.Sprintf("moved it by %.2g %% with a doubt of %.2g %%", 100*n.Moved, 100*n.Doubt)
}
