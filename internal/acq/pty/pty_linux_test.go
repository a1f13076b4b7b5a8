package pty

import (
	"bytes"
	"errors"
	"io"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func TestEveryByteBothWays(t *testing.T) {
	l, err := Open()
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	near, err := os.OpenFile(l.Path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	got := make([]byte, len(all))
	for name, ends := range map[string][2]*os.File{"to the host": {l.Board, near}, "to the board": {near, l.Board}} {
		if _, err := ends[0].Write(all); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(ends[1], got); err != nil || !bytes.Equal(got, all) {
			t.Errorf("%s: % x, %v", name, got, err)
		}
	}
}

func TestDeadlineAndHangUp(t *testing.T) {
	l, err := Open()
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if err := l.Board.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Board.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("read with nothing there: %v", err)
	}
	near, err := os.OpenFile(l.Path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	l.Close()
	if n, err := near.Read(make([]byte, 1)); err == nil && n > 0 {
		t.Errorf("read after the cable was pulled: %d bytes, %v", n, err)
	}
}
