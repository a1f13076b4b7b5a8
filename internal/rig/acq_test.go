package rig

import (
	"context"
	"math"
	"math/cmplx"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// The same vector comes out of the blocks that a host makes of the board's
// bytes: units, counts, delays, tach and clock mean the same at both ends.
func TestHostSeesTheTrueVector(t *testing.T) {
	p := quiet(preset(t, "extractor"))
	r := fan(t, p, 7)
	settle(t, r, 6)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	addr, done, err := r.ServeTCP(ctx, "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetPace(0); err != nil {
		t.Fatal(err)
	}
	src, err := acq.Open("tcp:"+addr, acq.Options{Queue: 4096})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var x [][]float64
	var edges []float64
	var first uint64
	var setup *acq.Setup
	for len(x) == 0 || len(x[0]) < 4*6400 {
		b, err := src.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if setup == nil {
			setup, first, x = b.Setup, b.Sample, make([][]float64, len(b.Samples))
		}
		if b.Setup != setup || len(x[0]) > 0 && b.Gap != acq.NoLoss {
			t.Fatalf("a gap: %v", b.Gap)
		}
		for c := range x {
			for _, v := range b.Samples[c] {
				x[c] = append(x[c], float64(v))
			}
		}
		for _, e := range b.Edges {
			edges = append(edges, float64(b.Sample-first)+e.Pos-setup.TachDelay*setup.Rate)
		}
	}
	for i, ch := range setup.Channels {
		if ch.Name != p.Probes[i].Name || ch.Quantity != rotor.Acceleration {
			t.Errorf("channel %d is %+v", i, ch)
		}
		late := make([]float64, len(edges)) // the samples lag, so the angle does
		for k := range edges {
			late[k] = edges[k] + ch.Delay*setup.Rate
		}
		omega := 2 * math.Pi * float64(len(edges)-1) / (edges[len(edges)-1] - edges[0]) * setup.Rate
		got := firstOrder(x[i], late) / complex(0, omega)
		// What is left is the AC coupling's lead, and 50 ppm of the clock.
		lead := cmplx.Rect(1, math.Atan(2*math.Pi*p.Board.Couple/omega))
		if want := r.TrueVector(i) * lead; !(cmplx.Abs(got-want) <= 3e-3*cmplx.Abs(want)) {
			t.Errorf("%s: %v, want %v", ch.Name, got, want)
		}
	}
	cancel()
	<-done
}
