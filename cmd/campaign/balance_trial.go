package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/balance"
)

// trialVerdict asks of 10,000 single-plane jobs how many trials are accepted, and
// how many of the accepted then miss their tolerance; beside it the rule of thumb
// of 30 % or 30 degrees (common practice, no source) on the same jobs.
func trialVerdict(ctx context.Context, w io.Writer, _ []string) error {
	type count struct{ accepted, missed, rejected, fine int }
	var ours, thumb count
	trims := 0
	r := rand.New(rand.NewPCG(2025, 10))
	span := func(lo, hi float64) float64 { return lo * math.Exp(r.Float64()*math.Log(hi/lo)) }
	const jobs, tol = 10000, 1.0
	for k := range jobs {
		if err := ctx.Err(); err != nil {
			return err
		}
		f := newFakeRotor(r, 1, 1, 1)
		f.v0[0] = cmplx.Rect(span(2, 30), 2*math.Pi*r.Float64())
		effect := (0.05 + 0.95*r.Float64()) * cmplx.Abs(f.v0[0])
		trial := randomPhasor(r, 1, 1) * complex(effect/cmplx.Abs(f.a[0][0]), 0)
		errs := balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.002}
		c, _ := simulated(r, f, noiseKinds[0], span(0.01, 0.3), errs, []complex128{trial})
		c.Sensors[0].Tolerance = tol
		a, err := balance.Solve(c, balance.Options{Seed: uint64(k)})
		if err != nil {
			return err
		}
		left := cmplx.Abs(f.vector(0, []complex128{placed(r, a.Corrections[0].Total, errs)}))
		v0, v1 := c.Runs[0].Vectors[0].V, c.Runs[1].Vectors[0].V
		tally := func(t *count, accepted bool) {
			switch {
			case accepted && left > tol:
				t.accepted, t.missed = t.accepted+1, t.missed+1
			case accepted:
				t.accepted++
			case left <= tol:
				t.rejected, t.fine = t.rejected+1, t.fine+1
			default:
				t.rejected++
			}
		}
		tally(&ours, a.Has("trial-accepted"))
		tally(&thumb, math.Abs(cmplx.Abs(v1)/cmplx.Abs(v0)-1) >= 0.3 || math.Abs(cmplx.Phase(v1/v0)) >= math.Pi/6)
		if a.Has("trial-expect-trim") {
			trims++
		}
	}
	fmt.Fprintf(w, "%d single-plane jobs: 2-30 mm/s (log-uniform), effect 5-100 %% (uniform), reading error 0.01-0.3 mm/s and 0.2 %%, placing 1 %% and 1 degree, tolerance 1 mm/s\n\n", jobs)
	fmt.Fprintf(w, "%-22s %9s %22s %24s\n", "rule", "accepted", "of these miss", "rejected though fine")
	for _, k := range []struct {
		name string
		c    count
	}{{"noise gain (ours)", ours}, {"30 % or 30 degrees", thumb}} {
		fmt.Fprintf(w, "%-22s %8.1f%% %21.2f%% %23.1f%%\n", k.name, 100*float64(k.c.accepted)/jobs, 100*float64(k.c.missed)/float64(k.c.accepted), 100*float64(k.c.fine)/float64(k.c.rejected))
	}
	fmt.Fprintf(w, "\n%.1f%% more were taken with the warning to expect a trim.\n", 100*float64(trims)/jobs)
	return nil
}
