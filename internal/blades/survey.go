package blades

import (
	"fmt"
	"math"

	"counterpoise/internal/rotor"
)

// Kind is what one reading of a survey is.
type Kind uint8

// The kinds of reading, with their units.
const (
	Leading  Kind = iota // m, depth at the leading edge from the fixed pointer
	Trailing             // m, depth at the trailing edge, same radius
	Depth                // m, one depth that stands for the track of the blade
	Incline              // rad, blade angle by inclinometer
	Mass                 // kg, the blade weighed alone
	Moment               // kg m, moment weight: mass times radius of its centre
	kinds
)

func (k Kind) String() string {
	return [...]string{"leading edge", "trailing edge", "track", "pitch", "mass", "moment weight"}[k]
}

// Unit is the unit in which people read the kind.
func (k Kind) Unit() string { return [...]string{"mm", "mm", "mm", "deg", "g", "g mm"}[k] }

// PerSI turns SI into that unit.
func (k Kind) PerSI() float64 {
	return [...]float64{1 / mm, 1 / mm, 1 / mm, 1 / degree, 1e3, 1e6}[k]
}

// Reading is one number read off one blade. The same blade and kind may come
// several times: repeats tell how repeatable the reading is.
type Reading struct {
	Blade     int // as painted, from 1
	Kind      Kind
	Value     float64
	Confirmed bool // the person has read it again and stands by it
}

// Side is the direction in which the ruler's figures grow.
type Side uint8

// The two sides on which the pointer can stand.
const (
	Downstream Side = iota // the pointer stands on the inlet side: a larger depth is further downstream
	Upstream               // the pointer stands on the outlet side
)

// ParseSide reads "downstream" or "upstream".
func ParseSide(s string) (Side, error) {
	switch s {
	case "downstream":
		return Downstream, nil
	case "upstream":
		return Upstream, nil
	}
	return 0, fmt.Errorf("depth_grows %q is not known: write downstream (pointer on the inlet side) or upstream (pointer on the outlet side)", s)
}

func (s Side) String() string { return [...]string{"downstream", "upstream"}[s] }

// Sign turns a depth into a position along +z.
func (s Side) Sign() float64 {
	if s == Upstream {
		return -1
	}
	return 1
}

// Material says what may be done to a blade.
type Material uint8

// The materials as far as bending goes.
const (
	MaterialUnknown Material = iota
	DuctileSheet             // steel or aluminium sheet
	Cast
	Plastic // also fibre-reinforced
)

// ParseMaterial reads "", "ductile-sheet", "cast" or "plastic".
func ParseMaterial(s string) (Material, error) {
	for m, name := range materials {
		if s == name {
			return Material(m), nil
		}
	}
	return 0, fmt.Errorf("material %q is not known: write ductile-sheet, cast or plastic, or leave it out", s)
}

var materials = [...]string{"", "ductile-sheet", "cast", "plastic"}

func (m Material) String() string { return materials[m] }

// Survey is what is known of the blades of a standing rotor. Unknown figures
// are zero, and what depends on them is then left out, never guessed.
type Survey struct {
	Blades    int              // 2 to 60
	Blade1    float64          // rad, angle of blade 1 from the mark, with rotation
	Numbering rotor.Convention // the way in which the painted numbers count up
	Angles    []float64        // rad, measured place of each blade from blade 1, counted the way the numbers run; nil = even
	Side      Side             // which way the ruler's figures grow
	Readings  []Reading

	TipRadius  float64 // m
	HubRadius  float64 // m, root of the blades
	CGRadius   float64 // m, centre of mass of one blade; 0 = middle of a uniform blade
	ReadRadius float64 // m, where depths were read; 0 = tip
	Chord      float64 // m, between the two edges that were read
	BladeMass  float64 // kg, one blade, where blades were not weighed singly
	CGOffset   float64 // m, how far the centre of mass lies behind the axis about which pitch is set, along the chord

	Speed   float64 // rad/s, running speed
	FlapHz  float64 // Hz, first flap frequency of a standing blade; 0 = rigid
	Density float64 // kg/m^3 of the gas; 0 = 1.2
	Air     Air     // where the effect of pitch was integrated for this fan; the zero value: estimated from chord and radii

	TipClearance float64 // m, as found, smallest
	Setting      float64 // rad, the maker's pitch; 0 = not given
	Material     Material
	Adjustable   bool // pitch is set at the hub by clamp or screw
	Separable    bool // blades can be taken off and swapped
	Cracked      []int

	DepthSD  float64 // m, stated standard deviation of one depth; 0 = from repeats, else assumed
	AngleSD  float64 // rad, of one inclinometer angle
	Limits   Tolerance
	PitchMax float64 // rad, most that one blade's pitch may be changed; 0 = no limit
	TrackMax float64 // m, most that one blade may be bent; 0 = no limit
	Steps    [2]float64
}

// Least and most blades of a rotor.
const (
	MinBlades = 2
	MaxBlades = 60
)

// Theta is the angle of each blade from the mark in rad, with rotation.
func (s *Survey) Theta() []float64 {
	th := make([]float64, s.Blades)
	sign := 1.0
	if s.Numbering == rotor.AgainstRotation {
		sign = -1
	}
	for i := range th {
		a := 2 * math.Pi * float64(i) / float64(s.Blades)
		if s.Angles != nil {
			a = s.Angles[i]
		}
		th[i] = s.Blade1 + sign*a
	}
	return th
}

// check refuses what cannot be a survey at all; what merely looks wrong is
// questioned later.
func (s *Survey) check() error {
	if s.Blades < MinBlades || s.Blades > MaxBlades {
		return fmt.Errorf("a survey of %d blades cannot be judged: state blades, %d to %d", s.Blades, MinBlades, MaxBlades)
	}
	if s.Angles != nil && len(s.Angles) != s.Blades {
		return fmt.Errorf("%d blade angles are given for %d blades: give one for each, blade 1 first, or none for even spacing", len(s.Angles), s.Blades)
	}
	for _, r := range s.Readings {
		if r.Blade < 1 || r.Blade > s.Blades {
			return fmt.Errorf("a reading is for blade %d, but the blades are 1 to %d: correct the number", r.Blade, s.Blades)
		}
		if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) || r.Kind >= kinds {
			return fmt.Errorf("a reading of blade %d is not a number: read it again", r.Blade)
		}
	}
	return s.checkFigures()
}

func (s *Survey) checkFigures() error {
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"the tip radius", s.TipRadius}, {"the hub radius", s.HubRadius}, {"the radius of the centre of mass", s.CGRadius},
		{"the radius of reading", s.ReadRadius}, {"the chord", s.Chord}, {"the blade mass", s.BladeMass}, {"the speed", s.Speed},
		{"the flap frequency", s.FlapHz}, {"the density", s.Density}, {"the tip clearance", s.TipClearance},
		{"the error of a depth", s.DepthSD}, {"the error of an angle", s.AngleSD}, {"the largest pitch move", s.PitchMax},
		{"the largest track move", s.TrackMax}, {"the step of a pitch move", s.Steps[1]}, {"the step of a track move", s.Steps[0]},
		{"the tolerance of the track spread", s.Limits.TrackSpread}, {"the tolerance of the track harmonic", s.Limits.TrackHarmonic},
		{"the tolerance of the pitch spread", s.Limits.PitchSpread}, {"the tolerance of the pitch harmonic", s.Limits.PitchHarmonic},
	} {
		if !(f.value >= 0) || math.IsInf(f.value, 0) {
			return fmt.Errorf("%s is %g, which cannot be: give a positive figure, or leave it out if it is not known", f.name, f.value)
		}
	}
	if s.TipRadius > 0 && s.HubRadius >= s.TipRadius {
		return fmt.Errorf("the hub radius is not smaller than the tip radius: measure both again")
	}
	if s.HubRadius > 0 && s.ReadRadius > 0 && s.ReadRadius <= s.HubRadius {
		return fmt.Errorf("the depths were read inside the hub radius, where a blade cannot be out of track: read near the tip")
	}
	for _, b := range s.Cracked {
		if b < 1 || b > s.Blades {
			return fmt.Errorf("blade %d is marked as cracked, but the blades are 1 to %d: correct the number", b, s.Blades)
		}
	}
	return nil
}
