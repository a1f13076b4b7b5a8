package rig

import (
	"math"
	"math/cmplx"
	"testing"
)

// quiet takes away what chance does after the fan has been found.
func quiet(p Params) Params {
	p.Noise = Noise{}
	p.Drive.Wander, p.Drive.Pull, p.Drive.Passing = 0, 0, 0
	b := &p.Board
	b.TachJitter, b.TachMiss, b.TachDouble = 0, 0, 0
	b.Bits = 24
	b.Couple = 0.5 // so that the start is forgotten soon
	return p
}

func fan(t testing.TB, p Params, seed uint64) *Rig {
	t.Helper()
	r, err := NewWith(p, seed)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func preset(t testing.TB, name string) Params {
	t.Helper()
	p, err := Preset(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// settle switches on and waits until running speed is reached and the AC
// coupling has forgotten the start.
func settle(t testing.TB, r *Rig, more float64) {
	t.Helper()
	if err := r.Start(); err != nil {
		t.Fatal(err)
	}
	for range 400 {
		if r.State().AtSpeed {
			break
		}
		if err := r.Skip(0.5); err != nil {
			t.Fatal(err)
		}
	}
	if !r.State().AtSpeed {
		t.Fatalf("never at speed: %+v", r.State())
	}
	if err := r.Skip(more); err != nil {
		t.Fatal(err)
	}
}

// firstOrder fits a constant, cos and sin of the rotor angle by least squares
// over the whole turns, the angle being linear between edges. Normal equations
// of three unknowns, solved by Cramer's rule: nothing of it is shared with the
// program.
func firstOrder(x, edges []float64) complex128 {
	var m [3][4]float64
	turn := 0
	for i, v := range x {
		at := float64(i)
		for turn < len(edges)-1 && at >= edges[turn+1] {
			turn++
		}
		if at < edges[0] || turn == len(edges)-1 {
			continue
		}
		a := 2 * math.Pi * (at - edges[turn]) / (edges[turn+1] - edges[turn])
		row := [4]float64{1, math.Cos(a), math.Sin(a), v}
		for j := range 3 {
			for k := range 4 {
				m[j][k] += row[j] * row[k]
			}
		}
	}
	det := func(col int) float64 {
		a := m
		if col >= 0 {
			for j := range 3 {
				a[j][col] = m[j][3]
			}
		}
		return a[0][0]*(a[1][1]*a[2][2]-a[1][2]*a[2][1]) - a[0][1]*(a[1][0]*a[2][2]-a[1][2]*a[2][0]) + a[0][2]*(a[1][0]*a[2][1]-a[1][1]*a[2][0])
	}
	d := det(-1)
	return complex(det(1)/d, -det(2)/d)
}

// measured is the velocity phasor of a recording's channel, by the clock of
// true time, corrected for what the chain did to it.
func measured(r *Rig, rec *Recording, channel int) complex128 {
	edges := make([]float64, len(rec.Edges))
	for i, e := range rec.Edges {
		edges[i] = e - rec.TachDelay*rec.Rate
	}
	s := r.sim
	omega := 2 * math.Pi * float64(len(edges)-1) / ((edges[len(edges)-1] - edges[0]) * s.dt)
	return firstOrder(rec.Samples[channel], edges) / complex(0, omega) / r.Response(channel, omega)
}

func TestTimeDomainMeetsClosedForm(t *testing.T) {
	for _, name := range append(Names(), "bench-fan-soft") {
		t.Run(name, func(t *testing.T) {
			r := fan(t, quiet(preset(t, name)), 3)
			settle(t, r, 6)
			rec, err := r.Record(int(4 * r.sim.Board.Rate))
			if err != nil {
				t.Fatal(err)
			}
			for i := range r.sim.Probes {
				want := r.TrueVector(i)
				if got := measured(r, rec, i); !(cmplx.Abs(got-want) <= 1e-5*cmplx.Abs(want)) {
					t.Errorf("%s: %v, want %v (off by %.1e)", rec.Names[i], got, want, cmplx.Abs(got-want)/cmplx.Abs(want))
				} else {
					t.Logf("%s: off by %.1e of %.2f mm/s rms", rec.Names[i], cmplx.Abs(got-want)/cmplx.Abs(want), 1000*cmplx.Abs(want)/math.Sqrt2)
				}
			}
		})
	}
}

// With every fault of a real stand on, a record of 8 s still finds the vector
// to a few hundredths of a mm/s.
func TestNoisyRecordFindsTheVector(t *testing.T) {
	p := preset(t, "bench-fan")
	p.Board.TachMiss, p.Board.TachDouble = 0, 0
	r := fan(t, p, 5)
	settle(t, r, 25)
	rec, err := r.Record(int(8 * p.Board.Rate))
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.sim.Probes {
		got, want := measured(r, rec, i), r.TrueVectorAt(i, p.Drive.Run)
		if !(cmplx.Abs(got-want) <= 0.3e-3) {
			t.Errorf("%s: off by %.3f mm/s of %.3f", rec.Names[i], 1000*cmplx.Abs(got-want), 1000*cmplx.Abs(want))
		}
	}
}
