package web

import (
	"errors"
	"html/template"
	"math"
	"math/cmplx"
	"sync"

	"counterpoise/internal/balance"
	"counterpoise/internal/balance/place"
	"counterpoise/internal/job"
	"counterpoise/internal/rotor"
)

// adviceCache keeps the advice of the newest events: working it out may take a
// second, and every look at the page asks for it.
type adviceCache struct {
	mu     sync.Mutex
	events int
	scale  string // in which its sentences are written
	advice job.Advice
	err    error
}

var errNoAdvice = errors.New(say("job.noadvice"))

// advise is the advice for the step that is due.
func (b *bench) advise(v View) (job.Advice, error) {
	st := b.job.Next(b.desk.now())
	if st.Action != job.ActFit {
		return job.Advice{}, errNoAdvice
	}
	c := &b.advice
	c.mu.Lock()
	defer c.mu.Unlock()
	if s := v.said(b.job.State()); c.events != s.Events || c.scale != v.velocity().ID {
		c.advice, c.err = s.Advise(st)
		c.events, c.scale = s.Events, v.velocity().ID
	}
	return c.advice, c.err
}

// Placing is what changes on one plane, drawn and in words.
type Placing struct {
	Plane   string        `json:"plane"`
	Todo    []string      `json:"todo"`    // what to put on and take off
	Words   []string      `json:"words"`   // for the radio: how to stand and count, every weight, the read-back
	Drawing string        `json:"drawing"` // SVG
	SVG     template.HTML `json:"-"`
}

// placings draws the advice plane by plane as the job's people stand before it.
func placings(s job.State, adv job.Advice) (out []Placing, err error) {
	u := s.Setup
	v := place.View{From: u.Side, Clockwise: u.Clockwise, Convention: u.Convention, Machine: u.Machine}
	for _, p := range u.Planes {
		pl := change(p, s.Fit.Weights, adv)
		if len(pl.Placed)+len(pl.Removed) == 0 && !carries(p, adv.Weights) {
			continue
		}
		words, err := pl.Words(v)
		if err != nil {
			return nil, err
		}
		svg, err := place.Drawing(pl, p, v)
		if err != nil {
			return nil, err
		}
		rest := words[1:] // the cautions, first of the words, stand above the step already
		if adv.Answer == nil {
			rest = rest[:len(rest)-1] // a trial aims at nothing that could stay
		}
		// The drawing comes from our own code, which escapes every name.
		out = append(out, Placing{p.Name, pl.Todo(v), rest, svg, template.HTML(svg)})
	}
	return out, nil
}

func carries(p rotor.Plane, ws []rotor.Weight) bool {
	for _, w := range ws {
		if w.Plane == p.Name && w.Mass > 0 {
			return true
		}
	}
	return false
}

// change is what is put on a plane and taken off it to get from what is on to
// what is advised.
func change(p rotor.Plane, on []rotor.Weight, adv job.Advice) place.Placement {
	pl := place.Placement{Plane: p.Name, Reached: true}
	stay := append([]rotor.Weight(nil), adv.Weights...)
	for _, w := range on {
		if w.Plane != p.Name {
			continue
		}
		if i := find(stay, w); i >= 0 {
			stay = append(stay[:i], stay[i+1:]...)
			continue
		}
		pl.Removed = append(pl.Removed, place.Fitted{Position: number(p, w.Angle), Mass: w.Mass})
	}
	for _, w := range stay {
		if w.Plane == p.Name && w.Mass > 0 {
			pl.Placed = append(pl.Placed, place.Placed{Number: number(p, w.Angle), Angle: w.Angle, Radius: w.Radius, Mass: w.Mass, Pieces: []place.Piece{{Mass: w.Mass}}})
		}
	}
	pl.Residual = shortfall(p, on, adv)
	return pl
}

// shortfall is how far the advised weights miss what was worked out, kg at the
// plane's radius; zero for a trial, which aims at nothing.
func shortfall(p rotor.Plane, on []rotor.Weight, adv job.Advice) complex128 {
	if adv.Answer == nil {
		return 0
	}
	for _, c := range adv.Answer.Corrections {
		if c.Plane == p.Name {
			if d := sum(p, adv.Weights) - sum(p, on) - c.Further; cmplx.Abs(d) > 1e-9 {
				return d
			}
		}
	}
	return 0
}

func sum(p rotor.Plane, ws []rotor.Weight) (z complex128) {
	for _, w := range ws {
		if w.Plane == p.Name {
			z += w.Phasor(p.Radius)
		}
	}
	return z
}

func find(list []rotor.Weight, w rotor.Weight) int {
	for i, x := range list {
		if x.Plane == w.Plane && math.Abs(x.Mass-w.Mass) < 1e-9 && math.Abs(rotor.WrapRadians(x.Angle-w.Angle)) < 1e-6 {
			return i
		}
	}
	return -1
}

// number of the place at an angle; 0 = none.
func number(p rotor.Plane, angle float64) int {
	for _, q := range p.Positions {
		if math.Abs(rotor.WrapRadians(q.Angle-angle)) < 1e-6 {
			return q.Number
		}
	}
	return 0
}

// verdictTexts are the sentences of verdicts.
func verdictTexts(vs []balance.Verdict) []string {
	out := []string{}
	for _, v := range vs {
		out = append(out, v.Text)
	}
	return out
}
