package casefile

import (
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/balance/place"
	"counterpoise/internal/rotor"
)

// Two places 90 degrees apart hold 1.41 times the mass that their sum pulls:
// each keeps the cap, together they would break it.
func TestPlacesKeepTheCapOfThePlaneInAll(t *testing.T) {
	p := rotor.Plane{Name: "hub", Radius: 0.1, Cap: 0.05, Positions: rotor.EvenPositions(4, 0, rotor.WithRotation)}
	for _, masses := range [][]float64{nil, {0.005, 0.01, 0.02}} {
		p.Masses = masses
		got, err := inAll(p, cmplx.Rect(0.05, math.Pi/4), place.Options{}, 0)
		if err != nil {
			t.Fatal(err)
		}
		if m := got.Mass(); !(m <= p.Cap*(1+1e-9)) || m < p.Cap/2 || !got.Has("plane-cap") {
			t.Errorf("masses %v: %g kg on a plane that may carry %g; notes %v", masses, m, p.Cap, got.Notes)
		}
	}
	if got, err := inAll(p, cmplx.Rect(0.03, math.Pi/4), place.Options{}, 0); err != nil || got.Has("plane-cap") {
		t.Errorf("a correction that fits was held back: %v %v", err, got.Notes)
	}
}
