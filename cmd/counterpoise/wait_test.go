package main

import (
	"bytes"
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// A board that is there and says nothing is waited for; whoever waits is told why,
// and ending it is no riddle either.
func TestWaitingIsTold(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			c.Close() // the cable is pulled at once
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	end, stop := context.WithCancel(ctx)
	defer stop()
	var out, errs told
	errs.on = func(text string) {
		if strings.Contains(text, "waiting: ") {
			stop() // as Ctrl-C does
		}
	}
	code := dispatch(end, env{strings.NewReader(""), &out, &errs}, []string{"measure", "tcp:" + ln.Addr().String(), "--for", "1"})
	if text := errs.String(); code != 1 || !strings.Contains(text, "waiting: ") || !strings.Contains(text, "ended before enough was read") || strings.Contains(text, "context") {
		t.Errorf("exit %d: %s", code, text)
	}
}

// told hands on all that was written so far.
type told struct {
	mu   sync.Mutex
	text bytes.Buffer
	on   func(string)
}

func (w *told) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	n, err := w.text.Write(p)
	if w.on != nil {
		w.on(w.text.String())
	}
	return n, err
}

func (w *told) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}
