package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"counterpoise/internal/acq/pty"
	"counterpoise/internal/rig"
)

// TestRecordThenMeasure records the virtual fan and measures the recording.
func TestRecordThenMeasure(t *testing.T) {
	take := filepath.Join(t.TempDir(), "run.take")
	run := func(args ...string) (int, string, string) {
		var out, errs bytes.Buffer
		code := dispatch(t.Context(), env{strings.NewReader(""), &out, &errs}, args)
		return code, out.String(), errs.String()
	}
	if code, out, errs := run("record", "rig:bench-fan", take, "--for", "1"); code != 0 || !strings.Contains(out, "tach edges") {
		t.Fatalf("%d %s %s", code, out, errs)
	}
	code, out, errs := run("measure", "file:"+take, "--json")
	var answer struct {
		Speed    float64 `json:"speed_rpm"`
		Channels []any   `json:"channels"`
	}
	if err := json.Unmarshal([]byte(out), &answer); code != 0 || err != nil || !(answer.Speed > 100) || len(answer.Channels) == 0 {
		t.Errorf("%d %v %s %s", code, err, out, errs)
	}
	if code, _, errs := run("record", "rig:bench-fan", take); code != 1 || !strings.Contains(errs, "exists already") {
		t.Errorf("over an existing recording: %d %s", code, errs)
	}
	if code, _, errs := run("record", "file:"+take, take+"2"); code != 1 || !strings.Contains(errs, "copy it as it is") {
		t.Errorf("a recording of a recording: %d %s", code, errs)
	}
	if left, err := os.ReadDir(filepath.Dir(take)); err != nil || len(left) != 1 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

func TestPortsSaysWhatAnswers(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	r, err := rig.New("bench-fan", 1)
	if err != nil {
		t.Fatal(err)
	}
	path, _, err := r.ServePTY(ctx)
	if errors.Is(err, pty.ErrNone) {
		missing(t, err.Error())
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Start(); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := dispatch(ctx, env{nil, &out, &errs}, []string{"ports", path, "serial:/dev/ttyNONE", "--json"}); code != 0 {
		t.Fatal(errs.String())
	}
	var answer struct {
		Schema int
		Ports  []portAnswer
	}
	if err := json.Unmarshal(out.Bytes(), &answer); err != nil || answer.Schema != 1 || len(answer.Ports) != 2 {
		t.Fatalf("%v %s", err, out.String())
	}
	if p := answer.Ports[0]; !p.Answers || p.Board == "" || len(p.Channels) == 0 || !p.Tach || !(p.Rate > 0) {
		t.Errorf("%+v", p)
	}
	if p := answer.Ports[1]; p.Answers || !strings.Contains(p.Reason, "there is no port") {
		t.Errorf("%+v", p)
	}
}
