// Command gather writes third-party.txt: the licence files of every module
// that cmd/counterpoise links, read from the module cache.
package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
)

func main() {
	text, err := gather()
	if err == nil {
		err = os.WriteFile("third-party.txt", text, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "gather:", err)
		os.Exit(1)
	}
}

// targets are the systems the binary is built for; a module linked on any of
// them is listed.
var targets = []string{"linux/amd64", "windows/amd64", "darwin/arm64"}

func gather() ([]byte, error) {
	modules := map[string]string{}
	for _, t := range targets {
		goos, arch, _ := strings.Cut(t, "/")
		cmd := exec.Command("go", "list", "-deps", "-f",
			"{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}|{{.Dir}}{{end}}{{end}}", "counterpoise/cmd/counterpoise")
		cmd.Env = append(os.Environ(), "GOOS="+goos, "GOARCH="+arch, "CGO_ENABLED=0")
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("go list for %s: %w", t, err)
		}
		for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
			if name, dir, ok := strings.Cut(line, "|"); ok {
				modules[name] = dir
			}
		}
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, fmt.Errorf("go env GOROOT: %w", err)
	}
	modules["the Go standard library"] = strings.TrimSpace(string(root))
	names := make([]string, 0, len(modules))
	for n := range modules {
		names = append(names, n)
	}
	sort.Strings(names)
	var b bytes.Buffer
	for _, n := range names {
		if err := appendLicence(&b, n, modules[n]); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}

func appendLicence(b *bytes.Buffer, name, dir string) error {
	found := false
	for _, pattern := range []string{"LICEN[SC]E*", "COPYING*", "NOTICE*"} {
		files, _ := filepath.Glob(filepath.Join(dir, pattern))
		sort.Strings(files)
		for _, f := range files {
			text, err := os.ReadFile(f)
			if err != nil {
				return err
			}
			fmt.Fprintf(b, "==== %s: %s ====\n\n%s\n\n", name, filepath.Base(f), strings.TrimSpace(string(bytes.ReplaceAll(text, []byte("\r"), nil))))
			found = true
		}
	}
	if !found {
		return fmt.Errorf("module %s has no licence file in %s: it may not be linked", name, dir)
	}
	return nil
}
