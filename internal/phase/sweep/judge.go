package sweep

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Place is how the 1x vector of a channel depends on the speed at one speed.
type Place struct {
	Channel    string
	Quantity   rotor.Quantity
	Speed      float64    // rad/s
	Value      complex128 // peak phasor of the fit, SI
	ValueSD    float64    // per axis
	Phase      float64    // d arg V / d ln w, rad: one percent more speed turns the vector by a hundredth of it
	PhaseSD    float64
	PhaseBound float64 // the smallest PhaseSD that white noise of the size found allows for these modes (Cramer and Rao); NaN = not known
	Exponent   float64 // d ln |V| / d ln w: |V| grows with this power of the speed
	ExponentSD float64
}

// DegPerPercent is the phase slope in degrees for a speed one percent higher,
// with its standard deviation.
func (p Place) DegPerPercent() (slope, sd float64) {
	return p.Phase * 180 / math.Pi / 100, p.PhaseSD * 180 / math.Pi / 100
}

// Slope is what a reading needs to be brought to another speed nearby, in
// quantity q: the complex rate of change whose real part is the exponent of
// speed normalisation. Each integration lowers the exponent by one.
func (p Place) Slope(q rotor.Quantity) phase.Slope {
	n := p.Exponent
	if d, ok := between(p.Quantity, q); ok {
		n += d
	}
	return phase.Slope{Speed: p.Speed, Rate: complex(n, p.Phase)}
}

// between is by how much the exponent changes from one quantity to another.
func between(from, to rotor.Quantity) (float64, bool) {
	rank := map[rotor.Quantity]float64{rotor.Displacement: 0, rotor.Velocity: 1, rotor.Acceleration: 2}
	a, okA := rank[from]
	b, okB := rank[to]
	return b - a, okA && okB
}

// HoldSpeed is the relative change of speed that moves the vector by a third of
// tol (peak, in the channel's quantity): |dw/w| |d ln V/d ln w| |V| <= tol/3.
func (p Place) HoldSpeed(tol float64) float64 {
	return tol / 3 / (cmplx.Abs(p.Value) * math.Hypot(p.Exponent, p.Phase))
}

// Value is the steady vector of a channel (an index of f.Channels) at a speed,
// in the channel's own quantity.
func (f *Fit) Value(channel int, omega float64) complex128 {
	return f.value(channel, omega, f.poles, f.shares[channel])
}

func (f *Fit) value(channel int, omega float64, poles []pole, shares []complex128) (v complex128) {
	q := f.steady[channel]
	for k, pl := range poles {
		v += shares[k] * pl.response(omega, q)
	}
	above, below := shares[len(poles)], shares[len(poles)+1]
	return v + (above*complex(omega*omega/(f.ref*f.ref), 0)+below)*derived(omega, q)
}

// At is the dependence on speed at omega, with its uncertainty carried over
// from the fit to first order.
func (f *Fit) At(channel int, omega float64) Place {
	p := Place{Channel: f.Channels[channel].Name, Quantity: f.steady[channel], Speed: omega,
		ValueSD: math.Inf(1), PhaseSD: math.Inf(1), PhaseBound: math.NaN(), ExponentSD: math.Inf(1)}
	var rate complex128
	p.Value, rate = f.rate(channel, omega, f.poles, f.shares[channel])
	p.Exponent, p.Phase = real(rate), imag(rate)
	if f.spread == nil {
		return p
	}
	// Gradients of value and rate by every parameter of the channel.
	k, m := 2*len(f.poles), 2*len(f.shares[channel])
	dv, dr := make([]complex128, k+m), make([]complex128, k+m)
	where := make([]int, k+m)
	const by = 1e-5
	size := cmplx.Abs(p.Value)
	for a := range k + m {
		poles := append([]pole(nil), f.poles...)
		shares := append([]complex128(nil), f.shares[channel]...)
		h := by
		if a < k {
			poles[a/2] = moved(poles[a/2], a%2, by)
			where[a] = a
		} else {
			j := a - k
			h = by * math.Max(cmplx.Abs(shares[j/2]), 1e-6*size)
			if j%2 == 0 {
				shares[j/2] += complex(h, 0)
			} else {
				shares[j/2] += complex(0, h)
			}
			where[a] = k + channel*m + j
		}
		v, r := f.rate(channel, omega, poles, shares)
		dv[a], dr[a] = (v-p.Value)/complex(h, 0), (r-rate)/complex(h, 0)
	}
	part := func(z []complex128, take func(complex128) float64) []float64 {
		out := make([]float64, len(z))
		for i, v := range z {
			out[i] = take(v)
		}
		return out
	}
	re := func(z complex128) float64 { return real(z) }
	im := func(z complex128) float64 { return imag(z) }
	v1, _ := f.spread.of(part(dv, re), where)
	v2, _ := f.spread.of(part(dv, im), where)
	e, _ := f.spread.of(part(dr, re), where)
	ph, bound := f.spread.of(part(dr, im), where)
	vv, ee, pp := v1*v1+v2*v2, e*e, ph*ph
	p.PhaseBound = bound
	for _, o := range f.rivals {
		v, r := f.rate(channel, omega, o.poles, o.shares[channel])
		v, r = v-p.Value, r-rate
		vv += real(v)*real(v) + imag(v)*imag(v)
		ee += real(r) * real(r)
		pp += imag(r) * imag(r)
	}
	p.ValueSD, p.ExponentSD, p.PhaseSD = math.Sqrt(math.Max(0, vv/2)), math.Sqrt(math.Max(0, ee)), math.Sqrt(math.Max(0, pp))
	return p
}

// rate is the value and d ln V / d ln w.
func (f *Fit) rate(channel int, omega float64, poles []pole, shares []complex128) (v, rate complex128) {
	const h = 1e-4
	v = f.value(channel, omega, poles, shares)
	up := f.value(channel, omega*math.Exp(h), poles, shares)
	down := f.value(channel, omega*math.Exp(-h), poles, shares)
	return v, (up - down) / complex(2*h, 0) / v
}

// The words of Judgement.Code.
const (
	Quiet     = "quiet"
	Near      = "near-a-resonance"
	On        = "on-a-resonance"
	Undecided = "undecided"
)

// Limits of the phase slope in degrees per percent of speed: above the first a
// caution, above the second the vector turns so fast that ordinary wander of
// the speed spoils a reading. They are our proposal, from the response of one
// mode with 2 to 5 % damping.
const (
	CautionSlope = 1.0
	OnSlope      = 4.0
)

// Judgement is the verdict on balancing at one speed.
type Judgement struct {
	Speed  float64 // rad/s, judged
	Code   string
	Text   string  // one or two sentences
	Places []Place // of every channel
	Worst  int     // the place that decides
	Better float64 // rad/s, the nearest quiet speed of the sweep; 0 = none, or none needed
}

const (
	weakShare = 0.2  // of the strongest channel: a weaker channel does not decide
	mostAbove = 1.0  // times the highest speed seen: no higher speed is ever named
	leastTo   = 0.6  // of the running speed, lowest that is named as a better one
	searchBy  = 0.01 // step of that search
)

// Judge says whether the machine can be balanced at omega (rad/s) and names a
// better speed if there is one. It never names a speed that was not swept.
func (f *Fit) Judge(omega float64) Judgement {
	j := Judgement{Speed: omega}
	for c := range f.Channels {
		j.Places = append(j.Places, f.At(c, omega))
	}
	var sure bool
	j.Code, sure, j.Worst = f.class(j.Places)
	if omega < f.Low*0.98 || omega > f.High*1.02 {
		j.Code, sure = Undecided, true
		j.Text = fmt.Sprintf("%.0f rpm lies outside the sweep (%.0f to %.0f rpm), so nothing is known of it.", rotor.RPM(omega), rotor.RPM(f.Low), rotor.RPM(f.High))
		return j
	}
	slope, sd := j.Places[j.Worst].DegPerPercent()
	what := fmt.Sprintf("channel %q turns by %.2g ± %.1g degrees for one percent of speed", j.Places[j.Worst].Channel, slope, phase.TLimit(0.95, 0)*sd)
	switch {
	case !sure:
		j.Code = Undecided
		j.Text = fmt.Sprintf("At %.0f rpm %s: this sweep cannot tell on which side of the limits of %.0f and %.0f that is. Record a slower or cleaner sweep.", rotor.RPM(omega), what, CautionSlope, OnSlope)
	case j.Code == Quiet:
		j.Text = fmt.Sprintf("%.0f rpm is a quiet speed to balance at: %s.", rotor.RPM(omega), what)
	case j.Code == Near:
		j.Text = fmt.Sprintf("%.0f rpm is near a resonance: %s. Hold the speed closely and bring every reading to one speed.", rotor.RPM(omega), what)
	default:
		j.Text = fmt.Sprintf("%.0f rpm is on a resonance: %s. Change the speed or the stiffness, or hold the speed very closely: no correction found here is sure.", rotor.RPM(omega), what)
	}
	if j.Code != Quiet {
		j.Better = f.better(omega)
		if j.Better > 0 {
			j.Text += fmt.Sprintf(" %.0f rpm would be better.", rotor.RPM(j.Better))
		} else {
			j.Text += " No speed of this sweep close by is better."
		}
	}
	return j
}

// class is the verdict of the channels that matter, and whether 95 % of the
// uncertainty leaves it standing. A channel that hardly moves has a slope of its
// own that says little.
func (f *Fit) class(places []Place) (code string, sure bool, worst int) {
	top := 0.0
	for _, p := range places {
		top = math.Max(top, cmplx.Abs(p.Value)/math.Pow(p.Speed, rank(p.Quantity)))
	}
	steepest := -1.0
	for i, p := range places {
		s, _ := p.DegPerPercent()
		if cmplx.Abs(p.Value)/math.Pow(p.Speed, rank(p.Quantity)) >= weakShare*top && math.Abs(s) > steepest {
			steepest, worst = math.Abs(s), i
		}
	}
	_, sd := places[worst].DegPerPercent()
	d := phase.TLimit(0.95, 0) * sd
	word := func(s float64) string {
		switch {
		case s > OnSlope:
			return On
		case s > CautionSlope:
			return Near
		}
		return Quiet
	}
	return word(steepest), word(math.Max(0, steepest-d)) == word(steepest+d) || d < 0.2*steepest || d < 0.3*CautionSlope, worst
}

func rank(q rotor.Quantity) float64 {
	d, _ := between(rotor.Displacement, q)
	return d
}

// better is the speed nearest to omega within the sweep that is surely quiet
// and where the vectors still stand clear of their error.
func (f *Fit) better(omega float64) float64 {
	for k := 1; ; k++ {
		d := float64(k) * searchBy
		down, up := omega*(1-d), omega*(1+d)
		if down < math.Max(leastTo*omega, f.Low) && up > mostAbove*f.High {
			return 0
		}
		for _, w := range []float64{down, up} {
			if w < math.Max(leastTo*omega, f.Low) || w > mostAbove*f.High {
				continue
			}
			var ps []Place
			for c := range f.Channels {
				ps = append(ps, f.At(c, w))
			}
			code, sure, worst := f.class(ps)
			if code == Quiet && sure && cmplx.Abs(ps[worst].Value) > 5*ps[worst].ValueSD {
				return w
			}
		}
	}
}

// Strongest is the mode inside the sweep that shows most on a channel (an index
// of f.Channels).
func (f *Fit) Strongest(channel int) (m Mode, ok bool) {
	top := 0.0
	for i, p := range f.poles {
		if v := cmplx.Abs(f.shares[channel][i] * p.response(p.omega, rotor.Displacement)); f.Modes[i].Inside && v > top {
			m, ok, top = f.Modes[i], true, v
		}
	}
	return m, ok
}

// Index is the channel of the Sweep that channel i of the fit stands for.
func (f *Fit) Index(i int) int { return f.index[i] }
