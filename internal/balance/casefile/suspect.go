package casefile

import (
	"math"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/detective"
)

// Suspicion is whether the runs agree with each other, and the usual slips of
// hand that explain it where they do not.
type Suspicion struct {
	Checked     bool      `json:"checked"` // the runs hold more readings than unknowns
	Alarm       bool      `json:"alarm"`
	Unexplained bool      `json:"unexplained"`        // alarm, and no usual slip explains it
	Chi2        float64   `json:"chi2"`               // misfit over the errors
	DoF         float64   `json:"degrees_of_freedom"` // what is usual for it
	Probability *float64  `json:"probability"`        // of a misfit this large by chance
	Assumed     bool      `json:"errors_assumed"`     // readings state no error: 2 % of the largest was assumed
	Findings    []Finding `json:"findings"`           // likeliest first
	Alike       int       `json:"alike"`              // the first so many cannot be told apart by these runs
	NotExcluded []string  `json:"not_excluded"`       // slips that would leave these runs looking good
	Text        string    `json:"text"`
}

// Finding is one slip.
type Finding struct {
	Slip    string    `json:"slip"`
	Also    []string  `json:"also"` // slips that would have put the very same thing on the rotor
	Run     *int      `json:"run"`  // counted from 1; null = all runs
	What    string    `json:"what"`
	Advice  string    `json:"advice"`
	Odds    float64   `json:"odds"`
	Chi2    float64   `json:"chi2"` // what is left if this is what happened
	TurnDeg *float64  `json:"phase_turn_deg"`
	IfSo    []Planned `json:"corrections_if_so"` // totals, once this slip was confirmed on the rotor; null = not worked out
}

// Planned is a mass in a plane.
type Planned struct {
	Plane    string  `json:"plane"`
	MassG    float64 `json:"mass_g"`
	AngleDeg float64 `json:"angle_deg"`
}

// Bounds of the search for slips, so that a file is answered within moments; its
// work grows with the square of the runs and the cube of the sensors.
const (
	mostReadings = 300
	mostSensors  = 12
	retold       = 3 // findings for which the case is solved again
)

// assumedNote stands beside odds that rest on an assumed error.
const assumedNote = " No errors were stated for these readings: 2 % of the largest was assumed, and odds and alarm are only as good as that."

// suspect looks for slips of hand. The answer stands, whatever it finds.
func (j *Job) suspect() (*Suspicion, []balance.Verdict) {
	if n := len(j.Case.Sensors); n > mostSensors || n*len(j.Case.Runs) > mostReadings {
		return nil, nil
	}
	report := detective.Inspect(j.Case)
	s := &Suspicion{Checked: report.Checked, Alarm: report.Alarm, Unexplained: report.Unexplained, Chi2: finite(report.Chi2), DoF: report.DoF,
		Assumed: report.Assumed, Findings: []Finding{}, Alike: report.Alike, NotExcluded: []string{}, Text: report.Text}
	if !report.Checked {
		return s, nil
	}
	if p := finite(report.P); p == report.P {
		s.Probability = &p
	}
	s.NotExcluded = append(s.NotExcluded, report.Blind...)
	for i, f := range report.Findings {
		s.Findings = append(s.Findings, j.finding(f, i < min(max(report.Alike, 1), retold)))
	}
	if !report.Alarm {
		return s, nil
	}
	if report.Assumed {
		s.Text += assumedNote
	}
	v := balance.Verdict{Code: "slip-likely", Text: s.Text}
	if report.Unexplained {
		v.Code = "runs-disagree"
	}
	return s, []balance.Verdict{v}
}

func (j *Job) finding(f detective.Finding, again bool) Finding {
	o := Finding{Slip: string(f.Slip), Also: []string{}, What: f.What, Advice: f.Advice, Odds: finite(f.Odds), Chi2: finite(f.Chi2)}
	for _, s := range f.Also {
		o.Also = append(o.Also, string(s))
	}
	if f.Run >= 0 {
		n := f.Run + 1
		o.Run = &n
	}
	if f.Slip == detective.PhaseMoved {
		_, d := j.Convention.Polar(phase(f.Turn))
		o.TurnDeg = &d
	}
	if !again {
		return o
	}
	options := j.Options
	options.Draws = 1 // intervals are not shown here
	if a, err := balance.Solve(f.Case, options); err == nil {
		for _, c := range a.Corrections {
			m := j.mass(c.Total)
			o.IfSo = append(o.IfSo, Planned{c.Plane, finite(m.MassG), finite(m.AngleDeg)})
		}
	}
	return o
}

func phase(rad float64) complex128 {
	s, c := math.Sincos(rad)
	return complex(c, s)
}

// finite is 0 for what JSON cannot hold.
func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}
