package acq

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"counterpoise/internal/acq/tickline"
	"counterpoise/internal/rotor"
)

// pulsing is a board of 5 kS/s that samples its tach beside one sensor, in frames of
// 28 samples: 24.3 turns a second, a pulse of 40 samples with noise.
func pulsing(unit tickline.Unit, frames int, of func(v float64) float64, lost func(frame int) bool) (wire []byte, at []float64) {
	const n, period = 28, 5000 / 24.3
	g := tickline.Greeting{Protocol: tickline.Version, Board: "analog", SampleBytes: 2, FrameSamples: n, TickHz: 1e6, SampleTicks: 200,
		Channels: []tickline.Channel{{Name: "mark", Unit: unit, Scale: 0.001, Zero: 100, FullScale: 30000, DelayTicks: 300}, {Name: "DE-H", Unit: tickline.MetrePerSecond2, Scale: 0.01}}}
	x := pulses(frames*n, 50.3, period, 40)
	rng := rand.New(rand.NewPCG(1, 2))
	wire = tickline.AppendGreeting(nil, 0, &g)
	for f := range frames {
		d := tickline.Data{Tick: uint32(f * n * 200), Sample: uint32(f * n), Channels: 2}
		for i := f * n; i < (f+1)*n; i++ {
			d.Samples = append(d.Samples, int32(100+1000*of(x[i]+0.01*rng.NormFloat64())), int32(i%1000))
		}
		if lost == nil || !lost(f) {
			wire = tickline.AppendData(wire, uint16(f+1), &d)
		}
	}
	for p := 50.3; p < float64(frames*n); p += period {
		at = append(at, p)
	}
	return wire, at
}

// A tach that a board samples becomes edges, dated between samples, although no frame
// holds a whole pulse; it is no channel, and its delay is the tach's.
func TestSampledTachOfABoard(t *testing.T) {
	for _, c := range []struct {
		name  string
		unit  tickline.Unit
		query string
		of    func(v float64) float64
	}{
		{"by its greeting", tickline.TachPulse, "", func(v float64) float64 { return 5 * v }},
		{"by the word", tickline.Raw, "tach=mark", func(v float64) float64 { return 5 * v }},
		{"by its number, level given", tickline.Raw, "tach=0&threshold=2.5", func(v float64) float64 { return 5 * v }},
		{"upside down", tickline.TachPulse, "edge=falling", func(v float64) float64 { return 5 - 4*v }},
	} {
		wire, want := pulsing(c.unit, 2000, c.of, func(f int) bool { return f >= 1000 && f < 1003 })
		blocks, s := replay(t, wire, c.query)
		su := s.Setup()
		if !su.HasTach || len(su.Channels) != 1 || su.Channels[0].Name != "DE-H" || su.Channels[0].Quantity != rotor.Acceleration || su.TachDelay != 300e-6 {
			t.Fatalf("%s: %+v", c.name, su)
		}
		found, next, sq := 0, uint64(0), 0.0
		for _, b := range blocks {
			if len(b.Samples) != 1 || b.Samples[0][3] != float32((b.Sample+3)%1000)*0.01 || b.LostEdges != 0 {
				t.Fatalf("%s: block at %d: %v, %d edges lost", c.name, b.Sample, b.Samples[0][3], b.LostEdges)
			}
			for _, e := range b.Edges {
				if p := e.Pos + float64(b.Sample); e.Number != next || !(p > 4900) {
					t.Fatalf("%s: edge %d at %v, want number %d", c.name, e.Number, p, next)
				} else {
					near := math.Inf(1)
					for _, w := range want {
						near = math.Min(near, math.Abs(p-w))
					}
					sq += near * near
				}
				next++
				found++
			}
		}
		// The first second teaches the levels; a hole of 84 samples hides at most one.
		inTime := 0
		for _, p := range want {
			if p > 5040 {
				inTime++
			}
		}
		if found < inTime-2 || found > inTime || !(math.Sqrt(sq/float64(found)) < 0.05) {
			t.Errorf("%s: %d edges of %d, off by %.3f samples", c.name, found, inTime, math.Sqrt(sq/float64(found)))
		}
		if p, ok := s.(Pulsed).Pulse(); !ok || !(p.High-p.Low > 3) || p.UpsideDown() {
			t.Errorf("%s: pulse %+v, %v", c.name, p, ok)
		}
	}
}

func TestSampledTachThatCannotBe(t *testing.T) {
	two := tickline.Greeting{Protocol: tickline.Version, SampleBytes: 2, FrameSamples: 20, TickHz: 1e6, SampleTicks: 200,
		Channels: []tickline.Channel{{Name: "a", Unit: tickline.TachPulse, Scale: 1}, {Name: "b", Unit: tickline.TachPulse, Scale: 1}}}
	one := two
	one.Channels = two.Channels[:1]
	for _, c := range []struct {
		g           tickline.Greeting
		query, want string
	}{
		{two, "", "which to follow"},
		{two, "tach=c", "no column"},
		{one, "", "nothing to measure"},
		{two, "tach=a&threshold=x", "threshold"},
		{newBoard().g, "threshold=2", "threshold is not known here"},
	} {
		wire := tickline.AppendGreeting(nil, 0, &c.g)
		wire = tickline.AppendData(wire, 1, &tickline.Data{Channels: len(c.g.Channels), Samples: make([]int32, 20*len(c.g.Channels))})
		src, err := Open("-?"+c.query, Options{Stdin: bytes.NewReader(wire)})
		if err == nil {
			_, err = src.Next(context.Background())
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.query, err, c.want)
		}
	}
}

// A tach that shows noise alone makes no edges, however short the frames are.
func TestSampledTachWithoutPulse(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	wire, _ := pulsing(tickline.TachPulse, 2000, func(float64) float64 { return 1 + 0.02*rng.NormFloat64() }, nil)
	blocks, s := replay(t, wire, "")
	for _, b := range blocks {
		if len(b.Edges) > 0 {
			t.Fatalf("%d edges at %d: %+v", len(b.Edges), b.Sample, s.Setup())
		}
	}
}

// Whatever the source, its edges may be said to lag the mark, by a time or by an angle.
func TestMarkByTheWord(t *testing.T) {
	frames, _ := pulsing(tickline.TachPulse, 300, func(v float64) float64 { return 5 * v }, nil)
	lines := "0,1,0\n"
	for i := range 200 {
		lines += fmt.Sprintf("%d,1,%d\n", 1000*(i+1), i/10%2*5)
	}
	table := t.TempDir() + "/run.csv"
	if err := os.WriteFile(table, []byte("a,m\n1,0\n2,5\n3,0\n4,5\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		source string
		data   []byte
		delay  float64
	}{
		{"-?tach_angle=-90", frames, 300e-6},
		{"-?tach_angle=-90&tach_delay=0.002", frames, 0.002},
		{"-?mode=lines&tach=2&tach_angle=270&tach_delay=0.001", []byte(lines), 0.001},
		{"file:" + table + "?rate=100&header=1&tach=m&tach_angle=270&tach_delay=0.001", nil, 0.001},
	} {
		s, err := Open(c.source, Options{Stdin: bytes.NewReader(c.data)})
		if err == nil {
			_, err = s.Next(context.Background())
		}
		if err != nil {
			t.Errorf("%s: %v", c.source, err)
			continue
		}
		if su := s.Setup(); su.TachDelay != c.delay || !(math.Abs(math.Remainder(su.TachAngle+math.Pi/2, 2*math.Pi)) < 1e-9) {
			t.Errorf("%s: delay %v, angle %v", c.source, su.TachDelay, su.TachAngle)
		}
		s.Close()
	}
}
