package web

import (
	"bufio"
	"context"
	"net"
	"net/http"
	"runtime"
	"testing"
	"time"
)

// A live page must not keep the program from ending: two seconds is the promise
// of the whole, one that of this part.
func TestServeEndsQuicklyAndLeavesNothing(t *testing.T) {
	before := runtime.NumGoroutine()
	f := newFake("bench")
	f.set(turning())
	s := newServer(t, Config{}, f)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()

	client := &http.Client{Transport: &http.Transport{}}
	resp, err := client.Get("http://" + ln.Addr().String() + "/api/v1/stations/bench/events")
	if err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(resp.Body).ReadString('\n')
	if err != nil || line != "event: state\n" {
		t.Fatalf("the stream begins with %q: %v", line, err)
	}
	cancel()
	began := time.Now()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("ending took %v", took)
	}
	resp.Body.Close()
	client.CloseIdleConnections()
	for range 1000 { // the transport's own goroutines need a moment
		if runtime.NumGoroutine() <= before {
			return
		}
		runtime.Gosched()
		<-time.After(time.Millisecond)
	}
	buf := make([]byte, 1<<16)
	t.Errorf("%d goroutines before, %d after:\n%s", before, runtime.NumGoroutine(), buf[:runtime.Stack(buf, true)])
}

func TestConnectionsAreLimited(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := limit(ln, 1)
	accepted := make(chan net.Conn)
	go func() {
		defer close(accepted)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			accepted <- c
		}
	}()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	a := dial()
	first := <-accepted
	b := dial()
	select {
	case <-accepted:
		t.Fatal("a second connection was let in beside the first")
	case <-time.After(50 * time.Millisecond):
	}
	first.Close()
	first.Close() // twice is once
	second := <-accepted
	l.Close()
	if _, open := <-accepted; open {
		t.Error("a closed listener accepts")
	}
	for _, c := range []net.Conn{a, b, second} {
		c.Close()
	}
}
