package acq

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"time"
)

// port is a link to a board. It hides what serial libraries and sockets do
// differently.
type port interface {
	// Read waits a tenth of a second at most; 0, nil means that nothing came.
	// Any error means that the link is gone.
	Read(p []byte) (int, error)
	// Write takes a short command or fails; it never waits for long.
	Write(p []byte) (int, error)
	Close() error
}

// pause is how long a Read may wait, and so how soon a Close is done.
const pause = 100 * time.Millisecond

// dialer opens a port. Its error is a sentence for a person.
type dialer func(ctx context.Context) (port, error)

func dialTCP(address string) dialer {
	return func(ctx context.Context) (port, error) {
		d := net.Dialer{Timeout: 3 * time.Second}
		c, err := d.DialContext(ctx, "tcp", address)
		if err != nil {
			return nil, fmt.Errorf("no connection to %s (%w): nothing can be measured; check that the board is on, and its address and port", address, err)
		}
		return tcpPort{c}, nil
	}
}

type tcpPort struct{ net.Conn }

func (p tcpPort) Read(b []byte) (int, error) {
	if err := p.SetReadDeadline(time.Now().Add(pause)); err != nil {
		return 0, err
	}
	n, err := p.Conn.Read(b)
	if n > 0 || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil // an error beside bytes comes again
	}
	return 0, err
}

func (p tcpPort) Write(b []byte) (int, error) {
	if err := p.SetWriteDeadline(time.Now().Add(pause)); err != nil {
		return 0, err
	}
	return p.Conn.Write(b)
}
