package blades

import (
	"strings"
	"testing"
)

// Six sheet-metal blades read once by both edges with an error of 0.3 mm: two
// are bent by nearly 5 mm, and pitch is out by less than that error makes of it.
// The bent ones are moved; no blade is twisted for an error of reading.
func TestNoBladeIsMovedForTheReadingError(t *testing.T) {
	leading := []float64{82.9, 88.15, 83.5, 83.3, 78.8, 83.4}
	trailing := []float64{117, 122.05, 116.5, 116.8, 112.2, 117.1}
	read := func(bent bool, rounds int, sd float64) *Survey {
		s := &Survey{Blades: 6, TipRadius: 0.225, HubRadius: 0.07, Chord: 0.09, BladeMass: 0.15, CGRadius: 0.1475, Material: DuctileSheet, DepthSD: sd}
		for range rounds {
			for i := range leading {
				off := 0.0
				if !bent {
					off = (leading[i]+trailing[i])/2 - 100
				}
				s.Readings = append(s.Readings, Reading{Blade: i + 1, Kind: Leading, Value: (leading[i] - off) * mm, Confirmed: true},
					Reading{Blade: i + 1, Kind: Trailing, Value: (trailing[i] - off) * mm, Confirmed: true})
			}
		}
		return s
	}
	for _, c := range []struct {
		name         string
		survey       *Survey
		sure         bool
		track, pitch int // blades moved
		code, step   string
	}{
		{"bent, read once", read(true, 1, 0), true, 2, 0, VerdictPitchDoubtful, "nothing is twisted for it now"},
		{"bent, read finely", read(true, 1, 0.02*mm), true, 2, 1, VerdictPitchOut, "Twist"},
		{"true, read once", read(false, 1, 0), false, 0, 1, VerdictPitchOut, "Read every blade once more first"},
		{"true, read eight times", read(false, 8, 0), true, 0, 1, VerdictPitchOut, "Twist"},
	} {
		r, err := Judge(c.survey)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		track, pitch := 0, 0
		for _, m := range r.Advice.Moves {
			if m.Track != 0 {
				track++
			}
			if m.Pitch != 0 {
				pitch++
			}
		}
		if r.SurelyOut() != c.sure || track != c.track || pitch != c.pitch || !has(r, c.code) || !strings.Contains(r.Advice.Steps[0].Text, c.step) {
			t.Errorf("%s: sure %v, %d bent, %d twisted, verdicts %v, first %q; want %+v", c.name, r.SurelyOut(), track, pitch, r.Verdicts, r.Advice.Steps[0].Text, c)
		}
	}
}
