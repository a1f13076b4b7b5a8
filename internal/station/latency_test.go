package station

import (
	"log/slog"
	"math"
	"slices"
	"testing"
	"time"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// BenchmarkLatency feeds the station's own loop with blocks of 4 channels at
// 25 kS/s, 25 turns a second, and reports what it says of itself: the time from
// the block with a turn's last edge reaching it until a listener has the value.
// The time that a board needs to fill a block comes on top: 28 samples, as many
// as a frame of 4 channels holds, are 1.1 ms.
func BenchmarkLatency(b *testing.B) {
	const rate, size, turn = 25000, 28, 1000
	setup := &acq.Setup{Source: "memory", Rate: rate, TickHz: rate, HasTach: true, PulsesPerTurn: 1}
	for _, name := range []string{"a", "b", "c", "d"} {
		setup.Channels = append(setup.Channels, acq.Channel{Name: name, Quantity: rotor.Acceleration, Scale: 1})
	}
	l := newLoop(New(StationConfig{Name: "bench", Orders: []int{1}}, &feed{setup: setup}, slog.New(slog.DiscardHandler)))
	blk := &acq.Block{Setup: setup, Samples: make([][]float32, len(setup.Channels))}
	for c := range blk.Samples {
		blk.Samples[c] = make([]float32, size)
	}
	next := func(n int) {
		blk.Tick, blk.Sample, blk.Edges = uint64(n*size), uint64(n*size), blk.Edges[:0]
		for c, x := range blk.Samples {
			for i := range x {
				x[i] = float32(math.Sin(2*math.Pi*float64(n*size+i)/turn + float64(c)))
			}
		}
		for k := (n*size + turn - 1) / turn; k*turn < (n+1)*size; k++ {
			blk.Edges = append(blk.Edges, acq.Edge{Pos: float64(k*turn - n*size), Number: uint64(k)})
		}
	}
	q := l.s.Listen(16) // somebody listens
	defer q.Close()
	var late []time.Duration
	n := 0
	for b.Loop() {
		next(n)
		n++
		before := l.latency
		l.block(blk)
		for range l.latency.Turns - before.Turns {
			<-q.C // there already
		}
		if l.latency.Turns == before.Turns+1 {
			late = append(late, time.Duration(1e9*(l.latency.Sum-before.Sum)))
		}
	}
	if len(late) == 0 {
		return // the first, single call
	}
	slices.Sort(late)
	b.ReportMetric(float64(late[len(late)/2].Nanoseconds())/1000, "us-median")
	b.ReportMetric(float64(late[len(late)*99/100].Nanoseconds())/1000, "us-99%")
	b.ReportMetric(float64(late[len(late)-1].Nanoseconds())/1000, "us-worst")
}
