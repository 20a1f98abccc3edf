package rpc

import (
	"context"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
)

// interceptors is the chain of every call. Each step is a function around the
// next, so that unary calls and streams share it.
type interceptors struct {
	log      *zap.Logger
	deadline time.Duration
	calls    *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	open     *prometheus.GaugeVec
	panics   prometheus.Counter
}

func newInterceptors(config Config, log *zap.Logger, metrics prometheus.Registerer) *interceptors {
	i := &interceptors{
		log: log, deadline: config.UnaryDeadline,
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "rollcall_rpc_calls_total", Help: "Calls ended, by method and gRPC code."}, []string{"method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "rollcall_rpc_unary_seconds", Help: "Time of unary calls.", Buckets: prometheus.ExponentialBuckets(0.001, 4, 8)}, []string{"method"}),
		open: prometheus.NewGaugeVec(prometheus.GaugeOpts{
			Name: "rollcall_rpc_open_calls", Help: "Calls and streams open now, by method."}, []string{"method"}),
		panics: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "rollcall_rpc_panics_total", Help: "Panics caught in handlers."}),
	}
	metrics.MustRegister(i.calls, i.seconds, i.open, i.panics)
	return i
}

// call runs handle, which is told the context to use, through the chain.
func (i *interceptors) call(ctx context.Context, method string, unary bool, handle func(context.Context) error) error {
	return i.recovered(method, func() error {
		return i.measured(method, unary, func() error {
			return i.mapped(method, func() error {
				ctx, err := i.identified(ctx, method)
				if err != nil {
					return err
				}
				if unary {
					var cancel context.CancelFunc
					if ctx, cancel, err = i.limited(ctx); err != nil {
						return err
					}
					defer cancel()
				}
				return handle(ctx)
			})
		})
	})
}

// recovered is the outermost step: it keeps the server alive should metrics or
// mapping themselves panic. mapped catches a handler's panic first.
func (i *interceptors) recovered(method string, next func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			i.panics.Inc()
			err = internal(i.log, method, fmt.Errorf("panic: %v\n%s", p, debug.Stack()))
		}
	}()
	return next()
}

func (i *interceptors) measured(method string, unary bool, next func() error) error {
	i.open.WithLabelValues(method).Inc()
	defer i.open.WithLabelValues(method).Dec()
	start := time.Now()
	err := next()
	i.calls.WithLabelValues(method, status.Code(err).String()).Inc()
	if unary {
		i.seconds.WithLabelValues(method).Observe(time.Since(start).Seconds())
	}
	return err
}

// mapped turns whatever next returns into a status. A panic counts as an
// unknown error, so that metrics and identity see a code.
func (i *interceptors) mapped(method string, next func() error) error {
	return toStatus(i.log, method, i.guarded(next))
}

func (i *interceptors) guarded(next func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			i.panics.Inc()
			err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return next()
}

// identified puts the caller's identity into the context and applies the
// service's access rule.
func (i *interceptors) identified(ctx context.Context, method string) (context.Context, error) {
	service, _, _ := strings.Cut(strings.TrimPrefix(method, "/"), "/")
	id, err := access.FromPeer(ctx)
	if err != nil {
		return nil, err
	}
	switch service {
	case "grpc.health.v1.Health":
	case rollcallv1.IngestService_ServiceDesc.ServiceName:
		// Which cell may be written is known at the hello; ingest asks MayWrite.
		if !id.Loopback && len(id.Cells) == 0 {
			return nil, access.Denied("%s may not send measurements; use the certificate of a cell", id)
		}
	case rollcallv1.AdminService_ServiceDesc.ServiceName:
		if !id.MayAdminister() {
			return nil, access.Denied("%s may not change the registry or flags; that takes the role %s", id, access.RoleQualityManager)
		}
	default:
		if !id.MayRead() {
			return nil, access.Denied("%s may not read the fleet; use the certificate of a person", id)
		}
	}
	return access.NewContext(ctx, id), nil
}

// limited sets a unary call's deadline: the server's, or the caller's less
// reportMargin when that comes first. A caller who leaves less than that is
// refused at once.
func (i *interceptors) limited(ctx context.Context) (context.Context, context.CancelFunc, error) {
	limit := time.Now().Add(i.deadline)
	if asked, ok := ctx.Deadline(); ok {
		asked = asked.Add(-reportMargin)
		if time.Until(asked) <= 0 {
			return nil, nil, status.Errorf(codes.DeadlineExceeded, "the deadline leaves no time for the call; give %v at least", 2*reportMargin)
		}
		if asked.Before(limit) {
			limit = asked
		}
	}
	ctx, cancel := context.WithDeadline(ctx, limit)
	return ctx, cancel, nil
}

func (i *interceptors) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (resp any, err error) {
	err = i.call(ctx, info.FullMethod, true, func(ctx context.Context) (err error) {
		resp, err = handler(ctx, req)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (i *interceptors) stream(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	return i.call(stream.Context(), info.FullMethod, false, func(ctx context.Context) error {
		return handler(srv, &identifiedStream{stream, ctx})
	})
}

// identifiedStream is a stream whose context holds the identity.
type identifiedStream struct {
	grpc.ServerStream
	ctx context.Context
}

// Context returns the context with the identity.
func (s *identifiedStream) Context() context.Context { return s.ctx }
