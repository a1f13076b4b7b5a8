//go:build unix

package acq

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"

	"golang.org/x/sys/unix"

	"go.bug.st/serial"
)

// portLock is a descriptor of our own on the port. It holds an advisory lock,
// which refuses a second counterpoise even where root may pass the exclusive
// mode of the terminal (TIOCEXCL), and it is what commands are written on,
// because it does not wait.
type portLock struct{ fd int }

func lockPort(path string) (*portLock, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if errors.Is(err, unix.EBUSY) {
		return nil, busy(path)
	}
	if err != nil {
		return nil, serialError(path, 0, err)
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		unix.Close(fd)
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, busy(path)
		}
		return nil, fmt.Errorf("port %s cannot be locked: %w", path, err)
	}
	return &portLock{fd}, nil
}

func (l *portLock) write(_ serial.Port, p []byte) (int, error) { return unix.Write(l.fd, p) }

func (l *portLock) close() error { return unix.Close(l.fd) }

// forbidden names the group that owns the port, or the rule to add where the
// group would not help.
func forbidden(path string) error {
	st, err := os.Stat(path)
	if err != nil {
		return fmt.Errorf("port %s may not be opened by this user: %w", path, err)
	}
	sys := new(unix.Stat_t)
	if err := unix.Stat(path, sys); err != nil {
		return fmt.Errorf("port %s may not be opened by this user: %w", path, err)
	}
	group := strconv.Itoa(int(sys.Gid))
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if st.Mode().Perm()&0o060 != 0o060 || group == "root" {
		return fmt.Errorf(`port %s may not be opened by this user, and its group %s would not help: put KERNEL=="%s", MODE="0660", GROUP="dialout" into /etc/udev/rules.d/60-counterpoise.rules, join the group (sudo usermod -aG dialout $USER), log in again and plug the board in again`, path, group, st.Name())
	}
	return fmt.Errorf("port %s may not be opened by this user: join the group that owns it (sudo usermod -aG %s $USER) and log in again", path, group)
}
