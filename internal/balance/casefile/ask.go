package casefile

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"counterpoise/internal/balance"
	"counterpoise/internal/rotor"
)

// TrialResult is the advice on a trial weight for each plane of a case.
type TrialResult struct {
	Schema     int          `json:"schema"`
	Convention string       `json:"convention"`
	Planes     []TrialPlane `json:"planes"`
	Cautions   string       `json:"cautions"`
}

// TrialPlane is the advice for one plane; mass_g is null where none is advised.
type TrialPlane struct {
	Plane    string      `json:"plane"`
	MassG    *float64    `json:"mass_g"`
	AngleDeg *float64    `json:"angle_deg"` // null: any place will do
	Position *int        `json:"position"`
	CapG     *float64    `json:"cap_g"`
	CapWhy   string      `json:"cap_reason,omitempty"`
	Rules    []TrialRule `json:"rules"`
	Verdicts []Verdict   `json:"verdicts"`
}

// TrialRule is what one rule wants.
type TrialRule struct {
	Name  string  `json:"name"`
	MassG float64 `json:"mass_g"`
	Text  string  `json:"text"`
}

// Trial advises a trial weight for every plane from the as-found run and what the
// case knows of the machine. confirmed lifts the first-trial limit where the effect
// is known; the other limits stay.
func (j *Job) Trial(confirmed bool) (TrialResult, error) {
	out := TrialResult{Schema: 1, Convention: j.Convention.String(), Planes: []TrialPlane{}, Cautions: cautions}
	found := -1
	for i, r := range j.Case.Runs {
		if len(r.Weights) == 0 {
			found = i
		}
	}
	if found < 0 {
		return out, errors.New("the case has no run without weights: measure the rotor as found before a trial is advised")
	}
	for p := range j.Case.Planes {
		advice, err := balance.AdviseTrial(j.question(found, p, confirmed))
		if err != nil {
			return out, err
		}
		out.Planes = append(out.Planes, j.trialPlane(j.Case.Planes[p].Name, advice))
	}
	return out, nil
}

func (j *Job) question(run, plane int, confirmed bool) balance.TrialQuestion {
	q := balance.TrialQuestion{Machine: j.Case.Machine, Plane: j.Case.Planes[plane], Confirmed: confirmed}
	prior := j.Options.Prior
	known := prior != nil && prior.Usable(&j.Case, j.Options.Print) == ""
	some, all := false, true
	var alpha []complex128
	for s, v := range j.Case.Runs[run].Vectors {
		if v.Missing {
			continue
		}
		q.AsFound, q.Trip = append(q.AsFound, v.V), append(q.Trip, j.trip[s])
		q.Sigma = append(q.Sigma, math.Sqrt(v.Cov.PerAxis()))
		var a complex128
		if known && prior.Sure(s, plane) {
			a, some = prior.Mean[s][plane], true
		}
		alpha, all = append(alpha, a), all && a != 0 && !v.NoPhase
	}
	if some {
		q.Alpha, q.Phase = alpha, all
	}
	return q
}

func (j *Job) trialPlane(name string, a balance.TrialAdvice) TrialPlane {
	o := TrialPlane{Plane: name, CapWhy: a.CapWhy, Rules: []TrialRule{}, Verdicts: []Verdict{}}
	if a.Mass > 0 {
		m := a.Mass * 1e3
		o.MassG = &m
		if a.Placed {
			d := j.Convention.Degrees(a.Angle)
			o.AngleDeg = &d
		}
		if a.Position > 0 {
			o.Position = &a.Position
		}
	}
	if a.Cap > 0 {
		c := a.Cap * 1e3
		o.CapG = &c
	}
	for _, r := range a.Rules {
		o.Rules = append(o.Rules, TrialRule{r.Name, r.Mass * 1e3, r.Text})
	}
	for _, v := range append(slices.Clone(j.notes), a.Verdicts...) {
		o.Verdicts = append(o.Verdicts, Verdict(v))
	}
	return o
}

// ToleranceResult is the permissible residual unbalance of the machine of a case.
type ToleranceResult struct {
	Schema         int             `json:"schema"`
	Grade          float64         `json:"grade"`
	SpecificUM     float64         `json:"specific_um"`
	PermissibleGMM float64         `json:"permissible_g_mm"`
	Bearings       []BearingShare  `json:"bearings"`
	Zones          *ZonesJSON      `json:"severity_zones"`
	Categories     []rotorCategory `json:"fan_categories"`
	Notes          []string        `json:"notes"`
}

// BearingShare is the part of one bearing plane.
type BearingShare struct {
	Bearing        string  `json:"bearing"`
	PermissibleGMM float64 `json:"permissible_g_mm"`
}

// ZonesJSON are the boundaries of severity, mm/s rms.
type ZonesJSON struct {
	Name string  `json:"name"`
	AB   float64 `json:"a_b_mm_s_rms"`
	BC   float64 `json:"b_c_mm_s_rms"`
	CD   float64 `json:"c_d_mm_s_rms"`
}

type rotorCategory struct {
	Name  string  `json:"name"`
	Grade float64 `json:"grade"`
}

// Tolerance works out the permissible residual unbalance.
func (j *Job) Tolerance() (ToleranceResult, error) {
	m := j.Case.Machine
	if m.Mass == 0 || m.Grade == 0 || m.Speed == 0 {
		return ToleranceResult{}, errors.New("the permissible unbalance follows from mass, grade and speed: give machine.mass_kg, machine.grade and speed_rpm")
	}
	per := rotor.PermissibleUnbalance(m.Grade, m.Mass, m.Speed)
	out := ToleranceResult{Schema: 1, Grade: m.Grade * 1e3, SpecificUM: rotor.SpecificUnbalance(m.Grade, m.Speed) * 1e6,
		PermissibleGMM: per * 1e6, Bearings: []BearingShare{}, Categories: []rotorCategory{}}
	if b := j.bearings; b != nil {
		a, bb, err := rotor.Allocate(per, rotor.Bearings{ToA: b.ToAMM * 1e-3, ToB: b.ToBMM * 1e-3, Overhung: b.Overhung})
		if err != nil {
			return out, err
		}
		out.Bearings = []BearingShare{{"A", a * 1e6}, {"B", bb * 1e6}}
		out.Notes = append(out.Notes, "bearing shares: lever rule with limits, "+rotor.FromMemory)
	}
	if z, ok := rotor.ZonesFor(m); ok {
		out.Zones = &ZonesJSON{z.Name, z.AB * 1e3, z.BC * 1e3, z.CD * 1e3}
		out.Notes = append(out.Notes, "severity zones, overall rms 10 to 1000 Hz, below 600 rpm from 2 Hz: "+rotor.FromMemory)
	}
	for _, c := range rotor.FanCategories {
		out.Categories = append(out.Categories, rotorCategory{c.Name, c.Grade})
	}
	for _, v := range j.notes {
		out.Notes = append(out.Notes, v.Text)
	}
	out.Notes = append(out.Notes, "grades of the fan categories were read in secondary tables; their limits of vibration: "+rotor.FromMemory)
	return out, nil
}

// Proof is a proof of residual unbalance with a moving test weight.
type Proof struct {
	Convention     string  `json:"convention"`
	TestGMM        float64 `json:"test_unbalance_g_mm"`
	PermissibleGMM float64 `json:"permissible_g_mm,omitempty"`
	Readings       []struct {
		AngleDeg *float64 `json:"angle_deg"`
		Value    *float64 `json:"value"`
	} `json:"readings"`
}

// ProofResult answers it.
type ProofResult struct {
	Schema      int       `json:"schema"`
	ResidualGMM float64   `json:"residual_g_mm"`
	AngleDeg    float64   `json:"angle_deg"`
	ErrorGMM    float64   `json:"standard_error_g_mm"`
	Radius95GMM float64   `json:"radius95_g_mm"` // 95 %; 0 where the readings leave nothing to judge by
	ExtremesGMM float64   `json:"by_extremes_g_mm"`
	Scatter     float64   `json:"scatter"`
	Accepted    *bool     `json:"accepted"` // null: no permissible unbalance was given
	Verdicts    []Verdict `json:"verdicts"`
}

// Prove reads and answers a proof.
func Prove(r io.Reader) (ProofResult, error) {
	b, err := io.ReadAll(io.LimitReader(r, limit))
	if err != nil {
		return ProofResult{}, fmt.Errorf("the proof could not be read: %w", err)
	}
	var p Proof
	ignored, err := decode(b, &p)
	if err != nil {
		return ProofResult{}, err
	}
	c, err := rotor.ParseConvention(p.Convention)
	if err != nil {
		return ProofResult{}, err
	}
	q := balance.TestWeight{Test: p.TestGMM}
	for i, v := range p.Readings {
		if v.AngleDeg == nil || v.Value == nil {
			return ProofResult{}, fmt.Errorf("reading %d lacks angle_deg or value: give both", i+1)
		}
		q.Angles, q.Readings = append(q.Angles, c.Radians(*v.AngleDeg)), append(q.Readings, *v.Value)
	}
	a, err := balance.ProveResidual(q)
	if err != nil {
		return ProofResult{}, err
	}
	out := ProofResult{Schema: 1, ResidualGMM: a.Residual, AngleDeg: c.Degrees(a.Angle), ErrorGMM: a.Error, Radius95GMM: a.Radius95, ExtremesGMM: a.Extremes, Scatter: a.Scatter, Verdicts: []Verdict{}}
	if p.PermissibleGMM > 0 {
		ok := !a.EitherWay && rotor.Accept(a.Residual, a.Radius95, p.PermissibleGMM, rotor.Balancer)
		out.Accepted = &ok
	}
	if len(ignored) > 0 {
		out.Verdicts = append(out.Verdicts, Verdict{"key-ignored", "Not known and ignored: " + strings.Join(ignored, ", ") + ". Check the spelling."})
	}
	for _, v := range a.Verdicts {
		out.Verdicts = append(out.Verdicts, Verdict(v))
	}
	return out, nil
}

// WriteJSON writes any answer as indented JSON.
func WriteJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	return e.Encode(v)
}
