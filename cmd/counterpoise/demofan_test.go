package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/rig"
)

// Bent blades outlive the program while a job is under way, and only then.
func TestBentBladesOutliveTheProgram(t *testing.T) {
	dir := t.TempDir()
	fan := func(underWay bool) keptFan {
		t.Helper()
		r, err := rig.New("bench-fan", 1)
		if err != nil {
			t.Fatal(err)
		}
		f, err := keepFan(r, dir, underWay)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	first := fan(false)
	found := first.Blades()[2]
	if err := first.Bend(3, 0.004, 0.02, 0.16); err != nil {
		t.Fatal(err)
	}
	bent := first.Blades()[2]
	if again := fan(true).Blades()[2]; again != bent {
		t.Errorf("begun again in the middle of a job blade 3 is %+v, it was left as %+v", again, bent)
	}
	if fresh := fan(false).Blades()[2]; fresh != found {
		t.Errorf("with no job open blade 3 is %+v, as found it is %+v", fresh, found)
	}
	if again := fan(true).Blades()[2]; again != found {
		t.Errorf("what was forgotten came back: %+v", again)
	}
	if err := os.WriteFile(filepath.Join(dir, "blades.json"), []byte(`{"blades": [{"Number": 99}]}`), 0o644); err != nil {
		t.Fatal(err)
	}
	r, _ := rig.New("bench-fan", 1)
	if _, err := keepFan(r, dir, true); err == nil || !strings.Contains(err.Error(), "--data") {
		t.Errorf("a spoilt file: %v", err)
	}
}

// A bend that cannot be kept is not made.
func TestBendThatCannotBeKept(t *testing.T) {
	r, err := rig.New("bench-fan", 1)
	if err != nil {
		t.Fatal(err)
	}
	f := keptFan{r, filepath.Join(t.TempDir(), "gone", "blades.json")}
	was := f.Blades()[0]
	if err := f.Bend(1, 0.003, 0, 0); err == nil || f.Blades()[0] != was {
		t.Errorf("bent without a folder: %v, %+v", err, f.Blades()[0])
	}
}
