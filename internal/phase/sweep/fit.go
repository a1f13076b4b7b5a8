package sweep

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"

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
	Notes     []string

	poles       []pole
	rival       []pole // one mode more, which the vectors did not demand: what it would change is part of the uncertainty
	rivalShares [][]complex128
	ref         float64
	index       []int            // of the channels in the Sweep
	shares      [][]complex128   // [channel][mode or outside term]
	cov         *mat.SymDense    // of ln w, ln zeta of every pole, then of each channel's shares
	white       *mat.SymDense    // the same for white noise
	steady      []rotor.Quantity // in which each channel is fitted
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
			f.rival, f.rivalShares = next, s.shares
		}
		if k > 0 && atBound(next) || !fine || k > 0 && !(sol.cost-s.cost > math.Max(params+chance*math.Sqrt(2*params), betterShare*excess)) {
			break
		}
		f.poles, sol, f.rival = next, s, nil
		d = p.design(f.poles)
	}
	return sol, len(f.poles) > 0
}

// atBound tells a mode that is none: as sharp or as blunt as is tried at all.
func atBound(poles []pole) bool {
	for _, p := range poles {
		if p.zeta < 1.2*leastZeta || p.zeta > 0.8*mostZeta {
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
		if f.cov != nil {
			m.SpeedSD = pl.omega * math.Sqrt(math.Max(0, f.cov.At(2*i, 2*i)))
			m.DampingSD = pl.zeta * math.Sqrt(math.Max(0, f.cov.At(2*i+1, 2*i+1)))
		}
		f.Modes = append(f.Modes, m)
	}
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

// covariance is the sandwich estimate with Bartlett's weights over neighbouring
// points, so that noise which hangs together from turn to turn, and what the
// model cannot follow, widen the intervals (Newey and West, Econometrica 55,
// 1987; from memory).
func (f *Fit) covariance(p *problem, sol solved) {
	k, m := 2*len(f.poles), 2*(len(f.poles)+outsideTerms)
	size := k + len(p.channels)*m
	n := len(p.points)
	d := p.design(f.poles)
	moves := make([]design, k)
	const by = 1e-5
	for j := range moves {
		moves[j] = p.with(d, j/2, moved(f.poles[j/2], j%2, by))
	}
	h := mat.NewSymDense(size, nil)
	score := mat.NewDense(n, size, nil)
	rows := make([]complex128, k+m)
	for c, q := range p.quantity {
		where := func(a int) int {
			if a < k {
				return a
			}
			return k + c*m + a - k
		}
		for i := range n {
			w := complex(p.weight[i]/p.noise[c], 0)
			here := at(d[q], sol.shares[c], i)
			for j := range k {
				rows[j] = w * (at(moves[j][q], sol.shares[c], i) - here) / by
			}
			for a := range m {
				rows[k+a] = w * column(d[q], a)[i]
			}
			for a, ra := range rows {
				score.Set(i, where(a), score.At(i, where(a))+real(ra*cmplx.Conj(sol.resid[c][i])))
				for b := a; b < k+m; b++ {
					ia, ib := where(a), where(b)
					h.SetSym(ia, ib, h.At(ia, ib)+real(ra*cmplx.Conj(rows[b])))
				}
			}
		}
	}
	meat := meatOf(score, n, size)
	var chol mat.Cholesky
	scale := make([]float64, size)
	for a := range size {
		scale[a] = 1 / math.Sqrt(math.Max(h.At(a, a), 1e-300))
	}
	for a := range size {
		for b := a; b < size; b++ {
			v := h.At(a, b) * scale[a] * scale[b]
			if a == b {
				v += 1e-10
			}
			h.SetSym(a, b, v)
		}
	}
	if !chol.Factorize(h) {
		return
	}
	var inv mat.SymDense
	if chol.InverseTo(&inv) != nil {
		return
	}
	for a := range size {
		for b := a; b < size; b++ {
			inv.SetSym(a, b, inv.At(a, b)*scale[a]*scale[b])
		}
	}
	var left, all mat.Dense
	left.Mul(&inv, meat)
	all.Mul(&left, &inv)
	loss := float64(n) / math.Max(1, float64(n)-float64(size)/float64(2*len(p.channels)))
	// A sandwich of few neighbours may come out thin by chance: no parameter is
	// said to be better known than white noise of the size of the rest allows.
	rest := sol.cost / math.Max(1, float64(2*n*len(p.channels)-size))
	f.white = mat.NewSymDense(size, nil)
	f.white.ScaleSym(rest, &inv)
	stretch := make([]float64, size)
	for a := range size {
		stretch[a] = math.Sqrt(math.Max(1, rest*inv.At(a, a)/math.Max(loss*all.At(a, a), 1e-300)))
	}
	f.cov = mat.NewSymDense(size, nil)
	for a := range size {
		for b := a; b < size; b++ {
			f.cov.SetSym(a, b, loss*stretch[a]*stretch[b]*(all.At(a, b)+all.At(b, a))/2)
		}
	}
}

func meatOf(score *mat.Dense, n, size int) *mat.Dense {
	lag := min(12, n/10)
	// Bartlett's kernel is a running sum convolved with itself: the meat is the
	// mean of the squares of running sums over lag+1 neighbours.
	meat := mat.NewDense(size, size, nil)
	run := mat.NewDense(n+lag, size, nil)
	for i := range n {
		for l := 0; l <= lag; l++ {
			for a := range size {
				run.Set(i+l, a, run.At(i+l, a)+score.At(i, a))
			}
		}
	}
	meat.Mul(run.T(), run)
	meat.Scale(1/float64(lag+1), meat)
	return meat
}
