package rig

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"

	"counterpoise/internal/acq/pty"
)

// ServePTY puts the board on a pseudo-terminal. Path is a link that stays the
// same when the cable is pulled and put back, so that a host can come back to
// it; it goes away with ctx. done is closed when all has ended. Where there are
// no pseudo-terminals the error is pty.ErrNone: use ServeTCP.
func (r *Rig) ServePTY(ctx context.Context) (path string, done <-chan struct{}, err error) {
	line, err := pty.Open()
	if err != nil {
		return "", nil, err
	}
	dir, err := os.MkdirTemp("", "counterpoise-rig-")
	if err != nil {
		line.Close()
		return "", nil, fmt.Errorf("make a place for the rig's port: %w", err)
	}
	path = filepath.Join(dir, "tty")
	if err := os.Symlink(line.Path, path); err != nil {
		line.Close()
		os.RemoveAll(dir)
		return "", nil, fmt.Errorf("make a place for the rig's port: %w", err)
	}
	connect := func(context.Context) (io.ReadWriteCloser, error) {
		if line == nil { // not the first time
			if line, err = pty.Open(); err != nil {
				return nil, err
			}
			if err := relink(line.Path, path); err != nil {
				line.Close()
				line = nil
				return nil, err
			}
		}
		end := ptyEnd{line, path}
		line = nil
		return end, nil
	}
	done, err = r.serve(ctx, connect, func() {
		if line != nil {
			line.Close()
		}
		os.RemoveAll(dir)
	})
	if err != nil {
		line.Close()
		os.RemoveAll(dir)
		return "", nil, err
	}
	return path, done, nil
}

// relink points the link at another line in one step.
func relink(line, path string) error {
	next := path + ".next"
	os.Remove(next)
	if err := os.Symlink(line, next); err != nil {
		return err
	}
	return os.Rename(next, path)
}

// ptyEnd is the board's end of a line; closing it takes the link away too, as a
// port goes away when its board is unplugged.
type ptyEnd struct {
	line *pty.Line
	path string
}

func (e ptyEnd) Read(p []byte) (int, error)  { return e.line.Board.Read(p) }
func (e ptyEnd) Write(p []byte) (int, error) { return e.line.Board.Write(p) }
func (e ptyEnd) Close() error {
	if to, err := os.Readlink(e.path); err == nil && to == e.line.Path {
		os.Remove(e.path)
	}
	return e.line.Close()
}

// ServeTCP puts the board on a TCP port, one host at a time. addr is as for
// net.Listen, for instance 127.0.0.1:0; bound is where it listens. While the
// cable is out nobody listens there. done is closed when all has ended.
func (r *Rig) ServeTCP(ctx context.Context, addr string) (bound string, done <-chan struct{}, err error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return "", nil, fmt.Errorf("put the rig on %s: %w", addr, err)
	}
	bound = l.Addr().String()
	var over context.Context // for which l listens
	connect := func(ctx context.Context) (io.ReadWriteCloser, error) {
		if over != nil && over != ctx { // the cable was out meanwhile
			again, err := net.Listen("tcp", bound)
			if err != nil {
				return nil, err
			}
			l = again
		}
		if over != ctx {
			over = ctx
			mine := l
			context.AfterFunc(ctx, func() { mine.Close() })
		}
		return l.Accept()
	}
	done, err = r.serve(ctx, connect, func() { l.Close() })
	if err != nil {
		l.Close()
		return "", nil, err
	}
	return bound, done, nil
}
