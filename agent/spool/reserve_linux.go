package spool

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// reserve allocates blocks without changing the file's size.
func reserve(f *os.File, off, n int64) error {
	err := unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_KEEP_SIZE, off, n)
	// Not every file system can; then space is found out when writing.
	if errors.Is(err, unix.EOPNOTSUPP) || errors.Is(err, unix.ENOSYS) || errors.Is(err, unix.EINTR) {
		return nil
	}
	return err
}
