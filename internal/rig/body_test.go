package rig

import (
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/rotor"
)

// The figures come from a separate calculation in numpy with the same invented
// bodies (eigenvalues of the state matrix, numpy.linalg.solve of the dynamic
// stiffness). They prove the arithmetic, not that any fan is like that.
var designs = []struct {
	name  string
	modes []float64 // Hz at running speed
	tenG  []float64 // mm/s rms at DE-H, DE-V, NDE-H, NDE-V, DE-A for 10 g in the wheel's plane
	track float64   // mm/s rms, worst radial probe, +-1 mm on opposite blades
	pitch float64   // mm/s rms, likewise +-1 degree
	gmm   float64   // permissible unbalance at G 6.3 and what it makes
	at    float64   // mm/s rms
}{
	{"bench-fan", []float64{48.35, 60.11, 68.38, 85.68}, []float64{2.540, 1.114, 0.2239, 0.0760, 0.390}, 0.434, 0.073, 157, 0.66},
	{"extractor", []float64{63.70, 89.47, 92.89, 130.57}, []float64{0.1419, 0.0682, 0.0536, 0.0257, 0.0188}, 0.120, 0.042, 5600, 0.40},
	{"cooling-fan", []float64{12.52, 16.67, 19.00, 24.51}, []float64{0.0259, 0.0489, 0.0031, 0.0084, 0.0344}, 0.104, 0.231, 16500, 0.32},
}

func within(t *testing.T, what string, got, want, part float64) {
	t.Helper()
	if !(math.Abs(got-want) <= part*math.Abs(want)) {
		t.Errorf("%s: %.5g, want %.5g within %g %%", what, got, want, part*100)
	}
}

func TestDesigns(t *testing.T) {
	for _, d := range designs {
		t.Run(d.name, func(t *testing.T) {
			p, err := Preset(d.name)
			if err != nil {
				t.Fatal(err)
			}
			for i, m := range p.Body.modes(p.Drive.Run) {
				within(t, "natural frequency", m.Hz, d.modes[i], 0.002)
			}
			w := &p.Wheel
			radius := map[string]float64{"bench-fan": 0.060, "extractor": 0.200, "cooling-fan": 0.250}[d.name]
			gram := func(g float64) pull {
				u := complex(g/1000*radius, 0)
				return pull{u, u * complex(w.Z, 0)}
			}
			omega := p.Drive.Run
			for i, pr := range p.Probes {
				within(t, "10 g at "+pr.Name, 1000*cmplx.Abs(p.velocity(pr, omega, gram(10)))/math.Sqrt2, d.tenG[i], 0.02)
			}
			within(t, "G 6.3", d.at, p.worst(gram(d.gmm/1000/radius)), 0.03)
			u := 0.0063 / omega * p.RotorMass * 1e6 // g mm, U = G M/omega
			within(t, "permissible unbalance", u, d.gmm, 0.02)

			pair := func(track, pitch float64) []Blade {
				return []Blade{
					{Angle: 0, Track: track, Pitch: pitch, Mass: w.BladeMass},
					{Angle: math.Pi, Track: -track, Pitch: -pitch, Mass: w.BladeMass},
				}
			}
			still := hidden{gain: 1, turn: 1}
			within(t, "opposite track", p.worst(p.bladePull(pair(0.001, 0), still, omega)), d.track, 0.04)
			// The reference took the air of a rigid blade without its lead.
			w.FlapHz, w.Lead = 1e6, 0
			within(t, "opposite pitch", p.worst(p.bladePull(pair(0, degree), still, omega)), d.pitch, 0.03)
		})
	}
}

// worst is the largest radial velocity in mm/s rms.
func (p *Params) worst(a pull) float64 {
	w := 0.0
	for _, pr := range p.Probes {
		if !pr.Axial {
			w = max(w, 1000*cmplx.Abs(p.velocity(pr, p.Drive.Run, a))/math.Sqrt2)
		}
	}
	return w
}

// A single mass on one spring has a textbook answer: x = F/(k - m w^2 + i w c).
func TestRespondSingleSpring(t *testing.T) {
	b := Body{Mass: 10, Id: 1, Zeta: 0.05, Supports: []Support{{0.1, 1e5, 2e5}, {-0.1, 1e5, 2e5}}}
	w := 100.0
	q, ok := b.respond(w, 3, 0)
	c := 2 * 2 * 0.05 * math.Sqrt(1e5*10/2)
	want := 3 / complex(2e5-10*w*w, w*c)
	if !ok || !(cmplx.Abs(q[0]-want) <= 1e-12*cmplx.Abs(want)) || q[1] != 0 {
		t.Errorf("x = %v, want %v; tilt %v", q[0], want, q[1])
	}
	if _, ok := (&Body{Mass: 0}).respond(1, 1, 0); ok {
		t.Error("a body without stiffness or mass answered")
	}
}

// A heavy spot moved by +10 degrees raises the phase by +10 degrees, and the
// vertical follows the horizontal by a quarter turn where the stand is equally
// stiff both ways.
func TestAngleConvention(t *testing.T) {
	b := Body{Mass: 10, Id: 1, Zeta: 0.05, Supports: []Support{{0.1, 1e5, 1e5}, {-0.1, 1e5, 1e5}}}
	p := Params{Body: b}
	h, v := Probe{}, Probe{Angle: math.Pi / 2}
	a := p.velocity(h, 50, pull{f: 1})
	moved := p.velocity(h, 50, pull{f: cmplx.Rect(1, 10*degree)})
	if d := rotor.WrapRadians(cmplx.Phase(moved) - cmplx.Phase(a)); !(math.Abs(d-10*degree) <= 1e-12) {
		t.Errorf("moved by %v rad", d)
	}
	if d := rotor.WrapRadians(cmplx.Phase(p.velocity(v, 50, pull{f: 1})) - cmplx.Phase(a)); !(math.Abs(d+math.Pi/2) <= 1e-12) {
		t.Errorf("vertical lags by %v rad", -d)
	}
}

// exp(a t) of a rotation is a rotation; its integral is sin and 1 - cos,
// and so on.
func TestExponential(t *testing.T) {
	var a square
	w, dt := 3.0, 0.7
	a[0][1], a[1][0] = -w, w
	e, p, q := exponential(&a, dt)
	s, c := math.Sincos(w * dt)
	for _, x := range []struct{ got, want float64 }{
		{e[0][0], c}, {e[1][0], s}, {e[0][1], -s}, {p[0][0], s / w}, {p[1][0], (1 - c) / w}, {e[5][5], 1}, {p[5][5], dt},
		{q[0][0], (1 - c) / (w * w)}, {q[1][0], (w*dt - s) / (w * w)}, {q[5][5], dt * dt / 2},
	} {
		if !(math.Abs(x.got-x.want) <= 1e-13) {
			t.Errorf("%v, want %v", x.got, x.want)
		}
	}
}

// The factor kappa against the integral that it stands for, by the midpoint
// rule over the span of a uniform blade tilted about its root.
func TestKappa(t *testing.T) {
	w := Wheel{TipRadius: 0.6, HubRadius: 0.2}
	const n = 20000
	sum := 0.0
	for i := range n {
		x := (float64(i) + 0.5) / n // of the span
		sum += (w.HubRadius + x*(w.TipRadius-w.HubRadius)) * x / n
	}
	within(t, "kappa r", w.kappa()*w.centre(), sum, 1e-7)
}
