package station

import (
	"math"

	"counterpoise/internal/phase"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// BesideConfig names something near whose vibration reaches this machine. Exactly
// one of Station, Speed and Line says where it is heard.
type BesideConfig struct {
	Name    string
	Station string  // another station of the same daemon, heard at the speed of its own tach
	Speed   float64 // rad/s, steady
	Line    bool    // once and twice the line frequency, as the live spectrum estimates it
}

// Introduce lets stations know each other, so that one can ask how fast the other
// turns. It is called before any of them runs.
func Introduce(all []*Station) {
	for _, s := range all {
		for _, b := range s.cfg.Beside {
			for _, o := range all {
				if b.Station != "" && o != s && o.cfg.Name == b.Station {
					s.others = append(s.others, o)
				}
			}
		}
	}
}

// shafts are the neighbours that turn now. One that stands, or whose speed is not
// known, shakes nothing at a frequency that could be named.
func (s *Station) shafts() (out []phase.Tone) {
	for _, b := range s.cfg.Beside {
		switch {
		case b.Speed > 0:
			out = append(out, phase.Tone{Name: b.Name, Hz: b.Speed / (2 * math.Pi)})
		case b.Station != "":
			for _, o := range s.others {
				if n := o.Latest(); o.cfg.Name == b.Station && n != nil && n.Motion == Turning && n.Reading != nil {
					out = append(out, phase.Tone{Name: b.Name, Hz: n.Reading.Speed / (2 * math.Pi)})
				}
			}
		}
	}
	return out
}

// beside are all tones that the configuration names, as far as they are known now.
func (l *loop) beside() []phase.Tone {
	out := l.s.shafts()
	for _, b := range l.s.cfg.Beside {
		if b.Line && l.supply > 0 {
			out = append(out, phase.Tone{Name: b.Name, Hz: l.supply}, phase.Tone{Name: "twice " + b.Name, Hz: 2 * l.supply})
		}
	}
	return out
}

// hearSupply looks for the line frequency in the newest spectra.
func (l *loop) hearSupply(spectra []spectrum.Spectrum, speed float64) {
	for _, b := range l.s.cfg.Beside {
		if b.Line {
			l.supply, _, _ = spectrum.SupplyIn(spectra, Naming(l.s.cfg.Machine, speed, 0, l.s.shafts()))
			return
		}
	}
}

// Naming is what is known of a machine when peaks are to be named. speed (rad/s)
// and its error are the rotor's now, 0 where it is not known to turn; beside are
// the shafts near it.
func Naming(m rotor.Machine, speed, speedError float64, beside []phase.Tone) spectrum.Context {
	c := spectrum.Context{Blades: m.Blades, LineHz: m.LineHz, Poles: m.Poles}
	if !(speed > 0) {
		return c
	}
	hz, err := speed/(2*math.Pi), speedError/(2*math.Pi)
	c.Shafts = append(c.Shafts, spectrum.Shaft{Hz: hz, Error: err})
	if m.MotorRatio > 0 && m.MotorRatio != 1 {
		c.Motor = len(c.Shafts)
		c.Shafts = append(c.Shafts, spectrum.Shaft{Name: "the motor", Hz: m.MotorRatio * hz, Error: m.MotorRatio * err})
	}
	c.BeltHz = m.BeltRatio * hz
	for _, t := range beside {
		c.Shafts = append(c.Shafts, spectrum.Shaft{Name: t.Name, Hz: t.Hz})
	}
	return c
}
