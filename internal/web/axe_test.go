package web

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// axeVersion is the accessibility checker (MPL-2.0, by Deque Systems) that the
// tests use; it is fetched for them and never part of the program.
const axeVersion = "4.14.1"

// axe returns the checker's script, from COUNTERPOISE_AXE or through npm. Without
// either the check is skipped on a desk and fails in CI.
func axe(t *testing.T) string {
	t.Helper()
	path, why := os.Getenv("COUNTERPOISE_AXE"), error(nil)
	if path == "" {
		path, why = fetchAxe(t)
	}
	if why == nil {
		b, err := os.ReadFile(path)
		if err == nil {
			return string(b)
		}
		why = err
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("accessibility was not checked: %v", why)
	}
	t.Skipf("accessibility was not checked: %v", why)
	return ""
}

// fetching lets one test fetch the checker while others wait for it.
var fetching sync.Mutex

// fetchAxe unpacks the package once into the user's cache.
func fetchAxe(t *testing.T) (path string, err error) {
	fetching.Lock()
	defer fetching.Unlock()
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "counterpoise-test", "axe-core-"+axeVersion)
	path = filepath.Join(dir, "package", "axe.min.js")
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for _, args := range [][]string{
		{"npm", "pack", "--silent", "axe-core@" + axeVersion},
		{"tar", "xzf", "axe-core-" + axeVersion + ".tgz", "package/axe.min.js"},
	} {
		cmd := exec.CommandContext(ctx, args[0], args[1:]...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			return "", fmt.Errorf("%v: %w %s", args, err, out)
		}
	}
	return path, nil
}
