package main

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// fieldPlane is a plane of realistic size: n places of which about one in twelve
// takes no weight, m masses of 4 g and more as they lie in a box, one clip a
// place, and a target that two to four of them can make.
func fieldPlane(r *rand.Rand, n, m int) (rotor.Plane, complex128) {
	p := rotor.Plane{Name: "hub", Radius: 0.3, Positions: rotor.EvenPositions(n, 2*math.Pi*r.Float64(), rotor.WithRotation)}
	for i := range p.Positions {
		p.Positions[i].Forbidden = r.IntN(12) == 0
		if r.IntN(12) == 0 {
			p.Positions[i].Radius = 0.25
		}
	}
	for k := range m {
		p.Masses = append(p.Masses, 0.004+0.0027*(float64(k)+0.2*r.Float64()))
	}
	return p, cmplx.Rect(0.012+0.03*r.Float64(), 2*math.Pi*r.Float64())
}

// fewest is our answer to the polygonal question: the fewest weights whose
// residual measures no more than limit. The lists are long enough to be proof.
func fewest(p rotor.Plane, target complex128, limit float64, most int) (int, error) {
	if polygon(-target) <= limit {
		return 0, nil
	}
	for k := 1; k <= most; k++ {
		best, _, err := nearestByPolygon(p, target, k, limit)
		if err != nil {
			return 0, err
		}
		if best <= limit {
			return k, nil
		}
	}
	return 0, nil
}

// nearestByPolygon is the least measure of exactly k weights, provided it is not
// above limit; a larger one is a lower bound that is itself above limit.
func nearestByPolygon(p rotor.Plane, target complex128, k int, limit float64) (float64, place.Placement, error) {
	narrow := math.Cos(math.Pi / facets)
	for n := 64; ; n *= 4 {
		list, within, err := place.Nearest(p, target, k, n, place.Options{Stack: 1})
		if err != nil {
			return 0, place.Placement{}, err
		}
		best := math.Inf(1)
		var at place.Placement
		for _, c := range list {
			if m := polygon(c.Residual); m < best {
				best, at = m, c
			}
		}
		if edge := within * narrow; edge > math.Min(best, limit) {
			return best, at, nil
		}
		if n > 1<<20 {
			return 0, at, fmt.Errorf("%d weights: the list of nearest choices grew too long", k)
		}
	}
}
