package store

import (
	"bytes"
	"database/sql"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/job"
)

// TestBadFiles: a file that cannot be a job database is refused with one
// sentence and left as it is.
func TestBadFiles(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good.db")
	s := open(t, good)
	fill(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole := must(os.ReadFile(good))
	holed := bytes.Clone(whole)
	for i := len(holed) / 2; i < len(holed)/2+4096; i++ {
		holed[i] = 0xaa
	}
	foreign := filepath.Join(dir, "foreign.db")
	execute(t, foreign, "CREATE TABLE t (x); INSERT INTO t VALUES (1)")
	owned := filepath.Join(dir, "owned.db")
	execute(t, owned, "PRAGMA application_id = 77")
	newer := filepath.Join(dir, "newer.db")
	os.WriteFile(newer, whole, 0o644)
	execute(t, newer, "PRAGMA user_version = 99")
	for _, c := range []struct {
		name    string
		content []byte
		want    string
	}{
		{"text", []byte(strings.Repeat("no database\n", 100)), "no job database"},
		{"foreign", must(os.ReadFile(foreign)), "another program"},
		{"owned", must(os.ReadFile(owned)), "another program"},
		{"newer", must(os.ReadFile(newer)), "later version"},
		{"holed", holed, "damaged"},
		{"cut off", whole[:len(whole)/2], "damaged"},
	} {
		path := filepath.Join(dir, c.name)
		os.WriteFile(path, c.content, 0o644)
		for _, with := range []func(string) (*Store, error){Open, OpenToRead} {
			_, err := with(path)
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), path) {
				t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
			}
		}
		if now := must(os.ReadFile(path)); !bytes.Equal(now, c.content) {
			t.Errorf("%s: the file was changed", c.name)
		}
	}
	for _, with := range []func(string) (*Store, error){Open, OpenToRead} {
		if _, err := with(dir); err == nil || !strings.Contains(err.Error(), "no file") {
			t.Errorf("a folder: %v", err)
		}
		if _, err := with(filepath.Join(good, "x")); err == nil {
			t.Error("a path through a file was opened")
		}
	}
	if _, err := OpenToRead(filepath.Join(dir, "none")); err == nil {
		t.Error("a file that is not there was opened")
	}
}

func execute(t *testing.T, path, script string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(script); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestFull: an event for which there is no room is refused with a sentence, the
// job stays as it was and goes on when there is room again.
func TestFull(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	id := create(t, s, "a")
	j, err := job.New(s.Job(id))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	note := func() error {
		_, err := j.Append(ctx, job.Event{At: t0, Kind: job.KindNoted, Note: strings.Repeat("n", 3000)})
		return err
	}
	if err := note(); err != nil {
		t.Fatal(err)
	}
	var pages int
	if err := s.w.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit(t, s, pages)
	for range 2 {
		if err := note(); err == nil || !strings.Contains(err.Error(), "not saved") || !strings.Contains(err.Error(), "full") {
			t.Fatalf("error %v", err)
		}
	}
	if n := j.State().Events; n != 1 {
		t.Errorf("%d events in the state", n)
	}
	limit(t, s, pages+100)
	if err := note(); err != nil {
		t.Fatal(err)
	}
	if there, err := s.Events(ctx, id); err != nil || len(there) != 2 {
		t.Errorf("%d events, %v", len(there), err)
	}
	clean(t, s)
}

func limit(t *testing.T, s *Store, pages int) {
	t.Helper()
	var now int
	if err := s.w.QueryRow("PRAGMA max_page_count = " + strconv.Itoa(pages)).Scan(&now); err != nil || now != pages {
		t.Fatal(now, err)
	}
}

// TestBusy: while a foreign program holds the database nothing is lost and the
// sentence says so; afterwards the event goes in.
func TestBusy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	s := open(t, path)
	id := create(t, s, "a")
	if _, err := s.w.Exec("PRAGMA busy_timeout = 1"); err != nil { // the test need not wait as people do
		t.Fatal(err)
	}
	l := s.Job(id)
	if _, _, err := l.Load(); err != nil {
		t.Fatal(err)
	}
	other, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Append(noted(1)); err == nil || !strings.Contains(err.Error(), "another program holds") {
		t.Errorf("error %v", err)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	if err := l.Append(noted(1)); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Append(noted(2)); err == nil || !strings.Contains(err.Error(), "is closed") {
		t.Errorf("after the end: %v", err)
	}
}

// TestOneWrites: a second daemon is refused, in this process and in another;
// who looks is not, and may not write.
func TestOneWrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	s := open(t, path)
	id := create(t, s, "a")
	tell(t, s, id, story(t))
	if _, err := Open(path); !errors.Is(err, ErrInUse) {
		t.Errorf("a second writer: %v", err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	if out, err := cmd.CombinedOutput(); err == nil || !strings.Contains(string(out), ErrInUse.Error()) {
		t.Errorf("another process: %v, %s", err, out)
	}
	r, err := OpenToRead(path)
	if err != nil {
		t.Fatal(err)
	}
	if all, err := r.Jobs(ctx); err != nil || len(all) != 1 || all[0].Events != 32 {
		t.Errorf("who looks sees %+v, %v", all, err)
	}
	if _, err := job.New(r.Job(id)); err == nil {
		t.Error("who looks can go on with a job")
	}
	for _, err := range []error{
		r.Rename(ctx, id, "b", t0),
		r.SaveCoefficients(ctx, found(id)),
		second(r.Create(ctx, NewJob{Name: "b", At: t0})),
		second(r.AddFile(ctx, id, File{Name: "x", Kind: KindTake}, strings.NewReader("x"))),
	} {
		if err == nil || !strings.Contains(err.Error(), "only to be read") {
			t.Errorf("who looks has saved: %v", err)
		}
	}
	if err := errors.Join(r.Close(), s.Close()); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(path); err != nil {
		t.Fatalf("after the first has closed: %v", err)
	}
	s.Close()
}

func second[T any](_ T, err error) error { return err }

// TestRottenEvent: an event that was altered behind the program's back is not
// believed, and does not hide the other jobs.
func TestRottenEvent(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	s := open(t, path)
	bad, good := create(t, s, "bad"), create(t, s, "good")
	tell(t, s, bad, story(t))
	tell(t, s, good, story(t))
	s.Close()
	execute(t, path, "DROP TRIGGER events_stay; UPDATE events SET line = replace(line, '90', '91') WHERE job = '"+bad+"' AND n = 2")
	s = open(t, path)
	if _, err := job.New(s.Job(bad)); err == nil || !strings.Contains(err.Error(), "event 2") {
		t.Errorf("error %v", err)
	}
	if _, err := s.Event(ctx, bad, 2); err == nil {
		t.Error("a rotten event was given out")
	}
	all, err := s.Jobs(ctx)
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	for _, m := range all {
		if (m.Damage != "") != (m.ID == bad) {
			t.Errorf("summary %+v", m)
		}
	}
	if j, err := job.New(s.Job(good)); err != nil {
		t.Error(err)
	} else {
		j.Close()
	}
}
