package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/store"
)

// A job goes from one folder to another with the files that lie beside it.
func TestJobsCommand(t *testing.T) {
	here, there := t.TempDir(), t.TempDir()
	s, err := openJobs(here)
	if err != nil {
		t.Fatal(err)
	}
	id, err := s.Create(t.Context(), store.NewJob{Name: "fan 3", Station: "bench", At: time.Unix(1e9, 0).UTC()})
	if err != nil {
		t.Fatal(err)
	}
	j, err := job.New(s.Job(id))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := j.Append(t.Context(), job.Event{Kind: job.KindNoted, Note: "begun", At: time.Unix(1e9, 0)}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddFile(t.Context(), id, store.File{Name: "reading-7.wav", Kind: store.KindTake, At: time.Unix(1e9, 0)}, strings.NewReader("RIFF")); err != nil {
		t.Fatal(err)
	}
	run := func(want int, args ...string) string {
		t.Helper()
		var out, bad bytes.Buffer
		if code := dispatch(t.Context(), env{strings.NewReader(""), &out, &bad}, append([]string{"jobs"}, args...)); code != want {
			t.Fatalf("%v: %d %s%s", args, code, &out, &bad)
		}
		return out.String() + bad.String()
	}
	file := filepath.Join(t.TempDir(), "fan.json")
	run(0, "export", id, file, "--data", here) // while another process may be writing
	if text := run(1, "import", file, "--data", here); !strings.Contains(text, "on its page") {
		t.Errorf("into a folder in use: %s", text)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if text := run(0, "import", file, "--data", there); !strings.Contains(text, "1 of its events") {
		t.Errorf("import says %s", text)
	}
	if text := run(0, "--data", there); !strings.Contains(text, id) || !strings.Contains(text, "bench, fan 3") {
		t.Errorf("the list says %s", text)
	}
	got, err := store.OpenToRead(filepath.Join(there, "jobs.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer got.Close()
	if f, _, err := got.OpenFile(t.Context(), id, "reading-7.wav"); err != nil {
		t.Errorf("the raw signal did not come along: %v", err)
	} else {
		f.Close()
	}
	for _, bad := range [][]string{{"export", id}, {"fetch"}, {"import"}} {
		run(2, append(bad, "--data", there)...)
	}
	for _, bad := range [][]string{{"export", "nobody", file, "--data", there}, {"--data", filepath.Join(there, "none")}, {"--config", "none.toml"}, {"import", "none.json", "--data", there}} {
		run(1, bad...)
	}
}
