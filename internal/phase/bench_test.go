//go:build unix

package phase

import (
	"fmt"
	"math"
	"syscall"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

// Speeds are figures of one run to be compared with each other: ns per sample
// and channel on one core, over data larger than the last cache.

// benchBlocks is a record of channels at about perTurn samples a turn, 25 turns
// a second, the speed wandering from turn to turn. A block is what a file source
// hands out, a second, unless size says otherwise.
func benchBlocks(channels int, perTurn float64, size, bytes int) []*acq.Block {
	setup := &acq.Setup{Rate: 25 * perTurn, TickHz: 25 * perTurn, HasTach: true, PulsesPerTurn: 1}
	n := bytes / 4 / channels
	x := make([][]float32, channels)
	for c := range x {
		setup.Channels = append(setup.Channels, acq.Channel{Name: fmt.Sprint(c), Quantity: rotor.Velocity, FullScale: 10})
		x[c] = make([]float32, n)
		var some [997]float32
		for i := range some {
			some[i] = float32(math.Sin(float64(i)/50) + float64(i%7)*0.1)
		}
		for to := x[c]; len(to) > 0; {
			to = to[copy(to, some[:]):]
		}
	}
	var edges []float64
	for k := 0.3; k*perTurn < float64(n-2); k++ {
		edges = append(edges, (k+2e-3*math.Sin(2*k))*perTurn)
	}
	if size == 0 {
		size = int(setup.Rate)
	}
	return blocks(setup, x, edges, size)
}

// cpuTime is the processor time spent so far, in ns: other work on the machine
// then does not count.
func cpuTime() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return math.NaN()
	}
	return float64(u.Utime.Nano() + u.Stime.Nano())
}

// perSample runs one pass over the blocks again and again.
func perSample(b *testing.B, bs []*acq.Block, pass func()) {
	total := 0.0
	for b.Loop() {
		total += spent(bs, pass)
	}
	b.ReportMetric(total/float64(b.N), "cpu-ns/sample")
}

var benchSink float32

// plainSum is what every other figure is held against: the samples merely added
// up, eight chains at a time.
func plainSum(x []float32) float32 {
	var s0, s1, s2, s3, s4, s5, s6, s7 float32
	for len(x) >= 8 {
		y := x[:8:8]
		s0 += y[0]
		s1 += y[1]
		s2 += y[2]
		s3 += y[3]
		s4 += y[4]
		s5 += y[5]
		s6 += y[6]
		s7 += y[7]
		x = x[8:]
	}
	return s0 + s1 + s2 + s3 + s4 + s5 + s6 + s7
}

// doubleSum adds up in double precision, as everything that lasts here does.
func doubleSum(x []float32) float64 {
	var s0, s1, s2, s3 float64
	for len(x) >= 8 {
		y := x[:8:8]
		s0 += float64(y[0])
		s1 += float64(y[1])
		s2 += float64(y[2])
		s3 += float64(y[3])
		s0 += float64(y[4])
		s1 += float64(y[5])
		s2 += float64(y[6])
		s3 += float64(y[7])
		x = x[8:]
	}
	return s0 + s1 + s2 + s3
}

func BenchmarkSpeed(b *testing.B) {
	b.Run("plain sum", func(b *testing.B) {
		bs := benchBlocks(4, 1024, 0, beyondCache())
		perSample(b, bs, func() {
			for _, k := range bs {
				for _, x := range k.Samples {
					benchSink += plainSum(x)
				}
			}
		})
	})
	b.Run("plain sum in double", func(b *testing.B) {
		bs := benchBlocks(4, 1024, 0, beyondCache())
		perSample(b, bs, func() {
			for _, k := range bs {
				for _, x := range k.Samples {
					benchSink += float32(doubleSum(x))
				}
			}
		})
	})
	for _, c := range []struct {
		channels int
		perTurn  float64
		orders   []int
		size     int
	}{
		{4, 1024, []int{1}, 0}, {4, 1024, []int{1}, 1024}, {4, 1024, []int{1}, 32}, {1, 1024, []int{1}, 0},
		{16, 1024, []int{1}, 0}, {16, 1024, []int{1, 2, 3, 4}, 0}, {4, 24, []int{1}, 0},
	} {
		name := "a second"
		if c.size > 0 {
			name = fmt.Sprint(c.size)
		}
		b.Run(fmt.Sprintf("extract %d ch %v samples %d orders, blocks of %s", c.channels, c.perTurn, len(c.orders), name), func(b *testing.B) {
			size := beyondCache()
			if c.perTurn < 100 {
				size = 32 << 20 // what a turn costs is all it costs
			}
			bs := benchBlocks(c.channels, c.perTurn, c.size, size)
			b.ReportAllocs()
			x := NewExtractor(Config{Orders: c.orders, MinSpeed: 2 * math.Pi * 10, Late: 0.01})
			turns := 0
			count := func(*Turn) { turns++ }
			for _, k := range bs[:min(len(bs), 1000)] {
				x.Add(k, count)
			}
			turns = 0
			perSample(b, bs, func() {
				x.gap()
				for _, k := range bs {
					x.Add(k, count)
				}
			})
			if turns == 0 {
				b.Fatal("no turns")
			}
		})
	}
}
