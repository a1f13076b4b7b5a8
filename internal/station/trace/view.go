package trace

import (
	"math"

	"counterpoise/internal/rotor"
)

// View is how the numbers of an answer are written. The zero value counts
// angles with rotation and writes vibration as velocity.
type View struct {
	Convention rotor.Convention
	Unit       rotor.Unit // of vibration; without a name: the usual one of the channel
	Detector   rotor.Detector
	At         float64 // rad/s, the speed to judge; 0 = the highest that was swept
}

// shown is the unit in which a channel of quantity q is written.
func (v View) shown(q rotor.Quantity) (rotor.Unit, rotor.Detector) {
	switch {
	case q == rotor.Raw:
		return rotor.DefaultUnit(rotor.Raw), rotor.Peak
	case v.Unit.Name != "":
		return v.Unit, v.Detector
	case q == rotor.Displacement:
		return rotor.DefaultUnit(q), rotor.PeakToPeak
	}
	return rotor.DefaultUnit(rotor.Velocity), rotor.RMS
}

// number is a pointer to v, nil where v is not finite: JSON has no NaN.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}
