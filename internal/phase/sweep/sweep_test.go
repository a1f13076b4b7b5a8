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
			Values: []complex128{pole{omega: rotor.RadPerSecond(1500), zeta: 0.04}.response(w, rotor.Acceleration) + cmplx.Rect(1e-3*w*w, n)}})
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
		d := Drawing{Sweep: s, Fit: f, Convention: c}
		for name, svg := range map[string]string{"bode": d.Bode(), "polar": d.Polar(), "whole": d.Whole()} {
			wanted := []string{"<svg", `class="turns"`, `class="modes"`, "DE &lt;H&gt;", "</svg>"}
			if name != "polar" {
				wanted = append(wanted, `class="resonance"`, ">1500<")
			}
			for _, want := range wanted {
				if !strings.Contains(svg, want) {
					t.Errorf("%s holds no %q", name, want)
				}
			}
			if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
				t.Errorf("%s holds numbers that are none", name)
			}
		}
	}
	if svg := (Drawing{Sweep: &Sweep{Channels: s.Channels, Orders: []int{1}}}).Whole(); !strings.Contains(svg, "no revolution to draw") {
		t.Error("an empty sweep has no picture that says so")
	}
	if svg := (Drawing{Sweep: s}).Bode(); !strings.Contains(svg, `class="turns"`) || strings.Contains(svg, `class="modes"`) {
		t.Error("a sweep that still grows is not drawn with its turns alone")
	}
	// A quarter turn with rotation stands on the left, for the rotor turns anticlockwise.
	p := Drawing{Sweep: s, Fit: f}.prepare()
	if x, y := p.polar(complex(0, p.rim())); !(math.Abs(x-(polarX-polarR)) <= 1e-9 && math.Abs(y-polarY) <= 1e-9) {
		t.Errorf("90 degrees with rotation stands at %.1f, %.1f", x, y)
	}
}

// A channel that is clipped in a few turns costs those turns; one that is clipped
// throughout costs only itself.
func TestClippedChannelInASweep(t *testing.T) {
	s := oneMode(500, 2500)
	s.Channels = append(s.Channels, Channel{"NDE", rotor.Acceleration}, Channel{"track", rotor.Acceleration})
	want, err := oneMode(500, 2500).Fit()
	if err != nil {
		t.Fatal(err)
	}
	none := complex(math.NaN(), math.NaN())
	for i := range s.Points {
		v := s.Points[i].Values[0]
		s.Points[i].Values = []complex128{v, v / 2, none}
		if i%10 == 0 {
			s.Points[i].Values[1] = none
		}
	}
	f, err := s.Fit()
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Channels) != 2 || f.Channels[0].Name != "DE <H>" || f.Channels[1].Name != "NDE" {
		t.Errorf("fitted %+v", f.Channels)
	}
	w := rotor.RadPerSecond(1480)
	if a, b := f.At(0, w).Phase, want.At(0, w).Phase; !(math.Abs(a-b) < 0.1) {
		t.Errorf("phase slope %v, want %v", a, b)
	}
}
