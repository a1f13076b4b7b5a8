package place

import (
	"fmt"
	"math"
	"strings"

	"counterpoise/internal/rotor"
)

// View is how a person stands before the rotor. A placement is never drawn or
// read out without it: seen from the other side every angle is mirrored.
type View struct {
	From       string           // "the motor side"; must be stated
	Clockwise  bool             // the rotor turns clockwise seen from there
	Convention rotor.Convention // how angles are counted for people
	Machine    rotor.Machine    // Blades and Blade1; without blades blade 1 is said not to be stated
}

// Caution stands before every placement, in words and drawings.
const Caution = "Before anyone goes near: switch off, isolate, lock out and tag out; wait for the drive's stored energy; " +
	"block the rotor against windmilling and automatic restart; see with your own eyes, in steady light, that it stands (under a strobe a turning rotor looks still). " +
	"Fix every weight so that it cannot fly; weld with the return clamp on the rotor, never through bearings. " +
	"Guards back on and nobody in the plane of rotation before the start. Local rules, the maker and licensed practice go first."

func (v View) check() error {
	if strings.TrimSpace(v.From) == "" {
		return fmt.Errorf("the side from which the rotor is seen is not stated: a placement without it may be fitted mirrored, so state where the person stands")
	}
	return nil
}

// clock is the angle in radians clockwise from 12 o'clock at which a rotor angle
// is seen when the mark stands at 12 o'clock.
func (v View) clock(angle float64) float64 {
	if !v.Clockwise {
		angle = -angle
	}
	return wrap2pi(angle)
}

func (v View) turns() string {
	if v.Clockwise {
		return "clockwise"
	}
	return "anticlockwise"
}

// counted says in which direction degrees grow as seen from here.
func (v View) counted() string {
	way := v.turns()
	if v.Convention == rotor.AgainstRotation {
		way = View{Clockwise: !v.Clockwise}.turns()
	}
	return strings.Replace(v.Convention.String(), "-", " ", 1) + ", " + way + " from the mark"
}

// oclock says a clock angle as people do, to a quarter of an hour.
func oclock(clock float64) string {
	quarters := int(math.Round(clock/(2*math.Pi)*48)) % 48
	hour, q := quarters/4, quarters%4
	name := func(h int) string {
		if h %= 12; h == 0 {
			h = 12
		}
		return fmt.Sprint(h)
	}
	switch q {
	case 1:
		return "a quarter past " + name(hour)
	case 2:
		return "half past " + name(hour)
	case 3:
		return "a quarter to " + name(hour+1)
	}
	return name(hour) + " o'clock"
}

// blade1 says where blade 1 is.
func (v View) blade1() string {
	if v.Machine.Blades == 0 {
		return "where blade 1 is, is not stated"
	}
	return fmt.Sprintf("blade 1 is at %s degrees, %s", degrees(v.Convention.Degrees(v.Machine.Blade1)), oclock(v.clock(v.Machine.Blade1)))
}

// degrees writes an angle with one decimal, or none where it is whole.
func degrees(d float64) string {
	s := strings.TrimSuffix(fmt.Sprintf("%.1f", d), ".0")
	if s == "360" {
		return "0"
	}
	return s
}
