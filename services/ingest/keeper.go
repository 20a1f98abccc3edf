package ingest

import (
	"context"
	"errors"
	"sync"
	"time"

	"go.uber.org/zap"

	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

const (
	// keepEvery is how often heartbeats and refusals are written.
	keepEvery = time.Second
	// quietAfter is how long nothing may come of a pull without an end before
	// the store is asked whether the end came earlier, or by another service.
	quietAfter = 2 * time.Second
	// maxKept bounds the heartbeats, and the refusals, waiting to be written.
	maxKept = 10000
	// maxPerCell bounds the refusals of one cell waiting to be written, so that
	// one agent gone wrong does not crowd out the others.
	maxPerCell = 200
	// keepTimeout ends one write or question to the store.
	keepTimeout = 10 * time.Second
)

// keeper does what no agent waits for: it writes heartbeats and refusals, as
// well as it can, and finds out about pulls whose end and blocks did not come
// in order.
type keeper struct {
	server *Server
	quit   chan struct{}
	wake   chan struct{} // something to examine

	mu         sync.Mutex
	heartbeats []store.HeartbeatRow
	refusals   []store.RefusalRow
	perCell    map[fleet.CellID]int
	questions  map[fleet.PullID]bool
}

func newKeeper(s *Server) *keeper {
	return &keeper{server: s, quit: make(chan struct{}), wake: make(chan struct{}, 1), perCell: map[fleet.CellID]int{}, questions: map[fleet.PullID]bool{}}
}

func (k *keeper) heartbeat(h wire.Heartbeat, now time.Time) {
	row := store.HeartbeatRow{
		CellID: string(h.Cell), SentAt: h.SentAt, ReceivedAt: now, SpoolMessages: h.SpoolMessages, SpoolBytes: h.SpoolBytes,
		RejectedFiles: h.RejectedFiles, SetAsideMessages: h.SetAside, AgentVersion: h.AgentVersion,
	}
	if !h.SpoolOldestAt.IsZero() {
		row.SpoolOldestAt = &h.SpoolOldestAt
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.heartbeats) >= maxKept {
		k.server.metrics.dropped.WithLabelValues("heartbeats").Inc()
		return
	}
	k.heartbeats = append(k.heartbeats, row)
}

// refused notes a message that was refused, without its numbers.
func (k *keeper) refused(cell fleet.CellID, it *item) {
	row := store.RefusalRow{
		CellID: string(cell), RefusedAt: k.server.now(), Sequence: it.sequence, Message: it.message, Code: it.code.String(),
		Field: it.field, Reason: it.reason, SizeBytes: uint64(it.size),
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if len(k.refusals) >= maxKept || k.perCell[cell] >= maxPerCell {
		k.server.metrics.dropped.WithLabelValues("refusals").Inc()
		return
	}
	k.perCell[cell]++
	k.refusals = append(k.refusals, row)
}

// examine asks that the store be looked at: is this pull whole?
func (k *keeper) examine(id fleet.PullID) {
	k.mu.Lock()
	k.questions[id] = true
	k.mu.Unlock()
	select {
	case k.wake <- struct{}{}:
	default:
	}
}

func (k *keeper) stop() { close(k.quit) }

func (k *keeper) run() {
	tick := time.NewTicker(keepEvery)
	defer tick.Stop()
	for {
		select {
		case <-k.wake:
		case <-tick.C:
			for _, id := range k.server.recent.quiet(k.server.now().Add(-quietAfter)) {
				k.mu.Lock()
				k.questions[id] = true
				k.mu.Unlock()
			}
			k.write()
		case <-k.quit:
			k.write()
			return
		}
		k.look()
	}
}

// write writes the heartbeats and refusals that wait. When the store is away
// they go on waiting; when it refuses them they are dropped and counted.
func (k *keeper) write() {
	k.mu.Lock()
	b := store.Batch{Heartbeats: k.heartbeats, Refusals: k.refusals}
	k.heartbeats, k.refusals = nil, nil
	clear(k.perCell)
	k.mu.Unlock()
	for _, part := range []store.Batch{{Heartbeats: b.Heartbeats}, {Refusals: b.Refusals}} {
		if part.Empty() {
			continue
		}
		ctx, cancel := context.WithTimeout(context.Background(), keepTimeout)
		err := k.server.store.Append(ctx, part)
		cancel()
		switch {
		case err == nil:
		case errors.Is(err, store.ErrUnavailable):
			k.mu.Lock()
			k.heartbeats = append(part.Heartbeats, k.heartbeats...)
			k.refusals = append(part.Refusals, k.refusals...)
			k.mu.Unlock()
		default:
			k.server.log.Error("heartbeats or refusals not kept", zap.Int("heartbeats", len(part.Heartbeats)), zap.Int("refusals", len(part.Refusals)), zap.Error(err))
			k.server.metrics.dropped.WithLabelValues("heartbeats").Add(float64(len(part.Heartbeats)))
			k.server.metrics.dropped.WithLabelValues("refusals").Add(float64(len(part.Refusals)))
		}
	}
}

// look asks the store about every pull in question.
func (k *keeper) look() {
	k.mu.Lock()
	questions := k.questions
	k.questions = map[fleet.PullID]bool{}
	k.mu.Unlock()
	for id := range questions {
		ctx, cancel := context.WithTimeout(context.Background(), keepTimeout)
		raw, err := k.server.store.ReadPull(ctx, id)
		cancel()
		if err != nil {
			k.server.log.Warn("pull not examined", zap.String("pull_id", string(id)), zap.Error(err))
			k.mu.Lock()
			k.questions[id] = true // asked again at the next tick
			k.mu.Unlock()
			continue
		}
		k.server.recent.learn(id, raw, k.server.now())
		if !raw.HasEnd {
			continue
		}
		sums := make([]wire.BlockSum, len(raw.Blocks))
		for i, b := range raw.Blocks {
			sums[i] = b.Block().Sum()
		}
		missing := wire.Missing(endOf(raw.End), sums)
		if !raw.HasBegin && missing == "" {
			missing = "its begin is not there"
		}
		if missing != "" {
			k.server.metrics.incomplete.Inc()
			k.server.log.Warn("pull is incomplete", zap.String("pull_id", string(id)), zap.String("cell_id", raw.End.CellID), zap.String("missing", missing))
		}
		k.server.tell(id, fleet.Kind(raw.Begin.Kind))
	}
}
