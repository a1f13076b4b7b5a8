package web

import (
	"math"
	"strings"
	"testing"

	"counterpoise/internal/station"
)

// How long a reading still takes: the error falls with the root of the turns, never
// fewer than asked for, never more than it ends at.
func TestSecondsLeft(t *testing.T) {
	ask := station.Ask{MinTurns: 64, MaxTurns: 512, StandardError: 1e-5}
	for _, c := range []struct {
		turns  int
		ask    station.Ask
		se, hz float64
		want   float64 // s; negative = not known
	}{
		{32, ask, 1e-5, 25, 32. / 25},
		{100, ask, 2e-5, 25, 300. / 25},
		{100, ask, 1e-3, 25, 412. / 25},
		{100, ask, 0.5e-5, 25, 0},
		{100, ask, 0, 25, -1},
		{100, ask, math.Inf(1), 25, -1},
		{100, ask, math.NaN(), 25, -1},
		{100, ask, 2e-5, 0, -1},
		{16, station.Ask{MinTurns: 64}, 0, 16, 3},
	} {
		if got, ok := secondsLeft(c.turns, c.ask, c.se, c.hz); ok != (c.want >= 0) || ok && math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%+v: %v, %v", c, got, ok)
		}
	}
	if text := progressText(100, ask, 2e-5, 25, View{Scale: scale("mm/s", 1)}); !strings.Contains(text, "about 12 s to go") {
		t.Errorf("%q", text)
	}
}
