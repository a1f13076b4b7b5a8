package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"

	"counterpoise/internal/acq"
	"counterpoise/internal/acq/pty"
	"counterpoise/internal/rig"
)

// openSource opens any SOURCE word. rig:NAME starts a virtual fan behind a
// pseudo-terminal first, and ends with ctx; every other word is acq's.
func openSource(ctx context.Context, word string, o acq.Options) (acq.Source, error) {
	name, ok := strings.CutPrefix(word, "rig:")
	if !ok {
		return acq.Open(word, o)
	}
	r, err := rig.New(name, 1)
	if err != nil {
		return nil, err
	}
	if err := r.Start(); err != nil {
		return nil, err
	}
	source, err := serveRig(ctx, r, "")
	if err != nil {
		return nil, err
	}
	return acq.Open(source, o)
}

// serveRig puts a virtual fan where a board would be and returns the SOURCE
// word that reaches it: a pseudo-terminal, or a local TCP port on systems that
// have none.
func serveRig(ctx context.Context, r *rig.Rig, options string) (string, error) {
	path, _, err := r.ServePTY(ctx)
	if err == nil {
		return "serial:" + path + options, nil
	}
	if !errors.Is(err, pty.ErrNone) {
		return "", err
	}
	addr, _, err := r.ServeTCP(ctx, "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return "tcp:" + addr + options, nil
}

// sourceOptions are those of a command that reads one source: standard input, and
// a line on standard error when a board is lost or says nothing, since the command
// waits for it.
func (e env) sourceOptions() acq.Options {
	return acq.Options{Stdin: e.stdin, Log: slog.New(linkNotes{slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelWarn}), e.stderr})}
}

// linkNotes writes the reason of a warning as a sentence for people.
type linkNotes struct {
	slog.Handler
	w io.Writer
}

func (h linkNotes) WithAttrs([]slog.Attr) slog.Handler { return h }
func (h linkNotes) WithGroup(string) slog.Handler      { return h }

func (h linkNotes) Handle(_ context.Context, r slog.Record) (err error) {
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == "reason" {
			_, err = fmt.Fprintf(h.w, "waiting: %s\n", a.Value)
		}
		return err == nil
	})
	return err
}

// newLog is the log of a daemon: changes of state, one line each.
func newLog(e env) *slog.Logger {
	return slog.New(slog.NewTextHandler(e.stderr, nil))
}
