package spectrum

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

func TestPeaksBetweenLines(t *testing.T) {
	for _, off := range []float64{0, 0.1, 0.25, 0.5, 0.7, 0.9} {
		hz := (100 + off) * 2.5
		a := New(Config{Lines: 400})
		feed(setupOf(2560, rotor.Velocity), 4, sine(3, hz), a.Add)
		p := a.Latest()[0].Peaks(5)
		if len(p) == 0 || !(math.Abs(p[0].Hz-hz) < 0.002) || !(math.Abs(p[0].Amplitude-3) < 0.003) {
			t.Errorf("%v Hz: %+v", hz, p)
		}
	}
}

// What a spectrum may say of twice line frequency beside 2x of a two-pole
// motor: nothing while the block is too short, both names when it is long
// enough. 120.0 Hz and 119.2 Hz need 5 s.
func TestTwiceLineIsNamedOnlyWhenResolved(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	signal := func(t float64) float64 {
		return math.Cos(2*math.Pi*59.6*t) + 0.4*math.Cos(2*math.Pi*119.2*t) + 0.3*math.Cos(2*math.Pi*120.0*t+1) +
			0.2*math.Cos(2*math.Pi*240.0*t+1) + 0.01*noise.NormFloat64()
	}
	at := func(ps []Peak, hz float64) Peak {
		for _, p := range ps {
			if math.Abs(p.Hz-hz) < 0.3 {
				return p
			}
		}
		return Peak{}
	}
	c := Context{Shafts: []Shaft{{Name: "fan", Hz: 59.6, Error: 1e-3}}, Blades: 7, Poles: 2}
	for _, long := range []bool{false, true} {
		cfg := Config{Lines: 400, MaxHz: 500}
		if long {
			cfg = Config{Lines: 6400, MaxHz: 500}
		}
		a := New(cfg)
		feed(setupOf(5120, rotor.Velocity), 40, signal, a.Add)
		s := a.Latest()[0]
		ps := s.Peaks(20)
		s.NameAll(ps, c)
		if one := at(ps, 59.6); long && one.Name != "1x" {
			t.Errorf("long %v: 59.6 Hz: %+v", long, one)
		}
		if !long {
			for _, p := range ps {
				if math.Abs(p.Hz-119.5) < 2 && (p.Kind != Unknown || !(p.Seconds > 4.9 && p.Seconds < 5.1)) {
					t.Errorf("short block names %v Hz: %+v", p.Hz, p)
				}
			}
			continue
		}
		if two := at(ps, 119.2); two.Name != "2x" {
			t.Errorf("119.2 Hz: %+v", two)
		}
		if line := at(ps, 120); line.Kind != Line || !strings.Contains(line.Evidence, "estimated") {
			t.Errorf("120 Hz: %+v", line)
		}
	}
}

func TestBladePassAndUnknown(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	a := New(Config{Lines: 1600, MaxHz: 500})
	feed(setupOf(2560, rotor.Velocity), 20, func(t float64) float64 {
		return math.Cos(2*math.Pi*24.7*t) + 0.5*math.Cos(2*math.Pi*24.7*6*t) + 0.2*math.Cos(2*math.Pi*333.3*t) + 0.01*noise.NormFloat64()
	}, a.Add)
	s := a.Latest()[0]
	ps := s.Peaks(3)
	s.NameAll(ps, Context{Shafts: []Shaft{{Name: "fan", Hz: 24.7}}, Blades: 6, LineHz: 50})
	var got []string
	for _, p := range ps {
		got = append(got, p.Name)
	}
	if want := "1x, blade pass, unknown"; strings.Join(got, ", ") != want {
		t.Errorf("named %v, want %v: %+v", got, want, ps)
	}
}

// What it costs to find and name the peaks of a live spectrum.
func BenchmarkNaming(b *testing.B) {
	noise := rand.New(rand.NewPCG(1, 2))
	a := New(Config{Lines: 3200, MaxHz: 1000})
	feed(setupOf(2560, rotor.Velocity), 6, func(t float64) float64 {
		v := noise.NormFloat64() * 0.1
		for n := 1; n <= 12; n++ {
			v += math.Cos(2 * math.Pi * 24.7 * float64(n) * t)
		}
		return v + math.Cos(2*math.Pi*100*t) + math.Cos(2*math.Pi*50.02*t)
	}, a.Add)
	s := a.Latest()[0]
	b.ReportAllocs()
	for b.Loop() {
		ps := s.Peaks(12)
		s.NameAll(ps, Context{Shafts: []Shaft{{Name: "fan", Hz: 24.7, Error: 1e-3}}, Blades: 6, Poles: 4})
	}
}

// What else turns or slips: a belt, the slip sidebands of a four-pole motor, a
// neighbour by its own speed. Poles times slip is 2 x line - poles x speed.
func TestBeltSlipAndNeighbour(t *testing.T) {
	noise := rand.New(rand.NewPCG(1, 2))
	const speed, line, other, belt = 24.7, 50.0, 21.3, 11.45
	pass := 2*line - 4*speed
	tones := map[float64]string{speed: "1x", speed - pass: "1x -1 pole-pass", speed + pass: "1x +1 pole-pass",
		2 * line: "twice line frequency", 6 * line: "6 x line frequency", other: "1x of the fan beside", belt: "1 x belt", 2 * belt: "2 x belt"}
	a := New(Config{Lines: 6400, MaxHz: 320})
	feed(setupOf(1024, rotor.Velocity), 60, func(t float64) float64 {
		v := 0.01 * noise.NormFloat64()
		for hz := range tones {
			v += math.Cos(2 * math.Pi * hz * t)
		}
		return v
	}, a.Add)
	s := a.Latest()[0]
	ps := s.Peaks(20)
	s.NameAll(ps, Context{Shafts: []Shaft{{Name: "fan", Hz: speed, Error: 1e-3}, {Name: "the fan beside", Hz: other, Error: 1e-3}}, LineHz: line, Poles: 4, BeltHz: belt})
	got := map[float64]Peak{}
	for _, p := range ps {
		for hz := range tones {
			if math.Abs(p.Hz-hz) < 2*s.Step {
				got[hz] = p
			}
		}
	}
	for hz, want := range tones {
		if p := got[hz]; p.Name != want || p.Evidence == "" {
			t.Errorf("%.2f Hz is named %q, want %q: %s", hz, p.Name, want, p.Evidence)
		}
	}
}

// A belt that is known to half a percent takes no name from a sideband that
// stands exactly there, and hides it until it is known better.
func TestVagueBelt(t *testing.T) {
	a := New(Config{Lines: 6400, MaxHz: 320})
	noise := rand.New(rand.NewPCG(1, 2))
	feed(setupOf(1024, rotor.Velocity), 60, func(t float64) float64 {
		return math.Cos(2*math.Pi*24.7*t) + math.Cos(2*math.Pi*74.1*t) + 0.01*noise.NormFloat64()
	}, a.Add)
	s := a.Latest()[0]
	ps := s.Peaks(2)
	s.NameAll(ps, Context{Shafts: []Shaft{{Name: "fan", Hz: 24.7, Error: 1e-3}}, LineHz: 50, BeltHz: 18.6}) // 4 x 18.6 = 74.4
	for _, p := range ps {
		three := math.Abs(p.Hz-74.1) < 0.1
		if three && (p.Name != "unresolved" || p.Seconds != 0 || !strings.Contains(p.Evidence, "4 x belt is known to no better")) || !three && p.Name != "1x" {
			t.Errorf("%+v", p)
		}
	}
}

// The block that would tell two candidates apart is never shorter than the one that
// did not, also where the speed is not well known; a flat-top window needs more.
func TestSecondsAskedForAreMoreThanThereAre(t *testing.T) {
	for _, w := range []Window{Hann, FlatTop} {
		for _, doubt := range []float64{1e-3, 0.02, 0.05, 0.07} {
			for _, lines := range []int{400, 800, 1600, 3200, 6400} {
				a := New(Config{Lines: lines, MaxHz: 500, Window: w})
				feed(setupOf(1280, rotor.Velocity), 2.56*float64(lines)/1280+3, func(t float64) float64 {
					return math.Cos(2*math.Pi*100*t) + 0.3*math.Cos(2*math.Pi*24.67*t)
				}, a.Add)
				s := a.Latest()[0]
				ps := s.Peaks(5)
				s.NameAll(ps, Context{Shafts: []Shaft{{Name: "fan", Hz: 24.67, Error: doubt}}, LineHz: 50})
				for _, p := range ps {
					if p.Seconds != 0 && !(p.Seconds > 1/s.Step) {
						t.Errorf("%v, %d lines, speed known to %v Hz: %s", w, lines, doubt, p.Evidence)
					}
				}
				if p := ps[0]; w == Hann && lines == 6400 && doubt < 0.01 && p.Kind != Line {
					t.Errorf("a block of %.3g s does not name %+v", 1/s.Step, p)
				}
				if p := ps[0]; w == FlatTop && lines == 1600 && p.Kind == Line {
					t.Errorf("a flat-top of %.3g s names %+v", 1/s.Step, p)
				}
			}
		}
	}
}
