package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/cmplx"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
)

// runPhaseDrift runs a steady rotor for many simulated hours and looks whether
// the phase creeps. The board's tick starts just below the end of 64 bits and
// passes 2^32 more than eighty times in 100 hours.
func runPhaseDrift(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("phase-drift", flag.ContinueOnError)
	hours := fs.Int("hours", 100, "simulated hours")
	if err := fs.Parse(args); err != nil {
		return err
	}
	const (
		rate, tickHz = 400.0, 1e6
		turns, n     = 7, 117 // a block holds exactly so many turns and samples
	)
	truth := cmplx.Rect(1, 0.7)
	setup := &acq.Setup{Source: "campaign", Rate: rate, TickHz: tickHz, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "a", Quantity: rotor.Velocity, Delay: 0.0015}}}
	lag := 2 * math.Pi * rate * turns / n * 0.0015
	x := make([]float32, n)
	for i := range x {
		x[i] = float32(real(truth*cmplx.Rect(1, 2*math.Pi*turns*float64(i)/n-lag)) + 3)
	}
	b := &acq.Block{Setup: setup, Tick: math.MaxUint64 - 5e9, Samples: [][]float32{x}, Edges: make([]acq.Edge, turns)}
	e := phase.NewExtractor(phase.Config{})
	avg := phase.NewAverage(phase.AverageConfig{Turns: 64})
	number, worst, worstSpeed := uint64(0), 0.0, 0.0
	const perHour = 3600 * 400 / n
	fmt.Fprintf(w, "%8s %14s %14s %16s\n", "hour", "turns", "error, deg", "speed error, ppm")
	for h := range *hours {
		for range perHour {
			for k := range b.Edges {
				b.Edges[k] = acq.Edge{Pos: float64(k) * n / turns, Number: number}
				number++
			}
			e.Add(b, avg.Add)
			b.Tick += n * uint64(tickHz/rate)
			b.Sample += n
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		r := avg.Reading()
		deg := cmplx.Phase(r.Channels[0].Orders[0].Value/truth) * 180 / math.Pi
		ppm := (r.Speed/(2*math.Pi*rate*turns/n) - 1) * 1e6
		worst, worstSpeed = math.Max(worst, math.Abs(deg)), math.Max(worstSpeed, math.Abs(ppm))
		if (h+1)%10 == 0 || h == 0 {
			fmt.Fprintf(w, "%8d %14d %14.2g %16.2g\n", h+1, e.State().Turns, deg, ppm)
		}
	}
	if !(worst < 1e-4) || !(worstSpeed < 1e-3) || e.Dropped() != [phase.NumDrops]uint64{} {
		return fmt.Errorf("drift: phase off by %.2g degrees, speed by %.2g ppm, dropped %v", worst, worstSpeed, e.Dropped())
	}
	fmt.Fprintf(w, "no drift: phase within %.2g degrees, speed within %.2g ppm\n", worst, worstSpeed)
	return nil
}
