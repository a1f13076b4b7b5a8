package sweep

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

func oneMode(low, high float64) *Sweep {
	s := &Sweep{Channels: []Channel{{"DE <H>", rotor.Acceleration}}, Orders: []int{1}}
	for n := low; n < high; n *= 1.01 {
		w := rotor.RadPerSecond(n)
		s.Points = append(s.Points, Point{At: math.NaN(), Speed: w, Turns: 1,
			Values: []complex128{pole{rotor.RadPerSecond(1500), 0.04}.response(w, rotor.Acceleration) + cmplx.Rect(1e-3*w*w, n)}})
	}
	return s
}

// What is no sweep is refused with a sentence that says what to do.
func TestNoSweep(t *testing.T) {
	dead := oneMode(500, 2500)
	for i := range dead.Points {
		dead.Points[i].Values[0] = complex(math.NaN(), 0)
	}
	second := oneMode(500, 2500)
	second.Orders = []int{2}
	for _, c := range []struct {
		name, want string
		s          *Sweep
	}{
		{"nothing", "no revolution", &Sweep{Orders: []int{1}}},
		{"steady", "speed changed only", oneMode(1000, 1080)},
		{"few", "only", oneMode(1000, 1115)},
		{"not order 1", "order 1", second},
		{"no numbers", "no channel", dead},
	} {
		if _, err := c.s.Fit(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want a sentence with %q", c.name, err, c.want)
		}
	}
}

// A speed outside the sweep is never judged, and none is ever recommended.
func TestJudgesOnlyWhatWasSwept(t *testing.T) {
	f, err := oneMode(500, 1600).Fit()
	if err != nil {
		t.Fatal(err)
	}
	if j := f.Judge(rotor.RadPerSecond(2400)); j.Code != Undecided || j.Better != 0 {
		t.Errorf("2400 rpm: %+v", j)
	}
	if j := f.Judge(rotor.RadPerSecond(1500)); j.Better > f.High || j.Better < f.Low {
		t.Errorf("better speed %.0f rpm lies outside the sweep", rotor.RPM(j.Better))
	}
	// Half a degree and more for a percent: to hold the vector within a third of
	// a tenth of itself the speed must be held within tol/3/(|V| |rate|).
	p := f.At(0, rotor.RadPerSecond(1480))
	tol := 0.1 * cmplx.Abs(p.Value)
	if got, want := p.HoldSpeed(tol), 0.1/3/math.Hypot(p.Exponent, p.Phase); !(math.Abs(got-want) <= 1e-12) {
		t.Errorf("hold the speed to %g, want %g", got, want)
	}
}

func TestPicture(t *testing.T) {
	s := oneMode(500, 2500)
	f, err := s.Fit()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []rotor.Convention{rotor.WithRotation, rotor.AgainstRotation} {
		svg := Picture(s, f, 0, c)
		for _, want := range []string{"<svg", `class="turns"`, `class="modes"`, `class="resonance"`, "DE &lt;H&gt;", "</svg>", ">1500<"} {
			if !strings.Contains(svg, want) {
				t.Errorf("the picture holds no %q", want)
			}
		}
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Error("the picture holds numbers that are none")
		}
	}
	if svg := Picture(&Sweep{Channels: s.Channels, Orders: []int{1}}, nil, 0, rotor.WithRotation); !strings.Contains(svg, "no revolution to draw") {
		t.Error("an empty sweep has no picture that says so")
	}
}
