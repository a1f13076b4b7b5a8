package acq

import (
	"math"

	"counterpoise/internal/acq/tickline"
)

// board writes what a board would: sample k of channel c is the count
// k*(c+1) mod 1000 - 500, the rotor passes the mark every period ticks.
type board struct {
	g      tickline.Greeting
	seq    uint16
	sample uint64
	edge   uint64
	period uint64
	drops  uint16
	wide   bool
}

func newBoard() *board {
	return &board{period: 640_017, g: tickline.Greeting{
		Protocol: tickline.Version, Board: "test", Firmware: 0x0105, ID: 0xC0FFEE, Flags: tickline.FlagStreaming,
		Bits: 10, SampleBytes: 2, FrameSamples: 20, Pulses: 1, TickHz: 16_000_000, SampleTicks: 8000, TachDelayTicks: 1600,
		Channels: []tickline.Channel{
			{Name: "DE-H", Unit: tickline.MetrePerSecond2, Scale: 0.5, Zero: 3, FullScale: 511, DelayTicks: 2000},
			{Name: "volts", Unit: tickline.Raw, Scale: 0.001},
		},
	}}
}

func (b *board) next() uint16 { b.seq++; return b.seq - 1 }

func (b *board) greeting(dst []byte) []byte { return tickline.AppendGreeting(dst, b.next(), &b.g) }

func (b *board) tick(sample uint64) uint64 { return sample * uint64(b.g.SampleTicks) }

func count(sample uint64, channel int) int32 {
	return int32(sample*uint64(channel+1)%1000) - 500
}

// value is what the host must make of it.
func (b *board) value(sample uint64, channel int) float32 {
	c := b.g.Channels[channel]
	return float32(count(sample, channel)-c.Zero) * c.Scale
}

// make is the next data frame, without putting it on the wire.
func (b *board) make() tickline.Data {
	n := uint64(b.g.FrameSamples)
	d := tickline.Data{
		Tick: uint32(b.tick(b.sample)), Sample: uint32(b.sample), Drops: b.drops, Wide: b.wide,
		Edge: uint16(b.edge), Channels: len(b.g.Channels),
	}
	for i := range n {
		for c := range b.g.Channels {
			d.Samples = append(d.Samples, count(b.sample+i, c))
		}
	}
	b.sample += n
	for b.edgeTick() < b.tick(b.sample) {
		d.Edges = append(d.Edges, uint32(b.edgeTick()))
		b.edge++
	}
	return d
}

func (b *board) edgeTick() uint64 { return b.edge*b.period + 12345 }

func (b *board) data(dst []byte) []byte {
	d := b.make()
	return tickline.AppendData(dst, b.next(), &d)
}

// drop throws the next data frame away, as a board whose transmitter is full.
func (b *board) drop() {
	b.make()
	b.drops++
}

// skipTo moves the board to just before the given sample.
func (b *board) skipTo(sample uint64) {
	n := uint64(b.g.FrameSamples)
	b.sample = sample / n * n
	b.edge = uint64(math.Ceil((float64(b.tick(b.sample)) - 12345) / float64(b.period)))
}
