package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"sync"

	"counterpoise/internal/phase"
)

// The limits of the phase campaign. Errors are compared with the Cramer-Rao
// bound of a sine of known frequency in white noise, var A = 2 s^2/N and var phi
// = 2 s^2/(A^2 N) (Rife and Boorstyn, IEEE Trans. Inf. Theory 20, 1974; Kay,
// Fundamentals of Statistical Signal Processing, example 3.14), N being the
// samples of the turns used. A row may miss its limit by what the number of
// trials leaves open (two standard errors of an rms).
const (
	phaseTurns   = 64
	phasePerTurn = 69.9
	biasPercent  = 0.05
	biasDegrees  = 0.02
)

type phaseRow struct {
	name   string
	s      tacho
	method phase.Method
	near   []phase.Tone
	turns  int     // 0 = phaseTurns
	before int     // turns that the average has seen before those of the reading
	limitA float64 // ratio of rms amplitude error to the bound; 0 = reported only
	limitP float64
	noBias bool
}

func phaseRows() []phaseRow {
	base := func(aOverS float64) tacho {
		return tacho{hz: 25, perTurn: phasePerTurn, sigma: 1 / aOverS}
	}
	with := func(aOverS float64, change func(*tacho)) tacho {
		s := base(aOverS)
		change(&s)
		return s
	}
	var rows []phaseRow
	both := func(name string, s tacho) {
		rows = append(rows, phaseRow{name: name, s: s, method: phase.Equal, limitA: 1.05, limitP: 1.05},
			phaseRow{name: name, s: s, method: phase.Taper, limitA: 1.25, limitP: 1.25})
	}
	for _, snr := range []float64{0.1, 0.3, 1, 10, 100} {
		both(fmt.Sprintf("white noise, A/s %g", snr), base(snr))
	}
	for _, snr := range []float64{1, 10} {
		at := fmt.Sprintf(", A/s %g", snr)
		both("1 % slow wander"+at, with(snr, func(s *tacho) { s.slow = 0.01 }))
		both("0.1 % fast wander"+at, with(snr, func(s *tacho) { s.fast = 0.001 }))
		both("2 % missed"+at, with(snr, func(s *tacho) { s.missed = 0.02 }))
		both("2 % doubled"+at, with(snr, func(s *tacho) { s.doubled = 0.02 }))
		both("5 % missed + 5 % doubled"+at, with(snr, func(s *tacho) { s.missed, s.doubled = 0.05, 0.05 }))
		both("8.3 samples a turn"+at, with(snr, func(s *tacho) { s.perTurn = 8.3 }))
		both("harmonics as large as 1x"+at, with(snr, func(s *tacho) { s.harmonics = 1 }))
		both("DC and drift 10 A"+at, with(snr, func(s *tacho) { s.offset, s.drift = 10, 10 }))
		both("20 % amplitude step"+at, with(snr, func(s *tacho) { s.step = 0.2 }))
		both("ramp 0.5 % a turn"+at, with(snr, func(s *tacho) { s.ramp = 0.005 }))
	}
	jitter := with(1, func(s *tacho) { s.jitter = 0.01 })
	rows = append(rows,
		phaseRow{name: "jitter +-1 % of a turn, A/s 1", s: jitter, method: phase.Equal, limitP: 1.05},
		phaseRow{name: "jitter +-1 % of a turn, A/s 1", s: jitter, method: phase.Taper, limitP: 1.25})
	line := with(1, func(s *tacho) { s.tones = []neighbour{{2.02, 1}} })
	rows = append(rows, phaseRow{name: "line at 2.02x, A/s 1", s: line, method: phase.Taper, limitA: 1.26, limitP: 1.26},
		phaseRow{name: "line at 2.02x, A/s 1", s: line, method: phase.Equal})
	for _, kd := range []float64{0.75, 1, 2, 3.2, 6} {
		d := kd / phaseTurns
		s := with(1, func(s *tacho) { s.tones = []neighbour{{1 + d, 1}} })
		rows = append(rows, phaseRow{name: fmt.Sprintf("equal neighbour, K delta %g, A/s 1", kd), s: s, method: phase.Joint,
			near: []phase.Tone{{Name: "neighbour", Hz: (1 + d) * 25}}, limitA: 1.15, limitP: 1.15})
	}
	all := with(1, func(s *tacho) {
		s.slow, s.fast, s.missed, s.doubled, s.harmonics, s.offset, s.drift = 0.01, 0.001, 0.02, 0.02, 1, 10, 10
		s.tones = []neighbour{{2.02, 1}, {1.06, 1}}
	})
	rows = append(rows, phaseRow{name: "all at once, tone 6 % away", s: all, method: phase.Joint,
		near: []phase.Tone{{Name: "neighbour", Hz: 1.06 * 25}}, limitA: 1.30, limitP: 1.30, noBias: true},
		phaseRow{name: "all at once, tone 6 % away", s: all, method: phase.Taper})
	return rows
}

// errorTally is what a row's trials came to.
type errorTally struct {
	n, refused, noPhase int
	amp2, ph2           float64 // sums of squared errors over the bound's variance
	ampBias, phBias     float64 // sums of relative amplitude error and phase error, rad
	ampBias2, phBias2   float64
}

// measure makes one reading of turns accepted revolutions.
func (row *phaseRow) measure(r *rand.Rand) (rd phase.Reading, samples float64, truth complex128) {
	turns := row.turns
	if turns == 0 {
		turns = phaseTurns
	}
	extra := 2 + int(float64(turns)*3*(row.s.missed+row.s.doubled))
	m := row.s.make(row.before+turns+extra, r)
	x := phase.NewExtractor(phase.Config{})
	avg := phase.NewAverage(phase.AverageConfig{Turns: turns, Method: row.method, Neighbours: row.near})
	n := 0
	for _, b := range m.blocks {
		x.Add(b, func(t *phase.Turn) {
			if n++; n > row.before+turns {
				return
			}
			avg.Add(t)
			if n > row.before {
				samples += t.Seconds * m.setup.Rate
			}
		})
	}
	return avg.Reading(), samples, m.truth
}

func (row *phaseRow) trial(seed uint64, t *errorTally) {
	rd, samples, truth := row.measure(rand.New(rand.NewPCG(seed, 20)))
	if !rd.Trusted() || len(rd.Channels) == 0 || len(rd.Channels[0].Orders) == 0 {
		t.refused++
		return
	}
	c := rd.Channels[0].Orders[0]
	a := cmplx.Abs(truth)
	bound := row.s.sigma * math.Sqrt(2/samples)
	da := c.Amplitude() - a
	t.n++
	t.amp2 += da * da / (bound * bound)
	t.ampBias += da / a
	t.ampBias2 += da * da / (a * a)
	if !c.HasPhase() {
		t.noPhase++
		return
	}
	dp := cmplx.Phase(c.Value / truth)
	t.ph2 += dp * dp * a * a / (bound * bound)
	t.phBias += dp
	t.phBias2 += dp * dp
}

func runPhase(ctx context.Context, w io.Writer, args []string) error {
	fs := flag.NewFlagSet("phase", flag.ContinueOnError)
	trials := fs.Int("trials", 1000, "trials a row")
	if err := fs.Parse(args); err != nil {
		return err
	}
	rows := phaseRows()
	tallies := make([]errorTally, len(rows))
	inParallel(ctx, len(rows), func(i int) {
		for k := range *trials {
			rows[i].trial(uint64(i*1000003+k), &tallies[i])
		}
	})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	fmt.Fprintf(w, "%d trials a row, %d accepted turns, %g samples a turn unless said; rms errors over the Cramer-Rao bound\n", *trials, phaseTurns, phasePerTurn)
	fmt.Fprintf(w, "%-36s %-6s %9s %9s %6s %11s %11s %8s %8s\n", "case", "method", "amplitude", "phase", "limit", "bias %", "bias deg", "refused", "no phase")
	missed := 0
	for i, row := range rows {
		if !row.print(w, &tallies[i]) {
			missed++
		}
	}
	if missed > 0 {
		return fmt.Errorf("%d of %d rows missed their limit", missed, len(rows))
	}
	fmt.Fprintf(w, "all %d rows within their limits\n", len(rows))
	return nil
}

func (row *phaseRow) print(w io.Writer, t *errorTally) bool {
	n, np := float64(t.n), float64(t.n-t.noPhase)
	a, p := math.Sqrt(t.amp2/n), math.Sqrt(t.ph2/np)
	slack := 1 + 2/math.Sqrt(2*n)
	ba, bp := 100*t.ampBias/n, t.phBias/np*180/math.Pi
	sa, sp := 100*math.Sqrt(t.ampBias2)/n, math.Sqrt(t.phBias2)/np*180/math.Pi
	ok := n > 0
	if row.limitA > 0 {
		ok = ok && a <= row.limitA*slack
	}
	if row.limitP > 0 {
		ok = ok && p <= row.limitP*slack
	}
	if row.limitP > 0 && !row.noBias {
		ok = ok && math.Abs(bp) <= biasDegrees+3*sp && (row.limitA == 0 || math.Abs(ba) <= biasPercent+3*sa)
	}
	verdict := "ok"
	limit := fmt.Sprintf("%.2f", row.limitP)
	switch {
	case row.limitP == 0:
		verdict, limit = "for comparison", "-"
		ok = true
	case !ok:
		verdict = "MISSED"
	}
	total := float64(t.n + t.refused)
	fmt.Fprintf(w, "%-36s %-6s %9.3f %9.3f %6s %6.3f+-%-.3f %6.3f+-%-.3f %6.1f %% %6.1f %% %s\n", row.name, row.method, a, p, limit,
		ba, sa, bp, sp, 100*float64(t.refused)/total, 100*float64(t.noPhase)/total, verdict)
	return ok
}

// inParallel does n jobs on all processors.
func inParallel(ctx context.Context, n int, do func(i int)) {
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	for i := range n {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
}
