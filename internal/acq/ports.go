package acq

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.bug.st/serial"
)

// Port is a serial port and what answers on it.
type Port struct {
	Name   string // as in serial:NAME
	Stable string // a name that stays when the board is plugged in elsewhere; empty = none known
	Setup  *Setup // of the board that answered; nil = none did
	Reason string // one sentence on why none did
}

// Ports lists the serial ports of this machine by name.
func Ports() ([]Port, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, fmt.Errorf("the serial ports cannot be listed: %w", err)
	}
	stable := stableNames()
	var ports []Port
	for _, n := range names {
		ports = append(ports, Port{Name: n, Stable: stable[n]})
	}
	return ports, nil
}

// stableNames are the links that udev makes on Linux; elsewhere there are none.
func stableNames() map[string]string {
	names := map[string]string{}
	links, _ := filepath.Glob("/dev/serial/by-id/*")
	for _, l := range links {
		if target, err := os.Readlink(l); err == nil {
			names[filepath.Join(filepath.Dir(l), target)] = l
		}
	}
	return names
}

// probeTime is how long a board may take to introduce itself: opening a port
// resets many boards, whose loader then waits a second or two.
const probeTime = 4 * time.Second

// Ask opens the port and waits for a board to introduce itself. baud 0 = the
// default.
func (p *Port) Ask(ctx context.Context, baud int) {
	if baud == 0 {
		baud = defaultBaud
	}
	s, err := Open(fmt.Sprintf("serial:%s?baud=%d", escape(p.Name), baud), Options{Patience: probeTime, Queue: 8})
	if err != nil {
		p.Reason = err.Error()
		return
	}
	defer s.Close()
	if _, err := s.Next(ctx); err != nil {
		p.Reason = err.Error()
		return
	}
	p.Setup = s.Setup()
}
