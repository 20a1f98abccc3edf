package engine

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

// Endpoint is how a running engine is reached.
type Endpoint struct {
	Host       string
	NativePort int
	HTTPPort   int
	User       string
	Password   string
	Version    string // the engine's
	PID        int
}

// Addr returns host:port of the native protocol.
func (e Endpoint) Addr() string { return net.JoinHostPort(e.Host, strconv.Itoa(e.NativePort)) }

// HTTPAddr returns host:port of the HTTP protocol.
func (e Endpoint) HTTPAddr() string { return net.JoinHostPort(e.Host, strconv.Itoa(e.HTTPPort)) }

// Config says how a Supervisor runs its engine.
type Config struct {
	// Command is the program and its first arguments that start an engine, as
	// Main does; the flags follow. For the service: its own path, "engine".
	Command []string
	// Env is added to this process's environment for the engine.
	Env []string
	// DataDir, Library, NativePort, HTTPPort, MemoryBytes, LogLevel,
	// StartTimeout and StopTimeout are those of Options.
	DataDir              string
	Library              string
	NativePort, HTTPPort int
	MemoryBytes          int64
	LogLevel             string
	StartTimeout         time.Duration
	StopTimeout          time.Duration
	// FirstPause is the pause before the first restart; it doubles with each
	// further one up to LongestPause, and starts anew once an engine has been
	// up for SteadyAfter.
	FirstPause, LongestPause, SteadyAfter time.Duration
	// Log takes what happens, and the engine's own log line by line.
	Log *zap.Logger
}

// DefaultConfig returns the configuration that holds where nothing else is said.
func DefaultConfig() Config {
	o := DefaultOptions()
	return Config{
		DataDir: o.DataDir, LogLevel: o.LogLevel, StartTimeout: o.StartTimeout, StopTimeout: o.StopTimeout,
		FirstPause: 100 * time.Millisecond, LongestPause: 10 * time.Second, SteadyAfter: 30 * time.Second,
		Log: zap.NewNop(),
	}
}

// Validate returns everything that is wrong with c at once.
func (c Config) Validate() error {
	var errs []error
	if len(c.Command) == 0 {
		errs = append(errs, errors.New("command is empty; name the program that runs an engine"))
	}
	if c.FirstPause <= 0 || c.LongestPause < c.FirstPause || c.SteadyAfter <= 0 {
		errs = append(errs, errors.New("the pauses between restarts must be more than 0, and the longest no shorter than the first"))
	}
	if c.Log == nil {
		errs = append(errs, errors.New("log is nil"))
	}
	o := Options{DataDir: c.DataDir, NativePort: c.NativePort, HTTPPort: c.HTTPPort, MemoryBytes: c.MemoryBytes,
		LogLevel: c.LogLevel, StartTimeout: c.StartTimeout, StopTimeout: c.StopTimeout}
	return errors.Join(append(errs, o.Validate())...)
}

// Supervisor keeps one engine running as a child process, which it tells to
// stop by closing the child's standard input. Make it with
// NewSupervisor; its methods may be called from any goroutine.
type Supervisor struct {
	config Config
	ready  chan struct{} // closed when an engine was ready the first time

	mu       sync.Mutex
	endpoint Endpoint // of the engine that runs or ran last
	up       bool
	starts   int
	failed   error
	over     chan struct{} // closed when Run returned
}

// NewSupervisor returns a Supervisor that has started nothing yet.
func NewSupervisor(c Config) (*Supervisor, error) {
	if err := c.Validate(); err != nil {
		return nil, fmt.Errorf("engine configuration: %w", err)
	}
	dir, err := filepath.Abs(c.DataDir)
	if err != nil {
		return nil, fmt.Errorf("make %s absolute: %w", c.DataDir, err)
	}
	c.DataDir = dir
	return &Supervisor{config: c, ready: make(chan struct{}), over: make(chan struct{})}, nil
}

// Ready is closed once the engine has answered on both ports the first time.
func (s *Supervisor) Ready() <-chan struct{} { return s.ready }

// Endpoint returns how the engine is reached, and whether it runs now. While it
// is being restarted it is how the last one was reached; a new one takes the
// same ports where it can.
func (s *Supervisor) Endpoint() (Endpoint, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.endpoint, s.up
}

// Starts counts the engines that became ready.
func (s *Supervisor) Starts() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.starts
}

// Wait blocks until the engine is ready the first time and returns how it is
// reached, or why it will not be.
func (s *Supervisor) Wait(ctx context.Context) (Endpoint, error) {
	select {
	case <-s.ready:
	case <-s.over:
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.failed != nil {
			return Endpoint{}, s.failed
		}
		return Endpoint{}, errors.New("the engine was stopped before it was ready")
	case <-ctx.Done():
		return Endpoint{}, fmt.Errorf("wait for the engine: %w", context.Cause(ctx))
	}
	e, _ := s.Endpoint()
	return e, nil
}

// Dial connects to the engine's native port as it is now, whatever addr says:
// for a client that outlives a restart on another port.
func (s *Supervisor) Dial(ctx context.Context, addr string) (net.Conn, error) {
	if e, _ := s.Endpoint(); e.NativePort != 0 {
		addr = e.Addr()
	}
	var d net.Dialer
	return d.DialContext(ctx, "tcp", addr)
}

// Run keeps an engine running until ctx is done, then stops it in order and
// returns nil. It returns an error only when the first start fails for a
// reason that trying again does not mend, such as ErrNoLibrary, ErrPortInUse of
// a port asked for, or ErrFolderInUse: an engine that is stopping, as one left
// over from a killed service, is waited for, for StopTimeout and a little
// more. It may be called once.
func (s *Supervisor) Run(ctx context.Context) (err error) {
	defer func() {
		s.mu.Lock()
		s.failed = err
		s.mu.Unlock()
		close(s.over)
	}()
	log := s.config.Log
	pause := s.config.FirstPause
	began := time.Now()
	for {
		started := time.Now()
		ended, ready := s.runOnce(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if !ready && s.Starts() == 0 {
			var patience time.Duration
			switch {
			case errors.Is(ended, errDying):
				patience = s.config.StopTimeout + 5*time.Second
			case errors.Is(ended, ErrFolderInUse):
				// Its service may have been killed this very moment.
				patience = time.Second
			case errors.Is(ended, ErrPortInUse) && s.config.NativePort == 0 && s.config.HTTPPort == 0:
				patience = s.config.StartTimeout
			}
			if time.Since(began) > patience {
				return fmt.Errorf("start the engine: %w", ended)
			}
		}
		if time.Since(started) > s.config.SteadyAfter {
			pause = s.config.FirstPause
		}
		log.Error("engine ended, starting it again", zap.Error(ended), zap.Duration("pause", pause))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, s.config.LongestPause)
	}
}

// runOnce runs one engine to its end and says why it ended and whether it had
// been ready.
func (s *Supervisor) runOnce(ctx context.Context) (ended error, ready bool) {
	c := s.config
	args := append([]string{}, c.Command[1:]...)
	args = append(args, "--data-dir="+c.DataDir, "--stop-with-stdin", "--log-level="+c.LogLevel,
		"--native-port="+strconv.Itoa(c.NativePort), "--http-port="+strconv.Itoa(c.HTTPPort),
		"--memory-bytes="+strconv.FormatInt(c.MemoryBytes, 10),
		"--start-timeout="+c.StartTimeout.String(), "--stop-timeout="+c.StopTimeout.String())
	if c.Library != "" {
		args = append(args, "--engine-lib="+c.Library)
	}
	cmd := exec.Command(c.Command[0], args...)
	cmd.Env = append(os.Environ(), c.Env...)
	cmd.SysProcAttr = ownGroup()
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return fmt.Errorf("prepare the engine: %w", err), false
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return fmt.Errorf("prepare the engine: %w", err), false
	}
	stderr, err := cmd.StderrPipe()
	if err != nil {
		return fmt.Errorf("prepare the engine: %w", err), false
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start %s: %w", c.Command[0], err), false
	}
	log := c.Log.With(zap.Int("pid", cmd.Process.Pid))
	log.Debug("engine started", zap.String("data_dir", c.DataDir))

	reports := make(chan report, 4)
	var pipes sync.WaitGroup
	pipes.Go(func() {
		defer close(reports)
		readLines(stdout, func(line string) {
			var r report
			if json.Unmarshal([]byte(line), &r) == nil && r.State != "" {
				reports <- r
			}
		})
	})
	pipes.Go(func() {
		readLines(stderr, func(line string) {
			if line = strings.TrimSpace(line); line != "" && !stackLine.MatchString(line) {
				log.Warn("engine says", zap.String("line", line))
			}
		})
	})
	exited := make(chan error, 1)
	go func() {
		pipes.Wait()
		exited <- cmd.Wait()
	}()

	var why error
	stop := ctx.Done()
	var kill <-chan time.Time
	for {
		select {
		case r, ok := <-reports:
			if !ok {
				reports = nil
				continue
			}
			switch r.State {
			case "ready":
				if why = s.setReady(r); why != nil {
					// Without its password the engine is of no use.
					stdin.Close()
					continue
				}
				ready = true
				log.Info("engine ready", zap.Int("native_port", r.NativePort), zap.Int("http_port", r.HTTPPort),
					zap.String("version", r.Version), zap.Int64("took_ms", r.TookMS))
			case "failed":
				why = failure(r)
			}
		case <-stop:
			stop = nil
			log.Debug("engine told to stop")
			stdin.Close()
			// The engine ends by itself after StopTimeout; this is for one that does not.
			timer := time.NewTimer(c.StopTimeout + 2*time.Second)
			defer timer.Stop()
			kill = timer.C
		case <-kill:
			kill = nil
			log.Warn("engine did not stop in time, killing it")
			_ = cmd.Process.Kill()
		case err := <-exited:
			stdin.Close()
			s.mu.Lock()
			s.up = false
			s.mu.Unlock()
			if reports != nil {
				for r := range reports {
					if r.State == "failed" {
						why = failure(r)
					}
				}
			}
			switch {
			case why != nil:
			case err != nil:
				why = fmt.Errorf("the engine's process ended: %w", err)
			default:
				why = errors.New("the engine's process ended by itself")
			}
			if ctx.Err() != nil {
				log.Info("engine stopped", zap.NamedError("exit", err))
			}
			return why, ready
		}
	}
}

// setReady notes the engine that reported itself ready.
func (s *Supervisor) setReady(r report) error {
	password, err := os.ReadFile(r.Password)
	if err != nil {
		return fmt.Errorf("read the engine's password: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.endpoint = Endpoint{Host: r.Host, NativePort: r.NativePort, HTTPPort: r.HTTPPort, User: r.User,
		Password: strings.TrimSpace(string(password)), Version: r.Version, PID: r.PID}
	s.up = true
	s.starts++
	if s.starts == 1 {
		close(s.ready)
	}
	return nil
}

// failure rebuilds the engine's error from its report.
func failure(r report) error {
	for code, sentinel := range map[string]error{"folder_in_use": ErrFolderInUse, "folder_stopping": errors.Join(ErrFolderInUse, errDying), "port_in_use": ErrPortInUse, "no_library": ErrNoLibrary} {
		if r.Code == code {
			return &reportedError{text: r.Reason, sentinel: sentinel}
		}
	}
	return errors.New(r.Reason)
}

// reportedError is an error of the child process: its sentence, which already
// has the sentinel's text in it, and its sentinel.
type reportedError struct {
	text     string
	sentinel error
}

func (e *reportedError) Error() string { return e.text }
func (e *reportedError) Unwrap() error { return e.sentinel }

// stackLine is a line of a stack trace; the library has no names in it.
var stackLine = regexp.MustCompile(`^[0-9]+\. .* @ 0x[0-9a-f]+$`)

// readLines calls line for each line of r until r ends; a line longer than
// 64 KiB comes in pieces.
func readLines(r io.Reader, line func(string)) {
	b := bufio.NewReaderSize(r, 64<<10)
	for {
		text, err := b.ReadSlice('\n')
		if len(text) > 0 {
			line(strings.TrimRight(string(text), "\r\n"))
		}
		if err != nil && !errors.Is(err, bufio.ErrBufferFull) {
			return
		}
	}
}
