package phase

import (
	"math"
	"math/cmplx"
	"math/rand/v2"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

func oneChannel(rate float64) *acq.Setup {
	return &acq.Setup{Source: "synth", Rate: rate, TickHz: rate, HasTach: true, PulsesPerTurn: 1,
		Channels: []acq.Channel{{Name: "a", Quantity: rotor.Velocity, Scale: 1}}}
}

// steady is a rotor at hz turns a second.
func steady(hz float64) func(float64) float64 { return func(t float64) float64 { return hz * t } }

// crossings are the times at which turns(t) passes whole numbers, in seconds.
func crossings(turns func(float64) float64, until float64) (ts []float64) {
	for k := math.Ceil(turns(0)); ; k++ {
		lo, hi := 0.0, until
		if turns(until) < k {
			return ts
		}
		for range 80 {
			m := (lo + hi) / 2
			if turns(m) < k {
				lo = m
			} else {
				hi = m
			}
		}
		ts = append(ts, hi)
	}
}

// blocks cuts one channel and its edges (in samples) into blocks.
func blocks(setup *acq.Setup, x [][]float32, edges []float64, size int) (bs []*acq.Block) {
	n := uint64(0)
	for from := 0; from < len(x[0]); from += size {
		to := min(from+size, len(x[0]))
		b := &acq.Block{Setup: setup, Tick: uint64(from), Sample: uint64(from)}
		for c := range x {
			b.Samples = append(b.Samples, x[c][from:to])
		}
		for len(edges) > 0 && edges[0] < float64(to) {
			b.Edges = append(b.Edges, acq.Edge{Pos: edges[0] - float64(from), Number: n})
			edges = edges[1:]
			n++
		}
		bs = append(bs, b)
	}
	return bs
}

// record makes the blocks of seconds of one channel.
func record(setup *acq.Setup, turns func(float64) float64, seconds float64, signal func(t, theta float64) float64) []*acq.Block {
	n := int(seconds * setup.Rate)
	x := make([]float32, n)
	for i := range x {
		t := float64(i) / setup.Rate
		x[i] = float32(signal(t, 2*math.Pi*turns(t)))
	}
	edges := crossings(turns, seconds)
	for i := range edges {
		edges[i] *= setup.Rate
	}
	all := [][]float32{x}
	for range len(setup.Channels) - 1 {
		all = append(all, x)
	}
	return blocks(setup, all, edges, 256)
}

func extract(x *Extractor, bs []*acq.Block, each func(*Turn)) {
	for _, b := range bs {
		x.Add(b, each)
	}
}

func rng(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 1)) }

func apart(a, b complex128) float64 { return cmplx.Abs(a - b) }
