package casefile

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// Placement is how a correction is made from the weights there are.
type Placement struct {
	Target    Mass       `json:"target"`
	PutOn     []PutOn    `json:"put_on"`
	TakenOff  []Existing `json:"taken_off"`
	Weights   int        `json:"weights"` // put on and taken off
	Residual  Mass       `json:"residual"`
	Reached   bool       `json:"reached"`
	AtLeast   int        `json:"at_least"`   // proven: fewer weights do not reach it; 0 = no number of them does, or not proven
	Complete  bool       `json:"complete"`   // proven: no fewer weights reach it, and no choice of this many comes nearer
	Tradeoff  []Step     `json:"tradeoff"`   // by number of weights
	StockLeft []int      `json:"stock_left"` // null where no stock was stated
	Instead   *Placement `json:"instead"`    // where the box does not reach: with a weight cut to size
	Words     []string   `json:"words"`      // to be read over a radio; null unless seen_from and turns are stated
	Drawing   string     `json:"drawing_svg,omitempty"`
}

// PutOn is what is put on one place.
type PutOn struct {
	Position int      `json:"position"` // 0 = a free angle
	AngleDeg float64  `json:"angle_deg"`
	RadiusMM *float64 `json:"radius_mm"`
	MassG    float64  `json:"mass_g"`
	ForceN   *float64 `json:"force_n"` // of this mass at the highest speed; null = unknown
	Pieces   []Piece  `json:"pieces"`
}

// Piece is one weight.
type Piece struct {
	MassG float64 `json:"mass_g"`
	From  int     `json:"from_position,omitempty"` // it sits there now; else it comes from the box
	Cut   bool    `json:"cut,omitempty"`           // to be cut or bought to this mass
}

// Step is one line of the trade-off: the least residual of this many weights, and
// below which no choice of as many can come (equal where the search was complete).
type Step struct {
	Weights   int     `json:"weights"`
	ResidualG float64 `json:"residual_g"`
	BoundG    float64 `json:"bound_g"`
	MassG     float64 `json:"mass_g"`
}

// Joint says what two planes chosen together leave at the worst sensor.
type Joint struct {
	Worst        float64     `json:"worst"`
	Separate     *float64    `json:"separate"` // had each plane taken what is nearest to its own target; null = the box cannot give it
	GoodEnough   float64     `json:"good_enough"`
	InTolerances bool        `json:"in_tolerances"` // these figures are multiples of the tolerance, else in the unit of the case
	Reached      bool        `json:"reached"`
	Complete     bool        `json:"complete"`
	Tradeoff     []JointStep `json:"tradeoff"`
}

// JointStep is one line of its trade-off.
type JointStep struct {
	Weights [2]int  `json:"weights"`
	Worst   float64 `json:"worst"`
	Bound   float64 `json:"bound"`
}

// place shares the corrections out and writes them, and what the sensors will
// then show, into the result.
func (j *Job) place(r *Result, a balance.Answer) []balance.Verdict {
	if len(r.Corrections) != len(j.Case.Planes) {
		return nil
	}
	var rest, furtherRest []complex128
	for _, p := range a.Predicted {
		rest, furtherRest = append(rest, p.Residual), append(furtherRest, p.FurtherResidual)
	}
	total := j.arrange(j.judged(j.total(a.Corrections), a, rest))
	j.show(r.Corrections, total, false)
	r.Joint = j.joint(total)
	further := j.arrange(j.judged(j.further(a.Corrections), a, furtherRest))
	j.show(r.Corrections, further, true)
	r.FurtherJoint = j.joint(further)

	var over []string
	for i := range r.Predicted {
		if i >= len(a.Influence) {
			break
		}
		put, add := j.after(a.Influence[i], rest[i], total), j.after(a.Influence[i], furtherRest[i], further)
		r.Predicted[i].Placed, r.Predicted[i].FurtherPlaced = put, add
		k := j.Detector.OfPeak()
		if s := j.Case.Sensors[a.Rows[i].Sensor]; put != nil && s.Tolerance > 0 && *put > s.Tolerance*k && cmplx.Abs(rest[i]) <= s.Tolerance {
			over = append(over, fmt.Sprintf("%s should show %s, its tolerance is %s", s.Name, figure(*put), figure(s.Tolerance*k)))
		}
	}
	notes := total.notes
	for _, n := range further.notes {
		if !slices.ContainsFunc(notes, func(m balance.Verdict) bool { return m.Text == n.Text }) {
			n.Text = "What is added to the rotor as it stands: " + n.Text
			notes = append(notes, n)
		}
	}
	if len(over) > 0 {
		notes = append(notes, balance.Verdict{Code: "placed-over-tolerance", Text: fmt.Sprintf(
			"The exact weights would do, the weights on the real places do not: with them %s. Bring other masses, use another radius or free a place.", listed(over))})
	}
	return notes
}

// after is the amplitude of a row with the weights as placed; nil where a plane
// that needs a weight has none.
func (j *Job) after(influence []complex128, rest complex128, s spread) *float64 {
	any := false
	for i, p := range s.planes {
		if p != nil {
			rest += influence[i] * p.Residual
			any = true
		}
	}
	v := cmplx.Abs(rest) * j.Detector.OfPeak()
	if !any || s.missing || math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// show writes what was placed into the corrections.
func (j *Job) show(cs []Correction, s spread, further bool) {
	for i, got := range s.planes {
		if got == nil {
			continue
		}
		p := j.Case.Planes[i]
		out := j.placement(*got, p)
		placed := []Placed{}
		if len(p.Positions) > 0 || len(p.Masses) > 0 { // else it goes where it belongs
			for _, q := range out.PutOn {
				placed = append(placed, Placed{q.Position, q.AngleDeg, q.MassG})
			}
		}
		if further {
			cs[i].FurtherPlaced, cs[i].FurtherPlacement = placed, &out
		} else {
			cs[i].Placed, cs[i].Placement = placed, &out
		}
	}
}

func (j *Job) placement(got place.Placement, p rotor.Plane) Placement {
	out := Placement{Target: j.mass(got.Target), PutOn: []PutOn{}, TakenOff: []Existing{}, Weights: got.Weights, Residual: j.mass(got.Residual),
		Reached: got.Reached, AtLeast: got.AtLeast, Complete: got.Complete, Tradeoff: []Step{}, StockLeft: got.Left}
	for _, q := range got.Placed {
		o := PutOn{Position: q.Number, AngleDeg: j.Convention.Degrees(q.Angle), MassG: q.Mass * 1e3, RadiusMM: number(q.Radius * 1e3), Pieces: []Piece{}}
		o.ForceN = number(rotor.Force(q.Mass, q.Radius, j.topSpeed()))
		for _, w := range q.Pieces {
			o.Pieces = append(o.Pieces, Piece{w.Mass * 1e3, w.From, w.Cut})
		}
		out.PutOn = append(out.PutOn, o)
	}
	for _, f := range got.Removed {
		out.TakenOff = append(out.TakenOff, Existing{Position: f.Position, MassG: f.Mass * 1e3})
	}
	for _, t := range got.Tradeoff {
		out.Tradeoff = append(out.Tradeoff, Step{t.Weights, finite(t.Residual * 1e3), finite(t.Bound * 1e3), finite(t.Mass * 1e3)})
	}
	if got.Instead != nil {
		in := j.placement(*got.Instead, p)
		out.Instead = &in
	}
	if j.view.From != "" { // Words and Drawing fail on nothing else
		out.Words, _ = got.Words(j.view)
		out.Drawing, _ = place.Drawing(got, p, j.view)
	}
	return out
}

func (j *Job) mass(v complex128) Mass {
	m, d := j.Convention.Polar(v)
	return Mass{m * 1e3, d}
}

func (j *Job) joint(s spread) *Joint {
	if s.joint == nil {
		return nil
	}
	t := *s.joint
	o := &Joint{InTolerances: true, Reached: t.Reached, Complete: t.Complete, Tradeoff: []JointStep{}}
	k := 1.0
	for _, sensor := range j.Case.Sensors {
		if !(sensor.Tolerance > 0) {
			o.InTolerances, k = false, j.Detector.OfPeak()
		}
	}
	o.Worst, o.GoodEnough = finite(t.Worst*k), finite(t.Accept*k)
	if !math.IsNaN(t.Separate) && !math.IsInf(t.Separate, 0) {
		v := t.Separate * k
		o.Separate = &v
	}
	for _, step := range t.Tradeoff {
		o.Tradeoff = append(o.Tradeoff, JointStep{step.Weights, finite(step.Worst * k), finite(step.Bound * k)})
	}
	return o
}
