package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
)

// largestEffect is the largest change that weights made in a group, as fitted.
func (m *model) largestEffect(g *group) (big float64) {
	for _, o := range g.obs {
		if o.run >= 0 {
			big = math.Max(big, cmplx.Abs(dot(g.coefficients(), o.h[len(g.states):])))
		}
	}
	return big
}

// chi2 is the misfit of a group over its stated errors and its degrees of freedom.
func (m *model) chi2(g *group) (chi2, dof float64) {
	n := m.noise(g)
	r := slices.Clone(g.res)
	l := n.clone()
	if !cholesky(l) {
		return 0, 0
	}
	lowerSolve(l, r)
	for _, z := range r {
		chi2 += abs2(z)
	}
	return chi2, float64(2 * (len(g.obs) - len(g.x)))
}

// contradicted says at the 1 % level whether the runs disagree with the stored
// coefficients: the innovations of the batch are chi square distributed.
func (m *model) contradicted() bool {
	total, dof := 0.0, 0.0
	for i := range m.groups {
		g := &m.groups[i]
		if m.known {
			c, d := m.chi2(g)
			total, dof = total+c, dof+d
			continue
		}
		for j, o := range g.obs { // readings without errors: only what the prior had to give way
			if o.run < 0 {
				total += abs2(g.res[j]) / o.cov.PerAxis()
			}
		}
		dof += float64(2 * (len(g.obs) - len(g.x)))
	}
	return dof > 0 && total > chi2Quantile(0.99, dof)
}

// doesNotClose is the misfit without stated errors that is reported, relative to
// the largest effect of a weight: 5 %, our own choice.
const doesNotClose = 0.05

func (s *solver) judgeClosure() {
	free, effect, total, dof := 0, 0.0, 0.0, 0.0
	for i := range s.m.groups {
		g := &s.m.groups[i]
		free += len(g.obs) - len(g.x)
		effect = math.Max(effect, s.m.largestEffect(g))
		if s.m.known {
			c, d := s.m.chi2(g)
			total, dof = total+c, dof+d
		}
	}
	if free <= 0 {
		return
	}
	advice := "Look for a weight, angle or reading that was written down wrongly, and repeat the run that fits worst."
	if s.m.known {
		if total > chi2Quantile(0.99, dof) {
			s.a.verdict("does-not-close", fmt.Sprintf("The runs contradict each other: their misfit of %.3g is %.1f times what the stated errors explain (chi square %.0f for %.0f degrees of freedom). %s", s.a.Misfit, math.Sqrt(total/dof), total, dof, advice))
		}
		return
	}
	if s.a.Misfit > doesNotClose*effect {
		s.a.verdict("does-not-close", fmt.Sprintf("The runs contradict each other: the rms misfit is %.3g, %.1f %% of the largest effect of a weight. %s", s.a.Misfit, 100*s.a.Misfit/effect, advice))
	}
}

// judgeSensors names a sensor that sees no weight while others do, and one whose
// readings fit much worse than its neighbours'.
func (s *solver) judgeSensors() {
	s.judgeWeakSensors()
	var own []float64
	for i := range s.m.groups {
		g := &s.m.groups[i]
		free := len(g.obs) - len(g.x)
		if free <= 0 {
			return
		}
		own = append(own, norm(g.res)/math.Sqrt(float64(free))/s.m.largestEffect(g))
	}
	if len(own) < 3 {
		return
	}
	for i, x := range own {
		others := slices.Delete(slices.Clone(own), i, i+1)
		slices.Sort(others)
		typical := others[len(others)/2]
		if x > 0.05 && x > 2*typical {
			s.a.verdict("sensor-contradicts", fmt.Sprintf("Sensor %s does not follow the weights as the others do: its misfit is %.0f %% of its own largest effect, against %.1f %% at the others. Check its mounting, cable and direction, or solve without it.",
				called(s.m.c.Sensors[s.m.groups[i].sensor].Name, s.m.groups[i].sensor), 100*x, 100*typical))
		}
	}
}

func (s *solver) judgeWeakSensors() {
	if !s.m.known || !(s.signal >= enoughEffect) {
		return
	}
	for i := range s.m.groups {
		g := &s.m.groups[i]
		sigma := 0.0
		for _, o := range g.obs {
			if o.run >= 0 {
				sigma = math.Max(sigma, math.Sqrt(o.cov.PerAxis()))
			}
		}
		if effect := s.m.largestEffect(g); effect < 3*sigma {
			s.a.verdict("sensor-weak", fmt.Sprintf("Sensor %s hardly sees the weights: their largest effect there is %.3g, %.1f times its error. It adds nothing to this answer; move it nearer to the rotor or turn it into the softer direction.",
				called(s.m.c.Sensors[g.sensor].Name, g.sensor), effect, effect/sigma))
		}
	}
}

// judgeRepeat compares runs with the same weights, such as a repeated as found.
func (s *solver) judgeRepeat() {
	for i := range s.m.groups {
		g := &s.m.groups[i]
		for j, o := range g.obs {
			for _, b := range g.obs[:j] {
				if o.run < 0 || b.run < 0 || !slices.Equal(o.h, b.h) {
					continue
				}
				moved := cmplx.Abs(o.y - b.y)
				sigma := math.Sqrt(o.cov.PerAxis() + b.cov.PerAxis())
				effect := s.m.largestEffect(g)
				// |dV|^2/sigma^2 is chi square with 2 degrees of freedom: 1 % at 3.035 sigma
				if s.m.known && moved > 3.035*sigma && moved > 0.02*effect || !s.m.known && moved > 0.15*effect {
					s.a.verdict("as-found-changed", fmt.Sprintf("Runs %s and %s had the same weights and sensor %s moved by %.3g between them, %.0f %% of the largest effect of a weight. The rotor or its surroundings changed: wait until it is warm, look for something loose, and take the as-found run again.",
						called(s.m.c.Runs[b.run].Name, b.run), called(s.m.c.Runs[o.run].Name, o.run), called(s.m.c.Sensors[g.sensor].Name, g.sensor), moved, 100*moved/effect))
					return
				}
			}
		}
	}
}

// judgeLinearity compares the effect per gram of two weights in one plane. Where
// most sensors say that it changed with the weight, the rotor is not linear.
func (s *solver) judgeLinearity() {
	for p, plane := range s.m.c.Planes {
		first, second := s.lonely(p)
		if second < 0 {
			continue
		}
		votes, worst := 0, 0.0
		for i := range s.m.groups {
			if d, beyond := s.gainChange(&s.m.groups[i], p, first, second); beyond {
				votes++
				worst = math.Max(worst, d)
			}
		}
		if 2*votes > len(s.m.groups) {
			s.a.verdict("non-linear", fmt.Sprintf("In plane %q the effect per gram in run %s differs from that in run %s by %.0f %% at %d of %d sensors, so the vibration does not grow in proportion to the weight. Look for looseness, a rub or a wrong note of a weight; go on in smaller steps and measure again after each.",
				plane.Name, called(s.m.c.Runs[second].Name, second), called(s.m.c.Runs[first].Name, first), 100*worst, votes, len(s.m.groups)))
		}
	}
}

// lonely finds two runs with different weights in plane p alone.
func (s *solver) lonely(p int) (first, second int) {
	first, second = -1, -1
	for r, w := range s.m.totals {
		if w[p] == 0 {
			continue
		}
		alone := true
		for q, x := range w {
			alone = alone && (q == p || x == 0)
		}
		switch {
		case !alone:
		case first < 0:
			first = r
		case cmplx.Abs(w[p]-s.m.totals[first][p]) > 0.2*cmplx.Abs(w[p]):
			return first, r
		}
	}
	return first, -1
}

// gainChange is the relative change of the effect per gram between two runs, and
// whether it is more than 5 % and more than three standard deviations.
func (s *solver) gainChange(g *group, p, first, second int) (change float64, beyond bool) {
	var base, a, b *observation
	for i := range g.obs {
		o := &g.obs[i]
		switch {
		case o.run < 0:
		case o.run == first:
			a = o
		case o.run == second:
			b = o
		case norm(o.h[len(g.states):]) == 0 && base == nil:
			base = o
		}
	}
	if base == nil || a == nil || b == nil {
		return 0, false
	}
	w1, w2 := s.m.totals[first][p], s.m.totals[second][p]
	a1, a2 := (a.y-base.y)/w1, (b.y-base.y)/w2
	size := math.Min(cmplx.Abs(a1), cmplx.Abs(a2))
	change = cmplx.Abs(a1-a2) / size
	e := s.m.c.Errors
	v := (a.cov.PerAxis()+base.cov.PerAxis())/abs2(w1) + (b.cov.PerAxis()+base.cov.PerAxis())/abs2(w2) +
		2*abs2(a1)*(e.Mass*e.Mass+e.Angle*e.Angle)/2
	return change, change > 0.05 && change*size > 3*math.Sqrt(2*v)
}
