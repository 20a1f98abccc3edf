package ingest

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/rpc"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

const patience = 30 * time.Second

// fixed is a registry that never changes.
type fixed fleet.Registry

func (f fixed) At(time.Time) fleet.Registry { return fleet.Registry(f) }

var registry = fixed{
	Cells:  map[fleet.CellID]fleet.Cell{"north-1": {}, "north-2": {}},
	Cars:   map[fleet.CarID]fleet.Car{"blue-estate": {}},
	Masses: map[fleet.MassID]fleet.Mass{"m-10": {}, "m-20": {}},

	Standards: map[fleet.StandardID]fleet.Standard{"tlc-1": {}},
}

// service is an ingest server behind a real gRPC server on loopback.
type service struct {
	*Server
	address string
	logs    *observer.ObservedLogs
	metrics *prometheus.Registry
	stop    func() // stops it and waits

	mu       sync.Mutex
	stored   []fleet.PullID
	coasts   []fleet.PullID
	checks   []fleet.CheckID
	happened chan struct{}
}

func start(t testing.TB, st Store, change func(*Config, *rpc.Config)) *service {
	t.Helper()
	config, rpcConfig := DefaultConfig(), rpc.DefaultConfig()
	rpcConfig.Listen = "127.0.0.1:0"
	if change != nil {
		change(&config, &rpcConfig)
	}
	core, logs := observer.New(zap.InfoLevel)
	s := &service{logs: logs, metrics: prometheus.NewRegistry(), happened: make(chan struct{}, 1)}
	var err error
	if s.Server, err = New(config, st, registry, zap.New(core), s.metrics); err != nil {
		t.Fatal(err)
	}
	note := func(add func()) {
		s.mu.Lock()
		add()
		s.mu.Unlock()
		select {
		case s.happened <- struct{}{}:
		default:
		}
	}
	s.Stored = func(id fleet.PullID) { note(func() { s.stored = append(s.stored, id) }) }
	s.StoredCoastDown = func(id fleet.PullID) { note(func() { s.coasts = append(s.coasts, id) }) }
	s.StoredCheck = func(id fleet.CheckID) { note(func() { s.checks = append(s.checks, id) }) }
	server, err := rpc.New(rpcConfig, zap.New(core), s.metrics)
	if err != nil {
		t.Fatal(err)
	}
	pb.RegisterIngestServiceServer(server, s.Server)
	server.OnStop(s.Server.Stop)
	listener, err := rpc.Listen(context.Background(), rpcConfig)
	if err != nil {
		t.Fatal(err)
	}
	s.address = listener.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := server.Serve(ctx, listener); err != nil {
			t.Error(err)
		}
	})
	running.Go(func() {
		if err := s.Server.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	s.stop = sync.OnceFunc(func() {
		cancel()
		running.Wait()
	})
	t.Cleanup(s.stop)
	return s
}

// await returns once condition holds, which is looked at whenever one of the
// Stored functions was called.
func (s *service) await(t testing.TB, what string, condition func() bool) {
	t.Helper()
	deadline := time.After(patience)
	for {
		s.mu.Lock()
		met := condition()
		s.mu.Unlock()
		if met {
			return
		}
		select {
		case <-s.happened:
		case <-deadline:
			t.Fatalf("%s: did not happen", what)
		}
	}
}

// realStore opens a fresh database on the real engine; the test fails when it
// leaves goroutines behind.
func realStore(t testing.TB) *store.Store {
	t.Helper()
	checkLeaks(t)
	return storetest.Open(t)
}

func checkLeaks(t testing.TB) {
	t.Helper()
	if storetest.Embedded() {
		storetest.Engine(t)
	}
	ignore := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, ignore) })
}

// agent is the client's end of a stream.
type agent struct {
	t      testing.TB
	conn   *grpc.ClientConn
	stream pb.IngestService_StreamClient
	cancel context.CancelFunc
}

// connect opens a stream without a hello.
func connect(t testing.TB, address string, client *tls.Config) *agent {
	t.Helper()
	creds := insecure.NewCredentials()
	if client != nil {
		creds = credentials.NewTLS(client)
	}
	conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(creds))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	a := &agent{t: t, conn: conn, cancel: cancel}
	t.Cleanup(a.close)
	if a.stream, err = pb.NewIngestServiceClient(conn).Stream(ctx); err != nil {
		t.Fatal(err)
	}
	return a
}

func (a *agent) close() {
	a.cancel()
	a.conn.Close()
}

// greet opens a stream for a cell.
func greet(t testing.TB, address string, cell fleet.CellID) *agent {
	t.Helper()
	a := connect(t, address, nil)
	answers := a.send(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: cell, AgentVersion: "test", SentAt: time.Now()})}})
	if answers[0].Code != pb.Code_CODE_OK || answers[0].Id != 0 {
		t.Fatalf("hello: %v", answers[0])
	}
	return a
}

// send sends messages and returns their answers, which have to come in order.
func (a *agent) send(messages ...*pb.StreamRequest) []*pb.StreamResponse {
	a.t.Helper()
	failed := make(chan error, 1)
	go func() {
		for _, m := range messages {
			if err := a.stream.Send(m); err != nil {
				failed <- err
				return
			}
		}
		failed <- nil
	}()
	answers := make([]*pb.StreamResponse, 0, len(messages))
	for _, m := range messages {
		answer, err := a.stream.Recv()
		if err != nil {
			a.t.Fatalf("message %d: %v (send: %v)", m.Sequence, err, <-failed)
		}
		if answer.Id != m.Sequence {
			a.t.Fatalf("answer %d where that of %d was due", answer.Id, m.Sequence)
		}
		answers = append(answers, answer)
	}
	if err := <-failed; err != nil {
		a.t.Fatal(err)
	}
	return answers
}

// allOK fails the test unless every answer is OK.
func allOK(t testing.TB, answers []*pb.StreamResponse) {
	t.Helper()
	for _, a := range answers {
		if a.Code != pb.Code_CODE_OK {
			t.Fatalf("message %d: %s: %s", a.Id, a.Code, a.Reason)
		}
	}
}

// hashOf returns an id made from a name.
func hashOf(name string) string {
	sum := sha256.Sum256([]byte(name))
	return hex.EncodeToString(sum[:16])
}

var startedAt = time.Date(2026, 3, 14, 9, 26, 53, 589793000, time.UTC)

// pullMessages returns a pull of blocks blocks of two channels: one of counts
// on a uniform clock, one of values with times. Sequences begin at first.
func pullMessages(name string, cell fleet.CellID, blocks int, first uint64) []*pb.StreamRequest {
	id := fleet.PullID(hashOf(name))
	begin := fleet.Pull{ID: id, Cell: cell, Kind: fleet.KindPull, StartedAt: startedAt, Car: "blue-estate", Label: name,
		Channels: []fleet.Channel{fleet.LoadCellForce, fleet.RollerSpeed}, Header: map[string]string{"Operator": "Ann"}}
	messages := []*pb.StreamRequest{{Body: &pb.StreamRequest_PullBegin{PullBegin: wire.ToPullBegin(begin)}}}
	var sums []wire.BlockSum
	for i := range blocks {
		const n = 100
		counts, values, times := make([]int32, n), make([]float64, n), make([]float64, n)
		for j := range n {
			k := i*n + j
			counts[j] = int32(k*37%1000 + len(name)*1000)
			values[j] = 20 + float64(k)/7
			times[j] = float64(k)*0.01 + 0.001*float64(k%3)
		}
		for _, b := range []wire.Block{
			{Pull: id, Cell: cell, Channel: fleet.LoadCellForce, Index: uint32(i), Start: float64(i*n) * 0.01, Step: 0.01, Samples: wire.Packed{Scale: 0.25, Offset: -5, Counts: counts}},
			{Pull: id, Cell: cell, Channel: fleet.RollerSpeed, Index: uint32(i), Times: wire.Packed{Values: times}, Samples: wire.Packed{Values: values}},
		} {
			m := wire.ToSampleBlock(b)
			b.CRC = m.Crc32C
			sums = append(sums, b.Sum())
			messages = append(messages, &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: m}})
		}
	}
	messages = append(messages, &pb.StreamRequest{Body: &pb.StreamRequest_PullEnd{PullEnd: wire.ToPullEnd(wire.NewEnd(id, cell, sums))}})
	for i, m := range messages {
		m.Sequence = first + uint64(i)
	}
	return messages
}

func checkMessage(name string, cell fleet.CellID, sequence uint64) *pb.StreamRequest {
	zero, loaded := 0.0, 294.2
	return &pb.StreamRequest{Sequence: sequence, Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: wire.ToCalibrationCheck(fleet.Check{
		ID: fleet.CheckID(hashOf(name)), Cell: cell, Kind: fleet.CheckDeadWeight, State: fleet.AsFound, PerformedAt: startedAt, PerformedBy: "Ann",
		Readings: []fleet.Reading{
			{Cycle: 1, Direction: fleet.Rising, Force: &zero},
			{Cycle: 1, Direction: fleet.Rising, Masses: []fleet.MassID{"m-10", "m-20"}, Force: &loaded},
		}})}}
}

// assertStored fails the test unless the store has the pull of messages
// exactly as it was sent.
func assertStored(t testing.TB, st *store.Store, messages []*pb.StreamRequest) {
	t.Helper()
	id := fleet.PullID(messages[0].GetPullBegin().PullId)
	raw, err := st.ReadPull(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	if !raw.HasBegin || !raw.HasEnd {
		t.Fatalf("pull %s: begin %v, end %v", id, raw.HasBegin, raw.HasEnd)
	}
	want, err := wire.FromPullBegin(messages[0].GetPullBegin())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, raw.Begin.Pull()); diff != "" {
		t.Error(diff)
	}
	var blocks []*pb.SampleBlock
	for _, m := range messages {
		if b := m.GetSampleBlock(); b != nil {
			blocks = append(blocks, b)
		}
	}
	slices.SortFunc(blocks, func(a, b *pb.SampleBlock) int {
		if c := strings.Compare(a.Channel, b.Channel); c != 0 {
			return c
		}
		return int(a.BlockIndex) - int(b.BlockIndex)
	})
	if len(raw.Blocks) != len(blocks) {
		t.Fatalf("pull %s has %d blocks, want %d", id, len(raw.Blocks), len(blocks))
	}
	var sums []wire.BlockSum
	for i, b := range blocks {
		// The stored numbers give the checksum that was sent, so they are the same.
		got := wire.ToSampleBlock(raw.Blocks[i].Block())
		if !proto.Equal(got, b) {
			t.Errorf("block %d of %s differs", b.BlockIndex, b.Channel)
		}
		sums = append(sums, raw.Blocks[i].Block().Sum())
	}
	if missing := wire.Missing(endOf(raw.End), sums); missing != "" {
		t.Error(missing)
	}
}

// rows counts a table's rows as readers see them.
func rows(t testing.TB, st *store.Store, table string) uint64 {
	t.Helper()
	var n uint64
	if err := st.Conn().QueryRow(context.Background(), "SELECT count() FROM "+table+" FINAL").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestStoresPullAndCheck(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	pull := pullMessages("one", "north-1", 5, 1)
	allOK(t, a.send(pull...))
	allOK(t, a.send(checkMessage("check", "north-1", 100)))
	assertStored(t, st, pull)
	check, is, err := st.ReadCheck(t.Context(), fleet.CheckID(hashOf("check")))
	if err != nil || !is {
		t.Fatalf("check: %v, %v", is, err)
	}
	want, err := wire.FromCalibrationCheck(checkMessage("check", "north-1", 1).GetCalibrationCheck())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, check.Check()); diff != "" {
		t.Error(diff)
	}
	s.await(t, "word of pull and check", func() bool { return len(s.stored) == 1 && len(s.checks) == 1 })
	if s.stored[0] != fleet.PullID(hashOf("one")) || s.checks[0] != fleet.CheckID(hashOf("check")) {
		t.Errorf("told of %v and %v", s.stored, s.checks)
	}
	if got := testutil.ToFloat64(s.Server.metrics.values); got != 1000 {
		t.Errorf("%v values counted, want 1000", got)
	}
}

// A coast-down has its own word.
func TestStoredCoastDown(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	messages := pullMessages("empty rollers", "north-1", 1, 1)
	begin := messages[0].GetPullBegin()
	begin.Kind, begin.CarId, begin.Session = pb.PullKind_PULL_KIND_EMPTY_COAST_DOWN, "", ""
	allOK(t, a.send(messages...))
	s.await(t, "word of the coast-down", func() bool { return len(s.coasts) == 1 && len(s.stored) == 0 })
}

// Every answer, on one stream that goes on after each.
func TestAnswers(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	block := func(change func(*pb.SampleBlock)) *pb.StreamRequest {
		m := pullMessages("answers", "north-1", 1, 1)[1].GetSampleBlock()
		change(m)
		return &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: m}}
	}
	begin := func(change func(*pb.PullBegin)) *pb.StreamRequest {
		m := pullMessages("answers", "north-1", 1, 1)[0].GetPullBegin()
		change(m)
		return &pb.StreamRequest{Body: &pb.StreamRequest_PullBegin{PullBegin: m}}
	}
	check := func(change func(*pb.CalibrationCheck)) *pb.StreamRequest {
		m := checkMessage("answers", "north-1", 1).GetCalibrationCheck()
		change(m)
		return &pb.StreamRequest{Body: &pb.StreamRequest_CalibrationCheck{CalibrationCheck: m}}
	}
	cases := []struct {
		name  string
		m     *pb.StreamRequest
		code  pb.Code
		field string
		says  string
	}{
		{"good block", block(func(*pb.SampleBlock) {}), pb.Code_CODE_OK, "", ""},
		{"good begin", begin(func(*pb.PullBegin) {}), pb.Code_CODE_OK, "", ""},
		{"good check", check(func(*pb.CalibrationCheck) {}), pb.Code_CODE_OK, "", ""},
		{"heartbeat", &pb.StreamRequest{Body: &pb.StreamRequest_Heartbeat{Heartbeat: wire.ToHeartbeat(wire.Heartbeat{Cell: "north-1", SentAt: time.Now(), SpoolMessages: 7})}}, pb.Code_CODE_OK, "", ""},
		{"hello again", &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: "north-1", SentAt: time.Now()})}}, pb.Code_CODE_OK, "", ""},
		{"bad CRC", block(func(m *pb.SampleBlock) { m.Crc32C++ }), pb.Code_CODE_INVALID_ARGUMENT, "sample_block.crc32c", "damaged"},
		{"NaN", block(func(m *pb.SampleBlock) {
			m.Samples = &pb.Packed{Values: slices.Repeat([]float64{math.NaN()}, 100)}
			m.Crc32C = wire.BlockCRC(m)
		}), pb.Code_CODE_INVALID_ARGUMENT, "sample_block.samples.values[0]", "not measured"},
		{"a day ahead", begin(func(m *pb.PullBegin) { m.StartedAt = timestamppb.New(time.Now().Add(25 * time.Hour)) }), pb.Code_CODE_INVALID_ARGUMENT, "pull_begin.started_at", "after the agent's own clock"},
		{"check a day ahead", check(func(m *pb.CalibrationCheck) { m.PerformedAt = timestamppb.New(time.Now().Add(25 * time.Hour)) }), pb.Code_CODE_INVALID_ARGUMENT, "calibration_check.performed_at", "after the agent's own clock"},
		{"nothing", &pb.StreamRequest{}, pb.Code_CODE_INVALID_ARGUMENT, "body", "nothing this service knows"},
		{"bad end", &pb.StreamRequest{Body: &pb.StreamRequest_PullEnd{PullEnd: &pb.PullEnd{}}}, pb.Code_CODE_INVALID_ARGUMENT, "pull_end.pull_id", "hexadecimal"},
		{"bad heartbeat", &pb.StreamRequest{Body: &pb.StreamRequest_Heartbeat{Heartbeat: &pb.Heartbeat{CellId: "north-1"}}}, pb.Code_CODE_INVALID_ARGUMENT, "heartbeat.sent_at", "missing"},
		{"unknown car", begin(func(m *pb.PullBegin) { m.CarId = "red-coupe" }), pb.Code_CODE_FAILED_PRECONDITION, "pull_begin.car_id", `reference car "red-coupe" is not in the registry; add it with rollcall fleet apply`},
		{"unknown standard", check(func(m *pb.CalibrationCheck) { m.StandardId = "tlc-9" }), pb.Code_CODE_FAILED_PRECONDITION, "calibration_check.standard_id", "rollcall fleet apply"},
		{"known standard", check(func(m *pb.CalibrationCheck) { m.StandardId = "tlc-1" }), pb.Code_CODE_OK, "", ""},
		// Not enough to judge by: kept, and judged unusable.
		{"a reading left out", check(func(m *pb.CalibrationCheck) { m.Readings[1].ReadingN = nil }), pb.Code_CODE_OK, "", ""},
		{"no reading has a value", check(func(m *pb.CalibrationCheck) {
			for _, r := range m.Readings {
				r.ReadingN = nil
			}
		}), pb.Code_CODE_OK, "", ""},
		{"a check of a kind without its standard", check(func(m *pb.CalibrationCheck) { m.Kind = pb.CheckKind_CHECK_KIND_TORQUE }), pb.Code_CODE_OK, "", ""},
		{"timed runs without their runs", check(func(m *pb.CalibrationCheck) { m.Kind = pb.CheckKind_CHECK_KIND_BASE_INERTIA }), pb.Code_CODE_OK, "", ""},
		// Wrong in itself.
		{"no readings at all", check(func(m *pb.CalibrationCheck) { m.Readings = nil }), pb.Code_CODE_INVALID_ARGUMENT, "calibration_check.readings", "one reading"},
		{"no cell", check(func(m *pb.CalibrationCheck) { m.CellId = "" }), pb.Code_CODE_INVALID_ARGUMENT, "calibration_check.cell_id", "is missing"},
		{"an impossible time at load", check(func(m *pb.CalibrationCheck) { m.Readings[0].HeldS = proto.Float64(-1) }), pb.Code_CODE_INVALID_ARGUMENT, "calibration_check.readings[0].held_s", "seconds"},
		{"unknown mass", check(func(m *pb.CalibrationCheck) { m.Readings[1].MassIds[0] = "m-99" }), pb.Code_CODE_FAILED_PRECONDITION, "calibration_check.readings[1].mass_ids[0]", "rollcall fleet apply"},
		{"block of another cell", block(func(m *pb.SampleBlock) { m.CellId = "north-2" }), pb.Code_CODE_PERMISSION_DENIED, "sample_block.cell_id", `writes for cell "north-1"`},
		{"hello of another cell", &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: "north-2", SentAt: time.Now()})}}, pb.Code_CODE_PERMISSION_DENIED, "hello.cell_id", "open a stream for each cell"},
		{"good block after all that", block(func(m *pb.SampleBlock) { m.BlockIndex = 1 }), pb.Code_CODE_OK, "", ""},
	}
	var messages []*pb.StreamRequest
	for i, c := range cases {
		c.m.Sequence = uint64(i + 1)
		messages = append(messages, c.m)
	}
	refusals := 0
	for i, answer := range a.send(messages...) {
		c := cases[i]
		if answer.Code != c.code || answer.Field != c.field || !strings.Contains(answer.Reason, c.says) || (c.code == pb.Code_CODE_OK) != (answer.Reason == "") {
			t.Errorf("%s: %s, field %q: %s", c.name, answer.Code, answer.Field, answer.Reason)
		}
		if answer.AnsweredAt.AsTime().Before(time.Now().Add(-time.Minute)) {
			t.Errorf("%s: answered at %v", c.name, answer.AnsweredAt.AsTime())
		}
		if answer.Code != pb.Code_CODE_OK {
			refusals++
		}
	}
	unnumbered := block(func(*pb.SampleBlock) {})
	if answer := a.send(unnumbered)[0]; answer.Code != pb.Code_CODE_INVALID_ARGUMENT || answer.Field != "sequence" {
		t.Errorf("sequence 0: %v", answer)
	}
	refusals++

	// What was refused, and the heartbeat, are in the store once the server has
	// stopped.
	a.close()
	s.stop()
	kept, err := st.ListRefusals(t.Context(), store.Filter{})
	if err != nil || len(kept) != refusals {
		t.Errorf("%d refusals kept, want %d (%v)", len(kept), refusals, err)
	}
	for _, r := range kept {
		if r.CellID != "north-1" || r.Reason == "" || r.Message == "" {
			t.Errorf("refusal %+v", r)
		}
	}
	beats, err := st.LatestHeartbeats(t.Context())
	if err != nil || beats["north-1"].SpoolMessages != 7 {
		t.Errorf("heartbeats %v, %v", beats, err)
	}
	if n := rows(t, st, "sample_blocks"); n != 2 {
		t.Errorf("%d blocks stored, want 2", n)
	}
}

// A cell that is not in the registry keeps its measurements and is told how to
// be known.
func TestUnknownCell(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "south-9")
	for _, answer := range a.send(append(pullMessages("x", "south-9", 1, 1), checkMessage("x", "south-9", 9))...) {
		if answer.Code != pb.Code_CODE_FAILED_PRECONDITION || !strings.Contains(answer.Reason, `cell "south-9" is not in the registry; add it with rollcall fleet apply`) {
			t.Errorf("%v", answer)
		}
	}
	if n := rows(t, st, "sample_blocks") + rows(t, st, "pulls") + rows(t, st, "pull_ends") + rows(t, st, "calibration_checks"); n != 0 {
		t.Errorf("%d rows stored", n)
	}
}

// dated is a registry that knew one more cell and car before a date only.
type dated struct{ until time.Time }

func (d dated) At(at time.Time) fleet.Registry {
	if at.Before(d.until) {
		return fleet.Registry{Cells: map[fleet.CellID]fleet.Cell{"old-1": {}}, Cars: map[fleet.CarID]fleet.Car{"blue-estate": {}}}
	}
	return fleet.Registry{}
}

// A record from the time of a cell that has been taken down since is taken.
func TestRegistryOfThen(t *testing.T) {
	s := &Server{registry: dated{startedAt.Add(time.Hour)}, now: time.Now}
	st := &stream{cell: "old-1", hello: wire.Hello{SentAt: startedAt.AddDate(1, 0, 0)}, helloAt: startedAt.AddDate(1, 0, 0)}
	now := startedAt.AddDate(1, 0, 0)
	if it := s.takeBegin(st, now, pullMessages("x", "old-1", 1, 1)[0].GetPullBegin()); it.done != nil {
		t.Errorf("refused: %s", it.reason)
	}
	late := pullMessages("x", "old-1", 1, 1)[0].GetPullBegin()
	late.StartedAt = timestamppb.New(startedAt.Add(2 * time.Hour))
	if it := s.takeBegin(st, now, late); it.code != pb.Code_CODE_FAILED_PRECONDITION {
		t.Errorf("taken: %+v", it)
	}
}

// Everything sent again, on several streams at once, is there exactly once.
func TestResendIsStoredOnce(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	var all []*pb.StreamRequest
	var pulls [][]*pb.StreamRequest
	for i := range 3 {
		m := pullMessages(fmt.Sprintf("pull %d", i), "north-1", 4, uint64(len(all)+1))
		pulls = append(pulls, m)
		all = append(all, m...)
	}
	all = append(all, checkMessage("check", "north-1", uint64(len(all)+1)))
	var streams sync.WaitGroup
	for range 4 {
		a := greet(t, s.address, "north-1")
		streams.Go(func() { allOK(t, a.send(all...)) })
	}
	streams.Wait()
	for _, m := range pulls {
		assertStored(t, st, m)
	}
	for table, want := range map[string]uint64{"pulls": 3, "pull_ends": 3, "sample_blocks": 24, "calibration_checks": 1} {
		if got := rows(t, st, table); got != want {
			t.Errorf("%s has %d rows, want %d", table, got, want)
		}
	}
	if got := testutil.ToFloat64(s.Server.metrics.incomplete); got != 0 {
		t.Errorf("%v pulls were incomplete", got)
	}
}

// Who may write for which cell, with real certificates.
func TestWrongCell(t *testing.T) {
	dir := t.TempDir()
	for _, err := range []error{
		access.InitCA(dir), access.IssueServer(dir, []string{"127.0.0.1"}), access.IssueCell(dir, "north-1"), access.IssuePerson(dir, "ann", access.RoleQualityManager),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	s := start(t, realStore(t), func(_ *Config, c *rpc.Config) {
		c.TLS = access.Config{CertFile: file("server.crt"), KeyFile: file("server.key"), ClientCAFile: file("ca.crt")}
	})
	hello := func(who string, cell fleet.CellID) (*agent, error) {
		client, err := access.ClientTLS(file(who+".crt"), file(who+".key"), file("ca.crt"))
		if err != nil {
			t.Fatal(err)
		}
		a := connect(t, s.address, client)
		m := &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: cell, SentAt: time.Now()})}}
		if err := a.stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		_, err = a.stream.Recv()
		return a, err
	}
	a, err := hello("cell-north-1", "north-1")
	if err != nil {
		t.Fatal(err)
	}
	allOK(t, a.send(pullMessages("mine", "north-1", 1, 1)...))
	if answer := a.send(pullMessages("yours", "north-2", 1, 10)[1])[0]; answer.Code != pb.Code_CODE_PERMISSION_DENIED {
		t.Errorf("a block of another cell: %v", answer)
	}
	if _, err := hello("cell-north-1", "north-2"); status.Code(err) != codes.PermissionDenied || !strings.Contains(err.Error(), `may not write for cell "north-2"`) {
		t.Errorf("hello for another cell: %v", err)
	}
	if _, err := hello("person-ann", "north-1"); status.Code(err) != codes.PermissionDenied {
		t.Errorf("hello of a person: %v", err)
	}
}

func TestHello(t *testing.T) {
	s := start(t, realStore(t), nil)
	for _, c := range []struct {
		name string
		m    *pb.StreamRequest
		says string
	}{
		{"none", pullMessages("x", "north-1", 1, 1)[0], "has to be a hello"},
		{"cell id", &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{CellId: "North", SentAt: timestamppb.Now(), ContractVersion: 1}}}, "hello.cell_id"},
		{"contract", &pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{CellId: "north-1", SentAt: timestamppb.Now(), ContractVersion: 7}}}, "speaks version 1"},
	} {
		a := connect(t, s.address, nil)
		if err := a.stream.Send(c.m); err != nil {
			t.Fatal(err)
		}
		if _, err := a.stream.Recv(); status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

// A clock that is off is noted, and does not stop anything.
func TestClock(t *testing.T) {
	s := start(t, realStore(t), nil)
	greet(t, s.address, "north-1")
	a := connect(t, s.address, nil)
	allOK(t, a.send(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: "north-2", SentAt: time.Now().Add(-time.Hour)})}}))
	clocks := s.Clocks()
	if off := clocks["north-2"].Offset; off > -time.Hour || off < -time.Hour-time.Minute {
		t.Errorf("offset %v", off)
	}
	if off := clocks["north-1"].Offset.Abs(); off > s.config.ClockTolerance {
		t.Errorf("offset of a good clock %v", off)
	}
	said := s.logs.FilterMessage("agent's clock is off").All()
	if len(said) != 1 || said[0].ContextMap()["cell_id"] != "north-2" {
		t.Errorf("said %v", said)
	}
	if got := testutil.ToFloat64(s.Server.metrics.clockOffset.WithLabelValues("north-2")); got > -3600 || got < -3660 {
		t.Errorf("metric %v", got)
	}
}

// gate is a way to the database that can be shut.
type gate struct {
	dial func(context.Context, string) (net.Conn, error)

	mu    sync.Mutex
	shut  bool
	conns []net.Conn
}

func (g *gate) Dial(ctx context.Context, address string) (net.Conn, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.shut {
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: errors.New("the gate is shut")}
	}
	conn, err := g.dial(ctx, address)
	if err == nil {
		g.conns = append(g.conns, conn)
	}
	return conn, err
}

func (g *gate) set(shut bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut = shut
	if shut {
		for _, c := range g.conns {
			c.Close()
		}
		g.conns = nil
	}
}

// While the way to the database is cut every message is answered UNAVAILABLE
// with a time to wait, and the stream stays; afterwards the same goes through.
func TestStoreAway(t *testing.T) {
	checkLeaks(t)
	config := storetest.Config(t)
	g := &gate{dial: config.Dial}
	if g.dial == nil {
		g.dial = func(ctx context.Context, address string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "tcp", address)
		}
	}
	config.Dial = g.Dial
	st, err := store.Open(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	})
	if _, err := st.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	allOK(t, a.send(pullMessages("before", "north-1", 1, 1)...))
	pull := pullMessages("through", "north-1", 2, 10)
	g.set(true)
	for _, answer := range a.send(pull...) {
		if answer.Code != pb.Code_CODE_UNAVAILABLE || answer.RetryAfter.AsDuration() != s.config.RetryAfter || answer.Reason == "" {
			t.Fatalf("while cut: %v", answer)
		}
	}
	if answer := a.send(&pb.StreamRequest{Body: &pb.StreamRequest_Heartbeat{Heartbeat: wire.ToHeartbeat(wire.Heartbeat{Cell: "north-1", SentAt: time.Now()})}})[0]; answer.Code != pb.Code_CODE_OK {
		t.Errorf("heartbeat while cut: %v", answer)
	}
	g.set(false)
	allOK(t, a.send(pull...))
	assertStored(t, st, pull)
	// The heartbeat waited for the database.
	s.stop()
	if beats, err := st.LatestHeartbeats(t.Context()); err != nil || len(beats) != 1 {
		t.Errorf("heartbeats %v, %v", beats, err)
	}
}

// The engine is killed with SIGKILL while pulls come in. Whatever was answered
// OK is there, the rest goes through when it is sent again, all exactly once.
func TestEngineKilled(t *testing.T) {
	storetest.Engine(t) // skips here where there is none of its own to kill
	// Not realStore: the engine's new goroutines are no leak.
	st := storetest.Open(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	var all []*pb.StreamRequest
	var pulls [][]*pb.StreamRequest
	for i := range 40 {
		m := pullMessages(fmt.Sprintf("pull %d", i), "north-1", 5, uint64(len(all)+1))
		pulls = append(pulls, m)
		all = append(all, m...)
	}
	killed := make(chan struct{})
	go func() {
		defer close(killed)
		storetest.KillEngine(t)
	}()
	deadline := time.Now().Add(patience)
	refused := 0
	for left := all; len(left) > 0; {
		if time.Now().After(deadline) {
			t.Fatalf("%d messages still not through", len(left))
		}
		var again []*pb.StreamRequest
		for i, answer := range a.send(left...) {
			switch answer.Code {
			case pb.Code_CODE_OK:
			case pb.Code_CODE_UNAVAILABLE:
				again = append(again, left[i])
				refused++
			default:
				t.Fatalf("message %d: %v", answer.Id, answer)
			}
		}
		left = again
	}
	<-killed
	// Once more after the kill is over, so that the test also holds when the
	// first pass was quicker than the kill.
	for left := all; len(left) > 0 && time.Now().Before(deadline); {
		var again []*pb.StreamRequest
		for i, answer := range a.send(left...) {
			if answer.Code != pb.Code_CODE_OK {
				again = append(again, left[i])
				refused++
			}
		}
		left = again
	}
	if refused == 0 {
		t.Error("the kill was not noticed")
	}
	for _, m := range pulls {
		assertStored(t, st, m)
	}
	if got, want := rows(t, st, "sample_blocks"), uint64(40*10); got != want {
		t.Errorf("%d blocks, want %d", got, want)
	}
}

// A stream that breaks in the middle loses nothing that was answered and
// leaves nothing behind; its cell goes on with another.
func TestBrokenStream(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	pull := pullMessages("broken", "north-1", 10, 1)
	a := greet(t, s.address, "north-1")
	allOK(t, a.send(pull[:8]...))
	for _, m := range pull[8:14] {
		if err := a.stream.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	a.close()
	b := greet(t, s.address, "north-1")
	allOK(t, b.send(pull[8:]...))
	assertStored(t, st, pull)
	b.close()
	s.stop()
	if got := testutil.ToFloat64(s.Server.metrics.streams); got != 0 {
		t.Errorf("%v streams open", got)
	}
}

// A pull whose agent set a block aside is stored and incomplete; the block,
// sent later, makes it whole, and each time the pipeline is told.
func TestIncompletePull(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	pull := pullMessages("holed", "north-1", 3, 1)
	hole := pull[3]
	allOK(t, a.send(slices.Concat(pull[:3], pull[4:])...))
	s.await(t, "word of the incomplete pull", func() bool { return len(s.stored) == 1 })
	id := fleet.PullID(hashOf("holed"))
	if _, whole := s.Recent(id); whole {
		t.Error("Recent has it whole")
	}
	said := s.logs.FilterMessage("pull is incomplete").All()
	if len(said) != 1 || !strings.Contains(fmt.Sprint(said[0].ContextMap()["missing"]), "5 of 6 blocks and 500 of 600 samples are stored; not there: block 1 of load_cell") {
		t.Errorf("said %v", said)
	}
	if got := testutil.ToFloat64(s.Server.metrics.incomplete); got != 1 {
		t.Errorf("%v incomplete pulls", got)
	}
	allOK(t, a.send(hole))
	s.await(t, "word of the healed pull", func() bool { return len(s.stored) == 2 })
	assertStored(t, st, pull)
	if _, whole := s.Recent(id); !whole {
		t.Error("Recent does not have the healed pull")
	}
	// A block sent again is no news.
	allOK(t, a.send(hole, checkMessage("after", "north-1", 99)))
	s.await(t, "word of the check", func() bool { return len(s.checks) == 1 })
	if len(s.stored) != 2 {
		t.Errorf("told %d times", len(s.stored))
	}
}

// A block that comes after the end, to a service that never saw the pull.
func TestLateBlockElsewhere(t *testing.T) {
	st := realStore(t)
	first, second := start(t, st, nil), start(t, st, nil)
	pull := pullMessages("late", "north-1", 2, 1)
	a, b := greet(t, first.address, "north-1"), greet(t, second.address, "north-1")
	allOK(t, a.send(slices.Concat(pull[:2], pull[3:])...))
	first.await(t, "word of the incomplete pull", func() bool { return len(first.stored) == 1 })
	allOK(t, b.send(pull[2]))
	second.await(t, "word of the healed pull", func() bool { return len(second.stored) == 1 })
	assertStored(t, st, pull)
}

// A pull that began with one service and ended with another is told by the
// second, which finds it whole in the store.
func TestTwoServices(t *testing.T) {
	st := realStore(t)
	first, second := start(t, st, nil), start(t, st, nil)
	pull := pullMessages("moved", "north-1", 3, 1)
	a, b := greet(t, first.address, "north-1"), greet(t, second.address, "north-1")
	allOK(t, a.send(pull[:4]...))
	allOK(t, b.send(pull[4:]...))
	second.await(t, "word of the pull", func() bool { return len(second.stored) == 1 })
	if _, whole := second.Recent(fleet.PullID(hashOf("moved"))); whole {
		t.Error("the second service has blocks it never saw")
	}
	if got := testutil.ToFloat64(second.Server.metrics.incomplete); got != 0 {
		t.Errorf("%v incomplete pulls", got)
	}
	assertStored(t, st, pull)
}

// Recent gives what ReadPull gives.
func TestRecent(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	allOK(t, a.send(pullMessages("recent", "north-1", 4, 1)...))
	id := fleet.PullID(hashOf("recent"))
	got, whole := s.Recent(id)
	if !whole {
		t.Fatal("not there")
	}
	want, err := st.ReadPull(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	// An absent array is nil here and empty there, and times are instants.
	opts := cmp.Options{
		cmp.Comparer(func(a, b []int32) bool { return slices.Equal(a, b) }),
		cmp.Comparer(func(a, b []float64) bool { return slices.Equal(a, b) }),
		cmp.Comparer(func(a, b time.Time) bool { return a.Equal(b) }),
	}
	if diff := cmp.Diff(want, *got, opts); diff != "" {
		t.Error(diff)
	}
}

// The server says goodbye to open streams, with the answers it owes.
func TestStop(t *testing.T) {
	st := realStore(t)
	s := start(t, st, nil)
	a := greet(t, s.address, "north-1")
	pull := pullMessages("last", "north-1", 2, 1)
	allOK(t, a.send(pull...))
	stopped := make(chan struct{})
	go func() { defer close(stopped); s.stop() }()
	if _, err := a.stream.Recv(); status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), "stopping") {
		t.Errorf("stream ended with %v", err)
	}
	<-stopped
	assertStored(t, st, pull)
}
