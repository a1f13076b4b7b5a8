package durable

import (
	"os"

	"golang.org/x/sys/windows"
)

// Lock takes the file for this process; Windows gives it back when the handle
// is closed. The locked byte lies far beyond any content, because a lock here
// would also keep readers away from the bytes it covers.
func Lock(f *os.File) error {
	at := &windows.Overlapped{OffsetHigh: 0x7fffffff}
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, at)
}

// SyncDir does nothing: Windows cannot flush a directory; NTFS journals names.
func SyncDir(string) error { return nil }
