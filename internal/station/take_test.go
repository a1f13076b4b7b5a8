package station

import (
	"math"
	"testing"
	"testing/synctest"

	"counterpoise/internal/rotor"
)

// A reading brings the spectra of its own time; one that is shorter than a block
// of the spectrum waits for it, and one that was not asked for spectra does not.
func TestTakeKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(2)
		f.paced = true
		s, stop := run(t, f)
		defer stop()
		for _, turns := range []int{8, 200} {
			r, kept, err := s.TakeKept(t.Context(), Ask{MinTurns: turns})
			if err != nil {
				t.Fatal(err)
			}
			sp := kept.Spectra
			if r.Turns != turns || len(sp) != 1 || sp[0].Channel != "DE-H" || sp[0].Quantity != rotor.Acceleration {
				t.Fatalf("%d turns and %d spectra", r.Turns, len(sp))
			}
			top := 0
			for i, p := range sp[0].Peak {
				if p > sp[0].Peak[top] {
					top = i
				}
			}
			// A Hann window shows a sine at most 1.42 dB low between two lines.
			if hz := float64(top) * sp[0].Step; !(math.Abs(hz-feedTurns) < sp[0].Step) || !(sp[0].Peak[top] > 2*.849-.001 && sp[0].Peak[top] < 2.001) {
				t.Errorf("peak of %g at %g Hz, want 2 at %g", sp[0].Peak[top], hz, feedTurns)
			}
			if most := float64(turns+steadyTurns)/feedTurns + sp[0].Seconds; !(sp[0].Seconds <= most) {
				t.Errorf("a spectrum of %g s for a reading of %g s", sp[0].Seconds, r.Seconds)
			}
			// The raw piece holds every turn of the reading, sample by sample.
			raw := kept.Raw
			if n := float64(len(raw.Samples[0])) / feedRate; raw.Cut || !(n >= r.Seconds-1e-9) || !(n <= r.Seconds+sp[0].Seconds+rawTurns/feedTurns+.2) || len(raw.Edges) < turns {
				t.Errorf("%g s of raw signal with %d edges for a reading of %g s", n, len(raw.Edges), r.Seconds)
			}
			for i, e := range raw.Edges {
				at := int(math.Round(e))
				if !(math.Abs(float64(raw.Samples[0][at])-2) < 1e-5) {
					t.Errorf("at edge %d (sample %g) the cosine stands at %g", i, e, raw.Samples[0][at])
				}
			}
			if turns == 8 && sp[0].Blocks != 1 {
				t.Errorf("a short reading has %d blocks", sp[0].Blocks)
			}
		}
		if n := s.Latest(); len(n.PhaseScatter) != 1 || !(n.PhaseScatter[0] < 1e-3) {
			t.Errorf("phase scatter of a pure sine: %v", n.PhaseScatter)
		}
	})
}
