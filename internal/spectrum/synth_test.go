package spectrum

import (
	"math"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
)

func setupOf(rate float64, q rotor.Quantity) *acq.Setup {
	return &acq.Setup{Rate: rate, TickHz: rate, Channels: []acq.Channel{{Name: "a", Quantity: q}}}
}

// feed hands seconds of a signal over in blocks of 256 samples.
func feed(s *acq.Setup, seconds float64, signal func(t float64) float64, to ...func(*acq.Block)) {
	n := int(seconds * s.Rate)
	for from := 0; from < n; from += 256 {
		x := make([]float32, min(256, n-from))
		for i := range x {
			x[i] = float32(signal(float64(from+i) / s.Rate))
		}
		for _, f := range to {
			f(&acq.Block{Setup: s, Tick: uint64(from), Sample: uint64(from), Samples: [][]float32{x}})
		}
	}
}

func sine(amplitude, hz float64) func(float64) float64 {
	return func(t float64) float64 { return amplitude * math.Cos(2*math.Pi*hz*t+0.3) }
}

func oneBlock(s *acq.Setup) *acq.Block {
	return &acq.Block{Setup: s, Samples: [][]float32{make([]float32, 256)}}
}
