package rig

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"counterpoise/internal/acq/tickline"
)

// session is one connection with a host.
type session struct {
	conn io.ReadWriteCloser
	in   chan tickline.Command
	out  chan []byte
	free chan []byte   // buffers that have been written
	room chan struct{} // poked when one was written
	done chan struct{} // closed when the connection is gone
}

const (
	bursts = 8                     // buffers under way to a host
	most   = 16                    // frames of a burst
	beat   = 10 * time.Millisecond // how often a real clock is looked at
	stall  = 2 * time.Second       // a hurried board waits so long for its host, then goes on as a real one
)

// Serve lets the board talk on one connection, for instance a net.Pipe. The
// plant runs until ctx ends; the channel is closed when all has ended.
func (r *Rig) Serve(ctx context.Context, conn io.ReadWriteCloser) (<-chan struct{}, error) {
	once := make(chan io.ReadWriteCloser, 1)
	once <- conn
	return r.serve(ctx, func(ctx context.Context) (io.ReadWriteCloser, error) {
		select {
		case c := <-once:
			return c, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}, func() {})
}

// serve starts the owner of the plant and the keeper of the connection, which
// calls connect for one host after the other while the cable is in.
func (r *Rig) serve(ctx context.Context, connect func(context.Context) (io.ReadWriteCloser, error), end func()) (<-chan struct{}, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.serving {
		return nil, errors.New("this rig is on a wire already")
	}
	r.serving = true
	sessions := make(chan *session)
	done := make(chan struct{})
	var both sync.WaitGroup
	both.Go(func() { r.own(ctx, sessions) })
	both.Go(func() { r.keep(ctx, connect, sessions) })
	go func() {
		both.Wait()
		end()
		r.mu.Lock()
		r.serving = false
		r.board.streaming = false
		r.mu.Unlock()
		close(done)
	}()
	return done, nil
}

// keep connects, hands the session to the owner and waits for its end.
func (r *Rig) keep(ctx context.Context, connect func(context.Context) (io.ReadWriteCloser, error), sessions chan<- *session) {
	for ctx.Err() == nil {
		allowed, in := r.cable.plugged(ctx)
		if !in {
			return
		}
		conn, err := connect(allowed)
		if err != nil {
			select { // a host that hung up while it called, or the cable was pulled
			case <-time.After(beat):
			case <-ctx.Done():
			}
			continue
		}
		s := &session{
			conn: conn, in: make(chan tickline.Command, 16), out: make(chan []byte, bursts),
			free: make(chan []byte, bursts+2), room: make(chan struct{}, 1), done: make(chan struct{}),
		}
		select {
		case sessions <- s:
			s.run(allowed)
		case <-ctx.Done():
			conn.Close()
		}
	}
}

// run reads and writes until either fails or ctx ends.
func (s *session) run(ctx context.Context) {
	stop := context.AfterFunc(ctx, func() { s.conn.Close() })
	defer stop()
	var writer sync.WaitGroup
	quit := make(chan struct{})
	writer.Go(func() { s.write(quit) })
	s.read(ctx)
	s.conn.Close()
	close(quit)
	writer.Wait()
	close(s.done)
}

func (s *session) read(ctx context.Context) {
	var d tickline.Decoder
	buf := make([]byte, 1024)
	for {
		n, err := s.conn.Read(buf)
		for p := buf[:n]; len(p) > 0; {
			took, f, _ := d.Decode(p)
			p = p[took:]
			if f == nil || f.Type < tickline.TypeAsk {
				continue
			}
			select {
			case s.in <- f.Command:
			case <-ctx.Done():
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func (s *session) write(quit <-chan struct{}) {
	for {
		select {
		case b := <-s.out:
			if _, err := s.conn.Write(b); err != nil {
				s.conn.Close() // the reader sees it and ends the session
				<-quit
				return
			}
			s.free <- b[:0]
			select {
			case s.room <- struct{}{}:
			default:
			}
		case <-quit:
			return
		}
	}
}

// buffer is an empty buffer for a burst.
func (s *session) buffer() []byte {
	select {
	case b := <-s.free:
		return b
	default:
		return make([]byte, 0, most*tickline.MaxWire)
	}
}

func (s *session) full() bool { return len(s.out) == cap(s.out) }
