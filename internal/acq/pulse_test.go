package acq

import (
	"math"
	"testing"
)

// TestPulseIsMeasured: levels, share and which way round, for pulses that go up
// and down, and both edges.
func TestPulseIsMeasured(t *testing.T) {
	up := pulses(48000, 500.5, 1920, 100)
	for _, c := range []struct {
		name         string
		gain, offset float64
		falling      bool
		upside       bool
		above        float64
	}{
		{"up, rising counts", 0.5, 0, false, false, 100.0 / 1920},
		{"up, falling counts", 0.5, 0, true, true, 100.0 / 1920},
		{"down, rising counts", -0.5, 0.3, false, true, 1 - 100.0/1920},
		{"down, falling counts", -0.5, 0.3, true, false, 1 - 100.0/1920},
	} {
		th := threshold{auto: true, falling: c.falling}
		x := make([]float32, len(up))
		for i, v := range up {
			x[i] = float32(c.offset + c.gain*v)
		}
		if _, ok := th.pulse(); ok {
			t.Errorf("%s: a pulse before there was one", c.name)
		}
		for at := 0; at < len(x); at += 4800 {
			th.window(nil, x[at:at+4800])
		}
		p, ok := th.pulse()
		if !ok || p.UpsideDown() != c.upside || p.Falling != c.falling || !(math.Abs(p.Above-c.above) < 0.005) {
			t.Errorf("%s: %+v %v", c.name, p, ok)
		}
		if want := c.offset + c.gain/2; !(math.Abs(p.Level-want) < 1e-6) || !(math.Abs(p.High-p.Low-0.5) < 1e-6) {
			t.Errorf("%s: %+v, want the level %g", c.name, p, want)
		}
	}
	square := threshold{auto: true}
	x := make([]float32, 4800)
	for i := range x {
		x[i] = float32(i / 48 % 2)
	}
	square.window(nil, x)
	if p, ok := square.pulse(); !ok || p.UpsideDown() {
		t.Errorf("a square wave does not tell: %+v %v", p, ok)
	}
}
