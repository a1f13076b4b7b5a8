package balance

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// firstOrderHolds is the ratio of effect to reading error above which first
// order is used. Draws give a 95 % radius 1 % larger than first order at 20 and
// 3 % at 15 (own simulation, see the campaign "coverage").
const firstOrderHolds = 20

// spread states how sure the answer is. The residual's error is that of
// v0 + a w for the weight chosen, linear in the readings, so it is not projected
// onto what the planes cannot reach: the part of the noise that the fit has
// swallowed is error all the same.
func (s *solver) spread(w, further []complex128) {
	s.a.NoiseGain = s.noiseGain(w)
	if !s.m.known {
		return
	}
	s.signal = s.weakestEffect()
	s.influenceSpread()
	limited := s.o.Method == MinMax || s.all.overCapEdge(w)
	if !limited {
		s.firstOrder(w, further)
	}
	if s.signal < firstOrderHolds || limited {
		s.a.MonteCarlo = true
		s.monteCarlo(w, further, limited)
	}
}

// overCapEdge says whether a weight stands on its cap.
func (p *problem) overCapEdge(w []complex128) bool {
	for i, c := range p.caps {
		if c > 0 && cmplx.Abs(w[i]) > c*(1-1e-4) {
			return true
		}
	}
	return false
}

// noiseGain is how much of one reading's error reaches the residual in the worst
// row: sqrt(|1 - sum q|^2 + sum |q|^2) with q correction over trial where every
// trial was made alone.
func (s *solver) noiseGain(w []complex128) (worst float64) {
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		h := s.direction(i, w)
		sum := 0.0
		for j, o := range g.obs {
			if o.run < 0 {
				continue
			}
			var c complex128
			for k := range h {
				c += h[k] * g.gain.at(k, j)
			}
			sum += abs2(c)
		}
		worst = math.Max(worst, math.Sqrt(sum))
	}
	return worst
}

// direction is h with residual = h x for row i under weights w.
func (s *solver) direction(i int, w []complex128) []complex128 {
	r := s.rows[i]
	g := &s.m.groups[r.group]
	h := make([]complex128, len(g.x))
	h[r.state] = 1
	copy(h[len(g.states):], w)
	return h
}

// sum gathers the covariance that independent causes add to one phasor, and
// the effective degrees of freedom by Welch and Satterthwaite.
type sum struct {
	cov  rotor.Cov
	down float64 // sum of v^2/dof
}

func (t *sum) add(z complex128, dof float64) {
	t.cov = t.cov.Add(outer(z))
	if dof > 0 {
		v := abs2(z)
		t.down += v * v / dof
	}
}

func (t *sum) dof() float64 {
	if t.down == 0 {
		return 0
	}
	v := t.cov.RR + t.cov.II
	return v * v / (2 * t.down) // two axes per reading share one dof
}

// influenceSpread fills the covariance of the coefficients.
func (s *solver) influenceSpread() {
	planes := len(s.m.c.Planes)
	s.a.InfluenceCov = make([][]rotor.Cov, len(s.rows))
	for i := range s.rows {
		s.a.InfluenceCov[i] = make([]rotor.Cov, planes)
	}
	for _, src := range s.m.sources() {
		for i, r := range s.rows {
			dy := src.dy[r.group]
			if dy == nil {
				continue
			}
			g := &s.m.groups[r.group]
			for p := range planes {
				d := dot(g.gain.row(len(g.states)+p), dy)
				s.a.InfluenceCov[i][p] = s.a.InfluenceCov[i][p].Add(outer(d))
			}
		}
	}
}

// weakestEffect is the effect of the trials over the error of one reading, at
// the best sensor for each plane, the worst plane of all. For one trial and one
// as-found run with equal errors it is |dV|/sigma.
func (s *solver) weakestEffect() float64 {
	weakest := math.Inf(1)
	for p := range s.m.c.Planes {
		best := 0.0
		for i, r := range s.rows {
			g := &s.m.groups[r.group]
			v := 0.0
			for j, o := range g.obs {
				v += abs2(g.gain.at(len(g.states)+p, j)) * o.cov.PerAxis()
			}
			if v == 0 {
				return math.Inf(1)
			}
			best = math.Max(best, cmplx.Abs(s.all.a.at(i, p))*math.Sqrt(2/v))
		}
		weakest = math.Min(weakest, best)
	}
	return weakest
}

// weightedInverse returns (A^H T A + ridge)^-1 and that times A^H T.
func (s *solver) weightedInverse() (inv, onto matrix) {
	t := s.rowWeights()
	planes := s.all.a.cols
	normal := newMatrix(planes, planes)
	if s.o.Method == Ridge {
		normal, _ = s.ridge(t)
	}
	ah := newMatrix(planes, len(s.rows))
	for i := range s.rows {
		f := complex(t[i]*t[i], 0)
		for p := range planes {
			c := f * cmplx.Conj(s.all.a.at(i, p))
			ah.set(p, i, c)
			for q := range planes {
				normal.v[p*planes+q] += c * s.all.a.at(i, q)
			}
		}
	}
	inv = decompose(normal).pseudoInverse()
	return inv, inv.mul(ah)
}

// firstOrder propagates every independent cause once through the solution.
func (s *solver) firstOrder(w, further []complex128) {
	t := s.rowWeights()
	inv, onto := s.weightedInverse()
	res := s.all.residuals(w)
	planes := len(w)
	masses, rows, after := make([]sum, planes), make([]sum, len(s.rows)), make([]sum, len(s.rows))
	s.furtherCov = make([]sum, planes)
	add := make([]complex128, planes) // what further puts on the rotor
	for p := range add {
		add[p] = further[p] - s.m.last[p]
	}
	for _, src := range s.m.sources() {
		dm, dn := make([]complex128, len(s.rows)), make([]complex128, len(s.rows))
		slant := make([]complex128, planes) // (dA)^H T r
		for i, r := range s.rows {
			var stand complex128
			if src.stand != nil {
				stand = src.stand[r.group]
			}
			g, dy := &s.m.groups[r.group], src.dy[r.group]
			if dy == nil {
				dn[i] = -stand
				after[i].add(stand, src.dof)
				continue
			}
			dx := g.gain.mulVec(dy)
			da := dx[len(g.states):]
			dm[i] = dx[r.state] + dot(da, w)
			rows[i].add(dm[i], src.dof)
			dn[i] = s.nowError(i, dx, dy) + dot(da, add) - stand
			after[i].add(dn[i], src.dof)
			for p := range slant {
				slant[p] += cmplx.Conj(da[p]) * complex(t[i]*t[i], 0) * res[i]
			}
		}
		for p := range masses {
			masses[p].add(-dot(onto.row(p), dm)-dot(inv.row(p), slant), src.dof)
			s.furtherCov[p].add(-dot(onto.row(p), dn)-dot(inv.row(p), slant), src.dof)
		}
	}
	for i := range s.rows {
		for p := range planes {
			for _, e := range s.m.slips() {
				rows[i].add(s.all.a.at(i, p)*w[p]*e, 0)
				after[i].add(s.all.a.at(i, p)*add[p]*e, 0)
			}
		}
		r95, f95 := radius95(rows[i].cov, rows[i].dof()), radius95(after[i].cov, after[i].dof())
		s.a.Predicted[i].Radius95, s.a.Predicted[i].FurtherRadius95 = &r95, &f95
	}
	for p := range planes {
		m, a := polarIntervals(w[p], masses[p].cov, masses[p].dof())
		s.a.Corrections[p].Mass, s.a.Corrections[p].Angle = &m, &a
	}
	s.massCov = masses
}

// nowError is what a cause does to the estimated vector of the rotor as it
// stands, in row i.
func (s *solver) nowError(i int, dx, dy []complex128) complex128 {
	r := s.rows[i]
	g := &s.m.groups[r.group]
	if g.states[r.state] == s.m.c.Runs[len(s.m.c.Runs)-1].State {
		return dot(g.now, dy)
	}
	return dx[r.state] + dot(dx[len(g.states):], s.m.last)
}
