package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"counterpoise/internal/durable"
)

// The kinds of file that lie beside a job. The words stand in databases and
// exports and never change.
const (
	KindPhotograph = "photograph"
	KindTake       = "take"     // a raw recording; never inside an export, because it may be large
	KindSpectrum   = "spectrum" // of one reading
	KindDocument   = "document"
)

// File is a photograph, a take or the like of one job.
type File struct {
	Name   string    `json:"name"` // what events call it; one of a kind within the job
	Kind   string    `json:"kind"`
	At     time.Time `json:"at"`
	Size   int64     `json:"size"`
	SHA256 string    `json:"sha256"` // of the content, hexadecimal
}

// stored is the name on the disk: equal contents share a name, unequal ones
// never meet, whatever the file system makes of letter case.
func (f File) stored() string { return f.SHA256[:16] + "-" + f.Name }

func (s *Store) filesOf(id string) string { return filepath.Join(s.path+".files", id) }

// AddFile keeps a file with a job and returns it under the name that it got:
// characters that some system refuses are replaced, and a name that is taken by
// another content gets a number. The same content offered again under its name
// is kept once. Name, Kind and At are the caller's; the rest is found out.
func (s *Store) AddFile(ctx context.Context, id string, f File, content io.Reader) (File, error) {
	const cannot = "the file was not saved"
	f.Name = plainName(f.Name)
	switch f.Kind {
	case KindPhotograph, KindTake, KindSpectrum, KindDocument:
	default:
		return File{}, fmt.Errorf("%s: there is no kind of file %q", cannot, f.Kind)
	}
	if s.w == nil {
		return File{}, fmt.Errorf("%s: the job database was opened only to be read", cannot)
	}
	if _, err := s.Files(ctx, id); err != nil { // no folder for a job that is not there
		return File{}, err
	}
	d, err := s.draft(id, content)
	if err != nil {
		return File{}, fault(s.path, cannot, err)
	}
	defer d.Discard()
	f.Size, f.SHA256 = d.size, hex.EncodeToString(d.sum.Sum(nil))
	err = s.write(ctx, cannot, func(tx *sql.Tx) error {
		known := false
		f, known, err = freeName(ctx, tx, id, f)
		if err != nil || known {
			return err
		}
		if err := d.Keep(filepath.Join(s.filesOf(id), f.stored())); err != nil {
			return err
		}
		return addFile(ctx, tx, id, f)
	})
	return f, err
}

// draft is a file that is being taken in.
type draft struct {
	*durable.Draft
	sum  hash.Hash
	size int64
}

func (s *Store) draft(id string, content io.Reader) (*draft, error) {
	dir := s.filesOf(id)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	for _, d := range []string{filepath.Dir(dir), filepath.Dir(s.path)} {
		if err := durable.SyncDir(d); err != nil {
			return nil, err
		}
	}
	file, err := durable.NewDraft(dir)
	if err != nil {
		return nil, err
	}
	d := &draft{Draft: file, sum: sha256.New()}
	if d.size, err = io.Copy(io.MultiWriter(file, d.sum), content); err == nil {
		err = d.Seal()
	}
	if err != nil {
		d.Discard()
		return nil, err
	}
	return d, nil
}

// freeName finds the name that a file gets; known tells that this very file is
// there already.
func freeName(ctx context.Context, tx *sql.Tx, id string, f File) (_ File, known bool, err error) {
	ext := path.Ext(f.Name)
	stem := strings.TrimSuffix(f.Name, ext)
	for n := 2; ; n++ {
		other, err := readFile(ctx, tx, id, f.Name)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return f, false, nil
		case err != nil:
			return f, false, err
		case other.SHA256 == f.SHA256 && other.Kind == f.Kind:
			return other, true, nil
		}
		f.Name = fmt.Sprintf("%s-%d%s", stem, n, ext)
	}
}

func addFile(ctx context.Context, tx *sql.Tx, id string, f File) error {
	_, err := tx.ExecContext(ctx, "INSERT INTO files (job, name, kind, at, size, sha256) VALUES (?, ?, ?, ?, ?, ?)",
		id, f.Name, f.Kind, stamp(f.At), f.Size, f.SHA256)
	return err
}

func readFile(ctx context.Context, q asker, id, name string) (f File, err error) {
	return f, q.QueryRowContext(ctx, "SELECT name, kind, at, size, sha256 FROM files WHERE job = ? AND name = ?", id, name).
		Scan(&f.Name, &f.Kind, moment{&f.At}, &f.Size, &f.SHA256)
}

// Files lists the files of a job, oldest first.
func (s *Store) Files(ctx context.Context, id string) ([]File, error) {
	fs, err := readFiles(ctx, s.r, id)
	return fs, fault(s.path, "the files of the job cannot be listed", err)
}

func readFiles(ctx context.Context, q asker, id string) ([]File, error) {
	if _, err := readNames(ctx, q, id); err != nil {
		return nil, err
	}
	return list(ctx, q, func(rows *sql.Rows) (f File, err error) {
		return f, rows.Scan(&f.Name, &f.Kind, moment{&f.At}, &f.Size, &f.SHA256)
	}, "SELECT name, kind, at, size, sha256 FROM files WHERE job = ? ORDER BY rowid", id)
}

// OpenFile opens a file of a job to be read. A file that is gone or has another
// length is refused with a sentence; Check also compares the contents.
func (s *Store) OpenFile(ctx context.Context, id, name string) (*os.File, File, error) {
	f, err := readFile(ctx, s.r, id, name)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, File{}, fmt.Errorf("the job %q has no file %q: look at its list of files", id, name)
	}
	if err != nil {
		return nil, File{}, fault(s.path, "the file cannot be opened", err)
	}
	content, err := os.Open(filepath.Join(s.filesOf(id), f.stored()))
	if err != nil {
		return nil, f, fmt.Errorf("the %s %q of job %q is not beside the database any more (%w): put it back from a copy", f.Kind, name, id, err)
	}
	info, err := content.Stat()
	if err == nil && info.Size() != f.Size {
		err = fmt.Errorf("it has %d bytes, and %d were saved", info.Size(), f.Size)
	}
	if err != nil {
		content.Close()
		return nil, f, fmt.Errorf("the %s %q of job %q was altered (%w): put it back from a copy", f.Kind, name, id, err)
	}
	return content, f, nil
}

// compare reads a whole file and tells whether it is what was saved.
func (f File) compare(r io.Reader) error {
	h := sha256.New()
	if _, err := io.Copy(h, r); err != nil {
		return err
	}
	if hex.EncodeToString(h.Sum(nil)) != f.SHA256 {
		return fmt.Errorf("the %s %q is not what was saved, its hash differs: put it back from a copy", f.Kind, f.Name)
	}
	return nil
}

// maxFileName bounds a file's name in bytes.
const maxFileName = 120

// plainName keeps of a name what every system takes: letters and digits of any
// script, and . - _ within it.
func plainName(name string) string {
	name = name[strings.LastIndexAny(name, `/\`)+1:]
	name = strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune("._-", r) {
			return r
		}
		return '_'
	}, strings.ToValidUTF8(name, "_"))
	name = strings.Trim(name, ".")
	if over := len(name) - maxFileName; over > 0 {
		ext := path.Ext(name)
		if len(ext) > 12 {
			ext = ""
		}
		name = strings.ToValidUTF8(name[:maxFileName-len(ext)], "") + ext
	}
	if name == "" {
		return "file"
	}
	return name
}
