package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"counterpoise/internal/station"
)

// The README must not promise what the program does not do: its examples are
// run, and every key and figure it shows must come back.
func TestReadmeExamples(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	blocks := fenced(string(text), "json")
	if len(blocks) != 8 {
		t.Fatalf("%d JSON blocks in the README, want 8: measure, case, solve, survey in, survey out, demo, speed, running blades", len(blocks))
	}
	file := func(name, text string) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"solve", file("case.json", blocks[1]), "--json"}, blocks[2]},
		{[]string{"survey", file("survey.json", blocks[3]), "--json"}, blocks[4]},
		{[]string{"solve", "--json", file("case.json", blocks[1])}, blocks[2]}, // options may stand before the argument
	} {
		code, out, errText := invoke(t, c.args...)
		if code != 0 {
			t.Errorf("%s: exit %d: %s", c.args[0], code, errText)
			continue
		}
		shown(t, c.args[0], decode(t, c.want), decode(t, out))
	}
	// Keys only: these answers depend on what was measured.
	code, out, errText := invoke(t, "measure", "rig:bench-fan", "--for", "4", "--json")
	if code != 0 {
		t.Fatalf("measure: exit %d: %s", code, errText)
	}
	keys(t, "measure", decode(t, blocks[0]), decode(t, out))
	speedKeys(t, blocks[6], blocks[7])
	b, _ := json.Marshal(autoAnswer{Runs: []autoRun{{}}})
	keys(t, "demo --auto", decode(t, blocks[5]), decode(t, string(b)))

	for _, toml := range fenced(string(text), "toml") {
		if _, err := station.ReadConfig(strings.NewReader(toml)); err != nil {
			t.Errorf("station.toml of the README: %v", err)
		}
	}
	for _, c := range commands {
		if !strings.Contains(string(text), "`"+c.name) {
			t.Errorf("the README does not name the command %s", c.name)
		}
	}
}

func fenced(text, language string) []string {
	var out []string
	for _, m := range regexp.MustCompile("(?ms)^```"+language+"\n(.*?)^```").FindAllStringSubmatch(text, -1) {
		out = append(out, m[1])
	}
	return out
}

func decode(t *testing.T, text string) any {
	t.Helper()
	var v any
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("not JSON: %v\n%s", err, text)
	}
	return v
}

// shown checks that everything in want stands in got: keys, words (up to an
// ellipsis) and figures to the digits that the README prints.
func shown(t *testing.T, at string, want, got any) {
	t.Helper()
	switch w := want.(type) {
	case map[string]any:
		g, _ := got.(map[string]any)
		for k, v := range w {
			if _, ok := g[k]; !ok {
				t.Errorf("%s.%s is not in the answer", at, k)
				continue
			}
			shown(t, at+"."+k, v, g[k])
		}
	case []any:
		g, _ := got.([]any)
		if len(g) < len(w) {
			t.Errorf("%s: %d elements, the README shows %d", at, len(g), len(w))
			return
		}
		for i, v := range w {
			shown(t, fmt.Sprintf("%s[%d]", at, i), v, g[i])
		}
	case float64:
		g, ok := got.(float64)
		if !ok || !(math.Abs(g-w) <= 1e-3*math.Abs(w)+1e-9) {
			t.Errorf("%s = %v, the README says %v", at, got, w)
		}
	case string:
		g, _ := got.(string)
		if head, _, cut := strings.Cut(w, " ..."); g != w && !(cut && strings.HasPrefix(g, head)) {
			t.Errorf("%s = %q, the README says %q", at, got, w)
		}
	default:
		if got != want {
			t.Errorf("%s = %v, the README says %v", at, got, want)
		}
	}
}

// keys checks that every key of want stands in got with the same kind of value.
func keys(t *testing.T, at string, want, got any) {
	t.Helper()
	switch w := want.(type) {
	case map[string]any:
		g, _ := got.(map[string]any)
		for k, v := range w {
			if _, ok := g[k]; !ok {
				t.Errorf("%s.%s is not in the answer", at, k)
				continue
			}
			keys(t, at+"."+k, v, g[k])
		}
	case []any:
		g, _ := got.([]any)
		if len(g) == 0 {
			t.Errorf("%s is empty", at)
			return
		}
		keys(t, at+"[0]", w[0], g[0])
	default:
		if fmt.Sprintf("%T", want) != fmt.Sprintf("%T", got) {
			t.Errorf("%s is %T, the README shows %T", at, got, want)
		}
	}
}
