//go:build !unix

package acq

import (
	"fmt"

	"go.bug.st/serial"
)

// portLock does nothing: Windows opens a port for one program only.
type portLock struct{}

func lockPort(string) (*portLock, error) { return &portLock{}, nil }

func (*portLock) write(p serial.Port, b []byte) (int, error) { return p.Write(b) }

func (*portLock) close() error { return nil }

func forbidden(path string) error {
	return fmt.Errorf("port %s may not be opened: it is in use by another program, or this user has no right to it", path)
}
