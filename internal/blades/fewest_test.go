package blades

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"
)

func evenAngles(n int) []float64 {
	th := make([]float64, n)
	for i := range th {
		th[i] = 2 * math.Pi * float64(i) / float64(n)
	}
	return th
}

// after is spread and harmonic of the moved blades.
func after(x, th, w []float64, move []float64) (spread, harmonic float64) {
	lo, hi, h := math.Inf(1), math.Inf(-1), complex128(0)
	for i, v := range x {
		v += move[i]
		lo, hi = min(lo, v), max(hi, v)
		f := 1.0
		if w != nil {
			f = w[i]
		}
		h += cmplx.Rect(f*v, th[i])
	}
	return hi - lo, cmplx.Abs(h)
}

// Whatever the limits, the moves keep them, and the count is what was moved.
func TestMovesKeepTheLimits(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for trial := range 400 {
		n := 2 + r.IntN(20)
		x, w, fixed := make([]float64, n), make([]float64, n), make([]bool, n)
		for i := range x {
			x[i], w[i], fixed[i] = 0.5e-3*r.NormFloat64(), 0.8+0.4*r.Float64(), r.IntN(8) == 0
		}
		lim := Limits{Spread: 0.3e-3 + 1e-3*r.Float64(), Harmonic: 0.2e-3 + 0.5e-3*r.Float64(), Aim: 0.5}
		switch trial % 4 {
		case 1:
			lim.Max = 0.4e-3 + 0.8e-3*r.Float64()
		case 2:
			lim.Step = 0.1e-3
		case 3:
			lim.Fixed = fixed
		}
		th := evenAngles(n)
		p := Fewest(x, th, w, lim)
		if !p.Found {
			continue
		}
		spread, h := after(x, th, w, p.Move)
		if !(spread <= lim.Spread*(1+1e-6)) || !(h <= lim.Harmonic*(1+1e-6)) {
			t.Errorf("trial %d: spread %g of %g, harmonic %g of %g", trial, spread, lim.Spread, h, lim.Harmonic)
		}
		count := 0
		for i, d := range p.Move {
			if d != 0 {
				count++
			}
			if lim.Max > 0 && math.Abs(d) > lim.Max*(1+1e-6) || d != 0 && lim.Fixed != nil && fixed[i] {
				t.Errorf("trial %d: blade %d moved by %g", trial, i+1, d)
			}
			if q := d / 0.1e-3; lim.Step > 0 && math.Abs(q-math.Round(q)) > 1e-6 {
				t.Errorf("trial %d: %g is no whole step", trial, d)
			}
		}
		if count > p.Count || p.Count < p.Bound || p.Proven != (p.Count == p.Bound) {
			t.Errorf("trial %d: %d moved, %+v", trial, count, p)
		}
	}
}

// Turning the rotor, shifting the pointer or changing the unit changes nothing.
func TestFewestDoesNotDependOnTheFrame(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	for trial := range 60 {
		n := 3 + r.IntN(10)
		x, y, th := make([]float64, n), make([]float64, n), evenAngles(n)
		turned := make([]float64, n)
		for i := range x {
			x[i] = r.NormFloat64()
			y[i], turned[i] = 1e-3*(x[i]+7), th[i]+1.234
		}
		a := Fewest(x, th, nil, Limits{Spread: 1.5, Harmonic: 0.5})
		b := Fewest(y, turned, nil, Limits{Spread: 1.5e-3, Harmonic: 0.5e-3})
		if a.Count != b.Count || !(math.Abs(a.Total-1e3*b.Total) <= 1e-5*(1+a.Total)) {
			t.Errorf("trial %d: %d blades %.6f against %d blades %.6f", trial, a.Count, a.Total, b.Count, 1e3*b.Total)
		}
	}
}

// One blade alone can null only the part of the harmonic along it; two that do
// not stand in line can null it wholly.
func TestOneBladeAndTwo(t *testing.T) {
	th := evenAngles(6)
	x := []float64{2, 0, 0, 0, 0, 0}
	if p := Fewest(x, th, nil, Limits{Harmonic: 0.1}); p.Count != 1 || !(math.Abs(p.Total-1.9) <= 1e-6) {
		t.Errorf("one bent blade: %+v", p)
	}
	x = []float64{2, 1, 0, 0, 0, 0} // sum not along any blade
	if p := Fewest(x, th, nil, Limits{Harmonic: 0.1}); p.Count != 2 || !p.Proven {
		t.Errorf("two bent blades: %+v", p)
	}
}

// A search that is cut off says how many blades were proven to be too few.
func TestCutOff(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 10))
	n := 12
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	full := Fewest(x, evenAngles(n), nil, Limits{Harmonic: 0.01, Max: 0.3, Step: 0.1})
	cut := Fewest(x, evenAngles(n), nil, Limits{Harmonic: 0.01, Max: 0.3, Step: 0.1, Budget: 1e5})
	if cut.Proven && cut.Count != full.Count || cut.Bound > full.Count && full.Found {
		t.Errorf("cut off: %+v, in full %+v", cut, full)
	}
	if cut.Work > 10e6 {
		t.Errorf("the budget was not kept: %d multiplications", cut.Work)
	}
}

// Limits that no moves can keep are proven to be so.
func TestImpossible(t *testing.T) {
	p := Fewest([]float64{4, 0, -4}, evenAngles(3), nil, Limits{Spread: 1, Max: 1})
	if p.Found || !p.Proven || p.Bound != 4 {
		t.Errorf("%+v", p)
	}
}

func TestSwapping(t *testing.T) {
	// Three heavy and three light blades side by side cancel when mixed.
	s := Swapping([]float64{1.1, 1.1, 1.1, 1, 1, 1}, evenAngles(6))
	if !s.Exact || !(s.Before > 0.19) || !(s.After <= 1e-9) {
		t.Errorf("%+v", s)
	}
	r := rand.New(rand.NewPCG(8, 11))
	for n := 2; n <= 24; n++ {
		m := make([]float64, n)
		for i := range m {
			m[i] = 1 + 0.01*r.NormFloat64()
		}
		s := Swapping(m, evenAngles(n))
		seen := make([]bool, n)
		sum := complex128(0)
		for i, b := range s.Place {
			seen[b-1] = true
			sum += cmplx.Rect(m[b-1], evenAngles(n)[i])
		}
		for b, ok := range seen {
			if !ok {
				t.Errorf("%d blades: blade %d has no place", n, b+1)
			}
		}
		if !(s.After <= s.Before+1e-12) || !(math.Abs(cmplx.Abs(sum)-s.After) <= 1e-9) {
			t.Errorf("%d blades: %+v", n, s)
		}
	}
}

func BenchmarkFewest(b *testing.B) {
	for _, n := range []int{6, 12, 24, 60} {
		b.Run(map[int]string{6: "6", 12: "12", 24: "24", 60: "60"}[n], func(b *testing.B) {
			r := rand.New(rand.NewPCG(8, 12))
			x := make([]float64, n)
			th := evenAngles(n)
			for b.Loop() {
				for i := range x {
					x[i] = r.NormFloat64()
				}
				Fewest(x, th, nil, Limits{Spread: 2, Harmonic: 0.5})
			}
		})
	}
}
