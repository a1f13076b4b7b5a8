package blades

import (
	"cmp"
	"math"
	"math/bits"
	"math/cmplx"
	"slices"
)

// Limits is what the corrected blades must satisfy and what a correction may do.
// All lengths are in the unit of the values (m or rad).
type Limits struct {
	Spread   float64 // largest value minus smallest; 0 = no limit
	Harmonic float64 // |sum w x exp(i angle)|; 0 = no limit
	Max      float64 // largest move of one blade either way; 0 = no limit
	Step     float64 // moves come in multiples of this; 0 = any size
	Fixed    []bool  // blades that may not be moved; nil = none
	Aim      float64 // fraction of the tolerances to aim at, or as near to it as may be, once the number of blades is settled, 0..1; 0 = 1
	Budget   int     // multiplications that may go into the search before it is cut off; 0 = 100 million
}

// Plan is the fewest blades to move, and how.
type Plan struct {
	Move   []float64 // per blade, 0 = leave alone
	Count  int       // blades moved
	Total  float64   // sum of |Move|
	Bound  int       // proven: no plan moves fewer blades than this
	Proven bool      // Count equals Bound; if not Found, no moves exist at all
	Found  bool      // Move brings everything inside the limits
	Aimed  bool      // the moves reach the tighter aim too
	Tried  int       // linear programs solved
	Work   int       // multiplications in them
}

// Fewest finds the smallest set of blades whose correction brings spread and
// first harmonic inside the limits, and among the smallest sets the moves with
// the least sum of |move|. x are the values, angle the blades' angles (rad), w
// their weights in the harmonic (nil = 1).
//
// The search is exact. Blades that stay untouched lie inside a window of the
// allowed spread, so they are a run of the sorted values minus some "extras";
// each candidate set is enumerated once, by size. A set is thrown out without
// solving when in one of 32 directions even its best moves leave the harmonic
// outside the tolerance; the others are linear programs with the moves and the
// window as variables, where the round tolerance is cut by tangents until the
// answer lies in the circle. A step makes it a branch and bound over the same
// program. When the budget runs out the answer says which number of blades was
// proven to be too few.
func Fewest(x, angle, w []float64, lim Limits) Plan {
	s := newSearch(x, angle, w, lim)
	if s.inside(make([]float64, s.n), 1) {
		return Plan{Move: make([]float64, s.n), Proven: true, Found: true, Aimed: true}
	}
	plan := Plan{Move: make([]float64, s.n), Bound: 1}
	if !s.possible() {
		plan.Bound, plan.Proven = s.n+1, true
		return plan
	}
	for k := 1; k <= s.n; k++ {
		best, complete := s.level(k, 1)
		if best != nil {
			plan.Found, plan.Proven, plan.Count = true, plan.Bound == k, k
			plan.Move, plan.Aimed = s.sharpen(k, best)
			break
		}
		if complete && plan.Bound == k {
			plan.Bound = k + 1
		} else { // cut off: any plan will do from here on
			s.budget = s.work + s.polish/4
		}
	}
	if !plan.Found { // Proven then means: no moves within the limits exist
		plan.Proven = plan.Bound > s.n
	}
	for i := range plan.Move {
		plan.Move[i] *= s.scale
		plan.Total += math.Abs(plan.Move[i])
	}
	plan.Tried, plan.Work = s.tried, s.work
	return plan
}

// possible asks whether moving every blade, in any size of step, could do it. If
// not, no smaller set need be looked at.
func (s *search) possible() bool {
	c := s.all(1)
	members := make([]int, s.n)
	for i := range members {
		members[i] = i
	}
	p := s.relax(c, members, 1)
	s.tried++
	return s.cut(p, members, 1, math.Inf(1), make([]float64, p.n)) != infeasible
}

const directions = 32

type search struct {
	n       int
	scale   float64 // values divided by this are near one
	x       []float64
	lo, hi  []float64
	e       []complex128 // w exp(i angle)
	h       complex128   // harmonic as found
	lim     Limits
	order   []int // blades by value
	tried   int   // programs
	work    int   // multiplications in them
	polish  int   // work that may go into the least sum once a set is found
	budget  int
	nodes   int
	compass [directions]complex128
}

func newSearch(x, angle, w []float64, lim Limits) *search {
	n := len(x)
	scale := sizeOf(x)
	s := &search{n: n, scale: scale, x: make([]float64, n), lim: lim, lo: make([]float64, n), hi: make([]float64, n),
		e: make([]complex128, n), order: make([]int, n), budget: lim.Budget}
	if s.budget == 0 {
		s.budget = 100e6 // some tenths of a second
	}
	s.polish = s.budget / 5
	lim.Spread, lim.Harmonic, lim.Max, lim.Step = lim.Spread/scale, lim.Harmonic/scale, lim.Max/scale, lim.Step/scale
	s.lim = lim
	if lim.Spread <= 0 {
		s.lim.Spread = math.Inf(1)
	}
	if lim.Harmonic <= 0 {
		s.lim.Harmonic = math.Inf(1)
	}
	far := lim.Max
	if far <= 0 { // beyond any sensible answer, yet finite
		far = 8 + 2*finite(s.lim.Harmonic)
	}
	if lim.Step > 0 {
		far = lim.Step * math.Floor(far/lim.Step+1e-9)
	}
	for i := range n {
		s.order[i] = i
		s.e[i] = cmplx.Rect(1, angle[i])
		if w != nil {
			s.e[i] *= complex(w[i], 0)
		}
		s.x[i] = (x[i] - x[0]) / scale
		s.h += s.e[i] * complex(x[i]/scale, 0)
		if lim.Fixed == nil || !lim.Fixed[i] {
			s.lo[i], s.hi[i] = -far, far
		}
	}
	slices.SortStableFunc(s.order, func(a, b int) int { return cmp.Compare(s.x[a], s.x[b]) })
	for d := range s.compass {
		s.compass[d] = cmplx.Rect(1, 2*math.Pi*float64(d)/directions)
	}
	return s
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return 0
	}
	return v
}

// sizeOf is the spread of the values, the natural length of the problem.
func sizeOf(x []float64) float64 {
	if r := slices.Max(x) - slices.Min(x); r > 0 {
		return r
	}
	return max(1, math.Abs(x[0]))
}

// inside says whether the blades moved by d satisfy the limits times aim.
func (s *search) inside(d []float64, aim float64) bool {
	lo, hi, h := math.Inf(1), math.Inf(-1), s.h
	for i, v := range s.x {
		v += d[i]
		lo, hi = min(lo, v), max(hi, v)
		h += s.e[i] * complex(d[i], 0)
	}
	return hi-lo <= aim*s.lim.Spread+1e-9 && cmplx.Abs(h) <= aim*s.lim.Harmonic+1e-9
}

// level looks at every set of k blades and returns the cheapest moves that
// reach the limits times aim; complete says whether all sets were settled.
func (s *search) level(k int, aim float64) (best []float64, complete bool) {
	complete = true
	cost := math.Inf(1)
	for _, c := range s.candidates(k, aim, &complete) {
		if c.least >= cost {
			continue
		}
		if s.work >= s.budget {
			return best, false
		}
		d, total, done := s.moves(c, aim, cost)
		if !done {
			complete = false
		}
		if d == nil || total >= cost {
			continue
		}
		if best == nil { // the number of blades is settled; polishing the sum gets a share of the budget
			s.budget = min(s.budget, s.work+s.polish)
		}
		best, cost = d, total
	}
	return best, complete
}

// sharpen keeps the number of blades and looks for moves that end well inside
// the tolerances, so that an error of reading does not undo the work. Where the
// blades that stay leave no room for the whole aim, as much of it as they allow.
func (s *search) sharpen(k int, plain []float64) (d []float64, aimed bool) {
	if s.lim.Aim <= 0 || s.lim.Aim >= 1 {
		return plain, true
	}
	const rungs = 5
	for i := range rungs {
		s.budget = s.work + s.polish/rungs
		if better, _ := s.level(k, s.lim.Aim+(1-s.lim.Aim)*float64(i)/rungs); better != nil {
			return better, i == 0
		}
	}
	return plain, false
}

// moves finds the cheapest moves for one set: a linear program, then, where
// moves come in steps, a branch and bound over it.
func (s *search) moves(c candidate, aim, limit float64) (d []float64, total float64, complete bool) {
	var members []int
	for m := c.set; m != 0; m &= m - 1 {
		members = append(members, bits.TrailingZeros64(m))
	}
	p := s.relax(c, members, aim)
	complete = true
	total = limit
	stack := []*program{p}
	y := make([]float64, p.n)
	for len(stack) > 0 {
		if s.work >= s.budget {
			return d, total, false
		}
		p = stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		s.tried++
		switch s.cut(p, members, aim, total, y) {
		case lost:
			complete = false
			continue
		case infeasible, costly:
			continue
		}
		i, at := s.fraction(members, y)
		if i < 0 {
			d, total = s.collect(members, y), p.objective()
			continue
		}
		stack = append(stack, s.branch(p, len(members), i, at)...)
	}
	return d, total, complete
}

// relax writes the program of one set without the round tolerance. Variables:
// up and down moves of every member, then the lower end of the window.
func (s *search) relax(c candidate, members []int, aim float64) *program {
	k := len(members)
	cost := make([]float64, 2*k+1)
	for i := range k { // the small differences keep the method from cycling
		cost[i], cost[k+i] = 1+1e-9*float64(i), 1+1e-9*float64(k+i)
	}
	cost[2*k] = 1e-9
	p := newProgram(cost, &s.work)
	a := make([]float64, 2*k+1)
	set := func(i int, up, down, window, b float64) {
		clear(a)
		a[i], a[k+i], a[2*k] = up, down, window
		p.add(a, b)
	}
	for i, b := range members {
		set(i, 1, 0, 0, s.hi[b])
		set(i, 0, 1, 0, -s.lo[b])
		if spread := aim * s.lim.Spread; !math.IsInf(spread, 1) {
			set(i, 1, -1, -1, c.from+spread-s.x[b])
			set(i, -1, 1, 1, s.x[b]-c.from)
		}
	}
	clear(a)
	a[2*k] = 1
	p.add(a, c.to-c.from)
	return p
}

// margin keeps rounding in the simplex from asking for the same tangent again;
// in the scaled figures of the search, that is some 1e-8 of the largest error.
const margin = 1e-8

// cut solves p, adding tangents of the round tolerance until the harmonic lies
// inside it.
func (s *search) cut(p *program, members []int, aim, limit float64, y []float64) outcome {
	tol := aim * s.lim.Harmonic
	k := len(members)
	a := make([]float64, p.n)
	for range 60 {
		if o := p.solve(limit); o != solved {
			return o
		}
		p.values(y)
		h := s.h
		for i, b := range members {
			h += s.e[b] * complex(y[i]-y[k+i], 0)
		}
		if cmplx.Abs(h) <= tol {
			return solved
		}
		u := cmplx.Rect(1, cmplx.Phase(h))
		for i, b := range members {
			g := dot(s.e[b], u)
			a[i], a[k+i] = g, -g
		}
		p.add(a, tol-margin-dot(s.h, u))
	}
	return lost
}

func dot(a, b complex128) float64 { return real(a)*real(b) + imag(a)*imag(b) }

// fraction returns the member whose move is furthest from a whole step, and
// the move; -1 when all are whole or any size will do.
func (s *search) fraction(members []int, y []float64) (int, float64) {
	if s.lim.Step <= 0 {
		return -1, 0
	}
	worst, at, k := -1, 1e-6, len(members)
	for i := range members {
		q := (y[i] - y[k+i]) / s.lim.Step
		if f := math.Abs(q - math.Round(q)); f > at {
			worst, at = i, f
		}
	}
	if worst < 0 {
		return -1, 0
	}
	return worst, y[worst] - y[k+worst]
}

// branch splits at the move of member i: not above the step below, or not
// below the step above; the nearer one is tried first.
func (s *search) branch(p *program, k, i int, at float64) []*program {
	floor := math.Floor(at/s.lim.Step) * s.lim.Step
	below, above := p.clone(), p
	a := make([]float64, p.n)
	a[i], a[k+i] = 1, -1
	below.add(a, floor)
	a[i], a[k+i] = -1, 1
	above.add(a, -(floor + s.lim.Step))
	if at-floor < s.lim.Step/2 {
		return []*program{above, below}
	}
	return []*program{below, above}
}

func (s *search) collect(members []int, y []float64) []float64 {
	d := make([]float64, s.n)
	for i, b := range members {
		d[b] = y[i] - y[len(members)+i]
		if s.lim.Step > 0 {
			d[b] = s.lim.Step * math.Round(d[b]/s.lim.Step)
		}
	}
	return d
}
