package sweep

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// Mode is one resonance.
type Mode struct {
	Speed     float64 // rad/s, undamped natural frequency
	SpeedSD   float64 // its standard deviation
	Damping   float64 // part of critical
	DampingSD float64
	Inside    bool // the sweep passed it; otherwise it is an extrapolation
}

// Fit is what a sweep says of the machine. Its methods are safe for concurrent use.
type Fit struct {
	Modes     []Mode // ascending in speed
	Channels  []Channel
	Low, High float64 // rad/s, swept
	Points    int     // used
	Misfit    float64 // rms of what the modes leave, over the rms of the vectors, worst channel
	Carried   bool    // the sweep was so fast that the envelope was carried through time
	Moving    bool    // resonances that move with the speed fit the vectors better than chance explains
	Notes     []string

	poles  []pole
	shares [][]complex128   // [channel][mode or outside term]
	rivals []rival          // models that are not kept: what they would change is part of the uncertainty
	spread *spread          // nil = the errors are not known
	steady []rotor.Quantity // in which each channel is fitted
	index  []int            // of the channels in the Sweep
	ref    float64
}

// rival is a model beside the one that is kept: with one mode more, which the
// vectors did not demand, or with modes that move with the speed.
type rival struct {
	poles  []pole
	shares [][]complex128
}

const (
	fewPoints   = 12   // that a fit needs
	leastSweep  = 0.10 // share by which the speed must have changed
	mostModes   = 4
	betterShare = 0.10 // of what noise does not explain: a further mode must take away so much
	chance      = 3.0  // and so many standard deviations more than noise gives to its parameters
	zero        = 0.02 // of the highest speed: slower turns are left out
)

// Fit finds the modes that the order-1 vectors of the channels show; none named
// means all. It refuses, with a sentence, what is no sweep.
func (s *Sweep) Fit(channels ...int) (*Fit, error) {
	low, high := s.Range()
	if len(s.Points) == 0 {
		return nil, fmt.Errorf("no revolution was accepted, so there is nothing to draw against speed: look at the tach and its mark")
	}
	if !(high-low > leastSweep*high) {
		return nil, fmt.Errorf("the speed changed only from %.0f to %.0f rpm, so nothing can be said about resonances: record the whole run-up or coast-down", rotor.RPM(low), rotor.RPM(high))
	}
	p, err := s.problem(channels, high)
	if err != nil {
		return nil, err
	}
	low, high = p.span()
	f := &Fit{Low: low, High: high, Points: len(p.points), Carried: p.timed, ref: p.ref, index: p.channels, steady: p.quantity}
	for _, c := range p.channels {
		f.Channels = append(f.Channels, s.Channels[c])
		if s.Channels[c].Quantity == rotor.Raw {
			f.Notes = append(f.Notes, fmt.Sprintf("channel %q has no unit and is taken as a displacement", s.Channels[c].Name))
		}
	}
	if s.Alike {
		f.Notes = append(f.Notes, "The marks of a turn look alike, so all phases may be off together by a spacing of theirs. Slopes, resonances and the verdict do not depend on it; make one spacing wider, or use one mark.")
	}
	sol, ok := f.choose(p)
	if !ok {
		return nil, fmt.Errorf("the vectors of this sweep fit no resonance: look at the channels, and record from standstill to full speed")
	}
	p.reweigh(sol)
	if f.poles, sol, ok = p.refine(f.poles, low, high); !ok {
		return nil, fmt.Errorf("the fit of this sweep did not settle: record it again, slower if the drive allows")
	}
	f.finish(p, sol)
	return f, nil
}

func (s *Sweep) problem(channels []int, high float64) (*problem, error) {
	k := slices.Index(s.Orders, 1)
	if k < 0 {
		return nil, fmt.Errorf("order 1 was not measured, and only order 1 shows resonances of unbalance: measure it")
	}
	var pts []Point
	for _, pt := range s.joined(alikeSpeed) {
		if pt.Speed > zero*high {
			pts = append(pts, pt)
		}
	}
	if len(pts) < fewPoints {
		return nil, fmt.Errorf("only %d speeds were measured, and a resonance needs %d: let it run down freely, or use more marks a turn", len(pts), fewPoints)
	}
	if len(channels) == 0 {
		for c := range s.Channels {
			channels = append(channels, c)
		}
	}
	p := &problem{course: newCourse(pts), ref: high}
	for _, c := range channels {
		y := make([]complex128, len(pts))
		good := true
		for i, pt := range pts {
			y[i] = pt.Values[c*len(s.Orders)+k]
			good = good && !cmplx.IsNaN(y[i]) && !cmplx.IsInf(y[i])
		}
		noise := scatter(y)
		if !good || !(noise > 0) {
			continue
		}
		p.channels, p.quantity = append(p.channels, c), append(p.quantity, s.Channels[c].Quantity)
		p.y, p.noise = append(p.y, y), append(p.noise, noise)
	}
	if len(p.channels) == 0 {
		return nil, fmt.Errorf("no channel holds usable vectors at order 1: look at the sensors and their cables")
	}
	p.weight = make([]float64, len(pts))
	for i, pt := range pts {
		p.weight[i] = math.Sqrt(float64(pt.Turns) * high / pt.Speed)
	}
	return p, nil
}

// scatter is the noise per axis of a turn's vector: from second differences,
// which a smooth course hardly touches. Their median is ln 2 of their mean.
func scatter(y []complex128) float64 {
	var d []float64
	for i := 1; i+1 < len(y); i++ {
		z := y[i-1] - 2*y[i] + y[i+1]
		d = append(d, real(z)*real(z)+imag(z)*imag(z))
	}
	slices.Sort(d)
	sd := math.Sqrt(d[len(d)/2] / math.Ln2 / 12)
	rms := 0.0
	for _, v := range y {
		rms += real(v)*real(v) + imag(v)*imag(v)
	}
	return math.Max(sd, 1e-6*math.Sqrt(rms/float64(len(y))))
}

func (p *problem) span() (low, high float64) {
	low = math.Inf(1)
	for _, pt := range p.points {
		low, high = math.Min(low, pt.Speed), math.Max(high, pt.Speed)
	}
	return low, high
}

// choose adds modes as long as the next one explains enough.
func (f *Fit) choose(p *problem) (sol solved, ok bool) {
	d := p.design(nil)
	sol, ok = p.linear(d)
	if !ok {
		return sol, false
	}
	params := float64(2 + 2*len(p.channels))
	for k := range mostModes {
		pl, _ := p.add(d, f.poles, f.Low, f.High)
		next, s, fine := p.refine(append(slices.Clone(f.poles), pl), f.Low, f.High)
		excess := sol.cost - float64(2*len(p.points)*len(p.channels))
		if k > 0 && fine && !atBound(next) {
			f.rivals = []rival{{next, s.shares}}
		}
		if k > 0 && atBound(next) || !fine || k > 0 && !(sol.cost-s.cost > math.Max(params+chance*math.Sqrt(2*params), betterShare*excess)) {
			break
		}
		if k > 0 && p.explained(f.poles, f.Low, f.High, s.cost) {
			break
		}
		f.poles, sol, f.rivals = next, s, nil
		d = p.design(f.poles)
	}
	return sol, len(f.poles) > 0
}

// moving looks whether natural frequencies that move with the speed, as the
// gyroscopic moment of a wheel moves them, explain the vectors by more than
// chance better; rough running can feign that. That fit is no better answer: a
// mode that drifts by d for each unit of speed is as wide as one of damping
// zeta/(1-d) that stands still, so it gives away most of what is known of the
// damping (campaign speed-coast). But by how much it differs is part of the
// uncertainty then.
func (f *Fit) moving(p *problem, sol solved) {
	poles, s, ok := p.drifted(f.poles, f.Low, f.High)
	more, channels := float64(len(poles)), len(p.channels)
	rest := s.cost / math.Max(1, float64(2*len(p.points)*channels-len(poles)*(3+2*channels)))
	if !ok || !(sol.cost-s.cost > rest*(more+chance*math.Sqrt(2*more))) {
		return
	}
	f.Moving = true
	f.rivals = append(f.rivals, rival{poles, s.shares})
	for i, pl := range poles {
		m := &f.Modes[i]
		m.SpeedSD, m.DampingSD = math.Hypot(m.SpeedSD, pl.omega-m.Speed), math.Hypot(m.DampingSD, pl.zeta-m.Damping)
	}
	f.Notes = append(f.Notes, "Resonances that move with the speed, as those of a heavy wheel do, fit these vectors better than ones that stand still: what that would change is part of the stated errors.")
}

// explained reports whether modes that move with the speed leave no more than a
// further mode would: such a mode is none, however much it explains.
func (p *problem) explained(poles []pole, low, high, cost float64) bool {
	_, s, ok := p.drifted(poles, low, high)
	return ok && s.cost <= cost
}

// drifted moves the poles to the least sum of squares while they may drift.
func (p *problem) drifted(poles []pole, low, high float64) ([]pole, solved, bool) {
	q := *p
	q.drift = true
	return q.refine(slices.Clone(poles), low, high)
}

// unseenDrift is the standard deviation of the drift that a mode may have without
// its showing; the damping is unsure by the same share, in the virtual fans as by
// the formula above. Our choice: where the rotor has a fifth of the moment of
// inertia that the whole body has across the shaft, drifts are a few hundredths.
const unseenDrift = 0.03

// atBound tells a mode that is none: as sharp or as blunt as is tried at all.
func atBound(poles []pole) bool {
	for _, p := range poles {
		if math.Abs(p.drift) > 0.95*mostDrift || p.zeta < 1.2*leastZeta || p.zeta > 0.8*mostZeta {
			return true
		}
	}
	return false
}

// reweigh sets the weights by what the fit left, smoothed over neighbours: the
// noise of a coast-down is not the same at all speeds.
func (p *problem) reweigh(s solved) {
	n := len(p.points)
	power := make([]float64, n)
	for c := range s.resid {
		for i, r := range s.resid[c] {
			r /= complex(p.weight[i], 0)
			power[i] += (real(r)*real(r) + imag(r)*imag(r)) / float64(2*len(s.resid))
		}
	}
	smooth := make([]float64, n)
	const reach = 15
	for i := range smooth {
		m := 0.0
		for k := max(0, i-reach); k <= min(n-1, i+reach); k++ {
			smooth[i] += power[k] * float64(p.points[k].Turns)
			m++
		}
		smooth[i] /= m
	}
	typical := slices.Clone(smooth)
	slices.Sort(typical)
	floor := 0.1 * typical[n/2]
	for i, pt := range p.points {
		p.weight[i] = math.Sqrt(float64(pt.Turns) / math.Max(smooth[i], floor))
	}
}

// finish orders the modes and works out what is known of them.
func (f *Fit) finish(p *problem, sol solved) {
	order := make([]int, len(f.poles))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return int(math.Copysign(1, f.poles[a].omega-f.poles[b].omega)) })
	poles := make([]pole, len(order))
	for i, o := range order {
		poles[i] = f.poles[o]
	}
	f.poles = poles
	if s, ok := p.linear(p.design(poles)); ok {
		sol = s
	}
	f.shares = sol.shares
	f.covariance(p, sol)
	for i, pl := range f.poles {
		m := Mode{Speed: pl.omega, Damping: pl.zeta, SpeedSD: math.Inf(1), DampingSD: math.Inf(1),
			Inside: pl.omega > f.Low && pl.omega < f.High}
		if f.spread != nil {
			speed, _ := f.spread.of([]float64{1}, []int{2 * i})
			damping, _ := f.spread.of([]float64{1}, []int{2*i + 1})
			m.SpeedSD, m.DampingSD = pl.omega*speed, pl.zeta*math.Hypot(damping, unseenDrift)
		}
		f.Modes = append(f.Modes, m)
	}
	f.moving(p, sol)
	for c := range p.channels {
		var left, all float64
		for i, r := range sol.resid[c] {
			r *= complex(p.noise[c]/p.weight[i], 0)
			left += real(r)*real(r) + imag(r)*imag(r)
			all += real(p.y[c][i])*real(p.y[c][i]) + imag(p.y[c][i])*imag(p.y[c][i])
		}
		f.Misfit = math.Max(f.Misfit, math.Sqrt(left/all))
	}
}
