package place

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/rotor"
)

// Whatever the plane, the box and the options: no panic, and no answer breaks a
// rule. Forbidden and full places stay as they are, caps and forces hold, the
// stock is never overdrawn, an old weight is taken off once and a fixed one never.
func TestNoAnswerBreaksARule(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 13))
	for c := range 3000 {
		p, target, o := hostile(r)
		got, err := Split(p, target, o)
		if err != nil {
			continue
		}
		hold(t, c, p, o, got)
		if got.Instead != nil {
			alt := *got.Instead
			alt.Left = nil // a cut weight is not from the stock
			hold(t, c, p, o, alt)
		}
		if got.Reached && got.AtLeast > got.Weights {
			t.Fatalf("case %d: %d weights reach it, at least %d proven", c, got.Weights, got.AtLeast)
		}
		if !got.Reached && len(got.Notes) == 0 {
			t.Fatalf("case %d: not reached and nothing said: %+v\n%+v", c, got, p)
		}
		if _, err := Drawing(got, p, View{From: "the inlet", Machine: rotor.Machine{Blades: c % 7}}); err != nil {
			t.Fatal(err)
		}
	}
}

func hostile(r *rand.Rand) (rotor.Plane, complex128, Options) {
	some := func(v ...float64) float64 { return v[r.IntN(len(v))] }
	p := rotor.Plane{Radius: some(0, 0.2, 0.3), Cap: some(0, 0, 0.01, 0.03), MaxForce: some(0, 0, 20, 200)}
	for i := range r.IntN(9) {
		p.Positions = append(p.Positions, rotor.Position{
			Number: i + 1, Angle: some(0, math.Pi, 2*r.Float64(), -7*r.Float64()), Radius: some(0, 0, 0.1, 0.4), Forbidden: r.IntN(4) == 0})
	}
	for range r.IntN(4) {
		p.Masses = append(p.Masses, some(0.001, 0.01, 0.01, 0.02, 0.05*r.Float64()+1e-6))
	}
	o := Options{MaxWeights: r.IntN(8), Accept: some(0, 0, 0.001, 1), Stack: r.IntN(4), Speed: some(0, 100, 150), Work: 1 + r.IntN(20000)}
	if r.IntN(3) == 0 {
		o.Stock = make([]int, len(p.Masses))
		for i := range o.Stock {
			o.Stock[i] = r.IntN(4)
		}
	}
	for i := range p.Positions {
		if r.IntN(6) == 0 {
			o.Existing = append(o.Existing, Fitted{Position: i + 1, Mass: 0.02 * r.Float64(), Fixed: r.IntN(2) == 0})
		}
	}
	return p, cmplx.Rect(some(0, 1e-9, 0.01, 0.05, 1)*r.Float64(), 7*r.Float64()), o
}

func hold(t *testing.T, c int, p rotor.Plane, o Options, got Placement) {
	t.Helper()
	count, mass := map[int]int{}, map[int]float64{}
	for _, f := range o.Existing {
		count[f.Position]++
		mass[f.Position] += f.Mass
	}
	loose := map[int]float64{}
	for _, f := range got.Removed {
		if f.Fixed || loose[f.Position] != 0 {
			t.Fatalf("case %d: %+v was taken off", c, f)
		}
		loose[f.Position] = f.Mass
		count[f.Position]--
		mass[f.Position] -= f.Mass
	}
	for _, q := range got.Placed {
		if !(q.Mass > 0) || math.IsInf(q.Mass, 0) {
			t.Fatalf("case %d: a weight of %g", c, q.Mass)
		}
		count[q.Number] += len(q.Pieces)
		mass[q.Number] += q.Mass
		if i := index(p.Positions, q.Number); i >= 0 && p.Positions[i].Forbidden || i < 0 && len(p.Positions) > 0 {
			t.Fatalf("case %d: place %d was used", c, q.Number)
		}
		total := mass[q.Number]
		if len(p.Positions) == 0 {
			total = q.Mass // two free angles are two places
		} else if o.Stack > 0 && count[q.Number] > o.Stack && len(p.Masses) > 0 {
			t.Fatalf("case %d: %d weights on place %d, allowed %d", c, count[q.Number], q.Number, o.Stack)
		}
		if p.Cap > 0 && total > p.Cap*(1+1e-9) {
			t.Fatalf("case %d: place %d carries %g over its cap %g", c, q.Number, total, p.Cap)
		}
		if f := rotor.Force(total, q.Radius, o.Speed); p.MaxForce > 0 && f > p.MaxForce*(1+1e-9) {
			t.Fatalf("case %d: place %d pulls %g N over %g", c, q.Number, f, p.MaxForce)
		}
		for _, w := range q.Pieces {
			if w.From > 0 && loose[w.From] != w.Mass {
				t.Fatalf("case %d: a weight from place %d was not taken off there", c, w.From)
			}
		}
	}
	if o.Stock != nil && got.Left != nil {
		used := 0
		for i := range o.Stock {
			if got.Left[i] < 0 {
				t.Fatalf("case %d: the stock is overdrawn: %v", c, got.Left)
			}
			used += o.Stock[i] - got.Left[i]
		}
		for _, q := range got.Placed {
			for _, w := range q.Pieces {
				if w.From == 0 && !w.Cut {
					used--
				}
			}
		}
		if used != 0 && len(p.Masses) > 0 {
			t.Fatalf("case %d: stock %v to %v does not match %+v", c, o.Stock, got.Left, got.Placed)
		}
	}
}
