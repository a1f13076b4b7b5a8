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

// placeWork bounds the search for places so that a file is answered within
// moments; what was not searched is said in a note.
const placeWork = 50_000_000

// tenth is the part of a tolerance that a choice of weights may leave: a fit
// that is finer is not worth another weight. Our own choice.
const tenth = 0.1

// spread is a correction shared out to the real rotor.
type spread struct {
	planes  []*place.Placement // nil = nothing to put there, or refused
	joint   *place.Two         // where two planes were chosen together
	missing bool               // a plane that needs a weight got none
	notes   []balance.Verdict
}

// question is what is asked of package place for every plane.
type question struct {
	targets []complex128 // kg at the plane's radius
	options []place.Options
	beside  []float64 // kg on the plane beside its places
	effect  *place.Effect
}

// total asks for the corrections with everything fitted since as found taken
// off, further for what is added to the rotor as it stands.
func (j *Job) total(cs []balance.Correction) question {
	var q question
	for i := range j.Case.Planes {
		q.targets = append(q.targets, cs[i].Total)
		q.options = append(q.options, j.limits(i, j.grounds[i].existing, j.returned(i)))
		q.beside = append(q.beside, 0)
	}
	return q
}

func (j *Job) further(cs []balance.Correction) question {
	var q question
	for i := range j.Case.Planes {
		on, beside := j.standing(i)
		q.targets = append(q.targets, cs[i].Further)
		q.options = append(q.options, j.limits(i, on, slices.Clone(j.grounds[i].stock)))
		q.beside = append(q.beside, beside)
	}
	return q
}

func (j *Job) limits(i int, on []place.Fitted, stock []int) place.Options {
	g := j.grounds[i]
	return place.Options{MaxWeights: g.most, Stack: g.stack, Stock: stock, Existing: on, Speed: j.topSpeed(), Work: placeWork}
}

// judged tells the question what the sensors will make of a residual: rest is
// what stays where the targets are met, [row].
func (j *Job) judged(q question, a balance.Answer, rest []complex128) question {
	if len(a.Influence) == 0 || len(rest) != len(a.Influence) {
		return q
	}
	tol := make([]float64, len(rest))
	stays, all := 0.0, true
	for r := range rest {
		tol[r] = j.Case.Sensors[a.Rows[r].Sensor].Tolerance
		all = all && tol[r] > 0
	}
	least := make([]float64, len(q.targets))
	for i := range least {
		least[i] = math.Inf(1)
		for r, row := range a.Influence {
			if x := cmplx.Abs(row[i]); tol[r] > 0 && x > 0 {
				least[i] = math.Min(least[i], tenth*tol[r]/x)
			}
		}
		if !math.IsInf(least[i], 1) {
			q.options[i].Accept = least[i] / float64(len(least))
		}
	}
	if len(q.targets) != 2 {
		return q
	}
	e := &place.Effect{Rest: rest, OneBox: j.grounds[0].oneBox && j.grounds[1].oneBox}
	for _, row := range a.Influence {
		e.Influence = append(e.Influence, [2]complex128{row[0], row[1]})
	}
	if all {
		for r := range rest {
			stays = math.Max(stays, cmplx.Abs(rest[r])/tol[r])
		}
		e.Tolerance, e.Accept = tol, stays+tenth
	}
	q.effect = e
	return q
}

// nothing is the mass in kg below which there is nothing to fit.
const nothing = 1e-12

// arrange shares the targets out: two planes with places and a box together,
// else plane by plane, counting one box down.
func (j *Job) arrange(q question) spread {
	s := spread{planes: make([]*place.Placement, len(q.targets))}
	if j.together(q, &s) {
		return s
	}
	var left []int // of the one box
	for i, p := range j.Case.Planes {
		if cmplx.Abs(q.targets[i]) <= nothing {
			continue
		}
		o := q.options[i]
		if j.grounds[i].oneBox && left != nil {
			o.Stock = left
		}
		got, err := inAll(p, q.targets[i], o, q.beside[i])
		if err != nil {
			s.missing = true
			s.note("not-placed", "The correction could not be shared out to the places: "+err.Error()+".")
			continue
		}
		if j.grounds[i].oneBox {
			left = got.Left
		}
		s.add(i, got)
	}
	return s
}

func (s *spread) note(code, text string) {
	s.notes = append(s.notes, balance.Verdict{Code: code, Text: text})
}

func (s *spread) add(i int, got place.Placement) {
	s.planes[i] = &got
	for _, n := range got.Notes {
		s.note(n.Code, n.Text)
	}
}

// together chooses the weights of two planes by what the worst sensor then
// shows. It gives way where a plane would carry more than it may in all.
func (j *Job) together(q question, s *spread) bool {
	ps := j.Case.Planes
	if q.effect == nil || len(ps) != 2 {
		return false
	}
	for i, p := range ps {
		if len(p.Positions) == 0 || len(p.Masses) == 0 || cmplx.Abs(q.targets[i]) <= nothing {
			return false
		}
	}
	two, err := place.SplitTwo([2]rotor.Plane(ps), [2]complex128(q.targets), *q.effect, [2]place.Options(q.options))
	if err != nil {
		return false
	}
	for i, p := range ps {
		if over(p, two.Planes[i], q.options[i], q.beside[i]) {
			return false
		}
	}
	s.joint = &two
	var left []int // of the one box
	for i, p := range ps {
		got, o := two.Planes[i], q.options[i]
		got.Reached = two.Reached
		if left != nil && q.effect.OneBox {
			o.Stock = left
		}
		if !two.Reached { // what would reach it is worked out plane by plane
			if alone, err := inAll(p, q.targets[i], o, q.beside[i]); err == nil && !alone.Reached {
				got.Instead, got.Notes = alone.Instead, alone.Notes
			}
		}
		s.add(i, got)
		left = got.Left
	}
	if !two.Reached {
		s.note("joint-unreached", fmt.Sprintf("No choice of weights from the box was found that brings the worst sensor where both corrections would: the weights leave it at %s times what would be good enough. What to cut or to bring is said for each plane.", figure(two.Worst/two.Accept)))
	}
	return true
}

// carried is the mass in kg on the plane after a placement.
func carried(got place.Placement, o place.Options, beside float64) float64 {
	m := beside + got.Mass()
	for _, f := range o.Existing {
		m += f.Mass
	}
	for _, f := range got.Removed {
		m -= f.Mass
	}
	return m
}

func over(p rotor.Plane, got place.Placement, o place.Options, beside float64) bool {
	return p.Cap > 0 && carried(got, o, beside) > p.Cap*(1+1e-9)
}

// inAll splits a correction so that the plane's mass cap is kept in all: weights
// at an angle to each other hold more mass than their sum pulls. Where the cap
// stands in the way, less is placed, and a note says so.
func inAll(p rotor.Plane, total complex128, o place.Options, beside float64) (place.Placement, error) {
	got, err := place.Split(p, total, o)
	asked := total
	for err == nil && over(p, got, o, beside) {
		if cmplx.Abs(asked) < 0.05*cmplx.Abs(total) {
			return place.Placement{}, fmt.Errorf("no choice of weights stays below the %.4g g that plane %q may carry in all", p.Cap*1e3, p.Name)
		}
		asked *= complex(math.Max(0.5, 0.995-0.5*(carried(got, o, beside)/p.Cap-1)), 0)
		got, err = place.Split(p, asked, o)
	}
	if err != nil {
		return got, err
	}
	if asked != total {
		got.Residual, got.Target = got.Got()-total, total
		got.Reached, got.Complete, got.AtLeast = false, false, 0
		got.Tradeoff, got.Instead = nil, nil // they answer the smaller question
		got.Notes = slices.DeleteFunc(got.Notes, func(n place.Note) bool { return n.Code != "force-unknown" })
		got.Notes = append(got.Notes, place.Note{Code: "plane-cap", Text: fmt.Sprintf(
			"Shared out to its places the correction of plane %q would weigh more than the %.4g g it may carry in all: what is placed leaves %.3g g of it. Use a larger radius, another plane or a stronger fastener.",
			p.Name, p.Cap*1e3, cmplx.Abs(got.Residual)*1e3)})
	}
	if got.Instead != nil && over(p, *got.Instead, o, beside) {
		got.Instead = nil
		got.Notes = slices.DeleteFunc(got.Notes, func(n place.Note) bool { return n.Code == "cut-weight" })
	}
	got.Tradeoff = slices.DeleteFunc(got.Tradeoff, func(t place.Step) bool { return p.Cap > 0 && t.Mass > p.Cap*(1+1e-9) })
	return got, nil
}
