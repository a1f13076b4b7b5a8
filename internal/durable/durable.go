// Package durable makes what was written stay written: a lock that dies with its
// process, names that survive the loss of power, and files that appear whole or
// not at all.
package durable

import (
	"errors"
	"io"
	"os"
	"path/filepath"
)

// Draft is a file that is written beside the place where it will stand. Nobody
// sees it under its name before Keep.
type Draft struct {
	f *os.File
}

var _ io.Writer = (*Draft)(nil)

// NewDraft begins a draft in the directory where it is to stay.
func NewDraft(dir string) (*Draft, error) {
	f, err := os.CreateTemp(dir, ".draft-*")
	if err != nil {
		return nil, err
	}
	return &Draft{f}, nil
}

// Write adds to the draft.
func (d *Draft) Write(b []byte) (int, error) { return d.f.Write(b) }

// Seal brings the content to the disk and closes the draft; only Keep or
// Discard may follow.
func (d *Draft) Seal() error {
	return errors.Join(d.f.Chmod(0o644), d.f.Sync(), d.f.Close())
}

// Keep gives a sealed draft its name in the same directory, in place of what
// had that name, and returns once the name survives the loss of power.
func (d *Draft) Keep(path string) error {
	if err := os.Rename(d.f.Name(), path); err != nil {
		return err
	}
	return SyncDir(filepath.Dir(path))
}

// Discard removes the draft; after Keep it does nothing.
func (d *Draft) Discard() {
	d.f.Close()
	os.Remove(d.f.Name())
}
