package sweep

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// Modes that move with the speed are told where the vectors betray it, seldom
// where they stand still, and in both cases the intervals hold. The
// truth of a moving mode is its frequency where the rotor meets it.
func TestResonancesThatMove(t *testing.T) {
	modes := []pole{{omega: 65, zeta: 0.04}, {omega: 85, zeta: 0.05}}
	for _, c := range []struct {
		name        string
		drift       float64
		noise       float64
		least, most int // of 30 sweeps that are said to move
	}{{"still", 0, 0.03, 0, 2}, {"moving, hidden by noise", 0.05, 0.03, 0, 15}, {"moving", 0.08, 0.003, 28, 30}} {
		moving, held, all := 0, 0, 0
		for seed := range uint64(30) {
			r := rand.New(rand.NewPCG(seed, 5))
			poles := []pole{modes[0], {modes[1].omega, modes[1].zeta, c.drift}}
			truth := func(w float64) complex128 {
				return poles[0].response(w, rotor.Displacement) + cmplx.Rect(0.6, 1)*poles[1].response(w, rotor.Displacement)
			}
			s := &Sweep{Channels: []Channel{{"x", rotor.Displacement}}, Orders: []int{1}}
			for w := 20.0; w < 150; w *= 1.006 {
				s.Points = append(s.Points, Point{At: math.NaN(), Speed: w, Turns: 1, Values: []complex128{truth(w) + complex(c.noise, 0)*complex(r.NormFloat64(), r.NormFloat64())}})
			}
			f, err := s.Fit()
			if err != nil {
				t.Fatal(err)
			}
			if f.Moving {
				moving++
			}
			const run, h = 140.0, 1e-4
			slope := cmplx.Phase(truth(run*(1+h))/truth(run*(1-h))) / (2 * h)
			p := f.At(0, run)
			check := func(got, want, sd float64) {
				all++
				if math.Abs(got-want) <= phase.TLimit(0.95, 0)*sd {
					held++
				}
			}
			check(p.Phase, slope, p.PhaseSD)
			for i := range min(2, len(f.Modes)) {
				check(f.Modes[i].Speed, poles[i].omega, f.Modes[i].SpeedSD)
				check(f.Modes[i].Damping, poles[i].zeta, f.Modes[i].DampingSD)
			}
		}
		t.Logf("%s: %d of 30 are said to move, %d of %d intervals hold", c.name, moving, held, all)
		if moving < c.least || moving > c.most {
			t.Errorf("%s: %d of 30 are said to move", c.name, moving)
		}
		if float64(held) < 0.92*float64(all) {
			t.Errorf("%s: %d of %d intervals hold", c.name, held, all)
		}
	}
}
