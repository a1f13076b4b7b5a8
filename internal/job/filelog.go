package job

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"counterpoise/internal/durable"
)

// FileLog keeps a job as a file of JSON lines. It holds a lock on the file, so
// that only one process writes.
type FileLog struct {
	path   string
	f      disk
	good   int64 // bytes that hold whole events
	next   int   // number of the next event; 0 before Load, so that nothing is written over
	broken error // set when the file's state is not known any more
}

// disk is what of an *os.File is used, so that tests can let it fail.
type disk interface {
	io.Reader
	io.Seeker
	io.WriterAt
	Truncate(size int64) error
	Sync() error
	Close() error
}

// OpenFile opens or creates the event file of a job and locks it.
func OpenFile(path string) (*FileLog, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("the job file cannot be opened: %w", err)
	}
	if err := durable.Lock(f); err != nil {
		f.Close()
		return nil, fmt.Errorf("the job file %s is being written by another counterpoise (only one may write): close that one, or look on through its page: %w", path, err)
	}
	// The name must survive a power loss as the content does.
	if err := errors.Join(f.Sync(), durable.SyncDir(filepath.Dir(path))); err != nil {
		f.Close()
		return nil, fmt.Errorf("the job file %s cannot be made safe on the disk: %w", path, err)
	}
	return &FileLog{path: path, f: f}, nil
}

// Load reads the file. A last line that is not a whole event, as a power loss
// leaves it, is copied to a file of its own beside the job and then cut off.
func (l *FileLog) Load() ([]Event, string, error) {
	if _, err := l.f.Seek(0, io.SeekStart); err != nil {
		return nil, "", err
	}
	b, err := io.ReadAll(l.f)
	if err != nil {
		return nil, "", fmt.Errorf("the job file %s cannot be read: %w", l.path, err)
	}
	events, good, err := parse(l.path, b)
	if err != nil {
		return nil, "", err
	}
	l.good, l.next = int64(good), len(events)+1
	if good == len(b) {
		return events, "", nil
	}
	aside, err := l.setAside(b[good:])
	if err != nil {
		return nil, "", err
	}
	return events, fmt.Sprintf("the last entry of the job was not written completely (power loss or a full disk while it was saved); it had not been confirmed. Its %d bytes are kept in %s; check whether the step after event %d has to be entered again",
		len(b)-good, aside, len(events)), nil
}

// ReadFile reads the events of a job without locking it, for those who only
// look. A last line that is just being written is left out.
func ReadFile(path string) ([]Event, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the job file cannot be read: %w", err)
	}
	events, _, err := parse(path, b)
	return events, err
}

// parse returns the events and the length in bytes of the part that holds
// them. A bad end is not an error; a bad line before good ones is.
func parse(path string, b []byte) (events []Event, good int, err error) {
	for good < len(b) {
		end := bytes.IndexByte(b[good:], '\n')
		if end < 0 {
			return events, good, nil
		}
		e, err := decodeLine(b[good : good+end])
		var newer errNewer
		if err == nil && e.Number != len(events)+1 {
			return nil, 0, fmt.Errorf("the job file %s holds event %d where event %d should stand: lines were removed or added by hand; nothing was changed, restore it from a copy", path, e.Number, len(events)+1)
		}
		if errors.As(err, &newer) {
			return nil, 0, fmt.Errorf("the job file %s cannot be used: %w", path, newer)
		}
		if err != nil {
			if goodLineIn(b[good+end+1:]) {
				return nil, 0, fmt.Errorf("line %d of the job file %s is damaged (%v) although good lines follow it: the file was altered or the disk fails; nothing was changed, restore it from a copy", len(events)+1, path, err)
			}
			return events, good, nil
		}
		events = append(events, e)
		good += end + 1
	}
	return events, good, nil
}

func goodLineIn(b []byte) bool {
	for l := range bytes.Lines(b) {
		if _, err := decodeLine(bytes.TrimSuffix(l, []byte{'\n'})); err == nil {
			return true
		}
	}
	return false
}

// setAside keeps the torn bytes in a file of their own before they are cut off.
func (l *FileLog) setAside(torn []byte) (string, error) {
	for i := 1; ; i++ {
		aside := fmt.Sprintf("%s.torn-%d", l.path, i)
		f, err := os.OpenFile(aside, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return "", fmt.Errorf("the incomplete end of the job file cannot be kept aside, so nothing was changed: %w", err)
		}
		_, err = f.Write(torn)
		err = errors.Join(err, f.Sync(), f.Close(), durable.SyncDir(filepath.Dir(aside)))
		if err == nil {
			err = errors.Join(l.f.Truncate(l.good), l.f.Sync())
		}
		if err != nil {
			return "", fmt.Errorf("the incomplete end of the job file could not be cut off: %w", err)
		}
		return aside, nil
	}
}

// Append writes one event and waits until it is on the disk.
func (l *FileLog) Append(e Event) error {
	if l.broken != nil {
		return fmt.Errorf("the job file %s cannot be written since an earlier error (%w): free the disk, then open the job again", l.path, l.broken)
	}
	if e.Number != l.next {
		return fmt.Errorf("event %d offered where event %d is due", e.Number, l.next)
	}
	b, err := encodeLine(e)
	if err != nil {
		return err
	}
	if _, err = l.f.WriteAt(b, l.good); err == nil {
		err = l.f.Sync()
	}
	if err != nil {
		// What the disk holds now is not known; take the line back, and if that
		// cannot be confirmed write no more: a later line must not follow half
		// of this one.
		if undo := errors.Join(l.f.Truncate(l.good), l.f.Sync()); undo != nil {
			l.broken = undo
		}
		return fmt.Errorf("the event was not saved: %w: free the disk or check it, then enter the step again", err)
	}
	l.good += int64(len(b))
	l.next++
	return nil
}

// Close releases the file and its lock.
func (l *FileLog) Close() error { return l.f.Close() }
