package rig

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"
)

// correction finds the complex weights (kg at the planes' radii) that make the
// sum of squares over all probes least, from the closed form: normal equations
// of two unknowns.
func correction(r *Rig) (w [2]complex128, worst float64) {
	p := &r.sim.Params
	omega := p.Drive.Run
	var a [2][2]complex128
	var b [2]complex128
	col := func(i int, pr Probe) complex128 {
		pl := p.Planes[i]
		u := complex(pl.Radius, 0)
		return p.velocity(pr, omega, pull{u, u * complex(pl.Z, 0)})
	}
	for _, pr := range p.Probes {
		v0 := p.velocity(pr, omega, r.sim.total(omega))
		for i := range 2 {
			h := cmplx.Conj(col(i, pr))
			b[i] -= h * v0
			for j := range 2 {
				a[i][j] += h * col(j, pr)
			}
		}
	}
	d := a[0][0]*a[1][1] - a[0][1]*a[1][0]
	w[0] = (b[0]*a[1][1] - b[1]*a[0][1]) / d
	w[1] = (a[0][0]*b[1] - a[1][0]*b[0]) / d
	for _, pr := range p.Probes {
		v := p.velocity(pr, omega, r.sim.total(omega)) + w[0]*col(0, pr) + w[1]*col(1, pr)
		worst = max(worst, 1000*cmplx.Abs(v)/math.Sqrt2)
	}
	return w, worst
}

// Every seed of the three fans is found shaking by several times what its grade
// allows, and can be balanced with weights that its planes can carry.
func TestFoundAndCurable(t *testing.T) {
	allowed := map[string]float64{"bench-fan": 0.66, "extractor": 0.40, "cooling-fan": 0.32} // see designs
	for _, name := range Names() {
		p := preset(t, name)
		var most, least, heavy, rest float64 = 0, 1e9, 0, 0
		for seed := range uint64(100) {
			r := fan(t, p, seed)
			v := p.worst(r.sim.total(p.Drive.Run))
			most, least = max(most, v), min(least, v)
			w, worst := correction(r)
			rest = max(rest, worst)
			for i := range w {
				heavy = max(heavy, cmplx.Abs(w[i])/p.Planes[i].Cap)
			}
			if !(v >= 999*p.Found.Worst[0] && v <= 1001*p.Found.Worst[1]) {
				t.Errorf("%s seed %d: %.2f mm/s as found", name, seed, v)
			}
			if gain, phase := r.Air(); !(math.Abs(gain-1) <= 0.35 && math.Abs(phase) <= 30*degree) {
				t.Errorf("%s seed %d: air %v at %v", name, seed, gain, phase)
			}
		}
		t.Logf("%s: found %.2f to %.2f mm/s rms (allowed %.2f), heaviest plane %.0f %% of its cap, best two-plane rest %.3f mm/s",
			name, least, most, allowed[name], 100*heavy, rest)
		if !(least >= 4*allowed[name]) || !(heavy <= 0.7) || !(rest <= 0.2*allowed[name]) {
			t.Errorf("%s: not several times its tolerance, or not curable within its caps", name)
		}
	}
}

// The bent fan cannot be cured within the caps of its two hub faces; with its
// blades straight it can.
func TestBentFanNeedsStraightening(t *testing.T) {
	load := func(r *Rig) float64 {
		w, _ := correction(r)
		return max(cmplx.Abs(w[0])/r.sim.Planes[0].Cap, cmplx.Abs(w[1])/r.sim.Planes[1].Cap)
	}
	for seed := range uint64(50) {
		r := fan(t, preset(t, "bench-fan-bent"), seed)
		p := &r.sim.Params
		v, heavy := p.worst(r.sim.total(p.Drive.Run)), load(r)
		for _, b := range r.Blades() {
			if err := r.Bend(b.Number, 0, 0, 0); err != nil {
				t.Fatal(err)
			}
		}
		straight, light := p.worst(r.sim.total(p.Drive.Run)), load(r)
		if !(v > 1.8 && v < 7) || !(heavy > 1.5) || !(light < 0.7) {
			t.Errorf("seed %d: bent %.2f mm/s takes %.2f of the cap, straight %.2f mm/s takes %.2f", seed, v, heavy, straight, light)
		}
	}
}

// The scenarios too are found shaking as much as they say.
func TestScenariosFound(t *testing.T) {
	for _, name := range Scenarios() {
		p := preset(t, name)
		p.Found.Bent = nil
		for seed := range uint64(20) {
			r := fan(t, p, seed)
			if v := p.worst(r.sim.total(p.Drive.Run)); !(v >= 999*p.Found.Worst[0] && v <= 1001*p.Found.Worst[1]) {
				t.Errorf("%s seed %d: %.2f mm/s as found, blades alone %.2f", name, seed, v, p.worst(p.bladePull(r.sim.blades, r.sim.hidden, p.Drive.Run)))
			}
		}
	}
}

func TestSameSeedSameFan(t *testing.T) {
	for _, name := range append(Names(), Scenarios()...) {
		a, b := fan(t, preset(t, name), 9), fan(t, preset(t, name), 9)
		a.Start()
		b.Start()
		x, err := a.Record(3000)
		if err != nil {
			t.Fatal(err)
		}
		y, _ := b.Record(3000)
		for c := range x.Samples {
			if !slices.Equal(x.Samples[c], y.Samples[c]) {
				t.Errorf("%s: channel %s differs", name, x.Names[c])
			}
		}
		if other := fan(t, preset(t, name), 10); other.TrueVector(0) == a.TrueVectorAt(0, a.sim.Drive.Run) {
			t.Errorf("%s: another seed makes the same fan", name)
		}
	}
}

func TestParametersRefused(t *testing.T) {
	for what, spoil := range map[string]func(*Params){
		"no probes":     func(p *Params) { p.Probes = nil },
		"nine channels": func(p *Params) { p.Probes = append(p.Probes, p.Probes...) },
		"odd tick":      func(p *Params) { p.Board.TickHz = 16e6 + 1 },
		"33 bits":       func(p *Params) { p.Board.Bits = 33 },
		"no marks":      func(p *Params) { p.Board.Pulses = 0 },
		"no slip":       func(p *Params) { p.Drive.Slip = 0 },
		"one support":   func(p *Params) { p.Body.Supports = p.Body.Supports[:1] },
		"late slot":     func(p *Params) { p.Probes[0].Slot = 1 },
		"bent ghost":    func(p *Params) { p.Found.Bent = []Blade{{Number: 7}} },
		"overlap":       func(p *Params) { p.Wheel.Blades = 60; p.Distance = &Distance{Radius: 0.2} },
	} {
		p := preset(t, "bench-fan")
		spoil(&p)
		if _, err := NewWith(p, 1); err == nil {
			t.Errorf("%s: accepted", what)
		} else {
			t.Logf("%s: %v", what, err)
		}
	}
}
