package rig

import (
	"math"

	"counterpoise/internal/rotor"
)

// look is one sample of the distance sensor: the axial place of the blade that
// stands before it, sloping from leading to trailing edge as a blade does, or
// the end of its range between blades. A spot of some width softens the edges.
func (s *sim) look(counts []int32) {
	d, w := s.Distance, &s.Wheel
	seen := d.Range
	for i := range s.blades {
		b := &s.blades[i]
		// Arc by which the blade's middle has passed the sensor.
		arc := rotor.WrapRadians(s.motion.phi+b.Angle-d.Angle) * d.Radius
		half := w.Chord * math.Cos(w.Stagger+b.Pitch) / 2
		cover := min(max((half-math.Abs(arc))/d.Spot+0.5, 0), 1)
		if cover == 0 {
			continue
		}
		// The leading edge, upstream, comes first: what has passed by arc leaves
		// the place arc behind the middle before the sensor.
		place := s.running(b) + arc*math.Tan(w.Stagger+b.Pitch)
		seen = cover*place + (1-cover)*d.Range
		break
	}
	c := &s.chains[len(s.chains)-1]
	counts[len(s.chains)-1] = c.quantise(seen + c.noise*s.noise.NormFloat64())
}

// running is a blade's axial place at the sensor's radius at the present speed:
// a blade tilts about its root, so the offset grows from hub to tip, and the
// centrifugal force takes its share.
func (s *sim) running(b *Blade) float64 {
	w := &s.Wheel
	out := (s.Distance.Radius - w.HubRadius) / (w.TipRadius - w.HubRadius)
	return b.Track * out * w.share(s.motion.omega)
}

// square replaces all channels by the board's test wave, which also drives the
// tach input: the sample shows the wave as it was when its slot and filter let
// it through, the edge comes as late as an edge of the mark.
func (s *sim) square(counts []int32) {
	period := uint64(s.loopback)
	now := s.tick(s.sample)
	for i := range s.chains {
		slot := 0.0
		if i < len(s.Probes) {
			slot = s.Board.delay(s.Probes[i].Slot)
		}
		c := &s.chains[i]
		level := c.top / 2
		if (now+period-uint64(slot*s.Board.TickHz)%period)%period >= period/2 {
			level = -level
		}
		counts[i] = int32(level) + c.zero
	}
	for edge := now + (period-now%period)%period; edge < now+uint64(s.ticks); edge += period {
		s.edge(edge + uint64(math.Round(s.Board.TachDelay*s.Board.TickHz)))
	}
}
