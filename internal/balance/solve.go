package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"
)

// tooAlike is the condition number above which planes count as one: the split
// between them is then rounding error.
const tooAlike = 1e8

// Solve works out the weights. Every run of the case is one observation; see
// the package comment. Without stated errors, a prior or options the answer is
// plain unregularised least squares without intervals.
//
// The error is one sentence for people. Data that do not agree with each other
// are not an error: the answer then carries a verdict with the misfit.
func Solve(c Case, o Options) (Answer, error) {
	if err := Check(&c); err != nil {
		return Answer{}, err
	}
	if noPhase, err := amplitudesOnly(&c); err != nil {
		return Answer{}, err
	} else if noPhase {
		return solveNoPhase(&c, o)
	}
	var a Answer
	prior := o.Prior
	if prior != nil {
		if why := prior.Usable(&c, o.Print); why != "" {
			a.verdict("prior-refused", "The stored coefficients were not used: "+why+". Make a trial run, or measure as they were measured.")
			prior = nil
		}
	}
	m, err := newModel(&c, prior)
	if err != nil {
		return Answer{}, err
	}
	m.estimate()
	if prior != nil && m.contradicted() {
		a.verdict("prior-contradicted", "The runs of this job contradict the stored coefficients more than their scatter allows. "+
			"They were not used; look for a moved sensor, mark or radius before trusting them again.")
		if m, err = newModel(&c, nil); err != nil {
			return Answer{}, fmt.Errorf("the runs of this job contradict the stored coefficients, and without those %w", err)
		}
		m.estimate()
	}
	s := solver{m: m, o: o, a: &a}
	if err := s.run(); err != nil {
		return Answer{}, err
	}
	s.judge()
	return a, nil
}

// rowRef points from a row of the correction problem to its group and state.
type rowRef struct{ group, state int }

// solver carries one Solve from the estimate to the answer.
type solver struct {
	m    *model
	o    Options
	a    *Answer
	rows []rowRef
	all  problem // in the vectors' unit, not divided by tolerances
	w    []complex128

	signal     float64 // weakest effect over reading error; 0 where errors are not known
	massCov    []sum   // [plane] of the total, to first order; nil where that was not asked
	furtherCov []sum   // [plane] likewise of the further weight
}

func (s *solver) run() error {
	s.pickRows()
	if err := s.checkAlike(); err != nil {
		return err
	}
	w, bound, err := s.choose(s.all.v0)
	if err != nil {
		return err
	}
	for p, z := range w {
		if !finite(z) {
			return fmt.Errorf("the weight for plane %q comes out beyond all numbers: check the readings and weights for slips in their units", s.m.c.Planes[p].Name)
		}
	}
	s.w = w
	v := s.standing()
	further, _, err := s.choose(v)
	if err != nil {
		return err
	}
	s.report(w, further, bound)
	s.spread(w, further)
	return nil
}

// pickRows decides which states count: that of the last run, or all of them for
// a compromise.
func (s *solver) pickRows() {
	want := s.m.c.Runs[len(s.m.c.Runs)-1].State
	planes := len(s.m.c.Planes)
	for gi, g := range s.m.groups {
		for k, st := range g.states {
			if s.o.Compromise || st == want || !slices.Contains(g.states, want) && k == len(g.states)-1 {
				s.rows = append(s.rows, rowRef{gi, k})
				s.a.Rows = append(s.a.Rows, Row{Sensor: g.sensor, Speed: g.speed, State: st})
			}
		}
	}
	s.all = problem{v0: make([]complex128, len(s.rows)), a: newMatrix(len(s.rows), planes), caps: caps(s.m.c)}
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		s.all.v0[i] = g.x[r.state]
		copy(s.all.a.row(i), g.coefficients())
		s.a.AsFound = append(s.a.AsFound, g.x[r.state])
		s.a.Influence = append(s.a.Influence, append([]complex128(nil), g.coefficients()...))
	}
}

// checkAlike refuses planes whose effects are the same to within rounding.
func (s *solver) checkAlike() error {
	planes := len(s.m.c.Planes)
	for p, plane := range s.m.c.Planes {
		moved := false
		for i, r := range s.rows {
			// below the rounding of the readings the weight did nothing
			reach := cmplx.Abs(s.all.a.at(i, p)) * s.largestMass(p)
			moved = moved || reach > 1e-12*s.m.groups[r.group].largest()
		}
		if !moved {
			return fmt.Errorf("no reading changed with the weight in plane %q, so there is no effect to work with: check that the weight was on and the readings are new, or take a larger trial", plane.Name)
		}
	}
	if s.o.Method == Ridge && (s.m.known || s.o.Prior != nil) {
		s.a.Condition = math.Inf(1)
		if len(s.rows) >= planes {
			scaled, _ := scaleColumns(s.all.a)
			s.a.Condition = decompose(scaled).condition()
		}
		return nil
	}
	if len(s.rows) < planes {
		return fmt.Errorf("%d readings per run cannot tell %d planes apart: use at least as many sensors (or speeds) as planes, or solve for fewer planes", len(s.rows), planes)
	}
	scaled, _ := scaleColumns(s.all.a)
	d := decompose(scaled)
	s.a.Condition = d.condition()
	if !(s.a.Condition < tooAlike) {
		return fmt.Errorf("the planes %s do the same to every sensor, so weights cannot be shared out among them: leave out a plane, add a sensor elsewhere, or use the ridge method with stated errors", s.m.planeNames())
	}
	return nil
}

func (m *model) planeNames() string {
	var names []string
	for _, p := range m.c.Planes {
		names = append(names, fmt.Sprintf("%q", p.Name))
	}
	return strings.Join(names, ", ")
}

func (s *solver) largestMass(p int) (big float64) {
	for _, w := range s.m.totals {
		big = math.Max(big, cmplx.Abs(w[p]))
	}
	if big == 0 { // only a prior knows this plane
		return math.Inf(1)
	}
	return big
}

// largest is the largest reading of a group.
func (g *group) largest() (big float64) {
	for _, o := range g.obs {
		if o.run >= 0 {
			big = math.Max(big, cmplx.Abs(o.y))
		}
	}
	return big
}

// standing is the as-found vector that the rotor as it now stands seems to have
// with its weights taken off: what it shows, minus what its weights should do.
// It differs from the estimate of the as-found vector by the placing errors that
// the readings have revealed, and it is what a further weight must answer.
func (s *solver) standing() []complex128 {
	v := make([]complex128, len(s.rows))
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		for j, o := range g.obs {
			v[i] += g.now[j] * o.y
		}
		v[i] -= dot(g.coefficients(), s.m.last)
		if g.states[r.state] != s.m.c.Runs[len(s.m.c.Runs)-1].State {
			v[i] = g.x[r.state]
		}
	}
	return v
}

// rowWeights are the weights of the rows for the method: 1/tolerance, or 1. A
// sensor without a tolerance among others that have one gets their mean.
func (s *solver) rowWeights() []float64 {
	mean, given := 0.0, 0.0
	for _, x := range s.m.c.Sensors {
		if x.Tolerance > 0 {
			mean, given = mean+x.Tolerance, given+1
		}
	}
	t := make([]float64, len(s.rows))
	for i, r := range s.rows {
		t[i] = 1
		if s.o.Method == LeastSquares || given == 0 {
			continue
		}
		tol := s.m.c.Sensors[s.m.groups[r.group].sensor].Tolerance
		if tol == 0 {
			tol = mean / given
		}
		t[i] = 1 / tol
	}
	return t
}

// choose solves for the total weights that answer the as-found vectors v0.
func (s *solver) choose(v0 []complex128) (w []complex128, bound float64, err error) {
	p := problem{v0: make([]complex128, len(v0)), a: s.all.a.clone(), caps: s.all.caps}
	t := s.rowWeights()
	for i := range v0 {
		p.v0[i] = v0[i] * complex(t[i], 0)
		for j := range p.a.row(i) {
			p.a.row(i)[j] *= complex(t[i], 0)
		}
	}
	if s.o.Method == Ridge {
		p.ridge, p.ridgeRHS = s.ridge(t)
	}
	gap := s.o.Gap
	if gap <= 0 {
		gap = 1e-8
	}
	return p.choose(s.o.Method, gap)
}

// ridge sums the covariance of the coefficients over the rows. The expectation
// of |v0 + a w|^2 over what is not known of x = (v0, a) is
// |estimate|^2 + h^T C conj(h) with h = (1, w).
func (s *solver) ridge(t []float64) (matrix, []complex128) {
	planes := len(s.m.c.Planes)
	sum, rhs := newMatrix(planes, planes), make([]complex128, planes)
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		c := s.m.covariance(g)
		k := len(g.states)
		f := complex(t[i]*t[i], 0)
		for p := range planes {
			rhs[p] += f * c.at(r.state, k+p)
			for q := range planes {
				sum.v[p*planes+q] += f * c.at(k+q, k+p)
			}
		}
	}
	return sum, rhs
}

// covariance is E dx dx^H of a group's unknowns, circular.
func (m *model) covariance(g *group) matrix {
	gn := g.gain.mul(*m.noise(g))
	out := newMatrix(gn.rows, gn.rows)
	for i := range gn.rows {
		for j := range gn.rows {
			for k := range gn.cols {
				out.v[i*gn.rows+j] += 2 * gn.at(i, k) * cmplx.Conj(g.gain.at(j, k))
			}
		}
	}
	return out
}

// report fills the answer.
func (s *solver) report(w, further []complex128, bound float64) {
	a := s.a
	a.MinBound = bound
	for p, plane := range s.m.c.Planes {
		a.Corrections = append(a.Corrections, Correction{Plane: plane.Name, Total: w[p], Further: tidy(further[p]-s.m.last[p], further[p])})
	}
	r := s.all.residuals(w)
	stand := problem{v0: s.standing(), a: s.all.a}
	rf := stand.residuals(further)
	for i := range r {
		a.Predicted = append(a.Predicted, Prediction{Residual: tidy(r[i], s.all.v0[i]), FurtherResidual: tidy(rf[i], s.all.v0[i])})
	}
	sum, n, big := 0.0, 0, 0.0
	for _, g := range s.m.groups {
		big = math.Max(big, g.largest())
		for i, o := range g.obs {
			if o.run >= 0 {
				sum, n = sum+abs2(g.res[i]), n+1
			}
		}
	}
	a.Misfit = real(tidy(complex(math.Sqrt(sum/float64(n)), 0), complex(big, 0)))
}

// tidy removes what is only rounding beside size.
func tidy(x, size complex128) complex128 {
	if cmplx.Abs(x) <= 1e-12*cmplx.Abs(size) {
		return 0
	}
	return x
}

// caps gives the largest mass per plane, kg; 0 = none known. A force cap needs
// radius and the highest reachable speed.
func caps(c *Case) []float64 {
	out := make([]float64, len(c.Planes))
	for i, p := range c.Planes {
		out[i] = p.Cap
		top := topSpeed(c)
		if p.MaxForce > 0 && p.Radius > 0 && top > 0 && len(p.Positions) == 0 {
			if m := p.MaxForce / (p.Radius * top * top); out[i] == 0 || m < out[i] {
				out[i] = m
			}
		}
	}
	return out
}

// topSpeed is the highest speed that the rotor is known to reach.
func topSpeed(c *Case) float64 {
	top := math.Max(c.Machine.MaxSpeed, c.Machine.Speed)
	for _, r := range c.Runs {
		top = math.Max(top, r.Speed)
	}
	return top
}
