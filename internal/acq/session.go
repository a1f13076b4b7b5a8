package acq

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// session reads one opened port until it fails or is hopelessly silent. It
// sets s.err where going on is pointless.
func (s *live) session(ctx context.Context, p port) error {
	s.say(Greeting, true, "")
	buf := make([]byte, 4096)
	opened := time.Now()
	lastGood, asked := opened, time.Time{}
	bytes, good := s.progress()
	defer func() {
		if msg := s.loopEnd(); msg != nil {
			p.Write(msg) // fails where the port is gone, and then the board with it
		}
	}()
	for ctx.Err() == nil {
		now := time.Now()
		if s.needsCall(now, lastGood) && now.Sub(asked) >= askAgain {
			asked = now
			if msg := s.fr.hello(); len(msg) > 0 {
				p.Write(msg) // a board that does not listen shows by its silence
			}
		}
		if msg := s.loopCommand(now); msg != nil {
			p.Write(msg) // said again until a greeting shows it
		}
		n, err := p.Read(buf)
		if err != nil {
			return err
		}
		now = time.Now()
		if s.take(buf[:n], now); s.err != nil {
			return s.err
		}
		nowBytes, nowGood := s.progress()
		if nowGood > good {
			good, bytes, lastGood = nowGood, nowBytes, now
			s.say(s.stateOfGood(), true, s.note())
		} else if now.Sub(lastGood) > quiet {
			s.say(s.stateOfSilence(), true, s.silence(nowBytes-bytes))
		}
		if err := s.giveUp(now, opened, nowBytes-bytes); err != nil {
			return err
		}
		if now.Sub(lastGood) > hopeless {
			return errors.New(s.silence(nowBytes - bytes))
		}
	}
	return ctx.Err()
}

// needsCall says whether the board must be asked: it has not introduced itself,
// or was silent.
func (s *live) needsCall(now, lastGood time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return !s.fr.greeted() || s.link.State != Running || now.Sub(lastGood) > quiet
}

func (s *live) progress() (bytes, good uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.fr.total().Bytes, s.fr.alive()
}

func (s *live) stateOfGood() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fr.setup() == nil || s.fr.total().Samples+s.dropped == 0 {
		return Greeting
	}
	return Running
}

func (s *live) stateOfSilence() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fr.setup() == nil {
		return Greeting
	}
	return Silent
}

func (s *live) note() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if su := s.fr.setup(); su != nil && len(su.Notes) > 0 {
		return su.Notes[0]
	}
	return ""
}

// silence says in one sentence why nothing good comes.
func (s *live) silence(bytes uint64) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if bytes > 0 {
		return fmt.Sprintf("%s sends bytes, but %s", s.name, s.fr.puzzle())
	}
	return fmt.Sprintf("%s is open, but nothing comes from it: there are no readings; check that the board is powered and runs its firmware, that this is its port, and that baud= is its speed", s.name)
}

// giveUp ends a source that never had a greeting, where somebody waits for it.
func (s *live) giveUp(now, opened time.Time, bytes uint64) error {
	if s.opt.Wait {
		return nil
	}
	s.mu.Lock()
	why, known := s.fr.fatal(), s.fr.setup() != nil
	s.mu.Unlock()
	if why == nil && !known && now.Sub(opened) > s.opt.Patience {
		why = errors.New(s.silence(bytes))
	}
	if !known {
		s.err = why
	}
	return s.err
}
