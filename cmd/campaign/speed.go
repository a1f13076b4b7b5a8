package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

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

// signalToNoise of the coast-down campaign.
const signalToNoise = 10

// coastKinds are what it is counted on: the 1x amplitude over the rms noise of a
// sample, as a person sees it in the waveform, or over the noise of one turn's
// vector per axis, which averages a turn's samples and so is the harsher by
// sqrt(n/2), 11 here.
var coastKinds = []struct {
	name string
	turn bool
}{{"of a sample", false}, {"of one turn's vector", true}}

// coastDowns: fans on soft stands, each switched off from running speed. Their
// stiffness, damping and inertia are drawn, so that they run above up to four
// resonances. A gyroscopic rotor's modes move with its speed.
func coastDowns(ctx context.Context, w io.Writer, args []string) error {
	trials := count(args, 200)
	fmt.Fprintf(w, "Coast-down: %d fans a row on soft stands of drawn stiffness, damping 2 to 8 %%, four radial channels, white noise added until the 1x of\nthe first has a signal to noise of %d at running speed, as stated; 4 s of steady running before. True values are the rig's own modes and\nclosed form; 95 %% intervals. The error of a slope is counted against its size, against 1 deg/%% where it is smaller. Bound: of an unbiased\nfit of the same modes to white noise (Cramer and Rao); \"can\" counts the fans whose bound allows 95 %% of errors within the limit.\n", trials, signalToNoise)
	fmt.Fprintln(w, "                                      | median |  90 %  | limit | within limit | interval holds   | rms error / stated | error / bound | can | of them within")
	for _, set := range []struct {
		name string
		ip   float64
	}{{"little gyroscopic", 0.1}, {"gyroscopic", 1}} {
		for _, kind := range coastKinds {
			t := coastTally{}
			if err := t.all(ctx, trials, set.ip, kind.turn); err != nil {
				return err
			}
			t.report(w, set.name+", signal to noise "+kind.name)
		}
	}
	return nil
}

// all runs the trials on all cores; the tally does not depend on their order.
func (t *coastTally) all(ctx context.Context, trials int, ip float64, turn bool) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	parts := make([]coastTally, trials)
	for seed := range trials {
		g.Go(func() error {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			return parts[seed].one(uint64(seed), ip, turn)
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for _, p := range parts {
		t.freq.add(p.freq)
		t.damp.add(p.damp)
		t.slope.add(p.slope)
		t.refused, t.missed, t.judged, t.wrong, t.unsure = t.refused+p.refused, t.missed+p.missed, t.judged+p.judged, t.wrong+p.wrong, t.unsure+p.unsure
		t.moving += p.moving
	}
	return nil
}

// coastTally gathers errors over many coast-downs.
type coastTally struct {
	freq, damp, slope     figureTally
	refused, missed       int
	moving                int // said to have resonances that move with the speed
	judged, wrong, unsure int
}

// figureTally gathers the errors of one figure.
type figureTally struct {
	rel    []float64 // against the figure's size
	in     []float64 // 1 where the interval held
	z      []float64 // error over stated standard deviation
	bounds []float64 // error over bound
	can    []float64 // relative errors of those whose bound allows the limit
}

// note takes an error with its stated and its best possible standard deviation
// (0 = not known), against size.
func (t *figureTally) note(err, sd, bound, size, limit float64) {
	t.rel = append(t.rel, math.Abs(err)/size)
	t.in = append(t.in, covers(err, sd))
	t.z = append(t.z, err/sd)
	if bound > 0 {
		t.bounds = append(t.bounds, err/bound)
		if phase.TLimit(0.95, 0)*bound <= limit*size {
			t.can = append(t.can, math.Abs(err)/size)
		}
	}
}

func (t *figureTally) add(o figureTally) {
	t.rel, t.in, t.z = append(t.rel, o.rel...), append(t.in, o.in...), append(t.z, o.z...)
	t.bounds, t.can = append(t.bounds, o.bounds...), append(t.can, o.can...)
}

// What is asked of each.
const (
	freqLimit  = 0.01
	dampLimit  = 0.10
	slopeLimit = 0.15
)

func (t *coastTally) one(seed uint64, ip float64, turn bool) error {
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
	sd := cmplx.Abs(fan.TrueVectorAt(0, run)) * run / signalToNoise
	if turn { // white noise of sd s gives a turn's vector sqrt(2/n) s per axis
		sd /= math.Sqrt(2 / (rec.Rate * 2 * math.Pi / run))
	}
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
	if f.Moving {
		t.moving++
	}
	t.modes(fan, f)
	place := f.At(0, run)
	got, gsd := place.DegPerPercent()
	want := trueSlope(fan, 0, run)
	t.slope.note(got-want, gsd, place.PhaseBound*180/math.Pi/100, math.Max(math.Abs(want), 1), slopeLimit)
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
	t.freq.note(m.Speed-2*math.Pi*at.Hz, m.SpeedSD, 0, 2*math.Pi*at.Hz, freqLimit)
	t.damp.note(m.Damping-at.Damping, m.DampingSD, 0, at.Damping, dampLimit)
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
		e     *figureTally
		limit float64
	}{{"resonance of the strongest mode", &t.freq, freqLimit}, {"damping of the strongest mode", &t.damp, dampLimit}, {"phase slope at running speed", &t.slope, slopeLimit}} {
		if len(l.e.rel) == 0 {
			continue
		}
		v := slices.Sorted(slices.Values(l.e.rel))
		fmt.Fprintf(w, "  %-35s | %5.2f%% | %5.2f%% | %4.0f%% | %11.1f%% | %5.1f%% of %6d | %18.2f", l.name, 100*v[len(v)/2], 100*v[len(v)*9/10], 100*l.limit,
			100*portion(v, l.limit), 100*mean(l.e.in), len(l.e.in), rms(l.e.z))
		if len(l.e.bounds) > 0 {
			fmt.Fprintf(w, " | %13.2f | %3d | %.1f%%", rms(l.e.bounds), len(l.e.can), 100*portion(l.e.can, l.limit))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintf(w, "  refused %d, strongest mode not a true one %d, said to move with the speed %d; verdict on the speed: undecided %d, wrong %d of %d\n", t.refused, t.missed, t.moving, t.unsure, t.wrong, t.judged)
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
