package acq

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
)

// streamed is a Source over a file or standard input that holds what a board
// sent: frames or text lines. It never drops.
type streamed struct {
	mu     sync.Mutex
	fr     framer
	link   Link
	in     io.Reader
	closer io.Closer
	tap    func([]byte)
	name   string
	buf    []byte
	rest   []byte
	ended  bool
	block  Block
	err    error
}

func newStreamed(w *word, fr framer, o Options, in io.Reader, closer io.Closer) *streamed {
	s := &streamed{fr: fr, in: in, closer: closer, tap: o.Tap, name: w.path, buf: make([]byte, 1<<14), link: Link{State: Greeting, Up: true}}
	if w.kind == "-" {
		s.name = "standard input"
	}
	return s
}

func openLines(w *word, o Options, s stream) (Source, error) {
	return openText(w, o, s.Reader, s.Closer)
}

func openText(w *word, o Options, in io.Reader, closer io.Closer) (Source, error) {
	t, err := newText(w)
	if err != nil {
		return nil, err
	}
	t.skip = false // a file begins at the beginning of a line
	return newStreamed(w, t, o, in, closer), nil
}

func (s *streamed) Next(ctx context.Context) (*Block, error) {
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if s.err != nil {
			return nil, s.err
		}
		filled, err := s.feed()
		switch {
		case err != nil:
			return nil, s.end(err)
		case filled:
			return &s.block, nil
		case s.ended:
			return nil, s.end(s.verdict())
		}
		n, err := s.in.Read(s.buf)
		s.rest = s.buf[:n]
		if s.tap != nil && n > 0 {
			s.tap(s.rest)
		}
		if err == nil || n > 0 {
			continue
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if !errors.Is(err, io.EOF) {
			return nil, s.end(fmt.Errorf("read %s: %w", s.name, err))
		}
		s.ended = true
		s.flush()
	}
}

func (s *streamed) feed() (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, filled, err := s.fr.feed(s.rest, &s.block)
	s.rest = s.rest[n:]
	if filled {
		s.link.State = Running
		if su := s.fr.setup(); len(su.Notes) > 0 {
			s.link.Reason = su.Notes[0]
		}
		s.fr.total().deliver(&s.block)
	}
	return filled, err
}

// flush hands out what was waiting for more.
func (s *streamed) flush() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fr.flush()
}

// verdict turns the end of a file that never held a block into a sentence.
func (s *streamed) verdict() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fr.total().Samples > 0 {
		return io.EOF
	}
	if why := s.fr.fatal(); why != nil {
		return why
	}
	return fmt.Errorf("%s: %s", s.name, s.fr.empty())
}

func (s *streamed) end(err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
	s.link.State, s.link.Up = Ended, false
	if !errors.Is(err, io.EOF) {
		s.link.Reason = err.Error()
	}
	return err
}

func (s *streamed) Setup() *Setup {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.setup()
}

func (s *streamed) Link() Link {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.link
}

func (s *streamed) Counts() Counts {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.total().clone()
}

func (s *streamed) Close() error {
	s.end(io.EOF)
	return s.closer.Close()
}
