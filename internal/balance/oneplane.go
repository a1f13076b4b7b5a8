package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
)

// OnePlaneCall is the verdict on whether one plane is enough.
type OnePlaneCall struct {
	Enough float64 // probability that one plane brings every sensor inside its tolerance
	Best   float64 // worst sensor over tolerance with the best weight for the estimate
	Verdict
}

// OnePlane asks, after a trial in one plane alone, whether a weight there can
// bring every sensor inside its tolerance at once: r1 = min over w of the largest
// |V0 + a w|/tol. It is evaluated for 200 draws of what the readings leave open;
// above 0.9 of them one plane is enough, below 0.1 it is not, between it is open.
// The case may list more planes; only runs without weights elsewhere are used.
// It needs two sensors, tolerances and stated errors.
func OnePlane(c Case, plane string, o Options) (OnePlaneCall, error) {
	one := c
	one.Planes, one.Runs = nil, nil
	for _, p := range c.Planes {
		if p.Name == plane {
			one.Planes = append(one.Planes, p)
		}
	}
	for _, r := range c.Runs {
		here := true
		for _, w := range r.Weights {
			here = here && w.Plane == plane
		}
		if here {
			one.Runs = append(one.Runs, r)
		}
	}
	if err := Check(&one); err != nil {
		return OnePlaneCall{}, err
	}
	m, err := newModel(&one, nil)
	if err != nil {
		return OnePlaneCall{}, err
	}
	m.estimate()
	s := solver{m: m, o: o, a: &Answer{}}
	s.pickRows()
	if err := s.checkAlike(); err != nil {
		return OnePlaneCall{}, err
	}
	call, why := s.onePlane()
	if why != "" {
		return OnePlaneCall{}, fmt.Errorf("whether one plane is enough cannot be judged: %s", why)
	}
	return call, nil
}

func (s *solver) judgeOnePlane() {
	if len(s.m.c.Planes) != 1 {
		return
	}
	if call, why := s.onePlane(); why == "" {
		s.a.Verdicts = append(s.a.Verdicts, call.Verdict)
	}
}

func (s *solver) onePlane() (call OnePlaneCall, why string) {
	n := len(s.rows)
	tol := make([]float64, n)
	for i, r := range s.rows {
		tol[i] = s.m.c.Sensors[s.m.groups[r.group].sensor].Tolerance
		if !(tol[i] > 0) {
			return call, "every sensor needs a tolerance"
		}
	}
	if n < 2 {
		return call, "it takes two sensors, best at both ends, because one weight can always silence one sensor"
	}
	if !s.m.known {
		return call, "every reading needs its standard error"
	}
	scaled := problem{v0: make([]complex128, n), a: newMatrix(n, 1)}
	fill := func(dx func(i int) (v0, a complex128)) {
		for i := range n {
			dv, da := dx(i)
			scaled.v0[i] = (s.all.v0[i] + dv) / complex(tol[i], 0)
			scaled.a.set(i, 0, (s.all.a.at(i, 0)+da)/complex(tol[i], 0))
		}
	}
	worst := func() float64 {
		w, _, _ := scaled.lawson(0.01, 60)
		big := 0.0
		for _, r := range scaled.residuals(w) {
			big = math.Max(big, cmplx.Abs(r))
		}
		return big
	}
	fill(func(int) (complex128, complex128) { return 0, 0 })
	call.Best = worst()
	d := newDraws(s, 1)
	d.rng = rand.New(rand.NewPCG(s.o.Seed, 0x51ab))
	const draws = 200
	for range draws {
		d.err()
		fill(func(i int) (complex128, complex128) {
			dx := d.dx[s.rows[i].group]
			return dx[s.rows[i].state], dx[len(dx)-1]
		})
		// Noise on many sensors pushes the worst row up: the estimate stands above
		// the truth as the draws stand above the estimate, so they are reflected.
		if 2*call.Best-worst() <= 1 {
			call.Enough += 1.0 / draws
		}
	}
	call.Verdict = s.onePlaneVerdict(call)
	return call, ""
}

func (s *solver) onePlaneVerdict(call OnePlaneCall) Verdict {
	name := s.m.c.Planes[0].Name
	best := fmt.Sprintf("the best weight in plane %q leaves the worst sensor at %.0f %% of its tolerance (probability of being inside %.0f %%)", name, 100*call.Best, 100*call.Enough)
	switch {
	case call.Enough > 0.9:
		return Verdict{"one-plane-enough", "One plane is enough: " + best + "."}
	case call.Enough < 0.1:
		return Verdict{"one-plane-not-enough", "This rotor cannot be balanced in one plane: " + best + ". Make a trial run in a second plane as far from the first as possible, and look at track and pitch of the blades."}
	}
	return Verdict{"one-plane-undecided", "Whether one plane is enough is undecided: " + best + ". Measure longer or take a larger trial within the safe limit."}
}

// judgeShares splits the correction of two planes whose places along the shaft are
// known into static and couple.
func (s *solver) judgeShares() {
	c := s.m.c
	if len(c.Planes) != 2 || c.Planes[0].Z == c.Planes[1].Z || c.Planes[0].Radius == 0 || c.Planes[1].Radius == 0 {
		return
	}
	u1 := -s.w[0] * complex(c.Planes[0].Radius, 0)
	u2 := -s.w[1] * complex(c.Planes[1].Radius, 0)
	static := u1 + u2
	couple := (u2 - u1) / 2 * complex(c.Planes[1].Z-c.Planes[0].Z, 0)
	s.a.verdict("static-and-couple", fmt.Sprintf("Seen from midway between the planes the rotor's unbalance is %s g mm static at %.0f deg and %s g mm^2 couple at %.0f deg (angles with rotation, the couple's where it is heavy in plane %q).",
		fig(cmplx.Abs(static)*1e6), wrapDeg(static), fig(cmplx.Abs(couple)*1e9), wrapDeg(couple*sign(c.Planes[1].Z-c.Planes[0].Z)), c.Planes[1].Name))
}

func sign(x float64) complex128 {
	if x < 0 {
		return -1
	}
	return 1
}

func wrapDeg(z complex128) float64 { d := math.Mod(deg(cmplx.Phase(z))+360, 360); return d }
