// Package rpc holds the gRPC server all of Rollcall's services are registered
// on: TLS and identity, the interceptor chain, limits, keepalive, health and
// reflection, and the one mapping from errors to statuses.
//
// The chain, outermost first: recover (a panic becomes an internal error of
// that one call), metrics, status mapping, identity with the service's access
// rule, deadline (unary calls only; a stream lives as long as its agent).
// Mapping stands outside identity so that a refused caller gets its status
// from the same table. The unary and the stream version of each share one
// body. Handlers hold no policy.
//
// New starts nothing; Run listens, serves and stops in order.
package rpc

import (
	"context"
	"errors"
	"fmt"
	"net"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"rollcall/services/access"
)

// Config says where and how the server listens.
type Config struct {
	// Listen is host:port. A port of 0 takes a free one. Without TLS the host
	// has to be of this machine, such as 127.0.0.1.
	Listen string `yaml:"listen"`
	// TLS names certificate files; empty: no TLS, loopback only.
	TLS access.Config `yaml:"tls"`
	// UnaryDeadline ends a unary call that has run this long; a caller's own
	// shorter deadline stays. Above 0.
	UnaryDeadline time.Duration `yaml:"unary_deadline"`
	// MaxMessageBytes bounds one message received. A block of 65 536 float64
	// samples with as many times has 1.05 MB.
	MaxMessageBytes int `yaml:"max_message_bytes"`
	// StopGrace is how long calls may take to end when the server stops.
	StopGrace time.Duration `yaml:"stop_grace"`
}

// DefaultConfig returns the configuration used when nothing is said.
func DefaultConfig() Config {
	return Config{
		Listen:          "127.0.0.1:7443",
		UnaryDeadline:   30 * time.Second,
		MaxMessageBytes: 4 << 20,
		StopGrace:       10 * time.Second,
	}
}

// Validate returns everything wrong with c.
func (c Config) Validate() error {
	var errs []error
	if _, _, err := net.SplitHostPort(c.Listen); err != nil {
		errs = append(errs, fmt.Errorf("listen %q is not host:port, such as 127.0.0.1:7443: %w", c.Listen, err))
	} else if !c.TLS.Enabled() && !access.IsLoopback(c.Listen) {
		errs = append(errs, &NeedsTLSError{c.Listen})
	}
	if err := c.TLS.Validate(); err != nil {
		errs = append(errs, fmt.Errorf("tls: %w", err))
	}
	if c.UnaryDeadline <= 0 {
		errs = append(errs, fmt.Errorf("unary_deadline is %v; it has to be above 0", c.UnaryDeadline))
	}
	if c.MaxMessageBytes < 2<<20 {
		errs = append(errs, fmt.Errorf("max_message_bytes is %d; a full block needs 2097152 at least", c.MaxMessageBytes))
	}
	if c.StopGrace < 0 {
		errs = append(errs, fmt.Errorf("stop_grace is %v; it cannot be negative", c.StopGrace))
	}
	return errors.Join(errs...)
}

// NeedsTLSError: an address others can reach was asked for without TLS.
type NeedsTLSError struct{ Listen string }

// Error says what to do.
func (e *NeedsTLSError) Error() string {
	return fmt.Sprintf("refusing to listen on %s without TLS: anybody on the network could write for any cell; "+
		"give cert_file, key_file and client_ca_file (rollcall certs makes them), or listen on 127.0.0.1", e.Listen)
}

// PortInUseError: somebody else listens there.
type PortInUseError struct{ Listen string }

// Error says what to do.
func (e *PortInUseError) Error() string {
	return fmt.Sprintf("%s is in use by another program; stop it or choose another port with listen", e.Listen)
}

// RetryAfter is how long a caller is told to wait when the store is away.
const RetryAfter = time.Second

// reportMargin is taken off a caller's deadline, so that the service can still
// answer which call ran out of time.
const reportMargin = 20 * time.Millisecond

// Windows of HTTP/2 flow control, fixed: one connection carries one agent's
// stream. They bound what a service that does not keep up holds for each
// agent (a thousand of them: 512 MB), and give each 17 MB/s over a link of
// 30 ms. Without them a window would start at 64 KB and grow by estimates that
// a stream waiting for the store misleads.
const (
	streamWindow     = 512 << 10
	connectionWindow = 512 << 10
	readBuffer       = 64 << 10
	writeBuffer      = 32 << 10
)

// Server is a gRPC server that is not listening yet. Register services on it
// before Run.
type Server struct {
	config Config
	log    *zap.Logger
	grpc   *grpc.Server
	health *health.Server

	// stopping is called once when the server begins to stop, before open
	// streams are waited for.
	stopping []func()
}

// New returns a server. It fails when the configuration is wrong or the TLS
// files cannot be read.
func New(config Config, log *zap.Logger, metrics prometheus.Registerer) (*Server, error) {
	if err := config.Validate(); err != nil {
		return nil, err
	}
	chain := newInterceptors(config, log.Named("rpc"), metrics)
	options := []grpc.ServerOption{
		grpc.ChainUnaryInterceptor(chain.unary),
		grpc.ChainStreamInterceptor(chain.stream),
		grpc.MaxRecvMsgSize(config.MaxMessageBytes),
		grpc.MaxSendMsgSize(64 << 20),
		grpc.InitialWindowSize(streamWindow),
		grpc.InitialConnWindowSize(connectionWindow),
		grpc.ReadBufferSize(readBuffer),
		grpc.WriteBufferSize(writeBuffer),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 30 * time.Second, Timeout: 15 * time.Second}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.ConnectionTimeout(20 * time.Second),
	}
	if config.TLS.Enabled() {
		tlsConfig, err := access.ServerTLS(config.TLS)
		if err != nil {
			return nil, fmt.Errorf("set up TLS: %w", err)
		}
		options = append(options, grpc.Creds(credentials.NewTLS(tlsConfig)))
	}
	s := &Server{config: config, log: log.Named("rpc"), grpc: grpc.NewServer(options...), health: health.NewServer()}
	healthpb.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	return s, nil
}

// RegisterService registers a service, so that Server can be given to the
// generated Register functions.
func (s *Server) RegisterService(d *grpc.ServiceDesc, impl any) { s.grpc.RegisterService(d, impl) }

// SetServing sets what the health service says of a service; the empty name is
// the whole server.
func (s *Server) SetServing(service string, serving bool) {
	status := healthpb.HealthCheckResponse_NOT_SERVING
	if serving {
		status = healthpb.HealthCheckResponse_SERVING
	}
	s.health.SetServingStatus(service, status)
}

// OnStop adds a function called when the server begins to stop; services with
// long streams end them there.
func (s *Server) OnStop(f func()) { s.stopping = append(s.stopping, f) }

// Listen opens the configured address. Errors: *NeedsTLSError, *PortInUseError.
func Listen(ctx context.Context, config Config) (net.Listener, error) {
	if !config.TLS.Enabled() && !access.IsLoopback(config.Listen) {
		return nil, &NeedsTLSError{config.Listen}
	}
	listener, err := new(net.ListenConfig).Listen(ctx, "tcp", config.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, &PortInUseError{config.Listen}
	}
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", config.Listen, err)
	}
	return listener, nil
}

// Run listens on the configured address and serves until ctx ends; see Serve.
func (s *Server) Run(ctx context.Context) error {
	listener, err := Listen(ctx, s.config)
	if err != nil {
		return err
	}
	return s.Serve(ctx, listener)
}

// Serve serves on listener until ctx ends, then stops: health says not
// serving, the OnStop functions run, calls get StopGrace to end, what is left
// is cut. It closes the listener.
func (s *Server) Serve(ctx context.Context, listener net.Listener) error {
	if !s.config.TLS.Enabled() && !access.IsLoopback(listener.Addr().String()) {
		return errors.Join(&NeedsTLSError{listener.Addr().String()}, listener.Close())
	}
	s.log.Info("listening", zap.Stringer("address", listener.Addr()), zap.Bool("tls", s.config.TLS.Enabled()))
	failed := make(chan error, 1)
	go func() { failed <- s.grpc.Serve(listener) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve on %s: %w", listener.Addr(), err)
	case <-ctx.Done():
	}
	s.health.Shutdown()
	for _, f := range s.stopping {
		f()
	}
	stopped := make(chan struct{})
	go func() { s.grpc.GracefulStop(); close(stopped) }()
	grace := time.NewTimer(s.config.StopGrace)
	defer grace.Stop()
	select {
	case <-stopped:
	case <-grace.C:
		s.log.Warn("calls cut at stop", zap.Duration("grace", s.config.StopGrace))
		s.grpc.Stop()
		<-stopped
	}
	if err := <-failed; err != nil && !errors.Is(err, grpc.ErrServerStopped) {
		return fmt.Errorf("serve on %s: %w", listener.Addr(), err)
	}
	return nil
}
