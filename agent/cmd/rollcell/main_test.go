package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"rollcall/agent/source/simulator"
	"rollcall/agent/spool"
	"rollcall/agent/uplink"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// The test binary is also the agent, so that it can be killed.
func TestMain(m *testing.M) {
	if os.Getenv("ROLLCELL_TEST_AGENT") != "" {
		main()
		return
	}
	goleak.VerifyTestMain(m)
}

// service keeps what it is sent, by content as the real one does.
type service struct {
	pb.UnimplementedIngestServiceServer
	mu         sync.Mutex
	counts     map[string]int // how often each message came, by what identifies it
	ends       map[string]*pb.PullEnd
	samples    map[string]uint64
	heartbeats int
	values     int
	discard    bool                                       // count bytes and values only
	refuse     func(*pb.StreamRequest) *pb.StreamResponse // nil: nothing; set before it starts
}

func (s *service) Stream(conn grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse]) error {
	for {
		m, err := conn.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if s.refuse != nil {
			if a := s.refuse(m); a != nil {
				a.Id = m.Sequence
				if err := conn.Send(a); err != nil {
					return err
				}
				continue
			}
		}
		s.take(m)
		if err := conn.Send(&pb.StreamResponse{Id: m.Sequence, Code: pb.Code_CODE_OK}); err != nil {
			return err
		}
	}
}

func (s *service) take(m *pb.StreamRequest) {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := ""
	switch b := m.Body.(type) {
	case *pb.StreamRequest_PullBegin:
		key = "begin " + b.PullBegin.PullId
	case *pb.StreamRequest_SampleBlock:
		n := len(b.SampleBlock.Samples.Counts) + len(b.SampleBlock.Samples.Values)
		s.values += n
		if s.discard {
			return
		}
		key = fmt.Sprint("block ", b.SampleBlock.PullId, b.SampleBlock.Channel, b.SampleBlock.BlockIndex)
		if s.counts[key] == 0 {
			s.samples[b.SampleBlock.PullId] += uint64(n)
		}
	case *pb.StreamRequest_PullEnd:
		key = "end " + b.PullEnd.PullId
		s.ends[b.PullEnd.PullId] = b.PullEnd
	case *pb.StreamRequest_CalibrationCheck:
		key = "check " + b.CalibrationCheck.CheckId
	case *pb.StreamRequest_Heartbeat:
		s.heartbeats++
		return
	default:
		return
	}
	s.counts[key]++
}

func startService(t testing.TB) (*service, string) {
	t.Helper()
	return startServiceAt(t, "127.0.0.1:0")
}

func startServiceAt(t testing.TB, address string) (*service, string) {
	t.Helper()
	s := &service{counts: map[string]int{}, ends: map[string]*pb.PullEnd{}, samples: map[string]uint64{}}
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	g := grpc.NewServer(grpc.InitialWindowSize(4<<20), grpc.InitialConnWindowSize(4<<20))
	pb.RegisterIngestServiceServer(g, s)
	done := make(chan struct{})
	go func() { defer close(done); _ = g.Serve(l) }()
	t.Cleanup(func() { g.Stop(); <-done })
	return s, l.Addr().String()
}

const demo = "../../../deploy/demo"

// writeConfig writes an agent.yaml for a cell of the demo's chain.
func writeConfig(t testing.TB, dir, server string) (file string, c Config) {
	t.Helper()
	mapping, err := filepath.Abs(filepath.Join(demo, "mapping.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	scenario := loadScenario(t)
	c = DefaultConfig()
	c.Cell, c.Server, c.Mapping = string(scenario.Cells[0].ID), server, mapping
	c.Folder, c.StateDir, c.SettleSeconds = filepath.Join(dir, "in"), filepath.Join(dir, "state"), 0
	c.Spool.Dir = filepath.Join(dir, "spool")
	text, err := yaml.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(dir, "agent.yaml")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(c.Folder, 0o755); err != nil {
		t.Fatal(err)
	}
	return file, c
}

func loadScenario(t testing.TB) simulator.Scenario {
	t.Helper()
	s, err := simulator.Load(filepath.Join(demo, "scenario.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// simulate writes weeks of the demo's first cell and returns how many files.
func simulate(t testing.TB, folder string, from, to int) int {
	t.Helper()
	s := loadScenario(t)
	sum, err := s.Write(folder, simulator.WriteOptions{Cell: fleet.CellID(s.Cells[0].ID), FromWeek: from, ToWeek: to}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return sum.Files
}

// command runs rollcell in this process.
func command(t testing.TB, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = Main{Out: &o, Err: &e}.Run(t.Context(), args)
	return code, o.String(), e.String()
}

// background runs `rollcell run` in this process until the function returned
// is called, which gives the exit code and the log.
func background(t testing.TB, file string) func() (int, string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var log bytes.Buffer
	done := make(chan int, 1)
	go func() { done <- Main{Out: io.Discard, Err: &log}.Run(ctx, []string{"run", "--config", file}) }()
	var once sync.Once
	var code int
	stop := func() (int, string) {
		once.Do(func() { cancel(); code = <-done })
		return code, log.String()
	}
	t.Cleanup(func() { stop() })
	return stop
}

func waitFor(t testing.TB, what string, done func() bool) {
	t.Helper()
	limit := time.Now().Add(60 * time.Second)
	for !done() {
		if time.Now().After(limit) {
			t.Fatal("waited in vain: " + what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func filesIn(t testing.TB, dir, suffix string) int {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) {
		return 0
	}
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range entries {
		if !e.IsDir() && strings.HasSuffix(e.Name(), suffix) {
			n++
		}
	}
	return n
}

// wantWhole checks that every pull of n files is there, whole.
func (s *service) wantWhole(t testing.TB, n int, once bool) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	checks, blocks := 0, map[string]uint32{}
	for key, times := range s.counts {
		if once && times != 1 {
			t.Errorf("%s came %d times", key, times)
		}
		if strings.HasPrefix(key, "check ") {
			checks++
		}
		if rest, ok := strings.CutPrefix(key, "block "); ok {
			blocks[rest[:32]]++
		}
	}
	if len(s.ends)+checks != n {
		t.Errorf("%d pulls and %d checks of %d files", len(s.ends), checks, n)
	}
	for id, e := range s.ends {
		if s.counts["begin "+id] == 0 || blocks[id] != e.Blocks || s.samples[id] != e.Samples {
			t.Errorf("pull %s: %d of %d blocks, %d of %d samples", id, blocks[id], e.Blocks, s.samples[id], e.Samples)
		}
	}
}

func TestRunAndStatus(t *testing.T) {
	dir := t.TempDir()
	s, address := startService(t)
	file, c := writeConfig(t, dir, address)
	if code, _, errs := command(t, "status", "--config", file); code != 1 || !strings.Contains(errs, "has not run with this configuration yet") {
		t.Errorf("status before the first run: %d, %s", code, errs)
	}
	n := simulate(t, c.Folder, 1, 1)
	stop := background(t, file)
	waitFor(t, "all files taken and sent", func() bool {
		st, err := readStatus(c.StateDir)
		return err == nil && st.Spool.Messages == 0 && int(st.Folder.Done) == n && st.Link.Connected
	})
	s.wantWhole(t, n, true)

	code, out, errs := command(t, "status", "--config", file)
	if code != 0 || errs != "" {
		t.Errorf("status: %d, %s", code, errs)
	}
	for _, part := range []string{c.Cell, "running", "link       up", "0 messages waiting", fmt.Sprintf("%d taken", n), "last answers", "OK", "All is well."} {
		if !strings.Contains(out, part) {
			t.Errorf("status does not say %q:\n%s", part, out)
		}
	}

	// A second agent on the same spool.
	code, _, errs = command(t, "run", "--config", file)
	if code != 1 || !strings.Contains(errs, "another agent") || !strings.Contains(errs, c.Spool.Dir) {
		t.Errorf("second agent: %d, %s", code, errs)
	}

	// A file that cannot be taken.
	bad := filepath.Join(c.Folder, "holiday.csv")
	if err := os.WriteFile(bad, []byte("who,where\nme,sea\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "the file to be rejected", func() bool {
		st, err := readStatus(c.StateDir)
		return err == nil && st.Folder.Rejected == 1
	})
	code, out, _ = command(t, "status", "--config", file)
	if code != 1 || !strings.Contains(out, "holiday.csv") || !strings.Contains(out, "Needs attention") {
		t.Errorf("status with a rejected file: %d\n%s", code, out)
	}
	code, out, _ = command(t, "status", "--config", file, "--json")
	var r Report
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != 1 {
		t.Fatalf("status --json: %d, %v", code, err)
	}
	if len(r.Rejected) != 1 || r.Rejected[0].File != "holiday.csv" || len(r.Rejected[0].Reason) < 20 || r.Stale || len(r.Attention) != 1 {
		t.Errorf("%+v", r)
	}

	if code, log := stop(); code != 0 {
		t.Errorf("run ended with %d: %s", code, log)
	}
	code, out, _ = command(t, "status", "--config", file)
	if code != 1 || !strings.Contains(out, "was stopped") {
		t.Errorf("status of a stopped agent: %d\n%s", code, out)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.heartbeats == 0 {
		t.Error("no heartbeat")
	}
}

// agent starts the test binary as `rollcell run`.
func agent(t testing.TB, file string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0], "run", "--config", file)
	cmd.Env = append(os.Environ(), "ROLLCELL_TEST_AGENT=1")
	log, err := os.OpenFile(file+".log", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd
}

// TestKilledAgent kills the agent with SIGKILL again and again while it works:
// every file arrives whole.
func TestKilledAgent(t *testing.T) {
	dir := t.TempDir()
	s, address := startService(t)
	file, c := writeConfig(t, dir, address)
	n := simulate(t, c.Folder, 1, 3)
	taken := func() int { return filesIn(t, filepath.Join(c.Folder, "done"), ".csv") }
	kills := 0
	for round := 0; taken() < n && round < 40; round++ {
		cmd := agent(t, file)
		before := taken()
		limit := time.Now().Add(10 * time.Second)
		for taken() < min(n, before+1) && time.Now().Before(limit) {
			time.Sleep(time.Millisecond)
		}
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		kills++
	}
	if kills < 4 {
		t.Errorf("killed %d times only", kills)
	}
	// What the dead agent last wrote is not taken for life.
	if code, out, _ := command(t, "status", "--config", file); code == 0 && !strings.Contains(out, "ago") {
		t.Errorf("status: %d\n%s", code, out)
	}
	stop := background(t, file)
	waitFor(t, "the rest", func() bool {
		st, err := readStatus(c.StateDir)
		return err == nil && st.Process == os.Getpid() && st.Spool.Messages == 0 && taken() == n && filesIn(t, c.Folder, ".csv") == 0
	})
	stop()
	s.wantWhole(t, n, false)
	t.Logf("%d files through %d kills", n, kills)
}

// TestFullSpool: without a link the spool fills up; files stay in the folder,
// the alarm says so, and everything arrives when the link is there.
func TestFullSpool(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close() // Nobody answers there for now.
	file, c := writeConfig(t, dir, address)
	t.Setenv("ROLLCALL_SPOOL_MAX_BYTES", "300000")
	n := simulate(t, c.Folder, 1, 1)
	stop := background(t, file)
	var st Status
	waitFor(t, "a full spool", func() bool {
		st, err = readStatus(c.StateDir)
		return err == nil && st.Spool.Full
	})
	if st.Spool.Bytes > 300000 || st.Folder.Waiting == 0 || st.Link.Connected {
		t.Errorf("%+v", st)
	}
	code, out, _ := command(t, "status", "--config", file)
	if code != 1 || !strings.Contains(out, "Spool full") || !strings.Contains(out, "nothing was dropped") || !strings.Contains(out, "link       down") {
		t.Errorf("status: %d\n%s", code, out)
	}
	s, _ := startServiceAt(t, address)
	waitFor(t, "everything taken and sent", func() bool {
		st, err = readStatus(c.StateDir)
		return err == nil && int(st.Folder.Done) == n && st.Spool.Messages == 0
	})
	if len(st.Alarms) != 0 {
		t.Errorf("alarms stand: %+v", st.Alarms)
	}
	stop()
	s.wantWhole(t, n, false)
}

// TestLinkDown: a link that is down is never well, and needs attention after
// half a minute.
func TestLinkDown(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close() // nobody is there
	file, c := writeConfig(t, dir, address)
	stop := background(t, file)
	defer stop()
	waitFor(t, "a failed try", func() bool {
		s, err := readStatus(c.StateDir)
		return err == nil && s.Link.LastError != "" && s.Link.NextTryAt != nil
	})
	code, out, _ := command(t, "status", "--config", file)
	if code != 0 || strings.Contains(out, "All is well") || !strings.Contains(out, "The link is down; that needs attention once it has been so for 30s.") || !strings.Contains(out, "tried again at ") {
		t.Errorf("status at once: %d\n%s", code, out)
	}
	stop()
	s, err := readStatus(c.StateDir)
	if err != nil {
		t.Fatal(err)
	}
	// As the agent writes it after a while.
	next := s.WrittenAt.Add(12 * time.Second)
	s.Stopped, s.Link.Since, s.Link.NextTryAt = false, s.WrittenAt.Add(-31*time.Second), &next
	text, _ := json.Marshal(s)
	if err := os.WriteFile(c.statusFile(), text, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := makeReport(c, s.WrittenAt)
	if err != nil || len(r.Attention) != 1 || !strings.HasPrefix(r.Attention[0], "No link to "+address+" for 31s: ") || !strings.Contains(r.Attention[0], "tried again at "+next.Local().Format("15:04:05")) {
		t.Errorf("%v, %v", r.Attention, err)
	}
	var b strings.Builder
	if err := r.print(&b, s.WrittenAt); err != nil || strings.Contains(b.String(), "well") {
		t.Errorf("%v: %s", err, b.String())
	}
}

// TestSetAside gives up a pull whose car's name is a slip.
func TestSetAside(t *testing.T) {
	dir := t.TempDir()
	s, address := startService(t)
	s.refuse = func(m *pb.StreamRequest) *pb.StreamResponse {
		if m.GetPullBegin() == nil {
			return nil
		}
		return &pb.StreamResponse{Code: pb.Code_CODE_FAILED_PRECONDITION, Field: "pull_begin.car_id", Reason: `pull_begin.car_id: reference car "hazle" is not in the registry`}
	}
	file, c := writeConfig(t, dir, address)
	if code, _, errs := command(t, "set-aside", "--config", file, "7"); code != 1 || !strings.Contains(errs, "has not run") {
		t.Errorf("before the first run: %d, %s", code, errs)
	}
	simulate(t, c.Folder, 1, 1)
	stop := background(t, file)
	var held []HeldMessage
	waitFor(t, "pulls to wait", func() bool {
		st, err := readStatus(c.StateDir)
		if err != nil || st.Folder.Waiting > 0 || st.Held.Messages < 2 || int64(st.Held.Messages) != st.Spool.Messages || st.Held.NextTryAt == nil {
			return false
		}
		held = st.Held.First
		return true
	})
	code, out, _ := command(t, "status", "--config", file)
	for _, part := range []string{"FAILED_PRECONDITION: pull_begin.car_id: reference car", "of record " + held[0].Of + ", file " + held[0].File, "tried again at ", "rollcell set-aside RECORD"} {
		if !strings.Contains(out, part) {
			t.Errorf("status does not say %q:\n%s", part, out)
		}
	}
	if code != 1 || strings.Contains(out, "pull_begin.car_id: pull_begin.car_id") {
		t.Errorf("status: %d\n%s", code, out)
	}
	for what, says := range map[string]string{strings.Repeat("0", 32): "does not wait", "999999": "does not wait", "hazle": "neither"} {
		if code, _, errs := command(t, "set-aside", "--config", file, what); code == 0 || !strings.Contains(errs, says) {
			t.Errorf("set-aside %s: %d, %s", what, code, errs)
		}
	}
	// One by its record while the agent runs, one by its number while not.
	if code, out, errs := command(t, "set-aside", "--config", file, held[0].Of); code != 0 || !strings.Contains(out, held[0].Of) {
		t.Errorf("set-aside: %d, %s", code, errs)
	}
	aside := func(n int) {
		t.Helper()
		waitFor(t, "messages set aside", func() bool {
			st, err := readStatus(c.StateDir)
			return err == nil && st.Aside.Messages == n && st.Held.Messages == len(held)-n
		})
	}
	aside(1)
	stop()
	if code, _, errs := command(t, "set-aside", "--config", file, fmt.Sprint(held[1].Sequence)); code != 0 {
		t.Errorf("set-aside: %d, %s", code, errs)
	}
	stop = background(t, file)
	aside(2)
	code, out, _ = command(t, "status", "--config", file)
	if code != 1 || !strings.Contains(out, "by hand, after: pull_begin.car_id") || !strings.Contains(out, "2 messages were set aside") {
		t.Errorf("status: %d\n%s", code, out)
	}
	stop()
}

func TestStale(t *testing.T) {
	dir := t.TempDir()
	_, address := startService(t)
	file, c := writeConfig(t, dir, address)
	stop := background(t, file)
	waitFor(t, "a status", func() bool { _, err := readStatus(c.StateDir); return err == nil })
	stop()
	s, err := readStatus(c.StateDir)
	if err != nil {
		t.Fatal(err)
	}
	s.Stopped = false // As a killed agent leaves it.
	text, _ := json.Marshal(s)
	if err := os.WriteFile(c.statusFile(), text, 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := makeReport(c, s.WrittenAt.Add(5*time.Second))
	if err != nil || r.Stale {
		t.Errorf("stale after 5 s: %v", err)
	}
	r, err = makeReport(c, s.WrittenAt.Add(3*time.Hour))
	if err != nil || !r.Stale || !strings.Contains(strings.Join(r.Attention, "\n"), "not running") {
		t.Errorf("%v, %v", r.Attention, err)
	}
}

func TestConfig(t *testing.T) {
	dir := t.TempDir()
	write := func(text string) string {
		name := filepath.Join(dir, "agent.yaml")
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	good := "cell: north-1\nserver: 127.0.0.1:7443\nfolder: in\nmapping: " + filepath.Join(dir, "mapping.yaml") + "\nstate_dir: state\n"
	mapping, err := os.ReadFile(filepath.Join(demo, "mapping.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "mapping.yaml"), mapping, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name, text string
		args       []string
		env        map[string]string
		code       int
		says       []string
	}{
		{"good", good, nil, nil, 0, []string{"cell: north-1", "max_bytes: 10737418240", filepath.Join(dir, "in"), filepath.Join(dir, "state", "spool")}},
		{"unknown key", good + "sever: x\n", nil, nil, 2, []string{"sever", "6"}},
		{"unknown key below", good + "spool:\n  max_byte: 3\n", nil, nil, 2, []string{"max_byte", "7"}},
		{"key twice", good + "cell: b\n", nil, nil, 2, []string{"cell", "6"}},
		{"wrong type", good + "spool:\n  max_bytes: much\n", nil, nil, 2, []string{"max_bytes", "7"}},
		{"all that is wrong", "sever: x\ncell: [a, b]\nsettle_s: soon\ndelete_done: perhaps\ntls: 3\nspool:\n  max_bytes: much\n  dirr: x\n", nil, nil, 2, []string{
			`agent.yaml:1: unknown key "sever"`, "agent.yaml:2: cell: a text is needed", "agent.yaml:3: settle_s: a number is needed",
			"agent.yaml:4: delete_done: true or false is needed", "agent.yaml:5: tls: ", "agent.yaml:7: max_bytes: a whole number is needed", `agent.yaml:8: unknown key "dirr"`}},
		{"a list", "- a\n", nil, nil, 2, []string{"agent.yaml:1: write one `key: value` a line"}},
		{"not YAML", "cell: [", nil, nil, 2, []string{"read configuration"}},
		{"empty", "", nil, nil, 2, []string{"cell is empty", "server is empty", "folder is empty", "mapping is empty"}},
		{"comments only", "# cell: north-1\n", []string{"--cell", "a", "--server", "127.0.0.1:1", "--folder", "in", "--mapping", filepath.Join(dir, "mapping.yaml")}, nil, 0, []string{"max_bytes: 10737418240"}},
		{"two documents", good + "---\ncell: b\n", nil, nil, 2, []string{"second document", "agent.yaml:7"}},
		{"flag over environment over file", good, []string{"--cell", "c"}, map[string]string{"ROLLCALL_CELL": "b", "ROLLCALL_SPOOL_MAX_BYTES": "50000000"}, 0, []string{"cell: c", "max_bytes: 50000000"}},
		{"bad environment", good, nil, map[string]string{"ROLLCALL_SPOOL_MAX_BYTES": "lots"}, 2, []string{"ROLLCALL_SPOOL_MAX_BYTES", "lots"}},
		{"spool too small", good + "spool: {max_bytes: 1000}\n", nil, nil, 2, []string{"spool.max_bytes is 1000"}},
		{"plaintext over a network", strings.Replace(good, "127.0.0.1", "dyno.example", 1), nil, nil, 2, []string{"tls.cert"}},
		{"half of TLS", good + "tls: {cert: a.pem}\n", nil, nil, 2, []string{"tls.key is empty", "tls.ca is empty"}},
		{"no certificate file", good + "tls: {cert: a.pem, key: b.pem, ca: c.pem}\n", nil, nil, 2, []string{"tls.cert", filepath.Join(dir, "a.pem")}},
		{"no mapping file", good, []string{"--mapping", filepath.Join(dir, "none.yaml")}, nil, 2, []string{"none.yaml"}},
		{"log level", good + "log_level: loud\n", nil, nil, 2, []string{`"loud"`}},
		{"argument", good, []string{"x"}, nil, 2, []string{`"x" is not expected`}},
		{"unknown flag", good, []string{"--x"}, nil, 2, []string{"unknown flag"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			for k, v := range test.env {
				t.Setenv(k, v)
			}
			code, out, errs := command(t, append([]string{"check-config", "--config", write(test.text)}, test.args...)...)
			if code != test.code {
				t.Errorf("code %d, want %d: %s", code, test.code, errs)
			}
			for _, part := range test.says {
				if !strings.Contains(out+errs, part) {
					t.Errorf("does not say %q:\n%s%s", part, out, errs)
				}
			}
		})
	}
	if code, _, errs := command(t, "run", "--config", filepath.Join(dir, "none.yaml")); code != 2 || !strings.Contains(errs, "none.yaml") {
		t.Errorf("no such file: %d, %s", code, errs)
	}
}

// TestPrintedConfigIsReadAgain: what check-config prints is a configuration.
func TestPrintedConfigIsReadAgain(t *testing.T) {
	dir := t.TempDir()
	file, _ := writeConfig(t, dir, "127.0.0.1:1")
	_, out, _ := command(t, "check-config", "--config", file)
	if err := os.WriteFile(file, []byte(out), 0o600); err != nil {
		t.Fatal(err)
	}
	code, again, errs := command(t, "check-config", "--config", file)
	if code != 0 || again != out {
		t.Errorf("%d %s\n%s\n%s", code, errs, out, again)
	}
}

func TestCheckConfigLooksAtCertificates(t *testing.T) {
	dir := t.TempDir()
	file, c := writeConfig(t, dir, "127.0.0.1:1")
	now := time.Now()
	make := func(name, uri string, from, to time.Time) {
		t.Helper()
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: from, NotAfter: to}
		if uri != "" {
			u, err := url.Parse(uri)
			if err != nil {
				t.Fatal(err)
			}
			template.URIs = []*url.URL{u}
		}
		der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
		if err != nil {
			t.Fatal(err)
		}
		keyDER, err := x509.MarshalPKCS8PrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		for suffix, block := range map[string]*pem.Block{".crt": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "PRIVATE KEY", Bytes: keyDER}} {
			if err := os.WriteFile(filepath.Join(dir, name+suffix), pem.EncodeToMemory(block), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	day := 24 * time.Hour
	own := "rollcall:cell:" + c.Cell
	make("own", own, now.Add(-day), now.Add(day))
	make("other", "rollcall:cell:elsewhere-9", now.Add(-day), now.Add(day))
	make("nobody", "", now.Add(-day), now.Add(day))
	make("old", own, now.Add(-2*day), now.Add(-day))
	make("early", own, now.Add(day), now.Add(2*day))
	for _, tt := range []struct{ cert, key, ca, says string }{
		{"own", "own", "other.crt", ""},
		{"other", "other", "own.crt", "is for rollcall:cell:elsewhere-9, this agent writes for " + c.Cell},
		{"nobody", "nobody", "own.crt", "names no cell"},
		{"old", "old", "own.crt", "ran out"},
		{"early", "early", "own.crt", "look at this computer's clock"},
		{"own", "other", "own.crt", "private key does not match"},
		{"own", "own", "own.key", "no certificate is in"},
		{"own", "own", "none.crt", "read tls.ca"},
	} {
		code, _, errs := command(t, "check-config", "--config", file, "--tls-cert", filepath.Join(dir, tt.cert+".crt"),
			"--tls-key", filepath.Join(dir, tt.key+".key"), "--tls-ca", filepath.Join(dir, tt.ca))
		if want := map[bool]int{true: 0, false: 2}[tt.says == ""]; code != want || !strings.Contains(errs, tt.says) {
			t.Errorf("%+v: %d, %s", tt, code, errs)
		}
	}
}

func TestCommands(t *testing.T) {
	for _, args := range [][]string{nil, {"version"}, {"help"}, {"simulate", "--help"}, {"run", "--help"}, {"set-aside", "--help"}, {"status", "--help"}} {
		if code, out, errs := command(t, args...); code != 0 || out == "" || errs != "" {
			t.Errorf("rollcell %v: %d, %q, %q", args, code, out, errs)
		}
	}
	if code, _, _ := command(t, "fly"); code != 2 {
		t.Errorf("unknown command: %d, want 2", code)
	}
}

// TestMemory drains a spool with the real program and looks at the most memory
// it ever had. ROLLCELL_DRAIN_BYTES sets how much (default 200 MB).
func TestMemory(t *testing.T) {
	if testing.Short() || runtime.GOOS != "linux" {
		t.Skip("needs Linux and some seconds")
	}
	total := int64(200e6)
	if v, err := strconv.ParseInt(os.Getenv("ROLLCELL_DRAIN_BYTES"), 10, 64); err == nil {
		total = v
	}
	dir := t.TempDir()
	s, address := startService(t)
	s.discard = true
	file, c := writeConfig(t, dir, address)
	bin := filepath.Join(dir, "rollcell")
	build := exec.Command("go", "build", "-trimpath", "-o", bin, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	sp, err := spool.Open(c.spool(), zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	// Blocks as a pull of 15 s at 100 Hz has, and some of 250 kB.
	sink := uplink.NewSink(sp)
	block := func(n, of int) *pb.StreamRequest {
		counts := make([]int32, of)
		for i := range counts {
			counts[i] = int32(i * n)
		}
		return &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: &pb.SampleBlock{
			PullId: fmt.Sprintf("%032x", n), CellId: c.Cell, Channel: "roller_speed",
			Clock: &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StepS: 0.01}}, Samples: &pb.Packed{Scale: 0.01, Counts: counts},
		}}}
	}
	messages, values := 0, 0
	for n := 0; sp.Stats().Bytes < total; n++ {
		var group []*pb.StreamRequest
		for k := range 100 {
			of := 1500
			if k%25 == 24 {
				of = 62500
			}
			group = append(group, block(n*100+k, of))
			values += of
		}
		messages += len(group)
		if err := sink.Append(t.Context(), group...); err != nil {
			t.Fatal(err)
		}
	}
	if err := sp.Close(); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command(bin, "run", "--config", file)
	cmd.Stderr = &log
	start := time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	var took time.Duration
	waitFor(t, "the spool to be drained", func() bool {
		s.mu.Lock()
		if s.values >= values && took == 0 {
			took = time.Since(start)
		}
		s.mu.Unlock()
		st, err := readStatus(c.StateDir)
		return took > 0 && err == nil && st.Spool.Messages == 0
	})
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	peak := 0
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "VmHWM:") {
			fmt.Sscanf(line, "VmHWM: %d kB", &peak)
		}
	}
	t.Logf("%d messages, %.0f MB in %v: %.1f MB/s, %.2f M values/s, peak %.1f MB",
		messages, float64(total)/1e6, took.Round(time.Millisecond), float64(total)/1e6/took.Seconds(), float64(values)/1e6/took.Seconds(), float64(peak)/1000)
	if peak == 0 || peak >= 40000 {
		t.Errorf("peak memory %d kB, want less than 40000; log:\n%s", peak, log.String())
	}
}
