package rotor

import "fmt"

// Everything in this file is a preset to start from. It was written from memory
// of the standards named, without their text at hand, except where a comment says
// that a figure was read; freely published copies contradict each other. It is
// shown to people as editable, with FromMemory beside it.

// FromMemory is the note that stands beside every preset of this file.
const FromMemory = "preset from memory: check it against the standard and edit it"

// Limit is a vibration limit as the tables give it, in mm/s both as peak and as
// rms. The two are rounded apart in the tables, so a verdict must use the one of
// the quantity measured and never convert.
type Limit struct{ Peak, RMS float64 }

// Of returns the limit for a detector in m/s; ok is false where the tables give
// none.
func (l Limit) Of(d Detector) (mps float64, ok bool) {
	switch {
	case d == Peak && l.Peak > 0:
		return l.Peak * 1e-3, true
	case d == RMS && l.RMS > 0:
		return l.RMS * 1e-3, true
	}
	return 0, false
}

// Supports gives limits for rigid and flexible support: rigid where the first
// support resonance lies above running speed by 25 % or more.
type Supports struct{ Rigid, Flexible Limit }

// For picks by the machine's support class.
func (s Supports) For(m Machine) Limit {
	if m.Flexible {
		return s.Flexible
	}
	return s.Rigid
}

// FanCategory is an application class of fans with its balance grade and limits.
type FanCategory struct {
	Name    string
	Grade   float64  // mm/s; read in two secondary tables of ISO 14694 / AMCA 204
	Works   Supports // 1x filtered, at the maker's works
	StartUp Supports // overall, in situ
	Alarm   Supports
	Trip    Supports // zero: to be set from history
}

// FanCategories follow ISO 14694:2003 (in harmony with AMCA 204-05). For the
// rigid alarm of BV-5 memory of the two standards disagrees: 5.7 mm/s and 0.20
// in/s (5.1 mm/s) peak.
var FanCategories = []FanCategory{
	{"BV-1", 16, Supports{Limit{12.7, 9.0}, Limit{15.2, 11.2}}, Supports{Limit{14.0, 10.0}, Limit{15.2, 11.2}}, Supports{Limit{15.2, 10.6}, Limit{19.1, 14.0}}, Supports{}},
	{"BV-2", 16, Supports{Limit{5.1, 3.5}, Limit{7.6, 5.6}}, Supports{Limit{7.6, 5.6}, Limit{12.7, 9.0}}, Supports{Limit{12.7, 9.0}, Limit{19.1, 14.0}}, Supports{}},
	{"BV-3", 6.3, Supports{Limit{3.8, 2.8}, Limit{5.1, 3.5}}, Supports{Limit{6.4, 4.5}, Limit{8.8, 6.3}}, Supports{Limit{10.2, 7.1}, Limit{16.5, 11.8}}, Supports{Limit{12.7, 9.0}, Limit{17.8, 12.5}}},
	{"BV-4", 2.5, Supports{Limit{2.5, 1.8}, Limit{3.8, 2.8}}, Supports{Limit{4.1, 2.8}, Limit{6.4, 4.5}}, Supports{Limit{6.4, 4.5}, Limit{10.2, 7.1}}, Supports{Limit{10.2, 7.1}, Limit{15.2, 11.2}}},
	{"BV-5", 1, Supports{Limit{2.0, 1.4}, Limit{2.5, 1.8}}, Supports{Limit{2.5, 1.8}, Limit{4.1, 2.8}}, Supports{Limit{5.7, 4.0}, Limit{7.6, 5.6}}, Supports{Limit{7.6, 5.6}, Limit{10.2, 7.1}}},
}

// ParseFanCategory finds a category by name.
func ParseFanCategory(s string) (FanCategory, error) {
	for _, c := range FanCategories {
		if c.Name == s {
			return c, nil
		}
	}
	return FanCategory{}, fmt.Errorf("fan category %q is not known: write BV-1 to BV-5", s)
}

// FanUse is what a fan is for.
type FanUse uint8

// The uses of ISO 14694 table 1, from memory.
const (
	Residential FanUse = iota
	AirConditioning
	Industrial
	Transport
	Tunnel
	Petrochemical
	ChipMaking
)

// CategoryFor proposes a category from use and driver power (W).
func CategoryFor(u FanUse, power float64) string {
	step := func(kw float64, small, large string) string {
		if power <= kw*1e3 {
			return small
		}
		return large
	}
	switch u {
	case Residential:
		return step(0.15, "BV-1", "BV-2")
	case AirConditioning:
		return step(3.7, "BV-2", "BV-3")
	case Industrial:
		return step(300, "BV-3", "BV-4")
	case Transport:
		return step(15, "BV-3", "BV-4")
	case Tunnel:
		return step(75, "BV-3", "BV-4")
	case Petrochemical:
		return step(37, "BV-3", "BV-4")
	case ChipMaking:
		return "BV-5"
	}
	return ""
}

// Zones are the boundaries of severity zones A to D for overall housing velocity,
// m/s rms.
type Zones struct {
	Name       string
	AB, BC, CD float64
}

// ZonePresets: the first four after ISO 10816-3 / 20816-3, groups by power and
// support, the others after ISO 10816-1 annex B.
var ZonePresets = []Zones{
	{"above 300 kW, rigid", 2.3e-3, 4.5e-3, 7.1e-3},
	{"above 300 kW, flexible", 3.5e-3, 7.1e-3, 11.0e-3},
	{"15 to 300 kW, rigid", 1.4e-3, 2.8e-3, 4.5e-3},
	{"15 to 300 kW, flexible", 2.3e-3, 4.5e-3, 7.1e-3},
	{"class I, up to 15 kW", 0.71e-3, 1.8e-3, 4.5e-3},
	{"class II, 15 to 75 kW", 1.12e-3, 2.8e-3, 7.1e-3},
	{"class III, large rigid", 1.8e-3, 4.5e-3, 11.2e-3},
	{"class IV, large flexible", 2.8e-3, 7.1e-3, 18.0e-3},
}

// ZonesFor proposes zones from power and support; ok is false where the power is
// not known.
func ZonesFor(m Machine) (z Zones, ok bool) {
	i := 0
	switch {
	case !(m.Power > 0):
		return Zones{}, false
	case m.Power <= 15e3:
		return ZonePresets[4], true
	case m.Power <= 300e3:
		i = 2
	}
	if m.Flexible {
		i++
	}
	return ZonePresets[i], true
}

// Zone is the letter for an overall rms velocity in m/s.
func (z Zones) Zone(rms float64) string {
	switch {
	case !(rms >= 0) || z.CD == 0:
		return ""
	case rms <= z.AB:
		return "A"
	case rms <= z.BC:
		return "B"
	case rms <= z.CD:
		return "C"
	}
	return "D"
}

// AlarmLimit is baseline plus 25 % of the B/C boundary, at most 1.25 times it.
func (z Zones) AlarmLimit(baseline float64) float64 {
	return min(baseline+0.25*z.BC, 1.25*z.BC)
}

// TripLimit is 1.25 times the C/D boundary, the same for machines of one design.
func (z Zones) TripLimit() float64 { return 1.25 * z.CD }

// Changed says whether an overall level moved by more than a quarter of the B/C
// boundary, up or down.
func (z Zones) Changed(from, to float64) bool {
	return to-from > 0.25*z.BC || from-to > 0.25*z.BC
}
