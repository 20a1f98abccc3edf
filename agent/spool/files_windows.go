package spool

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// SyncDir does nothing: Windows has no way to sync a folder. NTFS journals
// names itself; what the spool needs durable it writes inside files.
func SyncDir(string) error { return nil }

// noSpace says whether an error means that the disk or the quota is full.
func noSpace(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) ||
		errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED)
}

// tryLock takes the lock of an open file; false: another process has it. The
// system lets go of it when the process ends, however it ends.
func tryLock(f *os.File) (bool, error) {
	err := windows.LockFileEx(windows.Handle(f.Fd()),
		windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return false, nil
	}
	return err == nil, err
}
