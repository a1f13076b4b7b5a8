package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"counterpoise/internal/job"
)

// Imported is what an import has done.
type Imported struct {
	ID      string
	New     int      // events that were not there before
	Missing []string // files that are named but were found nowhere; the job is whole without them
}

// maxImport bounds an exported file in bytes.
const maxImport = 1 << 30

// Import takes in an exported job under its own id. files holds what the
// document names but does not contain; nil where there is none. A job that is
// here already is only added to: where its events contradict the document
// nothing is taken, and where the document has less nothing is lost. Importing
// again brings in files that were missing.
func (s *Store) Import(ctx context.Context, r io.Reader, files fs.FS) (Imported, error) {
	const cannot = "the job was not imported"
	x, err := readExport(r)
	if err != nil {
		return Imported{}, fmt.Errorf("%s: %w", cannot, err)
	}
	if err := s.free(x.ID); err != nil {
		return Imported{}, fmt.Errorf("%s: %w", cannot, err)
	}
	done := Imported{ID: x.ID}
	err = s.write(ctx, cannot, func(tx *sql.Tx) error {
		done.New, err = x.merge(ctx, tx)
		return err
	})
	if err != nil {
		return Imported{}, err
	}
	for _, f := range x.Files {
		text, err := s.importFile(ctx, x.ID, f, files)
		if err != nil {
			return done, fmt.Errorf("the events of the job were imported, the file %q was not: %w", f.Name, err)
		}
		if text != "" {
			done.Missing = append(done.Missing, text)
		}
	}
	return done, nil
}

// ImportFile imports a file that ExportFile wrote, with the folder beside it.
func (s *Store) ImportFile(ctx context.Context, path string) (Imported, error) {
	f, err := os.Open(path)
	if err != nil {
		return Imported{}, fmt.Errorf("the job was not imported: %w", err)
	}
	defer f.Close()
	return s.Import(ctx, f, os.DirFS(beside(path)))
}

// free tells whether no log would miss events that come from outside.
func (s *Store) free(id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.open[id] {
		return fmt.Errorf("the job %q is being worked on here: close it, then import", id)
	}
	return nil
}

// readExport reads and checks a document.
func readExport(r io.Reader) (x exported, err error) {
	b, err := io.ReadAll(io.LimitReader(r, maxImport+1))
	if err != nil {
		return x, err
	}
	if len(b) > maxImport {
		return x, fmt.Errorf("the file is larger than %d MB, which no exported job is", maxImport>>20)
	}
	var head struct {
		Version int `json:"counterpoise_job"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return x, fmt.Errorf("the file is no JSON, or was cut off (%w): export the job again", err)
	}
	switch {
	case head.Version == 0:
		return x, errors.New("the file is no exported job: it says no \"counterpoise_job\"")
	case head.Version < 0 || head.Version > exportVersion:
		return x, fmt.Errorf("the file was exported by a later version of counterpoise (form %d, this one reads up to %d): use that version", head.Version, exportVersion)
	}
	if err := json.Unmarshal(b, &x); err != nil {
		return x, fmt.Errorf("the file was altered (%w): export the job again", err)
	}
	return x, x.check()
}

// check refuses what could not have been exported. It also takes out white
// space that an editor may have put into the events, which the checksums do not
// know.
func (x *exported) check() error {
	if x.ID == "" || len(x.ID) > 40 || plainName(x.ID) != x.ID || len(x.Names) == 0 {
		return errors.New("the file has no job id or no name: export the job again")
	}
	var events []job.Event
	for i := range x.Events {
		if err := compact(&x.Events[i]); err != nil {
			return err
		}
		e, err := job.DecodeEvent(x.Events[i])
		if err == nil && e.Number != i+1 {
			err = fmt.Errorf("it is numbered %d", e.Number)
		}
		if err != nil {
			return fmt.Errorf("event %d of the file cannot be used (%w): export the job again", i+1, err)
		}
		events = append(events, e)
	}
	if _, err := state(events); err != nil {
		return err
	}
	for i := range x.Coefficients {
		var c Coefficients
		err := json.Unmarshal(x.Coefficients[i], &c)
		if err == nil {
			err = c.check()
		}
		if err != nil || c.Job != x.ID {
			return fmt.Errorf("coefficients %d of the file cannot be used (%w): export the job again", i+1, errors.Join(err, errors.New("or they are not of this job")))
		}
		if err := compact(&x.Coefficients[i]); err != nil {
			return err
		}
	}
	return x.checkFiles()
}

func (x *exported) checkFiles() error {
	for _, f := range x.Files {
		sum, err := hex.DecodeString(f.SHA256)
		if err != nil || len(sum) != 32 || plainName(f.Name) != f.Name {
			return fmt.Errorf("the file names %q with a wrong name or hash: export the job again", f.Name)
		}
		if f.Content == nil {
			continue
		}
		if err := f.compare(bytes.NewReader(f.Content)); err != nil {
			return fmt.Errorf("the content of %q in the file is damaged: export the job again", f.Name)
		}
	}
	return nil
}

func compact(m *json.RawMessage) error {
	var b bytes.Buffer
	err := json.Compact(&b, *m)
	*m = b.Bytes()
	return err
}

// merge adds what is not here yet and returns the number of new events.
func (x *exported) merge(ctx context.Context, tx *sql.Tx) (added int, err error) {
	names, err := readNames(ctx, tx, x.ID)
	if errors.Is(err, ErrNoJob) {
		names, err = nil, addJob(ctx, tx, x.ID, x.Station, x.Opened)
	}
	if err != nil {
		return 0, err
	}
	for i := len(names); i < len(x.Names); i++ {
		if err := addName(ctx, tx, x.ID, i+1, x.Names[i]); err != nil {
			return 0, err
		}
	}
	here, err := readLines(ctx, tx, x.ID)
	if err != nil {
		return 0, err
	}
	for i, line := range x.Events {
		if i < len(here) {
			if here[i] != string(line) {
				return 0, hint{fmt.Errorf("the job %q is here already and went another way from event %d on; both stay as they are: keep the exported file as it is", x.ID, i+1)}
			}
			continue
		}
		if err := addEvent(ctx, tx, x.ID, i+1, line); err != nil {
			return 0, err
		}
		added++
	}
	if err := x.mergeFiles(ctx, tx); err != nil {
		return 0, err
	}
	return added, x.mergeCoefficients(ctx, tx)
}

// mergeFiles names the files; their content follows.
func (x *exported) mergeFiles(ctx context.Context, tx *sql.Tx) error {
	for _, f := range x.Files {
		here, err := readFile(ctx, tx, x.ID, f.Name)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			err = addFile(ctx, tx, x.ID, f.File)
		case err == nil && here.SHA256 != f.SHA256:
			err = hint{fmt.Errorf("the job %q is here already with another file %q; both stay as they are: keep the exported file as it is", x.ID, f.Name)}
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (x *exported) mergeCoefficients(ctx context.Context, tx *sql.Tx) error {
	here, err := texts(ctx, tx, "SELECT body FROM coefficients WHERE job = ? ORDER BY id", x.ID)
	if err != nil {
		return err
	}
	for _, body := range x.Coefficients {
		if slices.Contains(here, string(body)) {
			continue
		}
		var c Coefficients
		if err := json.Unmarshal(body, &c); err != nil {
			return err
		}
		if err := addCoefficients(ctx, tx, c, body); err != nil {
			return err
		}
	}
	return nil
}

// importFile puts the content of one file in its place; text says that it was
// not to be found.
func (s *Store) importFile(ctx context.Context, id string, f exportedFile, files fs.FS) (text string, err error) {
	if old, _, err := s.OpenFile(ctx, id, f.Name); err == nil {
		return "", old.Close()
	}
	var content io.Reader = bytes.NewReader(f.Content)
	if f.Content == nil && f.Size > 0 {
		missing := fmt.Sprintf("the %s %q (%d bytes) was not beside the exported file: put it into the folder beside it, then import again", f.Kind, f.Name, f.Size)
		if files == nil {
			return missing, nil
		}
		from, err := files.Open(f.Name)
		if errors.Is(err, fs.ErrNotExist) {
			return missing, nil
		}
		if err != nil {
			return "", err
		}
		defer from.Close()
		content = from
	}
	d, err := s.draft(id, content)
	if err != nil {
		return "", fault(s.path, "the file was not saved", err)
	}
	defer d.Discard()
	if hex.EncodeToString(d.sum.Sum(nil)) != f.SHA256 {
		return fmt.Sprintf("the %s %q beside the exported file is not the one that was exported, its hash differs: put the right one there, then import again", f.Kind, f.Name), nil
	}
	return "", fault(s.path, "the file was not saved", d.Keep(filepath.Join(s.filesOf(id), f.stored())))
}
