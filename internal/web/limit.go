package web

import (
	"net"
	"sync"
)

// maxConnections keeps the number of open descriptors low: the serial library
// waits with select(2), which fails for a descriptor of 1024 or more, and a
// port that is opened anew after an unplug gets a fresh number.
const maxConnections = 256

// sendBuffer is what the system may hold back for one connection. Left to itself
// it lets megabytes gather, and a phone on a poor link would be shown states that
// are a minute old as if they were new.
const sendBuffer = 32 << 10

// limit lets at most n connections be open at a time; the next ones wait.
func limit(ln net.Listener, n int) net.Listener {
	return &limited{Listener: ln, free: make(chan struct{}, n), closed: make(chan struct{})}
}

type limited struct {
	net.Listener
	free   chan struct{} // one token for each open connection
	closed chan struct{}
	once   sync.Once
}

func (l *limited) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	if t, ok := c.(*net.TCPConn); ok {
		t.SetWriteBuffer(sendBuffer) // a wish; without it the page works all the same
	}
	return &counted{Conn: c, release: func() { <-l.free }}, nil
}

func (l *limited) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type counted struct {
	net.Conn
	once    sync.Once
	release func()
}

func (c *counted) Close() error {
	err := c.Conn.Close()
	c.once.Do(c.release)
	return err
}
