package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"text/tabwriter"

	"counterpoise/internal/hil"
)

// boardA runs the firmware of board A in its emulator: against a known signal
// for a long time, over the wraps of all counters, and on lines that stall and
// damage bytes.
func boardA(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("board-a", flag.ContinueOnError)
	seconds := fs.Float64("seconds", 660, "simulated seconds of the long run: 655 until the frame number wraps, the tick wraps every 268")
	if err := fs.Parse(args); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "counterpoise-board-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	b, err := hil.BuildAVR("hw", dir)
	if err != nil {
		return err
	}
	s := hil.Signal{Hz: 24.7, Steps: [3]float64{50, 150, 400}, PhaseDeg: [3]float64{0, 40, -100}, Noise: 0.5, RC: 1000}
	bad := false
	for _, steady := range []struct {
		name    string
		s       hil.Signal
		seconds float64
	}{
		{"long run", s, *seconds},
		{"0.4 steps with 0.5 steps rms of noise", hil.Signal{Hz: 24.7, Steps: [3]float64{0.4, 0.4, 0.4}, Noise: 0.5, RC: 1000}, 60},
		{"0.4 steps without noise: no dither", hil.Signal{Hz: 24.7, Steps: [3]float64{0.4, 0.4, 0.4}, RC: 1000}, 20},
	} {
		t, err := b.Try(ctx, steady.s, steady.seconds)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%s: %.0f simulated s in %.0f s, the tick wrapped %d times, %d frames, %d refused, %d bytes skipped; samples %d of %d, edges %d of %d; load %.1f %%\n",
			steady.name, t.Truth.Seconds, t.Truth.Wall, t.Wraps, t.Counts.Frames, hil.Refused(t.Counts), t.Counts.SkippedBytes,
			t.Samples.Delivered, t.Samples.Numbered, t.Edges.Delivered, t.Edges.Numbered, 100*t.Truth.Load)
		tab := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprint(tab, "pin\tsteps\tturns\tdropped\tbias deg\tits error\tscatter of 250 turns\tof one turn\tamplitude\tits error\t\n")
		for c, f := range t.Pins {
			fmt.Fprintf(tab, "%d\t%g\t%d\t%d\t%+.4f\t%.4f\t%.4f\t%.4f\t%+.3f %%\t%.3f %%\t\n", c, steady.s.Steps[c], f.Turns, f.Dropped,
				f.BiasDeg, f.BiasSE, f.ScatterDeg, f.TurnDeg, 100*f.Amplitude, 100*f.AmplitudeSE)
			if steady.s.Steps[c] >= 50 {
				bad = bad || !(math.Abs(f.BiasDeg) <= 0.02) || f.ScatterDeg > 0.05 || !(math.Abs(f.Amplitude) <= 0.002)
			}
		}
		tab.Flush()
		bad = bad || !t.Samples.Balanced() || !t.Edges.Balanced() || t.Samples.Lost+t.Edges.Lost+hil.Refused(t.Counts) > 0
	}
	for _, faulty := range []struct {
		name    string
		option  []string
		seconds float64
	}{
		{"stalled 2 s", []string{"--stall", "3,2"}, 8},
		{"stalled 4 s", []string{"--stall", "3,4"}, 10},
		{"stalled 10 s", []string{"--stall", "3,10"}, 16},
		{"1e-3 of the bytes flipped, dropped, inserted each", []string{"--damage", "1e-3,1"}, 60},
		{"3e-4", []string{"--damage", "3e-4,2"}, 60},
		{"1e-4", []string{"--damage", "1e-4,3"}, 60},
		{"half of the edges bounce", []string{"--bounce", "0.5"}, 20},
	} {
		t, err := b.Try(ctx, s, faulty.seconds, faulty.option...)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%s: %s\n", faulty.name, hil.Row(t))
		bad = bad || !t.Samples.Balanced() || !t.Edges.Balanced() || t.Pins[0].Worst > 0.02
		bad = bad || t.Trusted && max(t.Off[0], t.Off[1], t.Off[2]) > 0.002
	}
	if bad {
		return errors.New("the board does not keep its limits: see above")
	}
	return nil
}
