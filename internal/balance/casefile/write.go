package casefile

import (
	"io"
	"math"
	"math/cmplx"
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// Result is the answer for people and programs; see the README for the keys.
type Result struct {
	Schema       int           `json:"schema"`
	Convention   string        `json:"convention"`
	Unit         string        `json:"unit,omitempty"`
	Detector     string        `json:"detector"`
	Method       string        `json:"method"`
	Influence    [][]Polar     `json:"influence"`
	AsFound      []Polar       `json:"as_found"`
	Corrections  []Correction  `json:"corrections"`
	Predicted    []Predicted   `json:"predicted"`
	Misfit       float64       `json:"misfit"`
	Condition    *float64      `json:"condition"`
	NoiseGain    *float64      `json:"noise_gain"`
	Certificate  *float64      `json:"certificate"` // min-max only: no weight brings the worst residual (over tolerance, where given) below this
	Directions   []Direction   `json:"directions"`
	Alternatives []Alternative `json:"alternatives"`
	Joint        *Joint        `json:"joint"`         // two planes chosen together; null where each was placed for itself
	FurtherJoint *Joint        `json:"further_joint"` // likewise for what is added to the rotor as it stands
	Suspicion    *Suspicion    `json:"suspicion"`     // whether the runs agree; null where they were not compared
	Verdicts     []Verdict     `json:"verdicts"`

	largest float64 // amplitude of the case, beside which rounding shows as 0
}

// Direction is a combination of planes and how well the sensors see it.
type Direction struct {
	Mix      []Polar  `json:"mix"`           // per plane, a unit vector in all
	Gain     float64  `json:"gain_per_gram"` // length of the response over all sensors
	Radius95 *float64 `json:"radius95_g"`    // of the correction along it
}

// Correction is what to put into one plane.
type Correction struct {
	Plane    string      `json:"plane"`
	MassG    float64     `json:"mass_g"`
	AngleDeg float64     `json:"angle_deg"`
	MassCI   *[2]float64 `json:"mass_ci95_g"`    // [low, high]
	AngleCI  *[2]float64 `json:"angle_ci95_deg"` // [low, high], not wrapped: low <= angle_deg <= high
	Placed   []Placed    `json:"placed"`
	Further  Mass        `json:"further"`

	Placement        *Placement `json:"placement"` // null: nothing to fit, or it could not be placed
	FurtherPlaced    []Placed   `json:"further_placed"`
	FurtherPlacement *Placement `json:"further_placement"`
}

// Placed is one weight at one place.
type Placed struct {
	Position int     `json:"position"`
	AngleDeg float64 `json:"angle_deg"`
	MassG    float64 `json:"mass_g"`
}

// Mass is a mass at an angle.
type Mass struct {
	MassG    float64 `json:"mass_g"`
	AngleDeg float64 `json:"angle_deg"`
}

// Predicted is what a sensor will show.
type Predicted struct {
	Sensor          string   `json:"sensor"`
	SpeedRPM        *float64 `json:"speed_rpm,omitempty"`
	State           string   `json:"state,omitempty"`
	Amplitude       float64  `json:"amplitude"`
	PhaseDeg        float64  `json:"phase_deg"`
	Radius95        *float64 `json:"radius95"`
	Further         float64  `json:"further_amplitude"`
	FurtherRadius95 *float64 `json:"further_radius95"`
	// With the weights as placed, not the exact ones; null where nothing was placed.
	Placed        *float64 `json:"placed_amplitude"`
	FurtherPlaced *float64 `json:"further_placed_amplitude"`
}

// Alternative is another answer that fits.
type Alternative struct {
	Corrections []Correction `json:"corrections"`
	Predicted   []Predicted  `json:"predicted"`
	Misfit      float64      `json:"misfit"`
}

// Verdict is a judgement.
type Verdict struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Result turns an answer outside.
func (j *Job) Result(a balance.Answer) Result {
	k := j.Detector.OfPeak()
	r := Result{
		Schema: 1, Convention: j.Convention.String(), Unit: j.Unit, Detector: j.Detector.String(), Method: j.Options.Method.String(),
		Influence: make([][]Polar, len(a.Influence)), Misfit: a.Misfit * k,
		Condition: number(a.Condition), NoiseGain: number(a.NoiseGain),
		AsFound: []Polar{}, Directions: []Direction{}, Alternatives: []Alternative{}, Verdicts: []Verdict{},
	}
	for i, row := range a.Influence {
		r.Influence[i] = []Polar{}
		for _, v := range row {
			r.Influence[i] = append(r.Influence[i], j.polar(v*complex(k*1e-3, 0)))
		}
	}
	for _, v := range a.AsFound {
		r.AsFound = append(r.AsFound, j.polar(v*complex(k, 0)))
	}
	if j.Options.Method == balance.MinMax {
		v := a.MinBound
		if !j.weighted() {
			v *= k
		}
		r.Certificate = &v
	}
	for _, d := range a.Directions {
		o := Direction{Gain: d.Gain * k * 1e-3}
		for _, z := range d.Mix {
			o.Mix = append(o.Mix, j.polar(z))
		}
		if d.Error != nil {
			g := *d.Error * 1e3
			o.Radius95 = &g
		}
		r.Directions = append(r.Directions, o)
	}
	for _, run := range j.Case.Runs {
		for _, v := range run.Vectors {
			if x := cmplx.Abs(v.V) * k; !v.Missing && x > r.largest {
				r.largest = x
			}
		}
	}
	r.Predicted = j.predicted(a.Rows, a.Predicted)
	r.Corrections = j.corrections(a.Corrections)
	notes := append(slices.Clone(j.notes), j.place(&r, a)...)
	for _, alt := range a.Alternatives {
		cs := j.corrections(alt.Corrections)
		if len(cs) == len(j.Case.Planes) {
			j.show(cs, j.arrange(j.total(alt.Corrections)), false)
		}
		r.Alternatives = append(r.Alternatives, Alternative{cs, j.predicted(a.Rows, alt.Predicted), alt.Misfit * k})
	}
	if s, v := j.suspect(); s != nil {
		r.Suspicion = s
		notes = append(notes, v...)
	}
	for _, v := range append(a.Verdicts, notes...) {
		if !r.has(v) {
			r.Verdicts = append(r.Verdicts, Verdict(v))
		}
	}
	return r
}

// weighted says whether residuals were divided by tolerances.
func (j *Job) weighted() bool {
	for _, s := range j.Case.Sensors {
		if s.Tolerance > 0 {
			return true
		}
	}
	return false
}

// has keeps the solver and the split from saying the same thing twice.
func (r *Result) has(v balance.Verdict) bool {
	return slices.ContainsFunc(r.Verdicts, func(w Verdict) bool {
		return w.Text == v.Text || w.Code == v.Code && v.Code == "force-unknown"
	})
}

// number is nil for what JSON cannot hold.
func number(x float64) *float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func (j *Job) polar(v complex128) Polar {
	a, d := j.Convention.Polar(v)
	return Polar{a, d}
}

func (j *Job) corrections(cs []balance.Correction) []Correction {
	out := []Correction{}
	for _, c := range cs {
		m, d := j.Convention.Polar(c.Total)
		fm, fd := j.Convention.Polar(c.Further)
		o := Correction{Plane: c.Plane, MassG: m * 1e3, AngleDeg: d, Further: Mass{fm * 1e3, fd}, Placed: []Placed{}, FurtherPlaced: []Placed{}}
		if c.Mass != nil {
			o.MassCI = &[2]float64{c.Mass.Lo * 1e3, c.Mass.Hi * 1e3}
		}
		if c.Angle != nil {
			o.AngleCI = j.angles(c.Total, d, *c.Angle)
		}
		out = append(out, o)
	}
	return out
}

// angles writes an interval about the angle d as people count it.
func (j *Job) angles(v complex128, d float64, in balance.Interval) *[2]float64 {
	below, above := (cmplx.Phase(v)-in.Lo)*180/math.Pi, (in.Hi-cmplx.Phase(v))*180/math.Pi
	if j.Convention == rotor.AgainstRotation {
		below, above = above, below
	}
	return &[2]float64{d - below, d + above}
}

func (j *Job) predicted(rows []balance.Row, ps []balance.Prediction) []Predicted {
	k := j.Detector.OfPeak()
	scaled := func(x *float64) *float64 {
		if x == nil {
			return nil
		}
		v := *x * k
		return &v
	}
	several := false
	for _, r := range rows {
		several = several || math.Abs(r.Speed-rows[0].Speed) > 1e-3*rows[0].Speed
	}
	out := []Predicted{}
	for i, p := range ps {
		amp, d := j.Convention.Polar(p.Residual)
		o := Predicted{Sensor: j.Case.Sensors[rows[i].Sensor].Name, State: rows[i].State, Amplitude: amp * k, PhaseDeg: d,
			Radius95: scaled(p.Radius95), Further: cmplx.Abs(p.FurtherResidual) * k, FurtherRadius95: scaled(p.FurtherRadius95)}
		if several {
			v := rotor.RPM(rows[i].Speed)
			o.SpeedRPM = &v
		}
		out = append(out, o)
	}
	return out
}

// Write writes a result as indented JSON.
func (r Result) Write(w io.Writer) error { return WriteJSON(w, r) }
