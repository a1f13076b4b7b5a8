package place

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/rotor"
)

// overhung makes two planes close together, seen by two sensors on a line: the
// error of one plane can largely be taken up by the other.
func overhung(r *rand.Rand, n int, masses []float64) (ps [2]rotor.Plane, targets [2]complex128, e Effect) {
	for p := range ps {
		ps[p] = rotor.Plane{Name: string(rune('A' + p)), Radius: 0.2, Positions: rotor.EvenPositions(n, r.Float64(), rotor.WithRotation), Masses: masses}
		targets[p] = cmplx.Rect(0.01+0.02*r.Float64(), 2*math.Pi*r.Float64())
	}
	turn := cmplx.Rect(100, 2*math.Pi*r.Float64())
	e.Influence = [][2]complex128{{turn, 1.15 * turn}, {-0.3 * turn, -0.45 * turn}}
	return ps, targets, e
}

// Every pair of choices of up to two weights a plane, tried one by one: the
// joint choice is the best where it says it is proven, and never below its bound.
func TestTwoPlanesAgreeWithBruteForce(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	proven := 0
	for c := range 60 {
		ps, targets, e := overhung(r, 6, []float64{0.005, 0.012, 0.02})
		if c%2 == 0 { // well separated planes
			e.Influence[1] = [2]complex128{0.2i, 90}
			e.Rest = []complex128{cmplx.Rect(0.05, r.Float64()), 0.02}
		}
		o := [2]Options{{MaxWeights: 2, Stack: 1}, {MaxWeights: 2, Stack: 1}}
		got, err := SplitTwo(ps, targets, e, o)
		if err != nil {
			t.Fatal(err)
		}
		best := map[int]float64{}
		var all [2][]Placement
		for p := range ps {
			all[p] = everyChoice(ps[p], targets[p])
		}
		for _, a := range all[0] {
			for _, b := range all[1] {
				w := 0.0
				for s := range e.Influence {
					v := e.Influence[s][0]*a.Residual + e.Influence[s][1]*b.Residual
					if e.Rest != nil {
						v += e.Rest[s]
					}
					w = math.Max(w, cmplx.Abs(v))
				}
				n := a.Weights + b.Weights
				if old, ok := best[n]; !ok || w < old {
					best[n] = w
				}
			}
		}
		for _, s := range got.Tradeoff {
			n := s.Weights[0] + s.Weights[1]
			if s.Bound > best[n]*(1+1e-9) || s.Worst < best[n]*(1-1e-9) {
				t.Fatalf("case %d, %d weights: found %g, bound %g, brute force %g", c, n, s.Worst, s.Bound, best[n])
			}
		}
		n := got.Planes[0].Weights + got.Planes[1].Weights
		if got.Complete && math.Abs(got.Worst-best[n]) > 1e-9 {
			t.Fatalf("case %d: called proven at %g, brute force %g", c, got.Worst, best[n])
		}
		if got.Complete {
			proven++
		}
		if got.Worst > got.Separate*(1+1e-9) {
			t.Fatalf("case %d: together %g is worse than apart %g", c, got.Worst, got.Separate)
		}
	}
	if proven < 20 {
		t.Errorf("only %d of 60 joint choices were proven", proven)
	}
}

// everyChoice lists all placements of up to two weights, one a place.
func everyChoice(p rotor.Plane, target complex128) []Placement {
	var singles, out []Placement
	for _, q := range p.Positions {
		for _, m := range p.Masses {
			singles = append(singles, Placement{Weights: 1, Residual: cmplx.Rect(m, q.Angle) - target, AtLeast: q.Number})
		}
	}
	out = append([]Placement{{Residual: -target}}, singles...)
	for i, a := range singles {
		for _, b := range singles[i+1:] {
			if a.AtLeast != b.AtLeast {
				out = append(out, Placement{Weights: 2, Residual: a.Residual + b.Residual + target})
			}
		}
	}
	return out
}

func TestTogetherBeatsApart(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	var together, apart float64
	for range 20 {
		ps, targets, e := overhung(r, 12, []float64{0.004, 0.008, 0.012, 0.016, 0.02})
		got, err := SplitTwo(ps, targets, e, [2]Options{{MaxWeights: 3, Stack: 1}, {MaxWeights: 3, Stack: 1}})
		if err != nil {
			t.Fatal(err)
		}
		together, apart = together+got.Worst, apart+got.Separate
	}
	if !(together < 0.7*apart) {
		t.Errorf("worst sensor together %g, apart %g: choosing jointly no longer pays", together/20, apart/20)
	}
}

func TestOneBoxForTwoPlanes(t *testing.T) {
	p := rotor.Plane{Positions: holes(4), Masses: []float64{0.01, 0.02}}
	e := Effect{Influence: [][2]complex128{{1, 0}, {0, 1}}, OneBox: true}
	o := [2]Options{{Stock: []int{2, 1}}, {}}
	got, err := SplitTwo([2]rotor.Plane{p, p}, [2]complex128{0.02, 0.02i}, e, o)
	if err != nil {
		t.Fatal(err)
	}
	if !got.Reached || got.Planes[0].Weights+got.Planes[1].Weights != 3 || got.Planes[0].Left[0] != 0 || got.Planes[1].Left[1] != 0 {
		t.Errorf("one 20 g and two 10 g: %+v", got)
	}
}

// Far beyond a few weights a plane, each is split for itself.
func TestTwoPlanesWithLightWeights(t *testing.T) {
	p := rotor.Plane{Positions: holes(12), Masses: []float64{0.005}}
	e := Effect{Influence: [][2]complex128{{1, 0.2}, {0.3i, 1}}, OneBox: true}
	got, err := SplitTwo([2]rotor.Plane{p, p}, [2]complex128{0.06, 0.04i}, e, [2]Options{{Stock: []int{30}}, {}})
	if err != nil {
		t.Fatal(err)
	}
	if !got.Reached || got.Complete || got.Planes[0].Left[0] != 30-got.Planes[0].Weights-got.Planes[1].Weights {
		t.Errorf("%+v", got)
	}
}
