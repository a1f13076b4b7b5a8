package acq

import (
	"fmt"
	"math"
	"time"

	"counterpoise/internal/acq/tickline"
)

// Looper is a source whose board can drive all of its own inputs with a test
// wave, by which its delays are measured.
type Looper interface {
	// Loopback asks the board for a square wave on its test pin of a period of
	// about the given time in s, and returns the period that was asked for, a
	// whole number of ticks; 0 ends the wave. The wave comes a little later, after
	// a change of the set-up whose note says so. A source that is closed ends it.
	Loopback(period float64) (exact float64, err error)
}

// loopNote stands in the set-up while the board listens to itself.
const loopNote = "the board's loopback is on: what comes is its own test wave, not the machine"

// loopOrder is what is wanted of the board's test pin, and what was said of it.
type loopOrder struct {
	want, said uint32 // period in ticks; 0 = off
	at         time.Time
}

// Loopback asks the board for its test wave.
func (s *live) Loopback(period float64) (float64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	su := s.fr.setup()
	if s.fr.loopback(0) == nil {
		return 0, fmt.Errorf("%s sends plain text lines and takes no commands, so its delays cannot be measured by loopback: use a board that speaks in frames, or all sensors at one point", s.name)
	}
	if su == nil {
		return 0, fmt.Errorf("the board at %s has not introduced itself yet, so it cannot be asked for its test wave", s.name)
	}
	ticks := math.Round(period * su.TickHz)
	if !(ticks >= 0 && ticks <= math.MaxUint32) {
		return 0, fmt.Errorf("a test wave of %g s cannot be told to a board of %g ticks a second", period, su.TickHz)
	}
	s.loop.want = uint32(ticks)
	return ticks / su.TickHz, nil
}

// loopCommand is what must be written to the board so that its test pin does
// what is wanted; nil where it does. A board that was left looping by a program
// that died is called back in the same way.
func (s *live) loopCommand(now time.Time) []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := &s.loop
	if !s.fr.greeted() || l.want == l.said && s.fr.looped() == (l.want > 0) || now.Sub(l.at) < askAgain/2 {
		return nil
	}
	l.said, l.at = l.want, now
	return s.fr.loopback(l.want)
}

// loopEnd is what to write to a board before its port is closed.
func (s *live) loopEnd() []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.loop.said == 0 {
		return nil
	}
	s.loop.said = 0
	return s.fr.loopback(0)
}

func (w *wire) looped() bool { return w.asm.greet.Flags&tickline.FlagLoopback != 0 }

func (w *wire) loopback(ticks uint32) []byte {
	return tickline.AppendCommand(nil, w.seq(), tickline.Command{Type: tickline.TypeLoopback, PeriodTicks: ticks})
}

// seq numbers what is said to the board.
func (w *wire) seq() uint16 {
	w.said++
	return w.said - 1
}

// A board that prints lines takes no commands.
func (t *text) looped() bool           { return false }
func (t *text) loopback(uint32) []byte { return nil }
