package phase

import (
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/rotor"
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
func TestTurnsThroughAResonance(t *testing.T) {
	const accel = 1.0 // turns/s^2
	turns := func(t float64) float64 { return 8*t + accel*t*t/2 }
	n := 0
	extract(NewExtractor(Config{}), record(oneChannel(5000), turns, 25, func(tt, th float64) float64 {
		return real(resonant(2*math.Pi*(8+accel*tt)) * cmplx.Rect(1, th))
	}), func(u *Turn) {
		want := resonant(u.Speed)
		if n++; n > 5 && !(apart(u.Values[0], want)/cmplx.Abs(want) < 0.03) {
			t.Errorf("%.2f Hz: %v, want %v (%.1f %%)", u.Speed/(2*math.Pi), u.Values[0], want, 100*apart(u.Values[0], want)/cmplx.Abs(want))
		}
	})
	if n < 400 {
		t.Errorf("%d turns", n)
	}
}

// A vector that follows the third power of a wandering speed: the turns are
// brought to one speed with the slope fitted to them, which is 3, and the error
// shrinks to that of the noise. A steady rotor gives no slope, and neither does
// a wandering one whose vector does not follow.
func TestTurnsAreBroughtToOneSpeed(t *testing.T) {
	hz := func(t float64) float64 { return 25 * (1 + 0.01*math.Sin(2*math.Pi*0.2*t)) }
	turns := func(t float64) float64 { return 25*t + 25*0.01*(1-math.Cos(2*math.Pi*0.2*t))/(2*math.Pi*0.2) }
	read := func(cfg AverageConfig, power float64, turns func(float64) float64, hz func(float64) float64) Reading {
		r := rng(4)
		a := NewAverage(cfg)
		extract(NewExtractor(Config{}), record(oneChannel(5000), turns, 7.3, func(tt, th float64) float64 {
			return math.Pow(hz(tt)/25, power)*math.Cos(th+0.5) + 0.02*r.NormFloat64()
		}), a.Add)
		return a.Reading()
	}
	rd := read(AverageConfig{}, 3, turns, hz)
	o := rd.Channels[0].Orders[0]
	if o.Normal == nil || o.Normal.Given || rd.Normal == "" {
		t.Fatalf("not brought to one speed: %+v", o)
	}
	if d := o.Normal.Slope.Rate - 3; !(math.Abs(real(d)) < 4*o.Normal.Slope.Error+0.05) || !(math.Abs(imag(d)) < 4*o.Normal.Slope.Error+0.05) {
		t.Errorf("slope %+v", o.Normal.Slope)
	}
	want := cmplx.Rect(math.Pow(rd.Speed/(2*math.Pi*25), 3), 0.5)
	major, _, _ := o.Region95()
	if d := apart(o.Value, want); !(d < major) || !(major < 0.005) {
		t.Errorf("off by %v, 95 %% says %v", d, major)
	}
	if !(o.Normal.Moved > 1e-3 && o.Normal.Less < 0.2) {
		t.Errorf("moved by %v, left %v of the scatter", o.Normal.Moved, o.Normal.Less)
	}
	// The same vector as displacement follows the second power.
	if x, ok := rd.In(0, 1, rotor.Displacement); !ok || !(math.Abs(real(x.Normal.Slope.Rate)-2) < 4*o.Normal.Slope.Error+0.05) {
		t.Errorf("as displacement %+v", x.Normal)
	}
	given := Slope{Speed: rd.Speed, Rate: 3, Error: 0.5}
	g := read(AverageConfig{Slopes: []Slope{given}}, 3, turns, hz).Channels[0].Orders[0]
	if g.Normal == nil || !g.Normal.Given || g.Normal.Slope != given || !(apart(g.Value, want) < major) {
		t.Errorf("slope as given: %+v", g)
	}
	if want := 0.5 * math.Abs(g.Normal.Moved) / 3; !(math.Abs(g.Normal.Doubt/want-1) < 0.1) {
		t.Errorf("doubt of the given slope %v, want %v", g.Normal.Doubt, want)
	}
	for name, rd := range map[string]Reading{
		"a steady rotor":  read(AverageConfig{}, 3, steady(25), func(float64) float64 { return 25 }),
		"a steady vector": read(AverageConfig{}, 0, turns, hz),
	} {
		if o := rd.Channels[0].Orders[0]; o.Normal != nil || rd.Normal != "" {
			t.Errorf("%s was brought to one speed: %s", name, rd.Normal)
		}
	}
}

// A slope known from elsewhere brings a reading to another speed.
func TestSlopeToAnotherSpeed(t *testing.T) {
	s := Slope{Speed: 157, Rate: 3, Error: 0.1}
	c, why := s.At(Component{Order: 1, Value: cmplx.Rect(1.06, 0.5)}, 157*1.02)
	if d := apart(c.Value, cmplx.Rect(1, 0.5)); !(d < 1e-9) || why == "" {
		t.Errorf("off by %v: %s", d, why)
	}
	if se := c.StandardError(); !(math.Abs(se-0.02*0.1/1.06) < 1e-6) {
		t.Errorf("doubt %v", se)
	}
}

// A turn that was clipped on one channel, or held no numbers there, is left out of
// that channel's shape alone; where the mark stands at its edge counts.
func TestShapesLeaveBadTurnsOut(t *testing.T) {
	setup := oneChannel(5000)
	setup.Channels = append(setup.Channels, setup.Channels[0])
	setup.Channels[1].FullScale = 3
	setup.TachAngle = math.Pi / 2
	bs := record(setup, steady(25), 3, func(_, th float64) float64 { return math.Cos(th) })
	for _, b := range bs {
		b.Samples[1] = append([]float32(nil), b.Samples[0]...)
	}
	bs[20].Samples[1][100] = float32(math.NaN())
	bs[30].Samples[1][100] = 3
	x, s := NewExtractor(Config{}), NewShapes(36, 0)
	for _, b := range bs {
		s.Add(b)
		x.Add(b, s.Turn)
	}
	w := s.Latest()
	if w[1].Turns != w[0].Turns-2 || w[0].Turns < 60 {
		t.Fatalf("%d and %d turns", w[0].Turns, w[1].Turns)
	}
	for c := range w {
		for i, v := range w[c].Shape {
			if want := math.Cos(2*math.Pi*float64(i)/36 - math.Pi/2); !(math.Abs(v-want) < 1e-3) {
				t.Fatalf("channel %d at %d degrees: %v, want %v", c, 10*i, v, want)
			}
		}
	}
}
