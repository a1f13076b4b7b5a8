package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"

	_ "modernc.org/sqlite" // the driver, without cgo

	"counterpoise/internal/durable"
)

// ErrInUse is in the error of an Open while another counterpoise has the
// database open to write.
var ErrInUse = errors.New("another counterpoise is using it")

// Store is one open database.
type Store struct {
	path string
	lock *os.File // nil where the store was opened only to be read
	w    *sql.DB  // one connection, so that writers queue here; nil likewise
	r    *sql.DB

	mu     sync.Mutex
	open   map[string]bool    // jobs that have a log
	digest map[string]Summary // of jobs, by id; stands while its number of events does
}

// Open opens the database, creates it where there is none, and brings an older
// one up to date after a copy was put beside it.
func Open(path string) (_ *Store, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return nil, fmt.Errorf("the folder for the job database cannot be made (%w): choose another place", err)
	}
	s := &Store{path: path, open: map[string]bool{}, digest: map[string]Summary{}}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	if s.lock, err = lockFile(path); err != nil {
		return nil, err
	}
	version, err := probe(path)
	if err != nil {
		return nil, err
	}
	if s.w, err = connect(path, writing, 1); err != nil {
		return nil, err
	}
	if err = migrate(s.w, path, version, migrations); err != nil {
		return nil, fault(s.path, "the job database could not be made ready", err)
	}
	if err = durable.SyncDir(filepath.Dir(path)); err != nil {
		return nil, fault(s.path, "the job database cannot be made safe on the disk", err)
	}
	s.sweep()
	s.r, err = connect(path, reading, 4)
	return s, err
}

// sweep removes files that a crash left half written; none was acknowledged.
func (s *Store) sweep() {
	left, _ := filepath.Glob(filepath.Join(s.filesOf("*"), ".draft-*"))
	for _, f := range left {
		os.Remove(f)
	}
}

// OpenToRead opens a database for those who only look, also while another
// process writes. Methods that save are refused.
func OpenToRead(path string) (*Store, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("there is no job database to look at: %w", err)
	}
	version, err := probe(path)
	if err != nil {
		return nil, err
	}
	if version < len(migrations) {
		return nil, fmt.Errorf("the job database %s is of an older version: start the daemon once, which brings it up to date, then look again", path)
	}
	r, err := connect(path, reading, 4)
	if err != nil {
		return nil, err
	}
	return &Store{path: path, r: r, open: map[string]bool{}, digest: map[string]Summary{}}, nil
}

// lockFile takes the right to write. The lock has a file of its own: closing
// any handle on the database file itself would drop SQLite's own locks.
func lockFile(path string) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("the job database cannot be opened (%w): check the folder and who may write there", err)
	}
	if err := durable.Lock(f); err != nil {
		f.Close()
		return nil, fmt.Errorf("the job database %s is not opened: %w, and only one may write; end that one, or look on through its page (%v)", path, ErrInUse, err)
	}
	return f, nil
}

// access is what a connection may do, as parts of its connection string.
// Pragmas stand there because each connection of a pool must get them.
type access []string

var (
	writing = access{"_txlock=immediate", "_pragma=journal_mode(WAL)", "_pragma=synchronous(FULL)",
		"_pragma=fullfsync(1)", "_pragma=checkpoint_fullfsync(1)",
		"_pragma=foreign_keys(1)", "_pragma=cell_size_check(1)", "_pragma=trusted_schema(0)", "_pragma=busy_timeout(5000)"}
	reading = access{"mode=ro", "_pragma=query_only(1)", "_pragma=cell_size_check(1)", "_pragma=trusted_schema(0)", "_pragma=busy_timeout(5000)"}
	looking = access{"mode=ro", "_pragma=busy_timeout(5000)"} // changes nothing, whatever the file is
)

func connect(path string, a access, connections int) (*sql.DB, error) {
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // a Windows drive
	}
	name := url.URL{Scheme: "file", Path: p, RawQuery: strings.Join(a, "&")}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, fault(path, "the job database cannot be opened", err)
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

// Close ends all use of the database. Logs of jobs are closed before.
func (s *Store) Close() error {
	var errs []error
	if s.r != nil {
		errs = append(errs, s.r.Close())
	}
	if s.w != nil {
		errs = append(errs, s.w.Close()) // last, so that it empties the write-ahead log
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// write runs fn in a transaction of its own. What was being saved stands in
// doing: "the event was not saved".
func (s *Store) write(ctx context.Context, doing string, fn func(tx *sql.Tx) error) error {
	if s.w == nil {
		return fmt.Errorf("%s: the job database was opened only to be read", doing)
	}
	tx, err := s.w.BeginTx(ctx, nil)
	if err != nil {
		return fault(s.path, doing, err)
	}
	if err := fn(tx); err != nil {
		tx.Rollback()
		return fault(s.path, doing, err)
	}
	if err := tx.Commit(); err != nil {
		tx.Rollback() // already done by the database, or impossible; nothing more can be learnt from it
		return fault(s.path, doing, err)
	}
	return nil
}
