package rotor

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, tol)
	}
}

// A displacement of 100 um peak-to-peak at 25 Hz is 5.5536 mm/s rms, 7.8540
// mm/s peak and 0.8724 m/s^2 rms: derived from x = A cos wt, v = iw x, a = -w^2 x.
func TestConvertBetweenQuantities(t *testing.T) {
	omega := 2 * math.Pi * 25
	x := complex(100e-6/PeakToPeak.OfPeak(), 0)
	v, err := Convert(x, Displacement, Velocity, omega)
	if err != nil {
		t.Fatal(err)
	}
	a, err := Convert(x, Displacement, Acceleration, omega)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "velocity rms, mm/s", cmplx.Abs(v)*1e3*RMS.OfPeak(), 5.5536, 5e-5)
	near(t, "velocity peak, mm/s", cmplx.Abs(v)*1e3, 7.8540, 5e-5)
	near(t, "acceleration rms, m/s^2", cmplx.Abs(a)*RMS.OfPeak(), 0.8724, 5e-5)
	near(t, "velocity leads displacement by", cmplx.Phase(v)*180/math.Pi, 90, 1e-9)
	near(t, "acceleration leads displacement by", math.Abs(cmplx.Phase(a))*180/math.Pi, 180, 1e-9)
	back, err := Convert(a, Acceleration, Displacement, omega)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "there and back", cmplx.Abs(back-x), 0, 1e-18)
}

func TestConvertRefuses(t *testing.T) {
	if _, err := Convert(1, Raw, Velocity, 100); err == nil {
		t.Error("a raw channel was integrated")
	}
	for _, omega := range []float64{0, -1, math.NaN()} {
		if _, err := Convert(1, Acceleration, Velocity, omega); err == nil {
			t.Errorf("integrated at omega %v", omega)
		}
	}
}

// 1 in = 25.4 mm exactly (international inch, 1959).
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit string
		si   float64
		want float64
	}{
		{"in/s", 0.0254, 1}, {"mil", 25.4e-6, 1}, {"g", 9.80665, 1}, {"mm/s", 0.001, 1}, {"um", 1e-6, 1}, {"", 3, 3},
	} {
		u, err := ParseUnit(c.unit)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.unit, c.si*u.PerSI, c.want, 1e-12)
	}
	if _, err := ParseUnit("furlong"); err == nil {
		t.Error("furlong was accepted")
	}
}

// The one switch turns weight angles and phases together: the same physical
// weight answers the same vibration however angles are counted.
func TestConventionTurnsEverythingTogether(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		v := cmplx.Rect(1+r.Float64(), 2*math.Pi*r.Float64())
		alpha := cmplx.Rect(1+r.Float64(), 2*math.Pi*r.Float64())
		w := -v / alpha
		for _, c := range []Convention{WithRotation, AgainstRotation} {
			// What a person of this convention reads, computes and fits.
			av, dv := c.Polar(v)
			aa, da := c.Polar(alpha)
			readV := cmplx.Rect(av, dv*math.Pi/180)
			readA := cmplx.Rect(aa, da*math.Pi/180)
			m, deg := cmplx.Abs(readV/readA), WrapDegrees(cmplx.Phase(-readV/readA)*180/math.Pi)
			if got := c.Phasor(m, deg); !(cmplx.Abs(got-w) <= 1e-12*cmplx.Abs(w)+1e-12) {
				t.Fatalf("%v: %v, want %v", c, got, w)
			}
		}
		amp, deg := WithRotation.Polar(v)
		if got := Lag.Phasor(WithRotation, amp, 360-deg); !(cmplx.Abs(got-v) <= 1e-12) {
			t.Fatalf("lag %v, want %v", got, v)
		}
		if got := Lead.Phasor(AgainstRotation, amp, deg); !(cmplx.Abs(got-v) <= 1e-12) {
			t.Fatalf("lead %v, want %v", got, v)
		}
	}
}

func TestWrapDegrees(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 360: 0, -1e-15: 0, 720.5: 0.5, -90: 270, 359.5: 359.5} {
		got := WrapDegrees(in)
		near(t, "wrap", got, want, 1e-9)
		if got < 0 || got >= 360 || math.Signbit(got) {
			t.Errorf("wrap %v gave %v", in, got)
		}
	}
}

// Turning a phasor turns its error ellipse: checked against drawn samples.
func TestCovTimesAgainstSamples(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	c := Cov{RR: 4, RI: 1.5, II: 1}
	z := cmplx.Rect(1.7, 0.6)
	l11 := math.Sqrt(c.RR)
	l21 := c.RI / l11
	l22 := math.Sqrt(c.II - l21*l21)
	var s Cov
	const n = 400000
	for range n {
		a, b := r.NormFloat64(), r.NormFloat64()
		y := z * complex(l11*a, l21*a+l22*b)
		s.RR += real(y) * real(y) / n
		s.RI += real(y) * imag(y) / n
		s.II += imag(y) * imag(y) / n
	}
	want := c.Times(z)
	near(t, "RR", s.RR, want.RR, 0.02*want.RR)
	near(t, "RI", s.RI, want.RI, 0.02*want.RR)
	near(t, "II", s.II, want.II, 0.02*want.II)
	major, minor, angle := want.Principal()
	near(t, "along major", want.Along(angle), major*major, 1e-12*major*major)
	near(t, "along minor", want.Along(angle+math.Pi/2), minor*minor, 1e-12*major*major)
}

func TestEvenPositionsFollowTheConvention(t *testing.T) {
	// A blade at 337.5 degrees with rotation is at 22.5 against it.
	with := EvenPositions(16, 0, WithRotation)
	against := EvenPositions(16, 0, AgainstRotation)
	near(t, "position 2 with", WithRotation.Degrees(with[1].Angle), 22.5, 1e-9)
	near(t, "position 2 against, as read there", AgainstRotation.Degrees(against[1].Angle), 22.5, 1e-9)
	near(t, "position 2 against, inside", WithRotation.Degrees(against[1].Angle), 337.5, 1e-9)
}

func TestWeightCountsByItsMoment(t *testing.T) {
	w := Weight{Mass: 0.02, Angle: 1, Radius: 0.3}
	near(t, "at half the radius", cmplx.Abs(w.Phasor(0.15)), 0.04, 1e-12)
	near(t, "radius unknown", cmplx.Abs(w.Phasor(0)), 0.02, 1e-12)
}
