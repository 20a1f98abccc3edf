package spool

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// ErrLocked says that another process uses the folder.
var ErrLocked = errors.New("the spool is in use")

// lockDir takes the folder for this process until the file is closed or the
// process ends.
func lockDir(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock spool %s: %w", dir, err)
	}
	ok, err := tryLock(f)
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("lock spool %s: %w", dir, err)
	}
	if !ok {
		by := "another agent"
		// On Windows a locked file cannot be read; then the number is not said.
		if b, err := os.ReadFile(path); err == nil {
			if pid := strings.TrimSpace(string(b)); pid != "" {
				by = "another agent (process " + pid + ")"
			}
		}
		f.Close()
		return nil, fmt.Errorf("%w: %s already uses %s; stop it first, or give this agent a spool folder of its own (spool.dir)", ErrLocked, by, dir)
	}
	// The number is for people only; the lock is what counts.
	if err := f.Truncate(0); err == nil {
		_, _ = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	return f, nil
}
