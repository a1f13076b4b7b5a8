package acq

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// narrow is a disk with room for so many bytes.
type narrow struct {
	w    io.Writer
	room int
}

func (n *narrow) Write(p []byte) (int, error) {
	if len(p) > n.room {
		k, err := n.w.Write(p[:n.room])
		n.room -= k
		if err == nil {
			err = syscall.ENOSPC
		}
		return k, err
	}
	n.room -= len(p)
	return n.w.Write(p)
}

// A run that cannot be had again is not thrown away because the disk became full
// at its end; and where nothing came to the disk, nothing of it stays there.
func TestRecordingOnADiskThatFills(t *testing.T) {
	for _, room := range []int{70, 0} {
		dir := t.TempDir()
		path := filepath.Join(dir, "run.take")
		rec, err := NewRecorder(path)
		if err != nil {
			t.Fatal(err)
		}
		rec.out = &narrow{rec.file, room}
		if err := rec.Begin(TakeHeader{Source: "serial:/dev/x"}, time.Now()); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			rec.Tap([]byte(strings.Repeat("x", 40)))
		}
		for end := time.Now().Add(10 * time.Second); !rec.Failed(); time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				t.Fatal("the recorder does not say that it failed")
			}
		}
		err = rec.Close()
		b, readErr := os.ReadFile(path)
		left, _ := os.ReadDir(dir)
		if room == 0 {
			if err == nil || !strings.Contains(err.Error(), "was not kept") || readErr == nil || len(left) != 0 {
				t.Errorf("no room: %v, %d files", err, len(left))
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), "the first 70 bytes are kept") || !strings.HasSuffix(string(b), "\n"+strings.Repeat("x", 70)) || len(left) != 1 {
			t.Errorf("%v, %d bytes, %d files, %v", err, len(b), len(left), readErr)
		}
	}
}
