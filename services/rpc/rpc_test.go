package rpc

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/store"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fleetService answers ListCells with what the test says.
type fleetService struct {
	pb.UnimplementedFleetServiceServer
	list func(context.Context) (*pb.ListCellsResponse, error)
}

func (f *fleetService) ListCells(ctx context.Context, _ *pb.ListCellsRequest) (*pb.ListCellsResponse, error) {
	return f.list(ctx)
}

type adminService struct {
	pb.UnimplementedAdminServiceServer
}

func (adminService) CloseFlag(context.Context, *pb.CloseFlagRequest) (*pb.CloseFlagResponse, error) {
	return &pb.CloseFlagResponse{}, nil
}

func (adminService) Recompute(_ *pb.RecomputeRequest, stream grpc.ServerStreamingServer[pb.RecomputeResponse]) error {
	if !access.FromContext(stream.Context()).MayAdminister() {
		return errors.New("the identity did not reach the handler")
	}
	panic("stream handler")
}

type ingestService struct {
	pb.UnimplementedIngestServiceServer
	ended chan struct{}
}

func (s ingestService) Stream(stream grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse]) error {
	select {
	case <-stream.Context().Done():
	case <-s.ended:
	}
	return nil
}

// running is a server on loopback with the test's services.
type running struct {
	address string
	fleet   *fleetService
	logs    *observer.ObservedLogs
	metrics *prometheus.Registry
	config  Config
}

func start(t *testing.T, change func(*Config)) *running {
	t.Helper()
	core, logs := observer.New(zap.InfoLevel)
	r := &running{fleet: &fleetService{}, logs: logs, metrics: prometheus.NewRegistry(), config: DefaultConfig()}
	r.config.Listen = "127.0.0.1:0"
	if change != nil {
		change(&r.config)
	}
	s, err := New(r.config, zap.New(core), r.metrics)
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	s.OnStop(func() { close(ended) })
	pb.RegisterFleetServiceServer(s, r.fleet)
	pb.RegisterAdminServiceServer(s, adminService{})
	pb.RegisterIngestServiceServer(s, ingestService{ended: ended})
	s.SetServing("", true)
	listener, err := Listen(t.Context(), r.config)
	if err != nil {
		t.Fatal(err)
	}
	r.address = listener.Addr().String()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, listener) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return r
}

func dial(t *testing.T, address string, client *tls.Config) *grpc.ClientConn {
	t.Helper()
	creds := insecure.NewCredentials()
	if client != nil {
		creds = credentials.NewTLS(client)
	}
	conn, err := grpc.NewClient("passthrough:///"+address, grpc.WithTransportCredentials(creds))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// Errors become statuses by their type over a real connection; what is not
// typed tells nothing but the id under which the log has it.
func TestStatus(t *testing.T) {
	r := start(t, nil)
	client := pb.NewFleetServiceClient(dial(t, r.address, nil))
	for _, c := range []struct {
		name string
		err  error
		code codes.Code
		says string
	}{
		{"nothing", nil, codes.OK, ""},
		{"field", fmt.Errorf("list: %w", &wire.FieldError{Field: "filter.cell_id", Reason: "is bad"}), codes.InvalidArgument, "filter.cell_id: is bad"},
		{"fields", wire.FieldErrors{{Field: "a", Reason: "is bad"}, {Field: "b", Reason: "is worse"}}, codes.InvalidArgument, "a: is bad; b: is worse"},
		{"unauthenticated", fmt.Errorf("secret: %w", &access.Error{Kind: access.ErrUnauthenticated, Reason: "who are you"}), codes.Unauthenticated, "who are you"},
		{"denied", access.Denied("not %s", "you"), codes.PermissionDenied, "not you"},
		{"not found", fmt.Errorf("pull 7: %w", store.ErrNotFound), codes.NotFound, "pull 7"},
		{"store away", fmt.Errorf("dial 10.0.0.1 as secret: %w", store.ErrUnavailable), codes.Unavailable, "try again"},
		{"deadline", fmt.Errorf("query secret: %w", context.DeadlineExceeded), codes.DeadlineExceeded, "deadline"},
		{"status", status.Error(codes.FailedPrecondition, "as the handler says"), codes.FailedPrecondition, "as the handler says"},
		{"inner status", fmt.Errorf("secret: %w", status.Error(codes.NotFound, "secret")), codes.Internal, "internal error"},
		{"internal status", status.Error(codes.Internal, "secret"), codes.Internal, "internal error"},
		{"unknown", errors.New("secret"), codes.Internal, "internal error"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r.fleet.list = func(context.Context) (*pb.ListCellsResponse, error) { return &pb.ListCellsResponse{}, c.err }
			r.logs.TakeAll()
			_, err := client.ListCells(t.Context(), &pb.ListCellsRequest{})
			s := status.Convert(err)
			if s.Code() != c.code || !strings.Contains(s.Message(), c.says) || strings.Contains(s.Message(), "secret") {
				t.Fatalf("got %v: %s", s.Code(), s.Message())
			}
			entries := r.logs.FilterMessage("internal error").All()
			if c.code != codes.Internal {
				if len(entries) > 0 {
					t.Errorf("logged %v", entries)
				}
				return
			}
			if len(entries) != 1 || !strings.Contains(s.Message(), entries[0].ContextMap()["error_id"].(string)) ||
				!strings.Contains(fmt.Sprint(entries[0].ContextMap()["error"]), "secret") {
				t.Errorf("the log has %v for %q", entries, s.Message())
			}
		})
	}
}

func TestStatusDetails(t *testing.T) {
	r := start(t, nil)
	client := pb.NewFleetServiceClient(dial(t, r.address, nil))
	details := func(err error) []any {
		r.fleet.list = func(context.Context) (*pb.ListCellsResponse, error) { return nil, err }
		_, err = client.ListCells(t.Context(), &pb.ListCellsRequest{})
		return status.Convert(err).Details()
	}
	bad := details(wire.FieldErrors{{Field: "a", Reason: "is bad"}, {Field: "b", Reason: "is worse"}})
	if request, ok := bad[0].(*errdetails.BadRequest); !ok || len(request.FieldViolations) != 2 || request.FieldViolations[1].Field != "b" {
		t.Errorf("fields: %v", bad)
	}
	away := details(store.ErrUnavailable)
	if retry, ok := away[0].(*errdetails.RetryInfo); !ok || retry.RetryDelay.AsDuration() != RetryAfter {
		t.Errorf("retry: %v", away)
	}
}

// A panic ends its call only.
func TestPanic(t *testing.T) {
	r := start(t, nil)
	conn := dial(t, r.address, nil)
	client := pb.NewFleetServiceClient(conn)
	r.fleet.list = func(context.Context) (*pb.ListCellsResponse, error) { panic("unary handler") }
	if _, err := client.ListCells(t.Context(), &pb.ListCellsRequest{}); status.Code(err) != codes.Internal {
		t.Errorf("unary: %v", err)
	}
	stream, err := pb.NewAdminServiceClient(conn).Recompute(t.Context(), &pb.RecomputeRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); status.Code(err) != codes.Internal {
		t.Errorf("stream: %v", err)
	}
	logged := r.logs.FilterMessage("internal error").All()
	if len(logged) != 2 || !strings.Contains(fmt.Sprint(logged[1].ContextMap()["error"]), "rpc_test.go") {
		t.Errorf("log without the place: %v", logged)
	}
	r.fleet.list = func(context.Context) (*pb.ListCellsResponse, error) { return &pb.ListCellsResponse{}, nil }
	if _, err := client.ListCells(t.Context(), &pb.ListCellsRequest{}); err != nil {
		t.Error(err)
	}
	want := `
# HELP rollcall_rpc_calls_total Calls ended, by method and gRPC code.
# TYPE rollcall_rpc_calls_total counter
rollcall_rpc_calls_total{code="Internal",method="/rollcall.v1.AdminService/Recompute"} 1
rollcall_rpc_calls_total{code="Internal",method="/rollcall.v1.FleetService/ListCells"} 1
rollcall_rpc_calls_total{code="OK",method="/rollcall.v1.FleetService/ListCells"} 1
# HELP rollcall_rpc_panics_total Panics caught in handlers.
# TYPE rollcall_rpc_panics_total counter
rollcall_rpc_panics_total 2
`
	if err := testutil.GatherAndCompare(r.metrics, strings.NewReader(want), "rollcall_rpc_calls_total", "rollcall_rpc_panics_total"); err != nil {
		t.Error(err)
	}
}

func TestDeadline(t *testing.T) {
	r := start(t, func(c *Config) { c.UnaryDeadline = 30 * time.Millisecond })
	client := pb.NewFleetServiceClient(dial(t, r.address, nil))
	r.fleet.list = func(ctx context.Context) (*pb.ListCellsResponse, error) {
		<-ctx.Done()
		return nil, fmt.Errorf("wait: %w", ctx.Err())
	}
	_, err := client.ListCells(t.Context(), &pb.ListCellsRequest{})
	if status.Code(err) != codes.DeadlineExceeded || !strings.Contains(status.Convert(err).Message(), "ask for less") {
		t.Errorf("server's deadline: %v", err)
	}
}

// The caller's deadline is cut a little, so that the service's own sentence
// still reaches the caller.
func TestCallersDeadline(t *testing.T) {
	i := &interceptors{deadline: time.Hour}
	asked := time.Now().Add(time.Minute)
	ctx, cancel := context.WithDeadline(context.Background(), asked)
	defer cancel()
	limited, cancelLimited, err := i.limited(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer cancelLimited()
	if got, _ := limited.Deadline(); !got.Equal(asked.Add(-reportMargin)) {
		t.Errorf("deadline %v, asked %v", got, asked)
	}
	short, cancelShort := context.WithTimeout(context.Background(), reportMargin)
	defer cancelShort()
	if _, _, err := i.limited(short); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("no time left: %v", err)
	}
}

func TestListen(t *testing.T) {
	config := DefaultConfig()
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.1:7443"} {
		config.Listen = address
		var needs *NeedsTLSError
		if _, err := Listen(t.Context(), config); !errors.As(err, &needs) || !strings.Contains(err.Error(), "cert_file") {
			t.Errorf("%s: %v", address, err)
		}
		if _, err := New(config, zap.NewNop(), prometheus.NewRegistry()); !errors.As(err, &needs) {
			t.Errorf("New with %s: %v", address, err)
		}
	}
	other, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	config.Listen = other.Addr().String()
	var used *PortInUseError
	if _, err := Listen(t.Context(), config); !errors.As(err, &used) || !strings.Contains(err.Error(), "another port") {
		t.Errorf("port in use: %v", err)
	}
	s, err := New(config, zap.NewNop(), prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Run(t.Context()); !errors.As(err, &used) {
		t.Errorf("Run on a port in use: %v", err)
	}
}

func TestValidate(t *testing.T) {
	if err := DefaultConfig().Validate(); err != nil {
		t.Error(err)
	}
	err := Config{Listen: "nonsense", TLS: access.Config{CertFile: "x"}, StopGrace: -1}.Validate()
	for _, key := range []string{"listen", "key_file", "unary_deadline", "max_message_bytes", "stop_grace"} {
		if err == nil || !strings.Contains(err.Error(), key) {
			t.Errorf("%s is not told: %v", key, err)
		}
	}
}

func TestHealthAndReflection(t *testing.T) {
	r := start(t, nil)
	conn := dial(t, r.address, nil)
	answer, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	if err != nil || answer.Status != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health: %v, %v", answer, err)
	}
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	list, err := stream.Recv()
	if err != nil || !strings.Contains(list.String(), "rollcall.v1.IngestService") {
		t.Errorf("reflection: %v, %v", list, err)
	}
	if err := stream.CloseSend(); err != nil {
		t.Error(err)
	}
}

// Who may call what, with real certificates.
func TestRoles(t *testing.T) {
	dir := t.TempDir()
	for _, err := range []error{
		access.InitCA(dir), access.IssueServer(dir, []string{"127.0.0.1"}), access.IssueCell(dir, "north-1"),
		access.IssuePerson(dir, "viewer", access.RoleViewer), access.IssuePerson(dir, "manager", access.RoleQualityManager),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	file := func(name string) string { return filepath.Join(dir, name) }
	r := start(t, func(c *Config) {
		c.TLS = access.Config{CertFile: file("server.crt"), KeyFile: file("server.key"), ClientCAFile: file("ca.crt")}
	})
	r.fleet.list = func(context.Context) (*pb.ListCellsResponse, error) { return &pb.ListCellsResponse{}, nil }
	for _, c := range []struct {
		who                 string
		read, change, write codes.Code
	}{
		{"cell-north-1", codes.PermissionDenied, codes.PermissionDenied, codes.OK},
		{"person-viewer", codes.OK, codes.PermissionDenied, codes.PermissionDenied},
		{"person-manager", codes.OK, codes.OK, codes.PermissionDenied},
	} {
		client, err := access.ClientTLS(file(c.who+".crt"), file(c.who+".key"), file("ca.crt"))
		if err != nil {
			t.Fatal(err)
		}
		conn := dial(t, r.address, client)
		if _, err := pb.NewFleetServiceClient(conn).ListCells(t.Context(), &pb.ListCellsRequest{}); status.Code(err) != c.read {
			t.Errorf("%s reads: %v", c.who, err)
		}
		if _, err := pb.NewAdminServiceClient(conn).CloseFlag(t.Context(), &pb.CloseFlagRequest{}); status.Code(err) != c.change {
			t.Errorf("%s changes: %v", c.who, err)
		}
		if _, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
			t.Errorf("%s asks for health: %v", c.who, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		stream, err := pb.NewIngestServiceClient(conn).Stream(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if c.write == codes.OK {
			cancel() // the handler waits for the end of its stream
			if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
				t.Errorf("%s writes: %v", c.who, err)
			}
		} else if _, err := stream.Recv(); status.Code(err) != c.write {
			t.Errorf("%s writes: %v", c.who, err)
		}
		cancel()
	}
	// Without TLS nobody comes in.
	if _, err := pb.NewFleetServiceClient(dial(t, r.address, nil)).ListCells(t.Context(), &pb.ListCellsRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("without TLS: %v", err)
	}
}

// Open streams are told and end within the grace; the stop is in order.
func TestStop(t *testing.T) {
	s, err := New(func() Config { c := DefaultConfig(); c.Listen = "127.0.0.1:0"; return c }(), zap.NewNop(), prometheus.NewRegistry())
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	s.OnStop(func() { close(ended) })
	pb.RegisterIngestServiceServer(s, ingestService{ended: ended})
	listener, err := Listen(t.Context(), s.config)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, listener) }()
	conn := dial(t, listener.Addr().String(), nil)
	stream, err := pb.NewIngestServiceClient(conn).Stream(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// The stream is open at the server once health answers on the same connection.
	if _, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := stream.Recv(); err == nil {
		t.Error("the stream goes on")
	}
}
