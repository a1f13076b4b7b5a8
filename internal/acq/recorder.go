package acq

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"counterpoise/internal/acq/tickline"
)

// Recorder writes a take: what came from the wire, as it came. It is written
// beside its final name and only gets it when everything is on the disk, so a
// file of that name is whole; where the disk took no more it holds what came
// before, and Close says so.
//
//	rec, err := acq.NewRecorder("run.take")
//	src, err := acq.Open(word, acq.Options{Tap: rec.Tap})
//	... read the first block of src ...
//	err = rec.Begin(acq.TakeHeader{Source: word, Setup: src.Setup(), Version: release}, time.Now())
//	... read src ...
//	src.Close()
//	err = rec.Close()
//
// What is tapped before Begin waits in the queue.
// Tap never waits for the disk. What the queue cannot hold is counted; the hole
// shows in a replay as lost frames, never as false samples.
type Recorder struct {
	file   *os.File
	out    io.Writer // file, but in tests of a disk that is full
	begun  bool
	path   string
	queue  chan []byte
	done   chan struct{}
	err    error // of the writing goroutine; read after done
	kept   int64 // bytes of the source on the disk; read after done
	failed atomic.Bool
	mu     sync.Mutex
	bytes  uint64
	missed uint64
}

// recorderQueue is about ten seconds of the fastest board in chunks of a read.
const recorderQueue = 1024

// NewRecorder creates the file beside path, which must not exist.
func NewRecorder(path string) (*Recorder, error) {
	if _, err := os.Lstat(path); err == nil {
		return nil, fmt.Errorf("%s exists already and is not overwritten: choose another name or move it away", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return nil, fmt.Errorf("the recording cannot be written: %w; choose a directory that exists and that you may write to", err)
	}
	f.Chmod(0o644) // a recording is no secret; a failure leaves it to its owner
	return &Recorder{file: f, out: f, path: path, queue: make(chan []byte, recorderQueue), done: make(chan struct{})}, nil
}

// Begin writes the header and starts writing. Format, Protocol and Recorded are
// filled in where they are empty.
func (r *Recorder) Begin(h TakeHeader, now time.Time) error {
	if h.Format == "" {
		h.Format = formatFrames
	}
	if h.Format == formatFrames {
		h.Protocol = tickline.Version
	}
	if h.Recorded == "" {
		h.Recorded = now.UTC().Format(time.RFC3339)
	}
	line, err := json.Marshal(h)
	if err == nil {
		_, err = r.file.WriteString(takeMagic + string(line) + "\n")
	}
	if err != nil {
		return fmt.Errorf("the recording %s cannot be written: %w; free some space or choose another place", r.path, err)
	}
	r.begun = true
	go r.write()
	return nil
}

// write owns the file until the queue is closed.
func (r *Recorder) write() {
	defer close(r.done)
	for p := range r.queue {
		if r.err == nil {
			var n int
			n, r.err = r.out.Write(p)
			r.kept += int64(n)
			r.failed.Store(r.err != nil)
		}
	}
}

// Failed tells whether the disk takes no more: then it is no use to go on.
func (r *Recorder) Failed() bool { return r.failed.Load() }

// Tap takes a copy of p for the file. It is an Options.Tap.
func (r *Recorder) Tap(p []byte) {
	c := append([]byte(nil), p...)
	r.mu.Lock()
	defer r.mu.Unlock()
	select {
	case r.queue <- c:
		r.bytes += uint64(len(p))
	default:
		r.missed += uint64(len(p))
	}
}

// Bytes are those that were taken, and those that the disk was too slow for.
func (r *Recorder) Bytes() (written, missed uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.bytes, r.missed
}

// Close makes the file durable and gives it its name. The source must be closed
// before. An empty recording is not kept. What was written before the disk took no
// more is kept, since a run cannot be had again, and the error says where it ends.
func (r *Recorder) Close() error {
	var broken, err error
	if r.begun {
		close(r.queue)
		<-r.done
		broken = r.err
	}
	written, _ := r.Bytes()
	switch {
	case broken != nil && r.kept == 0:
		err = broken
	case written == 0 || !r.begun:
		err = errors.New("nothing came from the source, so there is nothing to keep")
	}
	if err == nil {
		err = r.file.Sync()
	}
	err = errors.Join(err, r.file.Close())
	if err == nil {
		err = os.Rename(r.file.Name(), r.path)
	}
	if err != nil {
		os.Remove(r.file.Name())
		return fmt.Errorf("the recording %s was not kept: %w", r.path, err)
	}
	if broken != nil {
		return errors.Join(fmt.Errorf("the recording %s ends early, because the disk took no more (%w): the first %d bytes are kept and can be measured; free some space before the next", r.path, broken, r.kept), syncDir(filepath.Dir(r.path)))
	}
	return syncDir(filepath.Dir(r.path))
}

// syncDir makes a new name survive a loss of power. Where directories cannot be
// synced (Windows) there is nothing to do.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, errors.ErrUnsupported) && !errors.Is(err, os.ErrPermission) {
		return fmt.Errorf("sync %s: %w", dir, err)
	}
	return nil
}

// Format is the format in which a source's bytes are kept; ok is false where
// they are a file already or samples without frames.
func Format(source string) (format string, ok bool) {
	w, err := parseWord(source)
	if err != nil || w.kind == "file" || w.args["format"] != "" && w.args["format"] != formatTake {
		return "", false
	}
	if w.args["mode"] == formatLines {
		return formatLines, true
	}
	return formatFrames, true
}

// GreetingOf is the greeting of a running source as a header keeps it, for a
// recording that begins in the middle; empty before the board introduced itself.
func GreetingOf(s Source) string {
	l, ok := s.(*live)
	if !ok {
		return ""
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	w, ok := l.fr.(*wire)
	if !ok || w.asm.setup == nil {
		return ""
	}
	return hex.EncodeToString(tickline.AppendGreeting(nil, 0, &w.asm.greet))
}
