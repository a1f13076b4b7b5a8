package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"
)

// hint marks an error that already says what to do.
type hint struct{ error }

func (h hint) Unwrap() error { return h.error }

// fault makes one sentence of an error of the database or the disk: what was
// not done, why, and what to do. nil stays nil.
func fault(path, doing string, err error) error {
	var done hint
	var db *sqlite.Error
	switch {
	case err == nil:
		return nil
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("%s: %w", doing, err)
	case errors.As(err, &done):
		return fmt.Errorf("%s: %w", doing, done.error)
	case errors.Is(err, syscall.ENOSPC):
		return full(path, doing, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: the folder of %s may not be written; give counterpoise the right to, or choose another place (%w)", doing, path, err)
	case strings.Contains(err.Error(), "database is closed"):
		return fmt.Errorf("%s: the job database is closed, because counterpoise is ending; enter the step again after the next start (%w)", doing, err)
	case !errors.As(err, &db):
		return fmt.Errorf("%s (%w): check the disk that holds %s, then try again", doing, err, path)
	}
	switch db.Code() & 0xff {
	case codes.SQLITE_FULL:
		return full(path, doing, err)
	case codes.SQLITE_BUSY, codes.SQLITE_LOCKED:
		return fmt.Errorf("%s: another program holds the database %s; end that program, then try again (%w)", doing, path, err)
	case codes.SQLITE_CORRUPT:
		return damaged(path, doing, err)
	case codes.SQLITE_NOTADB:
		return fmt.Errorf("%s: %s is no job database and was left as it is; name another file, or restore the database from a copy (%w)", doing, path, err)
	case codes.SQLITE_READONLY, codes.SQLITE_PERM:
		return fmt.Errorf("%s: %s may only be read; give counterpoise the right to write it and its folder, then try again (%w)", doing, path, err)
	case codes.SQLITE_CANTOPEN:
		return fmt.Errorf("%s: %s cannot be opened; check that the folder is there and may be written (%w)", doing, path, err)
	case codes.SQLITE_IOERR:
		return fmt.Errorf("%s: the disk that holds %s does not read or write; check the disk and its cable, make a copy of what is there, then open the job again (%w)", doing, path, err)
	}
	return fmt.Errorf("%s (%w): what was saved before is untouched; open the job again", doing, err)
}

func full(path, doing string, err error) error {
	return fmt.Errorf("%s: the disk that holds %s is full; free some space, then enter it again (%w)", doing, path, err)
}

func damaged(path, doing string, err error) error {
	return fmt.Errorf("%s: the database %s is damaged, so the disk or a copying failed; keep the file with those beside it whose names begin alike, and restore them from a copy (%w)", doing, path, err)
}
