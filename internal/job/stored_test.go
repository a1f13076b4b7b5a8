package job

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/cmplx"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"counterpoise/internal/rotor"
)

// TestStoredJobs reads job files as earlier versions wrote them: a job outlives
// the program that began it. The files are never written anew; a new version
// adds one.
func TestStoredJobs(t *testing.T) {
	whole, err := os.ReadFile("testdata/job-v1.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "j")
	if err := os.WriteFile(path, whole, 0o644); err != nil {
		t.Fatal(err)
	}
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	s := j.State()
	if s.Events != 32 || !s.Closed || s.Setup.Name != "fan 3" || s.Setup.Convention != rotor.AgainstRotation || len(s.Answers) != len(LookItems) {
		t.Errorf("%d events, closed %v, setup %+v, %d answers", s.Events, s.Closed, s.Setup, len(s.Answers))
	}
	if p := s.Setup.Planes[0]; p.Name != "front" || p.Radius != 0.2 || len(p.Positions) != 16 || p.MaxForce != 500 {
		t.Errorf("plane %+v", p)
	}
	c := s.Case()
	var names []string
	for _, r := range c.Runs {
		names = append(names, r.Name)
	}
	if got := strings.Join(names, "|"); got != "as found|trial front|trial rear|proof" {
		t.Errorf("runs %s", got)
	}
	v := c.Runs[3].Vectors[1]
	if v.V != complex(0.2e-3, -0.1e-3) || v.Cov != (rotor.Cov{RR: 1e-10, RI: 2e-11, II: 3e-10}) || v.DoF != 30 {
		t.Errorf("vector %+v", v)
	}
	if w := c.Runs[3].Weights; len(w) != 2 || !(cmplx.Abs(w[1].Phasor(0.2)-0.02*cmplx.Rect(1, rotor.WithRotation.Radians(10))) < 1e-12) {
		t.Errorf("weights %+v", w)
	}
	if len(s.Refused) != 1 || s.Refused[0].Why != "the speed ran away" || len(s.Undone) != 1 || s.Remark != "tested" {
		t.Errorf("refused %+v, undone %v, remark %q", s.Refused, s.Undone, s.Remark)
	}
	// Nothing in the file is unknown to this version: written again every figure
	// is still there. (Newer fields may stand beside them.)
	for l := range bytes.Lines(whole) {
		var stored line
		if err := json.Unmarshal(l, &stored); err != nil {
			t.Fatal(err)
		}
		e, err := decodeLine(bytes.TrimSpace(l))
		if err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		var a, b any
		json.Unmarshal(stored.Event, &a)
		json.Unmarshal(again, &b)
		if what := missing("", a, b); what != "" {
			t.Errorf("event %d has lost %s", e.Number, what)
		}
	}
}

// missing names what of the JSON value a is not in b.
func missing(path string, a, b any) string {
	switch a := a.(type) {
	case map[string]any:
		m, _ := b.(map[string]any)
		for k, v := range a {
			if what := missing(path+"."+k, v, m[k]); what != "" {
				return what
			}
		}
		return ""
	case []any:
		l, _ := b.([]any)
		for i, v := range a {
			if i >= len(l) {
				return path
			}
			if what := missing(path, v, l[i]); what != "" {
				return what
			}
		}
		return ""
	}
	if !reflect.DeepEqual(a, b) {
		return fmt.Sprintf("%s: %v, now %v", path, a, b)
	}
	return ""
}
