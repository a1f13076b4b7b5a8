package web

import (
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
	"counterpoise/internal/station"
)

// Peak is a peak with a name and the reason for it.
type Peak struct {
	Hz    float64 `json:"hz"`
	Error float64 `json:"hz_error"` // standard error
	Level float64 `json:"level"`
	Text  string  `json:"text"`
	Name  string  `json:"name"`
	Short string  `json:"short,omitempty"` // for the picture: 1x, blades, line
	Why   string  `json:"why"`
}

// mostPeaks is how many peaks are named; a person reads no more.
const mostPeaks = 12

// peaksOf names the largest peaks by what is known of the machine. How far the
// speed wanders stands for its error: the spectrum spans other turns than the
// reading does.
func peaksOf(sp spectrum.Spectrum, m rotor.Machine, snap *station.Snapshot, sc Scale) []Peak {
	speed, doubt := 0.0, 0.0
	if snap.Motion == station.Turning {
		speed = snap.Speed
		if r := snap.Reading; r != nil {
			speed, doubt = r.Speed, r.Wander
		}
	}
	c := station.Naming(m, speed, doubt, snap.Beside)
	found := sp.Peaks(mostPeaks)
	sp.NameAll(found, c)
	out := []Peak{}
	for _, p := range found {
		level := plain(p.Amplitude*sc.factor(), 3, sc.Label())
		if level.Value == nil || !finite(p.Hz) {
			continue
		}
		one := Peak{Hz: p.Hz, Error: finiteOr(p.HzError, 0), Level: *level.Value, Text: level.Text + " " + level.Unit, Name: p.Name, Why: p.Evidence}
		switch p.Kind {
		case spectrum.Order:
			one.Short = p.Name
		case spectrum.Blade:
			one.Short = say("short.blade")
		case spectrum.Line:
			one.Short = say("short.line")
		}
		out = append(out, one)
	}
	return out
}
