package casefile

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"unicode/utf16"
)

const plainCase = `{"convention": "with-rotation", "speed_rpm": 1480, "machine": {"mass_kg": 120, "grade": 6.3},
 "planes": [{"name": "hub", "radius_mm": 300, "cap_g": 200}], "sensors": [{"name": "DE"}],
 "runs": [
  {"name": "as found", "weights": [], "vectors": [{"amplitude": 4.81, "phase_deg": 16.8}]},
  {"name": "trial", "weights": [{"plane": "hub", "mass_g": 20, "angle_deg": 0}], "vectors": [{"amplitude": 3.2, "phase_deg": 299.9}]}]}`

func verdictsOf(t *testing.T, text string, ask Ask) string {
	t.Helper()
	a, err := Answer(strings.NewReader(text), ask, false)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A key that is not known is named with the way to it: a cap that was misspelt
// would else hold nothing.
func TestKeysThatAreNotKnown(t *testing.T) {
	if got := verdictsOf(t, plainCase, "correction"); strings.Contains(got, "key-ignored") || strings.Contains(got, "unit-doubtful") {
		t.Errorf("a plain case: %s", got)
	}
	wrong := strings.NewReplacer(`"cap_g"`, `"cap"`, `"grade"`, `"bearing": 1, "grade"`).Replace(plainCase)
	for _, ask := range []Ask{"correction", "trial", "placement"} {
		if got := verdictsOf(t, wrong, ask); !strings.Contains(got, "Not known and ignored: machine.bearing, planes.cap. Check") {
			t.Errorf("%s: %s", ask, got)
		}
	}
	if got := verdictsOf(t, wrong, "tolerance"); !strings.Contains(got, "machine.bearing, planes.cap") {
		t.Errorf("tolerance: %s", got)
	}
}

// A speed in Hz or a radius in metres makes every force a thousandth of itself.
func TestUnitsThatCannotBe(t *testing.T) {
	for _, c := range [][3]string{
		{`"speed_rpm": 1480`, `"speed_rpm": 24.67`, "That would be 1480 rpm"},
		{`"radius_mm": 300`, `"radius_mm": 0.3`, "That would be 300 mm"},
	} {
		for _, ask := range []Ask{"correction", "trial"} {
			if got := verdictsOf(t, strings.Replace(plainCase, c[0], c[1], 1), ask); !strings.Contains(got, "unit-doubtful") || !strings.Contains(got, c[2]) {
				t.Errorf("%s, %s: %s", c[1], ask, got)
			}
		}
	}
}

// What editors make of a file is read, or named by what is to be done.
func TestTextsFromEditors(t *testing.T) {
	for _, text := range []string{"\xef\xbb\xbf" + plainCase, strings.ReplaceAll(plainCase, "\n", "\r\n")} {
		if _, err := Read(strings.NewReader(text)); err != nil {
			t.Error(err)
		}
	}
	wide := []byte{0xff, 0xfe}
	for _, u := range utf16.Encode([]rune(plainCase)) {
		wide = append(wide, byte(u), byte(u>>8))
	}
	for text, want := range map[string]string{
		string(wide): "save it as UTF-8",
		strings.Replace(plainCase, "4.81", "4,81", 1): `line 4: "4,81" has a decimal comma; write a point`,
		"[1, 2]": "one object in braces",
		strings.Replace(plainCase, "4.81", `"4.81"`, 1): "runs.vectors.amplitude is written as string",
	} {
		if _, err := Read(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v, want %q", text, err, want)
		}
	}
}

// A residual beyond the test weight reads as one below it and is not accepted.
func TestProofEitherWay(t *testing.T) {
	for _, c := range []struct {
		readings string
		ok       bool
	}{
		{"[9,11,9.5,10.5]", true},
		{"[2,18,10,10.5]", false},
	} {
		var v []float64
		if err := json.Unmarshal([]byte(c.readings), &v); err != nil {
			t.Fatal(err)
		}
		var list []string
		for i, x := range v {
			list = append(list, fmt.Sprintf(`{"angle_deg": %d, "value": %g}`, []int{0, 180, 90, 270}[i], x))
		}
		r, err := Prove(strings.NewReader(`{"convention": "with-rotation", "test_unbalance_g_mm": 1000, "permissible_g_mm": 2000, "readings": [` + strings.Join(list, ",") + `]}`))
		if err != nil || r.Accepted == nil || *r.Accepted != c.ok {
			t.Errorf("%s: %+v, %v", c.readings, r, err)
		}
	}
}
