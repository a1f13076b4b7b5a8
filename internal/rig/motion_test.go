package rig

import (
	"math"
	"math/cmplx"
	"testing"
)

// J Om' = -k Om^2 - T has a closed form:
// Om = a tan(atan(Om0/a) - b t), a = sqrt(T/k), b = sqrt(k T)/J.
func TestCoastDownClosedForm(t *testing.T) {
	for _, name := range Names() {
		p := quiet(preset(t, name))
		coarse(&p)
		r := fan(t, p, 1)
		settle(t, r, 20)
		r.Stop()
		d := &p.Drive
		k, start := d.load(), r.State()
		a, b := math.Sqrt(d.Friction/k), math.Sqrt(k*d.Friction)/d.Inertia
		at0 := math.Atan(start.Speed / a)
		for range 200 {
			if err := r.Skip(0.5); err != nil {
				t.Fatal(err)
			}
			s := r.State()
			if s.Motion == Still {
				break
			}
			want := a * math.Tan(at0-b*(s.Seconds-start.Seconds))
			if !(math.Abs(s.Speed-want) <= 1e-3*d.Run) {
				t.Errorf("%s: %.4f rad/s after %.1f s, want %.4f", name, s.Speed, s.Seconds-start.Seconds, want)
			}
		}
		s := r.State()
		took := s.Seconds - start.Seconds
		if s.Motion != Still || !(math.Abs(took-at0/b) <= 0.6) {
			t.Errorf("%s: still after %.1f s, want %.1f: %+v", name, took, at0/b, s)
		}
		t.Logf("%s: coasts for %.0f s", name, at0/b)
	}
}

// coarse is for tests that look at the motion alone.
func coarse(p *Params) {
	p.Board.Rate, p.Board.Filter = 640, 200
	for i := range p.Probes {
		p.Probes[i].Slot = 0
	}
}

// tone is the peak amplitude of a known frequency (Hz of true time) in a
// Hann-weighted piece of a channel.
func tone(r *Rig, x []float64, hz float64) float64 {
	var sum complex128
	weight := 0.0
	for i, v := range x {
		w := 1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x)))
		sum += complex(w*v, 0) * cmplx.Rect(1, -2*math.Pi*hz*float64(i)*r.sim.dt)
		weight += w
	}
	return 2 * cmplx.Abs(sum) / weight
}

// Common practice, no source: what the current makes disappears at the moment
// of switching off, what the rotor makes follows the speed.
func TestLineVanishesAtOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		hz   float64
	}{{"bench-fan", 100}, {"extractor", 100}, {"bench-fan-hum", 120}, {"bench-fan-drive", 74.6}} {
		p := preset(t, c.name)
		r := fan(t, p, 2)
		settle(t, r, 10)
		second := int(p.Board.Rate)
		n := 2 * second
		on, err := r.Record(n)
		if err != nil {
			t.Fatal(err)
		}
		r.Stop()
		r.Skip(0.2)
		off, _ := r.Record(n)
		before, after := tone(r, on.Samples[0], c.hz), tone(r, off.Samples[0], c.hz)
		if !(after < 0.1*before) {
			t.Errorf("%s: %.4f m/s^2 before, %.4f after switching off", c.name, before, after)
		}
		if edges := len(off.Edges); edges < 10 {
			t.Errorf("%s: it did not coast: %d edges", c.name, edges)
		}
	}
}

// A run up and down passes the resonances of the soft stand.
func TestSoftFanPassesItsResonances(t *testing.T) {
	r := fan(t, preset(t, "bench-fan-soft"), 1)
	run := r.sim.Drive.Run / (2 * math.Pi)
	for _, m := range r.Modes(0) {
		if !(m.Hz < 0.85*run) {
			t.Errorf("a resonance at %.1f Hz is not passed at %.1f Hz", m.Hz, run)
		}
	}
	if !r.Machine().Flexible {
		t.Error("on isolators, yet not said so")
	}
}

func TestTachFaults(t *testing.T) {
	p := quiet(preset(t, "bench-fan"))
	coarse(&p)
	p.Board.TachMiss, p.Board.TachDouble, p.Board.TachJitter = 0.05, 0.1, 100e-6
	r := fan(t, p, 2)
	settle(t, r, 20)
	rec, err := r.Record(int(60 * p.Board.Rate))
	if err != nil {
		t.Fatal(err)
	}
	period := 2 * math.Pi / p.Drive.Run * p.Board.Rate
	missed, doubled, var2, n := 0, 0, 0.0, 0
	last := rec.Edges[0]
	for _, e := range rec.Edges[1:] {
		d := e - last
		switch {
		case d < 0.2*period:
			doubled++
			continue
		case d > 1.5*period:
			missed++
		default:
			var2 += (d - period) * (d - period)
			n++
		}
		last = e
	}
	turns := 60 * p.Drive.Run / (2 * math.Pi)
	within(t, "missed", float64(missed)/turns, 0.05, 0.35)
	within(t, "doubled", float64(doubled)/turns, 0.095, 0.3)
	within(t, "jitter", math.Sqrt(var2/float64(n)/2)/p.Board.Rate, 100e-6, 0.1)
}

// Sensor noise has the density it was given: 25 micro-g per root hertz.
func TestSensorNoise(t *testing.T) {
	p := quiet(preset(t, "bench-fan"))
	p.Noise.Sensor = 2.5e-4
	p.Board.Filter = 1e6
	r := fan(t, p, 2)
	rec, err := r.Record(64000)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for _, v := range rec.Samples[1] {
		sum += v * v
	}
	within(t, "rms", math.Sqrt(sum/64000), 2.5e-4*math.Sqrt(p.Board.Rate/2), 0.03)
}

// Too much for the converter clips at its range.
func TestClipping(t *testing.T) {
	p := quiet(preset(t, "bench-fan"))
	p.Board.Range = 0.1
	r := fan(t, p, 2)
	settle(t, r, 5)
	rec, err := r.Record(6400)
	if err != nil {
		t.Fatal(err)
	}
	c, top := r.sim.chains[0], 0.0
	for _, v := range rec.Samples[0] {
		top = max(top, math.Abs(v))
	}
	if top != c.top*c.step || !(top <= 0.1) {
		t.Errorf("clips at %v", top)
	}
}
