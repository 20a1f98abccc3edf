// Package ingest takes what the cells' agents send and makes it durable. In:
// the messages of IngestService.Stream. Out: rows in the store, an answer for
// each message, and word to the pipeline that a pull, coast-down or check can
// be computed.
//
// # The way of a message
//
//	reader (one a stream)   validate (wire), identity, registry, checksum
//	      │ refused: answered at once, noted in the refusals table
//	      ▼
//	queue (bounded in bytes; full: readers stop, and flow control stops agents)
//	      ▼
//	committer (one)         gathers what has come, store.Append, answers
//	      ▼
//	answerer (one a stream) sends the answers in the order of the messages
//
// An answer CODE_OK is given after store.Append returned: what it answers is
// on disk. Everything else says so and why; a bad message never ends a stream.
// Heartbeats alone are answered before they are stored.
//
// # Whole and incomplete pulls
//
// The end of a pull says how many blocks and samples it has and their
// checksum. Agents send in order, so a block that is not there when the end
// comes was set aside by its agent. The end is stored and answered OK all the
// same, and the pull stays incomplete: wire.Missing of what the store has says
// what is not there, to every reader. Should the blocks (or the pull's begin)
// come later, Stored is called again and the pull becomes whole by itself.
package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"
	"golang.org/x/sync/semaphore"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// Config bounds what ingest holds and how long it waits.
type Config struct {
	// QueueBytes bounds the messages taken from streams and not yet committed.
	QueueBytes int64 `yaml:"queue_bytes"`
	// BatchBytes is how much one commit takes at most; above 0.
	BatchBytes int64 `yaml:"batch_bytes"`
	// Linger is how long the first message of a commit waits for others; 0: not
	// at all.
	Linger time.Duration `yaml:"linger"`
	// Committers is how many commits may be under way at once. While one waits
	// for the disk the next is being encoded.
	Committers int `yaml:"committers"`
	// CommitTimeout ends a commit, which is then answered CODE_UNAVAILABLE.
	CommitTimeout time.Duration `yaml:"commit_timeout"`
	// RecentBytes bounds the blocks kept for Recent; 0: none are kept.
	RecentBytes int64 `yaml:"recent_bytes"`
	// RetryAfter is how long an agent is told to wait when the store is away.
	RetryAfter time.Duration `yaml:"retry_after"`
	// ClockTolerance is how far an agent's clock may be off before it is said.
	ClockTolerance time.Duration `yaml:"clock_tolerance"`
	// Ahead is how many messages of one stream may wait for their answers.
	Ahead int `yaml:"ahead"`
}

// DefaultConfig returns the configuration used when nothing is said.
func DefaultConfig() Config {
	return Config{
		QueueBytes: 128 << 20, BatchBytes: 32 << 20, Linger: 3 * time.Millisecond, Committers: 1, CommitTimeout: 30 * time.Second,
		RecentBytes: 64 << 20, RetryAfter: time.Second, ClockTolerance: 2 * time.Second, Ahead: 8192,
	}
}

// Validate returns everything wrong with c.
func (c Config) Validate() error {
	var errs []error
	for _, p := range []struct {
		wrong bool
		key   string
		value any
		want  string
	}{
		{c.BatchBytes <= 0, "batch_bytes", c.BatchBytes, "above 0"},
		{c.QueueBytes < c.BatchBytes, "queue_bytes", c.QueueBytes, "batch_bytes at least"},
		{c.Linger < 0 || c.Linger > time.Second, "linger", c.Linger, "0 … 1 s"},
		{c.Committers < 1 || c.Committers > 8, "committers", c.Committers, "1 … 8"},
		{c.CommitTimeout <= 0, "commit_timeout", c.CommitTimeout, "above 0"},
		{c.RecentBytes < 0, "recent_bytes", c.RecentBytes, "0 or more"},
		{c.RetryAfter <= 0, "retry_after", c.RetryAfter, "above 0"},
		{c.ClockTolerance <= 0, "clock_tolerance", c.ClockTolerance, "above 0"},
		{c.Ahead < 1, "ahead", c.Ahead, "1 or more"},
	} {
		if p.wrong {
			errs = append(errs, fmt.Errorf("%s is %v; it has to be %s", p.key, p.value, p.want))
		}
	}
	return errors.Join(errs...)
}

// Store is what ingest needs of the store.
type Store interface {
	// Append makes a batch durable; an error that wraps store.ErrUnavailable
	// may not come again later.
	Append(ctx context.Context, b store.Batch) error
	// ReadPull returns everything there is of a pull.
	ReadPull(ctx context.Context, id fleet.PullID) (store.RawPull, error)
}

// Registry is what ingest needs of the registry. At is called often and has to
// be quick; what it returns is not changed by either side.
type Registry interface {
	At(at time.Time) fleet.Registry
}

// Server is the IngestService. Set the functions before the first stream.
type Server struct {
	pb.UnimplementedIngestServiceServer

	// Stored is told of a pull or coast-down whose end is durable, and again
	// whenever more of it came after. It is called from several goroutines and
	// has to return quickly. nil: nobody is told.
	Stored func(fleet.PullID)
	// StoredCoastDown is told in place of Stored when the record is known to be
	// a coast-down alone, a car's or of the empty rollers. nil: Stored is.
	StoredCoastDown func(fleet.PullID)
	// StoredCheck is told of a calibration check that is durable.
	StoredCheck func(fleet.CheckID)

	config   Config
	store    Store
	held     atomic.Int64 // bytes of messages taken in and not yet committed
	registry Registry
	log      *zap.Logger
	metrics  *metrics
	now      func() time.Time

	queue    chan *item
	room     *semaphore.Weighted // bytes of the queue
	batches  chan *batch
	stopping chan struct{} // closed when streams have to end
	stopOnce sync.Once
	closed   chan struct{} // closed when nothing is committed any more

	streams struct {
		sync.Mutex
		open    int
		stopped bool
		none    chan struct{} // closed when stopped and none is open
	}

	recent *recent
	keeper *keeper
	clocks clocks
	cached atomic.Pointer[snapshot]
}

// snapshot is the registry as it was a moment ago.
type snapshot struct {
	at       time.Time
	registry fleet.Registry
}

// snapshotLife is how long a snapshot of the registry is used.
const snapshotLife = time.Second

// New returns a server that is not running yet.
func New(config Config, st Store, registry Registry, log *zap.Logger, reg prometheus.Registerer) (*Server, error) {
	if err := config.Validate(); err != nil {
		return nil, fmt.Errorf("ingest configuration: %w", err)
	}
	s := &Server{
		config: config, store: st, registry: registry, log: log.Named("ingest"), metrics: newMetrics(reg), now: time.Now,
		queue: make(chan *item, 256), room: semaphore.NewWeighted(config.QueueBytes), batches: make(chan *batch),
		stopping: make(chan struct{}), closed: make(chan struct{}), recent: newRecent(config.RecentBytes),
	}
	s.streams.none = make(chan struct{})
	s.clocks.offset = map[fleet.CellID]Clock{}
	s.keeper = newKeeper(s)
	return s, nil
}

// Busy says that a backlog is coming in: a good part of a commit waits. Whoever
// has work that can wait should let it.
func (s *Server) Busy() bool { return s.held.Load() > s.config.BatchBytes/8 }

// Stop asks every stream to end; each sends the answers it owes first. It does
// not wait.
func (s *Server) Stop() {
	s.stopOnce.Do(func() {
		close(s.stopping)
		s.streams.Lock()
		defer s.streams.Unlock()
		s.streams.stopped = true
		if s.streams.open == 0 {
			close(s.streams.none)
		}
	})
}

// Run commits what the streams take in until ctx ends; then it stops the
// streams, commits what they had taken in, and returns.
func (s *Server) Run(ctx context.Context) error {
	var workers sync.WaitGroup
	gathered := make(chan struct{})
	go func() { defer close(gathered); s.gather() }()
	for range s.config.Committers {
		workers.Go(func() {
			for b := range s.batches {
				s.commit(b)
			}
		})
	}
	kept := make(chan struct{})
	go func() { defer close(kept); s.keeper.run() }()

	<-ctx.Done()
	s.Stop()
	<-s.streams.none
	close(s.closed)
	<-gathered
	workers.Wait()
	s.keeper.stop()
	<-kept
	return nil
}

// enter counts a stream in; it is false once the server is stopping.
func (s *Server) enter() bool {
	s.streams.Lock()
	defer s.streams.Unlock()
	if s.streams.stopped {
		return false
	}
	s.streams.open++
	s.metrics.streams.Inc()
	return true
}

func (s *Server) leave() {
	s.streams.Lock()
	defer s.streams.Unlock()
	s.streams.open--
	s.metrics.streams.Dec()
	if s.streams.stopped && s.streams.open == 0 {
		close(s.streams.none)
	}
}

// registryNow returns the registry in force, a second old at most.
func (s *Server) registryNow(now time.Time) fleet.Registry {
	if c := s.cached.Load(); c != nil && now.Sub(c.at) < snapshotLife && !now.Before(c.at) {
		return c.registry
	}
	c := &snapshot{at: now, registry: s.registry.At(now)}
	s.cached.Store(c)
	return c.registry
}

// Recent returns a whole pull that came in a short while ago without asking
// the store. ok is false when it is not here, not whole, or was dropped for
// others. The blocks are shared and must not be changed.
func (s *Server) Recent(id fleet.PullID) (raw *store.RawPull, ok bool) { return s.recent.whole(id) }
