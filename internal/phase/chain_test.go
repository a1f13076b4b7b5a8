//go:build unix

package phase

import (
	"bytes"
	"errors"
	"io"
	"math"
	"runtime"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/acq/tickline"
)

const (
	chainChannels = 4
	chainTurn     = 1024.0
	chainSamples  = 1 << 22 // of all channels, as many as the rivals get
	chainFrame    = 28      // samples of a channel in a frame: what fits
	chainTicks    = 1000    // a sample
)

// chainWire is what a board of 4 channels of 16 bits sends: framed, checked,
// stuffed, 1,024 samples a turn at 25 turns a second.
func chainWire() []byte {
	g := tickline.Greeting{Protocol: tickline.Version, Board: "bench", Flags: tickline.FlagStreaming, Bits: 16, SampleBytes: 2,
		FrameSamples: chainFrame, Pulses: 1, TickHz: 25_600_000, SampleTicks: chainTicks}
	for _, name := range [chainChannels]string{"a", "b", "c", "d"} {
		g.Channels = append(g.Channels, tickline.Channel{Name: name, Unit: tickline.MetrePerSecond2, Scale: 0.001, FullScale: 32767})
	}
	wire := tickline.AppendGreeting(nil, 0, &g)
	d := tickline.Data{Channels: chainChannels, Samples: make([]int32, chainFrame*chainChannels)}
	edge := uint64(0)
	edgeTick := func() uint64 {
		return uint64((float64(edge) + 0.3 + 2e-3*math.Sin(float64(2*edge))) * chainTurn * chainTicks)
	}
	for n := uint64(0); n+chainFrame <= chainSamples/chainChannels; n += chainFrame {
		d.Tick, d.Sample, d.Edge, d.Edges = uint32(n*chainTicks), uint32(n), uint16(edge), d.Edges[:0]
		for i := range d.Samples {
			at := float64(n) + float64(i/chainChannels)
			d.Samples[i] = int32(3000*math.Sin(2*math.Pi*at/chainTurn+float64(i%chainChannels)) + 40*math.Sin(at*1.7))
		}
		for edgeTick() < (n+chainFrame)*chainTicks {
			d.Edges = append(d.Edges, uint32(edgeTick()))
			edge++
		}
		wire = tickline.AppendData(wire, uint16(n/chainFrame+1), &d)
	}
	return wire
}

// The whole chain: bytes of the wire, their stuffing and check undone, counts
// unpacked to units, a block a frame, turns. It allocates nothing for a block.
func BenchmarkChain(b *testing.B) {
	wire := chainWire()
	var spent float64
	var before, after runtime.MemStats
	var allocs, blocks, turns uint64
	for b.Loop() {
		src, err := acq.Open("-", acq.Options{Stdin: bytes.NewReader(wire)})
		if err != nil {
			b.Fatal(err)
		}
		x := NewExtractor(Config{Late: 0.01})
		count := func(*Turn) { turns++ }
		from, n := cpuTime(), 0
		for {
			blk, err := src.Next(b.Context())
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			if n == 1000 { // everything has grown to its size
				runtime.ReadMemStats(&before)
			}
			x.Add(blk, count)
			n++
		}
		spent += cpuTime() - from
		runtime.ReadMemStats(&after)
		allocs += after.Mallocs - before.Mallocs
		blocks += uint64(n) - 1000
		src.Close()
	}
	if want := uint64(b.N) * (chainSamples/chainChannels/chainTurn - 2); turns < want {
		b.Fatalf("%d turns, at least %d wanted", turns, want)
	}
	b.ReportMetric(spent/float64(b.N)/chainSamples, "cpu-ns/sample")
	b.ReportMetric(float64(allocs)/float64(blocks), "allocs/block")
}
