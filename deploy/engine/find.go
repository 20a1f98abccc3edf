package engine

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
)

// LibraryEnv names the environment variable that says where the engine's
// library is.
const LibraryEnv = "ROLLCALL_ENGINE_LIB"

// ErrNoLibrary says that the engine's library is not on this machine.
var ErrNoLibrary = errors.New("the engine's library libchdb.so is not on this machine")

// libraryFile is the library below the folder npm installs into.
const libraryFile = "node_modules/@chdb/lib-linux-x64-gnu/libchdb.so"

// Find returns the absolute path of the engine's library. It looks at
// explicit (a flag's value) when that is not empty, else at ROLLCALL_ENGINE_LIB
// when that is set, and then nowhere else; otherwise at deploy/engine below the
// folder of the running program, the working directory and each folder above
// them, and last at /usr/lib/rollcall and /usr/local/lib/rollcall. The error
// wraps ErrNoLibrary and says where it looked and how to mend it.
func Find(explicit string) (string, error) {
	for _, named := range []struct{ from, path string }{
		{"the flag", explicit},
		{LibraryEnv, os.Getenv(LibraryEnv)},
	} {
		if named.path == "" {
			continue
		}
		path, err := filepath.Abs(named.path)
		if err != nil {
			return "", fmt.Errorf("make %s absolute: %w", named.path, err)
		}
		if info, err := os.Stat(path); err == nil && info.IsDir() {
			path = filepath.Join(path, "libchdb.so")
		}
		if !isFile(path) {
			return "", fmt.Errorf("%w: %s names %s, and there is no such file", ErrNoLibrary, named.from, path)
		}
		return path, nil
	}
	var looked []string
	for _, dir := range searchDirs() {
		path := filepath.Join(dir, libraryFile)
		if dir == "/usr/lib/rollcall" || dir == "/usr/local/lib/rollcall" {
			path = filepath.Join(dir, "libchdb.so")
		}
		if isFile(path) {
			return path, nil
		}
		looked = append(looked, path)
	}
	hint := "run `make engine` to fetch it"
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		hint = fmt.Sprintf("there is none for %s/%s; use a ClickHouse server with --clickhouse clickhouse://user@host:9000/rollcall", runtime.GOOS, runtime.GOARCH)
	}
	return "", fmt.Errorf("%w: %s, or set %s (looked at %d places, last %s)", ErrNoLibrary, hint, LibraryEnv, len(looked), looked[len(looked)-1])
}

// searchDirs lists the folders Find looks below, in order, each once.
func searchDirs() []string {
	var dirs []string
	seen := map[string]bool{}
	up := func(dir string) {
		for {
			d := filepath.Join(dir, "deploy", "engine")
			if !seen[d] {
				seen[d] = true
				dirs = append(dirs, d)
			}
			parent := filepath.Dir(dir)
			if parent == dir {
				return
			}
			dir = parent
		}
	}
	if exe, err := os.Executable(); err == nil {
		if real, err := filepath.EvalSymlinks(exe); err == nil {
			exe = real
		}
		up(filepath.Dir(exe))
	}
	if wd, err := os.Getwd(); err == nil {
		up(wd)
	}
	return append(dirs, "/usr/lib/rollcall", "/usr/local/lib/rollcall")
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}
