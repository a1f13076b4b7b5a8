package job

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// Tolerances is the tolerance of each sensor of the setup (peak, the sensor's
// unit); 0 where none is known. What the setup states comes first; otherwise it
// follows from the machine's grade once trial runs have shown how the sensors
// answer to weights.
func (s State) Tolerances() []float64 {
	t := make([]float64, len(s.Setup.Sensors))
	for i, sen := range s.Setup.Sensors {
		t[i] = sen.Tolerance
		if t[i] == 0 && !sen.Raw {
			t[i] = s.graded
		}
	}
	return t
}

// gradeTolerance is the level that the permissible residual unbalance of the
// machine's grade (ISO 21940-11, see rotor.PermissibleUnbalance) makes at the
// sensor that answers most: the unbalance shared evenly over the planes, their
// effects adding up. How an unbalance tolerance turns into a vibration at given
// sensors no standard says; this rule is our own. 0 where it cannot be known.
func (s State) gradeTolerance() float64 {
	m := s.Setup.Machine
	if !s.lacksTolerance() || !(m.Grade > 0) || !(m.Mass > 0) || !(m.Speed > 0) {
		return 0
	}
	c := s.Case()
	c.Planes = usedPlanes(c)
	for _, p := range c.Planes {
		if !(p.Radius > 0) {
			return 0
		}
	}
	if len(c.Planes) == 0 || len(c.Planes) < len(s.Setup.Planes) && !s.triedAll() {
		return 0
	}
	a, err := balance.Solve(c, balance.Options{})
	if err != nil {
		return 0
	}
	per := rotor.PermissibleUnbalance(m.Grade, m.Mass, m.Speed) / float64(len(c.Planes))
	worst := 0.0
	for _, row := range a.Influence {
		sum := 0.0
		for p, v := range row {
			sum += cmplx.Abs(v) * per / c.Planes[p].Radius
		}
		worst = math.Max(worst, sum)
	}
	return worst
}

func (s State) lacksTolerance() bool {
	for _, sen := range s.Setup.Sensors {
		if sen.Tolerance == 0 && !sen.Raw {
			return true
		}
	}
	return false
}

// triedAll tells whether every plane has had its trial or was left out.
func (s State) triedAll() bool {
	for _, p := range s.Setup.Planes {
		if !s.tried(p.Name) && !s.skipped("trial:"+p.Name) {
			return false
		}
	}
	return true
}
