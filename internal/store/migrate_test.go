package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/fstest"
)

// TestReleasedSchemas opens one database of every released schema and finds all
// of its job. The files are never written anew: a new schema adds one, with
// COUNTERPOISE_WRITE_SCHEMA=1.
func TestReleasedSchemas(t *testing.T) {
	for v := 1; v <= len(migrations); v++ {
		kept := fmt.Sprintf("testdata/schema/v%d.db", v)
		if _, err := os.Stat(kept); os.IsNotExist(err) && v == len(migrations) && os.Getenv("COUNTERPOISE_WRITE_SCHEMA") != "" {
			s := open(t, kept)
			fill(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			os.Remove(kept + ".lock")
		}
		path := filepath.Join(t.TempDir(), "jobs.db")
		os.WriteFile(path, must(os.ReadFile(kept)), 0o644)
		if err := os.CopyFS(path+".files", os.DirFS(kept+".files")); err != nil {
			t.Fatal(err)
		}
		s := open(t, path)
		clean(t, s)
		all, err := s.Jobs(ctx)
		if err != nil || len(all) != 1 || all[0].Name != "fan 3" || all[0].Station != "bench" || !all[0].Opened.Equal(t0) || all[0].Events != 32 || all[0].Closed.IsZero() {
			t.Fatalf("schema %d: %+v %v", v, all, err)
		}
		id := all[0].ID
		if events, err := s.Events(ctx, id); err != nil || !reflect.DeepEqual(events, story(t)) {
			t.Errorf("schema %d: the events differ (%v)", v, err)
		}
		if cs, err := s.Coefficients(ctx, print0()); err != nil || len(cs) != 1 || !sameCoefficients(cs[0], found(id)) {
			t.Errorf("schema %d: coefficients %+v, %v", v, cs, err)
		}
		if fs, err := s.Files(ctx, id); err != nil || len(fs) != 3 || fs[0].Name != "mark.jpg" {
			t.Errorf("schema %d: files %+v, %v", v, fs, err)
		}
	}
}

// TestMigrate: steps are taken one by one, each wholly or not at all, after a
// copy; a broken step leaves the database as it was.
func TestMigrate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	s := open(t, path)
	id := fill(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	good := append(migrations[:1:1], "ALTER TABLE jobs ADD COLUMN place TEXT; CREATE TABLE more (x) STRICT")
	good[1] = strings.Replace(good[1], "(x)", "(x TEXT)", 1)
	broken := append(good[:2:2], "CREATE TABLE third (x TEXT); INSERT INTO nowhere VALUES (1)")
	db, err := connect(path, writing, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := migrate(db, path, 1, broken); err == nil || !strings.Contains(err.Error(), "schema 3") {
		t.Errorf("a broken step: %v", err)
	}
	ask := func(db *sql.DB, q string) (n int) {
		t.Helper()
		if err := db.QueryRow(q).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if v := ask(db, "PRAGMA user_version"); v != 2 {
		t.Errorf("version %d after two good steps of three", v)
	}
	if n := ask(db, "SELECT count(*) FROM sqlite_schema WHERE name IN ('more', 'third')"); n != 1 {
		t.Errorf("%d of the new tables, want only the good step's", n)
	}
	if n := ask(db, "SELECT count(*) FROM events"); n != 32 {
		t.Errorf("%d events", n)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	// The copy is a whole database of the old schema.
	os.Rename(path+".files", path+".schema-1.files")
	old := open(t, path+".schema-1")
	clean(t, old)
	if events, err := old.Events(ctx, id); err != nil || len(events) != 32 {
		t.Errorf("the copy holds %d events, %v", len(events), err)
	}
	// This version knows one schema and leaves the newer file alone.
	was := must(os.ReadFile(path))
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "later version") || !bytes.Equal(was, must(os.ReadFile(path))) {
		t.Errorf("a newer schema: %v", err)
	}
}

// TestMigrationNumbers: a step out of turn is a mistake of the programmer and
// is seen at once.
func TestMigrationNumbers(t *testing.T) {
	for _, names := range [][]string{{"0002_b.sql"}, {"0001_a.sql", "0003_c.sql"}, {"a.sql"}} {
		files := fstest.MapFS{}
		for _, n := range names {
			files["migrations/"+n] = &fstest.MapFile{Data: []byte("SELECT 1")}
		}
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%v was taken", names)
				}
			}()
			readMigrations(files)
		}()
	}
}
