package phase

import (
	"math"
	"math/cmplx"
	"testing"
)

// The averaged shape of an asymmetric wave, against its formula.
func TestShapes(t *testing.T) {
	setup := oneChannel(20000)
	setup.Channels[0].Delay = 0.001
	wave := func(th float64) float64 { return math.Cos(th+0.3) + 0.5*math.Cos(3*th) + 2 }
	bs := record(setup, steady(25), 3, func(tt, th float64) float64 { return wave(th - 2*math.Pi*25*0.001) })
	x, s := NewExtractor(Config{}), NewShapes(180, 0)
	for _, b := range bs {
		s.Add(b)
		x.Add(b, s.Turn)
	}
	w := s.Latest()
	if len(w) != 1 || w[0].Turns < 60 {
		t.Fatalf("%d shapes", len(w))
	}
	for i, v := range w[0].Shape {
		if want := wave(2 * math.Pi * float64(i) / 180); !(math.Abs(v-want) < 2e-3) {
			t.Fatalf("at %d degrees %v, want %v", 2*i, v, want)
		}
	}
}

// resonant is the velocity of an unbalance on a spring and damper at w.
func resonant(w float64) complex128 {
	const w0, zeta = 2 * math.Pi * 20, 0.05
	return complex(0, w*w*w) / complex(w0*w0-w*w, 2*zeta*w0*w) / w0
}

// The vectors of a run-up through a resonance, turn by turn, against the steady
// state at the speed of the moment (the signal is made of it, so this tests the
// estimator, not the transient of a real structure).
func TestTrackThroughAResonance(t *testing.T) {
	const accel = 1.0 // turns/s^2
	turns := func(t float64) float64 { return 8*t + accel*t*t/2 }
	x, tr := NewExtractor(Config{}), NewTrack(0.005)
	extract(x, record(oneChannel(5000), turns, 25, func(tt, th float64) float64 {
		return real(resonant(2*math.Pi*(8+accel*tt)) * cmplx.Rect(1, th))
	}), tr.Add)
	ps := tr.Points()
	if len(ps) < 100 {
		t.Fatalf("%d points", len(ps))
	}
	for _, p := range ps[3:] {
		want := resonant(p.Speed)
		if d := apart(p.Values[0], want) / cmplx.Abs(want); !(d < 0.03) {
			t.Errorf("%.2f Hz: %v, want %v (%.1f %%)", p.Speed/(2*math.Pi), p.Values[0], want, 100*d)
		}
	}
}

// A vector that follows the third power of a wandering speed: the fitted slope
// is 3, and brings the reading to the nominal speed.
func TestSlope(t *testing.T) {
	r := rng(4)
	hz := func(t float64) float64 { return 25 * (1 + 0.01*math.Sin(2*math.Pi*0.2*t)) }
	turns := func(t float64) float64 { return 25*t + 25*0.01*(1-math.Cos(2*math.Pi*0.2*t))/(2*math.Pi*0.2) }
	x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
	extract(x, record(oneChannel(5000), turns, 8, func(tt, th float64) float64 {
		return math.Pow(hz(tt)/25, 3)*math.Cos(th+0.5) + 0.02*r.NormFloat64()
	}), a.Add)
	s, ok := a.FitSlope(0, 1)
	if !ok || !(math.Abs(real(s.Rate)-3) < 4*s.Error+0.1) || !(math.Abs(imag(s.Rate)) < 4*s.Error+0.1) {
		t.Fatalf("slope %+v, %v", s, ok)
	}
	c := Component{Order: 1, Value: cmplx.Rect(math.Pow(1.02, 3), 0.5)}
	c, why := s.At(c, s.Speed*1.02)
	if d := apart(c.Value, cmplx.Rect(1, 0.5)); !(d < 0.01) || why == "" {
		t.Errorf("off by %v: %s", d, why)
	}
	still := NewAverage(AverageConfig{})
	extract(NewExtractor(Config{}), record(oneChannel(5000), steady(25), 3, func(_, th float64) float64 { return math.Cos(th) }), still.Add)
	if s, ok := still.FitSlope(0, 1); ok {
		t.Errorf("a steady rotor gave a slope: %+v", s)
	}
}
