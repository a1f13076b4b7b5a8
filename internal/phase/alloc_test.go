package phase

import (
	"fmt"
	"math"
	"testing"

	"counterpoise/internal/acq"
)

// A block that has nothing new in it costs no memory, whatever its size and
// however many channels and orders.
func TestExtractionAllocatesNothing(t *testing.T) {
	for _, c := range []struct {
		channels, perTurn, size int
		orders                  []int
	}{
		{4, 1024, 1024, []int{1}}, {4, 1024, 28, []int{1}}, {16, 1024, 4096, []int{1, 2, 3, 4}}, {4, 24, 256, []int{1}}, {1, 300, 100, []int{1, 8}},
	} {
		t.Run(fmt.Sprintf("%d channels, %d samples a turn, %d orders, blocks of %d", c.channels, c.perTurn, len(c.orders), c.size), func(t *testing.T) {
			setup := oneChannel(float64(25 * c.perTurn))
			for len(setup.Channels) < c.channels {
				setup.Channels = append(setup.Channels, setup.Channels[0])
			}
			bs := record(setup, steady(25), 6, func(_, theta float64) float64 { return math.Cos(theta) })
			bs = rejoined(bs, c.size)
			x, turns, i := NewExtractor(Config{Orders: c.orders, Late: 0.01}), 0, 0
			next := func() {
				x.Add(bs[i], func(*Turn) { turns++ })
				i++
			}
			for i < len(bs)/3 { // warm-up: everything grows to its size
				next()
			}
			turns = 0
			if n := testing.AllocsPerRun(len(bs)-i-2, next); n != 0 {
				t.Errorf("%g allocations a block", n)
			}
			if turns < 40 {
				t.Errorf("only %d turns", turns)
			}
		})
	}
}

// rejoined cuts a record of blocks anew.
func rejoined(bs []*acq.Block, size int) []*acq.Block {
	x := make([][]float32, len(bs[0].Samples))
	var edges []float64
	for _, b := range bs {
		for c := range x {
			x[c] = append(x[c], b.Samples[c]...)
		}
		for _, e := range b.Edges {
			edges = append(edges, e.Pos+float64(b.Sample))
		}
	}
	return blocks(bs[0].Setup, x, edges, size)
}
