package uplink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// service is a real IngestService over loopback whose answers are scripted.
type service struct {
	pb.UnimplementedIngestServiceServer

	// answer says what becomes of a spooled message: a response (id is filled
	// in), nil for no answer, or an error that ends the stream. stream counts
	// from 1. nil: everything is OK.
	answer func(stream int, m *pb.StreamRequest) (*pb.StreamResponse, error)
	// hello answers a Hello likewise.
	hello func(stream int, h *pb.Hello) (*pb.StreamResponse, error)

	mu         sync.Mutex
	streams    int
	hellos     []*pb.Hello
	heartbeats []*pb.Heartbeat
	got        []received
	stored     map[uint64]*pb.StreamRequest
	changed    chan struct{}
}

type received struct {
	stream   int
	sequence uint64
	at       time.Time
}

func newService() *service {
	return &service{stored: map[uint64]*pb.StreamRequest{}, changed: make(chan struct{})}
}

func respond(code pb.Code, reason string, retryAfter time.Duration) *pb.StreamResponse {
	r := &pb.StreamResponse{Code: code, Reason: reason}
	if retryAfter > 0 {
		r.RetryAfter = durationpb.New(retryAfter)
	}
	return r
}

var fine = &pb.StreamResponse{Code: pb.Code_CODE_OK}

func (s *service) Stream(conn grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse]) error {
	s.mu.Lock()
	s.streams++
	stream := s.streams
	s.mu.Unlock()
	for {
		m, err := conn.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		response, err := s.take(stream, m)
		if err != nil {
			return err
		}
		if response == nil {
			continue
		}
		response = proto.Clone(response).(*pb.StreamResponse)
		response.Id = m.Sequence
		if err := conn.Send(response); err != nil {
			return err
		}
	}
}

func (s *service) take(stream int, m *pb.StreamRequest) (*pb.StreamResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	defer func() {
		close(s.changed)
		s.changed = make(chan struct{})
	}()
	switch b := m.Body.(type) {
	case *pb.StreamRequest_Hello:
		s.hellos = append(s.hellos, b.Hello)
		if s.hello != nil {
			return s.hello(stream, b.Hello)
		}
		return fine, nil
	case *pb.StreamRequest_Heartbeat:
		s.heartbeats = append(s.heartbeats, b.Heartbeat)
		return fine, nil
	}
	s.got = append(s.got, received{stream, m.Sequence, time.Now()})
	response, err := fine, error(nil)
	if s.answer != nil {
		response, err = s.answer(stream, m)
	}
	if err == nil && response != nil && response.Code == pb.Code_CODE_OK {
		s.stored[m.Sequence] = m
	}
	return response, err
}

// wait waits until done, looked at under the lock, is true.
func (s *service) wait(t testing.TB, what string, done func() bool) {
	t.Helper()
	limit := time.After(20 * time.Second)
	for {
		s.mu.Lock()
		ok, changed := done(), s.changed
		s.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-limit:
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// listen serves on address until the returned function is called.
func (s *service) listen(t testing.TB, address string, creds credentials.TransportCredentials) (string, func()) {
	t.Helper()
	l, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	options := []grpc.ServerOption{grpc.InitialWindowSize(4 << 20), grpc.InitialConnWindowSize(4 << 20)}
	if creds != nil {
		options = append(options, grpc.Creds(creds))
	}
	g := grpc.NewServer(options...)
	pb.RegisterIngestServiceServer(g, s)
	done := make(chan struct{})
	go func() { defer close(done); _ = g.Serve(l) }()
	var once sync.Once
	stop := func() { once.Do(func() { g.Stop(); <-done }) }
	t.Cleanup(stop)
	return l.Addr().String(), stop
}

// fixture is an uplink on a spool of its own.
type fixture struct {
	*testing.T
	spool  *spool.Spool
	config Config
	uplink *Uplink
}

func quick(server, dir string) Config {
	c := DefaultConfig()
	c.Cell, c.Server, c.Version = "north-1", server, "test"
	c.AsideDir = filepath.Join(dir, "aside")
	c.BackoffMin, c.BackoffMax = 5*time.Millisecond, 40*time.Millisecond
	c.SlowMin, c.SlowMax = 20*time.Millisecond, 80*time.Millisecond
	return c
}

func newFixture(t *testing.T, server string, change func(*Config)) *fixture {
	t.Helper()
	dir := t.TempDir()
	sc := spool.DefaultConfig()
	sc.Dir, sc.SegmentBytes, sc.MaxBytes = filepath.Join(dir, "spool"), 64<<10, 64<<20
	s, err := spool.Open(sc, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	c := quick(server, dir)
	if change != nil {
		change(&c)
	}
	u, err := New(c, s, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	return &fixture{t, s, c, u}
}

// run starts the uplink; the returned function stops it and waits.
func (f *fixture) run() func() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := f.uplink.Run(ctx); err != nil {
			f.Error(err)
		}
	}()
	var once sync.Once
	stop := func() { once.Do(func() { cancel(); <-done }) }
	f.Cleanup(stop)
	return stop
}

// message is what number n is in these tests.
func message(n int) *pb.StreamRequest {
	counts := make([]int32, 50+n%100)
	for i := range counts {
		counts[i] = int32(n*i%5000 - 2000)
	}
	return &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: &pb.SampleBlock{
		PullId: "00112233445566778899aabbccddeeff", CellId: "north-1", Channel: "roller_speed", BlockIndex: uint32(n),
		Clock:   &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StepS: 0.01}},
		Samples: &pb.Packed{Scale: 0.01, Counts: counts},
	}}}
}

// fill appends messages from…to, so that their sequences are their numbers.
func (f *fixture) fill(from, to int) {
	f.Helper()
	sink := NewSink(f.spool)
	var group []*pb.StreamRequest
	for n := from; n <= to; n++ {
		group = append(group, message(n))
	}
	if err := sink.Append(f.Context(), group...); err != nil {
		f.Fatal(err)
	}
}

// empty waits until the spool is.
func (f *fixture) empty(s *service) {
	f.Helper()
	limit := time.Now().Add(20 * time.Second)
	for f.spool.Stats().Messages > 0 {
		if time.Now().After(limit) {
			f.Fatalf("%d messages left in the spool; state %+v", f.spool.Stats().Messages, f.uplink.State())
		}
		time.Sleep(time.Millisecond)
	}
}

// wantStored checks that the service has from…to, each as it was appended.
func (s *service) wantStored(t testing.TB, from, to int, except ...uint64) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	for n := uint64(from); n <= uint64(to); n++ {
		skip := false
		for _, e := range except {
			skip = skip || e == n
		}
		m := s.stored[n]
		if skip {
			if m != nil {
				t.Errorf("message %d was stored", n)
			}
			continue
		}
		if m == nil {
			t.Fatalf("message %d was not stored", n)
		}
		want := message(int(n))
		want.Sequence = n
		if !proto.Equal(m, want) {
			t.Fatalf("message %d arrived changed", n)
		}
	}
	if want := to - from + 1 - len(except); len(s.stored) != want {
		t.Errorf("%d messages stored, want %d", len(s.stored), want)
	}
}

// wantOrder checks that within each stream sequences rise, and that each
// stream begins where nothing before was lost.
func (s *service) wantOrder(t testing.TB) {
	t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	last := map[int]uint64{}
	for _, r := range s.got {
		if r.sequence <= last[r.stream] {
			t.Fatalf("stream %d: %d after %d", r.stream, r.sequence, last[r.stream])
		}
		last[r.stream] = r.sequence
	}
}

func (s *service) times(sequence uint64) (n int, at []time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.got {
		if r.sequence == sequence {
			n++
			at = append(at, r.at)
		}
	}
	return n, at
}

func (f *fixture) alarm(kind string) (Alarm, bool) {
	for _, a := range f.uplink.State().Alarms {
		if a.Kind == kind {
			return a, true
		}
	}
	return Alarm{}, false
}

// until waits for a condition on the uplink's side.
func (f *fixture) until(what string, done func() bool) {
	f.Helper()
	limit := time.Now().Add(20 * time.Second)
	for !done() {
		if time.Now().After(limit) {
			f.Fatalf("waited in vain: %s; state %s", what, fmt.Sprintf("%+v", f.uplink.State()))
		}
		time.Sleep(time.Millisecond)
	}
}
