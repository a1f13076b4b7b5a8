package place

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/rotor"
)

// The search agrees with trying everything, written without it: every state of
// every place, one after the other, with forbidden places, unequal radii,
// stacks, caps, short stocks and old weights that may be taken off or moved.
func TestSearchAgreesWithBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 35))
	reached := 0
	for c := range 1000 {
		p, target, o := smallCase(r)
		got := must(t, p, target, o)
		want := bruteForce(p, target, o)
		k := 0
		for i := range want { // the fewest weights that reach it, else those that come nearest
			if want[k] > o.Accept && want[i] < want[k]*(1-1e-9) {
				k = i
			}
		}
		if want[k] <= o.Accept {
			reached++
		}
		if math.Abs(cmplx.Abs(got.Residual)-want[k]) > 1e-9*cmplx.Abs(target) || got.Weights != k || !got.Complete {
			t.Fatalf("case %d: %d weights leave %.12g, brute force %d weights %.12g\nall %v\nplane %+v\noptions %+v\ngot %+v", c, got.Weights, cmplx.Abs(got.Residual), k, want[k], want, p, o, got)
		}
		if got.Reached != (want[k] <= o.Accept) {
			t.Fatalf("case %d: reached %v with %g of %g", c, got.Reached, want[k], o.Accept)
		}
		for _, s := range got.Tradeoff {
			if math.Abs(s.Residual-want[s.Weights]) > 1e-9*cmplx.Abs(target) {
				t.Fatalf("case %d: trade-off at %d weights %g, brute force %g", c, s.Weights, s.Residual, want[s.Weights])
			}
		}
	}
	if reached < 200 || reached > 900 {
		t.Errorf("%d of 1000 targets reached: the cases no longer test both", reached)
	}
}

func smallCase(r *rand.Rand) (rotor.Plane, complex128, Options) {
	n, m := 3+r.IntN(5), 1+r.IntN(3)
	p := rotor.Plane{Radius: 0.2, Positions: rotor.EvenPositions(n, r.Float64(), rotor.WithRotation)}
	for i := range p.Positions {
		p.Positions[i].Forbidden = r.IntN(5) == 0
		if r.IntN(3) == 0 {
			p.Positions[i].Radius = 0.1 + 0.2*r.Float64()
		}
		p.Positions[i].Angle += 0.1 * r.NormFloat64()
	}
	for range m {
		p.Masses = append(p.Masses, 0.005+0.03*r.Float64())
	}
	o := Options{MaxWeights: 1 + r.IntN(5), Stack: r.IntN(3), Accept: 0.008 * r.Float64()}
	if n > 5 && m > 2 {
		o.MaxWeights = min(o.MaxWeights, 4)
	}
	if r.IntN(3) == 0 {
		p.Cap = 0.03 + 0.04*r.Float64()
	}
	if r.IntN(3) == 0 {
		for range m {
			o.Stock = append(o.Stock, r.IntN(3))
		}
	}
	for i := range p.Positions {
		if r.IntN(5) == 0 && len(o.Existing) < 2 {
			o.Existing = append(o.Existing, Fitted{Position: i + 1, Mass: 0.004 + 0.02*r.Float64(), Fixed: r.IntN(3) == 0})
		}
	}
	return p, cmplx.Rect(0.06*r.Float64(), 2*math.Pi*r.Float64()), o
}

// bruteForce returns the least residual for every number of weights handled.
func bruteForce(p rotor.Plane, target complex128, o Options) []float64 {
	best := make([]float64, o.MaxWeights+1)
	for i := range best {
		best[i] = math.Inf(1)
	}
	stack := o.Stack
	if stack == 0 {
		stack = 99
	}
	stock := map[int]int{}
	for k := range p.Masses {
		stock[k] = 99
		if o.Stock != nil {
			stock[k] = o.Stock[k]
		}
	}
	// Every subset of old weights taken off, then places filled one by one with
	// the box and with what was taken off.
	for subset := range 1 << len(o.Existing) {
		count, mass := make([]int, len(p.Positions)), make([]float64, len(p.Positions))
		rest, handled, ok := target, 0, true
		loose := []Fitted{}
		for e, f := range o.Existing {
			i := f.Position - 1
			if subset>>e&1 == 0 {
				count[i]++
				mass[i] += f.Mass
				continue
			}
			ok = ok && !f.Fixed
			w := rotor.Weight{Mass: f.Mass, Angle: p.Positions[i].Angle, Radius: p.Positions[i].Radius}
			rest += w.Phasor(p.Radius)
			loose = append(loose, f)
			handled++
		}
		if !ok || handled > o.MaxWeights {
			continue
		}
		used := make([]bool, len(loose))
		var fill func(i, from, handled int, rest complex128)
		fill = func(i, from, handled int, rest complex128) {
			best[handled] = math.Min(best[handled], cmplx.Abs(rest))
			if handled == o.MaxWeights {
				return
			}
			for j := i; j < len(p.Positions); j++ {
				q := p.Positions[j]
				if q.Forbidden || count[j] >= stack {
					continue
				}
				put := func(m float64, next int) {
					if p.Cap > 0 && mass[j]+m > p.Cap*(1+1e-12) {
						return
					}
					count[j]++
					mass[j] += m
					fill(j, next, handled+1, rest-rotor.Weight{Mass: m, Angle: q.Angle, Radius: q.Radius}.Phasor(p.Radius))
					count[j]--
					mass[j] -= m
				}
				start := 0
				if j == i {
					start = from
				}
				for k := start; k < len(p.Masses)+len(loose); k++ {
					if k < len(p.Masses) {
						if stock[k] > 0 {
							stock[k]--
							put(p.Masses[k], k)
							stock[k]++
						}
						continue
					}
					l := k - len(p.Masses)
					if !used[l] && loose[l].Position != q.Number {
						used[l] = true
						put(loose[l].Mass, k)
						used[l] = false
					}
				}
			}
		}
		fill(0, 0, handled, rest)
	}
	return best
}
