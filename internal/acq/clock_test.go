package acq

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestClockError: a board that is off by a known amount, over a link that is
// late by 1 ms at best and by an exponential wait beyond.
func TestClockError(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	inside, trials := 0, 200
	for range trials {
		truth := 100 * rng.NormFloat64() // ppm
		var e clockError
		for i := range 6000 { // 60 s of blocks of 10 ms
			board := 0.01 * float64(i+1)
			tick := uint64(board * 16e6)
			host := 1.7e9 + board/(1+truth*1e-6) + 0.001 + 0.004*rng.ExpFloat64()
			e.add(host, tick, 16e6)
		}
		if !(math.Abs(e.ppm-truth) <= 5) || !(e.ppmStdErr > 0 && e.ppmStdErr < 3) {
			t.Fatalf("%.2f +- %.2f ppm, truth %.2f", e.ppm, e.ppmStdErr, truth)
		}
		if math.Abs(e.ppm-truth) <= 1.96*e.ppmStdErr {
			inside++
		}
	}
	if share := float64(inside) / float64(trials); !(share >= 0.88) {
		t.Errorf("the stated error holds the truth in %.0f %% of trials", 100*share)
	}
}
