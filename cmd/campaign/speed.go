package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"counterpoise/internal/acq"
	"counterpoise/internal/phase"
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
)

// blocksOf cuts a recording of the virtual fan into blocks, as a file of it
// would come. Channels named "track" are displacements, the rest accelerations.
func blocksOf(rec *rig.Recording) (out []*acq.Block) {
	setup := &acq.Setup{Source: "rig", Rate: rec.Rate, TickHz: rec.Rate, HasTach: true, PulsesPerTurn: 1, TachDelay: rec.TachDelay}
	for c, name := range rec.Names {
		q := rotor.Acceleration
		if name == "track" {
			q = rotor.Displacement
		}
		setup.Channels = append(setup.Channels, acq.Channel{Name: name, Quantity: q, Scale: 1, Delay: rec.Delay[c]})
	}
	const size = 1024
	edge := 0
	for at := 0; at < len(rec.Samples[0]); at += size {
		b := &acq.Block{Setup: setup, Tick: uint64(at), Sample: uint64(at)}
		end := min(at+size, len(rec.Samples[0]))
		for c := range rec.Samples {
			x := make([]float32, end-at)
			for i, v := range rec.Samples[c][at:end] {
				x[i] = float32(v)
			}
			b.Samples = append(b.Samples, x)
		}
		for ; edge < len(rec.Edges) && rec.Edges[edge] < float64(end); edge++ {
			b.Edges = append(b.Edges, acq.Edge{Pos: rec.Edges[edge] - float64(at), Number: uint64(edge)})
		}
		out = append(out, b)
	}
	return out
}

// sweepOf runs the order-1 vectors of a recording into a Sweep.
func sweepOf(rec *rig.Recording) *sweep.Sweep {
	x := phase.NewExtractor(phase.Config{})
	var s *sweep.Sweep
	for _, b := range blocksOf(rec) {
		if s == nil {
			s = sweep.New(b.Setup, x.Orders())
		}
		x.Add(b, s.Add)
	}
	return s
}

// signalToNoise of the coast-down campaign: 1x amplitude of one turn at running
// speed over the noise of that turn's vector, per axis.
const signalToNoise = 10

// coastDowns: fans on soft stands, each switched off from running speed. Their
// stiffness, damping and inertia are drawn, so that they run above up to four
// resonances. A gyroscopic rotor's modes move with its speed, which a fit of
// fixed modes cannot follow; the second row shows what that costs.
func coastDowns(ctx context.Context, w io.Writer, args []string) error {
	trials := count(args, 200)
	fmt.Fprintf(w, "Coast-down: %d fans a row on soft stands of drawn stiffness, damping 2 to 8 %%, four radial channels, white noise added until one turn's\n1x vector on the first has a signal to noise of %d at running speed; 4 s of steady running before. True values are the rig's own modes and\nclosed form; 95 %% intervals. The error of a slope is counted against its size, against 1 deg/%% where it is smaller.\n", trials, signalToNoise)
	fmt.Fprintln(w, "                                      | median |  90 %  | limit | within limit | interval holds")
	for _, set := range []struct {
		name string
		ip   float64
	}{{"little gyroscopic", 0.1}, {"gyroscopic", 1}} {
		t := coastTally{}
		for seed := range uint64(trials) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err := t.one(seed, set.ip); err != nil {
				return err
			}
		}
		t.report(w, set.name)
	}
	return nil
}

// coastTally gathers errors over many coast-downs.
type coastTally struct {
	freq, damp, slope     []float64
	inF, inZ, inS         []float64
	refused, missed       int
	judged, wrong, unsure int
}

func (t *coastTally) one(seed uint64, ip float64) error {
	r := rand.New(rand.NewPCG(9, seed))
	p, err := rig.Preset("bench-fan-soft")
	if err != nil {
		return err
	}
	p = p.Stiffer(0.6 + 1.6*r.Float64())
	p.Body.Zeta = 0.02 + 0.06*r.Float64()
	p.Body.Ip *= ip
	p.Drive.Inertia *= 8 + 17*r.Float64() // a heavy wheel runs down slowly
	p.Noise.Force, p.Noise.Moment = 0.1*p.Noise.Force, 0.1*p.Noise.Moment
	fan, run, err := settled(p, seed)
	if err != nil {
		return err
	}
	before, err := fan.Record(int(4 * p.Board.Rate))
	if err != nil {
		return err
	}
	fan.Stop()
	rec, err := fan.Record(int(60 * p.Board.Rate))
	if err != nil {
		return err
	}
	rec = joinedRecord(before, rec)
	// White noise of sd s gives a turn's vector sqrt(2/n) s per axis.
	n := rec.Rate * 2 * math.Pi / run
	sd := cmplx.Abs(fan.TrueVectorAt(0, run)) * run / signalToNoise / math.Sqrt(2/n)
	for c := range rec.Samples {
		for i := range rec.Samples[c] {
			rec.Samples[c][i] += sd * r.NormFloat64()
		}
	}
	f, err := sweepOf(rec).Fit(0, 1, 2, 3)
	if err != nil {
		t.refused++
		return nil
	}
	t.modes(fan, f)
	place := f.At(0, run)
	got, gsd := place.DegPerPercent()
	want := trueSlope(fan, 0, run)
	t.slope = append(t.slope, math.Abs(got-want)/math.Max(math.Abs(want), 1))
	t.inS = append(t.inS, covers(got-want, gsd))
	t.verdict(fan, f, run)
	return nil
}

// modes compares the found mode that shows most with the true mode nearest to
// it, at the speed at which the rotor meets it.
func (t *coastTally) modes(fan *rig.Rig, f *sweep.Fit) {
	m, ok := f.Strongest(0)
	best, at := math.Inf(1), rig.Mode{}
	for _, k := range fan.Modes(m.Speed) {
		if d := math.Abs(m.Speed/(2*math.Pi*k.Hz) - 1); d < best {
			best, at = d, k
		}
	}
	if !ok || best > 0.1 {
		t.missed++
		return
	}
	t.freq, t.damp = append(t.freq, best), append(t.damp, math.Abs(m.Damping/at.Damping-1))
	t.inF = append(t.inF, covers(m.Speed-2*math.Pi*at.Hz, m.SpeedSD))
	t.inZ = append(t.inZ, covers(m.Damping-at.Damping, m.DampingSD))
}

// verdict compares the word on the running speed with the word that the true
// slope of the channel that decided deserves.
func (t *coastTally) verdict(fan *rig.Rig, f *sweep.Fit, run float64) {
	j := f.Judge(run)
	t.judged++
	switch {
	case j.Code == sweep.Undecided:
		t.unsure++
	case j.Code != wordFor(trueSlope(fan, j.Worst, run)):
		t.wrong++
	}
}

func (t *coastTally) report(w io.Writer, name string) {
	fmt.Fprintf(w, "%s\n", name)
	for _, l := range []struct {
		name  string
		v, in []float64
		limit float64
	}{{"resonance of the strongest mode", t.freq, t.inF, 0.01}, {"damping of the strongest mode", t.damp, t.inZ, 0.10}, {"phase slope at running speed", t.slope, t.inS, 0.15}} {
		if len(l.v) == 0 {
			continue
		}
		slices.Sort(l.v)
		fmt.Fprintf(w, "  %-35s | %5.2f%% | %5.2f%% | %4.0f%% | %11.1f%% | %.1f%% of %d\n", l.name, 100*l.v[len(l.v)/2], 100*l.v[len(l.v)*9/10], 100*l.limit,
			100*portion(l.v, l.limit), 100*mean(l.in), len(l.in))
	}
	fmt.Fprintf(w, "  refused %d, strongest mode not a true one %d, verdict on the speed: undecided %d, wrong %d of %d\n", t.refused, t.missed, t.unsure, t.wrong, t.judged)
}

// settled is a fan at its settled speed.
func settled(p rig.Params, seed uint64) (fan *rig.Rig, speed float64, err error) {
	if fan, err = rig.NewWith(p, seed); err != nil {
		return nil, 0, err
	}
	if err = fan.Start(); err != nil {
		return nil, 0, err
	}
	for range 300 {
		if err = fan.Skip(1); err != nil || fan.State().AtSpeed {
			break
		}
	}
	if err == nil {
		err = fan.Skip(2)
	}
	return fan, p.Drive.Run, err
}

// joinedRecord puts two records one after the other.
func joinedRecord(a, b *rig.Recording) *rig.Recording {
	n := len(a.Samples[0])
	for c := range a.Samples {
		a.Samples[c] = append(a.Samples[c], b.Samples[c]...)
	}
	for _, e := range b.Edges {
		a.Edges = append(a.Edges, e+float64(n))
	}
	return a
}

func count(args []string, n int) int {
	if len(args) > 0 {
		fmt.Sscan(args[0], &n)
	}
	return n
}

// wordFor is the verdict that the true slope deserves.
func wordFor(slope float64) string {
	switch s := math.Abs(slope); {
	case s > sweep.OnSlope:
		return sweep.On
	case s > sweep.CautionSlope:
		return sweep.Near
	}
	return sweep.Quiet
}

func trueSlope(fan *rig.Rig, channel int, w float64) float64 {
	const h = 1e-3
	d := cmplx.Phase(fan.TrueVectorAt(channel, w*(1+h)) / fan.TrueVectorAt(channel, w*(1-h)))
	return d / (2 * h) / 100 * 180 / math.Pi
}

func covers(err, sd float64) float64 {
	if math.Abs(err) <= phase.TLimit(0.95, 0)*sd {
		return 1
	}
	return 0
}

func portion(v []float64, limit float64) float64 {
	n := 0
	for _, x := range v {
		if x <= limit {
			n++
		}
	}
	return float64(n) / float64(max(1, len(v)))
}

func mean(v []float64) (m float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	return m
}
