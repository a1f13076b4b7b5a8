package hil

import (
	"context"
	"math"
	"math/cmplx"
	"path/filepath"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// TestCortexM reads the core on a Cortex-M. Its source is synthetic: 25 turns a
// second, 80,000 counts of 1e-4 m/s^2 after the sum of four, at 0, 40 and -100
// degrees.
func TestCortexM(t *testing.T) {
	build := built(t, func() (Build, error) { return BuildARM("../../hw", filepath.Join(scratch, "arm")) })
	ctx, stop := context.WithCancel(t.Context())
	port, done, err := build.QEMU(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { stop(); <-done }()
	x, avg, l := phase.NewExtractor(phase.Config{}), phase.NewAverage(phase.AverageConfig{Method: phase.Equal}), ledger{}
	counts, err := Follow(ctx, "serial:"+port, 3, func(b *acq.Block) {
		if len(b.Setup.Notes) > 0 {
			t.Errorf("the board complains: %v", b.Setup.Notes)
		}
		l.add(b)
		x.Add(b, func(turn *phase.Turn) { avg.Add(turn) })
	})
	if err != nil {
		t.Fatal(err)
	}
	if Refused(counts) > 0 || !l.samples.Balanced() || !l.edges.Balanced() {
		t.Errorf("samples %+v, edges %+v, %+v", l.samples, l.edges, counts)
	}
	r := avg.Reading()
	if rpm := rotor.RPM(r.Speed); !(math.Abs(rpm-1500) < 0.01) || r.Turns < 60 {
		t.Fatalf("%.4f rpm over %d turns", rpm, r.Turns)
	}
	for c, deg := range []float64{0, 40, -100} {
		o, _ := r.In(c, 1, rotor.Acceleration)
		v := o.Value / cmplx.Rect(8, deg*math.Pi/180)
		t.Logf("channel %d: amplitude %+.4f %%, phase %+.4f deg", c, 100*(cmplx.Abs(v)-1), cmplx.Phase(v)*180/math.Pi)
		// 80 samples a turn of a sum of four lose sin(x)/x of pi/80: 0.02 %; the
		// half tick that the stated delay cannot hold is 0.0002 degrees
		if !(math.Abs(cmplx.Abs(v)-1) < 5e-4) || !(math.Abs(cmplx.Phase(v))*180/math.Pi < 0.002) {
			t.Errorf("channel %d reads %.5f at %.4f deg of what the firmware made", c, cmplx.Abs(v), cmplx.Phase(v)*180/math.Pi)
		}
	}
}
