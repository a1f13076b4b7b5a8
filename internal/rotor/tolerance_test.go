package rotor

import (
	"math"
	"testing"
)

func nearly(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.8g, want %.8g", what, got, want)
	}
}

// relative compares to a fraction.
func relative(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	nearly(t, what, got/want, 1, tol)
}

const gmm = 1e6 // g mm per kg m

func TestPermissibleUnbalance(t *testing.T) {
	// The constant of the trade's formula is 30000/pi = 9549.297 (worksheet "Residual
	// Unbalance Check", scribd 376662549, prints 9549).
	nearly(t, "constant", PermissibleUnbalance(1e-3, 1, RadPerSecond(1))*gmm, 9549.297, 1e-3)
	for _, k := range []struct {
		id, source            string
		mass, rpm, g          float64
		e, u                  float64 // um, g mm
		tolerance, uPublished float64
	}{
		{"A1", "ISO 1940-1:2003 annex, from memory; the inputs are defaults of a public calculator: e 8 um, U 28.8e3 rounded up", 3600, 3000, 2.5, 7.9577, 28647.9, 0.006, 28800},
		{"A5", "public unit-test text of a general engineering library: 10 kg, 3000 r/min, G 2.5", 10, 3000, 2.5, 7.9577, 79.577, 1e-5, 79.577},
		{"A7", "derived", 120, 1480, 6.3, 40.6490, 4877.88, 1e-5, 4877.88},
		{"A8", "derived", 250, 980, 6.3, 61.3883, 15347.08, 1e-5, 15347.08},
	} {
		relative(t, k.id+" e", SpecificUnbalance(k.g*1e-3, RadPerSecond(k.rpm))*1e6, k.e, 1e-5)
		u := PermissibleUnbalance(k.g*1e-3, k.mass, RadPerSecond(k.rpm)) * gmm
		relative(t, k.id+" U", u, k.u, 1e-5)
		relative(t, k.id+" U as published", u, k.uPublished, k.tolerance)
		relative(t, k.id+" back to the grade", GradeOf(u/gmm, k.mass, RadPerSecond(k.rpm)), k.g*1e-3, 1e-12)
	}
}

func TestImperialRules(t *testing.T) {
	// A2: energy-tech.com article 18389 page 4: 1000 lb at 15000 r/min on two equal
	// journals: 0.13 oz in per plane by 4W/N, 1.0 oz in by G 2.5.
	w := RadPerSecond(15000)
	relative(t, "A2 4W/N", NavyUnbalance(500*pound, w)/ounceInch, 0.1333, 1e-3)
	relative(t, "A2 Navy, whole rotor", NavyUnbalance(1000*pound, w)/ounceInch, 0.2667, 1e-3)
	relative(t, "A2 G 2.5", PermissibleUnbalance(2.5e-3, 1000*pound, w)/ounceInch, 1.0026, 1e-4)
	// A-F3: 6.015 G W/N in oz in (same article, page 3; eng-tips 205881 prints 6.0153).
	relative(t, "A-F3", PermissibleUnbalance(1e-3, pound, RadPerSecond(1))/ounceInch, 6.0153, 1e-5)
	// A3: 4W/N is G 0.665 (eng-tips 205881).
	relative(t, "A3", GradeOf(NavyUnbalance(1, w), 1, w)*1e3, 0.66497, 1e-5)
	// A4: 4 oz in rpm/lb is 6350 g mm rpm/kg (worksheet above).
	relative(t, "A4", NavyUnbalance(1, RadPerSecond(1))*gmm, 6350, 1e-9)
	// A6: F[lb] = 1.77 (n/1000)^2 per oz in and F[kgf] = 0.01 (n/1000)^2 per g cm
	// (es.scribd 114546798, equations 4.1 and 4.2; the second is rounded 10.6 % low).
	k := RadPerSecond(1000)
	relative(t, "A6 lb", Force(ounceInch, 1, k)/(pound*gravity), 1.7752, 1e-4)
	relative(t, "A6 kgf", Force(1e-5, 1, k)/gravity, 0.011182, 1e-4)
	// A-F6: G 6.3 gives a force of 10 % of the weight at 1486.5 r/min (derived).
	relative(t, "A-F6", 6.3e-3*RadPerSecond(1486.5)/gravity, 0.1, 1e-4)
	// A-F7: Bloch and Geitner page 282: W e, e = TIR/2 + clearance/2.
	relative(t, "A-F7", MountingUnbalance(10, 40e-6, 20e-6)*gmm, 300, 1e-12)
}

func TestAllocation(t *testing.T) {
	per := PermissibleUnbalance(6.3e-3, 120, RadPerSecond(1480))
	for _, k := range []struct {
		id   string
		per  float64 // g mm
		b    Bearings
		a, z float64
	}{
		// ISO 1940-1:2003 annex, from memory: 28.8e3 over 1500 and 900 mm.
		{"A1", 28800, Bearings{ToA: 1.5, ToB: 0.9}, 10800, 18000},
		{"A10a", per * gmm, Bearings{ToA: 0.24, ToB: 0.36}, 2926.7, 1951.2},
		// The limits 0.3/0.7 and 1.3 are from memory of clause 7.3.
		{"A10b", per * gmm, Bearings{ToA: 0.12, ToB: 0.48}, 3414.5, 1463.4},
		{"A10c", per * gmm, Bearings{ToA: 0.8, ToB: 0.2, Overhung: true}, 1626.0, 6341.2},
	} {
		a, z, err := Allocate(k.per/gmm, k.b)
		if err != nil {
			t.Fatal(err)
		}
		relative(t, k.id+" A", a*gmm, k.a, 1e-4)
		relative(t, k.id+" B", z*gmm, k.z, 1e-4)
	}
	for _, b := range []Bearings{{}, {ToA: -1, ToB: 2}, {ToA: 0.2, ToB: 0.8, Overhung: true}} {
		if _, _, err := Allocate(1, b); err == nil {
			t.Errorf("%+v was accepted", b)
		}
	}
}

// From memory of ISO 21940-14: the balancer counts his error against the rotor,
// the later checker against himself.
func TestAcceptance(t *testing.T) {
	for _, k := range []struct {
		u, e     float64
		side     Side
		accepted bool
	}{
		{0.85, 0.1, Balancer, true}, {0.95, 0.1, Balancer, false}, {0.95, 0.1, Checker, true},
		{1.05, 0.1, Checker, true}, {1.15, 0.1, Checker, false}, {1, 0, Balancer, true}, {math.NaN(), 0, Checker, false},
	} {
		if got := Accept(k.u, k.e, 1, k.side); got != k.accepted {
			t.Errorf("%+v: %v", k, got)
		}
	}
}

func TestGradesAndCategories(t *testing.T) {
	// Bloch and Geitner, table 6-5: fans are G 6.3; the steps are 2.5.
	for i := range Grades[1:] {
		relative(t, "step", Grades[i+1].G/Grades[i].G, 2.5, 0.021)
	}
	// B.1, read in a public table of AMCA 204-20 / ISO 14694:2003 (secondary).
	want := map[string]float64{"BV-1": 16, "BV-2": 16, "BV-3": 6.3, "BV-4": 2.5, "BV-5": 1}
	if len(FanCategories) != len(want) {
		t.Fatalf("%d categories", len(FanCategories))
	}
	for _, c := range FanCategories {
		if c.Grade != want[c.Name] {
			t.Errorf("%s: G %g, want G %g", c.Name, c.Grade, want[c.Name])
		}
		for _, l := range []Limit{c.Works.Rigid, c.Works.Flexible, c.StartUp.Rigid, c.StartUp.Flexible, c.Alarm.Rigid, c.Alarm.Flexible} {
			// the tables round peak and rms apart, by no more than this
			if r := l.Peak / l.RMS; !(r >= 1.35 && r <= 1.47) {
				t.Errorf("%s: peak %g and rms %g do not belong together", c.Name, l.Peak, l.RMS)
			}
		}
	}
	if _, ok := FanCategories[0].Trip.Rigid.Of(RMS); ok {
		t.Error("a limit that is to be set from history was given")
	}
	if _, ok := FanCategories[2].Trip.Rigid.Of(PeakToPeak); ok {
		t.Error("a limit was converted to a quantity that the tables do not hold")
	}
	if _, err := ParseFanCategory("BV-6"); err == nil {
		t.Error("BV-6 was accepted")
	}
	for _, k := range []struct {
		u    FanUse
		kw   float64
		want string
	}{{Residential, 0.1, "BV-1"}, {AirConditioning, 5, "BV-3"}, {Industrial, 200, "BV-3"}, {Tunnel, 90, "BV-4"}, {ChipMaking, 1, "BV-5"}} {
		if got := CategoryFor(k.u, k.kw*1e3); got != k.want {
			t.Errorf("%d at %g kW: %s, want %s", k.u, k.kw, got, k.want)
		}
	}
}

func TestZones(t *testing.T) {
	z, ok := ZonesFor(Machine{Power: 100e3})
	if !ok || z.CD != 4.5e-3 {
		t.Fatal(z, ok)
	}
	for _, k := range []struct {
		mm   float64
		want string
	}{{1, "A"}, {1.4, "A"}, {2, "B"}, {4, "C"}, {5, "D"}, {math.NaN(), ""}} {
		if got := z.Zone(k.mm * 1e-3); got != k.want {
			t.Errorf("%g mm/s: %q, want %q", k.mm, got, k.want)
		}
	}
	for _, z := range ZonePresets {
		if !(z.AB < z.BC && z.BC < z.CD) {
			t.Errorf("%s is out of order", z.Name)
		}
	}
	if _, ok := ZonesFor(Machine{}); ok {
		t.Error("zones were given for an unknown power")
	}
	nearly(t, "alarm", z.AlarmLimit(1e-3), 1.7e-3, 1e-12)
	nearly(t, "alarm, held", z.AlarmLimit(3.4e-3), 3.5e-3, 1e-12)
	nearly(t, "trip", z.TripLimit(), 5.625e-3, 1e-12)
	if !z.Changed(1e-3, 1.8e-3) || z.Changed(1e-3, 1.6e-3) || !z.Changed(2e-3, 1e-3) {
		t.Error("a change is misjudged")
	}
}

// D.4, derived: 100 um peak to peak at 25 Hz.
func TestUnitsOfOneMotion(t *testing.T) {
	w := 2 * math.Pi * 25
	d := complex(50e-6, 0)
	v, err := Convert(d, Displacement, Velocity, w)
	if err != nil {
		t.Fatal(err)
	}
	a, _ := Convert(d, Displacement, Acceleration, w)
	nearly(t, "peak velocity", imag(v)*1e3, 7.8540, 1e-4)
	nearly(t, "rms velocity", imag(v)*1e3*RMS.OfPeak(), 5.5536, 1e-4)
	nearly(t, "rms acceleration", -real(a)*RMS.OfPeak(), 0.8724, 1e-4)
	nearly(t, "peak to peak", real(d)*1e6*PeakToPeak.OfPeak(), 100, 1e-9)
	nearly(t, "velocity leads by 90 degrees", real(v), 0, 1e-15)
	nearly(t, "acceleration leads by 180 degrees", imag(a), 0, 1e-12)
}

func TestParseGrade(t *testing.T) {
	for s, want := range map[string]float64{"6.3": 6.3e-3, "G6.3": 6.3e-3, "G 2.5": 2.5e-3, "16": 16e-3} {
		if g, err := ParseGrade(s); err != nil || g != want {
			t.Errorf("%q: %v, %v", s, g, err)
		}
	}
	for _, s := range []string{"", "G", "-1", "fan", "1e9", "NaN"} {
		if g, err := ParseGrade(s); err == nil {
			t.Errorf("%q was read as %g", s, g)
		}
	}
}
