package store

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"counterpoise/internal/durable"
)

//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrations are the steps from an empty database to the newest schema; step i
// leads to schema i+1. A released step is never altered.
var migrations = readMigrations(migrationFiles)

// readMigrations reads the steps; their names begin with running numbers. It
// panics where they do not, because then the program is built wrongly.
func readMigrations(files fs.FS) (steps []string) {
	names, err := fs.Glob(files, "migrations/*.sql")
	if err != nil {
		panic(err)
	}
	for i, name := range names {
		var n int
		if _, err := fmt.Sscanf(filepath.Base(name), "%04d_", &n); err != nil || n != i+1 {
			panic("migration " + name + " stands where number " + fmt.Sprint(i+1) + " is due")
		}
		b, err := fs.ReadFile(files, name)
		if err != nil {
			panic(err)
		}
		steps = append(steps, string(b))
	}
	return steps
}

// migrate takes the steps that a database lacks, each in a transaction of its
// own that also notes the new version, so that a broken step leaves no trace. A
// database that holds something is first copied.
func migrate(db *sql.DB, path string, version int, steps []string) error {
	if version > 0 && version < len(steps) {
		if err := copyBefore(db, path, version); err != nil {
			return err
		}
	}
	for i := version; i < len(steps); i++ {
		if err := step(db, steps[i], i+1); err != nil {
			return fmt.Errorf("step to schema %d: %w", i+1, err)
		}
	}
	return nil
}

func step(db *sql.DB, script string, version int) error {
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if _, err := tx.Exec(script); err != nil {
		return err
	}
	if _, err := tx.Exec(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, version)); err != nil {
		return err
	}
	return tx.Commit()
}

// copyBefore puts a whole copy of the database beside it, once per version.
func copyBefore(db *sql.DB, path string, version int) error {
	copied := fmt.Sprintf("%s.schema-%d", path, version)
	if _, err := os.Stat(copied); err == nil {
		return nil
	}
	draft := copied + ".part"
	if err := os.Remove(draft); err != nil && !os.IsNotExist(err) {
		return err
	}
	if _, err := db.Exec("VACUUM INTO ?", draft); err != nil {
		return err
	}
	if err := os.Rename(draft, copied); err != nil {
		return err
	}
	return durable.SyncDir(filepath.Dir(path))
}
