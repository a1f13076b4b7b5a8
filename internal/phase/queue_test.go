package phase

import (
	"math"
	"testing"

	"counterpoise/internal/acq"
)

// A block that holds more edges than the queue gives the turns that the same
// samples give in small blocks.
func TestAHugeBlockLosesNoEdges(t *testing.T) {
	const seconds, hz = 60, 40
	setup := oneChannel(2000)
	v := func(_, theta float64) float64 { return math.Cos(theta) }
	small := record(setup, steady(hz), seconds, v)
	count := func(bs []*acq.Block) int {
		x, n := NewExtractor(Config{}), 0
		extract(x, bs, func(*Turn) { n++ })
		if x.LostEdges() != 0 || x.Dropped() != [NumDrops]uint64{} {
			t.Errorf("%d edges lost, dropped %v", x.LostEdges(), x.Dropped())
		}
		return n
	}
	huge := *small[0]
	huge.Samples, huge.Edges = [][]float32{nil}, nil
	for _, b := range small {
		for _, e := range b.Edges {
			huge.Edges = append(huge.Edges, acq.Edge{Pos: e.Pos + float64(b.Sample), Number: e.Number})
		}
		huge.Samples[0] = append(huge.Samples[0], b.Samples[0]...)
	}
	if len(huge.Edges) < 4*leastQueue {
		t.Fatalf("only %d edges", len(huge.Edges))
	}
	if one, many := count([]*acq.Block{&huge}), count(small); one != many || one < seconds*hz-3 {
		t.Errorf("%d turns of one block, %d of many", one, many)
	}
}

// Edges far ahead of their samples fill the queue; what finds no room is counted,
// and the reading says so.
func TestEdgesWithoutSamplesAreCounted(t *testing.T) {
	const hz = 40
	x, a := NewExtractor(Config{}), NewAverage(AverageConfig{})
	bs := record(oneChannel(2000), steady(hz), 20, func(_, theta float64) float64 { return math.Cos(theta) })
	mid := bs[len(bs)/2]
	last := mid.Edges[len(mid.Edges)-1]
	for i := range 700 {
		mid.Edges = append(mid.Edges, acq.Edge{Pos: last.Pos + float64(i+1), Number: last.Number + uint64(i+1)})
	}
	extract(x, bs, func(u *Turn) { a.Add(u) })
	if n := x.LostEdges(); n < 150 || n > 700 {
		t.Errorf("%d edges lost", n)
	}
	if r := a.Reading(); x.Dropped()[DropCrowded] == 0 || uint64(r.Dropped[DropCrowded]) != x.Dropped()[DropCrowded] {
		t.Errorf("dropped %v, the reading says %v", x.Dropped(), r.Dropped)
	}
}
