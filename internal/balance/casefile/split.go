package casefile

import (
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// placed shares a correction out to the places of a plane. With no places given
// the weight goes where it belongs.
func (j *Job) placed(p rotor.Plane, total complex128) []Placed {
	if len(p.Positions) == 0 || total == 0 {
		return []Placed{}
	}
	target := j.Convention.Degrees(cmplx.Phase(total))
	out := []Placed{}
	lo, hi, gapLo, gapHi := -1, -1, math.Inf(1), math.Inf(1)
	for i, q := range p.Positions {
		if q.Forbidden {
			continue
		}
		ahead := rotor.WrapDegrees(j.Convention.Degrees(q.Angle) - target)
		if behind := rotor.WrapDegrees(-ahead); behind < gapLo {
			lo, gapLo = i, behind
		}
		if ahead < gapHi {
			hi, gapHi = i, ahead
		}
	}
	add := func(i int, m float64) {
		q := p.Positions[i]
		if q.Radius > 0 && p.Radius > 0 {
			m *= p.Radius / q.Radius
		}
		if m > 1e-9*cmplx.Abs(total) {
			out = append(out, Placed{q.Number, j.Convention.Degrees(q.Angle), m * 1e3})
		}
	}
	span := (gapLo + gapHi) * math.Pi / 180
	switch {
	case lo < 0:
	case lo == hi:
		add(lo, cmplx.Abs(total))
	case span < math.Pi:
		m := cmplx.Abs(total) / math.Sin(span)
		add(lo, m*math.Sin(gapHi*math.Pi/180))
		add(hi, m*math.Sin(gapLo*math.Pi/180))
	}
	return out
}
