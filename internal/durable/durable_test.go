package durable

import (
	"os"
	"path/filepath"
	"testing"
)

// TestDraft: a draft is not seen under its name before Keep, replaces what was
// there only then, and leaves nothing where it is discarded.
func TestDraft(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x")
	write := func(content string) *Draft {
		t.Helper()
		d, err := NewDraft(dir)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := d.Write([]byte(content)); err != nil {
			t.Fatal(err)
		}
		return d
	}
	expect := func(content string, names int) {
		t.Helper()
		b, _ := os.ReadFile(path)
		all, _ := os.ReadDir(dir)
		if string(b) != content || len(all) != names {
			t.Errorf("%q among %d files, want %q among %d", b, len(all), content, names)
		}
	}
	for _, c := range []struct{ was, now string }{{"", "one"}, {"one", "two"}} {
		d := write(c.now)
		if err := d.Seal(); err != nil {
			t.Fatal(err)
		}
		all, _ := os.ReadDir(dir)
		expect(c.was, len(all))
		if err := d.Keep(path); err != nil {
			t.Fatal(err)
		}
		d.Discard() // after Keep it does nothing
		expect(c.now, 1)
	}
	write("three").Discard()
	expect("two", 1)
}

// TestLock: one holder at a time, and free again when the file is closed.
func TestLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	open := func() *os.File {
		t.Helper()
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f
	}
	a, b := open(), open()
	if err := Lock(a); err != nil {
		t.Fatal(err)
	}
	if Lock(b) == nil {
		t.Error("locked twice")
	}
	a.Close()
	if err := Lock(b); err != nil {
		t.Error(err)
	}
}
