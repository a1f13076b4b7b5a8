package blades

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

func depths(values ...float64) (out []Reading) {
	for i, v := range values {
		out = append(out, Reading{Blade: i + 1, Kind: Depth, Value: v * mm})
	}
	return out
}

func angles(values ...float64) (out []Reading) {
	for i, v := range values {
		out = append(out, Reading{Blade: i + 1, Kind: Incline, Value: v * degree})
	}
	return out
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// Definition of couple unbalance, sum m r z exp(i theta), ISO 21940-1 (terms);
// the numbers recomputed by hand: 8 kg at 0.6 m, 1 mm out: 8000 g * 600 mm * 1
// mm = 4.8e6 g mm^2, in two planes 200 mm apart 24 000 g mm each.
func TestOneBladeOutOfTrack(t *testing.T) {
	s := &Survey{Blades: 6, BladeMass: 8, CGRadius: 0.6, Readings: depths(1, 0, 0, 0, 0, 0)}
	r, err := Judge(s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "couple", cmplx.Abs(r.Effect.Couple())*1e9, 4.8e6, 1)
	pair, err := r.PairFor([]rotor.Plane{{Name: "front", Radius: 0.3, Z: -0.1}, {Name: "rear", Radius: 0.3, Z: 0.1}})
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range pair {
		near(t, w.Plane, w.Mass*w.Radius*1e6, 24000, 1e-3)
	}
	if d := math.Abs(rotor.WrapRadians(pair[0].Angle - pair[1].Angle)); !(math.Abs(d-math.Pi) <= 1e-9) {
		t.Errorf("the two weights stand %g deg apart, not opposite", d/degree)
	}
	// The pair cancels: sum over planes of m r z plus the couple is nothing.
	left := r.Effect.Couple()
	for i, z := range []float64{-0.1, 0.1} {
		left += cmplx.Rect(pair[i].Mass*pair[i].Radius*z, pair[i].Angle)
	}
	near(t, "couple left", cmplx.Abs(left)*1e9, 0, 1e-3)
}

// Six blades 0, 1.2, -0.4, 0.3, -1.1, 0.6 mm: the sum of the six vectors is
// 1.7578 mm at 39.826 degrees, by a pocket calculator; times 8000 g * 600 mm the
// couple is 8.438e6 g mm^2.
func TestSixBlades(t *testing.T) {
	s := &Survey{Blades: 6, BladeMass: 8, CGRadius: 0.6, TipRadius: 0.6, Readings: depths(0, 1.2, -0.4, 0.3, -1.1, 0.6)}
	r, err := Judge(s)
	if err != nil {
		t.Fatal(err)
	}
	amp, deg := rotor.WithRotation.Polar(r.Track.Sum)
	near(t, "sum", amp/mm, 1.7578, 5e-5)
	near(t, "angle", deg, 39.826, 5e-4)
	near(t, "spread", r.Track.Spread/mm, 2.3, 1e-9)
	near(t, "couple", cmplx.Abs(r.Effect.Couple())*1e9, 8.438e6, 1e3)
	if r.Advice.TrackPlan.Count != 2 || !r.Advice.TrackPlan.Proven {
		t.Errorf("plan %+v, want two blades, proven", r.Advice.TrackPlan)
	}
}

// A mean shift of all blades and every pattern but the first cancel.
func TestOnlyTheFirstHarmonicShakes(t *testing.T) {
	for k := 0; k < 6; k++ {
		v := make([]float64, 6)
		for i := range v {
			v[i] = 3 + math.Cos(float64(k*i)*math.Pi/3)
		}
		r, err := Judge(&Survey{Blades: 6, BladeMass: 1, CGRadius: 1, Readings: depths(v...)})
		if err != nil {
			t.Fatal(err)
		}
		want := 0.0
		if k == 1 || k == 5 {
			want = 3 // (B/2) times the amplitude
		}
		near(t, "harmonic", cmplx.Abs(r.Track.Sum)/mm, want, 1e-9)
	}
}

// A blade on the wrong side of the ruler turns the couple by 180 degrees, and
// numbers that run the other way mirror it.
func TestSidesAndNumbers(t *testing.T) {
	base := Survey{Blades: 7, Blade1: 0.3, BladeMass: 1, CGRadius: 0.5, Readings: depths(0, 2, 0, -1, 0.4, 0, 0)}
	one, err := Judge(&base)
	if err != nil {
		t.Fatal(err)
	}
	other := base
	other.Side = Upstream
	two, err := Judge(&other)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "turned by 180", cmplx.Abs(one.Effect.Couple()+two.Effect.Couple()), 0, 1e-15)
	if one.Advice.Moves[0].Track*two.Advice.Moves[0].Track >= 0 {
		t.Error("the move of the same blade must turn round with the ruler's side")
	}
	back := base
	back.Numbering = rotor.AgainstRotation
	three, err := Judge(&back)
	if err != nil {
		t.Fatal(err)
	}
	turn := cmplx.Rect(1, 2*0.3) // mirrored about blade 1
	near(t, "mirrored", cmplx.Abs(three.Effect.Couple()-cmplx.Conj(one.Effect.Couple())*turn), 0, 1e-15)
}

// Niebsch and Ramlau, J. Math. in Industry 4:12 (2014): a pitch error acts in
// the plane and along the shaft, and grows with the square of speed like mass;
// 20 N of side force on one blade at 1480 rpm count as 832.6 g mm (20 N over
// omega squared).
func TestSideForceAsUnbalance(t *testing.T) {
	om := rotor.RadPerSecond(1480)
	near(t, "equivalent", 20/(om*om)*1e6, 832.6, 0.1)
}

// Stiffening: f^2/(f^2 + n^2), a blade of 9 Hz at 372 rpm keeps 0.68.
func TestStiffening(t *testing.T) {
	s := &Survey{FlapHz: 9, Speed: rotor.RadPerSecond(372)}
	near(t, "share", s.stiffening(), 0.68, 0.005)
	near(t, "rigid", (&Survey{Speed: 10}).stiffening(), 1, 0)
}

// Two readings per blade: for a chord of 90 mm at 27 degrees, the leading edge
// alone moves by -0.70 mm per degree of pitch although the blade's middle does
// not move: cos 27 * 45 mm * pi/180.
func TestTwoEdges(t *testing.T) {
	const chord, beta = 90 * mm, 27 * degree
	s := &Survey{Blades: 4, BladeMass: 1, CGRadius: 0.2, TipRadius: 0.25, Chord: chord}
	pitch := []float64{beta, beta + 1*degree, beta, beta}
	track := []float64{0, 0, 0.5 * mm, 0}
	for i := range pitch {
		half := chord / 2 * math.Sin(pitch[i])
		s.Readings = append(s.Readings,
			Reading{Blade: i + 1, Kind: Leading, Value: 60*mm + track[i] - half},
			Reading{Blade: i + 1, Kind: Trailing, Value: 60*mm + track[i] + half})
	}
	r, err := Judge(s)
	if err != nil {
		t.Fatal(err)
	}
	for i := range pitch {
		near(t, "pitch", r.Geometry.Pitch.Value[i]/degree, pitch[i]/degree, 1e-9)
		near(t, "track", r.Geometry.Track.Value[i]/mm, 60+track[i]/mm, 1e-9)
	}
	lone := *s
	lone.Readings = nil
	for _, q := range s.Readings {
		if q.Kind == Leading {
			lone.Readings = append(lone.Readings, q)
		}
	}
	one, err := Judge(&lone)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "leading edge per degree", (one.Geometry.Track.Value[1]-one.Geometry.Track.Value[0])/mm, -0.70, 0.005)
	if !has(one, "one-edge") || len(one.Advice.Moves) != 0 {
		t.Error("one edge must be told, and no blade bent on it")
	}
}

func has(r *Result, code string) bool {
	for _, v := range r.Verdicts {
		if v.Code == code {
			return true
		}
	}
	return false
}

// Published tolerances, each with its source in the preset; the figures once
// more in the units in which they were published.
func TestPublishedTolerances(t *testing.T) {
	for _, p := range []struct {
		name         string
		track, pitch float64 // mm between blades, degrees between blades
	}{
		{"cooling-tower", 2 * 25.4, 2 * 0.25},  // +-1 in, +-1/4 deg
		{"cooling-tower-inspection", 0, 2 * 1}, // within 1 to 2 deg of the maker's
		{"cooling-tower-inclinometer", 0, 0.2}, // 0.1 deg
		{"propeller-metal", 1.5875, 0},         // 1/16 in
		{"propeller-constant-speed", 3.175, 0}, // 0.125 in total
		{"propeller-wood", 3.175, 0},           // 1/8 in
		{"wind-turbine", 0, 0.6},               // +-0.3 deg
		{"small-fan", 1, 1},                    // common practice
	} {
		got, err := ByName(p.name)
		if err != nil {
			t.Error(err)
			continue
		}
		near(t, p.name+" track", got.TrackSpread/mm, p.track, 1e-9)
		near(t, p.name+" pitch", got.PitchSpread/degree, p.pitch, 1e-9)
		if got.Source == "" || got.Practice != strings.HasPrefix(got.Source, "common practice") {
			t.Errorf("%s: source %q, practice %v", p.name, got.Source, got.Practice)
		}
	}
}

// The row of blades in closed form against a finite row of vortices solved
// directly: every third of a long row of blades pitched in the pattern, all
// circulations unknown.
func TestCascadeAgainstADirectSolve(t *testing.T) {
	for _, c := range []struct {
		blades   int
		solidity float64
		pitch    float64
	}{{6, 0.4, 25}, {4, 0.8, 15}, {8, 0.6, 35}} {
		got := cascade(c.blades, c.solidity, c.pitch*degree)
		want := directCascade(c.blades, c.solidity, c.pitch*degree)
		if !(cmplx.Abs(got-want) <= 0.01) {
			t.Errorf("%+v: closed %.4f at %.2f deg, direct %.4f at %.2f deg", c, cmplx.Abs(got), cmplx.Phase(got)/degree, cmplx.Abs(want), cmplx.Phase(want)/degree)
		}
		if lead := cmplx.Phase(got) / degree; !(lead > 10 && lead < 50) {
			t.Errorf("%+v: the lift must run 10 to 50 degrees ahead, not %.1f", c, lead)
		}
	}
}

// directCascade solves B unknown circulations, each repeated around the rotor
// on 400 turns of the unwrapped row, with one blade alone pitched by a unit.
func directCascade(n int, solidity, pitch float64) complex128 {
	const turns = 400
	ct, ca := -math.Cos(pitch), math.Sin(pitch)
	a := make([][]float64, n)
	for i := range a {
		a[i] = make([]float64, n+1)
		for j := range n {
			for k := -turns; k <= turns; k++ {
				// Vortex j + k n at (j + k n, 0), control point of blade i; a
				// vortex of strength 2 pi turns the air by 1/distance.
				dx, dy := float64(i-j-k*n)+ct*solidity/2, ca*solidity/2
				d2 := dx*dx + dy*dy
				u, v := -dy/d2, dx/d2
				a[i][j] += u*-ca + v*ct // normal to the chord, chord turned by +90 degrees
			}
		}
	}
	a[0][n] = 2 / solidity // blade 0 asks for the normal velocity that one vortex of strength 2 pi makes alone
	g := gauss(a)
	sum := complex128(0)
	for i, x := range g {
		sum += cmplx.Rect(x, 2*math.Pi*float64(i)/float64(n))
	}
	return sum
}

func gauss(a [][]float64) []float64 {
	n := len(a)
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		a[c], a[p] = a[p], a[c]
		for r := range n {
			if r == c {
				continue
			}
			f := a[r][c] / a[c][c]
			for k := c; k <= n; k++ {
				a[r][k] -= f * a[c][k]
			}
		}
	}
	x := make([]float64, n)
	for i := range x {
		x[i] = a[i][n] / a[i][i]
	}
	return x
}
