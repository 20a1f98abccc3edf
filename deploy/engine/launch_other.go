//go:build !linux

package engine

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
)

var errLocked = errors.New("locked by another process")

var errPlatform = fmt.Errorf("%w: the embedded engine does not run on %s/%s; use a ClickHouse server with --clickhouse", ErrNoLibrary, runtime.GOOS, runtime.GOARCH)

func tryLock(*os.File) error { return errPlatform }

func parentOf(int) (int, bool) { return 0, false }

func machineMemory() int64 { return 1 << 30 }

func keepStdio() (io.Writer, io.Reader, error) { return os.Stdout, os.Stdin, nil }

type launched struct{ done chan error }

func (*launched) exit() {}

func launch(string, *folder) (*launched, error) { return nil, errPlatform }
