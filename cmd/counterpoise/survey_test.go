package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// surveyOf runs the command as a person would.
func surveyOf(t *testing.T, stdin string, args ...string) (code int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = dispatch(t.Context(), env{stdin: strings.NewReader(stdin), stdout: &stdout, stderr: &stderr}, append([]string{"survey"}, args...))
	return code, stdout.String(), stderr.String()
}

// Six blades worked by hand: the vectors 0, 1.2, -0.4, 0.3, -1.1, 0.6 mm at 60
// degrees each sum to 1.7578 mm at 39.826 degrees; 8 kg at 0.6 m make it
// 8.438e6 g mm^2.
const sixBlades = `{"blades": 6, "tip_radius_mm": 600, "track_mm": [0, 1.2, -0.4, 0.3, -1.1, 0.6],
 "blade_mass_g": 8000, "cg_radius_mm": 600}`

func TestSurveyAnswersInJSON(t *testing.T) {
	file := filepath.Join(t.TempDir(), "fan.json")
	if err := os.WriteFile(file, []byte(sixBlades), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{file, "--json"}, {"--json", file}, {"-", "--json"}} {
		code, out, errs := surveyOf(t, sixBlades, args...)
		if code != 0 || errs != "" {
			t.Fatalf("%v: exit %d, %q", args, code, errs)
		}
		var a struct {
			Schema int `json:"schema"`
			Track  struct {
				Sum float64 `json:"harmonic_sum_mm"`
				Deg float64 `json:"harmonic_deg"`
			} `json:"track"`
			Couple struct {
				Amount float64 `json:"amount"`
				Deg    float64 `json:"angle_deg"`
			} `json:"couple_g_mm2"`
		}
		if err := json.Unmarshal([]byte(out), &a); err != nil {
			t.Fatal(err)
		}
		if a.Schema != 1 || !(math.Abs(a.Track.Sum-1.7578) <= 5e-5) || !(math.Abs(a.Track.Deg-39.826) <= 5e-4) ||
			!(math.Abs(a.Couple.Amount-8.438e6) <= 1e3) || !(math.Abs(a.Couple.Deg-39.826) <= 5e-4) {
			t.Errorf("%v: %+v", args, a)
		}
	}
}

// The cautions come before everything else that a person reads.
func TestSurveyShowsCautionsFirst(t *testing.T) {
	code, out, _ := surveyOf(t, sixBlades, "-")
	if code != 0 || !strings.HasPrefix(out, "! Isolate") || !strings.Contains(out, "blade 5") || !strings.Contains(out, "crack") {
		t.Errorf("exit %d:\n%s", code, out)
	}
	if strings.Index(out, "strobe") > strings.Index(out, "track ") {
		t.Error("a caution stands below the figures")
	}
}

// Bad input: one sentence, nothing on standard output, no panic.
func TestSurveyRefuses(t *testing.T) {
	for _, c := range []struct {
		stdin string
		args  []string
		code  int
	}{
		{"", nil, 2}, {"", []string{"a", "b"}, 2}, {"", []string{"/nowhere/fan.json"}, 1},
		{"", []string{"-"}, 1}, {"{", []string{"-", "--json"}, 1}, {`{"blades": 99, "track_mm": [1]}`, []string{"-"}, 1},
		{`{"blades": 6}`, []string{"-"}, 1},
	} {
		code, out, errs := surveyOf(t, c.stdin, c.args...)
		if code != c.code || out != "" || errs == "" || c.code == 1 && strings.Count(errs, "\n") != 1 {
			t.Errorf("%q %v: exit %d, %q, %q", c.stdin, c.args, code, out, errs)
		}
	}
}
