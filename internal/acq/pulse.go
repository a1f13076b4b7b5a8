package acq

import "math"

// Pulse is what was measured of a sampled tach: its levels are raw numbers of
// the source (a sound card's are parts of full scale).
type Pulse struct {
	Low, High float64 // medians of the extremes of the newest windows
	Level     float64 // at which an edge is dated
	Band      float64 // half width of the hysteresis
	Above     float64 // share of the time above Level
	Falling   bool    // the falling edge counts
}

// UpsideDown says that the edge that counts is the far end of the mark: a mark is
// seen for the smaller part of a turn. A wave that is as long high as low does
// not tell.
func (p Pulse) UpsideDown() bool {
	share := p.Above
	if p.Falling {
		share = 1 - share
	}
	return share > 0.55
}

// Pulsed is a source that may have a sampled tach.
type Pulsed interface {
	// Pulse is what was measured so far; ok is false where there is no sampled
	// tach, or no pulse in it yet. The reading goroutine alone may call it.
	Pulse() (p Pulse, ok bool)
}

func (t *threshold) pulse() (Pulse, bool) {
	if t.seen == 0 || math.IsNaN(t.level) {
		return Pulse{}, false
	}
	return Pulse{
		Low: t.mins.median(), High: t.maxs.median(), Level: t.level, Band: t.band,
		Above: float64(t.above) / float64(t.seen), Falling: t.falling,
	}, true
}

// Pulse of a table.
func (s *sampled) Pulse() (Pulse, bool) { return s.thresh.pulse() }

func (w *wire) pulse() (Pulse, bool) { return w.asm.analog.thresh.pulse() }
func (t *text) pulse() (Pulse, bool) { return t.thresh.pulse() }

// Pulse of text lines from a file.
func (s *streamed) Pulse() (Pulse, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.pulse()
}

// Pulse of text lines from a board.
func (s *live) Pulse() (Pulse, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.pulse()
}

// Pulse of standard input.
func (s *interruptible) Pulse() (Pulse, bool) {
	if p, ok := s.Source.(Pulsed); ok {
		return p.Pulse()
	}
	return Pulse{}, false
}
