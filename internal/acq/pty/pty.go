// Package pty makes a pseudo-terminal: a serial line without a cable. The
// virtual fan, an emulated board and the tests of the serial source sit at one
// end, the daemon opens the other by its name and cannot tell the difference.
//
// Linux only; elsewhere Open says so and TCP takes its place.
package pty

import (
	"errors"
	"os"
)

// ErrNone says that this system has no pseudo-terminals that we can make.
var ErrNone = errors.New("this system has no pseudo-terminals that counterpoise can make: use tcp: instead")

// Line is a pseudo-terminal in raw mode. Board is the far end: reads and writes
// on it honour deadlines. Path names the near end, which any program may open
// as a serial port. What is written while nobody has Path open is kept by the
// kernel (about 4 kB on Linux) and neither echoed nor altered.
type Line struct {
	Board *os.File
	Path  string
	hold  *os.File // keeps the near end alive between two openings
}

// Close pulls the cable: who has Path open sees a hang-up.
func (l *Line) Close() error { return errors.Join(l.Board.Close(), l.hold.Close()) }
