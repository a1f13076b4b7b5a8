package hil

import (
	"math"
	"testing"
)

func signal() Signal {
	return Signal{Hz: 24.7, Steps: [channels]float64{50, 150, 400}, PhaseDeg: [channels]float64{0, 40, -100}, Noise: 0.5, RC: 1000}
}

// TestBoardAgainstSignal drives known sines into the pins of board A. The limits
// are those of the board: 0.02 degrees of bias, 0.2 % of amplitude for signals
// of 50 steps and more, nothing lost. The long run is the campaign "board-a".
func TestBoardAgainstSignal(t *testing.T) {
	b := built(t, avr)
	out, err := b.Try(t.Context(), signal(), 12)
	if err != nil {
		t.Fatal(err)
	}
	for c, f := range out.Pins {
		t.Logf("pin %d: %+v", c, f)
		if !(math.Abs(f.BiasDeg) <= 0.02) || !(math.Abs(f.Amplitude) <= 0.002) || f.Turns < 285 || f.Dropped > 0 {
			t.Errorf("pin %d: bias %.4f +- %.4f deg, amplitude %+.4f, %d turns, %d dropped", c, f.BiasDeg, f.BiasSE, f.Amplitude, f.Turns, f.Dropped)
		}
	}
	n := out.Counts
	if n.SkippedBytes != 0 || n.LostSamples != 0 || n.LostEdges != 0 || n.LostFrames != 0 || n.TachRejected != 0 || n.BoardDrops != 0 || n.Overruns != 0 {
		t.Errorf("something was lost on a good line: %+v", n)
	}
	if !out.Trusted || !out.Samples.Balanced() || !out.Edges.Balanced() || out.Edges.Lost > 0 {
		t.Errorf("trusted %v, samples %+v, edges %+v", out.Trusted, out.Samples, out.Edges)
	}
}

// TestFaultyLine stalls and damages the line. What is lost must be counted, and
// no turn that is accepted may be wrong: the noise of a turn on the smallest
// signal is 0.16 %, so 1.5 % is far outside it, while a turn with a lost frame
// in it would be off by tens of per cent.
func TestFaultyLine(t *testing.T) {
	b := built(t, avr)
	for _, c := range []struct {
		name    string
		option  []string
		seconds float64
		refused uint64 // frames at most
	}{
		{"stalled 4 s", []string{"--stall", "3,4"}, 10, 2},
		{"1e-3 of the bytes flipped, dropped, inserted each", []string{"--damage", "1e-3,7"}, 6, math.MaxUint64},
		{"1e-4 of them", []string{"--damage", "1e-4,8"}, 6, math.MaxUint64},
		{"a bouncing tach", []string{"--bounce", "0.5"}, 6, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			out, err := b.Try(t.Context(), signal(), c.seconds, c.option...)
			if err != nil {
				t.Fatal(err)
			}
			t.Log(Row(out))
			for pin, f := range out.Pins {
				if !(f.Worst <= 0.015) {
					t.Errorf("pin %d: an accepted turn is off by %.1f %%", pin, 100*f.Worst)
				}
			}
			if !out.Samples.Balanced() || !out.Edges.Balanced() {
				t.Errorf("samples %+v, edges %+v do not add up", out.Samples, out.Edges)
			}
			if n := Refused(out.Counts); n > c.refused {
				t.Errorf("%d frames were refused, at most %d can be hurt", n, c.refused)
			}
			if n := out.Counts.TachRejected; c.option[0] == "--bounce" && !(n > out.Truth.Bounces/2 && n <= out.Truth.Bounces) {
				t.Errorf("%d bounces were told of, there were %d (status comes once a second)", n, out.Truth.Bounces)
			}
			if out.Trusted && !(max(out.Off[0], out.Off[1], out.Off[2]) < 0.002) {
				t.Errorf("a trusted reading is off by %v", out.Off)
			}
		})
	}
}
