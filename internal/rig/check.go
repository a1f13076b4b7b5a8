package rig

import (
	"fmt"
	"math"
)

// check refuses parameters that no board or rotor could have.
func (p *Params) check() error {
	b := &p.Board
	channels := len(p.Probes)
	if p.Distance != nil {
		channels++
	}
	switch {
	case channels < 1 || channels > maxChannels:
		return fmt.Errorf("a rig has 1 to %d channels, not %d", maxChannels, channels)
	case !(b.Rate > 0) || math.Mod(b.TickHz, b.Rate) != 0 || b.TickHz > math.MaxUint32:
		return fmt.Errorf("a tick of %v Hz is no whole multiple of %v samples a second", b.TickHz, b.Rate)
	case b.Bits < 2 || b.Bits > 24:
		return fmt.Errorf("a converter has 2 to 24 bits here, not %d", b.Bits)
	case b.Pulses < 1 || b.Pulses > 60:
		return fmt.Errorf("a tach has 1 to 60 marks a turn here, not %d", b.Pulses)
	case p.Wheel.Blades < 1 || !(p.Drive.Run > 0) || !(p.Drive.Slip > 0 && p.Drive.Slip < 1):
		return fmt.Errorf("a rig needs blades, a running speed and a slip between 0 and 1")
	case len(p.Body.Supports) < 2:
		return fmt.Errorf("a rig stands on at least two supports")
	}
	if d, w := p.Distance, &p.Wheel; d != nil && float64(w.Blades)*w.Chord*math.Cos(w.Stagger) > 2*math.Pi*d.Radius {
		return fmt.Errorf("%d blades of %g m chord overlap before a distance sensor at %g m", w.Blades, w.Chord, d.Radius)
	}
	for _, pr := range p.Probes {
		if !(pr.Slot >= 0 && pr.Slot <= 1/b.Rate) {
			return fmt.Errorf("the slot of %s lies outside one sample", pr.Name)
		}
	}
	for _, bent := range p.Found.Bent {
		if bent.Number < 1 || bent.Number > p.Wheel.Blades {
			return fmt.Errorf("there is no blade %d to bend", bent.Number)
		}
	}
	return nil
}
