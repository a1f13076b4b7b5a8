package balance

import (
	"fmt"
	"math"
	"math/cmplx"
)

// enoughEffect is the smallest effect over reading error with which a trial is
// accepted: below 8 the first-order bounds are wrong by more than 8 %.
const enoughEffect = 8

// Rule of thumb of the trade, shown beside the verdict: a trial should change the
// amplitude by 30 % or the phase by 30 degrees. Common practice, no source.
const (
	thumbAmplitude = 0.30
	thumbPhase     = 30 * math.Pi / 180
)

// thumb measures a trial against the rule of thumb at its best sensor.
func (s *solver) thumb(p int) (amplitude, phase float64, run int) {
	run = s.trialOf(p)
	for i, r := range s.rows {
		v0 := s.m.groups[r.group].x[r.state]
		v1 := v0 + s.all.a.at(i, p)*s.m.totals[run][p]
		if v0 == 0 || v1 == 0 {
			continue
		}
		amplitude = math.Max(amplitude, math.Abs(cmplx.Abs(v1)/cmplx.Abs(v0)-1))
		phase = math.Max(phase, math.Abs(cmplx.Phase(v1/v0)))
	}
	return amplitude, phase, run
}

// trialOf is the run with the largest weight in plane p.
func (s *solver) trialOf(p int) (run int) {
	for r, w := range s.m.totals {
		if cmplx.Abs(w[p]) > cmplx.Abs(s.m.totals[run][p]) {
			run = r
		}
	}
	return run
}

// judgeTrial judges the trial weights while there is nothing but trials to go by.
// The bound on the residual decides, not the size of the effect alone: an effect
// of 10 % is plenty on a quiet machine, and 30 % too little on a noisy one.
func (s *solver) judgeTrial() {
	for i := range s.m.groups {
		if g := &s.m.groups[i]; len(g.obs) > len(g.x) {
			return // a correction or a repeat has tested the coefficients since
		}
	}
	for p, plane := range s.m.c.Planes {
		amp, ph, run := s.thumb(p)
		if s.m.totals[run][p] == 0 {
			continue
		}
		beside := fmt.Sprintf("It changed the amplitude by %.0f %% and the phase by %.0f degrees; common practice asks for 30 %% or 30 degrees.", 100*amp, deg(ph))
		if !s.m.known {
			if amp < thumbAmplitude && ph < thumbPhase {
				s.a.verdict("trial-too-small", fmt.Sprintf("The trial in plane %q may be too small. %s No errors were stated, so how far to trust it cannot be said: repeat a reading to see its scatter, or take a larger trial within the safe limit.", plane.Name, beside))
			}
			continue
		}
		s.judgeOneTrial(p, run, beside)
	}
}

func (s *solver) judgeOneTrial(p, run int, beside string) {
	name := s.m.c.Planes[p].Name
	effect := s.effectOverError(p)
	trial := cmplx.Abs(s.m.totals[run][p])
	if effect < enoughEffect {
		want := trial * enoughEffect / effect
		s.a.verdict("trial-too-small", fmt.Sprintf("The trial in plane %q moved no sensor by more than %.1f times its reading error; %d times is needed. %s Raise it to about %.3g g%s, or measure longer.", name, effect, enoughEffect, beside, want*1e3, s.limitWord(p, want)))
		return
	}
	worst, small := 0.0, true // worst 95 % radius over tolerance; against 0.3 |V0|
	for i, r := range s.rows {
		tol := s.m.c.Sensors[s.m.groups[r.group].sensor].Tolerance
		if tol == 0 || s.a.Predicted[i].Radius95 == nil {
			return // nothing to hold it against
		}
		r95 := *s.a.Predicted[i].Radius95
		worst = math.Max(worst, r95/tol)
		small = small && r95 <= math.Max(tol, 0.3*cmplx.Abs(s.all.v0[i]))
	}
	switch {
	case worst <= 1:
		s.a.verdict("trial-accepted", fmt.Sprintf("The trial in plane %q is good enough: with it the correction should end within its tolerance (95 %% radius %.0f %% of it). %s", name, 100*worst, beside))
	case small:
		s.a.verdict("trial-expect-trim", fmt.Sprintf("The trial in plane %q will do for a first correction, but its 95 %% radius is %.1f times the tolerance: expect to trim once. %s", name, worst, beside))
	default:
		want := trial * worst
		s.a.verdict("trial-too-small", fmt.Sprintf("With the trial in plane %q the residual could be anywhere within %.1f times the tolerance. %s Raise it to about %.3g g%s, or measure longer.", name, worst, beside, want*1e3, s.limitWord(p, want)))
	}
}

// effectOverError is weakestEffect for one plane.
func (s *solver) effectOverError(p int) (best float64) {
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
	return best
}

// limitWord reminds of the cap where a wanted trial passes it.
func (s *solver) limitWord(p int, want float64) string {
	limit := s.all.caps[p]
	c := s.m.c
	if r, top := c.Planes[p].Radius, topSpeed(c); c.Machine.Mass > 0 && r > 0 && top > 0 {
		if m := firstTrialShare * c.Machine.Mass * gravity / (r * top * top); limit == 0 || m < limit {
			limit = m
		}
	} else if limit == 0 {
		return " if its force allows (it is unknown here)"
	}
	if want > limit {
		return fmt.Sprintf(" - but not above the safe limit of %.3g g", limit*1e3)
	}
	return ""
}

// judgeOneShot judges a correction that rests on stored coefficients alone.
func (s *solver) judgeOneShot() {
	for _, w := range s.m.totals {
		if norm(w) > 0 {
			return
		}
	}
	worst := 0.0
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		tol := s.m.c.Sensors[g.sensor].Tolerance
		if !g.hasPrior() || tol == 0 || s.a.Predicted[i].Radius95 == nil {
			return
		}
		worst = math.Max(worst, (cmplx.Abs(s.a.Predicted[i].Residual)+*s.a.Predicted[i].Radius95)/tol)
	}
	if worst <= 1 {
		s.a.verdict("one-shot", fmt.Sprintf("The stored coefficients are sure enough to correct without a trial: the worst sensor should end within %.0f %% of its tolerance (95 %%). Prove it with a run.", 100*worst))
		return
	}
	s.a.verdict("one-shot-as-trial", fmt.Sprintf("The stored coefficients alone leave the worst sensor anywhere up to %.1f times its tolerance. Fit this correction all the same, as the trial: it is the best trial there is, and the next run will sharpen it.", worst))
}
