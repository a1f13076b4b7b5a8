package station

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

// fillScatter puts turns in as the loop would.
func fillScatter(turns int, at func(i int) complex128) *scatter {
	s := &scatter{channels: 1}
	for i := range s.ring {
		s.ring[i] = make([]complex128, 1)
	}
	for i := range turns {
		s.ring[i%rollingTurns][0] = at(i)
		s.n++
	}
	return s
}

// The scatter is that of the angles, wherever on the circle they lie, of the
// newest turns alone; a 1x that points every way has none.
func TestPhaseScatter(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, mid := range []float64{0, 1, math.Pi, -2.5} {
		s := fillScatter(640, func(i int) complex128 {
			sd := .05
			if i < 300 {
				sd = .8 // long ago
			}
			return cmplx.Rect(1+.3*rng.Float64(), mid+sd*rng.NormFloat64())
		})
		got := s.phases()
		// 64 draws know their standard deviation to 1/sqrt(126) = 9 %, three times that
		if len(got) != 1 || !(math.Abs(got[0]-.05) < .05*.27) {
			t.Errorf("around %g rad: %v, want 0.05", mid, got)
		}
	}
	every := fillScatter(64, func(int) complex128 { return cmplx.Rect(1, 2*math.Pi*rng.Float64()) })
	if got := every.phases(); !math.IsNaN(got[0]) {
		t.Errorf("turns that point every way scatter by %g rad", got[0])
	}
	if few := fillScatter(leastScatterTurns-1, func(int) complex128 { return 1 }); few.phases() != nil {
		t.Error("too few turns told a scatter")
	}
	every.reset()
	if every.phases() != nil {
		t.Error("after a reset there is a scatter")
	}
}
