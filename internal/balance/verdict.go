package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"

	"counterpoise/internal/rotor"
)

// judge adds the verdicts. They never change the answer.
func (s *solver) judge() {
	c, a := s.m.c, s.a
	for _, name := range s.m.leftOut {
		a.verdict("sensor-left-out", fmt.Sprintf("Sensor %s has too few readings to know its as-found vector and every plane's effect, so it was left out: measure it in every run.", name))
	}
	if s.m.partly && !s.m.known {
		a.verdict("errors-incomplete", "An error is stated for some things and not for every reading, so no interval is given: state the standard error of every reading.")
	}
	s.judgeWeights()
	s.judgeAlike()
	s.judgeClosure()
	s.judgeSensors()
	s.judgeRepeat()
	s.judgeLinearity()
	s.judgeSpeed()
	s.judgeStates()
	s.judgeTrial()
	s.judgeOneShot()
	s.judgeCaps()
	s.judgeOnePlane()
	s.judgeShares()
	judgeForces(c, a)
	s.judgeTolerance()
}

// judgeWeights says where a method that needs tolerances had to help itself.
func (s *solver) judgeWeights() {
	given, missing := 0, ""
	for i, x := range s.m.c.Sensors {
		if x.Tolerance > 0 {
			given++
		} else if missing == "" {
			missing = called(x.Name, i)
		}
	}
	switch {
	case s.o.Method == LeastSquares || missing == "":
	case given == 0 && s.o.Method != Ridge:
		s.a.verdict("tolerance-missing", fmt.Sprintf("The %v method weighs sensors by their tolerances and none is given, so all count alike: give each sensor its tolerance.", s.o.Method))
	case given > 0:
		s.a.verdict("tolerance-missing", fmt.Sprintf("Sensor %s has no tolerance and was weighed with the mean of the others: give each sensor its tolerance.", missing))
	}
}

// directions fills how well each combination of planes is seen.
func (s *solver) directions() {
	if len(s.rows) < len(s.m.c.Planes) {
		return
	}
	d := decompose(s.all.a)
	for k, gain := range d.s {
		dir := Direction{Gain: gain, Mix: make([]complex128, len(d.s))}
		for p := range dir.Mix {
			dir.Mix[p] = d.v.at(p, k)
		}
		if s.massCov != nil {
			dir.Error = s.errorAlong(dir.Mix)
		}
		s.a.Directions = append(s.a.Directions, dir)
	}
}

// errorAlong is the 95 % radius of the correction's part along a combination of
// planes, to first order.
func (s *solver) errorAlong(mix []complex128) *float64 {
	inv, onto := s.weightedInverse()
	_ = inv
	var t sum
	for _, src := range s.m.sources() {
		var z complex128
		for i, r := range s.rows {
			dy := src.dy[r.group]
			if dy == nil {
				continue
			}
			g := &s.m.groups[r.group]
			dx := g.gain.mulVec(dy)
			dm := dx[r.state] + dot(dx[len(g.states):], s.w)
			for p := range mix {
				z -= cmplx.Conj(mix[p]) * onto.at(p, i) * dm
			}
		}
		t.add(z, src.dof)
	}
	r := radius95(t.cov, t.dof())
	return &r
}

// alikeCondition is the condition number above which the split between planes is
// called doubtful: an error of 1 % in the readings is then 10 % in the split. Our
// own choice; the two faces of an overhung hub come to about 15.
const alikeCondition = 10

func (s *solver) judgeAlike() {
	s.directions()
	if len(s.m.c.Planes) < 2 || !(s.a.Condition > alikeCondition) || len(s.a.Directions) == 0 {
		return
	}
	good, bad := s.a.Directions[0], s.a.Directions[len(s.a.Directions)-1]
	text := fmt.Sprintf("The sensors can hardly tell the planes %s apart (condition number %.0f): %s is seen %.0f times better than %s",
		s.m.planeNames(), s.a.Condition, s.combination(good.Mix), good.Gain/bad.Gain, s.combination(bad.Mix))
	if good.Error != nil && bad.Error != nil {
		text += fmt.Sprintf("; the first is known to %.3g g, the second only to %.3g g (95 %%)", *good.Error*1e3, *bad.Error*1e3)
	}
	s.a.verdict("planes-alike", text+". Trust the sum and doubt the split: correct in one plane, place sensors further apart, or take the ridge method with stated errors.")
}

// combination names a direction over two planes in words.
func (s *solver) combination(mix []complex128) string {
	if len(mix) == 2 && mix[0] != 0 && mix[1] != 0 {
		turn := math.Abs(cmplx.Phase(mix[0] * cmplx.Conj(mix[1])))
		switch {
		case turn < math.Pi/3:
			return "their sum (the static part)"
		case turn > 2*math.Pi/3:
			return "their difference (the couple)"
		}
	}
	var parts []string
	for p, z := range mix {
		parts = append(parts, fmt.Sprintf("%.2f in %q at %.0f deg", cmplx.Abs(z), s.m.c.Planes[p].Name, deg(cmplx.Phase(z))))
	}
	return "the combination " + strings.Join(parts, ", ")
}

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

// judgeSpeed looks at how far the speeds of runs differ, and at the slope of the
// vectors over speed.
func (s *solver) judgeSpeed() {
	worst, run, of := 0.0, 0, 0
	sensitive := 0.0
	for _, g := range s.m.groups {
		slope := s.m.c.Sensors[g.sensor].Slope
		sensitive = math.Max(sensitive, math.Abs(imag(slope))*180/math.Pi/100)
		for _, o := range g.obs {
			if o.run < 0 || g.speed == 0 || s.m.c.Runs[o.run].Speed == 0 || slope != 0 {
				continue
			}
			off := math.Abs(s.m.c.Runs[o.run].Speed-g.speed) / g.speed
			limit := 0.01 // without a tolerance: 1 %, common practice, no source
			if tol := s.m.c.Sensors[g.sensor].Tolerance; tol > 0 {
				limit = tol / 3 / (belowResonance * math.Max(cmplx.Abs(o.y), tol))
			}
			if off/limit > worst {
				worst, run, of = off/limit, o.run, g.sensor
			}
		}
	}
	if worst > 1 {
		r := s.m.c.Runs[run]
		s.a.verdict("speed-differed", fmt.Sprintf("Run %s was taken at %.4g rpm while the mean is %.4g rpm; below a resonance that alone may change the vector of sensor %s by %.1f times what is tolerable. Repeat it at the common speed, or give the slope of the vectors over speed so that it can be taken out.",
			called(r.Name, run), rpm(r.Speed), rpm(s.groupSpeed(of)), called(s.m.c.Sensors[of].Name, of), worst))
	}
	switch {
	case sensitive > 4:
		s.a.verdict("resonance-near", fmt.Sprintf("The phase turns by %.1f degrees per percent of speed: the rotor runs on a resonance, and the answer holds for this speed only. Change speed or stiffness before balancing, or hold the speed far steadier than usual.", sensitive))
	case sensitive > 1:
		s.a.verdict("resonance-near", fmt.Sprintf("The phase turns by %.1f degrees per percent of speed: a resonance is near. Hold the speed steady and normalise every run to one speed.", sensitive))
	}
}

// belowResonance is the exponent of the vector over speed that is assumed where
// none was measured: 3 + 2r^2/(1-r^2) at half the natural frequency.
const belowResonance = 3.7

func (s *solver) groupSpeed(sensor int) float64 {
	for _, g := range s.m.groups {
		if g.sensor == sensor {
			return g.speed
		}
	}
	return 0
}

// judgeStates says how far hot and cold are apart.
func (s *solver) judgeStates() {
	worst, sensor := 0.0, 0
	var states []string
	for _, g := range s.m.groups {
		for k := range g.states {
			if d := cmplx.Abs(g.x[k] - g.x[0]); d > worst {
				worst, sensor, states = d, g.sensor, []string{g.states[0], g.states[k]}
			}
		}
	}
	if worst > 0 {
		what := "The answer is for the state of the last run; ask for a compromise to serve both."
		if s.o.Compromise {
			what = "The answer is a compromise between them and is right for neither."
		}
		s.a.verdict("states-differ", fmt.Sprintf("The as-found vector of sensor %s differs by %.3g between the states %q and %q. %s",
			called(s.m.c.Sensors[sensor].Name, sensor), worst, states[0], states[1], what))
	}
}

func (s *solver) judgeCaps() {
	free := problem{v0: s.all.v0, a: s.all.a}
	if len(s.rows) < s.all.a.cols {
		return
	}
	need := free.leastSquares()
	for p, cap := range s.all.caps {
		if cap > 0 && cmplx.Abs(s.w[p]) > cap*(1-1e-4) {
			s.a.verdict("cap-reached", fmt.Sprintf("Plane %q may carry %.4g g and least squares without that limit would want %.4g g at %.0f deg (with rotation). The answer keeps to the limit and leaves more vibration; add a plane, use a larger radius or remove material on the other side.",
				s.m.c.Planes[p].Name, cap*1e3, cmplx.Abs(need[p])*1e3, rotor.WithRotation.Degrees(cmplx.Phase(need[p]))))
		}
	}
}

// judgeForces says where the force of a weight cannot be known, and otherwise
// compares it with the rotor's weight.
func judgeForces(c *Case, a *Answer) {
	var missing []string
	if topSpeed(c) == 0 {
		missing = append(missing, "the speed")
	}
	for _, p := range c.Planes {
		if p.Radius == 0 {
			missing = append(missing, fmt.Sprintf("the radius of plane %q", p.Name))
		}
	}
	if c.Machine.Mass == 0 {
		missing = append(missing, "the rotor's mass")
	}
	if len(missing) > 0 {
		a.verdict("force-unknown", fmt.Sprintf("The force of a weight on its fastener is unknown, because %s is not given. Work it out (mass x radius x angular speed squared) and compare it with what the fastener carries before any weight is fitted.", strings.Join(missing, " and ")))
		return
	}
	for i, k := range a.Corrections {
		f := rotor.Force(cmplx.Abs(k.Total), c.Planes[i].Radius, topSpeed(c))
		if share := f / (c.Machine.Mass * gravity); share > 0.5 {
			a.verdict("force-large", fmt.Sprintf("The correction in plane %q pulls with %.0f N at the highest speed, %.0f %% of the rotor's weight. Check fastener and structure, and look for a cause other than unbalance first.", k.Plane, f, 100*share))
		}
	}
}

const gravity = 9.80665 // m/s^2, standard acceleration of free fall (CGPM 1901, exact)

// fig writes three significant figures without an exponent.
func fig(x float64) string {
	if x == 0 || !number(x) {
		return fmt.Sprint(x)
	}
	digits := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	step := math.Pow(10, float64(digits))
	return strconv.FormatFloat(math.Round(x*step)/step, 'f', max(0, digits), 64)
}
