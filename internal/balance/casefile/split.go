package casefile

import (
	"math"

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
	got, err := place.Split(p, total, place.Options{Speed: speed, Work: placeWork})
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
