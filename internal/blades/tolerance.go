package blades

import (
	"fmt"
	"math"
	"strings"
)

// Tolerance is what a blade set must keep. A zero figure is not judged.
type Tolerance struct {
	Name          string
	TrackSpread   float64 // m, largest minus smallest
	TrackHarmonic float64 // blade-m, |sum z exp(i theta)|
	PitchSpread   float64 // rad
	PitchHarmonic float64 // blade-rad
	Source        string
	Practice      bool // common practice, no source
}

const (
	inch   = 0.0254
	degree = math.Pi / 180
	mm     = 1e-3
)

// Presets are published tolerances of blade geometry, to be edited where the
// maker says otherwise. No source states a limit for the first harmonic; there
// half of the allowed spread, in blade-mm or blade-degrees, is our proposal.
var Presets = []Tolerance{
	withHarmonic(Tolerance{Name: "small-fan", TrackSpread: 1 * mm, PitchSpread: 1 * degree, Practice: true,
		Source: "common practice, no source: tip heights within about 1 mm at one fixed pointer"}),
	withHarmonic(Tolerance{Name: "cooling-tower", TrackSpread: 2 * inch, PitchSpread: 0.5 * degree,
		Source: "user's manual of a cooling-tower fan (type HP7000), p. 6: tip within 1 in either way of the reference plane, pitch within 1/4 degree of the setting, read within 2 in of the tip"}),
	withHarmonic(Tolerance{Name: "cooling-tower-inspection", PitchSpread: 2 * degree,
		Source: "drbcoolingtowers.com, inspection tips: pitch within 1 to 2 degrees of the maker's; taken as 1 degree either way"}),
	withHarmonic(Tolerance{Name: "cooling-tower-inclinometer", PitchSpread: 0.2 * degree,
		Source: "h2ocooling.com, fan guide: 0.1 degree with a digital inclinometer; taken as 0.1 degree either way"}),
	withHarmonic(Tolerance{Name: "propeller-metal", TrackSpread: inch / 16,
		Source: "propellerman.com: blades of a metal aircraft propeller within 1/16 in of each other"}),
	withHarmonic(Tolerance{Name: "propeller-constant-speed", TrackSpread: 0.125 * inch,
		Source: "owner's manual of the constant-speed propeller HC-82VF-1, p. 5-11: 0.062 in either way, 0.125 in in total"}),
	withHarmonic(Tolerance{Name: "propeller-wood", TrackSpread: inch / 8,
		Source: "ultralightnews.com: wooden propellers within 1/8 in"}),
	withHarmonic(Tolerance{Name: "wind-turbine", PitchSpread: 0.6 * degree,
		Source: "Germanischer Lloyd guideline 2010, as quoted by a service firm: 0.3 degree either way, 0.6 degree between blades"}),
}

func withHarmonic(t Tolerance) Tolerance {
	t.TrackHarmonic, t.PitchHarmonic = t.TrackSpread/2, t.PitchSpread/2
	return t
}

// ByName finds a preset.
func ByName(name string) (Tolerance, error) {
	var names []string
	for _, p := range Presets {
		if p.Name == name {
			return p, nil
		}
		names = append(names, p.Name)
	}
	return Tolerance{}, fmt.Errorf("tolerance %q is not known: write %s, or give the figures", name, strings.Join(names, ", "))
}

// DefaultTolerance is used where none is given: the practice of small fans,
// growing with the size of the rotor above a tip radius of half a metre.
// Common practice, no source; the growth is our proposal.
func DefaultTolerance(tipRadius float64) Tolerance {
	t := Presets[0]
	if tipRadius > 0.5 {
		t.TrackSpread *= tipRadius / 0.5
		t.Source += ", scaled with the tip radius above 0.5 m"
	}
	return withHarmonic(t)
}
