package web

import (
	"slices"

	"counterpoise/internal/balance"
	"counterpoise/internal/job"
)

// SpeedAsked reports whether a coast-down may save this step: before the first
// trial weight, where a resonance speaks from the runs, and where a cause is
// looked for.
func (v jobView) SpeedAsked() bool {
	near := func(x balance.Verdict) bool { return x.Code == "resonance-near" }
	return v.Step.Action == job.ActInspect || v.Step.Purpose == job.PurposeTrial || slices.ContainsFunc(v.Advice.Verdicts, near)
}
