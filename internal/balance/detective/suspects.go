package detective

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// suspect is one way to make one slip: the records as they would then read.
type suspect struct {
	slip    Slip
	run     int    // index into the kept runs where it was made; -1 = all
	text    string // what was done
	weights []fitted
	swap    [2]int // sensors exchanged in the runs below; equal = none
	turned  int    // sensor turned round in the runs below; -1 = none
	phase   bool   // the phase of the runs below moved
	runs    []bool
}

// suspects lists the usual slips that this job could hold.
func suspects(c balance.Case, index []int, fs []fitted) (out []suspect) {
	l := &lister{c: c, index: index, fs: fs}
	l.weights()
	l.groups()
	l.readings()
	return l.out
}

type lister struct {
	c     balance.Case
	index []int
	fs    []fitted
	out   []suspect
}

func (l *lister) run(r int) string {
	n := l.c.Runs[l.index[r]].Name
	if n == "" {
		return fmt.Sprintf("run %d", l.index[r]+1)
	}
	return fmt.Sprintf("run %q", n)
}

// rewrite adds a suspect whose weights chosen by which are changed by change.
func (l *lister) rewrite(s Slip, run int, text string, which func(i int, f fitted) bool, change func(f *fitted)) {
	fs := make([]fitted, len(l.fs))
	hit := false
	for i, f := range l.fs {
		f.on = slices.Clone(f.on)
		if which(i, f) {
			hit = true
			change(&f)
		}
		fs[i] = f
	}
	if hit {
		l.out = append(l.out, suspect{slip: s, run: run, text: text, weights: fs, turned: -1})
	}
}

func mirror(f *fitted)   { f.weight.Angle = -f.weight.Angle }
func opposite(f *fitted) { f.weight.Angle += math.Pi }
func (l *lister) other(f *fitted) {
	f.plane = 1 - f.plane
	f.weight.Plane = l.c.Planes[f.plane].Name
}
func takeOff(f *fitted) { f.on = make([]bool, len(f.on)) }

// weights lists the slips that are made with one weight.
func (l *lister) weights() {
	for i, f := range l.fs {
		this := func(k int, _ fitted) bool { return k == i }
		what := fmt.Sprintf("the %.4g g in %s of %s", f.weight.Mass*1e3, plane(l.c.Planes[f.plane]), l.run(f.first))
		l.rewrite(NotFitted, f.first, what+" is not on the rotor", this, takeOff)
		if l.alone(f) {
			continue // the slips of a whole group below say the same
		}
		l.rewrite(Opposite, f.first, what+" sits on the opposite side, or was removed instead of added", this, opposite)
	}
	for i, f := range l.fs {
		this := func(k int, _ fitted) bool { return k == i }
		what := fmt.Sprintf("the %.4g g in %s of %s", f.weight.Mass*1e3, plane(l.c.Planes[f.plane]), l.run(f.first))
		for _, side := range []float64{1, -1} {
			to, ok := beside(l.c.Planes[f.plane].Positions, f.weight.Angle, side)
			if ok {
				l.rewrite(WrongHole, f.first, fmt.Sprintf("%s sits on place %d", what, to.Number), this, func(f *fitted) {
					f.weight.Angle, f.weight.Radius = to.Angle, to.Radius
				})
			}
		}
		last := lastOn(f.on)
		if last == len(f.on)-1 {
			continue
		}
		// Left on until the end, or found and taken off after the next run.
		l.rewrite(TrialLeftOn, last, what+" was still there in all later runs", this, func(f *fitted) {
			for r := last; r < len(f.on); r++ {
				f.on[r] = true
			}
		})
		if last+2 < len(f.on) {
			l.rewrite(TrialLeftOn, last, what+" was still there in "+l.run(last+1), this, func(f *fitted) { f.on[last+1] = true })
		}
	}
}

// alone tells whether this is the only weight put on in its run.
func (l *lister) alone(f fitted) bool {
	n := 0
	for _, g := range l.fs {
		if g.first == f.first {
			n++
		}
	}
	return n == 1
}

// groups lists the slips that are made with everything put on for one run.
func (l *lister) groups() {
	all := func(int, fitted) bool { return true }
	l.rewrite(AnglesReversed, -1, "angles were counted the other way round in every run", all, mirror)
	for r := range l.index {
		group := func(_ int, f fitted) bool { return f.first == r }
		what := "the weights of " + l.run(r)
		l.rewrite(WeightMirrored, r, what+" were counted the other way round", group, mirror)
		l.rewrite(Opposite, r, what+" sit on the opposite side, or were removed instead of added", group, opposite)
		if len(l.c.Planes) == 2 {
			l.rewrite(WrongPlane, r, what+" sit in the other plane", group, l.other)
		}
		if len(l.c.Planes) == 2 || l.count(r) > 1 {
			l.rewrite(NotFitted, r, what+" are not on the rotor", func(i int, f fitted) bool { return group(i, f) && !l.alone(f) }, takeOff)
		}
	}
	// Each of two planes has had the other's trial.
	if len(l.c.Planes) == 2 {
		last := len(l.index) - 1
		l.rewrite(WrongPlane, -1, "the weights of all runs before the last sit in the other plane", func(_ int, f fitted) bool { return f.first < last }, l.other)
	}
}

func (l *lister) count(r int) (n int) {
	for _, f := range l.fs {
		if f.first == r {
			n++
		}
	}
	return n
}

// readings lists the slips that are made with sensors and the phase reference:
// in one run, or from one run on.
func (l *lister) readings() {
	n := len(l.index)
	for first := range n {
		for _, on := range []bool{false, true} { // that run only, or that run and all later ones
			if on && (first < 2 || first > n-2) {
				continue // from run 1 on is the same as run 0 only, from the last on as the last only
			}
			runs := make([]bool, n)
			runs[first] = true
			text := "in " + l.run(first)
			if on {
				for r := first; r < n; r++ {
					runs[r] = true
				}
				text = "from " + l.run(first) + " on"
			}
			l.out = append(l.out, suspect{slip: PhaseMoved, run: first, text: "the phase reference was moved " + text, turned: -1, phase: true, runs: runs})
			for a := range l.c.Sensors {
				l.out = append(l.out, suspect{slip: SensorTurned, run: first, turned: a, runs: runs, text: fmt.Sprintf("%s was turned round %s", sensor(l.c, a), text)})
				for b := range a {
					l.out = append(l.out, suspect{slip: SensorsSwapped, run: first, turned: -1, swap: [2]int{a, b}, runs: runs,
						text: fmt.Sprintf("%s and %s were exchanged %s", sensor(l.c, b), sensor(l.c, a), text)})
				}
			}
		}
	}
}

// apply rewrites the records.
func (s suspect) apply(j job, c balance.Case) *job {
	if s.weights != nil {
		j.weigh(c, s.weights)
	}
	if s.phase {
		j.turn = s.runs
	}
	if s.swap[0] != s.swap[1] || s.turned >= 0 {
		v, noise := slices.Clone(j.v), slices.Clone(j.noise)
		for r := range v {
			if !s.runs[r] {
				continue
			}
			v[r], noise[r] = slices.Clone(v[r]), slices.Clone(noise[r])
			if s.turned >= 0 {
				v[r][s.turned] = -v[r][s.turned]
				continue
			}
			a, b := s.swap[0], s.swap[1]
			v[r][a], v[r][b] = v[r][b], v[r][a]
			noise[r][a], noise[r][b] = noise[r][b], noise[r][a]
		}
		j.v, j.noise = v, noise
	}
	return &j
}

// rewrite is the case as it would read had this happened: the runs to solve again.
func (s suspect) rewrite(c balance.Case, index []int, turn float64) balance.Case {
	c.Runs = slices.Clone(c.Runs)
	for r, i := range index {
		run := &c.Runs[i]
		if s.weights != nil {
			run.Weights = nil
			for _, f := range s.weights {
				if f.on[r] {
					run.Weights = append(run.Weights, f.weight)
				}
			}
		}
		if s.runs == nil || !s.runs[r] {
			continue
		}
		run.Vectors = slices.Clone(run.Vectors)
		back := cmplx.Rect(1, -turn)
		for k := range run.Vectors {
			if s.phase || k == s.turned {
				if k == s.turned {
					back = -1
				}
				run.Vectors[k].V *= back
				run.Vectors[k].Cov = run.Vectors[k].Cov.Times(back)
			}
		}
		a, b := s.swap[0], s.swap[1]
		run.Vectors[a], run.Vectors[b] = run.Vectors[b], run.Vectors[a]
	}
	return c
}

// beside is the next place in the direction of rotation (side 1) or against it,
// from the place at an angle. Only where the weight sits on a place.
func beside(ps []rotor.Position, angle, side float64) (rotor.Position, bool) {
	const near = 0.02 // rad
	at := slices.IndexFunc(ps, func(p rotor.Position) bool { return math.Abs(rotor.WrapRadians(p.Angle-angle)) < near })
	if at < 0 {
		return rotor.Position{}, false
	}
	best, gap := -1, math.Inf(1)
	for i, p := range ps {
		if d := side * rotor.WrapRadians(p.Angle-ps[at].Angle); i != at && d > near && d < gap {
			best, gap = i, d
		}
	}
	if best < 0 {
		return rotor.Position{}, false
	}
	return ps[best], true
}

func lastOn(on []bool) int {
	for r := len(on) - 1; r >= 0; r-- {
		if on[r] {
			return r
		}
	}
	return -1
}

func plane(p rotor.Plane) string {
	if p.Name == "" {
		return "the plane"
	}
	return p.Name
}

func sensor(c balance.Case, s int) string {
	if n := strings.TrimSpace(c.Sensors[s].Name); n != "" {
		return "sensor " + n
	}
	return fmt.Sprintf("sensor %d", s+1)
}
