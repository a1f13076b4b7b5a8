package hil

import (
	"math"
	"testing"
)

// TestBoardAgainstSignal drives known sines into the pins of board A. The limits
// are those of the board: 0.02 degrees of bias, 0.05 of scatter, 0.2 % of
// amplitude for signals of 50 steps and more. The long run is the campaign "board-a".
func TestBoardAgainstSignal(t *testing.T) {
	b := built(t, avr)
	s := Signal{Hz: 24.7, Steps: [3]float64{50, 150, 400}, PhaseDeg: [3]float64{0, 40, -100}, Noise: 0.5, RC: 1000}
	out, counts, truth, err := b.Compare(t.Context(), s, 16)
	if err != nil {
		t.Fatal(err)
	}
	for c, f := range out {
		t.Logf("pin %d: %+v", c, f)
		if !(math.Abs(f.BiasDeg) <= 0.02+2*f.BiasSE) || !(math.Abs(f.Amplitude) <= 0.002+2*f.AmplitudeSE) || f.Turns < 380 || f.Dropped > 0 {
			t.Errorf("pin %d: bias %.4f +- %.4f deg, amplitude %+.4f, %d turns, %d dropped", c, f.BiasDeg, f.BiasSE, f.Amplitude, f.Turns, f.Dropped)
		}
	}
	t.Logf("%+v\n%+v", counts, truth)
	if counts.SkippedBytes != 0 || counts.LostSamples != 0 || counts.LostEdges != 0 || counts.LostFrames != 0 || counts.TachRejected != 0 {
		t.Errorf("something was lost on a good line: %+v", counts)
	}
}
