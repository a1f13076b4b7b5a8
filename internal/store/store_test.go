package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
)

var (
	ctx = context.Background()
	t0  = time.Date(2026, 3, 1, 8, 0, 0, 123456789, time.FixedZone("", 3600))
)

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		if err := appendForEver(path); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func open(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func create(t testing.TB, s *Store, name string) string {
	t.Helper()
	id, err := s.Create(ctx, NewJob{Name: name, Station: "bench", At: t0})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

// story is a whole job as package job has kept it: every kind of event.
func story(t testing.TB) []job.Event {
	t.Helper()
	events, err := job.ReadFile("../job/testdata/job-v1.jsonl")
	if err != nil || len(events) == 0 {
		t.Fatal(len(events), err)
	}
	return events
}

// tell appends events to a job's log.
func tell(t testing.TB, s *Store, id string, events []job.Event) {
	t.Helper()
	l := s.Job(id)
	defer l.Close()
	was, _, err := l.Load()
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range events {
		e.Number = len(was) + i + 1
		if err := l.Append(e); err != nil {
			t.Fatal(err)
		}
	}
}

// clean fails unless everything in the store is as it was saved.
func clean(t testing.TB, s *Store) {
	t.Helper()
	if wrong, err := s.Check(ctx); err != nil || len(wrong) > 0 {
		t.Fatalf("check: %v %v", wrong, err)
	}
}

// TestJob: a job runs on the store as on a file, and is the same afterwards.
func TestJob(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	s := open(t, path)
	id := create(t, s, "fan 3")
	tell(t, s, id, story(t)[:31]) // all but the closing
	j, err := job.New(s.Job(id))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := job.New(s.Job(id)); err == nil || !strings.Contains(err.Error(), "open already") {
		t.Errorf("a second writer of the job: %v", err)
	}
	st, err := j.Append(ctx, job.Event{At: t0, By: j.State().Operator, Kind: job.KindNoted, Note: "seen"})
	if err != nil || st.Events != 32 {
		t.Fatal(st.Events, err)
	}
	if looked, err := s.State(ctx, id); err != nil || !reflect.DeepEqual(looked, st) {
		t.Errorf("who looks sees another state (%v)", err)
	}
	if err := errors.Join(j.Close(), s.Close()); err != nil {
		t.Fatal(err)
	}
	s = open(t, path)
	if j, err = job.New(s.Job(id)); err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if !reflect.DeepEqual(j.State(), st) || j.Notice() != "" {
		t.Errorf("the state changed over a restart, notice %q", j.Notice())
	}
	if e, err := s.Event(ctx, id, 32); err != nil || e.Note != "seen" || !e.At.Equal(t0) {
		t.Errorf("event 32: %+v %v", e, err)
	}
	if _, err := s.Event(ctx, id, 33); err == nil {
		t.Error("event 33 exists")
	}
	clean(t, s)
}

// TestLogKeepsOrder: no event out of turn, none before Load, none after Close.
func TestLogKeepsOrder(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "j"))
	id := create(t, s, "a")
	l := s.Job(id)
	note := func(n int) error { return l.Append(job.Event{Number: n, At: t0, Kind: job.KindNoted}) }
	if note(1) == nil {
		t.Error("appended before Load")
	}
	if _, _, err := l.Load(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		n  int
		ok bool
	}{{2, false}, {1, true}, {1, false}, {3, false}, {2, true}} {
		if err := note(c.n); (err == nil) != c.ok {
			t.Errorf("event %d: %v", c.n, err)
		}
	}
	l.Close()
	if note(3) == nil {
		t.Error("appended after Close")
	}
	for _, id := range []string{"", "nothing", "../x"} {
		if _, err := job.New(s.Job(id)); !errors.Is(err, ErrNoJob) {
			t.Errorf("job %q: %v", id, err)
		}
		if _, err := s.AddFile(ctx, id, File{Name: "x", Kind: KindTake}, strings.NewReader("x")); !errors.Is(err, ErrNoJob) {
			t.Errorf("file of job %q: %v", id, err)
		}
		if err := s.Rename(ctx, id, "x", t0); !errors.Is(err, ErrNoJob) {
			t.Errorf("rename %q: %v", id, err)
		}
	}
}

// TestList: the list says what each job is, and follows its events.
func TestList(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	a := create(t, s, "fan 3")
	b, err := s.Create(ctx, NewJob{Name: " extractor ", Station: "roof", At: t0.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	want := func(i int, id, name string, events int, stage job.Stage, closed bool) {
		t.Helper()
		all, err := s.Jobs(ctx)
		if err != nil || len(all) != 2 {
			t.Fatal(all, err)
		}
		m := all[i]
		if m.ID != id || m.Name != name || m.Events != events || m.Stage != stage || !m.Closed.IsZero() != closed || m.Next == "" || m.Damage != "" {
			t.Errorf("summary %+v", m)
		}
	}
	want(0, b, "extractor", 0, job.StageLook, false)
	want(1, a, "fan 3", 0, job.StageLook, false)
	tell(t, s, a, story(t)[:2])
	want(1, a, "fan 3", 2, job.StageLook, false)
	tell(t, s, a, story(t)[2:])
	if err := s.Rename(ctx, a, "fan 3, hall 2", t0); err != nil {
		t.Fatal(err)
	}
	want(1, a, "fan 3, hall 2", 32, job.StageClose, true)
	for _, name := range []string{"", "  ", strings.Repeat("x", 201), "\xff"} {
		if _, err := s.Create(ctx, NewJob{Name: name, At: t0}); err == nil {
			t.Errorf("a job named %q", name)
		}
	}
}

// TestNothingIsOverwritten: the database itself refuses to alter or delete.
func TestNothingIsOverwritten(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	fill(t, s)
	var tables []string
	tables, err := texts(ctx, s.r, "SELECT name FROM sqlite_schema WHERE type = 'table'")
	if err != nil || len(tables) != 5 {
		t.Fatal(tables, err)
	}
	for _, table := range tables {
		for _, q := range []string{"DELETE FROM " + table, "UPDATE " + table + " SET rowid = rowid + 100"} {
			if _, err := s.w.Exec(q); err == nil || !strings.Contains(err.Error(), "never") {
				t.Errorf("%s: %v", q, err)
			}
		}
		if _, err := s.r.Exec("DELETE FROM " + table); err == nil || !strings.Contains(err.Error(), "readonly") {
			t.Errorf("a reader deletes from %s: %v", table, err)
		}
	}
	clean(t, s)
}

// fill fills a store with one job that uses everything.
func fill(t testing.TB, s *Store) (id string) {
	t.Helper()
	id = create(t, s, "fan 3")
	tell(t, s, id, story(t))
	for _, f := range []File{{Name: "mark.jpg", Kind: KindPhotograph}, {Name: "run 1.take", Kind: KindTake}, {Name: "empty.txt", Kind: KindDocument}} {
		f.At = t0
		content := "content of " + f.Name
		if f.Name == "empty.txt" {
			content = ""
		}
		if _, err := s.AddFile(ctx, id, f, strings.NewReader(content)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.SaveCoefficients(ctx, found(id)); err != nil {
		t.Fatal(err)
	}
	return id
}

// TestFiles: a file comes back as it was saved, under a name that is its own.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	s := open(t, filepath.Join(dir, "jobs.db"))
	id := create(t, s, "a")
	for _, c := range []struct{ name, content, want string }{
		{"IMG_1.jpg", "one", "IMG_1.jpg"},
		{"IMG_1.jpg", "one", "IMG_1.jpg"}, // offered twice, kept once
		{"IMG_1.jpg", "two", "IMG_1-2.jpg"},
		{"img_1.jpg", "three", "img_1.jpg"},
		{`C:\photos\..\a b?.jpg`, "4", "a_b_.jpg"},
		{"../../etc/passwd", "5", "passwd"},
		{"..", "6", "file"},
		{"Lüfter-Süd.jpg", "7", "Lüfter-Süd.jpg"},
		{strings.Repeat("ü", 200) + ".jpg", "8", strings.Repeat("ü", 58) + ".jpg"},
	} {
		f, err := s.AddFile(ctx, id, File{Name: c.name, Kind: KindPhotograph, At: t0}, strings.NewReader(c.content))
		if err != nil || f.Name != c.want || f.Size != int64(len(c.content)) {
			t.Errorf("%s: %+v %v", c.name, f, err)
			continue
		}
		r, g, err := s.OpenFile(ctx, id, f.Name)
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		r.Close()
		if string(b) != c.content || err != nil || !g.At.Equal(t0) || g.SHA256 != f.SHA256 {
			t.Errorf("%s: %q %+v", c.name, b, g)
		}
	}
	if fs, err := s.Files(ctx, id); err != nil || len(fs) != 8 {
		t.Errorf("%d files, %v", len(fs), err)
	}
	clean(t, s)
	if _, err := s.AddFile(ctx, id, File{Name: "x", Kind: "thing"}, strings.NewReader("")); err == nil {
		t.Error("an unknown kind")
	}
	broken := io.MultiReader(strings.NewReader("half"), errReader{})
	if _, err := s.AddFile(ctx, id, File{Name: "x", Kind: KindTake}, broken); err == nil {
		t.Error("half a file")
	}
	left, _ := filepath.Glob(filepath.Join(dir, "jobs.db.files", id, "*"))
	drafts, _ := filepath.Glob(filepath.Join(dir, "jobs.db.files", id, ".*"))
	if len(left) != 8 || len(drafts) != 0 {
		t.Errorf("%d files, drafts %v", len(left), drafts)
	}
	// Altered and lost files are told.
	os.WriteFile(left[0], []byte("x"+string(must(os.ReadFile(left[0]))[1:])), 0o644)
	os.WriteFile(left[1], nil, 0o644)
	os.Remove(left[2])
	if wrong, err := s.Check(ctx); len(wrong) != 3 || err != nil {
		t.Errorf("check: %q %v", wrong, err)
	}
}

type errReader struct{}

func (errReader) Read([]byte) (int, error) { return 0, errors.New("the phone went away") }

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

// TestManyAtOnce: jobs run side by side, while others look.
func TestManyAtOnce(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "jobs.db"))
	const jobs, each = 4, 15
	done := make(chan error, jobs)
	for range jobs {
		id := create(t, s, "one of many")
		go func() {
			j, err := job.New(s.Job(id))
			if err != nil {
				done <- err
				return
			}
			defer j.Close()
			for range each {
				if _, err := j.Append(ctx, job.Event{At: t0, Kind: job.KindNoted, Note: "n"}); err != nil {
					done <- err
					return
				}
				if _, err := s.Jobs(ctx); err != nil {
					done <- err
					return
				}
				if _, err := s.Export(ctx, id, io.Discard, t0); err != nil {
					done <- err
					return
				}
			}
			done <- nil
		}()
	}
	for range jobs {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	all, err := s.Jobs(ctx)
	for _, m := range all {
		if m.Events != each {
			t.Errorf("%d events (%v)", m.Events, err)
		}
	}
	clean(t, s)
}

// TestFlat opens and closes a database a thousand times: memory, descriptors
// and goroutines stay.
func TestFlat(t *testing.T) {
	path := filepath.Join(t.TempDir(), "jobs.db")
	cycle := func() {
		s, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Jobs(ctx); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	rounds := 1000
	if testing.Short() {
		rounds = 100
	}
	for range rounds / 10 {
		cycle()
	}
	fds, routines, rss := descriptors(t), runtime.NumGoroutine(), resident(t)
	for range rounds {
		cycle()
	}
	if now := descriptors(t); now > fds {
		t.Errorf("%d descriptors, %d before", now, fds)
	}
	if now := runtime.NumGoroutine(); now > routines+2 { // closing ones may be about to end
		t.Errorf("%d goroutines, %d before", now, routines)
	}
	now := resident(t)
	t.Logf("%d opens: resident %d kB, %d kB before", rounds, now, rss)
	if now > rss+8<<10 {
		t.Errorf("resident memory grew from %d to %d kB", rss, now)
	}
}

// descriptors counts the open files of this process; 0 where the system has no
// list of them.
func descriptors(t *testing.T) int {
	names, err := os.ReadDir("/proc/self/fd")
	if err != nil && runtime.GOOS == "linux" {
		t.Fatal(err)
	}
	return len(names)
}

// resident is the memory of this process in kB; 0 where the system does not say.
func resident(t *testing.T) (kB int) {
	runtime.GC()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		if runtime.GOOS == "linux" {
			t.Fatal(err)
		}
		return 0
	}
	_, after, _ := bytes.Cut(b, []byte("VmRSS:"))
	fmt.Sscan(string(after), &kB)
	return kB
}
