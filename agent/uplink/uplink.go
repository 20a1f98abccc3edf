package uplink

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/wire"
)

// Uplink sends a spool's messages.
type Uplink struct {
	// Rejected returns how many files the source has rejected, for the
	// heartbeat. nil: none. Set before Run.
	Rejected func() int

	config Config
	spool  *spool.Spool
	log    *zap.Logger
	now    func() time.Time

	// These belong to Run.
	tries  map[uint64]int // faults answered to a message that was the first
	fast   pace
	slow   pace
	barren int // streams in a row that began well and let nothing through

	mu     sync.Mutex
	state  State
	alarms map[string]Alarm
	held   map[uint64]Held

	// byHand are the messages and records somebody asked to set aside. It
	// belongs to Run.
	byHand map[string]bool
}

// New returns an uplink that sends s. It starts nothing.
func New(config Config, s *spool.Spool, log *zap.Logger) (*Uplink, error) {
	if err := config.Validate(); err != nil {
		return nil, err
	}
	return &Uplink{
		config: config, spool: s, log: log.Named("uplink"), now: time.Now,
		tries:  map[uint64]int{},
		fast:   pace{min: config.BackoffMin, max: config.BackoffMax},
		slow:   pace{min: config.SlowMin, max: config.SlowMax},
		alarms: map[string]Alarm{},
		held:   map[uint64]Held{},
		byHand: map[string]bool{},
	}, nil
}

// pace is a backoff: it doubles from min to max, half of it left to chance, so
// that a chain's agents do not come back at the same moment.
type pace struct {
	min, max time.Duration
	step     time.Duration
}

func (p *pace) reset() { p.step = 0 }

func (p *pace) next() time.Duration {
	p.step = min(max(p.min, 2*p.step), p.max)
	return p.step/2 + rand.N(p.step/2+1)
}

// Run sends until ctx ends, and then waits a moment for answers under way. It
// returns nil: what goes wrong meanwhile is an alarm and tried again.
func (u *Uplink) Run(ctx context.Context) error {
	u.connected(false, nil)
	for ctx.Err() == nil {
		err := u.connect(ctx)
		if ctx.Err() != nil {
			break
		}
		u.connected(false, err)
		code := wire.StreamCode(status.Code(err))
		d := wire.Dispose(code)
		var wait time.Duration
		if d.Pace == wire.PaceSlow {
			wait = u.slow.next()
		} else {
			wait = u.fast.next()
		}
		if d.Alarm {
			kind := AlarmService
			if code == pb.Code_CODE_UNAUTHENTICATED || code == pb.Code_CODE_PERMISSION_DENIED {
				kind = AlarmCertificate
			}
			u.raise(kind, status.Convert(err).Message())
		}
		u.mu.Lock()
		u.state.LinkAgain = u.now().Add(wait)
		u.mu.Unlock()
		u.log.Warn("link lost", zap.Error(err), zap.Duration("again_in", wait))
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
	u.connected(false, nil)
	if err := u.spool.Save(); err != nil {
		u.log.Warn("spool cursor not written", zap.Error(err))
	}
	return nil
}

var errSilent = errors.New("the service does not answer")

// connect makes a connection and works on it until it ends.
func (u *Uplink) connect(ctx context.Context) error {
	creds, err := u.config.credentials()
	if err != nil {
		// Files that are missing are as a certificate that is not accepted.
		return status.Error(codes.Unauthenticated, err.Error())
	}
	conn, err := grpc.NewClient(u.config.Server,
		grpc.WithTransportCredentials(creds),
		grpc.WithDisableRetry(),
		grpc.WithDisableServiceConfig(),
		grpc.WithUserAgent("rollcell/"+u.config.Version),
		grpc.WithWriteBufferSize(64<<10),
		grpc.WithReadBufferSize(16<<10),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.DefaultConfig, MinConnectTimeout: 15 * time.Second}),
		// A link that is cut without a word is noticed in 45 s.
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 15 * time.Second}),
	)
	if err != nil {
		return fmt.Errorf("connect to %s: %w", u.config.Server, err)
	}
	defer conn.Close()

	// The stream outlives ctx by LastWait once it is going.
	streamCtx, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	defer cancel(nil)
	defer context.AfterFunc(ctx, func() {
		time.AfterFunc(u.config.LastWait, func() { cancel(context.Canceled) })
	})()
	opening, opened := context.WithCancel(ctx)
	defer opened()
	defer context.AfterFunc(opening, func() {
		if ctx.Err() != nil {
			cancel(context.Canceled)
		}
	})()

	stream, err := conn.NewStream(streamCtx, &pb.IngestService_ServiceDesc.Streams[0], pb.IngestService_Stream_FullMethodName, grpc.ForceCodecV2(codec{}))
	if err != nil {
		return err
	}
	s := newSession(u, stream, cancel)
	defer s.close()
	if err := s.hello(ctx); err != nil {
		return s.explain(streamCtx, err)
	}
	opened()
	u.connected(true, nil)
	u.lower(AlarmCertificate, AlarmService)
	u.log.Info("link up", zap.String("server", u.config.Server))
	err = s.explain(streamCtx, s.work(ctx))
	if ctx.Err() == nil {
		s.judge(err)
	}
	return err
}
