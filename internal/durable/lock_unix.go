//go:build unix

package durable

import (
	"errors"
	"os"
	"syscall"
)

// Lock takes the file for this process; the kernel gives it back when the
// process ends, however it ends.
func Lock(f *os.File) error {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}

// SyncDir makes the names in a directory survive a power loss.
func SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
