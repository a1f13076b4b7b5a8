package hil

import (
	"errors"
	"os"
	"sync"
	"testing"
)

// avr builds board A and its emulator once for all tests.
var avr = sync.OnceValues(func() (Build, error) { return BuildAVR("../../hw", scratch) })

var scratch string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "counterpoise-hil-")
	if err != nil {
		panic(err)
	}
	scratch = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// built skips where a tool is missing; in CI it fails there.
func built(t *testing.T, make func() (Build, error)) Build {
	t.Helper()
	b, err := make()
	var missing *MissingError
	if errors.As(err, &missing) && os.Getenv("CI") != "true" {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}
