package rotor

import (
	"fmt"
	"math"
)

// Quantity is what a channel measures. Raw has no unit and is never integrated.
type Quantity uint8

// The quantities, in the order of integration.
const (
	Raw          Quantity = iota
	Acceleration          // m/s^2
	Velocity              // m/s
	Displacement          // m
)

// ParseQuantity reads the words that String prints.
func ParseQuantity(s string) (Quantity, error) {
	for q := Raw; q <= Displacement; q++ {
		if q.String() == s {
			return q, nil
		}
	}
	return 0, fmt.Errorf("quantity %q is not known: write acceleration, velocity, displacement or raw", s)
}

func (q Quantity) String() string {
	return [...]string{"raw", "acceleration", "velocity", "displacement"}[q]
}

// Convert turns a phasor at angular frequency omega (rad/s, > 0) from one
// quantity into another: every integration divides by i omega, so velocity
// leads displacement by 90 degrees and acceleration leads it by 180. Raw
// converts only to itself.
func Convert(v complex128, from, to Quantity, omega float64) (complex128, error) {
	if from == to {
		return v, nil
	}
	if from == Raw || to == Raw {
		return 0, fmt.Errorf("a channel without a unit cannot be turned into %v: give its unit and sensitivity", to)
	}
	if !(omega > 0) {
		return 0, fmt.Errorf("%v cannot be turned into %v at standstill: the speed is not known", from, to)
	}
	for ; from < to; from++ {
		v /= complex(0, omega)
	}
	for ; from > to; from-- {
		v *= complex(0, omega)
	}
	return v, nil
}

// Detector says which number stands for a sine of peak value A.
type Detector uint8

// The detectors.
const (
	Peak       Detector = iota // A
	RMS                        // A/sqrt 2
	PeakToPeak                 // 2 A
)

// ParseDetector reads the words that String prints.
func ParseDetector(s string) (Detector, error) {
	for d := Peak; d <= PeakToPeak; d++ {
		if d.String() == s {
			return d, nil
		}
	}
	return 0, fmt.Errorf("detector %q is not known: write peak, rms or peak-to-peak", s)
}

func (d Detector) String() string { return [...]string{"peak", "rms", "peak-to-peak"}[d] }

// OfPeak is the detector's reading of a sine of peak value 1.
func (d Detector) OfPeak() float64 { return [...]float64{1, math.Sqrt2 / 2, 2}[d] }

// Unit is a unit for people: one of them is PerSI SI units long.
type Unit struct {
	Name     string
	Quantity Quantity
	PerSI    float64 // multiply an SI value by this to get the number people read
}

const gravity = 9.80665 // m/s^2, standard acceleration of free fall (CGPM 1901, exact)

// Units are all the units that people may read or write. A length inch is
// 25.4 mm exactly.
var Units = []Unit{
	{"raw", Raw, 1},
	{"m/s^2", Acceleration, 1},
	{"g", Acceleration, 1 / gravity},
	{"mm/s", Velocity, 1e3},
	{"m/s", Velocity, 1},
	{"in/s", Velocity, 1 / 0.0254},
	{"um", Displacement, 1e6},
	{"mm", Displacement, 1e3},
	{"m", Displacement, 1},
	{"mil", Displacement, 1 / 0.0000254},
}

// ParseUnit finds a unit by name. The empty name is raw.
func ParseUnit(name string) (Unit, error) {
	if name == "" {
		return Units[0], nil
	}
	for _, u := range Units {
		if u.Name == name {
			return u, nil
		}
	}
	return Unit{}, fmt.Errorf("unit %q is not known: use m/s^2, g, mm/s, m/s, in/s, um, mm, m, mil, or none for a raw channel", name)
}

// DefaultUnit is the unit in which a quantity is shown unless asked otherwise.
func DefaultUnit(q Quantity) Unit {
	name := [...]string{"raw", "m/s^2", "mm/s", "um"}[q]
	u, _ := ParseUnit(name)
	return u
}

// RPM turns an angular speed in rad/s into revolutions per minute.
func RPM(omega float64) float64 { return omega * 30 / math.Pi }

// RadPerSecond is the inverse of RPM.
func RadPerSecond(rpm float64) float64 { return rpm * math.Pi / 30 }
