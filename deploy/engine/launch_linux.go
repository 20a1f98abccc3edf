package engine

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strconv"
	"syscall"
	"unsafe"

	"github.com/ebitengine/purego"
	"golang.org/x/sys/unix"
)

var errLocked = errors.New("locked by another process")

// tryLock takes an advisory lock that ends with this process.
func tryLock(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return errLocked
	}
	return err
}

// parentOf returns a process's parent, and whether there is such a process.
func parentOf(pid int) (int, bool) {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return 0, false
	}
	// The name before it, in parentheses, may hold anything.
	var state string
	var parent int
	if n, _ := fmt.Sscan(string(data[bytes.LastIndexByte(data, ')')+1:]), &state, &parent); n != 2 {
		return 0, false
	}
	return parent, true
}

// machineMemory is the memory of the machine, or of the control group this
// process is held in when that is less, bytes.
func machineMemory() int64 {
	var info unix.Sysinfo_t
	memory := int64(1) << 30
	if unix.Sysinfo(&info) == nil {
		memory = int64(info.Totalram) * int64(info.Unit)
	}
	if data, err := os.ReadFile("/sys/fs/cgroup/memory.max"); err == nil {
		var limit int64
		if _, err := fmt.Sscan(string(data), &limit); err == nil {
			memory = min(memory, limit)
		}
	}
	return memory
}

// keepStdio moves standard output and input away from descriptors 1 and 0,
// which the engine writes its prompt to and reads its commands from.
func keepStdio() (out io.Writer, in io.Reader, err error) {
	outFD, err := unix.FcntlInt(1, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, nil, fmt.Errorf("keep standard output: %w", err)
	}
	inFD, err := unix.FcntlInt(0, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, nil, fmt.Errorf("keep standard input: %w", err)
	}
	null, err := os.OpenFile(os.DevNull, os.O_RDWR, 0)
	if err != nil {
		return nil, nil, err
	}
	defer null.Close()
	if err := unix.Dup3(int(null.Fd()), 1, 0); err != nil {
		return nil, nil, fmt.Errorf("silence descriptor 1: %w", err)
	}
	return os.NewFile(uintptr(outFD), "stdout"), os.NewFile(uintptr(inFD), "stdin"), nil
}

// launched is the engine running in this process.
type launched struct {
	terminal *os.File
	done     chan error // one value when the engine has ended
}

// exit asks the engine to stop.
func (e *launched) exit() { _, _ = e.terminal.WriteString("exit\n") }

// launch loads the library and starts the engine on f.
func launch(library string, f *folder) (*launched, error) {
	terminal, err := terminalAsStdin()
	if err != nil {
		return nil, fmt.Errorf("give the engine a terminal: %w", err)
	}
	lib, err := purego.Dlopen(library, purego.RTLD_NOW|purego.RTLD_GLOBAL)
	if err != nil {
		return nil, fmt.Errorf("load the engine's library %s: %w; run `make engine` to fetch it again", library, err)
	}
	var queryCmdline func(argc int32, argv **byte) uintptr
	var resultError func(result uintptr) string
	for name, fn := range map[string]any{"chdb_query_cmdline": &queryCmdline, "chdb_result_error": &resultError} {
		sym, err := purego.Dlsym(lib, name)
		if err != nil {
			return nil, fmt.Errorf("the engine's library %s is not the version this program needs: %w; run `make engine`", library, err)
		}
		purego.RegisterFunc(fn, sym)
	}
	args := []string{
		"engine", "--config-file=" + f.path("config.xml"), "--path=" + f.path("clickhouse"),
		"--interactive", "--disable_suggestion", "--history_file=/dev/null",
		"--query", "SYSTEM START LISTEN TCP; SYSTEM START LISTEN HTTP",
	}
	argv := make([]*byte, len(args)+1)
	for i, arg := range args {
		b, err := syscall.BytePtrFromString(arg)
		if err != nil {
			return nil, fmt.Errorf("pass %q to the engine: %w", arg, err)
		}
		argv[i] = b
	}
	e := &launched{terminal: terminal, done: make(chan error, 1)}
	go func() {
		runtime.LockOSThread()
		var pinner runtime.Pinner
		for _, b := range argv {
			if b != nil {
				pinner.Pin(b)
			}
		}
		pinner.Pin(&argv[0])
		result := queryCmdline(int32(len(args)), &argv[0])
		pinner.Unpin()
		if text := resultError(result); result != 0 && text != "" {
			e.done <- errors.New(text)
			return
		}
		e.done <- nil
	}()
	return e, nil
}

// terminalAsStdin puts a new pseudo-terminal's far end on descriptor 0 and
// returns its near end.
func terminalAsStdin() (*os.File, error) {
	near, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, err
	}
	var unlock int32
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, near.Fd(), unix.TIOCSPTLCK, uintptr(unsafe.Pointer(&unlock))); errno != 0 {
		near.Close()
		return nil, fmt.Errorf("unlock the terminal: %w", errno)
	}
	n, err := unix.IoctlGetInt(int(near.Fd()), unix.TIOCGPTN)
	if err != nil {
		near.Close()
		return nil, fmt.Errorf("number the terminal: %w", err)
	}
	far, err := unix.Open("/dev/pts/"+strconv.Itoa(n), unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC, 0)
	if err != nil {
		near.Close()
		return nil, fmt.Errorf("open /dev/pts/%d: %w", n, err)
	}
	defer unix.Close(far)
	if err := unix.Dup3(far, 0, 0); err != nil {
		near.Close()
		return nil, fmt.Errorf("put the terminal on descriptor 0: %w", err)
	}
	return near, nil
}
