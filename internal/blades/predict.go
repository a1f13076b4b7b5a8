package blades

import (
	"errors"
	"math"
	"math/cmplx"

	"counterpoise/internal/rotor"
)

// Verdict is a judgement with its numbers and what to do about it.
type Verdict struct {
	Code string // stable key, kebab-case
	Text string // one or two sentences: what, how much, what to do
}

// Pair is the two equal and opposite weights that would cancel a couple (kg
// m^2) in the two outermost planes, which need a radius and different places
// along the shaft: with L = z2 - z1, W2 r2 = -C/L and W1 r1 = +C/L.
func Pair(couple complex128, planes []rotor.Plane) ([]rotor.Weight, error) {
	a, b, err := outermost(planes)
	if err != nil {
		return nil, err
	}
	l := complex(planes[b].Z-planes[a].Z, 0)
	weight := func(p rotor.Plane, moment complex128) rotor.Weight {
		return rotor.Weight{Plane: p.Name, Mass: cmplx.Abs(moment) / p.Radius, Angle: cmplx.Phase(moment), Radius: p.Radius}
	}
	return []rotor.Weight{weight(planes[a], couple/l), weight(planes[b], -couple/l)}, nil
}

// outermost finds the two planes furthest apart, upstream one first.
func outermost(planes []rotor.Plane) (a, b int, err error) {
	for i, p := range planes {
		if p.Z < planes[a].Z {
			a = i
		}
		if p.Z > planes[b].Z {
			b = i
		}
	}
	if len(planes) < 2 || planes[a].Z == planes[b].Z {
		return 0, 0, errors.New("a couple needs two planes at different places along the shaft: state z of both planes")
	}
	if planes[a].Radius <= 0 || planes[b].Radius <= 0 {
		return 0, 0, errors.New("the weights against a couple need the radius of both planes: state it")
	}
	return a, b, nil
}

// Carried is the couple (kg m^2 about the plane of the blades at fanZ) and the
// static unbalance (kg m) that a rotor carries when correction (complex kg per
// plane, at the plane's radius) would cancel them.
func Carried(planes []rotor.Plane, correction []complex128, fanZ float64) (couple, static complex128) {
	for i, p := range planes {
		u := -correction[i] * complex(p.Radius, 0)
		static += u
		couple += u * complex(p.Z-fanZ, 0)
	}
	return couple, static
}

// Answer is how one sensor answers geometry at running speed.
type Answer struct {
	Couple complex128 // vibration per kg m^2 of couple
	Static complex128 // vibration per kg m of static unbalance in the fan plane

	// Doubts are what one standard deviation per axis of each coefficient does to
	// the two. Planes close together make a couple out of the small difference of
	// two coefficients, so this must not be waved through as a percentage.
	Doubts []Doubt
}

// Times is the answer in another unit of vibration.
func (a Answer) Times(f float64) Answer {
	out := Answer{Couple: a.Couple * complex(f, 0), Static: a.Static * complex(f, 0)}
	for _, d := range a.Doubts {
		out.Doubts = append(out.Doubts, Doubt{d.Couple * complex(f, 0), d.Static * complex(f, 0)})
	}
	return out
}

// Answers turns influence coefficients (vibration per kg at the plane's
// radius, one row per sensor, one column per plane) into the answer to a couple
// and to a static unbalance in the plane of the blades at fanZ (m). Linear in
// z: exact for a rigid rotor.
func Answers(planes []rotor.Plane, influence [][]complex128, fanZ float64) ([]Answer, error) {
	return UncertainAnswers(planes, influence, nil, fanZ)
}

// UncertainAnswers is Answers of coefficients whose standard deviation per axis
// is known, in the same shape; nil = exact.
func UncertainAnswers(planes []rotor.Plane, influence [][]complex128, sd [][]float64, fanZ float64) ([]Answer, error) {
	a, b, err := outermost(planes)
	if err != nil {
		return nil, err
	}
	l := planes[b].Z - planes[a].Z
	out := make([]Answer, len(influence))
	for s, row := range influence {
		if len(row) != len(planes) {
			return nil, errors.New("influence needs one coefficient per plane for every sensor: correct its shape")
		}
		pa, pb := row[a]/complex(planes[a].Radius, 0), row[b]/complex(planes[b].Radius, 0)
		armA, armB := (planes[b].Z-fanZ)/l, (fanZ-planes[a].Z)/l
		out[s] = Answer{Couple: (pb - pa) / complex(l, 0), Static: pa*complex(armA, 0) + pb*complex(armB, 0)}
		if sd != nil {
			da, db := sd[s][a]/planes[a].Radius, sd[s][b]/planes[b].Radius
			out[s].Doubts = []Doubt{{complex(-da/l, 0), complex(da*armA, 0)}, {complex(db/l, 0), complex(db*armB, 0)}}
		}
	}
	return out, nil
}

// Change is a predicted change of the 1x vector of one sensor.
type Change struct {
	V        complex128 // in the unit of the influence coefficients, peak phasor
	Cov      rotor.Cov
	Radius95 float64 // 95 % circle
}

// Predict is what an effect shows at each sensor.
func (e Effect) Predict(answers []Answer) []Change {
	out := make([]Change, len(answers))
	for i, a := range answers {
		v := a.Couple*e.Couple() + a.Static*e.Static()
		cov := e.seen(a.Couple, a.Static)
		for _, d := range a.Doubts {
			q := cmplx.Abs(d.Couple*e.Couple() + d.Static*e.Static())
			cov = cov.Add(rotor.Isotropic(q * q))
		}
		out[i] = Change{V: v, Cov: cov, Radius95: Radius95(cov)}
	}
	return out
}

// Moving is the effect of moving blades by track (m, + downstream) and pitch
// (rad, + steeper), either of which may be nil. A move is made until the
// reading is right, so its error is that of two readings.
func (s *Survey) Moving(g Geometry, track, pitch []float64) Effect {
	f := newForms(s, g)
	return f.effect(track, pitch, moveErrors(track, g.Track), moveErrors(pitch, g.Pitch))
}

func moveErrors(move []float64, c Column) []float64 {
	if move == nil {
		return nil
	}
	sd := make([]float64, len(move))
	for i, d := range move {
		if d != 0 && i < len(c.SD) {
			sd[i] = math.Hypot(c.SD[i], c.Repeat)
		}
	}
	return sd
}
