package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"counterpoise/internal/durable"
)

// exportVersion is the version of the exported file; EXPORT.md describes it.
const exportVersion = 1

// exported is the whole of an exported job.
type exported struct {
	Version      int               `json:"counterpoise_job"`
	At           time.Time         `json:"exported"`
	ID           string            `json:"id"`
	Station      string            `json:"station"`
	Opened       time.Time         `json:"opened"`
	Names        []Name            `json:"names"`
	Events       []json.RawMessage `json:"events"`
	Files        []exportedFile    `json:"files"`
	Coefficients []json.RawMessage `json:"coefficients"`
}

// exportedFile holds its content, or none where the content lies beside.
type exportedFile struct {
	File
	Content []byte `json:"content,omitempty"` // base64
}

// inside tells whether the content goes into the exported file. Takes may be
// large and stay files of their own, in their open format.
func (f File) inside() bool { return f.Kind != KindTake && f.Size <= maxInside }

const maxInside = 16 << 20 // bytes

// Export writes a job as one JSON document of one moment. Takes are named in it
// with size and hash; ExportFile also copies them. missing has a sentence for
// each file that is not as it was saved and is only named.
func (s *Store) Export(ctx context.Context, id string, w io.Writer, at time.Time) (missing []string, err error) {
	const cannot = "the job was not exported"
	x, err := s.gather(ctx, id)
	if err != nil {
		return nil, fault(s.path, cannot, err)
	}
	x.Version, x.At = exportVersion, at
	for i := range x.Files {
		if f := &x.Files[i]; f.inside() {
			if f.Content, err = s.content(ctx, id, f.File); err != nil {
				f.Content, missing = nil, append(missing, err.Error())
			}
		}
	}
	if err := x.write(w); err != nil {
		return nil, fmt.Errorf("%s (%w): free some space or choose another place, then export again", cannot, err)
	}
	return missing, nil
}

// gather reads all rows of a job as they stand at one moment.
func (s *Store) gather(ctx context.Context, id string) (x exported, err error) {
	tx, err := s.r.BeginTx(ctx, nil)
	if err != nil {
		return x, err
	}
	defer tx.Rollback()
	x.ID = id
	if x.Names, err = readNames(ctx, tx, id); err != nil {
		return x, err
	}
	if err := tx.QueryRowContext(ctx, "SELECT station, opened FROM jobs WHERE id = ?", id).Scan(&x.Station, moment{&x.Opened}); err != nil {
		return x, err
	}
	lines, err := readLines(ctx, tx, id)
	if err != nil {
		return x, err
	}
	if _, err := s.decode(id, lines); err != nil {
		return x, hint{err}
	}
	x.Events = raw(lines)
	files, err := readFiles(ctx, tx, id)
	if err != nil {
		return x, err
	}
	for _, f := range files {
		x.Files = append(x.Files, exportedFile{File: f})
	}
	bodies, err := texts(ctx, tx, "SELECT body FROM coefficients WHERE job = ? ORDER BY id", id)
	x.Coefficients = raw(bodies)
	return x, err
}

func raw(texts []string) []json.RawMessage {
	out := make([]json.RawMessage, len(texts))
	for i, t := range texts {
		out[i] = json.RawMessage(t)
	}
	return out
}

// content reads a file that goes inside, and makes sure that it is what was saved.
func (s *Store) content(ctx context.Context, id string, f File) ([]byte, error) {
	file, _, err := s.OpenFile(ctx, id, f.Name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	b, err := io.ReadAll(file)
	if err != nil {
		return nil, err
	}
	return b, f.compare(bytes.NewReader(b))
}

// write lays the document out with one event, file or set of coefficients a
// line, so that two exports can be compared by eye.
func (x exported) write(w io.Writer) error {
	lines := [3][]json.RawMessage{x.Events, nil, x.Coefficients}
	for _, f := range x.Files {
		b, err := json.Marshal(f)
		if err != nil {
			return err
		}
		lines[1] = append(lines[1], b)
	}
	x.Events, x.Files, x.Coefficients = nil, nil, nil
	head, err := json.MarshalIndent(x, "", " ")
	if err != nil {
		return err
	}
	out := strings.TrimSuffix(string(head), "\n}")
	for i, key := range []string{"events", "files", "coefficients"} {
		list := "[]"
		if len(lines[i]) > 0 {
			list = "[\n  " + string(bytes.Join(asBytes(lines[i]), []byte(",\n  "))) + "\n ]"
		}
		out = strings.Replace(out, fmt.Sprintf("%q: null", key), fmt.Sprintf("%q: %s", key, list), 1)
	}
	_, err = io.WriteString(w, out+"\n}\n")
	return err
}

func asBytes(ms []json.RawMessage) [][]byte {
	out := make([][]byte, len(ms))
	for i, m := range ms {
		out[i] = m
	}
	return out
}

// beside is the folder for what an exported file does not hold.
func beside(path string) string { return strings.TrimSuffix(path, ".json") + ".files" }

// ExportFile exports a job into a file, which appears whole or not at all, and
// copies what it does not hold into a folder beside, NAME.files for NAME.json.
func (s *Store) ExportFile(ctx context.Context, id, path string, at time.Time) (missing []string, err error) {
	const cannot = "the job was not exported"
	files, err := s.Files(ctx, id)
	if err != nil {
		return nil, err
	}
	var lost []string
	for _, f := range files {
		if f.inside() {
			continue
		}
		if err := s.copyOut(ctx, id, f, beside(path)); err != nil {
			lost = append(lost, err.Error())
		}
	}
	d, err := durable.NewDraft(filepath.Dir(path))
	if err != nil {
		return nil, fault(path, cannot, err)
	}
	defer d.Discard()
	if missing, err = s.Export(ctx, id, d, at); err != nil {
		return nil, err
	}
	if err := d.Seal(); err != nil {
		return nil, fault(path, cannot, err)
	}
	return append(missing, lost...), fault(path, cannot, d.Keep(path))
}

func (s *Store) copyOut(ctx context.Context, id string, f File, dir string) error {
	from, _, err := s.OpenFile(ctx, id, f.Name)
	if err != nil {
		return err
	}
	defer from.Close()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	d, err := durable.NewDraft(dir)
	if err != nil {
		return err
	}
	defer d.Discard()
	if err := f.compare(io.TeeReader(from, d)); err != nil {
		return err
	}
	if err := d.Seal(); err != nil {
		return err
	}
	return d.Keep(filepath.Join(dir, f.Name))
}
