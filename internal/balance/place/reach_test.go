package place

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/rotor"
)

// Six blades and a small box, one clip a blade: what cannot be reached is said,
// and the answer with a weight cut to size reaches it within the rules.
func TestSixBladesAndASmallBox(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 8))
	p := rotor.Plane{Name: "fan", Radius: 0.2, Positions: holes(6), Masses: []float64{.002, .004, .006, .008, .010, .012, .015, .020}}
	missed := 0
	for range 200 {
		target := cmplx.Rect(0.005+0.035*r.Float64(), 2*math.Pi*r.Float64())
		got := must(t, p, target, Options{MaxWeights: 4, Stack: 1})
		if got.Reached {
			continue
		}
		missed++
		if !got.Has("unreachable") || got.AtLeast != 0 || !got.Complete {
			t.Fatalf("missed but not said or not proven: %+v", got)
		}
		if got.Instead == nil || !got.Has("cut-weight") || !got.Instead.Reached {
			t.Fatalf("nothing offered to cut for %v: %+v", target, got.Notes)
		}
		seen := map[int]bool{}
		var sum complex128
		for _, q := range got.Instead.Placed {
			if seen[q.Number] || len(q.Pieces) != 1 {
				t.Fatalf("two weights on one place: %+v", got.Instead.Placed)
			}
			seen[q.Number] = true
			sum += cmplx.Rect(q.Mass, q.Angle)
		}
		if d := cmplx.Abs(sum - target); !(d <= 0.02*cmplx.Abs(target)*(1+1e-6)) {
			t.Fatalf("the cut weight leaves %g of %g", d, cmplx.Abs(target))
		}
	}
	if missed < 40 || missed > 160 {
		t.Errorf("%d of 200 missed: the box no longer tests this", missed)
	}
}

func TestTooSmallABoxSaysWhatToBuy(t *testing.T) {
	p := rotor.Plane{Name: "fan", Positions: holes(6), Masses: []float64{0.005, 0.01}}
	got := must(t, p, 0.2, Options{MaxWeights: 3})
	near(t, "three of 10 g on blade 1 reach, g", got.Mass()*1e3, 30, 1e-9)
	if got.Reached || !got.Has("buy-heavier") || got.AtLeast != 0 {
		t.Errorf("%+v", got)
	}
	p.Cap = 0.012
	got = must(t, p, 0.2, Options{MaxWeights: 3})
	if got.Reached || !got.Has("plane-too-weak") || got.Instead != nil {
		t.Errorf("over every cap: %+v", got)
	}
	for _, q := range got.Placed {
		if q.Mass > p.Cap {
			t.Errorf("place %d carries %g kg over its cap", q.Number, q.Mass)
		}
	}
	for i := range p.Positions {
		p.Positions[i].Forbidden = true
	}
	if got = must(t, p, 0.2, Options{}); !got.Has("no-place") || len(got.Placed) != 0 {
		t.Errorf("no place is free: %+v", got)
	}
}

// 83 g from 5 g weights takes at least 17 of them: far beyond an exact search.
func TestManyStackedWeights(t *testing.T) {
	p := rotor.Plane{Positions: holes(16), Masses: []float64{0.005}}
	got := must(t, p, cmplx.Rect(0.08343, deg(308.8)), Options{})
	if !got.Reached || got.Weights < 17 || got.Weights > 19 || got.AtLeast < 17 || got.AtLeast > got.Weights {
		t.Errorf("%d weights, proven at least %d, residual %g", got.Weights, got.AtLeast, cmplx.Abs(got.Residual))
	}
	if got.Complete {
		t.Error("a cut-off search was called complete")
	}
	for _, s := range got.Tradeoff {
		if s.Bound > s.Residual*(1+1e-9) {
			t.Errorf("bound %g above the residual %g", s.Bound, s.Residual)
		}
	}
}

// Where a cut-off search is forced upon a case small enough to be searched
// exactly, its bound is never above the exact residual, nor the exact above it.
func TestCutOffBoundsHold(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for range 40 {
		p, target := field(r, 12, 4)
		target *= 2
		o := Options{MaxWeights: 5, Stack: 2}
		exact := must(t, p, target, o)
		o.Work = 200
		quick := must(t, p, target, o)
		best := map[int]float64{}
		for _, s := range exact.Tradeoff {
			best[s.Weights] = s.Residual
		}
		for _, s := range quick.Tradeoff {
			least := math.Inf(1)
			for k := 0; k <= s.Weights; k++ {
				if v, ok := best[k]; ok {
					least = math.Min(least, v)
				}
			}
			if s.Bound > least*(1+1e-9) || s.Residual < least*(1-1e-6) {
				t.Fatalf("%d weights: bound %g, exact %g, found %g", s.Weights, s.Bound, least, s.Residual)
			}
		}
		if quick.AtLeast > exact.Weights && exact.Reached {
			t.Fatalf("proven at least %d, but %d do", quick.AtLeast, exact.Weights)
		}
	}
}

func TestStockIsCountedDown(t *testing.T) {
	p := rotor.Plane{Positions: holes(8), Masses: []float64{0.01, 0.02}}
	o := Options{Stock: []int{3, 1}}
	got := must(t, p, 0.04, o)
	if got.Left[0] != 1 || got.Left[1] != 0 || o.Stock[0] != 3 {
		t.Errorf("40 g from 3x10 and 1x20: left %v, stock now %v; placed %+v", got.Left, o.Stock, got.Placed)
	}
}

// A clip of 20 g at place 1 and a wanted change of 40 g towards place 5 (the
// opposite side): moving the clip does it, with an empty box.
func TestOldClipIsMoved(t *testing.T) {
	p := rotor.Plane{Positions: holes(8), Masses: []float64{0.007}}
	o := Options{Stock: []int{0}, Stack: 1, Existing: []Fitted{{Position: 1, Mass: 0.02}}}
	got := must(t, p, -0.04, o)
	if len(got.Removed) != 1 || len(got.Placed) != 1 || got.Placed[0].Number != 5 || got.Placed[0].Pieces[0].From != 1 || !got.Reached {
		t.Errorf("%+v", got)
	}
	o.Existing[0].Fixed = true
	if got = must(t, p, -0.04, o); len(got.Removed) != 0 || got.Reached {
		t.Errorf("a fixed clip was moved: %+v", got)
	}
}

// One heavy weight cannot make a light correction. Left to itself the search does
// not pile weights against each other until it fits: it says what to cut.
func TestWeightsDoNotFightEachOther(t *testing.T) {
	p := rotor.Plane{Positions: holes(16), Masses: []float64{0.1}}
	got := must(t, p, cmplx.Rect(0.08343, deg(308.8)), Options{})
	if got.Reached || got.Weights > 4 || got.Instead == nil || !got.Has("cut-weight") {
		t.Errorf("%d weights, notes %v", got.Weights, got.Notes)
	}
}
