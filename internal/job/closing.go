package job

import (
	"fmt"

	"counterpoise/internal/rotor"
)

// Closing is how the rotor is left, as two judgements that never stand for each
// other: balanced is what weights can do, smooth is what the machine is.
type Closing struct {
	Balance  []Level // 1x against the balance tolerance, per sensor
	Balanced bool    // every sensor with a tolerance is surely inside
	Judged   bool    // there was a tolerance to judge by
	Severity []Overall
	Zones    rotor.Zones // the zones used; zero where none are known
	Preset   bool        // the zones are a preset from memory and not the setup's own

	unit rotor.Unit // in which Smoothness writes
}

// Overall is the overall level of one sensor and its severity zone.
type Overall struct {
	Sensor string
	RMS    float64 // m/s; 0 = not measured
	Zone   string  // A to D; empty = not measured, or no zones known
}

// Closing judges the newest run; ok is false while there is none.
func (s State) Closing() (c Closing, ok bool) {
	if s.Setup == nil || len(s.Runs) == 0 {
		return Closing{}, false
	}
	last := s.Runs[len(s.Runs)-1]
	c.unit, _ = s.said()
	c.Balance = s.Levels(last, s.Tolerances())
	c.Balanced, c.Judged = inside(c.Balance)
	c.Zones = s.Setup.Zones
	if c.Zones.CD == 0 {
		c.Zones, c.Preset = rotor.ZonesFor(s.Setup.Machine)
	}
	for i, sen := range s.Setup.Sensors {
		o := Overall{Sensor: sen.Name}
		if i < len(last.Overall) && last.Overall[i] > 0 && !sen.Raw {
			o.RMS = last.Overall[i]
			o.Zone = c.Zones.Zone(o.RMS)
		}
		c.Severity = append(c.Severity, o)
	}
	return c, true
}

// Smoothness is one sentence on the overall level.
func (c Closing) Smoothness() string {
	var worst Overall
	for _, o := range c.Severity {
		if o.RMS > worst.RMS {
			worst = o
		}
	}
	level := fmt.Sprintf("%.3g %s rms", worst.RMS*c.unit.PerSI, c.unit.Name)
	switch {
	case worst.RMS == 0:
		return "The overall level was not measured, so nothing is said about how smoothly the machine runs."
	case worst.Zone == "":
		return fmt.Sprintf("The overall level is at most %s (%s); no severity zones are known for this machine.", level, worst.Sensor)
	}
	text := fmt.Sprintf("The overall level is at most %s (%s), severity zone %s", level, worst.Sensor, worst.Zone)
	if c.Preset {
		text += " (" + rotor.FromMemory + ")"
	}
	if c.Balanced && (worst.Zone == "C" || worst.Zone == "D") {
		return text + ": the rotor is balanced and yet the machine does not run smoothly, so look for another cause in the spectrum."
	}
	return text + "."
}
