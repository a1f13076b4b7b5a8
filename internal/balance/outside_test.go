package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

func polar(m, degrees float64) complex128 { return cmplx.Rect(m, degrees*math.Pi/180) }

func near(t *testing.T, what string, got, want complex128, tol float64) {
	t.Helper()
	if !(cmplx.Abs(got-want) <= tol) {
		t.Errorf("%s: %.6g at %.6g deg, want %.6g at %.6g deg", what,
			cmplx.Abs(got), deg(cmplx.Phase(got)), cmplx.Abs(want), deg(cmplx.Phase(want)))
	}
}

func nearly(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.8g, want %.8g", what, got, want)
	}
}

// Known masses in one plane, force balance.
func TestStaticOfKnownMasses(t *testing.T) {
	// Khurmi, Theory of Machines, example 21.1 (inputs read on mechdiploma.com; the
	// book's graphical answer 116 kg at 201.48, from memory, differs by drawing).
	four := []Unbalance{{U: polar(200*0.2, 0)}, {U: polar(300*0.15, 45)}, {U: polar(240*0.25, 120)}, {U: polar(260*0.3, 255)}}
	near(t, "S4", -StaticOf(four)/0.2, polar(116.09894572223843, 201.31191309938893), 1e-9)
	if d := cmplx.Abs(-StaticOf(four)/0.2 - polar(116, 201.48)); !(d < 0.5) {
		t.Errorf("the book's drawing is %g kg away", d)
	}
	// byjus.com, two masses at a right angle: 107.70 kg (from memory) at 0.2 m.
	two := []Unbalance{{U: polar(100*0.2, 0)}, {U: polar(20*0.4, 90)}}
	nearly(t, "S5", cmplx.Abs(StaticOf(two))/0.2, 107.703, 1e-3)
}

// Known masses along a shaft, force and moment balance.
func TestResolverOfTwoPlanes(t *testing.T) {
	// Khurmi, Theory of Machines, example 21.2, all from memory: the drawing gives X
	// 355 kg at 145 clockwise and Y 182.5 kg at 12.5 clockwise; recomputed with numpy.
	us := []Unbalance{{polar(200*80, 0), 0}, {polar(300*70, 45), 300}, {polar(400*60, 115), 400}, {polar(200*80, 235), 700}}
	x, y, err := ResolveTwo(us, 100, 500)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "K1 X", x/100, polar(352.9721186550012, 213.3713235327847), 1e-9)
	near(t, "K1 Y", y/100, polar(184.0590238237022, 347.19772620781237), 1e-9)
	nearly(t, "K1 X against the drawing", cmplx.Abs(x)/100, 355, 3)
	nearly(t, "K1 Y against the drawing", cmplx.Abs(y)/100, 182.5, 2)
	all := append(us, Unbalance{x, 100}, Unbalance{y, 500})
	near(t, "K1 force left", StaticOf(all), 0, 1e-6)
	near(t, "K1 moment left", MomentOf(all, 0), 0, 1e-3)
	if _, _, err := ResolveTwo(us, 3, 3); err == nil {
		t.Error("two planes at one place were accepted")
	}
}

func TestResolverWithFreePlace(t *testing.T) {
	// Shaft A B C D in balance: B 18 kg and C 12.5 kg at 60 mm, A and D at 80 mm, C 100
	// and A 190 degrees from B, AB 100 mm, BC 200 mm (inputs read on holooly.com;
	// Khurmi example 21.3). The book's drawing, from memory: A 9.625 kg, D 8.125 kg,
	// AD 361.5 mm, D at 251 degrees. Recomputed with numpy.
	b, c := Unbalance{polar(18*60, 0), 100}, Unbalance{polar(12.5*60, 100), 300}
	bc := []Unbalance{b, c}
	dTimesAD := -MomentOf(bc, 0) // about A
	angleD := cmplx.Phase(dTimesAD)
	ma, md, err := Along(-StaticOf(bc), 190*math.Pi/180, angleD)
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "K2 A", ma/80, 9.669209248545117, 1e-9)
	nearly(t, "K2 D", md/80, 7.910569335810483, 1e-9)
	nearly(t, "K2 AD", cmplx.Abs(dTimesAD)/md, 366.6856460939699, 1e-8)
	nearly(t, "K2 angle of D", deg(angleD)+360, 252.72024216663084, 1e-9)
	for _, k := range [][3]float64{{ma / 80, 9.625, 0.01}, {md / 80, 8.125, 0.03}, {cmplx.Abs(dTimesAD) / md, 361.5, 0.02}} {
		if !(math.Abs(k[0]/k[1]-1) <= k[2]) {
			t.Errorf("K2: %g is further from the drawing's %g than drawing accuracy", k[0], k[1])
		}
	}
	// Derived: 100 at 50 onto 30 and 90.
	a1, a2, _ := Along(polar(100, 50), 30*math.Pi/180, 90*math.Pi/180)
	nearly(t, "X6 first", a1, 74.22272, 1e-5)
	nearly(t, "X6 second", a2, 39.49308, 1e-5)
}

// Derived, exact by construction.
func TestStaticAndCouple(t *testing.T) {
	s, c := StaticCouple(polar(7, 40), polar(5, 170))
	near(t, "X4 static", s, polar(2.6928083538353706, 85.33220509401717), 1e-12)
	near(t, "X4 couple", c, polar(5.454244509509492, 19.44397716984317), 1e-12)

	u1, u2 := polar(900, 20), polar(700, 200)
	us := []Unbalance{{u1, 0}, {u2, 300}}
	near(t, "X5 static", StaticOf(us), polar(200, 20), 1e-9)
	near(t, "X5 moment", MomentOf(us, 120), polar(234000, 200), 1e-6)
	static, pair := StaticShare(u1, u2, 0, 300, 120)
	near(t, "X5 pair", pair, polar(780, 200), 1e-9)
	near(t, "X5 plane 1", static*complex(180.0/300, 0)-pair, u1, 1e-9)
	near(t, "X5 plane 2", static*complex(120.0/300, 0)+pair, u2, 1e-9)
}

// Residual check with a moving test weight.
func TestMovingTestWeight(t *testing.T) {
	q := TestWeight{Test: 0.72, Readings: []float64{14, 12, 14, 23.5, 23, 15.5}}
	for i := range q.Readings {
		q.Angles = append(q.Angles, float64(i)*math.Pi/3)
	}
	// Sample of the annex of API 617, from memory; trial 0.72 oz in. The worksheet rule
	// (max-min)/(max+min), read on scribd 376662549, misses the true extremes.
	r, err := ProveResidual(q)
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "R1 extremes", r.Extremes, 0.2332, 5e-5)
	nearly(t, "R1 first harmonic", r.Residual, 0.2906, 5e-5)
	if len(r.Verdicts) == 0 || r.Verdicts[0].Code != "extremes-low" {
		t.Errorf("the trap was not named: %v", r.Verdicts)
	}
	// D1: 12 places, each within 12 % of the mean (Bloch and Geitner, page 298). With a
	// residual of 1 U_mar and a test mass of 10 U_mar the readings just touch 10 %.
	twelve := TestWeight{Test: 10}
	for i := range 12 {
		a := float64(i) * math.Pi / 6
		twelve.Angles = append(twelve.Angles, a)
		twelve.Readings = append(twelve.Readings, 3*cmplx.Abs(1+cmplx.Rect(10, a)))
	}
	r, err = ProveResidual(twelve)
	if err != nil {
		t.Fatal(err)
	}
	nearly(t, "twelve places", r.Residual, 1, 0.01)
	if !(r.Spread <= 0.12) {
		t.Errorf("a rotor at 1 U_mar spreads %.3f, and the standard's limit is 0.12", r.Spread)
	}
	if ok, out, err := ProveUmar(twelve.Readings); err != nil || !ok || out != 0 {
		t.Errorf("a rotor at 1 U_mar: %v, %d outside, %v", ok, out, err)
	}
	twelve.Readings[3], twelve.Readings[8] = twelve.Readings[3]*1.3, twelve.Readings[8]*0.7
	if ok, out, _ := ProveUmar(twelve.Readings); ok || out != 2 {
		t.Errorf("two readings far outside passed: %d", out)
	}
	for _, bad := range []TestWeight{{}, {Test: 1, Angles: []float64{0, 1, 2, 3}, Readings: []float64{1, 2, math.NaN(), 1}}, {Test: -1, Angles: q.Angles, Readings: q.Readings}, {Test: 1, Angles: q.Angles, Readings: make([]float64, 6)}} {
		if _, err := ProveResidual(bad); err == nil {
			t.Errorf("%v was accepted", bad)
		}
	}
}

// D1: Bloch and Geitner, page 296: a rotor of 50 000 g on a machine of e_mar 0.00002
// in has U_mar 0.5 g in per plane, and the test mass is 5 g in: 1.25 g at 4 in.
func TestUmarWorkedExample(t *testing.T) {
	umar := 50000 * 0.00002 / 2
	nearly(t, "U_mar per plane", umar, 0.5, 1e-12)
	nearly(t, "test mass at 4 in", 10*umar/4, 1.25, 1e-12)
	// With the claimed residual in the plane the readings spread by 10 %, inside 12.
	var readings []float64
	for i := range 12 {
		readings = append(readings, cmplx.Abs(complex(umar, 0)+cmplx.Rect(10*umar, float64(i)*math.Pi/6)))
	}
	if ok, _, err := ProveUmar(readings); err != nil || !ok {
		t.Errorf("the claim fails: %v %v", readings, err)
	}
	if _, _, err := ProveUmar(readings[:6]); err == nil {
		t.Error("six readings were accepted for twelve")
	}
}

// The geometry of the test itself: |r + t e^{ia}| is the same for r and t
// exchanged, so a residual of twice the test weight reads as half of it. That must
// never pass for a proof.
func TestResidualAboveTheTestWeight(t *testing.T) {
	prove := func(residual float64) TestWeightResult {
		t.Helper()
		q := TestWeight{Test: 10}
		for i := range 12 {
			a := float64(i) * math.Pi / 6
			q.Angles = append(q.Angles, a)
			q.Readings = append(q.Readings, 3*cmplx.Abs(cmplx.Rect(residual, 1)+cmplx.Rect(10, a)))
		}
		r, err := ProveResidual(q)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	for _, residual := range []float64{18, 10, 6} {
		r := prove(residual)
		if codes := fmt.Sprint(r.Verdicts); !r.EitherWay || !strings.Contains(codes, "either-way") {
			t.Errorf("a residual of %g beside a test weight of 10 is proved as %.3g: %s", residual, r.Residual, codes)
		}
	}
	if r := prove(2); r.EitherWay || math.Abs(r.Residual-2) > 1e-9 || math.Abs(r.Angle-1) > 1e-9 {
		t.Errorf("a residual of 2 reads %+v", r)
	}
}

// A vector triangle worked out by hand: 6 mm/s at 40 degrees as found, 8 mm/s at
// 100 with 20 g at 90. The difference is sqrt(36 + 64 - 2 6 8 cos 60) = sqrt 52 mm/s,
// so the weight has to be 20 g x 6 / sqrt 52. The triangle's angle between the
// difference and the reversed first vector is acos((6 - 8 cos 60)/sqrt 52), and by
// it the weight moves on from 90 degrees, in the sense that turns the effect upon
// the reversed vector.
func TestVectorTriangle(t *testing.T) {
	c := Case{Planes: []rotor.Plane{{Name: "hub"}}, Sensors: []Sensor{{Name: "DE"}}, Runs: []Run{
		{Vectors: []Vector{{V: polar(6, 40)}}},
		{Weights: []rotor.Weight{{Plane: "hub", Mass: 0.020, Angle: 90 * math.Pi / 180}}, Vectors: []Vector{{V: polar(8, 100)}}}}}
	a, err := Solve(c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	root := math.Sqrt(52)
	turn := math.Acos((6-8*math.Cos(math.Pi/3))/root) * 180 / math.Pi
	near(t, "total", a.Corrections[0].Total, polar(0.020*6/root, 90+turn), 1e-12)
	near(t, "further", a.Corrections[0].Further, a.Corrections[0].Total-polar(0.020, 90), 1e-12)
}
