package balance

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// judgeTolerance compares the rotor as it stands with the tolerances of the
// sensors and with its balance grade.
func (s *solver) judgeTolerance() {
	s.judgeVibration()
	s.judgeResidual()
}

func (s *solver) judgeVibration() {
	worstNow, worstThen := 0.0, 0.0 // over tolerance
	sure := true
	for i, r := range s.rows {
		g := &s.m.groups[r.group]
		tol := s.m.c.Sensors[g.sensor].Tolerance
		last := &g.obs[len(g.obs)-1]
		for j := range g.obs {
			if g.obs[j].run == len(s.m.c.Runs)-1 {
				last = &g.obs[j]
			}
		}
		if tol == 0 || last.run != len(s.m.c.Runs)-1 {
			return
		}
		v, e := cmplx.Abs(last.y), radius95(last.cov, last.dof)
		worstNow = math.Max(worstNow, v/tol)
		sure = sure && v+e <= tol
		worstThen = math.Max(worstThen, cmplx.Abs(s.a.Predicted[i].Residual)/tol)
	}
	name := called(s.m.c.Runs[len(s.m.c.Runs)-1].Name, len(s.m.c.Runs)-1)
	switch {
	case worstNow <= 1 && sure:
		s.a.verdict("inside-tolerance", fmt.Sprintf("In run %s every sensor is inside its tolerance (worst %.0f %% of it): nothing more is needed.", name, 100*worstNow))
	case worstNow <= 1:
		s.a.verdict("tolerance-undecided", fmt.Sprintf("In run %s the worst sensor shows %.0f %% of its tolerance, and its error could carry it outside: measure longer before closing the job.", name, 100*worstNow))
	case worstThen > 1:
		s.a.verdict("tolerance-not-reached", fmt.Sprintf("Even the best weights in these planes leave %.1f times the tolerance at the worst sensor. Add a plane, or look for causes that weights cannot cure: track and pitch of the blades, looseness, a resonance.", worstThen))
	}
}

// judgeResidual turns the weight still wanting into residual unbalance and holds
// it against the grade.
func (s *solver) judgeResidual() {
	c := s.m.c
	speed := c.Machine.Speed
	if c.Machine.Grade == 0 || c.Machine.Mass == 0 || speed == 0 {
		return
	}
	per := rotor.PermissibleUnbalance(c.Machine.Grade, c.Machine.Mass, speed)
	total, err := 0.0, 0.0
	for p, k := range s.a.Corrections {
		r := c.Planes[p].Radius
		if r == 0 {
			return
		}
		total += cmplx.Abs(k.Further) * r
		if s.furtherCov != nil {
			err += radius95(s.furtherCov[p].cov, s.furtherCov[p].dof()) * r
		}
	}
	text := fmt.Sprintf("The rotor as it stands in the last run wants %s g mm, against %s g mm permitted by grade G %g at %.4g rpm", fig(total*1e6), fig(per*1e6), c.Machine.Grade*1e3, rpm(speed))
	if s.furtherCov != nil {
		text += fmt.Sprintf(" (error of the figure %s g mm, 95 %%)", fig(err*1e6))
	}
	if rotor.Accept(total, err, per, rotor.Balancer) {
		s.a.verdict("inside-grade", text+": it is inside, the error counted against it.")
	} else {
		s.a.verdict("outside-grade", text+": it is not yet shown to be inside.")
	}
}
