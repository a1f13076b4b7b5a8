package phase

import (
	"fmt"
	"math"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// However the samples are cut into blocks, and though the owner writes over a
// block as soon as Add returns, the turns are the same.
func TestTurnsDoNotDependOnTheBlocks(t *testing.T) {
	for _, perTurn := range []float64{20.3, 100.7, 1020.7} {
		setup := &acq.Setup{Rate: 25 * perTurn, TickHz: 25 * perTurn, HasTach: true, PulsesPerTurn: 1}
		n := int(40 * perTurn)
		r := rng(3)
		x := make([][]float32, 2)
		for c := range x {
			setup.Channels = append(setup.Channels, acq.Channel{Name: fmt.Sprint(c), Quantity: rotor.Velocity, FullScale: 100})
			x[c] = make([]float32, n)
			for i := range x[c] {
				x[c][i] = float32(math.Sin(2*math.Pi*float64(i)/perTurn+float64(c)) + 0.2*r.NormFloat64() + 2)
			}
		}
		x[1][n/2] = -100 // one turn is clipped
		var edges []float64
		for k := 0.3; k*perTurn < float64(n-2); k++ {
			edges = append(edges, (k+3e-3*math.Sin(k))*perTurn)
		}
		var want []complex128
		var dropped [NumDrops]uint64
		for _, size := range []int{n, 1, 7, 32, 250, 1024, 1500} {
			var got []complex128
			e := NewExtractor(Config{Orders: []int{1, 3}})
			for _, b := range blocks(setup, [][]float32{append([]float32(nil), x[0]...), append([]float32(nil), x[1]...)}, edges, size) {
				e.Add(b, func(u *Turn) { got = append(got, u.Values...) })
				for c := range b.Samples {
					for i := range b.Samples[c] {
						b.Samples[c][i] = float32(math.NaN())
					}
				}
			}
			if want == nil {
				want, dropped = got, e.Dropped()
				bad := 0
				for _, v := range want {
					if !finite(v) {
						bad++
					}
				}
				if len(want) < 30*4 || bad != 2 {
					t.Fatalf("%d values of the clipped turn", bad)
				}
				if dropped != [NumDrops]uint64{} {
					t.Fatalf("%v samples a turn: %d values, dropped %v", perTurn, len(want), dropped)
				}
			}
			if len(got) != len(want) || e.Dropped() != dropped {
				t.Fatalf("%v samples a turn, blocks of %d: %d values, want %d; dropped %v, want %v", perTurn, size, len(got), len(want), e.Dropped(), dropped)
			}
			for i := range got {
				if finite(got[i]) != finite(want[i]) || finite(got[i]) && !(apart(got[i], want[i]) <= 1e-6) {
					t.Fatalf("%v samples a turn, blocks of %d: value %d is %v, want %v", perTurn, size, i, got[i], want[i])
				}
			}
		}
	}
}
