package pty

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// Open makes a line. The ioctls are those of ptmx(4) and ioctl_tty(2).
func Open() (*Line, error) {
	board, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	path, err := unlock(board)
	if err != nil {
		board.Close()
		return nil, fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	hold, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		board.Close()
		return nil, fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	l := &Line{board, path, hold}
	if err := control(hold, raw); err != nil {
		l.Close()
		return nil, fmt.Errorf("set %s to raw mode: %w", path, err)
	}
	return l, nil
}

func unlock(board *os.File) (path string, err error) {
	err = control(board, func(fd int) error {
		if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
			return err
		}
		n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
		path = fmt.Sprintf("/dev/pts/%d", n)
		return err
	})
	return path, err
}

// control runs f on the descriptor without taking it out of the poller, which
// File.Fd would do and with it the deadlines.
func control(file *os.File, f func(fd int) error) error {
	c, err := file.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := c.Control(func(fd uintptr) { inner = f(int(fd)) }); err != nil {
		return err
	}
	return inner
}

// raw is what cfmakeraw(3) does: no echo, no line editing, no translation.
func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}
