package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"
)

// The command reads standard input, takes its options on either side of the file,
// and every question has an answer that a program can read.
func TestSolveAnswersEveryQuestion(t *testing.T) {
	full := strings.NewReplacer(`"planes": [{"name": "hub"}]`, `"speed_rpm": 1480, "machine": {"mass_kg": 120, "grade": 6.3}, "planes": [{"name": "hub", "radius_mm": 300}]`).Replace(goodCase)
	if full == goodCase {
		t.Fatal("the case was not completed")
	}
	proof := `{"convention": "with-rotation", "test_unbalance_g_mm": 500, "readings": [{"angle_deg": 0, "value": 11}, {"angle_deg": 90, "value": 10}, {"angle_deg": 180, "value": 9}, {"angle_deg": 270, "value": 10}]}`
	for name, k := range map[string]struct {
		args []string
		in   string
		key  string
	}{
		"correction": {[]string{"solve", "--json", "-"}, full, "corrections"},
		"trial":      {[]string{"solve", "-", "--ask", "trial"}, full, "planes"},
		"tolerance":  {[]string{"solve", "--ask", "tolerance", "-", "--json"}, full, "permissible_g_mm"},
		"placement":  {[]string{"solve", "--ask", "placement", "-", "--json"}, full, "planes"},
		"proof":      {[]string{"solve", "--ask", "proof", "-"}, proof, "residual_g_mm"},
	} {
		var out, errs bytes.Buffer
		if code := dispatch(context.Background(), env{strings.NewReader(k.in), &out, &errs}, k.args); code != 0 {
			t.Fatalf("%s: exit %d: %s", name, code, errs.String())
		}
		var m map[string]any
		if err := json.Unmarshal(out.Bytes(), &m); err != nil {
			t.Fatalf("%s: %v in %s", name, err, out.String())
		}
		if m["schema"] != 1.0 || m[k.key] == nil {
			t.Errorf("%s: %s", name, out.String())
		}
	}
	var out, errs bytes.Buffer
	if code := dispatch(context.Background(), env{strings.NewReader(goodCase), &out, &errs}, []string{"solve", "-", "--ask", "tolerance"}); code != 1 || out.Len() != 0 || strings.Count(errs.String(), "\n") != 1 {
		t.Errorf("exit %d, %q, %q", code, out.String(), errs.String())
	}
}
