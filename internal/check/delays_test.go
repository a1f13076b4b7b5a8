package check

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"counterpoise/internal/acq"
)

// tones makes what a channel with a delay, an AC coupling of corner Hz and an
// angle shows at the given speeds, with noise of se on each axis.
func tones(rng *rand.Rand, hz []float64, delay, corner, angle, se float64) (out []Tone) {
	for _, f := range hz {
		p := angle - 2*math.Pi*f*delay + math.Atan(corner/f)
		out = append(out, Tone{Omega: 2 * math.Pi * f, SE: []float64{se}, Value: []complex128{
			cmplx.Rect(1, p) + complex(se*rng.NormFloat64(), se*rng.NormFloat64()),
		}})
	}
	return out
}

var oneChannel = []acq.Channel{{Name: "A0"}}

func TestLagsOfWave(t *testing.T) {
	for _, c := range []struct {
		name          string
		delay, corner float64
		inverted      bool
	}{
		{"nothing", 0, 0, false},
		{"late", 140e-6, 0, false},
		{"early", -60e-6, 0, false},
		{"AC coupled", 20e-6, 0.11, false},
		{"upside down", 250e-6, 0.11, true},
		{"very late", 3e-3, 0.5, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			angle := -math.Pi / 2
			if c.inverted {
				angle = -angle
			}
			l, err := LagsOfWave(tones(rand.New(rand.NewPCG(1, 2)), waveHz, c.delay, c.corner, angle, 1e-4), oneChannel)
			if err != nil {
				t.Fatal(err)
			}
			g := l[0]
			// atan(corner/f) is not quite corner/f: 0.001 degrees at 17 Hz
			if !(math.Abs(g.Seconds-c.delay) < 3*g.SE+0.2e-6) || !(math.Abs(g.Corner-c.corner) < 3*g.CornerSE+1e-3) || g.Inverted != c.inverted || g.OffLine() {
				t.Errorf("%+v", g)
			}
			if !(g.SE > 0 && g.SE < 2e-6) {
				t.Errorf("standard error %g", g.SE)
			}
		})
	}
	_, err := LagsOfWave(tones(rand.New(rand.NewPCG(1, 2)), waveHz, 0, 0, 0, 1e-4), oneChannel)
	if err == nil || !strings.Contains(err.Error(), "loop plug") {
		t.Errorf("a machine taken for the wave: %v", err)
	}
}

// TestLagsOfSpeeds: the intervals must cover, a resonance must be told, and what
// cannot be parted must be refused.
func TestLagsOfSpeeds(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	hz := []float64{15, 19, 24, 31}
	covered := 0
	const trials = 400
	for range trials {
		l, err := LagsOfSpeeds(tones(rng, hz, 141e-6, 0, 2.5, 1e-3), oneChannel)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l[0].Seconds-141e-6) < 1.96*l[0].SE {
			covered++
		}
		if !(math.Abs(turn(l[0].Angle-2.5)) < 5*l[0].AngleSE) {
			t.Errorf("angle %v", l[0])
		}
	}
	if !(covered > 0.94*trials) {
		t.Errorf("of %d intervals of 95 %% %d hold the truth", trials, covered)
	}
	// a rotor on springs at 40 Hz with 5 % damping is no straight line up to 31 Hz
	bent := tones(rng, []float64{15, 22, 29, 36}, 0, 0, 0, 1e-3)
	for i := range bent {
		r := bent[i].Omega / (2 * math.Pi * 40)
		bent[i].Value[0] *= cmplx.Rect(1, -math.Atan2(2*0.05*r, 1-r*r))
	}
	if l, err := LagsOfSpeeds(bent, oneChannel); err != nil || !l[0].OffLine() {
		t.Errorf("a resonance is not told: %+v, %v", l, err)
	}
	for name, bad := range map[string][]Tone{
		"two speeds":     tones(rng, []float64{15, 30}, 0, 0, 0, 1e-3),
		"speeds alike":   tones(rng, []float64{24, 25, 26}, 0, 0, 0, 1e-3),
		"nothing to see": tones(rng, hz, 0, 0, 0, 0.5),
	} {
		if l, err := LagsOfSpeeds(bad, oneChannel); err == nil {
			t.Errorf("%s: %+v", name, l)
		}
	}
}

// broadband is a sum of many sines, so that it can be delayed by any time.
func broadband(rng *rand.Rand, n int, rate, top float64) func(delay float64) []float32 {
	var f, p [40]float64
	for i := range f {
		f[i], p[i] = 0.02*top+0.95*top*rng.Float64(), 2*math.Pi*rng.Float64()
	}
	return func(delay float64) []float32 {
		x := make([]float32, n)
		for i := range x {
			for k := range f {
				x[i] += float32(math.Cos(2*math.Pi*f[k]*(float64(i)/rate-delay) + p[k]))
			}
			x[i] += float32(0.3 * rng.NormFloat64())
		}
		return x
	}
}

func TestShiftAtOnePoint(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	motion := broadband(rng, 15000, 2000, 900)
	for _, c := range []struct {
		delay    float64
		inverted bool
	}{{0, false}, {37e-6, false}, {-212e-6, false}, {3.3e-3, false}, {80e-6, true}, {-5.1e-3, true}} {
		a, b := motion(0), motion(c.delay)
		if c.inverted {
			for i := range b {
				b[i] = -b[i]
			}
		}
		s, ok := shiftOf(a, b, 2000)
		if !ok || s.Inverted != c.inverted || !(math.Abs(s.Seconds-c.delay) < 4*s.SE+0.5e-6) || !(s.SE < 3e-6) {
			t.Errorf("%+v: %+v %v", c, s, ok)
		}
	}
	alone := func() []float32 {
		x := make([]float32, 15000)
		for i := range x {
			x[i] = float32(rng.NormFloat64())
		}
		return x
	}
	if s, ok := shiftOf(alone(), alone(), 2000); ok {
		t.Errorf("two records that have nothing in common: %+v", s)
	}
}

// TestSwapTellsSensorsFromChannels: channel B is 50 us later than A, sensor T is
// 120 us later than S.
func TestSwapTellsSensorsFromChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	motion := broadband(rng, 15000, 2000, 900)
	const channel, sensor = 50e-6, 120e-6
	first, ok1 := shiftOf(motion(0), motion(channel+sensor), 2000)
	second, ok2 := shiftOf(motion(sensor), motion(channel), 2000)
	ch, se := Swapped(first, second)
	if !ok1 || !ok2 || !(math.Abs(ch.Seconds-channel) < 4*ch.SE+0.5e-6) || !(math.Abs(se.Seconds-sensor) < 4*se.SE+0.5e-6) {
		t.Errorf("%+v %+v of %+v %+v", ch, se, first, second)
	}
}
