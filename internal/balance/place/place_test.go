package place

import (
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/rotor"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, tol)
	}
}

func deg(d float64) float64 { return d * math.Pi / 180 }

func holes(n int) []rotor.Position { return rotor.EvenPositions(n, 0, rotor.WithRotation) }

func must(t *testing.T, p rotor.Plane, target complex128, o Options) Placement {
	t.Helper()
	out, err := Split(p, target, o)
	if err != nil {
		t.Fatal(err)
	}
	var got complex128
	for _, q := range out.Placed {
		got += rotor.Weight{Mass: q.Mass, Angle: q.Angle, Radius: q.Radius}.Phasor(p.Radius)
		var m float64
		for _, w := range q.Pieces {
			m += w.Mass
		}
		near(t, "sum of the pieces", m, q.Mass, 1e-15)
	}
	for _, f := range out.Removed {
		q := p.Positions[index(p.Positions, f.Position)]
		got -= rotor.Weight{Mass: f.Mass, Angle: q.Angle, Radius: q.Radius}.Phasor(p.Radius)
	}
	if !(cmplx.Abs(got-out.Got()) <= 1e-12*(1e-3+cmplx.Abs(target))) {
		t.Errorf("the places make %v, the answer says %v", got, out.Got())
	}
	return out
}

// A field job on a 16-blade fan, published by a motor-repair firm
// (ozgurbobinaj.com.tr, balance-correction): 83.5 g at 308.87 degrees is split
// into 23.3 g on blade 14 (292.5) and 61.49 g on blade 15 (315). The exact
// numbers follow from m_a = m sin(b-d)/sin(b-a), m_b = m sin(d-a)/sin(b-a).
func TestSplitOntoTheTwoBladesBeside(t *testing.T) {
	p := rotor.Plane{Radius: 0.3, Positions: holes(16)}
	for _, c := range []struct{ m, d, m14, m15, tol float64 }{
		{83.5, 308.87, 23.3, 61.49, 0.01},
		{83.42862729113051, 308.8057893537017, 23.522986865709935, 61.209154136233714, 1e-9},
	} {
		got := must(t, p, cmplx.Rect(c.m*1e-3, deg(c.d)), Options{})
		if len(got.Placed) != 2 || got.Placed[0].Number != 14 || got.Placed[1].Number != 15 {
			t.Fatalf("placed %+v, want blades 14 and 15", got.Placed)
		}
		near(t, "blade 14, g", got.Placed[0].Mass*1e3, c.m14, c.tol)
		near(t, "blade 15, g", got.Placed[1].Mass*1e3, c.m15, c.tol)
		if !got.Reached || got.Residual != 0 || !got.Complete {
			t.Errorf("an exact split was not called exact: %+v", got)
		}
	}
}

// Derived from the sine rule: 100 at 50 degrees onto 30 and 90.
func TestSplitOntoUnevenPlaces(t *testing.T) {
	p := rotor.Plane{Positions: []rotor.Position{{Number: 1, Angle: deg(30)}, {Number: 2, Angle: deg(90)}, {Number: 3, Angle: deg(200)}}}
	got := must(t, p, cmplx.Rect(0.1, deg(50)), Options{})
	near(t, "at 30, g", got.Placed[0].Mass*1e3, 74.22272, 5e-6)
	near(t, "at 90, g", got.Placed[1].Mass*1e3, 39.49308, 5e-6)

	p.Positions[1].Forbidden = true // then 200 takes its part: the gap is still below 180
	got = must(t, p, cmplx.Rect(0.1, deg(50)), Options{})
	if len(got.Placed) != 2 || got.Placed[1].Number != 3 || !got.Reached {
		t.Errorf("with place 2 forbidden: %+v", got.Placed)
	}
	p.Positions[2].Forbidden = true // one place left: the nearest point of its ray
	got = must(t, p, cmplx.Rect(0.1, deg(50)), Options{})
	near(t, "alone at 30, g", got.Placed[0].Mass*1e3, 100*math.Cos(deg(20)), 1e-9)
	near(t, "what stays, g", cmplx.Abs(got.Residual)*1e3, 100*math.Sin(deg(20)), 1e-9)
	if got.Reached || !got.Has("unreachable") {
		t.Errorf("an unreachable target was not called so: %+v", got)
	}
}

// Derived: 60 at 10 degrees from two equal movable weights of 35 stands at
// 41.0027 and 338.9973 degrees (cos a = 60/70).
func TestTwoEqualMovableWeights(t *testing.T) {
	a1, a2, rest := TwoMovable(0.035, 0.035, cmplx.Rect(0.06, deg(10)))
	near(t, "first", rotor.WithRotation.Degrees(a1), 41.0027, 5e-5)
	near(t, "second", rotor.WithRotation.Degrees(a2), 338.9973, 5e-5)
	if rest != 0 {
		t.Errorf("rest %v of a reachable target", rest)
	}
	got := must(t, rotor.Plane{Masses: []float64{0.035}}, cmplx.Rect(0.06, deg(10)), Options{MaxWeights: 2})
	if len(got.Placed) != 2 || !got.Reached {
		t.Fatalf("free angles: %+v", got)
	}
	near(t, "placed first", rotor.WithRotation.Degrees(got.Placed[0].Angle), 41.0027, 5e-5)
}

func TestRadiusCountsByMoment(t *testing.T) {
	p := rotor.Plane{Radius: 0.3, Positions: holes(4)}
	p.Positions[0].Radius = 0.2
	got := must(t, p, 0.06, Options{})
	near(t, "60 g wanted at 300 mm, placed at 200 mm, g", got.Placed[0].Mass*1e3, 90, 1e-9)
}

func TestCapSpreadsAnyMasses(t *testing.T) {
	p := rotor.Plane{Positions: holes(12), Cap: 0.03}
	got := must(t, p, cmplx.Rect(0.09, deg(40)), Options{})
	if !got.Reached || !got.Has("spread-by-cap") {
		t.Fatalf("not spread: %+v", got)
	}
	for _, q := range got.Placed {
		if q.Mass > 0.03*(1+1e-9) {
			t.Errorf("place %d carries %g kg over its cap of 0.03", q.Number, q.Mass)
		}
	}
	// The most that twelve places of 30 g can do together, along a place: 30 g sum |cos|+ = 30 (1+2 cos 30+2 cos 60).
	most := 0.03 * (1 + 2*math.Cos(deg(30)) + 2*math.Cos(deg(60)))
	got = must(t, p, complex(most+0.01, 0), Options{})
	near(t, "over the reach, kg", cmplx.Abs(got.Residual), 0.01, 1e-9)
	if got.Reached || !got.Has("unreachable") {
		t.Errorf("over the reach: %+v", got.Notes)
	}
}

func TestForceCap(t *testing.T) {
	omega := rotor.RadPerSecond(1480)
	p := rotor.Plane{Radius: 0.3, Positions: holes(16), MaxForce: rotor.Force(0.05, 0.3, omega)}
	got := must(t, p, cmplx.Rect(0.0834, deg(308.8)), Options{Speed: omega})
	for _, q := range got.Placed {
		if f := rotor.Force(q.Mass, 0.3, omega); f > p.MaxForce*(1+1e-9) {
			t.Errorf("place %d: %g N over %g N", q.Number, f, p.MaxForce)
		}
	}
	if !got.Reached {
		t.Error("not reached although more places were free")
	}
	if got = must(t, p, 0.08, Options{}); !got.Has("force-unknown") {
		t.Error("speed unknown: nothing said about the force")
	}
	p.Positions = nil
	if got = must(t, p, 0.08, Options{Speed: omega}); got.Reached || !got.Has("over-cap") || got.Mass() > 0.05*(1+1e-9) {
		t.Errorf("one weight over its cap was advised: %+v", got)
	}
}

func TestSplitRefuses(t *testing.T) {
	p := rotor.Plane{Name: "hub", Positions: holes(6), Masses: []float64{0.01}}
	nan := complex(math.NaN(), 0)
	for what, f := range map[string]func() error{
		"not a number":  func() error { _, err := Split(p, nan, Options{}); return err },
		"wrong stock":   func() error { _, err := Split(p, 1, Options{Stock: []int{1, 2}}); return err },
		"unknown place": func() error { _, err := Split(p, 1, Options{Existing: []Fitted{{Position: 9}}}); return err },
		"mass of zero":  func() error { q := p; q.Masses = []float64{0}; _, err := Split(q, 1, Options{}); return err },
		"angle not a value": func() error {
			q := p
			q.Positions = []rotor.Position{{Angle: math.Inf(1)}}
			_, err := Split(q, 1, Options{})
			return err
		},
	} {
		if f() == nil {
			t.Errorf("%s: accepted", what)
		}
	}
}
