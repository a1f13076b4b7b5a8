package hil

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// Truth is what the emulator says that it really did.
type Truth struct {
	Seconds     float64 `json:"seconds"`     // simulated
	Wall        float64 `json:"wall"`        // s of the host
	Bytes       uint64  `json:"bytes"`       // sent by the firmware
	Lost        uint64  `json:"lost"`        // of them, in the stalled adapter
	Flipped     uint64  `json:"flipped"`     // bytes damaged in one bit
	Dropped     uint64  `json:"dropped"`     // bytes taken out
	Inserted    uint64  `json:"inserted"`    // bytes put in
	Edges       uint64  `json:"edges"`       // passings of the mark at the tach input
	Bounces     uint64  `json:"bounces"`     // edges beside them
	Conversions uint64  `json:"conversions"` // of the analog inputs
	Load        float64 `json:"load"`        // part of the processor's time that was not spent asleep
	Crashed     bool    `json:"crashed"`
}

// Emulator is board A on a pseudo-terminal.
type Emulator struct {
	Port string // a name that leads to the pseudo-terminal
	cmd  *exec.Cmd
	out  bytes.Buffer
	err  bytes.Buffer
	done chan struct{}
	fate error
}

// Emulate starts the emulator with the options that hw/emulator/main.c lists. It
// begins to run when a host speaks to it and ends with ctx, or when its
// simulated time is over.
func (b Build) Emulate(ctx context.Context, options ...string) (*Emulator, error) {
	dir, err := os.MkdirTemp(b.dir, "port-")
	if err != nil {
		return nil, err
	}
	e := &Emulator{Port: filepath.Join(dir, "tty"), done: make(chan struct{})}
	args := append([]string{"--link", e.Port}, options...)
	e.cmd = exec.CommandContext(ctx, filepath.Join(b.dir, "emulator"), append(args, filepath.Join(b.dir, "board-a.elf"))...)
	e.cmd.Stdout, e.cmd.Stderr = &e.out, &e.err
	e.cmd.Cancel = func() error { return e.cmd.Process.Signal(syscall.SIGTERM) }
	e.cmd.WaitDelay = 5 * time.Second
	if err := e.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the emulator: %w", err)
	}
	go func() {
		e.fate = e.cmd.Wait()
		close(e.done)
	}()
	return e, e.ready(ctx)
}

// ready waits for the port.
func (e *Emulator) ready(ctx context.Context) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		if _, err := os.Stat(e.Port); err == nil {
			return nil
		}
		select {
		case <-tick.C:
		case <-e.done:
			return fmt.Errorf("the emulator ended before it had a port: %w: %s", e.fate, e.err.String())
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Wait waits for the emulator's end and returns what it did. That ctx ended it
// is no error.
func (e *Emulator) Wait() (Truth, error) {
	<-e.done
	var t Truth
	if err := json.Unmarshal(e.out.Bytes(), &t); err != nil {
		return t, errors.Join(fmt.Errorf("the emulator left no account: %w: %s", err, strings.TrimSpace(e.err.String())), e.fate)
	}
	if t.Crashed {
		return t, errors.New("the firmware crashed")
	}
	return t, nil
}

// End asks the emulator to end and waits for it.
func (e *Emulator) End() (Truth, error) {
	select {
	case <-e.done:
	default:
		if err := e.cmd.Process.Signal(os.Interrupt); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return Truth{}, err
		}
	}
	return e.Wait()
}
