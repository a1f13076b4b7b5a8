package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/rotor"
)

// observation is one equation of a group: y = h x + noise. It is a reading of a
// run, or a stored coefficient (run = -1).
type observation struct {
	run int
	h   []complex128
	y   complex128
	cov rotor.Cov // reading and repeatability, not placing
	dof float64   // 0 = exactly known
}

// group is one sensor at one speed. Its unknowns x are one as-found vector per
// state followed by one coefficient per plane; its observations are all its
// runs, alike. This is the batch form of a Kalman filter that starts with a flat
// prior and takes the runs one by one.
type group struct {
	sensor int
	speed  float64
	states []string
	obs    []observation
	x      []complex128
	gain   matrix // x = gain y
	res    []complex128
	// now[k] is the linear map from y to the vector of the rotor as it stands:
	// fitted, plus what the placing errors of the weights on it explain.
	now []complex128
}

// placing is one act of fitting a weight. Its error stays with it for as long
// as the weight stays on the rotor.
type placing struct {
	plane int
	mass  complex128
	runs  []int
}

// model is a case made ready for estimation.
type model struct {
	c        *Case
	totals   [][]complex128 // [run][plane]
	last     []complex128   // totals of the last run
	groups   []group
	placings []placing
	known    bool // every reading carries an error
	partly   bool // some do
	leftOut  []string
}

func newModel(c *Case, prior *Prior) (*model, error) {
	m := &model{c: c}
	for _, r := range c.Runs {
		m.totals = append(m.totals, c.totals(r))
	}
	m.last = m.totals[len(m.totals)-1]
	if prior == nil {
		if err := checkTrials(c, m.totals); err != nil {
			return nil, err
		}
	}
	m.placings = findPlacings(c)
	m.known, m.partly = errorsStated(c)
	clusters := speedClusters(c.Runs)
	if len(clusters) > 1 && !m.eachIdentifiable(clusters, prior != nil) {
		all := make([]int, len(c.Runs))
		for i := range all {
			all[i] = i
		}
		clusters = [][]int{all}
	}
	for _, runs := range clusters {
		for s := range c.Sensors {
			g := m.newGroup(s, runs, prior)
			if len(g.states) == 0 || !identifiable(g.design()) {
				m.leftOut = append(m.leftOut, called(c.Sensors[s].Name, s))
				continue
			}
			m.groups = append(m.groups, g)
		}
	}
	if len(m.groups) == 0 {
		return nil, fmt.Errorf("the weights of the %d runs do not tell the effect of the planes from each other and from the as-found state: make one run as found and, for each plane, one more run in which its weight is changed", len(c.Runs))
	}
	return m, nil
}

// errorsStated says whether all, or some, of the readings carry an error.
func errorsStated(c *Case) (all, some bool) {
	all = true
	for _, r := range c.Runs {
		for _, v := range r.Vectors {
			if v.Missing {
				continue
			}
			k := v.Known || c.Errors.Repeat > 0
			all, some = all && k, some || k
		}
	}
	return all && some, some || c.Errors.Mass > 0 || c.Errors.Angle > 0
}

// sameSpeed is how far speeds may differ and still be one speed: 5 %, our own
// choice. Closer than that, normalise; further, the coefficients are others.
const sameSpeed = 0.05

func speedClusters(runs []Run) [][]int {
	var out [][]int
next:
	for i, r := range runs {
		for k, cl := range out {
			first := runs[cl[0]].Speed
			if r.Speed == 0 || first == 0 || math.Abs(r.Speed-first) <= sameSpeed*first {
				out[k] = append(out[k], i)
				continue next
			}
		}
		out = append(out, []int{i})
	}
	return out
}

func (m *model) eachIdentifiable(clusters [][]int, prior bool) bool {
	for _, runs := range clusters {
		h := newMatrix(len(runs), 1+len(m.c.Planes))
		for i, r := range runs {
			h.set(i, 0, 1)
			copy(h.row(i)[1:], m.totals[r])
		}
		if !prior && !identifiable(h) {
			return false
		}
	}
	return true
}

// identifiable says whether the unknowns of a design can be told apart at all.
func identifiable(h matrix) bool {
	if h.rows < h.cols {
		return false
	}
	scaled, _ := scaleColumns(h)
	return decompose(scaled).condition() < 1e10
}

func (m *model) newGroup(sensor int, runs []int, prior *Prior) group {
	g := group{sensor: sensor}
	n := 0.0
	for _, r := range runs {
		if m.c.Runs[r].Vectors[sensor].Missing {
			continue
		}
		if sp := m.c.Runs[r].Speed; sp > 0 {
			g.speed, n = g.speed+sp, n+1
		}
		if !slices.Contains(g.states, m.c.Runs[r].State) {
			g.states = append(g.states, m.c.Runs[r].State)
		}
	}
	if n > 0 {
		g.speed /= n
	}
	k, p := len(g.states), len(m.c.Planes)
	for _, r := range runs {
		run := m.c.Runs[r]
		v := run.Vectors[sensor]
		if v.Missing {
			continue
		}
		o := observation{run: r, h: make([]complex128, k+p), y: v.V}
		o.h[slices.Index(g.states, run.State)] = 1
		copy(o.h[k:], m.totals[r])
		if v.Known {
			o.cov, o.dof = v.Cov, v.DoF
		}
		rep := m.c.Errors.Repeat * cmplx.Abs(v.V)
		o.cov = o.cov.Add(rotor.Isotropic(rep * rep))
		if f := normalise(m.c.Sensors[sensor].Slope, run.Speed, g.speed); f != 1 {
			o.y, o.cov = o.y*f, o.cov.Times(f)
		}
		g.obs = append(g.obs, o)
	}
	if prior != nil {
		for q := range p {
			o := observation{run: -1, h: make([]complex128, k+p), y: prior.Mean[sensor][q]}
			o.h[k+q] = 1
			sd := prior.SD[sensor][q]
			o.cov = rotor.Isotropic(sd * sd / 2)
			g.obs = append(g.obs, o)
		}
	}
	return g
}

// normalise is the factor that brings a vector taken at one speed to another,
// for |V| ~ speed^n and a phase that turns with ln speed.
func normalise(slope complex128, from, to float64) complex128 {
	if slope == 0 || !(from > 0) || !(to > 0) {
		return 1
	}
	return cmplx.Exp(slope * complex(math.Log(to/from), 0))
}

func (g *group) design() matrix {
	h := newMatrix(len(g.obs), len(g.obs[0].h))
	for i, o := range g.obs {
		copy(h.row(i), o.h)
	}
	return h
}

// findPlacings follows every weight through the runs: the same mass at the same
// place in consecutive runs was fitted once.
func findPlacings(c *Case) []placing {
	var out []placing
	var before map[rotor.Weight][]int
	for r, run := range c.Runs {
		now := map[rotor.Weight][]int{}
		for _, w := range run.Weights {
			id := len(out)
			if k := len(now[w]); k < len(before[w]) {
				id = before[w][k]
				out[id].runs = append(out[id].runs, r)
			} else {
				p := slices.IndexFunc(c.Planes, func(p rotor.Plane) bool { return p.Name == w.Plane })
				out = append(out, placing{plane: p, mass: w.Phasor(c.Planes[p].Radius), runs: []int{r}})
			}
			now[w] = append(now[w], id)
		}
		before = now
	}
	return out
}
