package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/phase"
)

// coverRow is one kind of noise at one length of reading.
type coverRow struct {
	name   string
	s      tacho
	turns  int
	before int     // turns seen before the reading, as the daemon and a following measurement have them
	lo, hi float64 // share of true vectors that the 95 % region must hold; hi 0 = reported only
	plain  bool    // noise that every reading must cover, cautioned or not
}

const (
	seenBefore    = 512
	mostSilent    = 0.07 // of all readings: outside their region without a word
	mostlyAccepts = 0.5  // accepted share from which the coverage of the accepted is judged
)

func coverRows() []coverRow {
	base := tacho{hz: 25, perTurn: 32.7, sigma: 0.3}
	with := func(change func(*tacho)) tacho {
		s := base
		change(&s)
		return s
	}
	plain := []coverRow{
		{name: "white", s: base},
		{name: "AR(0.95) from sample to sample", s: with(func(s *tacho) { s.sampleAR = 0.95 })},
		{name: "jitter +-1 % of a turn", s: with(func(s *tacho) { s.jitter, s.sigma = 0.01, 0.1 })},
	}
	var coloured []coverRow
	for _, rho := range []float64{0.5, 0.8, 0.9, 0.95, 0.98} {
		coloured = append(coloured, coverRow{name: fmt.Sprintf("AR(%.2g) from turn to turn", rho), s: with(func(s *tacho) { s.ar = rho })})
	}
	var rows []coverRow
	for _, before := range []int{0, seenBefore} {
		for _, k := range []int{8, 16, 32, 64, 128, 256} {
			add := func(r coverRow, lo, hi float64) {
				r.turns, r.before, r.lo, r.hi = k, before, lo, hi
				rows = append(rows, r)
			}
			for _, r := range plain {
				r.plain = true
				add(r, 0.93, 0.98)
			}
			for _, r := range coloured {
				add(r, 0.93, 0.98)
			}
			for _, width := range []float64{0.1, 0.02} {
				r := coverRow{name: fmt.Sprintf("resonance %g orders wide", width), s: with(func(s *tacho) { s.resonance = width })}
				if k >= 32 {
					add(r, 0.88, 1)
				} else {
					add(r, 0, 0)
				}
			}
			add(coverRow{name: "5 % slow amplitude wander", s: with(func(s *tacho) { s.swell = 0.05 })}, 0, 0)
		}
	}
	return rows
}

type coverTally struct {
	n, inside      int // trusted readings without a caution, and those whose region held the truth
	all, insideAll int // every reading
}

// judge says whether a row keeps its limits: the readings that carry no caution
// must cover, where there are enough of them to ask; few of all may be outside
// without a word; and noise that is plain must be covered by every reading.
func (r coverRow) judge(t coverTally) (verdict string, ok bool) {
	if r.hi == 0 {
		return "", true
	}
	within := func(in, n int) bool {
		slack := 2 * math.Sqrt(0.05*0.95/float64(n))
		share := float64(in) / float64(n)
		return share >= r.lo-slack && share <= r.hi+slack
	}
	switch {
	case float64(t.n-t.inside) > math.Max(mostSilent, 1-r.lo)*float64(t.all)+2*math.Sqrt(0.05*float64(t.all)):
		return "MISSED: silent", false
	case r.plain && !within(t.insideAll, t.all):
		return "MISSED: all", false
	case float64(t.n) < mostlyAccepts*float64(t.all):
		return "says so", true
	case !within(t.inside, t.n):
		return "MISSED", false
	}
	return "ok", true
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
	turns := fs.Int("turns", 0, "only readings of so many turns; 0 = all")
	seed := fs.Uint64("seed", 21, "another draw of all noise")
	if err := fs.Parse(args); err != nil {
		return err
	}
	rows := slices.DeleteFunc(coverRows(), func(r coverRow) bool { return *turns > 0 && r.turns != *turns })
	tallies := make([]coverTally, len(rows))
	inParallel(ctx, len(rows), func(i int) {
		row := phaseRow{s: rows[i].s, turns: rows[i].turns, before: rows[i].before}
		t := &tallies[i]
		for k := 0; k < *trials && ctx.Err() == nil; k++ {
			rd, _, truth := row.measure(rand.New(rand.NewPCG(uint64(i*1000003+k), *seed)))
			t.all++
			if len(rd.Channels) == 0 || len(rd.Channels[0].Orders) == 0 {
				continue
			}
			in := inside(rd.Channels[0].Orders[0], truth)
			if in {
				t.insideAll++
			}
			if rd.Trusted() && !rd.Flagged(phase.NotSettled) && !rd.Flagged(phase.ShortView) {
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
	fmt.Fprintf(w, "%d trials a row, the method left to choose; share of 95 %% regions that hold the true vector\n", *trials)
	fmt.Fprintf(w, "seen before: turns that ran before the reading began and that its error is taken from, too\n")
	fmt.Fprintf(w, "cautioned: the reading says itself that its stated error may be too small; silent: outside its region without a word\n")
	fmt.Fprintf(w, "%-30s %6s %7s %10s %11s %9s %8s %10s\n", "noise", "turns", "before", "cautioned", "no caution", "all", "silent", "limits")
	missed := 0
	for i, r := range rows {
		t := tallies[i]
		verdict, ok := r.judge(t)
		limits := "-"
		if r.hi > 0 {
			limits = fmt.Sprintf("%.2f-%.2f", r.lo, r.hi)
		}
		if !ok {
			missed++
		}
		all := float64(t.all)
		share := "-"
		if t.n > 0 {
			share = fmt.Sprintf("%.1f%%", 100*float64(t.inside)/float64(t.n))
		}
		fmt.Fprintf(w, "%-30s %6d %7d %9.1f%% %11s %8.1f%% %7.1f%% %10s %s\n", r.name, r.turns, r.before, 100*(all-float64(t.n))/all, share,
			100*float64(t.insideAll)/all, 100*float64(t.n-t.inside)/all, limits, verdict)
	}
	if missed > 0 {
		return fmt.Errorf("%d of %d rows missed their limits", missed, len(rows))
	}
	fmt.Fprintf(w, "all %d rows within their limits, or the reading says that it is not\n", len(rows))
	return nil
}
