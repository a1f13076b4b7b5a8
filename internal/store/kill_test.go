package store

import (
	"bufio"
	"bytes"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
)

const childEnv = "COUNTERPOISE_STORE_CHILD"

// everyFile is how often the child of TestKill also saves a file.
const everyFile = 5

// appendForEver is the child of TestKill: it appends to the one job of a store
// until it is killed, and says what has been acknowledged.
func appendForEver(path string) error {
	s, err := Open(path)
	if err != nil {
		return err
	}
	all, err := s.Jobs(ctx)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		if _, err := s.Create(ctx, NewJob{Name: "killed", At: t0}); err != nil {
			return err
		}
		if all, err = s.Jobs(ctx); err != nil {
			return err
		}
	}
	id := all[0].ID
	l := s.Job(id)
	events, _, err := l.Load()
	if err != nil {
		return err
	}
	for n := len(events) + 1; ; n++ {
		if err := l.Append(noted(n)); err != nil {
			return err
		}
		fmt.Println("event", n)
		if n%everyFile == 0 {
			if _, err := s.AddFile(ctx, id, File{Name: fmt.Sprint("f", n), Kind: KindTake, At: t0}, strings.NewReader(noted(n).Note)); err != nil {
				return err
			}
			fmt.Println("file", n)
		}
	}
}

// noted is the event of a number; its length goes from one page of the database
// to several.
func noted(n int) job.Event {
	return job.Event{Number: n, At: t0, Kind: job.KindNoted, Note: fmt.Sprint(n, strings.Repeat(" and on", n*37%1500))}
}

// TestKill kills a process that appends, at random moments: every acknowledged
// event and file is there afterwards, and the database is whole.
// COUNTERPOISE_KILLS asks for a longer trial.
func TestKill(t *testing.T) {
	kills := 10
	if n, err := strconv.Atoi(os.Getenv("COUNTERPOISE_KILLS")); err == nil {
		kills = n
	}
	path, rng := filepath.Join(t.TempDir(), "jobs.db"), rand.New(rand.NewPCG(1, 2))
	acked, unconfirmed, wal := 0, 0, 0
	for k := range kills {
		events, files := killOnce(t, path, rng.IntN(12), time.Duration(rng.IntN(20_000))*time.Microsecond)
		acked = max(acked, events)
		if info, err := os.Stat(path + "-wal"); err == nil && info.Size() > 0 {
			wal++
		}
		s, err := Open(path)
		if err != nil {
			t.Fatalf("kill %d: %v", k, err)
		}
		clean(t, s)
		all, err := s.Jobs(ctx)
		if err != nil || len(all) > 1 || len(all) == 0 && acked > 0 {
			t.Fatalf("kill %d: %d jobs, %v", k, len(all), err)
		}
		if len(all) == 1 {
			there, err := s.Events(ctx, all[0].ID)
			if err != nil || len(there) < acked {
				t.Fatalf("kill %d: %d events acknowledged, %d found, %v", k, acked, len(there), err)
			}
			unconfirmed += len(there) - acked
			acked = len(there)
			for i, e := range there {
				if e.Note != noted(i+1).Note {
					t.Fatalf("kill %d: event %d is not what was saved", k, i+1)
				}
			}
			if files > 0 {
				f, _, err := s.OpenFile(ctx, all[0].ID, fmt.Sprint("f", files))
				if err != nil {
					t.Fatalf("kill %d: %v", k, err)
				}
				f.Close()
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d kills, %d with a write-ahead log left behind: %d events acknowledged or found, none lost (%d saved but not yet acknowledged), every check clean",
		kills, wal, acked, unconfirmed)
	if acked == 0 || wal == 0 {
		t.Error("no kill struck while something was being saved: this trial shows nothing")
	}
}

// killOnce runs a child, kills it some time after it has acknowledged some
// events, and returns the numbers of the newest event and file it acknowledged.
func killOnce(t *testing.T, path string, after int, wait time.Duration) (event, file int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var timer *time.Timer
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var what string
		var n int
		if _, err := fmt.Sscan(lines.Text(), &what, &n); err != nil || what != "event" && what != "file" {
			cmd.Process.Kill()
			t.Fatalf("the child says %q", lines.Text())
		}
		if what == "event" {
			event = n
		} else {
			file = n
		}
		if after--; after < 0 && timer == nil {
			timer = time.AfterFunc(wait, func() { cmd.Process.Kill() })
		}
	}
	cmd.Wait()
	if timer == nil {
		t.Fatal("the child ended by itself")
	}
	timer.Stop()
	return event, file
}

// TestCutLog cuts the write-ahead log at many places, as a power loss during a
// save may leave it: the whole log gives all events, a shorter one the first
// so many, never a damaged database.
func TestCutLog(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "jobs.db")
	s := open(t, path)
	id := create(t, s, "cut")
	const n = 6
	var events []job.Event
	for i := range n {
		events = append(events, noted(i+1))
	}
	tell(t, s, id, events)
	db, wal := must(os.ReadFile(path)), must(os.ReadFile(path+"-wal"))
	rng := rand.New(rand.NewPCG(3, 4))
	cuts := []int{len(wal), 0, 1, 31, 32, 33}
	for range 40 {
		cuts = append(cuts, rng.IntN(len(wal)))
	}
	seen := map[int]int{}
	for i, cut := range cuts {
		at := filepath.Join(dir, fmt.Sprint("cut", i))
		torn := bytes.Clone(wal[:cut])
		if i%2 == 1 && cut > 0 {
			torn = append(torn, make([]byte, 5000)...) // as some file systems leave it
		}
		os.WriteFile(at, db, 0o644)
		os.WriteFile(at+"-wal", torn, 0o644)
		s, err := Open(at)
		if err != nil {
			t.Fatalf("cut at %d of %d: %v", cut, len(wal), err)
		}
		clean(t, s)
		there, err := s.Events(ctx, id)
		if err != nil {
			there = nil // the job itself had not been saved yet
		}
		for k, e := range there {
			if e.Note != noted(k+1).Note {
				t.Errorf("cut at %d: event %d is another", cut, k+1)
			}
		}
		if cut == len(wal) && len(there) != n {
			t.Errorf("the whole log gives %d events", len(there))
		}
		seen[len(there)]++
		s.Close()
	}
	if len(seen) < 4 {
		t.Errorf("numbers of events found: %v; this trial shows little", seen)
	}
}

// TestEveryConnectionWaitsForTheDisk: what makes the promise true holds on each
// connection of the pools, not only on the first.
func TestEveryConnectionWaitsForTheDisk(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "a b%20?#&.db")) // a name that a connection string could misread
	if _, err := os.Stat(s.path); err != nil {
		t.Fatal(err)
	}
	ask := func(c *sql.Conn, pragma string) (v string) {
		t.Helper()
		if err := c.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	check := func(db *sql.DB, n int, want map[string]string) {
		t.Helper()
		for range n { // held at the same time, so that each is another
			c, err := db.Conn(ctx)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			for pragma, v := range want {
				if got := ask(c, pragma); got != v {
					t.Errorf("%s is %s, want %s", pragma, got, v)
				}
			}
		}
		if db.Stats().OpenConnections != n {
			t.Errorf("%d connections", db.Stats().OpenConnections)
		}
	}
	check(s.w, 1, map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1", "fullfsync": "1", "checkpoint_fullfsync": "1", "trusted_schema": "0"})
	check(s.r, 4, map[string]string{"query_only": "1", "trusted_schema": "0"})
}
