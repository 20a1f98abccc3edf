package main

import (
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
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// demoRegistry is a registry file that is right: 12 cells at 6 sites.
var demoRegistry = filepath.Join("..", "..", "..", "deploy", "demo", "registry.yaml")

// entry is one line of the service's log.
type entry struct {
	Level string `json:"level"`
	Msg   string `json:"msg"`
	GRPC  string `json:"grpc"`
	Pages string `json:"pages"`
	PID   int    `json:"pid"`
}

// entries reads a log; a line that is no JSON object fails the test.
func entries(t testing.TB, log string) []entry {
	t.Helper()
	var all []entry
	for line := range strings.Lines(log) {
		var e entry
		if !strings.HasSuffix(line, "\n") {
			break // being written
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("the log has a line that is not JSON: %q", line)
		}
		all = append(all, e)
	}
	return all
}

// last returns the last entry with the message.
func last(all []entry, msg string) (entry, bool) {
	for _, e := range slices.Backward(all) {
		if e.Msg == msg {
			return e, true
		}
	}
	return entry{}, false
}

// service is `rollcall serve` while it runs.
type service struct {
	testing.TB
	grpc, pages string
	log         *lockedBuffer
	ended       chan struct{}
	code        int // once ended
	cancel      context.CancelFunc
}

// start runs `rollcall serve` on free ports in this process until it serves.
func start(t testing.TB, args ...string) *service {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	s := &service{TB: t, log: &lockedBuffer{}, ended: make(chan struct{}), cancel: cancel}
	go func() {
		defer close(s.ended)
		s.code = Main{Out: s.log, Err: s.log}.Run(ctx, append([]string{"serve", "--grpc-listen=127.0.0.1:0", "--http-listen=127.0.0.1:0"}, args...))
	}()
	t.Cleanup(func() { cancel(); <-s.ended })
	s.awaitServing()
	return s
}

func (s *service) awaitServing() {
	s.Helper()
	await(s, "the service", func() bool {
		select {
		case <-s.ended:
			s.Fatalf("the service ended with %d:\n%s", s.code, s.log)
		default:
		}
		e, ok := last(entries(s, s.log.String()), "serving")
		s.grpc, s.pages = e.GRPC, e.Pages
		return ok
	})
}

// stop ends the service and fails the test unless it ends well.
func (s *service) stop() {
	s.Helper()
	s.cancel()
	select {
	case <-s.ended:
	case <-time.After(patience):
		s.Fatalf("the service does not stop:\n%s", s.log)
	}
	if s.code != 0 {
		s.Errorf("the service ended with %d:\n%s", s.code, s.log)
	}
}

// enginePID returns the process of the service's engine.
func (s *service) enginePID() int {
	s.Helper()
	e, ok := last(entries(s, s.log.String()), "engine ready")
	if !ok || e.PID == 0 {
		s.Fatalf("the log names no engine:\n%s", s.log)
	}
	return e.PID
}

// run runs a command that asks this service.
func (s *service) run(args ...string) (code int, out, errs string) {
	s.Helper()
	return command(s, append(args, "--server", s.grpc)...)
}

// apply applies a registry file.
func (s *service) apply(file string) {
	s.Helper()
	need(s, 0, []string{"fleet", "apply", file, "--by", "test", "--server", s.grpc}, "applied")
}

// cells returns the ids of the cells the service knows.
func (s *service) cells() []string {
	s.Helper()
	code, out, errs := s.run("cells", "--json")
	if code != 0 {
		s.Fatalf("cells: exit code %d: %s", code, errs)
	}
	return cellIDs(s, out)
}

func cellIDs(t testing.TB, out string) []string {
	t.Helper()
	var answer struct {
		Cells []struct {
			ID string `json:"cell_id"`
		} `json:"cells"`
	}
	if err := json.Unmarshal([]byte(out), &answer); err != nil {
		t.Fatalf("cells --json: %v\n%s", err, out)
	}
	var ids []string
	for _, c := range answer.Cells {
		ids = append(ids, c.ID)
	}
	return ids
}

// get fetches one of the service's pages.
func (s *service) get(path string) string {
	s.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: patience}
	r, err := client.Get(strings.TrimSuffix(s.pages, "/") + path)
	if err != nil {
		s.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		s.Fatalf("GET %s: %s, %v\n%s", path, r.Status, err, body)
	}
	return string(body)
}

func (s *service) dial() *grpc.ClientConn {
	s.Helper()
	conn, err := grpc.NewClient(s.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		s.Fatal(err)
	}
	s.Cleanup(func() { conn.Close() })
	return conn
}

// await waits until done, or fails the test.
func await(t testing.TB, what string, done func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !done(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%s: not within %v", what, patience)
		}
	}
}

// gone says whether a process has ended.
func gone(pid int) bool {
	if syscall.Kill(pid, 0) != nil {
		return true
	}
	// A process nobody has waited for yet has ended as well.
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || strings.Contains(string(text), ") Z ")
}

// The whole service with its own engine: registry in, cells out, everything it
// promises on its two ports, an orderly stop, and all there at the next start.
func TestServe(t *testing.T) {
	needEngine(t)
	leaks := goleak.IgnoreCurrent()
	dir := filepath.Join(t.TempDir(), "data")
	s := start(t, "--data-dir", dir)

	need(t, 3, []string{"cells", "--server", s.grpc}, "nothing found")
	need(t, 3, []string{"fleet", "show", "--server", s.grpc}, "registry is empty", "fleet apply")
	s.apply(demoRegistry)
	ids := s.cells()
	if len(ids) != 12 || !slices.Contains(ids, "fen-1") || !slices.Contains(ids, "rid-2") {
		t.Errorf("cells: %v, want the 12 of %s", ids, demoRegistry)
	}
	shown := need(t, 0, []string{"fleet", "show", "--server", s.grpc}, "lever_arm_m: 0.46")
	// What show prints, apply reads, and nothing changes by it.
	need(t, 0, []string{"fleet", "apply", writeFile(t, "shown.yaml", shown), "--by", "test", "--server", s.grpc}, "0 entries applied")
	for _, args := range [][]string{{"flags"}, {"checks"}, {"pulls"}, {"runs"}, {"pull", strings.Repeat("0", 32)}, {"curve", strings.Repeat("0", 32)}} {
		need(t, 3, append(args, "--server", s.grpc))
	}
	need(t, 0, []string{"recompute", "--server", s.grpc}, "everything is recomputed")

	if got := s.get("/healthz"); got != "ok\n" {
		t.Errorf("/healthz says %q", got)
	}
	if page := s.get("/"); !strings.Contains(page, "<svg") || !strings.Contains(page, "Fenwater") {
		t.Errorf("the first page has no chart or no site:\n%.500s", page)
	}
	metrics := s.get("/metrics")
	for _, name := range []string{"rollcall_ingest_streams", "rollcall_pipeline_pending_records", "rollcall_rpc_calls_total", "go_goroutines", "process_open_fds"} {
		if !strings.Contains(metrics, "\n"+name) {
			t.Errorf("/metrics has no %s", name)
		}
	}
	problems, err := promlint.New(strings.NewReader(metrics)).Lint()
	if err != nil {
		t.Error(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "rollcall_") {
			t.Errorf("metric %s: %s", p.Metric, p.Text)
		}
	}

	conn := s.dial()
	health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || health.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health: %v, %v", health, err)
	}
	if got := reflected(t, conn); !slices.Contains(got, "rollcall.v1.IngestService") || !slices.Contains(got, "rollcall.v1.FleetService") || !slices.Contains(got, "rollcall.v1.AdminService") {
		t.Errorf("reflection lists %v", got)
	}

	// An agent's open stream does not hold the stop.
	stream, err := pb.NewIngestServiceClient(conn).Stream(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	err = stream.Send(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{ContractVersion: wire.ContractVersion, CellId: "fen-1", AgentVersion: "test", SentAt: timestamppb.Now()}}})
	if err != nil {
		t.Fatal(err)
	}
	if answer, err := stream.Recv(); err != nil || answer.Code != pb.Code_CODE_OK {
		t.Fatalf("hello: %v, %v", answer, err)
	}
	pid := s.enginePID()
	began := time.Now()
	s.stop()
	if took := time.Since(began); took > 8*time.Second {
		t.Errorf("the stop took %v, want less than the 10 s after which calls are cut", took)
	}
	if _, err := stream.Recv(); err == nil {
		t.Error("the stream goes on after the stop")
	}
	conn.Close()
	if !gone(pid) {
		t.Error("the engine's process is still there")
	}
	all := entries(t, s.log.String())
	if len(all) == 0 || all[len(all)-1].Msg != "engine stopped" {
		t.Errorf("the engine did not stop last:\n%s", s.log)
	}
	for _, e := range all {
		if e.Level != "info" {
			t.Errorf("%s in the log of a good day: %s", e.Level, e.Msg)
		}
	}
	if err := goleak.Find(leaks); err != nil {
		t.Error(err)
	}

	again := start(t, "--data-dir", dir)
	if got := again.cells(); !slices.Equal(got, ids) {
		t.Errorf("after the restart: %v, want %v", got, ids)
	}
	if _, migrated := last(entries(t, again.log.String()), "tables brought up to this release"); migrated {
		t.Error("the second start migrates again")
	}
	again.stop()
}

// reflected returns the services that gRPC reflection lists.
func reflected(t testing.TB, conn *grpc.ClientConn) []string {
	t.Helper()
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	err = stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}})
	if err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Fatalf("reflection does not end: %v", err)
	}
	var names []string
	for _, s := range answer.GetListServicesResponse().GetService() {
		names = append(names, s.Name)
	}
	return names
}

// A registry with mistakes is answered with file, line, what and how to mend,
// and nothing of it is applied.
func TestBadRegistry(t *testing.T) {
	needEngine(t)
	s := start(t, "--data-dir", t.TempDir())
	good, err := os.ReadFile(demoRegistry)
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(string(good), "lever_arm_m: 0.46", "lever_arm_m: 0", 1)
	line := 1 + strings.Count(text[:strings.Index(text, "lever_arm_m: 0\n")], "\n")
	bad := writeFile(t, "fleet.yaml", text)
	need(t, 1, []string{"fleet", "apply", bad, "--by", "test", "--server", s.grpc},
		fmt.Sprintf("%s:%d: ", bad, line), "fen-1", "lever_arm_m is 0", "nothing was applied")
	need(t, 3, []string{"fleet", "show", "--server", s.grpc}, "registry is empty")

	s.apply(demoRegistry)
	before := need(t, 0, []string{"fleet", "show", "--server", s.grpc})
	// The site's new name is right, the lever arm is not: neither is applied.
	bad = writeFile(t, "fleet.yaml", strings.Replace(text, "name: Fenwater\n", "name: Elsewhere\n", 1))
	need(t, 1, []string{"fleet", "apply", bad, "--by", "test", "--server", s.grpc}, "lever_arm_m is 0")
	if after := need(t, 0, []string{"fleet", "show", "--server", s.grpc}); after != before {
		t.Error("a part of a file with a mistake was applied")
	}
	s.stop()
}

// A port in use, files of TLS that are not there, a password file that is not
// there: said before any engine starts.
func TestNothingStarts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	busy := taken(t)
	for _, test := range []struct {
		name string
		args []string
		says []string
	}{
		{"gRPC port in use", []string{"--grpc-listen", busy, "--http-listen", "127.0.0.1:0"}, []string{busy + " is in use by another program; stop it or choose another port with grpc_listen"}},
		{"pages' port in use", []string{"--grpc-listen", "127.0.0.1:0", "--http-listen", busy}, []string{busy + " is in use by another program; stop it or choose another port with http_listen"}},
		{"both the same", []string{"--grpc-listen", free(t), "--http-listen", ""}, nil},
		{"no certificate", []string{"--grpc-listen", "127.0.0.1:0", "--http-listen", "127.0.0.1:0", "--tls-cert-file", dir + ".crt", "--tls-key-file", dir + ".key", "--tls-client-ca-file", dir + ".ca"}, []string{dir + ".crt"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			if test.says == nil {
				test.args[3] = test.args[1]
				test.says = []string{test.args[1] + " is in use"}
			}
			need(t, 1, append([]string{"serve", "--data-dir", dir}, test.args...), test.says...)
			if _, err := os.Stat(dir); !os.IsNotExist(err) {
				t.Errorf("something was started: %v", err)
			}
		})
	}
}

func TestNoEngineLibrary(t *testing.T) {
	none := filepath.Join(t.TempDir(), "libchdb.so")
	need(t, 1, []string{"serve", "--grpc-listen=127.0.0.1:0", "--http-listen=127.0.0.1:0", "--data-dir", t.TempDir(), "--engine-library", none}, none, "no such file")
	need(t, 1, []string{"migrate", "--data-dir", t.TempDir(), "--engine-library", none}, none)
}

// Two services do not share a data folder: the second one waits for the first
// to end, and its log says what it waits for.
func TestFolderInUse(t *testing.T) {
	needEngine(t)
	dir := t.TempDir()
	s := start(t, "--data-dir", dir)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	log := &lockedBuffer{}
	ended := make(chan int, 1)
	go func() { ended <- Main{Out: log, Err: log}.Run(ctx, []string{"migrate", "--data-dir", dir}) }()
	await(t, "word of the folder", func() bool { return strings.Contains(log.String(), "in use by another engine") })
	s.apply(demoRegistry) // the first is not disturbed
	s.stop()
	if code := <-ended; code != 0 || !strings.Contains(log.String(), "0 migrations applied") {
		t.Errorf("after the first has ended: exit code %d\n%s", code, log)
	}
}

// server is a ClickHouse server for --clickhouse: its address without the
// password, and the password.
func server(t testing.TB) (address, password string) {
	t.Helper()
	needEngine(t)
	c := storetest.Config(t)
	if c.DSN == "" {
		return "clickhouse://" + c.User + "@" + c.Addr + "/" + c.Database, c.Password
	}
	o, err := clickhouse.ParseDSN(c.DSN)
	if err != nil {
		t.Fatal("the address to test against cannot be read")
	}
	return "clickhouse://" + o.Auth.Username + "@" + o.Addr[0] + "/" + c.Database, o.Auth.Password
}

// The service on a server: the password from a file, from the environment, or
// in the address.
func TestServeOnServer(t *testing.T) {
	address, password := server(t)
	s := start(t, "--clickhouse", address, "--clickhouse-password-file", writeFile(t, "password", password+"\n"), "--data-dir", filepath.Join(t.TempDir(), "none"))
	s.apply(demoRegistry)
	ids := s.cells()
	if len(ids) != 12 {
		t.Errorf("%d cells, want 12", len(ids))
	}
	if _, started := last(entries(t, s.log.String()), "engine ready"); started {
		t.Error("an engine of its own was started as well")
	}
	s.stop()

	withPassword := strings.Replace(address, "@", ":"+password+"@", 1)
	need(t, 0, []string{"migrate", "--clickhouse", withPassword}, "0 migrations applied")

	t.Setenv("ROLLCALL_CLICKHOUSE_PASSWORD", password)
	t.Setenv("ROLLCALL_CLICKHOUSE", address)
	s = start(t)
	if got := s.cells(); !slices.Equal(got, ids) {
		t.Errorf("cells %v, want %v", got, ids)
	}
	s.stop()
	if strings.Contains(s.log.String(), password) {
		t.Error("the password is in the log")
	}

	t.Setenv("ROLLCALL_CLICKHOUSE_PASSWORD", "wrong")
	need(t, 1, []string{"serve", "--grpc-listen=127.0.0.1:0", "--http-listen=127.0.0.1:0"}, "lets nobody in", "ROLLCALL_CLICKHOUSE_PASSWORD")
}

// A server that is not there yet is waited for, and the log says so.
func TestServerNotThereYet(t *testing.T) {
	nobody := free(t)
	var log lockedBuffer
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan int, 1)
	go func() {
		ended <- Main{Out: &log, Err: &log}.Run(ctx, []string{"serve", "--grpc-listen=127.0.0.1:0", "--http-listen=127.0.0.1:0", "--clickhouse", "clickhouse://rollcall:s3cret@" + nobody + "/rollcall"})
	}()
	await(t, "word of the server", func() bool { return strings.Count(log.String(), "database not there yet") > 1 })
	cancel()
	if code := <-ended; code != 0 {
		t.Errorf("exit code %d after a stop while waiting", code)
	}
	if !strings.Contains(log.String(), nobody) || strings.Contains(log.String(), "s3cret") {
		t.Errorf("the log does not name the server, or shows its password:\n%s", log.String())
	}
}

// The engine is killed under the running service: it comes back by itself and
// the service answers again, with all it knew.
func TestEngineKilled(t *testing.T) {
	needEngine(t)
	s := start(t, "--data-dir", t.TempDir())
	s.apply(demoRegistry)
	ids := s.cells()
	pid := s.enginePID()
	for range 2 {
		if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		await(t, "the engine's return", func() bool { p := s.enginePID(); defer func() { pid = p }(); return p != pid })
		await(t, "an answer", func() bool {
			code, out, errs := s.run("cells", "--json")
			if code != 0 && code != 4 {
				t.Fatalf("cells: exit code %d: %s", code, errs)
			}
			return code == 0 && slices.Equal(cellIDs(t, out), ids)
		})
	}
	// It writes again, too.
	need(t, 0, []string{"fleet", "apply", writeFile(t, "site.yaml", "effective_from: 2026-02-01\nsites:\n  far:\n    name: Farfield\n    latitude_deg: 50\n    height_m: 1\n    time_zone: Europe/London\n"), "--by", "test", "--server", s.grpc}, "1 entry applied")
	s.get("/")
	s.stop()
}

// program is the whole program in a process of its own.
func program(t testing.TB, log io.Writer, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe, args...)
	cmd.Env = append(os.Environ(), programEnv+"=1")
	cmd.Stdout, cmd.Stderr = log, log
	return cmd
}

// The program as a process: SIGTERM stops it in order; after kill -9 its engine
// does not stay behind, and the next service has the data.
func TestProcess(t *testing.T) {
	needEngine(t)
	dir := t.TempDir()
	run := func() (*exec.Cmd, *service) {
		log := &lockedBuffer{}
		cmd := program(t, log, "serve", "--data-dir", dir, "--grpc-listen=127.0.0.1:0", "--http-listen=127.0.0.1:0")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
		s := &service{TB: t, log: log, ended: make(chan struct{})}
		s.awaitServing()
		return cmd, s
	}
	first, s := run()
	s.apply(demoRegistry)
	pid := s.enginePID()
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	await(t, "the engine's end", func() bool { return gone(pid) })

	second, s := run()
	if got := s.cells(); len(got) != 12 {
		t.Errorf("%d cells after kill -9, want 12", len(got))
	}
	pid = s.enginePID()
	if err := second.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := second.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, s.log)
	}
	if !gone(pid) {
		t.Error("the engine stayed behind")
	}

	var out bytes.Buffer
	wrong := program(t, &out, "engine", "--nonsense")
	if err := wrong.Run(); wrong.ProcessState.ExitCode() != 2 || !strings.Contains(out.String(), "nonsense") {
		t.Errorf("rollcall engine --nonsense: %v\n%s", err, out.String())
	}
}

// `rollcall engine` alone is a server like any other.
func TestEngineAlone(t *testing.T) {
	needEngine(t)
	dir := t.TempDir()
	out, log := &lockedBuffer{}, &lockedBuffer{}
	cmd := program(t, log, "engine", "--data-dir", dir)
	cmd.Stdout = out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	await(t, "the engine", func() bool { return strings.HasSuffix(out.String(), "\n") })
	var ready struct {
		State    string `json:"state"`
		Host     string `json:"host"`
		Port     int    `json:"native_port"`
		User     string `json:"user"`
		Password string `json:"password_file"`
	}
	if err := json.Unmarshal([]byte(out.String()), &ready); err != nil || ready.State != "ready" {
		t.Fatalf("the engine says %q, %v\n%s", out, err, log)
	}
	args := []string{"--clickhouse", "clickhouse://" + ready.User + "@" + net.JoinHostPort(ready.Host, fmt.Sprint(ready.Port)) + "/rollcall", "--clickhouse-password-file", ready.Password}
	need(t, 0, append([]string{"migrate"}, args...), "migrations applied")
	s := start(t, args...)
	s.apply(demoRegistry)
	s.stop()
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v\n%s", err, log)
	}
}
