package acq

import (
	"math"
	"math/rand/v2"
	"testing"
)

// edgesOf feeds x in windows of w samples and returns absolute positions.
func edgesOf(th *threshold, x []float64, w int) (at []float64) {
	for start := 0; start < len(x); start += w {
		win := make([]float32, min(w, len(x)-start))
		for i := range win {
			win[i] = float32(x[start+i])
		}
		for _, e := range th.window(nil, win) {
			at = append(at, e.Pos+float64(start))
		}
	}
	return at
}

// TestNoisyPulses: every edge once, and dated as well as interpolation can: the
// error in samples is about noise over slope.
func TestNoisyPulses(t *testing.T) {
	const n, period = 100000, 400.7
	rng := rand.New(rand.NewPCG(1, 2))
	for _, noise := range []float64{0, 0.01, 0.05} {
		for _, c := range []struct {
			name string
			of   func(v float64) float64
			th   threshold
		}{
			{"rising", func(v float64) float64 { return v }, threshold{auto: true}},
			{"upside down", func(v float64) float64 { return 5 - 3*v }, threshold{auto: true, falling: true}},
			{"small on a large offset", func(v float64) float64 { return 1000 + v/10 }, threshold{auto: true}},
			{"level given", func(v float64) float64 { return 3.3 * v }, threshold{level: 1.65}},
		} {
			x := pulses(n, 50.3, period, 40)
			for i := range x {
				x[i] = c.of(x[i] + noise*rng.NormFloat64())
			}
			at := edgesOf(&c.th, x, 8000)
			want := int(math.Floor((n-50.3)/period)) + 1
			if len(at) != want {
				t.Errorf("%s, noise %v: %d edges, want %d", c.name, noise, len(at), want)
				continue
			}
			sum := 0.0
			for k, p := range at {
				d := p - (50.3 + float64(k)*period)
				sum += d * d
			}
			// slope 0.5 a sample; interpolation between two noisy samples
			if rms := math.Sqrt(sum / float64(want)); !(rms <= 2.2*noise+2e-3) {
				t.Errorf("%s, noise %v: edges are off by %.4f samples rms", c.name, noise, rms)
			}
		}
	}
}

// TestNoPulseNoEdge: a tach that is dead, unplugged or stuck makes no edges.
func TestNoPulseNoEdge(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for name, f := range map[string]func(i int) float64{
		"constant":                  func(int) float64 { return 0.7 },
		"Gaussian noise":            func(int) float64 { return rng.NormFloat64() },
		"one step of the converter": func(int) float64 { return float64(rng.IntN(2)) / 32768 },
	} {
		th := threshold{auto: true, step: 1.0 / 32768}
		x := make([]float64, 200000)
		for i := range x {
			x[i] = f(i)
		}
		if at := edgesOf(&th, x, 25600); len(at) != 0 {
			t.Errorf("%s: %d edges", name, len(at))
		}
	}
	th := threshold{level: 9} // never reached
	if at := edgesOf(&th, pulses(10000, 5, 100, 10), 1000); len(at) != 0 {
		t.Errorf("a level out of reach: %d edges", len(at))
	}
}

// TestPickUp: a magnetic pick-up gives a pulse both ways on a quiet line, and
// more of it the faster the rotor turns.
func TestPickUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, 200000)
	want := 0
	for i := range x {
		p := math.Mod(float64(i), 1000) - 500
		grow := 1 + 3*float64(i)/float64(len(x))
		x[i] = grow*(-p/5)*math.Exp(-p*p/50) + 0.02*rng.NormFloat64()
	}
	want = 200
	th := threshold{auto: true, falling: true} // the steep zero crossing
	at := edgesOf(&th, x, 20000)
	if len(at) != want {
		t.Fatalf("%d edges, want %d", len(at), want)
	}
	for k, p := range at {
		if d := p - float64(1000*k+500); !(math.Abs(d) <= 0.5) {
			t.Errorf("edge %d is off by %.3f samples", k, d)
		}
	}
}

// TestWindowsDoNotShow: a given level finds the same edges however the signal
// is cut, also where the cut goes through a rise.
func TestWindowsDoNotShow(t *testing.T) {
	x := pulses(5000, 20.5, 97.3, 11)
	whole := edgesOf(&threshold{level: 0.5}, x, len(x))
	for _, w := range []int{98, 199, 1000} {
		got := edgesOf(&threshold{level: 0.5}, x, w)
		if len(got) != len(whole) {
			t.Errorf("windows of %d: %d edges, whole %d", w, len(got), len(whole))
			continue
		}
		for k := range got {
			if !(math.Abs(got[k]-whole[k]) <= 1e-6) {
				t.Errorf("windows of %d: edge %d at %v, whole %v", w, k, got[k], whole[k])
			}
		}
	}
}
