package rotor

import (
	"fmt"
	"math"
	"math/cmplx"
)

// Convention says how angles are counted for people. It turns weight angles
// and vibration phases together, so that they can never disagree: under
// AgainstRotation both change sign, and the same physical weight answers the
// same vibration. Inside the program everything is WithRotation, the zero value.
type Convention uint8

// The two ways of counting.
const (
	WithRotation    Convention = iota // from the mark in the direction of rotation; phase is a lead
	AgainstRotation                   // from the mark against rotation; phase is the matching lag
)

// ParseConvention reads the words that String prints.
func ParseConvention(s string) (Convention, error) {
	switch s {
	case "with-rotation":
		return WithRotation, nil
	case "against-rotation":
		return AgainstRotation, nil
	}
	return 0, fmt.Errorf("convention %q is not known: write with-rotation or against-rotation", s)
}

// String returns "with-rotation" or "against-rotation".
func (c Convention) String() string {
	if c == AgainstRotation {
		return "against-rotation"
	}
	return "with-rotation"
}

// MarshalText lets a convention stand in JSON and TOML.
func (c Convention) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (c *Convention) UnmarshalText(b []byte) (err error) {
	*c, err = ParseConvention(string(b))
	return err
}

// Degrees turns an inside angle in radians into degrees for people, 0 <= d < 360.
func (c Convention) Degrees(rad float64) float64 {
	if c == AgainstRotation {
		rad = -rad
	}
	return WrapDegrees(rad * 180 / math.Pi)
}

// Radians is the inverse of Degrees; the result is not wrapped.
func (c Convention) Radians(deg float64) float64 {
	rad := deg * math.Pi / 180
	if c == AgainstRotation {
		return -rad
	}
	return rad
}

// Phasor builds an inside phasor from an amplitude and an angle in degrees as
// people of this convention write it.
func (c Convention) Phasor(amplitude, deg float64) complex128 {
	return cmplx.Rect(amplitude, c.Radians(deg))
}

// Polar splits an inside phasor into amplitude and degrees for people.
func (c Convention) Polar(v complex128) (amplitude, deg float64) {
	return cmplx.Abs(v), c.Degrees(cmplx.Phase(v))
}

// PhaseSense says what a foreign instrument calls phase. The zero value is what
// the convention itself implies (lead for WithRotation, lag for AgainstRotation).
type PhaseSense uint8

// The senses in which phases from elsewhere may be stated.
const (
	AsConvention PhaseSense = iota
	Lead
	Lag
)

// ParsePhaseSense reads "", "lead" or "lag".
func ParsePhaseSense(s string) (PhaseSense, error) {
	switch s {
	case "":
		return AsConvention, nil
	case "lead":
		return Lead, nil
	case "lag":
		return Lag, nil
	}
	return 0, fmt.Errorf("phase %q is not known: write lead or lag, or leave it out", s)
}

// Phasor builds an inside phasor from a reading of a foreign instrument.
func (s PhaseSense) Phasor(c Convention, amplitude, deg float64) complex128 {
	switch s {
	case Lead:
		c = WithRotation
	case Lag:
		c = AgainstRotation
	}
	return c.Phasor(amplitude, deg)
}

// WrapDegrees brings an angle into 0 <= d < 360.
func WrapDegrees(d float64) float64 {
	d = math.Mod(d, 360)
	if d < 0 {
		d += 360
	}
	if d >= 360 || d == 0 { // -1e-17 wraps to 360 exactly; and no minus zero
		return 0
	}
	return d
}

// WrapRadians brings an angle into -pi < a <= pi.
func WrapRadians(a float64) float64 {
	a = math.Remainder(a, 2*math.Pi)
	if a == -math.Pi {
		return math.Pi
	}
	return a
}
