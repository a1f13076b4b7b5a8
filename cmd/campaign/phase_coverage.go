package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"

	"counterpoise/internal/phase"
)

// coverRow is one kind of noise at one length of reading.
type coverRow struct {
	name   string
	s      tacho
	turns  int
	lo, hi float64 // share of true vectors that the 95 % region must hold; hi 0 = reported only
}

func coverRows() []coverRow {
	base := tacho{hz: 25, perTurn: 32.7, sigma: 0.3}
	white, ar, ar95, slow, jitter, wide, sharp, swell := base, base, base, base, base, base, base, base
	ar.sampleAR, ar95.ar, slow.ar = 0.95, 0.95, 0.5
	jitter.jitter, jitter.sigma = 0.01, 0.1
	wide.resonance, sharp.resonance = 0.1, 0.02
	swell.swell = 0.05
	var rows []coverRow
	for _, k := range []int{8, 16, 32, 64, 128, 256} {
		rows = append(rows,
			coverRow{"white", white, k, 0.93, 0.98},
			coverRow{"AR(0.95) from sample to sample", ar, k, 0.93, 0.98},
			coverRow{"jitter +-1 % of a turn", jitter, k, 0.93, 0.98})
	}
	for _, k := range []int{8, 16, 32, 64, 128, 256} {
		r := coverRow{"AR(0.95) from turn to turn", ar95, k, 0, 0}
		w := coverRow{"resonance 0.1 orders wide", wide, k, 0, 0}
		if k >= 32 {
			w.lo, w.hi = 0.88, 1
		}
		rows = append(rows, coverRow{"AR(0.5) from turn to turn", slow, k, 0, 0}, r, w, coverRow{"resonance 0.02 orders wide", sharp, k, 0, 0}, coverRow{"5 % slow amplitude wander", swell, k, 0, 0})
	}
	return rows
}

type coverTally struct {
	n, inside      int // trusted readings, and those whose region held the truth
	all, insideAll int // every reading

}

// inside reports whether the 95 % region of c holds the true vector.
func inside(c phase.Component, truth complex128) bool {
	det := c.Cov.RR*c.Cov.II - c.Cov.RI*c.Cov.RI
	if !(det > 0) {
		return false
	}
	d := c.Value - truth
	x, y := real(d), imag(d)
	m := (c.Cov.II*x*x - 2*c.Cov.RI*x*y + c.Cov.RR*y*y) / det
	return m <= phase.EllipseLimit(0.95, c.DoF)
}

func runPhaseCoverage(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("phase-coverage", flag.ContinueOnError)
	trials := fs.Int("trials", 5000, "trials a row")
	if err := fs.Parse(args); err != nil {
		return err
	}
	rows := coverRows()
	tallies := make([]coverTally, len(rows))
	inParallel(ctx, len(rows), func(i int) {
		row := phaseRow{s: rows[i].s, turns: rows[i].turns, method: phase.Taper}
		t := &tallies[i]
		for k := 0; k < *trials && ctx.Err() == nil; k++ {
			rd, _, truth := row.measure(rand.New(rand.NewPCG(uint64(i*1000003+k), 21)))
			t.all++
			if len(rd.Channels) == 0 || len(rd.Channels[0].Orders) == 0 {
				continue
			}
			in := inside(rd.Channels[0].Orders[0], truth)
			if in {
				t.insideAll++
			}
			if rd.Trusted() && !rd.Flagged(phase.NotSettled) {
				t.n++
				if in {
					t.inside++
				}
			}
		}
	})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	fmt.Fprintf(w, "%d trials a row, taper; share of 95 %% regions that hold the true vector\n", *trials)
	fmt.Fprintf(w, "a cautioned reading says itself that its stated error may be too small\n")
	fmt.Fprintf(w, "%-30s %6s %9s %9s %10s %12s\n", "noise", "turns", "no caution", "all", "cautioned", "limits")
	missed := 0
	for i, r := range rows {
		t := tallies[i]
		share := float64(t.inside) / float64(t.n)
		slack := 2 * math.Sqrt(0.05*0.95/float64(t.n))
		limits, verdict := "-", ""
		if r.hi > 0 {
			limits, verdict = fmt.Sprintf("%.2f-%.2f", r.lo, r.hi), "ok"
			if !(share >= r.lo-slack && share <= r.hi+slack) && t.n > 0 {
				verdict = "MISSED"
				missed++
			}
		}
		fmt.Fprintf(w, "%-30s %6d %8.1f%% %8.1f%% %9.1f%% %12s %s\n", r.name, r.turns, 100*share,
			100*float64(t.insideAll)/float64(t.all), 100*float64(t.all-t.n)/float64(t.all), limits, verdict)
	}
	if missed > 0 {
		return fmt.Errorf("%d of %d rows missed their limits", missed, len(rows))
	}
	return nil
}
