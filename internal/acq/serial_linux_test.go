package acq

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"counterpoise/internal/acq/pty"
	"counterpoise/internal/acq/tickline"
)

// wired is the far end of a line or connection: it answers commands with a
// greeting and sends frames as fast as they are taken, until it is closed.
type wired struct {
	end interface {
		Read([]byte) (int, error)
		Write([]byte) (int, error)
		SetReadDeadline(time.Time) error
		SetWriteDeadline(time.Time) error
	}
	board *board
	ask   int
}

func (w *wired) serve() {
	var dec tickline.Decoder
	buf := make([]byte, 256)
	talking := false
	for {
		w.end.SetReadDeadline(time.Now().Add(2 * time.Millisecond))
		n, err := w.end.Read(buf)
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return
		}
		for p := buf[:n]; len(p) > 0; {
			k, f, _ := dec.Decode(p)
			p = p[k:]
			if f != nil && f.Type == tickline.TypeAsk {
				w.ask++
				talking = true
				if w.write(w.board.greeting([]byte{0})) != nil {
					return
				}
			}
		}
		if talking && w.write(w.board.data(nil)) != nil {
			return
		}
	}
}

func (w *wired) write(p []byte) error {
	w.end.SetWriteDeadline(time.Now().Add(time.Second))
	_, err := w.end.Write(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil // nobody reads: a lost frame, as on a real board
	}
	return err
}

func line(t testing.TB) *pty.Line {
	t.Helper()
	l, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// TestSerialPort runs the real library on a real pseudo-terminal: frames come
// through, and a pulled cable is a link that went down, not an end.
func TestSerialPort(t *testing.T) {
	name := filepath.Join(t.TempDir(), "ttyTEST") // a name that stays when the line is another
	plug := func(b *board) (*pty.Line, chan struct{}) {
		l := line(t)
		os.Remove(name)
		if err := os.Symlink(l.Path, name); err != nil {
			t.Fatal(err)
		}
		done := make(chan struct{})
		go func() { (&wired{end: l.Board, board: b}).serve(); close(done) }()
		return l, done
	}
	b := newBoard()
	l, done := plug(b)
	s, err := Open("serial:"+name+"?baud=1000000", Options{Queue: 100000})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	read := func(n int) (got []Block) {
		for range n {
			blk, err := s.Next(ctx)
			if err != nil {
				t.Fatalf("%v; %+v %+v", err, s.Link(), s.Counts())
			}
			got = append(got, cloneBlock(blk))
		}
		return got
	}
	got := read(100)
	l.Close()
	<-done
	l, done = plug(b)
	for {
		got = append(got, read(1)...)
		if got[len(got)-1].Gap != NoLoss {
			break
		}
	}
	got = append(got, read(100)...)
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	l.Close()
	<-done
	check(t, b, got)
	if c := s.Counts(); c.Reconnects != 1 || c.Gaps["link_down"] != 1 || s.Link().State != Ended {
		t.Errorf("%+v, %+v", c, s.Link())
	}
}

func TestSecondOpeningIsRefusedAlsoForRoot(t *testing.T) {
	l := line(t)
	defer l.Close()
	first, err := dialSerial(l.Path, 115200)(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := dialSerial(l.Path, 115200)(context.Background()); err == nil || !strings.Contains(err.Error(), "is in use by another program") {
		t.Errorf("second opening: %v", err)
	}
	first.Close()
	again, err := dialSerial(l.Path, 115200)(context.Background())
	if err != nil {
		t.Fatalf("after closing: %v", err)
	}
	again.Close()
}

// TestTrapsOfTheSerialLibrary are the ways in which go.bug.st/serial 1.8.0
// differs from what a reader would expect.
func TestTrapsOfTheSerialLibrary(t *testing.T) {
	l := line(t)
	defer l.Close()
	p, err := dialSerial(l.Path, 115200)(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	// a time-out is no error, as often as it comes
	buf := make([]byte, 16)
	start := time.Now()
	for range 3 {
		if n, err := p.Read(buf); n != 0 || err != nil {
			t.Errorf("nothing there: %d, %v", n, err)
		}
	}
	if d := time.Since(start); d < 2*pause {
		t.Errorf("three time-outs in %v", d)
	}
	// a board that never reads does not hang the writer
	junk := make([]byte, 1024)
	for range 1000 {
		if _, err = p.Write(junk); err != nil {
			break
		}
	}
	if !errors.Is(err, unix.EAGAIN) {
		t.Errorf("a full line: %v", err)
	}
	// the far end gone is an error
	l.Close()
	for range 20 {
		if _, err = p.Read(buf); err != nil {
			break
		}
	}
	if err == nil {
		t.Error("a pulled cable gives no error")
	}
}

// TestDescriptorBeyondSelect: select(2) cannot hold a descriptor of 1024.
func TestDescriptorBeyondSelect(t *testing.T) {
	var lim unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &lim); err != nil || lim.Cur < 1200 {
		if os.Getenv("CI") == "true" {
			t.Fatalf("only %d descriptors are allowed here, 1,200 are needed: raise ulimit -n", lim.Cur)
		}
		t.Skipf("only %d descriptors allowed here", lim.Cur)
	}
	var many []*os.File
	defer func() {
		for _, f := range many {
			f.Close()
		}
	}()
	for range 1100 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		many = append(many, f)
	}
	l := line(t)
	defer l.Close()
	p, err := dialSerial(l.Path, 115200)(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if _, err := p.Read(make([]byte, 1)); err == nil || !strings.Contains(err.Error(), "too many files") {
		t.Errorf("descriptor over 1024: %v", err)
	}
}

func TestPortsThatCannotBeOpened(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "ttyFILE")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for word, want := range map[string]string{
		"serial:" + filepath.Join(dir, "ttyNONE"): "there is no port",
		"serial:" + file:           "is not a serial port",
		"serial:/dev/null":         "is not a serial port",
		"serial:/dev/null?baud=-3": "baud=-3 must be a whole number",
		"serial:/dev/null?buad=3":  "option buad",
		"tcp:127.0.0.1:1":          "no connection to 127.0.0.1:1",
		"tcp:127.0.0.1":            "no connection to 127.0.0.1",
	} {
		s, err := Open(word, Options{})
		if err == nil {
			_, err = s.Next(t.Context())
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %q", word, err, want)
		}
	}
}

// TestForbiddenPort opens a port as a user who may not: root may open anything,
// so a child runs as nobody.
func TestForbiddenPort(t *testing.T) {
	if path := os.Getenv("FORBIDDEN_PORT"); path != "" {
		_, err := Open("serial:"+path, Options{})
		fmt.Println("sentence:", err)
		return
	}
	l := line(t)
	defer l.Close()
	if os.Getuid() == 0 {
		for mode, want := range map[os.FileMode]string{0o660: "sudo usermod -aG dialout $USER", 0o600: "60-counterpoise.rules"} {
			dialout := 20
			if err := errors.Join(os.Chown(l.Path, 0, dialout), os.Chmod(l.Path, mode)); err != nil {
				t.Fatal(err)
			}
			// nobody must be able to run the test binary
			exe := filepath.Join("/tmp", fmt.Sprintf("acq-test-%d", os.Getpid()))
			self, err := os.ReadFile(os.Args[0])
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(exe, self, 0o755); err != nil {
				t.Fatal(err)
			}
			defer os.Remove(exe)
			cmd := exec.Command(exe, "-test.run", "^TestForbiddenPort$", "-test.v")
			cmd.Dir = "/"
			cmd.Env = []string{"FORBIDDEN_PORT=" + l.Path}
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
			out, err := cmd.CombinedOutput()
			if err != nil || !strings.Contains(string(out), want) || !strings.Contains(string(out), "may not be opened by this user") {
				t.Errorf("mode %o: %v\n%s", mode, err, out)
			}
		}
		return
	}
	if err := os.Chmod(l.Path, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := Open("serial:"+l.Path, Options{}); err == nil || !strings.Contains(err.Error(), "may not be opened by this user") {
		t.Errorf("%v", err)
	}
}

func TestTCP(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	b := newBoard()
	conns := make(chan net.Conn, 10)
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			conns <- c
			(&wired{end: c, board: b}).serve()
		}
	}()
	s, err := Open("tcp:"+ln.Addr().String(), Options{Queue: 100000})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	gaps := 0
	for n := 0; n < 200 || gaps == 0; n++ {
		blk, err := s.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if n == 100 {
			(<-conns).Close()
		}
		if blk.Gap == LinkDown {
			gaps++
		}
	}
	if gaps != 1 || s.Counts().Reconnects != 1 {
		t.Errorf("%d gaps, %+v", gaps, s.Counts())
	}
}

// TestAThousandConnections leaves no goroutine, descriptor or memory behind.
func TestAThousandConnections(t *testing.T) {
	rounds := 1000
	if testing.Short() {
		rounds = 100
	}
	l := line(t)
	defer l.Close()
	done := make(chan struct{})
	go func() { (&wired{end: l.Board, board: newBoard()}).serve(); close(done) }()
	once := func() {
		s, err := Open("serial:"+l.Path, Options{Queue: 4})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Next(context.Background()); err != nil {
			t.Fatal(err)
		}
		s.Close()
	}
	for range 20 {
		once()
	}
	goroutines, files, memory := runtime.NumGoroutine(), descriptors(t), heap()
	for range rounds {
		once()
	}
	// One that has done its work may not have been taken off the list yet.
	for end := time.Now().Add(5 * time.Second); runtime.NumGoroutine() > goroutines && time.Now().Before(end); {
		runtime.Gosched()
	}
	if g := runtime.NumGoroutine(); g > goroutines {
		t.Errorf("%d goroutines, %d before", g, goroutines)
	}
	if f := descriptors(t); f > files {
		t.Errorf("%d descriptors, %d before", f, files)
	}
	if m := heap(); m > memory+1<<20 {
		t.Errorf("%d bytes of heap, %d before", m, memory)
	}
	l.Close()
	<-done
}

func descriptors(t *testing.T) int {
	t.Helper()
	d, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(d)
}

func heap() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
