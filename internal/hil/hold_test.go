package hil

import "testing"

// TestBoardHeldBack lets the far side of the line hold the board back, as a
// host that does not drain its terminal would. The board must never wait: it
// throws whole frames away and counts them, and what it counts is what the host
// misses, to the sample and the edge.
func TestBoardHeldBack(t *testing.T) {
	b := built(t, avr)
	for _, hold := range []string{"2,1.5", "2,4"} {
		t.Run(hold, func(t *testing.T) {
			t.Parallel()
			out, err := b.Try(t.Context(), signal(), 10, "--hold", hold)
			if err != nil {
				t.Fatal(err)
			}
			t.Log(Row(out))
			n := out.Counts
			if n.BoardDrops < 50 || n.BoardDrops*20 != out.Samples.Lost || n.LostSamples != out.Samples.Lost {
				t.Errorf("the board dropped %d frames of 20 samples, %d samples are missing, %d are counted", n.BoardDrops, out.Samples.Lost, n.LostSamples)
			}
			if n.TachLost != out.Edges.Lost || n.LostEdges != out.Edges.Lost || out.Edges.Lost == 0 {
				t.Errorf("the board lost %d edges, %d are missing, %d are counted", n.TachLost, out.Edges.Lost, n.LostEdges)
			}
			if n.LostFrames > 0 || Refused(n) > 0 || n.Overruns > 0 || out.Truth.Lost > 0 {
				t.Errorf("something was lost on the wire: %+v, %+v", n, out.Truth)
			}
			if !out.Samples.Balanced() || !out.Edges.Balanced() {
				t.Errorf("samples %+v, edges %+v do not add up", out.Samples, out.Edges)
			}
			for pin, f := range out.Pins {
				if !(f.Worst <= 0.015) {
					t.Errorf("pin %d: an accepted turn is off by %.1f %%", pin, 100*f.Worst)
				}
			}
			// A machine so loaded that four emulated seconds take ten of the clock
			// gives the silent line up and opens it again.
			if gaps := n.Gaps["board_drop"] + n.Gaps["link_down"]; gaps == 0 || n.Gaps["lost_frames"]+n.Gaps["clock_step"] > 0 || !out.Trusted || !(max(out.Off[0], out.Off[1], out.Off[2]) < 0.002) {
				t.Errorf("gaps %v, trusted %v, off by %v", n.Gaps, out.Trusted, out.Off)
			}
		})
	}
}
