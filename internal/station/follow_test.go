package station

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"counterpoise/internal/acq"
	"counterpoise/internal/blades/running"
	"counterpoise/internal/rig"
	"counterpoise/internal/rotor"
	"counterpoise/internal/station/trace"
)

// reel is a source that plays blocks from memory once it is let go.
type reel struct {
	blocks []*acq.Block
	gate   chan struct{}
	n      int
}

func (r *reel) Next(ctx context.Context) (*acq.Block, error) {
	select {
	case <-r.gate:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if r.n == len(r.blocks) {
		return nil, io.EOF
	}
	r.n++
	return r.blocks[r.n-1], nil
}
func (r *reel) Setup() *acq.Setup  { return r.blocks[0].Setup }
func (r *reel) Counts() acq.Counts { return acq.Counts{} }
func (r *reel) Close() error       { return nil }
func (r *reel) Link() acq.Link     { return acq.Link{Up: true, State: acq.Running} }

func open() chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// played is a recording of the virtual fan as blocks.
func played(rec *rig.Recording) (out []*acq.Block) {
	setup := &acq.Setup{Source: "rig", Rate: rec.Rate, TickHz: rec.Rate, HasTach: true, PulsesPerTurn: 1, TachDelay: rec.TachDelay}
	for c, name := range rec.Names {
		q := map[bool]rotor.Quantity{true: rotor.Displacement, false: rotor.Acceleration}[name == "track"]
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

// coasting is a virtual fan at speed for seconds before it is switched off.
func coasting(t *testing.T, name string, before, after float64) (*rig.Rig, []*acq.Block) {
	t.Helper()
	r, err := rig.New(name, 3)
	if err != nil {
		t.Fatal(err)
	}
	return r, coastingOf(t, r, before, after)
}

func coastingOf(t *testing.T, r *rig.Rig, before, after float64) []*acq.Block {
	t.Helper()
	if err := r.Start(); err != nil {
		t.Fatal(err)
	}
	for !r.State().AtSpeed {
		if err := r.Skip(1); err != nil {
			t.Fatal(err)
		}
	}
	rate := r.Describe().Rate
	a, err := r.Record(int(before * rate))
	if err != nil {
		t.Fatal(err)
	}
	if after > 0 {
		r.Stop()
		b, err := r.Record(int(after * rate))
		if err != nil {
			t.Fatal(err)
		}
		n := float64(len(a.Samples[0]))
		for c := range a.Samples {
			a.Samples[c] = append(a.Samples[c], b.Samples[c]...)
		}
		for _, e := range b.Edges {
			a.Edges = append(a.Edges, e+n)
		}
	}
	return played(a)
}

// followed runs a station over blocks while a trace follows it.
func followed(t *testing.T, blocks []*acq.Block, c trace.Config) *trace.Trace {
	t.Helper()
	tr := trace.New(c)
	synctest.Test(t, func(t *testing.T) {
		src := &reel{blocks: blocks, gate: make(chan struct{})}
		s := New(StationConfig{Name: "test", Orders: []int{1}}, src, slog.New(slog.DiscardHandler))
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := s.Run(t.Context()); err != nil {
				t.Error(err)
			}
		})
		wg.Go(func() {
			if err := s.Follow(t.Context(), tr); err != nil {
				t.Error(err)
			}
		})
		synctest.Wait()
		if err := s.Follow(t.Context(), trace.New(c)); err == nil || !strings.Contains(err.Error(), "another") {
			t.Errorf("two at a time: %v", err)
		}
		close(src.gate)
		wg.Wait()
	})
	return tr
}

// replayed reads the same blocks as a recording.
func replayed(t *testing.T, blocks []*acq.Block, c trace.Config) *trace.Trace {
	t.Helper()
	c.Whole = true
	tr := trace.New(c)
	s := New(StationConfig{Name: "test"}, &reel{}, slog.New(slog.DiscardHandler))
	if err := s.Replay(t.Context(), &reel{blocks: blocks, gate: open()}, tr); err != nil {
		t.Fatal(err)
	}
	return tr
}

func text(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A coast-down that is followed live, and ends by itself when the rotor stands,
// says the same as its recording; and what it says is what the fan does.
func TestCoastDownLiveAndRecorded(t *testing.T) {
	fan, blocks := coasting(t, "bench-fan-soft", 12, 30)
	c := trace.Config{Kind: trace.Speed}
	c.Power.Blades = fan.Describe().Blades
	live, err := followed(t, blocks, c).SpeedResult()
	if err != nil {
		t.Fatal(err)
	}
	whole, err := replayed(t, blocks, c).SpeedResult()
	if err != nil {
		t.Fatal(err)
	}
	a := live.Answer(trace.View{})
	if one, two := text(t, a), text(t, whole.Answer(trace.View{})); one != two {
		t.Errorf("live %.300s\nrecorded %.300s", one, two)
	}
	if a.Sweep == nil || a.PowerOff == nil {
		t.Fatalf("refused: %q, %q", a.NoSweep, a.NoPowerOff)
	}
	for _, r := range a.Sweep.Resonances {
		best := math.Inf(1)
		for _, m := range fan.Modes(rotor.RadPerSecond(r.RPM)) {
			best = math.Min(best, math.Abs(r.RPM/60/m.Hz-1))
		}
		if r.Swept && !(best <= 0.02) {
			t.Errorf("a resonance at %.1f rpm, of the fan at that speed: %+v", r.RPM, fan.Modes(rotor.RadPerSecond(r.RPM)))
		}
	}
	kinds := map[string]string{}
	for _, x := range a.PowerOff.Components {
		kinds[x.Name] = x.Kind
	}
	if kinds["1x"] != "order" || kinds["twice line frequency"] != "electrical" {
		t.Errorf("components %v", kinds)
	}
}

// Blades seen live end after as many turns as were asked for, and say what a
// recording of just those turns says.
func TestRunningBladesLiveAndRecorded(t *testing.T) {
	fan, blocks := coasting(t, "extractor-track", 6, 0)
	d := fan.Describe()
	c := trace.Config{Kind: trace.Track, Channel: "track", Blades: running.Config{Blades: d.Blades, Turns: 60, Sensor: d.Distance.Angle, SensorKnown: true,
		Blade1: fan.Machine().Blade1, Blade1Known: true, Radius: d.Distance.Radius}}
	tr := followed(t, blocks, c)
	if p := tr.Progress(); p.Turns != 60 || p.Want != 60 || !p.Done {
		t.Fatalf("it ended at %+v", p)
	}
	live, err := tr.TrackResult(nil)
	if err != nil {
		t.Fatal(err)
	}
	used := 0
	for u := trace.New(c); !u.Add(blocks[used]); used++ {
	}
	whole, err := replayed(t, blocks[:used+1], c).TrackResult(nil)
	if err != nil {
		t.Fatal(err)
	}
	a := live.Answer(trace.View{})
	if one, two := text(t, a), text(t, whole.Answer(trace.View{})); one != two {
		t.Errorf("live %.300s\nrecorded %.300s", one, two)
	}
	mean := 0.0
	for i := range a.Blades {
		mean += fan.Running(i+1, live.Running.Speed) / float64(len(a.Blades))
	}
	for i, b := range a.Blades {
		if want := (fan.Running(i+1, live.Running.Speed) - mean) * 1e3; !(math.Abs(*b.Track-want) <= 0.05) {
			t.Errorf("blade %d: %.3f mm, want %.3f", b.Blade, *b.Track, want)
		}
	}
	if a.Survey == nil || len(a.Survey.Track) != d.Blades || a.Judgement == nil || a.Judgement.Track == nil {
		t.Errorf("no survey came of it: %+v, %+v", a.Survey, a.Notes)
	}
}

// A person ends it early, and what cannot be told is told so.
func TestEnoughIsEnough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(2)
		f.paced = true
		s, stop := run(t, f)
		defer stop()
		tr := trace.New(trace.Config{Kind: trace.Speed})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Follow(ctx, tr) }()
		for tr.Progress().Turns < 50 {
			if _, err := s.Wait(t.Context(), s.serial()); err != nil {
				t.Fatal(err)
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		r, err := tr.SpeedResult()
		if err != nil {
			t.Fatal(err)
		}
		a := r.Answer(trace.View{})
		if !strings.Contains(a.NoSweep, "speed changed only") || !strings.Contains(a.NoPowerOff, "before the recording ended") {
			t.Errorf("a steady run: %q, %q", a.NoSweep, a.NoPowerOff)
		}
		if _, err := tr.TrackResult(nil); err == nil {
			t.Error("it told blades that it did not follow")
		}
		n := tr.Progress().Turns
		synctest.Wait()
		if tr.Progress().Turns != n {
			t.Error("it was still fed after its end")
		}
	})
}

func (s *Station) serial() uint64 {
	if n := s.Latest(); n != nil {
		return n.Serial
	}
	return 0
}
