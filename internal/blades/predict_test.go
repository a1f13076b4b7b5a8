package blades

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

// twoPlaneRotor answers loads at any z linearly, as a rigid rotor does.
var (
	testPlanes = []rotor.Plane{{Name: "front", Radius: 0.1, Z: -0.2}, {Name: "rear", Radius: 0.15, Z: 0.3}}
	testGain   = [][]complex128{{3 + 1i, -1 + 2i}, {0.5 - 2i, 4}}
)

// The pair that Pair proposes has the opposite effect of the couple, and the
// couple of a correction is the couple it would cancel.
func TestPairCarriedAndAnswersAgree(t *testing.T) {
	ans, err := Answers(testPlanes, testGain, 0.05)
	if err != nil {
		t.Fatal(err)
	}
	couple := cmplx.Rect(2e-3, 0.7)
	pair, err := Pair(couple, testPlanes)
	if err != nil {
		t.Fatal(err)
	}
	w := make([]complex128, 2)
	for i, p := range pair {
		w[i] = p.Phasor(testPlanes[i].Radius)
	}
	for s, row := range testGain {
		v := ans[s].Couple * couple
		for i := range row {
			v += row[i] * w[i]
		}
		near(t, "left at the sensor", cmplx.Abs(v), 0, 1e-12)
	}
	c, u := Carried(testPlanes, w, 0.05)
	near(t, "couple", cmplx.Abs(c-couple), 0, 1e-12)
	near(t, "static", cmplx.Abs(u), 0, 1e-12)
	// A static unbalance in the blades' plane is the same load as weights there.
	u = cmplx.Rect(1e-3, -1)
	l := testPlanes[1].Z - testPlanes[0].Z
	w[0] = u * complex((testPlanes[1].Z-0.05)/l/testPlanes[0].Radius, 0)
	w[1] = u * complex((0.05-testPlanes[0].Z)/l/testPlanes[1].Radius, 0)
	for s, row := range testGain {
		near(t, "static at the sensor", cmplx.Abs(row[0]*w[0]+row[1]*w[1]-ans[s].Static*u), 0, 1e-12)
	}
}

func TestAnswersRefuse(t *testing.T) {
	for _, planes := range [][]rotor.Plane{nil, testPlanes[:1], {{Radius: 1}, {Radius: 1}}, {{Z: 1}, {Radius: 1}}} {
		if _, err := Answers(planes, nil, 0); err == nil {
			t.Errorf("%v: no refusal", planes)
		}
		if _, err := Pair(1, planes); err == nil {
			t.Errorf("%v: no refusal", planes)
		}
	}
	if _, err := Answers(testPlanes, [][]complex128{{1}}, 0); err == nil {
		t.Error("a row of the wrong length must be refused")
	}
}

// The stated circle holds the truth in 95 % of random readings, for round and
// for long ellipses. 20 000 draws leave 0.3 % of doubt.
func TestRadius95(t *testing.T) {
	near(t, "round", Radius95(rotor.Isotropic(4)), 2*2.4477, 1e-3)
	near(t, "line", Radius95(rotor.Cov{RR: 4}), 2*1.9600, 1e-3)
	r := rand.New(rand.NewPCG(3, 3))
	for _, minor := range []float64{0, 0.2, 0.5, 0.8, 1} {
		r95 := Radius95(rotor.Cov{RR: 1, II: minor * minor})
		in := 0
		for range 20000 {
			if math.Hypot(r.NormFloat64(), minor*r.NormFloat64()) <= r95 {
				in++
			}
		}
		near(t, "coverage", float64(in)/20000, 0.95, 0.006)
	}
}

// The uncertainty of the harmonic is what repeated surveys scatter by.
func TestHarmonicCovariance(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n, trials, sd = 5, 4000, 0.3 * mm
	s := &Survey{Blades: n, DepthSD: sd, Angles: []float64{0, 1.1, 2.6, 3.7, 5.2}}
	base := []float64{0, 1, -0.4, 0.2, 0.7}
	var sum complex128
	var rr, ri, ii float64
	var stated rotor.Cov
	for range trials {
		s.Readings = s.Readings[:0]
		for i, v := range base {
			s.Readings = append(s.Readings, Reading{Blade: i + 1, Kind: Depth, Value: v*mm + sd*r.NormFloat64(), Confirmed: true})
		}
		g, _, err := Reduce(s)
		if err != nil {
			t.Fatal(err)
		}
		h := harmonicAbout(g.Track, s.Theta(), 0)
		stated = h.Cov
		sum += h.Sum / trials
		rr += real(h.Sum) * real(h.Sum) / trials
		ri += real(h.Sum) * imag(h.Sum) / trials
		ii += imag(h.Sum) * imag(h.Sum) / trials
	}
	got := rotor.Cov{RR: rr - real(sum)*real(sum), RI: ri - real(sum)*imag(sum), II: ii - imag(sum)*imag(sum)}
	near(t, "RR", got.RR/stated.RR, 1, 0.1)
	near(t, "II", got.II/stated.II, 1, 0.1)
	near(t, "RI", (got.RI-stated.RI)/stated.RR, 0, 0.06)
}

// Mass or geometry on a rotor whose couple is made of a known part of each.
func TestMassOrGeometry(t *testing.T) {
	s := &Survey{Blades: 6, TipRadius: 0.225, HubRadius: 0.07, BladeMass: 0.15, Chord: 0.09, DepthSD: 0.2 * mm, AngleSD: 0.2 * degree,
		Readings: append(depths(0, 4, 0, 0, -4, 0), angles(22, 22, 22, 22, 22, 22)...)}
	for i := range s.Readings {
		s.Readings[i].Confirmed = true
	}
	bent, err := Judge(s)
	if err != nil {
		t.Fatal(err)
	}
	straight := *s
	straight.Readings = append(depths(0, 0.1, 0, 0, -0.1, 0), angles(22, 22, 22, 22, 22, 22)...)
	straight.DepthSD, straight.AngleSD = 0.05*mm, 0.05*degree
	clean, err := Judge(&straight)
	if err != nil {
		t.Fatal(err)
	}
	g := bent.Effect.Couple()
	small := rotor.Isotropic(math.Pow(cmplx.Abs(g)/50, 2))
	for _, c := range []struct {
		name string
		e    Evidence
		want string
	}{
		{"all of it blades", Evidence{Survey: bent, CoupleKnown: true, Couple: g, CoupleCov: small}, "straighten"},
		{"blades and some mass", Evidence{Survey: bent, CoupleKnown: true, Couple: g * (1.3 + 0.2i), CoupleCov: small}, "straighten"},
		{"five times as much", Evidence{Survey: bent, CoupleKnown: true, Couple: 5 * g, CoupleCov: small}, "weights"},
		{"elsewhere", Evidence{Survey: bent, CoupleKnown: true, Couple: g * 3i, CoupleCov: small}, "weights"},
		{"half and half", Evidence{Survey: bent, CoupleKnown: true, Couple: 2 * g, CoupleCov: small}, "undecided"},
		{"badly measured", Evidence{Survey: bent, CoupleKnown: true, Couple: g, CoupleCov: rotor.Isotropic(math.Pow(2*cmplx.Abs(g), 2))}, "undecided"},
		{"small enough to stay", Evidence{Survey: bent, CoupleKnown: true, Couple: g / 100, CoupleCov: rotor.Isotropic(1e-16), CoupleLimit: cmplx.Abs(g)}, "weights"},
		{"nothing measured, blades bent", Evidence{Survey: bent}, "straighten"},
		{"nothing measured, blades true", Evidence{Survey: clean}, "weights"},
		{"one plane enough", Evidence{OnePlane: 0.4, OnePlaneP: 0.97, Sensors: 2}, "weights"},
		{"one plane not enough, no survey", Evidence{OnePlane: 4, OnePlaneP: 0, Sensors: 2}, "undecided"},
		{"one sensor only", Evidence{OnePlane: 0.1, OnePlaneP: 1, Sensors: 1}, "undecided"},
	} {
		j := MassOrGeometry(c.e)
		out := c.e.Survey == bent && c.want == CallUndecided // what is surely out is still put right first
		if j.Code != c.want || j.Text == "" || len(j.Cannot) == 0 || strings.Contains(j.Text, "come before weights") != out {
			t.Errorf("%s: %q (P %.3f), want %q", c.name, j.Code, j.P, c.want)
		}
	}
}

// Two readings are compared as vectors: equal amplitudes at other phases differ.
func TestComparedAsVectors(t *testing.T) {
	small := rotor.Isotropic(0.01)
	j := MassOrGeometry(Evidence{Comparisons: []Comparison{
		{Before: 3, After: 3i, BeforeCov: small, AfterCov: small, Predicted: Change{V: 3i - 3.1, Cov: small}},
		{Before: 3, After: 3.1, BeforeCov: small, AfterCov: small},
		{Before: 3, After: 3i, BeforeCov: small, AfterCov: small, Predicted: Change{V: 1, Cov: small}},
	}})
	want := []string{"geometry", "neither", "neither"}
	for i, p := range j.Pieces {
		if p.Speaks != want[i] {
			t.Errorf("comparison %d: %q %s", i+1, p.Speaks, p.Text)
		}
	}
}
