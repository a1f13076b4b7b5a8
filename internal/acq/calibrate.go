package acq

import (
	"fmt"
	"math"

	"counterpoise/internal/rotor"
)

// adjust is what a SOURCE word says of one channel: &scale.NAME, &unit.NAME and
// &delay.NAME, or &scale and &unit for all.
type adjust struct {
	scale float64 // multiplies what the source calls the value
	unit  *rotor.Unit
	delay *float64 // s
}

// adjustment reads the options of a channel that may be called by any of names
// (its column name and its zero-based number).
func (w *word) adjustment(names ...string) (a adjust, err error) {
	a.scale, err = w.number("scale", 1, -math.MaxFloat32, math.MaxFloat32)
	if err != nil {
		return a, err
	}
	keys := []string{"unit"}
	for _, n := range names {
		if a.scale, err = w.number("scale."+n, a.scale, -math.MaxFloat32, math.MaxFloat32); err != nil {
			return a, err
		}
		if _, ok := w.take("delay." + n); ok {
			d, err := w.number("delay."+n, 0, -10, 10)
			if err != nil {
				return a, err
			}
			a.delay = &d
		}
		keys = append(keys, "unit."+n)
	}
	for _, key := range keys {
		v, ok := w.take(key)
		if !ok {
			continue
		}
		u, err := rotor.ParseUnit(v)
		if err != nil {
			return a, fmt.Errorf("source %q: %w", w.full, err)
		}
		a.unit = &u
	}
	if a.scale == 0 {
		return a, fmt.Errorf("source %q: a scale of 0 would silence channel %s: give the units per volt, count or file number", w.full, names[0])
	}
	return a, nil
}

// apply turns a channel as the source describes it into one as the options want
// it: SI units, sensitivity included.
func (a adjust) apply(c Channel) Channel {
	factor := a.scale
	if a.unit != nil {
		factor /= a.unit.PerSI
		c.Quantity = a.unit.Quantity
	}
	c.Scale *= factor
	c.FullScale *= math.Abs(factor)
	c.Step *= math.Abs(factor)
	if a.delay != nil {
		c.Delay = *a.delay
	}
	return c
}

// mark reads what the word says of the tach's edge: &tach_delay=, s by which it lags
// the passing of the mark, and &tach_angle=, degrees with rotation at which the mark
// stands then.
func (w *word) mark(s *Setup) (err error) {
	if s.TachDelay, err = w.number("tach_delay", s.TachDelay, -10, 10); err != nil {
		return err
	}
	deg, err := w.number("tach_angle", 0, -360, 360)
	s.TachAngle = rotor.WithRotation.Radians(deg)
	return err
}

// quantities of the unit codes on the wire.
var quantities = [...]rotor.Quantity{rotor.Raw, rotor.Acceleration, rotor.Velocity, rotor.Displacement, rotor.Raw}
