package job

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"
)

const childEnv = "COUNTERPOISE_JOB_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		if err := driveJob(path); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// driveJob is the child of TestKill: it drives an unattended job from wherever
// the file stands to its end, and says the number of each event once it has
// been acknowledged.
func driveJob(path string) error {
	seed, err := strconv.ParseUint(strings.TrimPrefix(filepath.Ext(path), "."), 10, 64)
	if err != nil {
		return err
	}
	j, err := Open(path)
	if err != nil {
		return err
	}
	p := twoPlanes(seed)
	r, err := Auto(context.Background(), AutoConfig{Job: acknowledging(j), Setup: p.setup, Instrument: p, Rotor: p, Now: func() time.Time { return p.clock }})
	if err == nil && !r.OK {
		err = errors.New(r.Why)
	}
	return err
}

// acknowledging makes a job print what it has acknowledged.
func acknowledging(j *Job) *Job {
	fmt.Println(j.State().Events)
	j.log = loud{j.log}
	return j
}

type loud struct{ Log }

func (l loud) Append(e Event) error {
	err := l.Log.Append(e)
	if err == nil {
		fmt.Println(e.Number)
	}
	return err
}

// TestKill kills a process that drives a job, at random moments, until jobs
// enough have come to their end: every acknowledged event is found again, and
// the next process goes on and balances the rotor. COUNTERPOISE_KILLS asks for
// a longer trial.
func TestKill(t *testing.T) {
	kills := 12
	if n, err := strconv.Atoi(os.Getenv("COUNTERPOISE_KILLS")); err == nil {
		kills = n
	}
	dir, rng := t.TempDir(), rand.New(rand.NewPCG(1, 2))
	done, jobs, events, torn, moments := 0, 0, 0, 0, map[string]int{}
	for done < kills {
		path := filepath.Join(dir, fmt.Sprint("job.", jobs%12))
		acked, ended := 0, false
		for !ended {
			var killed bool
			acked, killed, ended = killOnce(t, path, acked, rng.IntN(8), time.Duration(rng.IntN(10_000))*time.Microsecond)
			if killed {
				done++
			}
			stored, err := ReadFile(path)
			if err != nil {
				t.Fatalf("kill %d: %v", done, err)
			}
			if len(stored) < acked {
				t.Fatalf("kill %d: %d events acknowledged, %d found", done, acked, len(stored))
			}
			acked = len(stored)
			moments[fold(stored).Next(t0).Stage.String()]++
		}
		jobs++
		events += acked
		m, _ := filepath.Glob(path + "*")
		torn += len(m) - 1
		for _, f := range m {
			os.Remove(f)
		}
	}
	t.Logf("%d kills in %d jobs, by stage %v; %d events, %d torn ends set aside, none lost, every job balanced", done, jobs, moments, events, torn)
}

// killOnce runs a child and kills it some time after it has acknowledged a few
// events, unless it has come to the end of its job.
func killOnce(t *testing.T, path string, acked, events int, after time.Duration) (now int, killed, ended bool) {
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
		n, err := strconv.Atoi(lines.Text())
		if err != nil {
			t.Fatalf("the child says %q", lines.Text())
		}
		if n < acked {
			t.Fatalf("event %d acknowledged after %d", n, acked)
		}
		acked = n
		if events--; events < 0 && timer == nil {
			timer = time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
	}
	err = cmd.Wait()
	if timer != nil {
		timer.Stop()
	}
	return acked, err != nil, err == nil
}

// sample returns the bytes of a job file with n events.
func sample(t testing.TB, n int) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "j")
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for i := range n {
		if _, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted, Note: fmt.Sprint("note ", i)}); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestEveryCut cuts a job file after every byte, as a power loss may, with and
// without a tail of zeros, as some file systems leave it: all whole events are
// there, the rest is kept aside and reported, and the job goes on.
func TestEveryCut(t *testing.T) {
	whole := sample(t, 2)
	dir := t.TempDir()
	for cut := bytes.IndexByte(whole, '\n'); cut <= len(whole); cut++ {
		for _, tail := range []string{"", "\x00\x00\x00\x00\x00"} {
			b := append(bytes.Clone(whole[:cut]), tail...)
			path := filepath.Join(dir, fmt.Sprintf("j%d-%d", cut, len(tail)))
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
			j, err := Open(path)
			if err != nil {
				t.Fatalf("cut %d: %v", cut, err)
			}
			want := bytes.Count(whole[:cut], []byte{'\n'})
			keep := bytes.LastIndexByte(whole[:cut], '\n') + 1
			if got := j.State().Events; got != want {
				t.Fatalf("cut %d: %d events, want %d", cut, got, want)
			}
			aside, _ := os.ReadFile(path + ".torn-1")
			if !bytes.Equal(aside, b[keep:]) || (len(aside) > 0) != strings.Contains(j.Notice(), "torn-1") {
				t.Fatalf("cut %d: %q aside, want %q; notice %q", cut, aside, b[keep:], j.Notice())
			}
			if _, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted, Note: "on"}); err != nil {
				t.Fatal(err)
			}
			j.Close()
			if events, err := ReadFile(path); err != nil || len(events) != want+1 {
				t.Fatalf("cut %d: afterwards %d events, %v", cut, len(events), err)
			}
		}
	}
}

// TestDamage: a bad line before good ones is not repaired by dropping events.
func TestDamage(t *testing.T) {
	whole := sample(t, 4)
	lines := bytes.SplitAfter(whole, []byte{'\n'})
	join := func(ls ...[]byte) []byte { return bytes.Join(ls, nil) }
	flip := bytes.Clone(lines[1])
	flip[len(flip)/2] ^= 1
	for name, c := range map[string]struct {
		content []byte
		want    string
	}{
		"bit":     {join(lines[0], flip, lines[2]), "line 2"},
		"missing": {join(lines[0], lines[2]), "event 3 where event 2"},
		"twice":   {join(lines[0], lines[0], lines[1]), "event 1 where event 2"},
		"newer":   {join(lines[0], bytes.Replace(lines[1], []byte(`"schema":1`), []byte(`"schema":9`), 1)), "later version"},
		"hand":    {join(lines[0], bytes.Replace(lines[1], []byte("note 1"), []byte("note 7"), 1), lines[2]), "checksum"},
	} {
		path := filepath.Join(t.TempDir(), "j")
		os.WriteFile(path, c.content, 0o644)
		_, err := Open(path)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
		if b, _ := os.ReadFile(path); !bytes.Equal(b, c.content) {
			t.Errorf("%s: the damaged file was changed", name)
		}
	}
}

// TestOneWrites: the second writer is turned away with a sentence; who looks is not.
func TestOneWrites(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j")
	j, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path); err == nil || !strings.Contains(err.Error(), "only one may write") {
		t.Errorf("second writer: %v", err)
	}
	if _, err := ReadFile(path); err != nil {
		t.Errorf("who looks: %v", err)
	}
	j.Close()
	if k, err := Open(path); err != nil {
		t.Errorf("after the first has closed: %v", err)
	} else {
		k.Close()
	}
	if _, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted}); !errors.Is(err, ErrClosed) {
		t.Errorf("append after close: %v", err)
	}
	if _, err := Open(filepath.Join(path, "no", "such")); err == nil {
		t.Error("a path that cannot exist was opened")
	}
}

// failing lets the disk fail after a number of bytes, or at the sync.
type failing struct {
	disk
	room       int
	sync, trim error
}

func (f *failing) WriteAt(b []byte, at int64) (int, error) {
	if len(b) <= f.room {
		f.room -= len(b)
		return f.disk.WriteAt(b, at)
	}
	n, _ := f.disk.WriteAt(b[:f.room], at)
	f.room = 0
	return n, errors.New("no space left on device")
}

func (f *failing) Sync() error { return f.sync }

func (f *failing) Truncate(n int64) error {
	if f.trim != nil {
		return f.trim
	}
	return f.disk.Truncate(n)
}

// TestFailingDisk: an event that is not on the disk does not change the state,
// half of it is never followed by another, and the job goes on when there is
// room again.
func TestFailingDisk(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(*failing)
		ends bool // writing is over until the job is opened again
	}{
		{"full", func(f *failing) { f.room = 20 }, false},
		{"sync", func(f *failing) { f.sync = errors.New("input/output error") }, true},
		{"full and stuck", func(f *failing) { f.room, f.trim = 20, errors.New("read-only file system") }, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "j")
			l, err := OpenFile(path)
			if err != nil {
				t.Fatal(err)
			}
			f := &failing{disk: l.f, room: 1 << 20}
			l.f = f
			j, err := New(l)
			if err != nil {
				t.Fatal(err)
			}
			note := func() error {
				_, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted, Note: "n"})
				return err
			}
			if err := note(); err != nil {
				t.Fatal(err)
			}
			was := j.State()
			c.set(f)
			if err := note(); err == nil || !strings.Contains(err.Error(), "not saved") {
				t.Fatalf("error %v", err)
			}
			if !reflect.DeepEqual(j.State(), was) {
				t.Error("the state changed")
			}
			*f = failing{disk: f.disk, room: 1 << 20}
			if err := note(); (err != nil) != c.ends {
				t.Errorf("afterwards: %v", err)
			}
			j.Close()
			k, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer k.Close()
			want := 2
			if c.ends {
				want = 1
			}
			if n := k.State().Events; n != want {
				t.Errorf("%d events on the disk, want %d", n, want)
			}
		})
	}
}

// noting writes down what happens to a disk.
type noting struct {
	disk
	did []string
}

func (n *noting) WriteAt(b []byte, at int64) (int, error) {
	n.did = append(n.did, "write")
	return n.disk.WriteAt(b, at)
}

func (n *noting) Sync() error {
	n.did = append(n.did, "sync")
	return n.disk.Sync()
}

// TestEachEventIsSynced: an event is acknowledged only after the disk was told
// to keep it. A killed process cannot show this, only lost power would.
func TestEachEventIsSynced(t *testing.T) {
	l, err := OpenFile(filepath.Join(t.TempDir(), "j"))
	if err != nil {
		t.Fatal(err)
	}
	n := &noting{disk: l.f}
	l.f = n
	j, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for i := 1; i <= 3; i++ {
		if _, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(n.did, " "); got != strings.TrimSpace(strings.Repeat("write sync ", i)) {
			t.Fatalf("after %d events the disk saw: %s", i, got)
		}
	}
}

// ordered checks at every append that the state has not moved yet.
type ordered struct {
	memory
	t *testing.T
	j *Job
}

func (o *ordered) Append(e Event) error {
	if n := o.j.State().Events; n != e.Number-1 {
		o.t.Errorf("the state holds %d events while event %d is being stored", n, e.Number)
	}
	return o.memory.Append(e)
}

// TestStoredFirst: the event is stored before the state changes, and listeners
// wake after it; many appenders at once make one order.
func TestStoredFirst(t *testing.T) {
	o := &ordered{t: t}
	j, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	o.j = j
	const each, appenders = 50, 4
	done := make(chan int, appenders)
	for range appenders {
		go func() {
			for range each {
				if _, err := j.Append(context.Background(), Event{At: t0, Kind: KindNoted}); err != nil {
					t.Error(err)
				}
			}
			done <- 1
		}()
	}
	seen := 0
	for seen < each*appenders {
		s, err := j.Wait(context.Background(), seen)
		if err != nil || s.Events <= seen {
			t.Fatalf("woken with %d events after %d (%v)", s.Events, seen, err)
		}
		seen = s.Events
	}
	for range appenders {
		<-done
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := j.Wait(ctx, seen); !errors.Is(err, context.Canceled) {
		t.Errorf("wait without end: %v", err)
	}
	if _, err := j.Append(ctx, Event{At: t0, Kind: KindNoted}); !errors.Is(err, context.Canceled) {
		t.Errorf("append after the end: %v", err)
	}
}

// FuzzParse: whatever stands in a file, reading it never panics, what is read
// stays the same when the bad end is cut off, and numbers run from 1.
func FuzzParse(f *testing.F) {
	whole := sample(f, 3)
	f.Add(whole)
	f.Add(whole[:len(whole)-9])
	f.Add([]byte("{}\n\x00"))
	f.Add([]byte(`{"schema":1,"crc":"00000000","event":{}}` + "\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		events, good, err := parse("f", b)
		if err != nil {
			return
		}
		again, n, err := parse("f", b[:good])
		if err != nil || n != good || !reflect.DeepEqual(events, again) {
			t.Fatalf("reading the good part again gives %d events in %d bytes, %v", len(again), n, err)
		}
		for i, e := range events {
			if e.Number != i+1 {
				t.Fatalf("event %d is numbered %d", i+1, e.Number)
			}
		}
		fold(events)
	})
}
