package hil

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// QEMU runs the Cortex-M firmware on an emulated mps2-an385 until ctx ends, and
// returns the pseudo-terminal of its serial line. That machine has no converter:
// the firmware makes its own signal.
func (b Build) QEMU(ctx context.Context) (port string, done <-chan struct{}, err error) {
	cmd := exec.CommandContext(ctx, "qemu-system-arm", "-M", "mps2-an385", "-kernel", filepath.Join(b.dir, "board-m.elf"),
		"-nographic", "-monitor", "none", "-icount", "shift=6,sleep=on", "-serial", "pty")
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 5 * time.Second
	out, err := cmd.StdoutPipe()
	if err != nil {
		return "", nil, err
	}
	cmd.Stderr = cmd.Stdout
	if err := cmd.Start(); err != nil {
		return "", nil, fmt.Errorf("start qemu: %w", err)
	}
	over := make(chan struct{})
	lines := bufio.NewScanner(out)
	var said []string
	for lines.Scan() {
		said = append(said, lines.Text())
		if _, rest, ok := strings.Cut(lines.Text(), "redirected to "); ok {
			port, _, _ = strings.Cut(rest, " ")
			break
		}
	}
	go func() {
		for lines.Scan() {
		}
		cmd.Wait()
		close(over)
	}()
	if port == "" {
		<-over
		return "", nil, errors.New("qemu gave no port: " + strings.Join(said, "; "))
	}
	return port, over, nil
}
