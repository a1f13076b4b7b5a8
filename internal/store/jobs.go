package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"counterpoise/internal/job"
)

// ErrNoJob is in the error where there is no job of that id.
var ErrNoJob = errors.New("there is no such job")

// NewJob is what a job is when it begins.
type NewJob struct {
	Name    string
	Station string // as in station.toml
	At      time.Time
}

// Create begins a job and returns its id, which is never given twice, on this
// machine or another.
func (s *Store) Create(ctx context.Context, n NewJob) (id string, err error) {
	name, err := jobName(n.Name)
	if err != nil {
		return "", err
	}
	id = strings.ToLower(rand.Text()[:16])
	return id, s.write(ctx, "the job was not created", func(tx *sql.Tx) error {
		if err := addJob(ctx, tx, id, n.Station, n.At); err != nil {
			return err
		}
		return addName(ctx, tx, id, 1, Name{n.At, name})
	})
}

// Rename gives a job another name; the old one stays in its history.
func (s *Store) Rename(ctx context.Context, id, name string, at time.Time) error {
	name, err := jobName(name)
	if err != nil {
		return err
	}
	return s.write(ctx, "the job was not renamed", func(tx *sql.Tx) error {
		names, err := readNames(ctx, tx, id)
		if err != nil {
			return err
		}
		return addName(ctx, tx, id, len(names)+1, Name{at, name})
	})
}

// maxName bounds a job's name in bytes.
const maxName = 200

func jobName(name string) (string, error) {
	name = strings.TrimSpace(name)
	switch {
	case name == "":
		return "", errors.New("a job needs a name: the machine and the day, for instance")
	case len(name) > maxName || !utf8.ValidString(name):
		return "", fmt.Errorf("the name of the job is longer than %d bytes or no text: choose a shorter one", maxName)
	}
	return name, nil
}

// Name of a job from a time on.
type Name struct {
	At   time.Time `json:"at"`
	Name string    `json:"name"`
}

func addJob(ctx context.Context, tx *sql.Tx, id, station string, opened time.Time) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO jobs (id, station, opened) VALUES (?, ?, ?)", id, station, stamp(opened))
	return err
}

func addName(ctx context.Context, tx *sql.Tx, id string, n int, name Name) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO names (job, n, at, name) VALUES (?, ?, ?, ?)", id, n, stamp(name.At), name.Name)
	return err
}

// asker is a database or a transaction.
type asker interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// readNames returns a job's names, oldest first; a job has at least one.
func readNames(ctx context.Context, q asker, id string) ([]Name, error) {
	names, err := list(ctx, q, func(rows *sql.Rows) (n Name, err error) {
		return n, rows.Scan(moment{&n.At}, &n.Name)
	}, "SELECT at, name FROM names WHERE job = ? ORDER BY n", id)
	if err == nil && len(names) == 0 {
		return nil, noJob(id)
	}
	return names, err
}

// list collects the rows of a query.
func list[T any](ctx context.Context, q asker, scan func(*sql.Rows) (T, error), query string, args ...any) (out []T, err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

// texts collects the only column of a query.
func texts(ctx context.Context, q asker, query string, args ...any) ([]string, error) {
	return list(ctx, q, func(rows *sql.Rows) (text string, err error) {
		return text, rows.Scan(&text)
	}, query, args...)
}

func noJob(id string) error {
	return hint{fmt.Errorf("%w (%q): look at the list of jobs", ErrNoJob, id)}
}

// Summary is a job in a list.
type Summary struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Station string    `json:"station"`
	Opened  time.Time `json:"opened"`
	Closed  time.Time `json:"closed,omitzero"` // zero while the job is open
	Newest  time.Time `json:"newest,omitzero"` // time of the newest event; zero while there is none
	Events  int       `json:"events"`
	Stage   job.Stage `json:"stage"`            // of the next step
	Next    string    `json:"next"`             // the next step, one sentence
	Remark  string    `json:"remark,omitempty"` // given at closing
	Damage  string    `json:"damage,omitempty"` // why the job cannot be read; the others can
}

// Jobs lists all jobs, newest first. Jobs that have not changed since the last
// call are not read again.
func (s *Store) Jobs(ctx context.Context) ([]Summary, error) {
	cannot := "the list of jobs cannot be read"
	all, err := list(ctx, s.r, func(rows *sql.Rows) (m Summary, err error) {
		return m, rows.Scan(&m.ID, &m.Station, moment{&m.Opened}, &m.Name, &m.Events)
	}, `SELECT id, station, opened,
			(SELECT name FROM names WHERE job = id ORDER BY n DESC LIMIT 1),
			(SELECT coalesce(max(n), 0) FROM events WHERE job = id)
		FROM jobs ORDER BY rowid DESC`)
	if err != nil {
		return nil, fault(s.path, cannot, err)
	}
	for i := range all {
		if err := s.summarise(ctx, &all[i]); err != nil {
			return nil, fault(s.path, cannot, err)
		}
	}
	slices.SortStableFunc(all, func(a, b Summary) int { return b.Opened.Compare(a.Opened) })
	return all, nil
}

// summarise fills in what follows from the events.
func (s *Store) summarise(ctx context.Context, m *Summary) error {
	s.mu.Lock()
	known, ok := s.digest[m.ID]
	s.mu.Unlock()
	if !ok || known.Events < m.Events {
		known = Summary{Events: m.Events}
		events, err := s.Events(ctx, m.ID)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			known.Damage = err.Error()
		} else if err := known.fold(events); err != nil {
			return err
		}
		s.mu.Lock()
		s.digest[m.ID] = known
		s.mu.Unlock()
	}
	known.ID, known.Name, known.Station, known.Opened = m.ID, m.Name, m.Station, m.Opened
	*m = known
	return nil
}

func (m *Summary) fold(events []job.Event) error {
	st, err := state(events)
	if err != nil {
		return err
	}
	next := st.Next(st.At)
	m.Events, m.Newest, m.Stage, m.Next, m.Remark = st.Events, st.At, next.Stage, next.What, st.Remark
	for _, e := range events {
		if st.Closed && e.Kind == job.KindClosed && !slices.Contains(st.Undone, e.Number) {
			m.Closed = e.At
		}
	}
	return nil
}

// stamp is a time as it is stored.
func stamp(t time.Time) string { return t.Format(time.RFC3339Nano) }

// moment reads a stored time.
type moment struct{ t *time.Time }

func (m moment) Scan(v any) error {
	text, ok := v.(string)
	if !ok {
		return fmt.Errorf("a time is stored as %T", v)
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	*m.t = t
	return err
}
