package hil

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/cmplx"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"counterpoise/internal/acq"
	"counterpoise/internal/balance"
	"counterpoise/internal/job"
	"counterpoise/internal/phase"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// pins are the channels of the rig on the pins A0 to A2.
var pins = [channels]int{0, 2, 1} // DE-H, NDE-H, DE-V

// direct is the rig's own path to the extractor: its board's numbers without a wire.
type direct struct {
	setup  *acq.Setup
	next   uint64
	number uint64
	x      *phase.Extractor
	avg    *phase.Average
}

func newDirect(turns int) *direct {
	return &direct{x: phase.NewExtractor(phase.Config{}), avg: phase.NewAverage(phase.AverageConfig{Turns: turns})}
}

func (d *direct) add(r *rig.Recording) {
	if d.setup == nil {
		d.setup = &acq.Setup{Rate: r.Rate, TickHz: r.Rate, HasTach: true, PulsesPerTurn: 1, TachDelay: r.TachDelay}
		for i, n := range r.Names {
			d.setup.Channels = append(d.setup.Channels, acq.Channel{Name: n, Quantity: rotor.Acceleration, Scale: 1, Delay: r.Delay[i]})
		}
	}
	b := &acq.Block{Setup: d.setup, Tick: d.next, Sample: d.next}
	for _, s := range r.Samples {
		f := make([]float32, len(s))
		for i, v := range s {
			f[i] = float32(v)
		}
		b.Samples = append(b.Samples, f)
	}
	for _, e := range r.Edges {
		b.Edges = append(b.Edges, acq.Edge{Pos: e, Number: d.number})
		d.number++
	}
	d.next += uint64(b.Len())
	d.x.Add(b, func(t *phase.Turn) { d.avg.Add(t) })
}

// TestBoardReadsWhatTheRigReads lets both paths look at the same turning fan: the
// rig's own converter of 16 bits, and the firmware with its 10 bits behind a
// pseudo-terminal.
func TestBoardReadsWhatTheRigReads(t *testing.T) {
	build := built(t, avr)
	fan, err := rig.New("bench-fan", 3)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(fan.Start(), fan.Skip(30)); err != nil {
		t.Fatal(err)
	}
	const turns = 200
	own := newDirect(0)
	p := &Plant{Rig: fan, Pins: pins}
	p.Tee = func(r *rig.Recording) {
		if own.avg.Turns() < turns {
			own.add(r)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	option, err := p.Listen(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	fed := make(chan error, 1)
	go func() { fed <- p.Feed(ctx) }()
	e, err := build.Emulate(ctx, append(option, "--rc", "1000", "--noise", "0.5")...)
	if err != nil {
		t.Fatal(err)
	}
	x, avg := phase.NewExtractor(phase.Config{}), phase.NewAverage(phase.AverageConfig{})
	counts, err := Follow(ctx, "serial:"+e.Port, (turns+6)/fan.Describe().RunHz, func(b *acq.Block) {
		x.Add(b, func(turn *phase.Turn) {
			if avg.Turns() < turns {
				avg.Add(turn)
			}
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	truth, err := e.End()
	stop()
	if err := errors.Join(err, <-fed); err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v\n%+v", counts, truth)
	mine, theirs := avg.Reading(), own.avg.Reading()
	if !mine.Trusted() || !theirs.Trusted() {
		t.Fatalf("not trusted: %v / %v", mine.Flags, theirs.Flags)
	}
	if diff := mine.Speed/theirs.Speed - 1; !(math.Abs(diff) < 1e-4) {
		t.Errorf("speed differs by %.1e", diff)
	}
	for pin, c := range pins {
		v, se := Velocity(&mine, pin)
		w, sw := Velocity(&theirs, c)
		off := cmplx.Abs(v-w) / math.Hypot(se, sw)
		t.Logf("pin %d: board %.4f mm/s at %.3f deg, rig %.4f mm/s at %.3f deg, apart %.2f combined standard errors",
			pin, 1e3*cmplx.Abs(v), cmplx.Phase(v)*180/math.Pi, 1e3*cmplx.Abs(w), cmplx.Phase(w)*180/math.Pi, off)
		if !(off <= 2) {
			t.Errorf("pin %d: the two paths differ by %.1f combined standard errors", pin, off)
		}
	}
}

// bench is a virtual fan, the emulated board on it, and the station that
// listens to the board.
type bench struct {
	fan *rig.Rig
	st  *station.Station
}

// Start, Stop and Fit make a bench a job.Rotor. What passes while the fan runs
// up or down is left out of the board's time, so that a test is short; the
// board sees the tach fall silent and begin again.
func (b *bench) Start(ctx context.Context) error {
	if err := errors.Join(b.fan.Start(), b.fan.Skip(40)); err != nil {
		return err
	}
	if s := b.fan.State(); !s.AtSpeed {
		return fmt.Errorf("the fan is not at its speed: %+v", s)
	}
	return b.until(ctx, func(s *station.Snapshot) bool { return s.Motion == station.Turning })
}

func (b *bench) Stop(ctx context.Context) error {
	b.fan.Stop()
	for b.fan.State().Motion != rig.Still {
		if err := b.fan.Skip(20); err != nil {
			return err
		}
	}
	return b.until(ctx, func(s *station.Snapshot) bool { return s.Motion != station.Turning })
}

func (b *bench) Fit(_ context.Context, total []rotor.Weight) error { return b.fan.Fit(total) }

func (b *bench) until(ctx context.Context, done func(*station.Snapshot) bool) error {
	var seen uint64
	for {
		s, err := b.st.Wait(ctx, seen)
		if err != nil {
			return fmt.Errorf("the board never told: %w", err)
		}
		if seen = s.Serial; done(s) {
			return nil
		}
	}
}

// TestWholeJobThroughTheFirmware balances the virtual fan through the emulated
// board: weights change the voltage at its pins, and everything between the
// pins and the solver is the real thing.
func TestWholeJobThroughTheFirmware(t *testing.T) {
	build := built(t, avr)
	fan, err := rig.New("bench-fan", 1)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), 8*time.Minute)
	defer stop()
	p := &Plant{Rig: fan, Pins: pins}
	option, err := p.Listen(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	e, err := build.Emulate(ctx, append(option, "--rc", "1000", "--noise", "0.5")...)
	if err != nil {
		t.Fatal(err)
	}
	word := "serial:" + e.Port
	src, err := acq.Open(word, acq.Options{Queue: 1 << 12})
	if err != nil {
		t.Fatal(err)
	}
	cfg := station.StationConfig{Name: "bench", Source: word, Machine: fan.Machine(), Planes: fan.Planes()}
	setup := job.Setup{
		Name: "bench", Machine: fan.Machine(), Planes: fan.Planes(), Source: word, Virtual: true,
		Errors: balance.Errors{Mass: 0.01, Angle: math.Pi / 180, Repeat: 0.005},
	}
	tolerance := 0.7e-3 / rotor.RMS.OfPeak()
	for _, name := range []string{"A0", "A1", "A2"} {
		cfg.Channels = append(cfg.Channels, station.ChannelConfig{Name: name})
		setup.Sensors = append(setup.Sensors, job.Sensor{Name: name, Tolerance: tolerance})
	}
	j, err := job.Open(filepath.Join(t.TempDir(), "job.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	b := &bench{fan, station.New(cfg, src, slog.New(slog.DiscardHandler))}

	var res job.Result
	over := errors.New("over")
	g, gctx := errgroup.WithContext(ctx)
	g.Go(func() error { return p.Feed(gctx) })
	g.Go(func() error { return b.st.Run(gctx) })
	g.Go(func() (err error) {
		res, err = job.Auto(gctx, job.AutoConfig{
			Job: j, Setup: setup, Instrument: b.st, Rotor: b, Now: time.Now,
			Ask: job.Ask{MinTurns: 64, MaxTurns: 384, StandardError: tolerance / 30},
		})
		if err != nil {
			return err
		}
		return over
	})
	if err := g.Wait(); !errors.Is(err, over) {
		t.Fatal(err)
	}
	truth, err := e.End()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range res.Runs {
		t.Logf("%-24s %.3f mm/s rms (%s)", r.Name, 1e3*rotor.RMS.OfPeak()*r.Worst, r.Sensor)
	}
	t.Logf("%s; %+v", res.Why, truth)
	if !res.OK {
		t.Errorf("the fan did not end inside its tolerance: %s", res.Why)
	}
	// what no instrument knows: the fan itself agrees
	for pin, c := range pins {
		if v := cmplx.Abs(fan.TrueVector(c)); !(v <= 1.2*tolerance) {
			t.Errorf("pin %d: in truth %.3f mm/s rms are left", pin, 1e3*rotor.RMS.OfPeak()*v)
		}
	}
	if c := src.Counts(); c.LostFrames > 0 || c.Overruns > 0 || c.BoardDrops > 0 {
		t.Errorf("the board lost data: %+v", c)
	}
}
