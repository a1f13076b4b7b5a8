package acq

import (
	"fmt"
	"strings"
)

// Fingerprint names everything of a source that a stored coefficient depends on
// beside the machine: board, firmware, channels, scales and delays, in words and
// figures, so that two that differ can be read beside each other. Gains count to
// a thousandth, delays to a tenth of a microsecond.
func (s *Setup) Fingerprint() string {
	var b strings.Builder
	board := s.Board
	if board == "" {
		board = "no board"
	}
	fmt.Fprintf(&b, "%s", board)
	if s.ID != "" {
		fmt.Fprintf(&b, " %s", s.ID)
	}
	fmt.Fprintf(&b, ", %.6g samples/s", s.Rate)
	for _, c := range s.Channels {
		fmt.Fprintf(&b, "; %s %v x%.4g %.1f us", c.Name, c.Quantity, c.Scale, 1e6*c.Delay)
	}
	if s.HasTach {
		fmt.Fprintf(&b, "; tach %d a turn %.1f us %.4g rad", s.PulsesPerTurn, 1e6*s.TachDelay, s.TachAngle)
	}
	return b.String()
}
