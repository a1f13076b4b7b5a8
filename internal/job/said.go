package job

import (
	"fmt"

	"counterpoise/internal/rotor"
)

// Said is the same state with the levels in its sentences written in another
// unit of velocity and another detector than mm/s rms. Overall levels, which
// have no peak, stay rms.
func (s State) Said(u rotor.Unit, d rotor.Detector) State {
	s.unit, s.detector = u, d
	return s
}

// said is how a state writes levels.
func (s State) said() (rotor.Unit, rotor.Detector) {
	if s.unit.PerSI == 0 {
		return rotor.Unit{Name: "mm/s", Quantity: rotor.Velocity, PerSI: 1e3}, rotor.RMS
	}
	return s.unit, s.detector
}

// level writes a level of the job's sensors (m/s peak) for people.
func (s State) level(peak float64) string {
	u, d := s.said()
	return fmt.Sprintf("%.3g %s %s", peak*d.OfPeak()*u.PerSI, u.Name, d)
}
