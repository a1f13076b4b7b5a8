package job

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync/atomic"
	"time"
)

// ErrStale is in the error of an event whose sender had not seen the newest
// events: another window, or another person, was faster.
var ErrStale = errors.New("the job has moved on since this was shown")

// ErrClosed is in the error of an Append after Close.
var ErrClosed = errors.New("the job file is closed")

// Job is one balancing job. Its methods may be called from any goroutine:
// State, Next and Wait never wait for the disk.
type Job struct {
	turn   chan struct{} // holds one token; who has it may write
	log    Log
	events []Event // guarded by turn
	closed bool    // guarded by turn
	notice string
	newest atomic.Pointer[version]
}

type version struct {
	state State
	next  chan struct{} // closed when a newer version stands
}

// Open opens or creates the event file of a job. Only one process at a time
// can have it open; ReadFile is for those who look.
func Open(path string) (*Job, error) {
	l, err := OpenFile(path)
	if err != nil {
		return nil, err
	}
	return New(l)
}

// New makes a job of the events in a log, which it owns from then on: it is
// closed with the job, or at once where New fails.
func New(l Log) (*Job, error) {
	events, notice, err := l.Load()
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	j := &Job{turn: make(chan struct{}, 1), log: l, events: events, notice: notice}
	j.newest.Store(&version{fold(events), make(chan struct{})})
	j.turn <- struct{}{}
	return j, nil
}

// Notice is a sentence for people where the end of the file was found
// incomplete at opening; empty otherwise.
func (j *Job) Notice() string { return j.notice }

// State is the newest state.
func (j *Job) State() State { return j.newest.Load().state }

// Next is the next safe step at the time now.
func (j *Job) Next(now time.Time) Step { return j.State().Next(now) }

// Wait returns the newest state as soon as it holds more than seen events.
func (j *Job) Wait(ctx context.Context, seen int) (State, error) {
	for {
		v := j.newest.Load()
		if v.state.Events > seen {
			return v.state, nil
		}
		select {
		case <-v.next:
		case <-ctx.Done():
			return v.state, ctx.Err()
		}
	}
}

// Append checks an event, stores it and only then changes the state. A refused
// event leaves everything as it was; the error is one sentence for the person
// who sent it.
func (j *Job) Append(ctx context.Context, e Event) (State, error) {
	if err := j.take(ctx); err != nil {
		return j.State(), err
	}
	defer j.give()
	s := j.State()
	if j.closed {
		return s, ErrClosed
	}
	if e.Seen != 0 && e.Seen != s.Events {
		return s, fmt.Errorf("%w (event %d, now %d): look at the job as it is now and decide again", ErrStale, e.Seen, s.Events)
	}
	e.Number, e.Seen = s.Events+1, 0
	// The state holds what the log holds, not what the caller may still alter.
	e, err := e.stored()
	if err != nil {
		return s, err
	}
	if err := s.check(e, j.events); err != nil {
		return s, err
	}
	if err := j.log.Append(e); err != nil {
		return s, err
	}
	j.events = append(j.events, e)
	if e.rewrites() {
		s = fold(j.events)
	} else {
		s = s.apply(e, counted{})
	}
	close(j.newest.Swap(&version{s, make(chan struct{})}).next)
	return s, nil
}

// Events returns a copy of all events.
func (j *Job) Events(ctx context.Context) ([]Event, error) {
	if err := j.take(ctx); err != nil {
		return nil, err
	}
	defer j.give()
	return append([]Event(nil), j.events...), nil
}

// Close waits for a running Append and closes the log.
func (j *Job) Close() error {
	<-j.turn
	defer j.give()
	if j.closed {
		return nil
	}
	j.closed = true
	return j.log.Close()
}

func (j *Job) take(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case <-j.turn:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (j *Job) give() { j.turn <- struct{}{} }

func itoa(n int) string { return strconv.Itoa(n) }
