package casefile

import (
	"fmt"
	"math"
	"math/cmplx"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// placeWork bounds the search for places so that a file is answered within
// moments; what was not searched is said in a note.
const placeWork = 50_000_000

// placed shares a correction out to the places of a plane with the weights in the
// box. A plane without places and without a box takes the weight where it belongs.
func (j *Job) placed(p rotor.Plane, total complex128) ([]Placed, []balance.Verdict) {
	if len(p.Positions) == 0 && len(p.Masses) == 0 || total == 0 {
		return []Placed{}, nil
	}
	speed := math.Max(j.Case.Machine.Speed, j.Case.Machine.MaxSpeed)
	for _, r := range j.Case.Runs {
		speed = math.Max(speed, r.Speed)
	}
	got, err := inAll(p, total, place.Options{Speed: speed, Work: placeWork})
	if err != nil {
		return []Placed{}, []balance.Verdict{{Code: "not-placed", Text: "The correction could not be shared out to the places: " + err.Error() + "."}}
	}
	out := []Placed{}
	for _, q := range got.Placed {
		out = append(out, Placed{q.Number, j.Convention.Degrees(q.Angle), q.Mass * 1e3})
	}
	var notes []balance.Verdict
	for _, n := range got.Notes {
		notes = append(notes, balance.Verdict{Code: n.Code, Text: n.Text})
	}
	return out, notes
}

// inAll splits a correction so that the plane's mass cap is kept in all: weights
// at an angle to each other hold more mass than their sum pulls. Where the cap
// stands in the way, less is placed, and a note says so.
func inAll(p rotor.Plane, total complex128, o place.Options) (place.Placement, error) {
	got, err := place.Split(p, total, o)
	asked := total
	for err == nil && p.Cap > 0 && got.Mass() > p.Cap*(1+1e-9) {
		if cmplx.Abs(asked) < 0.05*cmplx.Abs(total) {
			return place.Placement{}, fmt.Errorf("no choice of weights stays below the %.4g g that the plane may carry in all", p.Cap*1e3)
		}
		asked *= complex(math.Max(0.5, 0.995-0.5*(got.Mass()/p.Cap-1)), 0)
		got, err = place.Split(p, asked, o)
	}
	if err == nil && asked != total {
		got.Notes = append(got.Notes, place.Note{Code: "plane-cap", Text: fmt.Sprintf(
			"Shared out to its places the correction of plane %q would weigh more than the %.4g g it may carry in all: what is placed leaves %.3g g of it. Use a larger radius, another plane or a stronger fastener.",
			p.Name, p.Cap*1e3, cmplx.Abs(got.Got()-total)*1e3)})
	}
	return got, err
}
