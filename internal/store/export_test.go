package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"
)

// exportAll exports a filled job into a folder and returns the document.
func exportAll(t testing.TB, dir string) (s *Store, id, path string, doc []byte) {
	t.Helper()
	s = open(t, filepath.Join(dir, "a.db"))
	id = fill(t, s)
	if err := s.Rename(ctx, id, "fan <3> & \"x\"", t0.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(dir, "out", "fan.json")
	os.Mkdir(filepath.Dir(path), 0o755)
	if missing, err := s.ExportFile(ctx, id, path, t0); err != nil || len(missing) > 0 {
		t.Fatal(missing, err)
	}
	return s, id, path, must(os.ReadFile(path))
}

// TestRoundTrip: exported, imported elsewhere and exported again, a job is the
// same to the byte, its take included.
func TestRoundTrip(t *testing.T) {
	dir := t.TempDir()
	_, id, path, doc := exportAll(t, dir)
	if bytes.Contains(doc, []byte("content of run")) || !bytes.Contains(doc, []byte(`"run_1.take"`)) {
		t.Error("the take belongs beside the document, and its name into it")
	}
	b := open(t, filepath.Join(dir, "b.db"))
	done, err := b.ImportFile(ctx, path)
	if err != nil || done.ID != id || done.New != 32 || len(done.Missing) != 0 {
		t.Fatalf("%+v %v", done, err)
	}
	clean(t, b)
	var again bytes.Buffer
	if _, err := b.Export(ctx, id, &again, t0); err != nil || !bytes.Equal(again.Bytes(), doc) {
		t.Errorf("the second export differs (%v):\n%s\n---\n%s", err, doc, again.Bytes())
	}
	events, err := b.Events(ctx, id)
	if err != nil || !reflect.DeepEqual(events, story(t)) {
		t.Errorf("the events differ (%v)", err)
	}
	if cs, err := b.Coefficients(ctx, print0()); err != nil || len(cs) != 1 || !sameCoefficients(cs[0], found(id)) {
		t.Errorf("coefficients %+v %v", cs, err)
	}
	// Once more changes nothing; events added here are not lost to an older document.
	more := story(t)[30]
	tell(t, b, id, append(story(t)[:0:0], more))
	if done, err := b.ImportFile(ctx, path); err != nil || done.New != 0 {
		t.Errorf("imported twice: %+v %v", done, err)
	}
	if events, _ := b.Events(ctx, id); len(events) != 33 {
		t.Errorf("%d events after importing an older document", len(events))
	}
	// White space of an editor does no harm.
	var pretty bytes.Buffer
	if err := json.Indent(&pretty, doc, "", "\t"); err != nil {
		t.Fatal(err)
	}
	c := open(t, filepath.Join(dir, "c.db"))
	if _, err := c.Import(ctx, &pretty, os.DirFS(beside(path))); err != nil {
		t.Error(err)
	}
	again.Reset()
	if _, err := c.Export(ctx, id, &again, t0); err != nil || !bytes.Equal(again.Bytes(), doc) {
		t.Errorf("exported after an editor, the job differs (%v)", err)
	}
}

// TestMissingTake: a job without its take is whole, says so, and takes it later.
func TestMissingTake(t *testing.T) {
	dir := t.TempDir()
	_, id, path, doc := exportAll(t, dir)
	b := open(t, filepath.Join(dir, "b.db"))
	done, err := b.Import(ctx, bytes.NewReader(doc), nil)
	if err != nil || len(done.Missing) != 1 || !strings.Contains(done.Missing[0], "run_1.take") {
		t.Fatalf("%+v %v", done, err)
	}
	if _, _, err := b.OpenFile(ctx, id, "run_1.take"); err == nil {
		t.Error("a file that is not there was opened")
	}
	take := filepath.Join(beside(path), "run_1.take")
	right := must(os.ReadFile(take))
	os.WriteFile(take, append([]byte("x"), right[1:]...), 0o644)
	if done, err := b.ImportFile(ctx, path); err != nil || len(done.Missing) != 1 || !strings.Contains(done.Missing[0], "hash") {
		t.Errorf("a wrong take: %+v %v", done, err)
	}
	os.WriteFile(take, right, 0o644)
	if done, err := b.ImportFile(ctx, path); err != nil || len(done.Missing) != 0 {
		t.Errorf("the right take: %+v %v", done, err)
	}
	clean(t, b)
}

// TestLostPhotograph: a lost file does not keep a job from being exported.
func TestLostPhotograph(t *testing.T) {
	dir := t.TempDir()
	s, id, _, _ := exportAll(t, dir)
	if err := os.RemoveAll(s.filesOf(id)); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "again.json")
	missing, err := s.ExportFile(ctx, id, path, t0)
	if err != nil || len(missing) != 3 {
		t.Fatalf("%q %v", missing, err)
	}
	b := open(t, filepath.Join(dir, "b.db"))
	if done, err := b.ImportFile(ctx, path); err != nil || done.New != 32 || len(done.Missing) != 2 { // the empty one needs no content
		t.Errorf("%+v %v", done, err)
	}
}

// TestImportRefused: what is not a whole exported job changes nothing.
func TestImportRefused(t *testing.T) {
	dir := t.TempDir()
	_, id, _, doc := exportAll(t, dir)
	b := open(t, filepath.Join(dir, "b.db"))
	swap := func(old, new string) []byte {
		if !bytes.Contains(doc, []byte(old)) {
			t.Fatalf("the document has no %s", old)
		}
		return bytes.Replace(doc, []byte(old), []byte(new), 1)
	}
	for _, c := range []struct {
		name string
		doc  []byte
		want string
	}{
		{"newer", swap(`"counterpoise_job": 1`, `"counterpoise_job": 2`), "later version"},
		{"another", []byte(`{"schema": 1}`), "no exported job"},
		{"cut off", doc[:len(doc)/2], "cut off"},
		{"empty", nil, "cut off"},
		{"figure", swap(`"Mass":90`, `"Mass":91`), "event 2"},
		{"newer event", swap(`{"schema":1,`, `{"schema":9,`), "later version"},
		{"gap", regexp.MustCompile(`(?m)^  \{"schema":1.*"n":3,.*\n`).ReplaceAll(doc, nil), "event 3"},
		{"content", swap(`"content":"Y`, `"content":"Z`), "damaged"},
		{"hash", swap(`"sha256":"`, `"sha256":"0`), "hash"},
		{"path", swap(`"name":"run_1.take"`, `"name":"../run_1.take"`), "wrong name"},
		{"id", swap(`"id": "`+id, `"id": "../x`), "job id"},
		{"coefficients", swap(`"influence":[[[0.1`, `"influence":[[["a"`), "coefficients 1"},
		{"other job", swap(`{"job":"`+id, `{"job":"other`), "coefficients 1"},
	} {
		if bytes.Equal(c.doc, doc) {
			t.Errorf("%s: the document is unchanged", c.name)
		}
		_, err := b.Import(ctx, bytes.NewReader(c.doc), nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	if all, err := b.Jobs(ctx); err != nil || len(all) != 0 {
		t.Errorf("refused imports left %d jobs (%v)", len(all), err)
	}
	// A job that went another way here stays as it is.
	if _, err := b.Import(ctx, bytes.NewReader(doc), nil); err != nil {
		t.Fatal(err)
	}
	tell(t, b, id, story(t)[30:31])
	var theirs bytes.Buffer
	if _, err := b.Export(ctx, id, &theirs, t0); err != nil {
		t.Fatal(err)
	}
	a := open(t, filepath.Join(dir, "c.db"))
	if _, err := a.Import(ctx, bytes.NewReader(doc), nil); err != nil {
		t.Fatal(err)
	}
	tell(t, a, id, story(t)[29:30])
	if _, err := a.Import(ctx, &theirs, nil); err == nil || !strings.Contains(err.Error(), "another way from event 33") {
		t.Errorf("two ways: %v", err)
	}
	l := a.Job(id)
	defer l.Close()
	if _, _, err := l.Load(); err != nil {
		t.Fatal(err)
	}
	if _, err := a.Import(ctx, bytes.NewReader(doc), nil); err == nil || !strings.Contains(err.Error(), "worked on here") {
		t.Errorf("into an open job: %v", err)
	}
	if _, err := a.Export(ctx, "nothing", &theirs, t0); !errors.Is(err, ErrNoJob) {
		t.Errorf("export of no job: %v", err)
	}
}

// FuzzImport: whatever stands in a document, reading it never panics, and what
// is accepted is the same after being written and read again.
func FuzzImport(f *testing.F) {
	_, _, _, doc := exportAll(f, f.TempDir())
	f.Add(doc)
	f.Add([]byte(`{"counterpoise_job":1,"id":"a","names":[{"at":"2026-03-01T08:00:00Z","name":"x"}]}`))
	f.Add([]byte(`{"counterpoise_job":1,"id":"a","names":[{}],"events":[null],"files":[{"sha256":"00"}],"coefficients":[null]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		x, err := readExport(bytes.NewReader(b))
		if err != nil {
			return
		}
		var out bytes.Buffer
		if err := x.write(&out); err != nil {
			return // a time that RFC 3339 cannot write
		}
		y, err := readExport(&out)
		if err != nil || len(y.Events) != len(x.Events) || len(y.Files) != len(x.Files) || y.ID != x.ID {
			t.Fatalf("written and read again: %v", err)
		}
	})
}

// TestExportDocument: every key of an exported job stands in EXPORT.md.
func TestExportDocument(t *testing.T) {
	_, _, _, doc := exportAll(t, t.TempDir())
	text := string(must(os.ReadFile("EXPORT.md")))
	var keys []string
	var top map[string]json.RawMessage
	if err := json.Unmarshal(doc, &top); err != nil {
		t.Fatal(err)
	}
	for k, v := range top {
		keys = append(keys, k)
		var entries []map[string]json.RawMessage
		if json.Unmarshal(v, &entries) == nil {
			for _, e := range entries {
				for k := range e {
					keys = append(keys, k)
				}
			}
		}
	}
	if len(keys) < 20 {
		t.Fatalf("only the keys %v were found", keys)
	}
	for _, k := range keys {
		if !strings.Contains(text, "`"+k+"`") {
			t.Errorf("EXPORT.md does not explain %q", k)
		}
	}
}
