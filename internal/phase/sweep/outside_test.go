package sweep

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

const python = "/usr/bin/python3" // Debian's, with numpy and scipy

// coast has scipy solve a coast-down and turns it into points by way of the
// extractor, as a recording would be.
func coast(t *testing.T, f0, zeta, f1, seconds, rate, k, c, noise float64) *Sweep {
	t.Helper()
	if err := exec.Command(python, "-c", "import scipy").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("scipy must be there in CI: %v", err)
		}
		t.Skipf("scipy is not installed for %s: %v", python, err)
	}
	args := []string{"testdata/coast.py"}
	for _, v := range []float64{f0, zeta, f1, seconds, rate, k, c} {
		args = append(args, fmt.Sprint(v))
	}
	out, err := exec.Command(python, args...).Output()
	if err != nil {
		t.Fatalf("the reference could not be run: %v", err)
	}
	var ref struct{ X, Edges []float64 }
	if err := json.Unmarshal(out, &ref); err != nil {
		t.Fatal(err)
	}
	setup := &acq.Setup{Source: "scipy", Rate: rate, TickHz: rate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "x", Quantity: rotor.Displacement, Scale: 1}}}
	r := rand.New(rand.NewPCG(1, 9))
	x := phase.NewExtractor(phase.Config{})
	s := New(setup, x.Orders())
	const size = 500
	for at, edge := 0, 0; at+size <= len(ref.X); at += size {
		b := &acq.Block{Setup: setup, Tick: uint64(at), Sample: uint64(at), Samples: [][]float32{make([]float32, size)}}
		for i := range size {
			b.Samples[0][i] = float32(ref.X[at+i] + noise*r.NormFloat64())
		}
		for ; edge < len(ref.Edges) && ref.Edges[edge] < float64(at+size); edge++ {
			b.Edges = append(b.Edges, acq.Edge{Pos: ref.Edges[edge] - float64(at), Number: uint64(edge)})
		}
		x.Add(b, s.Add)
	}
	return s
}

// A coast-down of known damping by scipy's ODE solver: from slow against the
// mode's decay to so fast that the peak of the vectors stands well off the
// resonance and beats behind it.
func TestCoastDownAgainstScipy(t *testing.T) {
	for _, c := range []struct {
		name             string
		zeta, k, seconds float64
	}{
		{"slow", 0.05, 0.0004, 30},
		{"quick", 0.04, 0.003, 8},
		{"sharp and quick", 0.012, 0.002, 10},
	} {
		s := coast(t, 13, c.zeta, 25, c.seconds, 2000, c.k, 0.5, 0.02)
		f, err := s.Fit()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		m := strongest(f)
		t.Logf("%s: %.3f +- %.3f Hz, damping %.4f +- %.4f, misfit %.3f, carried %v, %d modes, %d points", c.name,
			m.Speed/(2*math.Pi), m.SpeedSD/(2*math.Pi), m.Damping, m.DampingSD, f.Misfit, f.Carried, len(f.Modes), f.Points)
		if !(math.Abs(m.Speed/(2*math.Pi)-13) <= 0.01*13) {
			t.Errorf("%s: resonance at %.3f Hz, the equation has 13", c.name, m.Speed/(2*math.Pi))
		}
		if !(math.Abs(m.Damping-c.zeta) <= 0.1*c.zeta) {
			t.Errorf("%s: damping %.4f, the equation has %.4f", c.name, m.Damping, c.zeta)
		}
		// Phase slope at 20 Hz from the closed form of one mode.
		w := 2 * math.Pi * 20.0
		want := slopeOfOne(2*math.Pi*13, c.zeta, w)
		got, sd := f.At(0, w).DegPerPercent()
		if !(math.Abs(got-want) <= math.Max(0.15*math.Abs(want), 4*sd)) {
			t.Errorf("%s: slope %.3f +- %.3f deg/%%, want %.3f", c.name, got, sd, want)
		}
	}
}

func strongest(f *Fit) Mode {
	best, at := 0.0, 0
	for i, p := range f.poles {
		if v := cmplx.Abs(f.shares[0][i] * p.response(p.omega, rotor.Displacement)); v > best {
			best, at = v, i
		}
	}
	return f.Modes[at]
}

// slopeOfOne is d arg/d ln w of w^2/(w0^2 - w^2 + 2 i z w0 w) in deg/%:
// arg = -atan(2 z r/(1-r^2)), so r d arg/dr = -2 z r (1+r^2)/((1-r^2)^2 + (2 z r)^2).
func slopeOfOne(w0, z, w float64) float64 {
	r := w / w0
	return -2 * z * r * (1 + r*r) / ((1-r*r)*(1-r*r) + 4*z*z*r*r) * 180 / math.Pi / 100
}

// Closed forms: one mode, and the two-mass system of den Hartog, Mechanical
// Vibrations, section 3.2 (vibration absorber; from memory) with light damping,
// driven by an unbalance on the first mass. The eigenvalues are those of the
// damped system's matrix, worked out here from its quartic.
func TestClosedForms(t *testing.T) {
	noise := rand.New(rand.NewPCG(2, 2))
	build := func(h func(w float64) complex128, sd float64) *Sweep {
		s := &Sweep{Channels: []Channel{{"x", rotor.Displacement}}, Orders: []int{1}}
		for n := 300.0; n < 3000; n *= 1.012 {
			w := rotor.RadPerSecond(n)
			s.Points = append(s.Points, Point{At: math.NaN(), Speed: w, Turns: 1,
				Values: []complex128{h(w) + complex(sd*noise.NormFloat64(), sd*noise.NormFloat64())}})
		}
		return s
	}
	t.Run("one", func(t *testing.T) {
		w0, z := rotor.RadPerSecond(1500), 0.05
		h := func(w float64) complex128 { return pole{omega: w0, zeta: z}.response(w, rotor.Displacement) }
		f, err := build(h, 0.05).Fit()
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Modes) != 1 || !(math.Abs(f.Modes[0].Speed/w0-1) <= 0.003) || !(math.Abs(f.Modes[0].Damping/z-1) <= 0.05) {
			t.Errorf("modes %+v, want one at %.1f rad/s with damping %.2f", f.Modes, w0, z)
		}
		for _, c := range []struct {
			rpm  float64
			code string
		}{{2400, Quiet}, {1500, On}, {1620, Near}} {
			j := f.Judge(rotor.RadPerSecond(c.rpm))
			want := slopeOfOne(w0, z, j.Speed)
			got, _ := j.Places[0].DegPerPercent()
			if j.Code != c.code || !(math.Abs(got-want) <= 0.15*math.Abs(want)) {
				t.Errorf("%v rpm: %s, slope %.3f; want %s, %.3f: %s", c.rpm, j.Code, got, c.code, want, j.Text)
			}
			if (c.code != Quiet) != (j.Better > 0) {
				t.Errorf("%v rpm: better speed %.0f rpm", c.rpm, rotor.RPM(j.Better))
			}
		}
		// n = 3 + 2 r^2/(1-r^2) in velocity below resonance, light damping (the
		// logarithmic derivative of w^3/(1-r^2)).
		p := f.At(0, 0.5*w0)
		if n := real(p.Slope(rotor.Velocity).Rate); !(math.Abs(n-(3+2*0.25/0.75)) <= math.Max(0.05, 3*p.ExponentSD)) {
			t.Errorf("speed exponent %.3f +- %.3f, want %.3f", n, p.ExponentSD, 3+2*0.25/0.75)
		}
	})
	t.Run("two", func(t *testing.T) {
		// m1 = 1, m2 = 0.3, k1 = 150^2, k2 = 0.3 * 120^2, c1 = 12, c2 = 3.
		m1, m2, k1, k2, c1, c2 := 1.0, 0.3, 22500.0, 0.3*14400, 12.0, 3.0
		h := func(w float64) complex128 {
			a := complex(k1+k2-m1*w*w, w*(c1+c2))
			b := complex(-k2, -w*c2)
			d := complex(k2-m2*w*w, w*c2)
			return complex(w*w, 0) * d / (a*d - b*b)
		}
		f, err := build(h, 0.03).Fit()
		if err != nil {
			t.Fatal(err)
		}
		want := quartic(m1, m2, k1, k2, c1, c2)
		if len(f.Modes) != 2 {
			t.Fatalf("%d modes: %+v, want %v", len(f.Modes), f.Modes, want)
		}
		for i, s := range want {
			w0, z := cmplx.Abs(s), -real(s)/cmplx.Abs(s)
			if !(math.Abs(f.Modes[i].Speed/w0-1) <= 0.01) || !(math.Abs(f.Modes[i].Damping/z-1) <= 0.1) {
				t.Errorf("mode %d: %+v, want %.2f rad/s, damping %.4f", i, f.Modes[i], w0, z)
			}
		}
	})
}

// quartic finds the two roots with positive imaginary part of
// (m1 s^2 + (c1+c2) s + k1+k2)(m2 s^2 + c2 s + k2) - (c2 s + k2)^2 by Durand and
// Kerner's iteration, ascending.
func quartic(m1, m2, k1, k2, c1, c2 float64) []complex128 {
	f := func(s complex128) complex128 {
		c := func(v float64) complex128 { return complex(v, 0) }
		return ((c(m1)*s+c(c1+c2))*s+c(k1+k2))*((c(m2)*s+c(c2))*s+c(k2)) - (c(c2)*s+c(k2))*(c(c2)*s+c(k2))
	}
	z := []complex128{complex(-5, 100), complex(-5, -100), complex(-9, 180), complex(-9, -181)}
	for range 500 {
		for i := range z {
			d := complex(m1*m2, 0)
			for j := range z {
				if j != i {
					d *= z[i] - z[j]
				}
			}
			z[i] -= f(z[i]) / d
		}
	}
	var out []complex128
	for _, s := range z {
		if imag(s) > 0 {
			out = append(out, s)
		}
	}
	if len(out) == 2 && cmplx.Abs(out[0]) > cmplx.Abs(out[1]) {
		out[0], out[1] = out[1], out[0]
	}
	return out
}

// The run-up of a real two-disk rotor through a split critical speed (source
// beside the data). Its amplitude is largest at 1665 rpm and its phase a quarter
// turn past that of slow speed at about 1657; "first critical about 1650".
func TestRunUpOfARealRotor(t *testing.T) {
	file, err := os.Open("../../../testdata/two-disk-rotor/run-up-1x.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	s := &Sweep{Channels: []Channel{{"probe", rotor.Displacement}}, Orders: []int{1}}
	for _, row := range rows[1:] {
		var v [3]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		s.Points = append(s.Points, Point{At: math.NaN(), Speed: rotor.RadPerSecond(v[0]), Turns: 1,
			Values: []complex128{cmplx.Rect(v[1], v[2]*math.Pi/180)}})
	}
	f, err := s.Fit()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range f.Modes {
		t.Logf("%.1f +- %.1f rpm, damping %.4f +- %.4f", rotor.RPM(m.Speed), rotor.RPM(m.SpeedSD), m.Damping, m.DampingSD)
	}
	m := strongest(f)
	if got := rotor.RPM(m.Speed); !(got >= 1640 && got <= 1675) {
		t.Errorf("resonance at %.1f rpm, the data show it at 1650 to 1665", got)
	}
	if j := f.Judge(rotor.RadPerSecond(1660)); j.Code != On {
		t.Errorf("1660 rpm is judged %s: %s", j.Code, j.Text)
	}
	j := f.Judge(rotor.RadPerSecond(1100))
	t.Log(j.Text)
	if j.Code == On {
		t.Errorf("1100 rpm is judged %s: %s", j.Code, j.Text)
	}
}
