//go:build linux

package engine

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

const (
	childEnv  = "ROLLCALL_ENGINE_TEST_CHILD"
	parentEnv = "ROLLCALL_ENGINE_TEST_PARENT"
)

// TestMain lets the test binary be the engine's process, and a service that
// dies with an engine running.
func TestMain(m *testing.M) {
	switch {
	case os.Getenv(childEnv) != "":
		os.Exit(Main(os.Args[1:]))
	case os.Getenv(parentEnv) != "":
		os.Exit(beParent(os.Getenv(parentEnv)))
	}
	os.Exit(m.Run())
}

// beParent runs an engine on dir, prints its process id and waits to be killed.
func beParent(dir string) int {
	c := testConfig(dir)
	sup, err := NewSupervisor(c)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	go func() { _ = sup.Run(context.Background()) }()
	e, err := sup.Wait(context.Background())
	if err != nil {
		fmt.Println(err)
		return 1
	}
	fmt.Println(e.PID)
	select {}
}

func testConfig(dir string) Config {
	c := DefaultConfig()
	exe, err := os.Executable()
	if err != nil {
		panic(err)
	}
	c.Command = []string{exe}
	c.Env = []string{childEnv + "=1", parentEnv + "="}
	c.DataDir = dir
	c.FirstPause = 10 * time.Millisecond
	return c
}

func needLibrary(t *testing.T) {
	t.Helper()
	if _, err := Find(""); err != nil {
		if os.Getenv("ROLLCALL_REQUIRE_ENGINE") == "1" || strings.EqualFold(os.Getenv("CI"), "true") {
			t.Fatal(err)
		}
		t.Skip(err)
	}
}

// started is a supervised engine of one test.
type started struct {
	*Supervisor
	stop func() error // stops it and returns what Run returned
	logs *observer.ObservedLogs
}

func start(t *testing.T, change func(*Config)) started {
	t.Helper()
	needLibrary(t)
	c := testConfig(t.TempDir())
	core, logs := observer.New(zap.DebugLevel)
	c.Log = zap.New(core)
	if change != nil {
		change(&c)
	}
	sup, err := NewSupervisor(c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- sup.Run(ctx) }()
	var stopped atomic.Bool
	stop := func() error {
		stopped.Store(true)
		cancel()
		return <-done
	}
	t.Cleanup(func() {
		if !stopped.Load() {
			if err := stop(); err != nil {
				t.Errorf("Run: %v", err)
			}
		}
	})
	wait, cancelWait := context.WithTimeout(context.Background(), time.Minute)
	defer cancelWait()
	if _, err := sup.Wait(wait); err != nil {
		t.Fatalf("Wait: %v", err)
	}
	return started{sup, stop, logs}
}

// connect opens a client on the engine as user.
func connect(t *testing.T, protocol clickhouse.Protocol, addr, user, password string) clickhouse.Conn {
	t.Helper()
	conn, err := clickhouse.Open(&clickhouse.Options{
		Protocol: protocol, Addr: []string{addr}, Auth: clickhouse.Auth{Username: user, Password: password},
		DialTimeout: 5 * time.Second, MaxOpenConns: 2,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func one(t *testing.T, conn clickhouse.Conn) {
	t.Helper()
	var n uint8
	if err := conn.QueryRow(t.Context(), "SELECT 1").Scan(&n); err != nil || n != 1 {
		t.Fatalf("SELECT 1 = %d, %v", n, err)
	}
}

func TestBothPortsAnswerTheirUserOnly(t *testing.T) {
	s := start(t, nil)
	e, up := s.Endpoint()
	if !up || e.Host != "127.0.0.1" || e.User != "rollcall" || len(e.Password) != 32 {
		t.Fatalf("Endpoint() = %+v, %v", e, up)
	}
	one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
	one(t, connect(t, clickhouse.HTTP, e.HTTPAddr(), e.User, e.Password))

	for _, tt := range []struct {
		name, user, password, query string
		code                        int32 // ClickHouse ErrorCodes.cpp, as shared by the server
	}{
		{"default sees no table", "default", "", "SELECT count() FROM system.users", 497},
		{"default makes no database", "default", "", "CREATE DATABASE d", 497},
		{"wrong password", e.User, "wrong", "SELECT 1", 516},
		{"unknown user", "nobody", "", "SELECT 1", 516},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := connect(t, clickhouse.Native, e.Addr(), tt.user, tt.password).Exec(t.Context(), tt.query)
			var exception *clickhouse.Exception
			if !errors.As(err, &exception) || exception.Code != tt.code {
				t.Errorf("%s: %v, want code %d", tt.query, err, tt.code)
			}
		})
	}
	t.Run("reader reads the service's database only", func(t *testing.T) {
		mine := connect(t, clickhouse.Native, e.Addr(), e.User, e.Password)
		for _, q := range []string{"CREATE DATABASE rollcall", "CREATE TABLE rollcall.t (a UInt8) ENGINE = MergeTree ORDER BY a"} {
			if err := mine.Exec(t.Context(), q); err != nil {
				t.Fatal(err)
			}
		}
		secret, err := os.ReadFile(filepath.Join(s.config.DataDir, "reader"))
		if err != nil {
			t.Fatal(err)
		}
		reader := connect(t, clickhouse.Native, e.Addr(), Reader, strings.TrimSpace(string(secret)))
		if err := reader.Exec(t.Context(), "SELECT * FROM rollcall.t"); err != nil {
			t.Error(err)
		}
		for _, q := range []string{"INSERT INTO rollcall.t VALUES (1)", "DROP TABLE rollcall.t", "SELECT count() FROM system.users"} {
			if err := reader.Exec(t.Context(), q); err == nil {
				t.Errorf("the reader may %s", q)
			}
		}
	})
	for _, name := range []string{"password", "reader", "config.xml", "users.xml"} {
		info, err := os.Stat(filepath.Join(s.config.DataDir, name))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v, want mode 0600", name, info.Mode(), err)
		}
	}
	if users, err := os.ReadFile(filepath.Join(s.config.DataDir, "users.xml")); err != nil || bytes.Contains(users, []byte(e.Password)) {
		t.Errorf("users.xml has the password in it (%v)", err)
	}
}

func TestStrangersDoNotEndIt(t *testing.T) {
	s := start(t, nil)
	e, _ := s.Endpoint()
	for range 5 {
		if err := connect(t, clickhouse.Native, e.Addr(), e.User, "wrong").Ping(t.Context()); err == nil {
			t.Fatal("a wrong password was let in")
		}
	}
	hello := []byte{0x16, 0x03, 0x01, 0x02, 0x00, 0x01, 0x00, 0x01, 0xfc, 0x03, 0x03} // TLS client hello, cut short
	garbage := bytes.Repeat([]byte{0xa5, 0x00, 0xff, 0x17}, 100)
	for _, addr := range []string{e.Addr(), e.HTTPAddr()} {
		for _, message := range [][]byte{hello, garbage, []byte("GET / HTTP/1.1\r\n\r\n"), {0}, nil} {
			c, err := net.Dial("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			_, _ = c.Write(message)
			_ = c.(*net.TCPConn).CloseWrite()
			_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
			_, _ = io.Copy(io.Discard, c)
			c.Close()
		}
	}
	one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
	one(t, connect(t, clickhouse.HTTP, e.HTTPAddr(), e.User, e.Password))
	if now, up := s.Endpoint(); !up || now.PID != e.PID || s.Starts() != 1 {
		t.Errorf("the engine was restarted: %d, then %d", e.PID, now.PID)
	}
}

func TestKilledEngineComesBackWithItsData(t *testing.T) {
	s := start(t, nil)
	e, _ := s.Endpoint()
	conn := connect(t, clickhouse.Native, e.Addr(), e.User, e.Password)
	for _, q := range []string{
		"CREATE DATABASE d",
		"CREATE TABLE d.t (n UInt64) ENGINE = MergeTree ORDER BY n SETTINGS fsync_after_insert = 1, fsync_part_directory = 1",
		"INSERT INTO d.t SELECT number FROM numbers(100000)",
	} {
		if err := conn.Exec(t.Context(), q); err != nil {
			t.Fatal(err)
		}
	}
	for round := range 3 {
		if err := syscall.Kill(e.PID, syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		e = awaitStarts(t, s.Supervisor, round+2)
	}
	var rows, sum uint64
	// The same client as before: its pool has to notice.
	if err := conn.QueryRow(t.Context(), "SELECT count(), sum(n) FROM d.t").Scan(&rows, &sum); err != nil {
		t.Fatal(err)
	}
	if rows != 100000 || sum != 100000*99999/2 {
		t.Errorf("%d rows, sum %d after three kills", rows, sum)
	}
}

func awaitStarts(t *testing.T, s *Supervisor, n int) Endpoint {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	for {
		if e, up := s.Endpoint(); up && s.Starts() >= n {
			return e
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d starts after a minute, want %d", s.Starts(), n)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func TestRestartKeepsPortsAndPassword(t *testing.T) {
	dir := t.TempDir()
	use := func(c *Config) { c.DataDir = dir }
	first := start(t, use)
	before, _ := first.Endpoint()
	if err := first.stop(); err != nil {
		t.Fatalf("Run: %v", err)
	}
	if _, up := first.Endpoint(); up {
		t.Error("Endpoint says it runs")
	}
	if err := syscall.Kill(before.PID, 0); err == nil {
		t.Error("the engine's process is still there")
	}
	// An engine that stopped in order removes its status file.
	if _, err := os.Stat(filepath.Join(dir, "clickhouse", "status")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the status file is still there: %v", err)
	}
	var told bool
	for _, entry := range first.logs.All() {
		told = told || entry.Message == "engine stopped" && entry.ContextMap()["exit"] == nil
	}
	if !told {
		t.Errorf("the engine did not exit with 0: %v", first.logs.All())
	}

	second := start(t, use)
	after, _ := second.Endpoint()
	if after.NativePort != before.NativePort || after.HTTPPort != before.HTTPPort || after.Password != before.Password {
		t.Errorf("reached by %+v, then %+v", before, after)
	}
}

func TestRestartTakesAnotherPortWhenItsOwnIsTaken(t *testing.T) {
	s := start(t, func(c *Config) { c.FirstPause = 300 * time.Millisecond })
	before, _ := s.Endpoint()
	if err := syscall.Kill(before.PID, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	var taken net.Listener
	deadline := time.Now().Add(5 * time.Second)
	for {
		var err error
		if taken, err = net.Listen("tcp", before.Addr()); err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond)
	}
	defer taken.Close()
	after := awaitStarts(t, s.Supervisor, 2)
	if after.NativePort == before.NativePort {
		t.Fatalf("it is on port %d, which another program has", after.NativePort)
	}
	c, err := s.Dial(t.Context(), before.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if c.RemoteAddr().String() != after.Addr() {
		t.Errorf("Dial reached %v, want %s", c.RemoteAddr(), after.Addr())
	}
}

func TestOrderlyStopDoesNotWaitForReads(t *testing.T) {
	s := start(t, nil)
	e, _ := s.Endpoint()
	conn := connect(t, clickhouse.Native, e.Addr(), e.User, e.Password)
	reading := make(chan error, 1)
	go func() {
		reading <- conn.Exec(t.Context(), "SELECT sum(number) FROM system.numbers SETTINGS max_threads = 1")
	}()
	other := connect(t, clickhouse.Native, e.Addr(), e.User, e.Password)
	for n := uint64(0); n == 0; {
		if err := other.QueryRow(t.Context(), "SELECT count() FROM system.processes WHERE query LIKE '%system.numbers%' AND query NOT LIKE '%processes%'").Scan(&n); err != nil {
			t.Fatal(err)
		}
	}
	began := time.Now()
	if err := s.stop(); err != nil {
		t.Fatalf("Run: %v", err)
	}
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("the stop took %v", took)
	}
	if err := <-reading; err == nil {
		t.Error("the endless read ended without an error")
	}
}

// runMain runs an engine's process that is expected to fail and returns its
// exit code, its report and its standard error.
func runMain(t *testing.T, args ...string) (int, report, string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, exe, args...)
	cmd.Env = append(os.Environ(), childEnv+"=1")
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err = cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	var r report
	if out.Len() > 0 {
		if err := json.Unmarshal(out.Bytes(), &r); err != nil {
			t.Fatalf("standard output is not one line of JSON: %q", out.String())
		}
	}
	return cmd.ProcessState.ExitCode(), r, errs.String()
}

func TestRefusals(t *testing.T) {
	needLibrary(t)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	port := strconv.Itoa(taken.Addr().(*net.TCPAddr).Port)
	open := t.TempDir()
	if err := os.WriteFile(filepath.Join(open, "password"), []byte("open\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	s := start(t, nil)

	for _, tt := range []struct {
		name     string
		args     []string
		code     int
		report   string
		sentence string
	}{
		{"second engine on one folder", []string{"--data-dir=" + s.config.DataDir}, exitInUse, "folder_in_use", "the data folder is in use by another engine: " + s.config.DataDir + " (process "},
		{"native port in use", []string{"--data-dir=" + t.TempDir(), "--native-port=" + port}, exitPort, "port_in_use", "port " + port + " on 127.0.0.1; stop that program, or choose another with --native-port"},
		{"HTTP port in use", []string{"--data-dir=" + t.TempDir(), "--http-port=" + port}, exitPort, "port_in_use", "choose another with --http-port"},
		{"no library", []string{"--data-dir=" + t.TempDir(), "--engine-lib=/nowhere/libchdb.so"}, exitNoEngine, "no_library", "/nowhere/libchdb.so, and there is no such file"},
		{"password others can read", []string{"--data-dir=" + open}, exitFailed, "other", "chmod 600"},
		{"not a library", []string{"--data-dir=" + t.TempDir(), "--engine-lib=engine_test.go"}, exitFailed, "other", "make engine"},
		{"unknown flag", []string{"--data-folder=x"}, exitUsage, "", "flag provided but not defined"},
		{"argument", []string{"now"}, exitUsage, "", `unexpected argument "now"`},
		{"same port twice", []string{"--native-port=9000", "--http-port=9000"}, exitUsage, "", "give each its own"},
		{"too little memory", []string{"--memory-bytes=1000"}, exitUsage, "", "at least 268435456"},
		{"log level", []string{"--log-level=loud"}, exitUsage, "", "use error, warning"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			code, r, errs := runMain(t, tt.args...)
			if code != tt.code || r.Code != tt.report {
				t.Errorf("exit code %d and %+v, want %d and %s", code, r, tt.code, tt.report)
			}
			if !strings.Contains(errs, tt.sentence) {
				t.Errorf("it says\n%s\nwant %q", errs, tt.sentence)
			}
		})
	}
	e, _ := s.Endpoint()
	one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
}

func TestRunSaysWhyItCannotStart(t *testing.T) {
	needLibrary(t)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	for _, tt := range []struct {
		name   string
		change func(*Config)
		want   error
	}{
		{"port in use", func(c *Config) { c.NativePort = taken.Addr().(*net.TCPAddr).Port }, ErrPortInUse},
		{"no library", func(c *Config) { c.Library = "/nowhere" }, ErrNoLibrary},
		{"folder in use", func(c *Config) {
			lock, err := openFolder(c.DataDir, 0)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(lock.close)
		}, ErrFolderInUse},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := testConfig(t.TempDir())
			tt.change(&c)
			sup, err := NewSupervisor(c)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			err = sup.Run(ctx)
			if !errors.Is(err, tt.want) {
				t.Errorf("Run: %v, want %v", err, tt.want)
			}
			if _, waitErr := sup.Wait(ctx); !errors.Is(waitErr, tt.want) {
				t.Errorf("Wait: %v, want %v", waitErr, tt.want)
			}
		})
	}
}

// A service that is killed takes its engine with it, and the next service can
// have the folder at once.
func TestEngineEndsWithItsParent(t *testing.T) {
	needLibrary(t)
	dir := t.TempDir()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	parent := exec.Command(exe)
	parent.Env = append(os.Environ(), parentEnv+"="+dir)
	out, err := parent.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := parent.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	if err != nil {
		t.Fatalf("the parent says %q", line)
	}
	if err := parent.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = parent.Wait()
	s := start(t, func(c *Config) { c.DataDir = dir })
	e, _ := s.Endpoint()
	one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
	if e.PID == pid {
		t.Error("the old engine was not replaced")
	}
}

// A second service on the folder of a live one gives up within seconds and
// says which process to stop.
func TestSecondServiceStopsAtOnce(t *testing.T) {
	first := start(t, nil)
	e, _ := first.Endpoint()
	c := testConfig(first.config.DataDir)
	c.StartTimeout = time.Minute
	second, err := NewSupervisor(c)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	err = second.Run(t.Context())
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("it took %v", took)
	}
	if want := fmt.Sprintf("(process %d, started by process %d); stop process %d", e.PID, os.Getpid(), os.Getpid()); !errors.Is(err, ErrFolderInUse) || !strings.Contains(err.Error(), want) {
		t.Errorf("Run: %v, want %q", err, want)
	}
	one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
}

// An engine that is stopping is waited for; one that does not end is not
// waited for for ever.
func TestStoppingEngineIsWaitedFor(t *testing.T) {
	needLibrary(t)
	for _, parent := range []int{0, 1 << 30} { // a state, or a parent that is gone
		dir := t.TempDir()
		held, err := openFolder(dir, parent)
		if err != nil {
			t.Fatal(err)
		}
		if parent == 0 {
			held.note(stopping)
		}
		c := testConfig(dir)
		c.StopTimeout = time.Millisecond
		second, err := NewSupervisor(c)
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		err = second.Run(t.Context())
		if took := time.Since(began); !errors.Is(err, ErrFolderInUse) || !errors.Is(err, errDying) || took < 5*time.Second {
			t.Errorf("Run: %v after %v", err, took)
		}
		time.AfterFunc(2*time.Second, held.close)
		s := start(t, func(c *Config) { c.DataDir = dir })
		if err := s.stop(); err != nil {
			t.Error(err)
		}
	}
}

func TestInUseSaysWho(t *testing.T) {
	self, parent := os.Getpid(), os.Getppid()
	for _, tt := range []struct {
		note, want string
		dying      bool
	}{
		{"", "DIR; stop that one", false},
		{"12\n", "DIR; stop that one", false},
		{fmt.Sprintf("%10d %10d holds", self, parent), fmt.Sprintf("(process %d, started by process %d); stop process %d,", self, parent, parent), false},
		{fmt.Sprintf("%10d %10d holds", self, 0), fmt.Sprintf("(process %d); stop that one", self), false},
		{fmt.Sprintf("%10d %10d holds", self, parent+1), "is stopping", true},
		{fmt.Sprintf("%10d %10d stopping", self, parent), "is stopping", true},
		{fmt.Sprintf("%10d %10d holds", 1<<30, 7), "on another machine (process 1073741824 there)", false},
	} {
		err := inUse("DIR", tt.note)
		if !errors.Is(err, ErrFolderInUse) || errors.Is(err, errDying) != tt.dying || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("note %q: %v, want %q", tt.note, err, tt.want)
		}
	}
}

func TestSignals(t *testing.T) {
	needLibrary(t)
	t.Run("one of a service goes on", func(t *testing.T) {
		s := start(t, nil)
		e, _ := s.Endpoint()
		for _, signal := range []syscall.Signal{syscall.SIGTERM, syscall.SIGINT, syscall.SIGHUP} {
			if err := syscall.Kill(e.PID, signal); err != nil {
				t.Fatal(err)
			}
		}
		deadline := time.Now().Add(10 * time.Second)
		for s.logs.FilterMessage("engine says").Len() < 2 {
			if time.Now().After(deadline) {
				t.Fatal("it does not say that it was signalled")
			}
			time.Sleep(time.Millisecond)
		}
		one(t, connect(t, clickhouse.Native, e.Addr(), e.User, e.Password))
		if s.Starts() != 1 {
			t.Error("it was restarted")
		}
	})
	t.Run("one of its own stops in order", func(t *testing.T) {
		exe, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		cmd := exec.Command(exe, "--data-dir="+dir)
		cmd.Env = append(os.Environ(), childEnv+"=1")
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if line, err := bufio.NewReader(out).ReadString('\n'); err != nil || !strings.Contains(line, `"state":"ready"`) {
			t.Fatalf("it says %q, %v", line, err)
		}
		for range 2 {
			if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("it ended with %v", err)
		}
		if _, err := os.Stat(filepath.Join(dir, "clickhouse", "status")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the status file is still there: %v", err)
		}
	})
}

func TestMetricsAreThere(t *testing.T) {
	s := start(t, nil)
	e, _ := s.Endpoint()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+e.HTTPAddr()+"/metrics", nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("X-ClickHouse-User", e.User)
	request.Header.Set("X-ClickHouse-Key", e.Password)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK || !bytes.Contains(body, []byte("ClickHouseMetrics_")) {
		t.Errorf("%s, %v, %.200s", response.Status, err, body)
	}
}

func TestFind(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "libchdb.so")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	t.Run("explicit file", func(t *testing.T) {
		if got, err := Find(file); got != file || err != nil {
			t.Errorf("Find = %q, %v", got, err)
		}
	})
	t.Run("explicit folder", func(t *testing.T) {
		if got, err := Find(dir); got != file || err != nil {
			t.Errorf("Find = %q, %v", got, err)
		}
	})
	t.Run("environment", func(t *testing.T) {
		t.Setenv(LibraryEnv, file)
		if got, err := Find(""); got != file || err != nil {
			t.Errorf("Find = %q, %v", got, err)
		}
	})
	t.Run("environment names nothing", func(t *testing.T) {
		t.Setenv(LibraryEnv, filepath.Join(dir, "none"))
		if _, err := Find(""); !errors.Is(err, ErrNoLibrary) || !strings.Contains(err.Error(), LibraryEnv) {
			t.Errorf("Find: %v", err)
		}
	})
	t.Run("below the repository from inside it", func(t *testing.T) {
		needLibrary(t)
		t.Setenv(LibraryEnv, "")
		if got, err := Find(""); err != nil || !filepath.IsAbs(got) {
			t.Errorf("Find = %q, %v", got, err)
		}
	})
	t.Run("nowhere", func(t *testing.T) {
		t.Setenv(LibraryEnv, "")
		t.Chdir(dir)
		// The test binary is in a folder of its own below the temporary one.
		if _, err := Find(""); !errors.Is(err, ErrNoLibrary) || !strings.Contains(err.Error(), "make engine") {
			t.Errorf("Find: %v", err)
		}
	})
}
