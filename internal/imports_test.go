// Package internal_test guards the arrows of the house: imports point one way.
package internal_test

import (
	"os/exec"
	"strings"
	"testing"
)

// rooms from the ground up. A package may import packages of rows above its
// own (smaller index) and of its own row's sub-packages; never of a row below.
// The order is the design: data flows from acq towards the page.
var rooms = []string{
	"durable", "rotor", "acq", "phase", "spectrum", "check", "blades", "balance", "rig",
	"job", "watch", "store", "station", "hil", "picture", "report", "web", "notices",
}

// strangers never know each other, in either direction: the virtual fan must
// not share mathematics with what measures it, or a common error would hide.
var strangers = map[string][]string{"rig": {"phase", "spectrum", "check", "blades", "balance"}}

// planned are rooms of the design that a later step builds; the test tells when
// one of them exists, so that this list cannot go stale.
var planned = map[string]bool{"watch": true, "report": true}

const root = "counterpoise/internal/"

func TestImportsPointOneWay(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", "{{.ImportPath}} {{join .Imports \" \"}}", "./...").CombinedOutput()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, out)
	}
	row := map[string]int{}
	for i, r := range rooms {
		row[r] = i
	}
	seen := map[string]bool{}
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		words := strings.Fields(line)
		from, ok := room(words[0])
		if !ok {
			continue
		}
		seen[from] = true
		if _, known := row[from]; !known {
			t.Errorf("%s: room %q has no row in this test: give it one where data flow puts it", words[0], from)
			continue
		}
		for _, imp := range words[1:] {
			to, ok := room(imp)
			if !ok || to == from {
				continue
			}
			if row[to] > row[from] {
				t.Errorf("%s imports %s: %s lies below %s, and imports never point down", words[0], imp, to, from)
			}
			if related(from, to) {
				t.Errorf("%s imports %s: the virtual fan and what measures it must not share code", words[0], imp)
			}
		}
	}
	for _, r := range rooms {
		switch {
		case !seen[r] && !planned[r]:
			t.Errorf("room %q has vanished: take it out of this test or bring it back", r)
		case seen[r] && planned[r]:
			t.Errorf("room %q exists now: take it off the planned list", r)
		}
	}
}

// room is the first path element below internal/.
func room(path string) (string, bool) {
	rest, ok := strings.CutPrefix(path, root)
	if !ok {
		return "", false
	}
	name, _, _ := strings.Cut(rest, "/")
	return name, true
}

func related(a, b string) bool {
	for _, x := range strangers[a] {
		if x == b {
			return true
		}
	}
	for _, x := range strangers[b] {
		if x == a {
			return true
		}
	}
	return false
}
