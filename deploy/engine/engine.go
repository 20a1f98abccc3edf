package engine

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// The names an engine is used by.
const (
	// Host is where an engine listens, and nowhere else.
	Host = "127.0.0.1"
	// User is the engine's user for the service; it may do everything.
	User = "rollcall"
	// Reader is the engine's user for dashboards; it may read Database only.
	Reader = "rollcall_reader"
	// Database is the one the service keeps its tables in.
	Database = "rollcall"
)

// Exit codes of Main.
const (
	exitOK       = 0
	exitFailed   = 1
	exitUsage    = 2
	exitInUse    = 3 // the data folder is another engine's
	exitPort     = 4 // a port is somebody else's
	exitNoEngine = 5 // no library
)

// Failures a caller of Supervisor can tell apart.
var (
	// ErrFolderInUse says that another engine works on the data folder.
	ErrFolderInUse = errors.New("the data folder is in use by another engine")
	// ErrPortInUse says that a port asked for is taken.
	ErrPortInUse = errors.New("the port is in use by another program")
)

// Options says how one engine process is to run.
type Options struct {
	// DataDir is the folder described in the package comment; made when absent.
	DataDir string
	// Library is the library's path; empty: see Find.
	Library string
	// NativePort and HTTPPort are the ports to listen on, on 127.0.0.1;
	// 0: the one used last when it is free, else a free one.
	NativePort, HTTPPort int
	// MemoryBytes is the most memory the engine may take for queries; 0: half of the
	// machine's, at most 4 GiB.
	MemoryBytes int64
	// LogLevel is the engine's: error, warning, information, debug, trace.
	LogLevel string
	// StartTimeout is how long the engine may take until both ports answer.
	StartTimeout time.Duration
	// StopTimeout is how long it may take to stop before the process ends
	// regardless.
	StopTimeout time.Duration
	// StopWithStdin stops the engine when standard input ends, and then only: a
	// parent that holds the other end takes the engine with it however it dies,
	// and a signal to the whole group does not end the engine before its parent.
	StopWithStdin bool
}

// DefaultOptions returns the options that hold where no flag says otherwise.
func DefaultOptions() Options {
	return Options{
		DataDir:      "data/engine",
		LogLevel:     "error",
		StartTimeout: time.Minute,
		StopTimeout:  20 * time.Second,
	}
}

// Flags binds o to fs.
func (o *Options) Flags(fs *flag.FlagSet) {
	fs.StringVar(&o.DataDir, "data-dir", o.DataDir, "folder the engine keeps everything in")
	fs.StringVar(&o.Library, "engine-lib", o.Library, "the engine's library, libchdb.so (default: found by itself, see "+LibraryEnv+")")
	fs.IntVar(&o.NativePort, "native-port", o.NativePort, "port of the native protocol on 127.0.0.1 (0: the last one, else a free one)")
	fs.IntVar(&o.HTTPPort, "http-port", o.HTTPPort, "port of the HTTP protocol on 127.0.0.1 (0: the last one, else a free one)")
	fs.Int64Var(&o.MemoryBytes, "memory-bytes", o.MemoryBytes, "most memory for queries (0: half of the machine's, at most 4 GiB)")
	fs.StringVar(&o.LogLevel, "log-level", o.LogLevel, "the engine's own log: error, warning, information, debug, trace")
	fs.DurationVar(&o.StartTimeout, "start-timeout", o.StartTimeout, "how long the engine may take until both ports answer")
	fs.DurationVar(&o.StopTimeout, "stop-timeout", o.StopTimeout, "how long it may take to stop in order")
	fs.BoolVar(&o.StopWithStdin, "stop-with-stdin", o.StopWithStdin, "stop when standard input ends, and not at a signal")
}

// Validate returns everything that is wrong with o at once.
func (o Options) Validate() error {
	var errs []error
	if o.DataDir == "" {
		errs = append(errs, errors.New("data-dir is empty; name a folder the engine may keep everything in"))
	}
	for name, port := range map[string]int{"native-port": o.NativePort, "http-port": o.HTTPPort} {
		if port < 0 || port > 65535 {
			errs = append(errs, fmt.Errorf("%s is %d; a port is 1 to 65535, or 0 for a free one", name, port))
		}
	}
	if o.NativePort != 0 && o.NativePort == o.HTTPPort {
		errs = append(errs, fmt.Errorf("native-port and http-port are both %d; give each its own", o.NativePort))
	}
	if o.MemoryBytes < 0 || o.MemoryBytes > 0 && o.MemoryBytes < 256<<20 {
		errs = append(errs, fmt.Errorf("memory-bytes is %d; the engine needs at least %d (256 MiB)", o.MemoryBytes, 256<<20))
	}
	switch o.LogLevel {
	case "error", "warning", "information", "debug", "trace":
	default:
		errs = append(errs, fmt.Errorf("log-level is %q; use error, warning, information, debug or trace", o.LogLevel))
	}
	if o.StartTimeout <= 0 || o.StopTimeout <= 0 {
		errs = append(errs, errors.New("start-timeout and stop-timeout must be more than 0"))
	}
	return errors.Join(errs...)
}

// report is the one line Main prints on standard output.
type report struct {
	State      string `json:"state"` // ready, failed
	Reason     string `json:"reason,omitempty"`
	Code       string `json:"code,omitempty"` // folder_in_use, folder_stopping, port_in_use, no_library, other
	PID        int    `json:"pid,omitempty"`
	Host       string `json:"host,omitempty"`
	NativePort int    `json:"native_port,omitempty"`
	HTTPPort   int    `json:"http_port,omitempty"`
	User       string `json:"user,omitempty"`
	Password   string `json:"password_file,omitempty"`
	Version    string `json:"version,omitempty"`
	TookMS     int64  `json:"took_ms,omitempty"`
}

// Main is the body of `rollcall engine`: it runs an engine in this process
// until SIGTERM or SIGINT or, with --stop-with-stdin, the end of standard input
// and only that.
// It prints one line of JSON on standard output, {"state":"ready",…} once both
// ports have answered or {"state":"failed",…}; the engine's log goes to
// standard error. It takes this process's descriptors 0 and 1 for the engine and
// returns the exit code: 0 after an orderly stop, 2 for wrong usage, 3 when
// the data folder and 4 when a port is in use, 5 without the library, else 1.
// The caller must exit with it: the library cannot be started twice.
func Main(args []string) int {
	o := DefaultOptions()
	fs := flag.NewFlagSet("engine", flag.ContinueOnError)
	fs.SetOutput(os.Stderr)
	o.Flags(fs)
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return exitOK
		}
		return exitUsage
	}
	if fs.NArg() > 0 {
		fmt.Fprintf(os.Stderr, "engine: unexpected argument %q\n", fs.Arg(0))
		return exitUsage
	}
	if err := o.Validate(); err != nil {
		fmt.Fprintf(os.Stderr, "engine: %v\n", err)
		return exitUsage
	}
	out, stdin, err := keepStdio()
	if err != nil {
		fmt.Fprintf(os.Stderr, "engine: %v\n", err)
		return exitFailed
	}
	if err := run(o, out, stdin); err != nil {
		code, name := exitFailed, "other"
		switch {
		case errors.Is(err, errDying):
			code, name = exitInUse, "folder_stopping"
		case errors.Is(err, ErrFolderInUse):
			code, name = exitInUse, "folder_in_use"
		case errors.Is(err, ErrPortInUse):
			code, name = exitPort, "port_in_use"
		case errors.Is(err, ErrNoLibrary):
			code, name = exitNoEngine, "no_library"
		}
		printReport(out, report{State: "failed", Code: name, Reason: err.Error()})
		fmt.Fprintf(os.Stderr, "engine: %v\n", err)
		return code
	}
	return exitOK
}

func printReport(w io.Writer, r report) {
	line, err := json.Marshal(r)
	if err != nil {
		panic("engine: report does not marshal")
	}
	// Whoever started the engine may have closed the pipe; then nobody reads.
	_, _ = w.Write(append(line, '\n'))
}

// run brings an engine up, reports it ready on out and blocks until it has
// stopped.
func run(o Options, out io.Writer, stdin io.Reader) error {
	stop := make(chan os.Signal, 2)
	signal.Notify(stop, syscall.SIGTERM, syscall.SIGINT)
	signal.Ignore(syscall.SIGHUP, syscall.SIGPIPE)
	orphaned := make(chan struct{})
	if o.StopWithStdin {
		go func() {
			// Nothing is ever sent; reading only ends when the parent's end closes.
			_, _ = io.Copy(io.Discard, stdin)
			close(orphaned)
		}()
	}
	told := stop
	if o.StopWithStdin {
		// A service manager may signal the service and its engine alike; the
		// service is to stop first, and then its engine.
		told = nil
		go func() {
			for range stop {
				fmt.Fprintln(os.Stderr, "engine: told to stop by a signal; it stops when its service does, stop that")
			}
		}()
	}

	began := time.Now()
	library, err := Find(o.Library)
	if err != nil {
		return err
	}
	// The engine fails every insert into a fsynced table when its path is relative.
	dir, err := filepath.Abs(o.DataDir)
	if err != nil {
		return fmt.Errorf("make %s absolute: %w", o.DataDir, err)
	}
	parent := 0
	if o.StopWithStdin {
		parent = os.Getppid()
	}
	f, err := openFolder(dir, parent)
	if err != nil {
		return err
	}
	defer f.close()
	ports, err := choosePorts(f, o.NativePort, o.HTTPPort)
	if err != nil {
		return err
	}
	nonce, err := randomHex(16)
	if err != nil {
		return err
	}
	if err := f.writeConfig(o, ports, nonce); err != nil {
		return err
	}

	e, err := launch(library, f)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), o.StartTimeout)
	defer cancel()
	proven := make(chan proof, 1)
	go func() { proven <- prove(ctx, ports, f.password, nonce) }()
	over := false
	for !over {
		select {
		case err := <-e.done:
			return describeEnd(dir, err)
		case <-told:
			over = true
		case <-orphaned:
			over = true
		case p := <-proven:
			proven = nil
			if p.err != nil {
				if errors.Is(p.err, ErrPortInUse) {
					return p.err
				}
				return fmt.Errorf("the engine did not answer within %v on ports %d and %d: %w", o.StartTimeout, ports.Native, ports.HTTP, p.err)
			}
			if err := f.savePorts(ports); err != nil {
				return err
			}
			printReport(out, report{
				State: "ready", PID: os.Getpid(), Host: Host, NativePort: ports.Native, HTTPPort: ports.HTTP,
				User: User, Password: f.path("password"), Version: p.version, TookMS: time.Since(began).Milliseconds(),
			})
		}
	}

	f.note(stopping)
	// Reads would hold the stop for five seconds; writes under way are let finish.
	endReads(ports, f.password)
	e.exit()
	late := time.After(o.StopTimeout)
	for {
		select {
		case err := <-e.done:
			if err != nil {
				return describeEnd(dir, err)
			}
			return nil
		case <-late:
			return fmt.Errorf("the engine did not stop within %v and was ended; acknowledged rows are safe", o.StopTimeout)
		case s := <-told:
			// SIGTERM may well come twice; a second Ctrl-C is impatience.
			if s == syscall.SIGINT {
				return errors.New("the engine was ended before it had stopped; acknowledged rows are safe")
			}
		}
	}
}

// proof is what the two ports answered.
type proof struct {
	version string
	err     error
}

// prove asks both ports, as the service's own user, for the nonce in this
// engine's configuration until they answer: a listener that failed leaves the
// engine running without a port, and somebody else's server may sit on one.
func prove(ctx context.Context, ports portPair, password, nonce string) proof {
	var last error
	for {
		version, err := askPort(ctx, clickhouse.Native, ports.Native, password, nonce)
		if err == nil {
			_, err = askPort(ctx, clickhouse.HTTP, ports.HTTP, password, nonce)
		}
		if err == nil {
			return proof{version: version}
		}
		if errors.Is(err, ErrPortInUse) {
			return proof{err: err}
		}
		if ctx.Err() == nil || last == nil {
			last = err
		}
		select {
		case <-ctx.Done():
			return proof{err: last}
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// authenticationFailed is ClickHouse's AUTHENTICATION_FAILED.
const authenticationFailed = 516

func askPort(ctx context.Context, protocol clickhouse.Protocol, port int, password, nonce string) (string, error) {
	conn, err := open(protocol, port, password)
	if err != nil {
		return "", err
	}
	defer conn.Close()
	var version, got string
	if err := conn.QueryRow(ctx, "SELECT version(), getMacro('rollcall_engine')").Scan(&version, &got); err != nil {
		var exception *clickhouse.Exception
		if errors.As(err, &exception) && exception.Code == authenticationFailed {
			return "", fmt.Errorf("%w: port %d is answered by another engine", ErrPortInUse, port)
		}
		return "", fmt.Errorf("ask port %d: %w", port, err)
	}
	if got != nonce {
		return "", fmt.Errorf("%w: port %d is answered by another engine", ErrPortInUse, port)
	}
	return version, nil
}

// endReads ends the SELECTs under way; the engine may be past answering, and
// then stopping takes a little longer.
func endReads(ports portPair, password string) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	conn, err := open(clickhouse.Native, ports.Native, password)
	if err != nil {
		return
	}
	defer conn.Close()
	if conn.Exec(ctx, "KILL QUERY WHERE query_kind = 'Select' AND query_id != queryID() ASYNC") != nil {
		return
	}
	for reads := uint64(1); reads > 0; {
		err := conn.QueryRow(ctx, "SELECT count() FROM system.processes WHERE query_kind = 'Select' AND query_id != queryID()").Scan(&reads)
		if err != nil {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

func open(protocol clickhouse.Protocol, port int, password string) (clickhouse.Conn, error) {
	conn, err := clickhouse.Open(&clickhouse.Options{
		Protocol:     protocol,
		Addr:         []string{net.JoinHostPort(Host, strconv.Itoa(port))},
		Auth:         clickhouse.Auth{Username: User, Password: password},
		DialTimeout:  2 * time.Second,
		ReadTimeout:  5 * time.Second,
		MaxOpenConns: 1,
		MaxIdleConns: 1,
	})
	if err != nil {
		return nil, fmt.Errorf("open port %d: %w", port, err)
	}
	return conn, nil
}
