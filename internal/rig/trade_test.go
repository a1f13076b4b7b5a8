package rig

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"
)

// aligned is the bench fan balanced to its grade: straight blades and the
// permissible unbalance of G 6.3 in the wheel's plane, at a chance angle.
func aligned(t *testing.T, seed uint64) *Rig {
	p := preset(t, "bench-fan")
	p.Found.Track, p.Found.Pitch, p.Found.MassShare, p.Found.Spacing = 0, 0, 0, 0
	r := fan(t, p, seed)
	u := p.Grade / p.Drive.Run * p.RotorMass
	r.sim.hidden.hub = []load{{cmplx.Rect(u, 2.39996*float64(seed)), p.Wheel.Z}}
	return r
}

func (r *Rig) now() (v []complex128) {
	for i, pr := range r.sim.Probes {
		if !pr.Axial {
			v = append(v, 1000*r.TrueVector(i)/math.Sqrt2)
		}
	}
	return v
}

func largest(v []complex128) (m float64) {
	for _, x := range v {
		m = max(m, cmplx.Abs(x))
	}
	return m
}

// Common practice, no source: an aligned small fan reads 0.5 to 1.3 mm/s at 1x.
func TestAlignedSmallFan(t *testing.T) {
	if v := largest(aligned(t, 1).now()); !(v >= 0.5 && v <= 1.3) {
		t.Errorf("%.2f mm/s rms", v)
	}
}

// Common practice, no source: two opposite blades bent slightly in opposite
// directions add some 1.2 to 1.5 mm/s as a vector, and no weight in one plane
// takes it away at both ends; straightening brings the first reading back.
func TestOppositeBendsAreACouple(t *testing.T) {
	r := aligned(t, 1)
	first := r.now()
	bend := 0.0031 // m; what "slightly" must be on this stand
	for blade, d := range map[int]float64{1: bend, 4: -bend} {
		if err := r.Bend(blade, d, 0, 0); err != nil {
			t.Fatal(err)
		}
	}
	bent := r.now()
	added := 0.0
	for i := range bent {
		added = max(added, cmplx.Abs(bent[i]-first[i]))
	}
	if !(added >= 1.2 && added <= 1.5) {
		t.Errorf("+-%.1f mm added %.2f mm/s", bend*1000, added)
	}
	if rest := bestSingle(r); !(rest > 0.8*added) {
		t.Errorf("one weight in the wheel's plane brings %.2f mm/s down to %.2f", largest(bent), rest)
	}
	for _, b := range []int{1, 4} {
		if err := r.Bend(b, 0, 0, 0); err != nil {
			t.Fatal(err)
		}
	}
	for i, v := range r.now() {
		if !(cmplx.Abs(v-first[i]) <= 1e-12) {
			t.Errorf("straightened %v, first %v", v, first[i])
		}
	}
	// Both in the same direction: their couples cancel.
	r.Bend(1, bend, 0, 0)
	r.Bend(4, bend, 0, 0)
	for i, v := range r.now() {
		if !(cmplx.Abs(v-first[i]) <= 1e-9) {
			t.Errorf("equal bends changed %v to %v", first[i], v)
		}
	}
}

// bestSingle tries weights in the wheel's plane on a fine grid and returns the
// least possible worst radial reading, mm/s rms.
func bestSingle(r *Rig) float64 {
	p := &r.sim.Params
	v0 := r.now()
	best := math.Inf(1)
	for a := range 90 {
		for m := range 60 {
			u := cmplx.Rect(float64(m)*20e-6, float64(a)*4*degree) // up to 1200 g mm
			worst := 0.0
			i := 0
			for _, pr := range p.Probes {
				if pr.Axial {
					continue
				}
				dv := 1000 * p.velocity(pr, p.Drive.Run, pull{u, u * complex(p.Wheel.Z, 0)}) / math.Sqrt2
				worst = max(worst, cmplx.Abs(v0[i]+dv))
				i++
			}
			best = min(best, worst)
		}
	}
	return best
}

// Common practice, no source: another pitch on opposite blades adds more than
// 0.5 to 1 mm/s. On steel blades that is their moved mass, not their lift: bent
// about one edge, half the chord away, two and a half degrees are enough.
func TestPitchBentAboutAnEdge(t *testing.T) {
	r := aligned(t, 1)
	first := r.now()
	pitch := 2.4 * degree
	track := r.sim.Wheel.Chord / 2 * math.Sin(pitch)
	change := func(track, pitch float64) (added float64) {
		for blade, sign := range map[int]float64{2: 1, 5: -1} {
			if err := r.Bend(blade, sign*track, sign*pitch, 0); err != nil {
				t.Fatal(err)
			}
		}
		for i, v := range r.now() {
			added = max(added, cmplx.Abs(v-first[i]))
		}
		return added
	}
	if added := change(track, pitch); !(added >= 0.5 && added <= 1.2) {
		t.Errorf("bent about an edge: %.2f mm/s", added)
	}
	if added := change(0, pitch); !(added < 0.4) {
		t.Errorf("turned about its centre of gravity: %.2f mm/s", added)
	}
}

// A blade bent by one millimetre makes the couple m r kappa z. The figures, in
// g mm^2, and the shares left at speed come from a separate calculation for the
// same invented wheels.
func TestCoupleOfOneBlade(t *testing.T) {
	for name, want := range map[string]float64{"bench-fan": 13000, "extractor": 607000, "cooling-fan": 3.1e6} {
		p := preset(t, name)
		p.Wheel.FlapHz, p.Wheel.Z = 1e9, 0
		a := p.bladePull([]Blade{{Track: 0.001, Mass: p.Wheel.BladeMass}}, hidden{gain: 1, turn: 1}, p.Drive.Run)
		within(t, name, cmplx.Abs(a.g)*1e9, want, 0.01)
	}
	shares := []float64{}
	for _, name := range []string{"extractor", "cooling-fan"} {
		p := preset(t, name)
		shares = append(shares, math.Round(100*p.Wheel.share(p.Drive.Run))/100)
	}
	if !slices.Equal(shares, []float64{0.92, 0.68}) {
		t.Errorf("shares left at speed %v", shares)
	}
}
