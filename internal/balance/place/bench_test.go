package place

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/rotor"
)

// field is a plane of realistic size: n places, m weighed masses from 4 g upwards, and a target that a few of them can make. Some places are
// forbidden, as blades that cannot take a weight are.
func field(r *rand.Rand, n, m int) (rotor.Plane, complex128) {
	p := rotor.Plane{Radius: 0.3, Positions: holes(n)}
	for i := range p.Positions {
		p.Positions[i].Forbidden = r.IntN(12) == 0
	}
	for k := range m {
		p.Masses = append(p.Masses, 0.004+0.0027*(float64(k)+0.2*r.Float64()))
	}
	return p, cmplx.Rect(0.012+0.03*r.Float64(), 2*math.Pi*r.Float64())
}

func BenchmarkSplit(b *testing.B) {
	for _, c := range []struct{ n, m, k int }{{12, 10, 4}, {24, 8, 4}, {24, 8, 5}, {36, 10, 4}, {36, 10, 5}} {
		for _, stack := range []int{1, 0} {
			b.Run(fmt.Sprintf("places=%d/masses=%d/weights=%d/stack=%d", c.n, c.m, c.k, stack), func(b *testing.B) {
				r := rand.New(rand.NewPCG(1, 1))
				for b.Loop() {
					p, target := field(r, c.n, c.m)
					if _, err := Split(p, target, Options{MaxWeights: c.k, Stack: stack}); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
