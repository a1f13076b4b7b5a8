package rig

import "errors"

// Recording is what the board would have sent, in SI units, without a wire.
type Recording struct {
	Rate    float64     // nominal samples/s on the board's clock
	Names   []string    // of the channels
	Delay   []float64   // s by which each channel lags
	Samples [][]float64 // [channel][sample]: m/s^2, or m for the channel "track"
	Edges   []float64   // tach edges in fractional samples; they lag by TachDelay
	// TachDelay is in s.
	TachDelay float64
}

// Record runs the plant for n samples and returns what the board saw. It is for
// campaigns that need no wire, and refused while the rig is served.
func (r *Rig) Record(n int) (*Recording, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.serving {
		return nil, errors.New("this rig is on a wire: read its samples there")
	}
	s := r.sim
	rec := &Recording{Rate: s.Board.Rate, Names: s.channels(), TachDelay: s.Board.TachDelay}
	for i := range s.chains {
		rec.Samples = append(rec.Samples, make([]float64, n))
		rec.Delay = append(rec.Delay, s.lag(i))
	}
	first := s.tick(s.sample)
	counts := make([]int32, len(s.chains))
	var edges []uint32
	for k := range n {
		s.next(counts)
		for i, c := range counts {
			rec.Samples[i][k] = float64(c-s.chains[i].zero) * s.chains[i].step
		}
		edges = s.due(s.tick(s.sample), edges[:0], 64)
		for _, e := range edges {
			rec.Edges = append(rec.Edges, float64(int32(e-uint32(first+uint64(k)*uint64(s.ticks))))/s.ticks+float64(k))
		}
	}
	return rec, nil
}

// Skip runs the plant for a time in s without keeping anything.
func (r *Rig) Skip(seconds float64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.serving {
		return errors.New("this rig is on a wire: its time passes there")
	}
	counts := make([]int32, len(r.sim.chains))
	for range int(seconds / r.sim.dt) {
		r.sim.next(counts)
	}
	r.sim.edges = r.sim.edges[:0]
	return nil
}

// lag is the delay in s that the board states for a channel; the distance
// sensor has none.
func (s *sim) lag(channel int) float64 {
	if channel >= len(s.Probes) {
		return 0
	}
	return s.Board.delay(s.Probes[channel].Slot)
}
