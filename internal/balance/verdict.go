package balance

import (
	"fmt"
	"math"
	"math/cmplx"
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
		a.verdict("force-unknown", fmt.Sprintf("The force of a weight on its fastener is unknown; missing: %s. Work it out (mass x radius x angular speed squared) and compare it with what the fastener carries before any weight is fitted.", strings.Join(missing, ", ")))
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
