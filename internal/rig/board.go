package rig

import (
	"math"

	"counterpoise/internal/acq/tickline"
)

const maxChannels = tickline.MaxChannels

// board is the firmware: what it counts and what it is doing.
type board struct {
	id        uint64
	streaming bool
	greet     bool   // the host is owed a greeting
	seq       uint16 // of the next frame
	edge      uint16 // running number of the next edge
	drops     uint16 // data frames that found no room
	tachLost  uint16 // edges that were in them
	first     uint64 // sample and tick at which this board started to count
	zero      uint64
	second    uint64 // sample at which the next status is due

	counts []int32 // scratch of one frame
	edges  []uint32
	spoilt spoiler
}

// firmware is major * 256 + minor.
const firmware = 1 << 8

// restart is what a power cut does to a board: it counts from zero and waits to
// be started.
func (b *board) restart(s *sim) {
	*b = board{id: b.id, first: s.sample, zero: s.tick(s.sample), second: s.sample, counts: b.counts, edges: b.edges, spoilt: b.spoilt}
	s.loopback = 0
	s.edges = s.edges[:0]
}

// frameSamples is the number of samples per channel of a data frame, with room
// left for the edges of a fast tach.
func frameSamples(s *sim) int {
	return min(32, tickline.RoomFor(len(s.chains), wide(s), spareEdges))
}

const spareEdges = 8

func wide(s *sim) bool { return s.Board.Bits > 16 }

// greeting says what the board is.
func (b *board) greeting(s *sim, version uint8) tickline.Greeting {
	g := tickline.Greeting{
		Protocol: tickline.Version, Board: "rig", Firmware: firmware, ID: b.id, Bits: uint8(s.Board.Bits), SampleBytes: 2,
		FrameSamples: uint8(frameSamples(s)), Pulses: uint8(s.Board.Pulses), TickHz: uint32(s.Board.TickHz),
		SampleTicks: uint32(s.ticks), TachDelayTicks: uint32(math.Round(s.Board.TachDelay * s.Board.TickHz)),
	}
	if version != 0 {
		g.Protocol = version
	}
	if wide(s) {
		g.SampleBytes = 3
	}
	if b.streaming {
		g.Flags |= tickline.FlagStreaming
	}
	if s.loopback != 0 {
		g.Flags |= tickline.FlagLoopback
	}
	for i, name := range s.channels() {
		c := &s.chains[i]
		unit := tickline.MetrePerSecond2
		if i >= len(s.Probes) {
			unit = tickline.Metre
		}
		g.Channels = append(g.Channels, tickline.Channel{
			Name: name, Unit: unit, Scale: float32(c.step), Zero: c.zero, FullScale: uint32(c.top),
			DelayTicks: uint32(math.Round(s.lag(i) * s.Board.TickHz)),
		})
	}
	return g
}

// obey does what the host says. A greeting answers, for every command changes
// what a greeting tells.
func (b *board) obey(s *sim, c tickline.Command) {
	switch c.Type {
	case tickline.TypeStart:
		b.streaming = true
	case tickline.TypeStop:
		b.streaming = false
	case tickline.TypeLoopback:
		s.loopback = c.PeriodTicks
	}
}

// appendGreeting appends a greeting frame to out.
func (b *board) appendGreeting(out []byte, s *sim, version uint8) []byte {
	g := b.greeting(s, version)
	out = tickline.AppendGreeting(out, b.seq, &g)
	b.seq++
	return out
}

// appendData lets the plant run for one frame and appends it to out, with a
// status once a second. Where there is no room the frame is dropped and
// counted, as a board's transmitter does; while nobody listens it is not made.
func (b *board) appendData(out []byte, s *sim, room bool, f *Faults) []byte {
	n, channels := frameSamples(s), len(s.chains)
	if len(b.counts) != n*channels {
		b.counts = make([]int32, n*channels)
	}
	first := s.sample
	for i := range n {
		s.next(b.counts[i*channels : (i+1)*channels])
	}
	b.edges = s.due(s.tick(s.sample), b.edges[:0], spareEdges)
	for i := range b.edges {
		b.edges[i] -= uint32(b.zero)
	}
	number := b.edge
	b.edge += uint16(len(b.edges))
	if !b.streaming {
		return out
	}
	if !room {
		b.drops++
		b.tachLost += uint16(len(b.edges))
		return out
	}
	start := len(out)
	out = tickline.AppendData(out, b.seq, &tickline.Data{
		Tick: uint32(s.tick(first) - b.zero), Sample: uint32(first - b.first), Edge: number, Drops: b.drops,
		Channels: channels, Wide: wide(s), Samples: b.counts, Edges: b.edges,
	})
	b.seq++
	out = b.spoilt.spoil(out, start, f)
	if s.sample >= b.second {
		b.second += uint64(s.Board.Rate)
		out = tickline.AppendStatus(out, b.seq, &tickline.Status{
			Tick: uint32(s.tick(s.sample) - b.zero), Drops: b.drops, TachLost: b.tachLost,
		})
		b.seq++
	}
	return out
}
