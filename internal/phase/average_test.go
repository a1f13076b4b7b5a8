package phase

import (
	"math"
	"math/cmplx"
	"testing"
)

// A pure tone, harmonics and an offset must come out exactly, by every method.
func TestReadingIsExactWithoutNoise(t *testing.T) {
	v1, v2 := cmplx.Rect(1, 0.7), cmplx.Rect(0.8, -2)
	for _, rate := range []float64{25600, 1747.3, 600.1, 207.9} {
		for _, m := range []Method{Equal, Taper} {
			setup := oneChannel(rate)
			x := NewExtractor(Config{Orders: []int{1, 2}})
			a := NewAverage(AverageConfig{Method: m})
			extract(x, record(setup, steady(25), 2.7, func(t, th float64) float64 {
				return real(v1*cmplx.Rect(1, th)) + real(v2*cmplx.Rect(1, 2*th)) + 10 + 2*t
			}), a.Add)
			r := a.Reading()
			c := r.Channels[0].Orders
			if r.Turns < 60 || len(c) != 2 {
				t.Fatalf("rate %v: %d turns, %d orders, dropped %v", rate, r.Turns, len(c), x.Dropped())
			}
			if d := apart(c[0].Value, v1); !(d < 2e-6) {
				t.Errorf("rate %v %s: order 1 is %v, off by %.2g", rate, m, c[0].Value, d)
			}
			if d := apart(c[1].Value, v2); !(d < 2e-6) {
				t.Errorf("rate %v %s: order 2 is %v, off by %.2g", rate, m, c[1].Value, d)
			}
			if math.Abs(r.Speed-2*math.Pi*25) > 1e-6 {
				t.Errorf("speed %v", r.Speed)
			}
			if !r.Trusted() {
				t.Errorf("rate %v: %+v", rate, r.Flags)
			}
		}
	}
}

func TestTurnValues(t *testing.T) {
	v1 := cmplx.Rect(1, 0.7)
	for _, rate := range []float64{25600, 1747.3, 600.1} {
		x := NewExtractor(Config{})
		worst, n := 0.0, 0
		extract(x, record(oneChannel(rate), steady(25), 2.7, func(t, th float64) float64 {
			return real(v1*cmplx.Rect(1, th)) + 10 + 2*t
		}), func(t *Turn) {
			if n++; n > 20 {
				worst = math.Max(worst, apart(t.Values[0], v1))
			}
		})
		t.Logf("rate %v: %d turns, worst %.2g", rate, n, worst)
		if !(worst < 0.02) {
			t.Errorf("rate %v worst turn %v", rate, worst)
		}
	}
}

func TestDelaysAreAppliedOnce(t *testing.T) {
	v1 := cmplx.Rect(1, 0.7)
	setup := oneChannel(5000)
	setup.Channels[0].Delay = 1.5e-3
	setup.TachDelay = 0.2e-3
	setup.TachAngle = 0.4
	x := NewExtractor(Config{})
	a := NewAverage(AverageConfig{})
	var turn complex128
	extract(x, record(setup, steady(25), 2, func(tt, th float64) float64 {
		// the sample shows the motion of 1.5 ms ago; the edge comes 0.2 ms late, when the
		// mark is already 0.4 rad past zero
		return real(v1 * cmplx.Rect(1, th+0.4-2*math.Pi*25*(1.5e-3-0.2e-3)))
	}), func(t *Turn) { a.Add(t); turn = t.Values[0] })
	r := a.Reading()
	if d := apart(r.Channels[0].Orders[0].Value, v1); !(d < 1e-6) {
		t.Errorf("reading %v, off by %v", r.Channels[0].Orders[0].Value, d)
	}
	if d := apart(turn, v1); !(d < 1e-4) {
		t.Errorf("turn %v, off by %v", turn, d)
	}
}

// Whatever the blocks, the readings are the same, and nothing is allocated.
func TestAddAllocatesNothing(t *testing.T) {
	bs := record(oneChannel(25600), steady(25), 4, func(_, th float64) float64 { return math.Cos(th) })
	x := NewExtractor(Config{})
	a := NewAverage(AverageConfig{Turns: 8})
	i := 0
	add := func() {
		x.Add(bs[i%len(bs)], a.Add)
		i++
	}
	for range 200 {
		add()
	}
	if n := testing.AllocsPerRun(100, add); n != 0 {
		t.Errorf("%v allocations a block", n)
	}
	if a.Turns() != 8 {
		t.Errorf("%d turns", a.Turns())
	}
}

// An uneven tach scatters the speed of turns, not the rotor's; a rotor that wanders
// scatters both.
func TestWander(t *testing.T) {
	for _, c := range []struct{ jitter, wander, lo, hi float64 }{{0.5e-3, 0, 0, 1e-3}, {0, 0.005, 3e-3, 4e-3}, {0.5e-3, 0.005, 3e-3, 4e-3}} {
		r := rng(7)
		turns := func(t float64) float64 { // speed 25 Hz (1 + wander sin), a period of 8 s
			return 25*t - 25*c.wander*4/math.Pi*(math.Cos(2*math.Pi*t/8)-1)
		}
		setup := oneChannel(2000)
		x := make([]float32, 16*2000)
		var edges []float64
		for _, e := range crossings(turns, 16) {
			edges = append(edges, (e+c.jitter*r.NormFloat64())*2000)
		}
		a := NewAverage(AverageConfig{})
		extract(NewExtractor(Config{}), blocks(setup, [][]float32{x}, edges, 256), a.Add)
		rd := a.Reading()
		if w := rd.Wander / rd.Speed; !(w >= c.lo && w <= c.hi) || c.jitter > 0 && !(rd.SpeedSD > 0.01*rd.Speed) {
			t.Errorf("jitter %v s, wander %v: %.2g of the speed, turns %.2g", c.jitter, c.wander, w, rd.SpeedSD/rd.Speed)
		}
	}
}
