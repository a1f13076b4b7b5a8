package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"counterpoise/internal/job"
)

// Job is the log of one job, for job.New. Only one at a time is given out: the
// Load of a second one fails until the first is closed.
func (s *Store) Job(id string) job.Log { return &jobLog{s: s, id: id} }

type jobLog struct {
	s    *Store
	id   string
	mine bool // this log has claimed the job
	next int  // number of the next event; 0 before Load
}

// Load reads the events. The notice is always empty: the database never keeps
// half an event.
func (l *jobLog) Load() (events []job.Event, notice string, err error) {
	if err := l.claim(); err != nil {
		return nil, "", err
	}
	events, err = l.s.Events(context.Background(), l.id)
	if err != nil {
		return nil, "", err
	}
	l.next = len(events) + 1
	return events, "", nil
}

func (l *jobLog) claim() error {
	l.s.mu.Lock()
	defer l.s.mu.Unlock()
	switch {
	case l.mine:
	case l.s.w == nil:
		return fmt.Errorf("the job %q cannot go on: the job database was opened only to be read", l.id)
	case l.s.open[l.id]:
		return fmt.Errorf("the job %q is open already: go on where it is open", l.id)
	}
	l.s.open[l.id], l.mine = true, true
	return nil
}

// Append saves one event.
func (l *jobLog) Append(e job.Event) error {
	if !l.mine {
		return fmt.Errorf("the event was not saved: the job %q is not open", l.id)
	}
	if e.Number != l.next {
		return fmt.Errorf("event %d offered where event %d is due", e.Number, l.next)
	}
	line, err := job.EncodeEvent(e)
	if err != nil {
		return err
	}
	ctx := context.Background()
	err = l.s.write(ctx, "the event was not saved", func(tx *sql.Tx) error { return addEvent(ctx, tx, l.id, e.Number, line) })
	if err == nil {
		l.next++
	}
	return err
}

func addEvent(ctx context.Context, tx *sql.Tx, id string, n int, line []byte) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO events (job, n, line) VALUES (?, ?, ?)", id, n, string(line))
	return err
}

// Close lets others open the job.
func (l *jobLog) Close() error {
	l.s.mu.Lock()
	defer l.s.mu.Unlock()
	if l.mine {
		delete(l.s.open, l.id)
	}
	l.mine, l.next = false, 0
	return nil
}

// Events returns all events of a job, also while it is open.
func (s *Store) Events(ctx context.Context, id string) ([]job.Event, error) {
	lines, err := readLines(ctx, s.r, id)
	if err != nil {
		return nil, fault(s.path, "the job cannot be read", err)
	}
	return s.decode(id, lines)
}

// Event returns one event of a job: a reading that is to be compared, for one.
func (s *Store) Event(ctx context.Context, id string, n int) (job.Event, error) {
	var line string
	err := s.r.QueryRowContext(ctx, "SELECT line FROM events WHERE job = ? AND n = ?", id, n).Scan(&line)
	if errors.Is(err, sql.ErrNoRows) {
		return job.Event{}, fmt.Errorf("the job %q has no event %d: look at its list of events", id, n)
	}
	if err != nil {
		return job.Event{}, fault(s.path, "the event cannot be read", err)
	}
	return s.decodeOne(id, n, line)
}

// State is what the events of a job amount to, also while it is open.
func (s *Store) State(ctx context.Context, id string) (job.State, error) {
	events, err := s.Events(ctx, id)
	if err != nil {
		return job.State{}, err
	}
	return state(events)
}

// readLines returns the stored form of a job's events in order.
func readLines(ctx context.Context, q asker, id string) ([]string, error) {
	var there int
	if err := q.QueryRowContext(ctx, "SELECT count(*) FROM jobs WHERE id = ?", id).Scan(&there); err != nil {
		return nil, err
	}
	if there == 0 {
		return nil, noJob(id)
	}
	return texts(ctx, q, "SELECT line FROM events WHERE job = ? ORDER BY n", id)
}

func (s *Store) decode(id string, lines []string) ([]job.Event, error) {
	events := make([]job.Event, len(lines))
	for i, line := range lines {
		e, err := s.decodeOne(id, i+1, line)
		if err != nil {
			return nil, err
		}
		events[i] = e
	}
	return events, nil
}

func (s *Store) decodeOne(id string, n int, line string) (job.Event, error) {
	e, err := job.DecodeEvent([]byte(line))
	if err == nil && e.Number != n {
		err = fmt.Errorf("it is numbered %d", e.Number)
	}
	if err != nil {
		return job.Event{}, fmt.Errorf("event %d of job %q in %s cannot be used (%w); nothing was changed: restore the database from a copy, or use the version of counterpoise that wrote it", n, id, s.path, err)
	}
	return e, nil
}

// state folds events as a job does that is only looked at.
func state(events []job.Event) (job.State, error) {
	j, err := job.New(still(events))
	if err != nil {
		return job.State{}, err
	}
	defer j.Close()
	return j.State(), nil
}

// still is a log that takes nothing more.
type still []job.Event

func (s still) Load() ([]job.Event, string, error) { return s, "", nil }
func (s still) Append(job.Event) error {
	return fmt.Errorf("the event was not saved: the job was opened only to be read")
}
func (s still) Close() error { return nil }
