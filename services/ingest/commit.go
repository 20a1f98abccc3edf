package ingest

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// batch is what one commit takes.
type batch struct {
	items []*item
	size  int64
	// earlier is closed when every commit before this one has ended, done when
	// this one and those have.
	earlier <-chan struct{}
	done    chan struct{}
}

// gather makes batches of what comes: a batch goes as soon as a committer is
// free and the first message has waited Linger, or the batch is full. While
// all committers are busy the batch grows, so that commits are the larger the
// more there is to do.
func (s *Server) gather() {
	defer close(s.batches)
	last := make(chan struct{})
	close(last)
	linger := time.NewTimer(0)
	<-linger.C
	next := &batch{}
	ready := false
	for {
		in, out := s.queue, s.batches
		if next.size >= s.config.BatchBytes {
			in, ready = nil, true
		}
		if len(next.items) == 0 || !ready {
			out = nil
		}
		select {
		case it := <-in:
			if len(next.items) == 0 {
				next.earlier, next.done = last, make(chan struct{})
				if ready = s.config.Linger == 0; !ready {
					linger.Reset(s.config.Linger)
				}
			}
			next.items = append(next.items, it)
			next.size += it.size
		case out <- next:
			linger.Stop()
			last = next.done
			next, ready = &batch{}, false
		case <-linger.C:
			ready = true
		case <-s.closed:
			linger.Stop()
			// No stream is left; nobody waits for what may still be in the queue,
			// and its agents have it in their spools.
			if len(next.items) > 0 {
				s.batches <- next
			}
			return
		}
	}
}

// commit makes a batch durable and answers its messages.
func (s *Server) commit(b *batch) {
	start := time.Now()
	s.settle(b.items, b.earlier)
	s.metrics.commitSeconds.Observe(time.Since(start).Seconds())
	s.metrics.batchMessages.Observe(float64(len(b.items)))
	s.metrics.batchBytes.Observe(float64(b.size))
	s.room.Release(b.size)
	s.held.Add(-b.size)
	go func() {
		<-b.earlier
		close(b.done)
	}()
}

// settle commits items and gives each its answer. When the store refuses them
// for a reason that is not its being away, each half is tried alone, so that
// one message the store cannot take does not spoil the others.
func (s *Server) settle(items []*item, earlier <-chan struct{}) {
	err := s.appendItems(items, earlier)
	switch {
	case err == nil:
		s.durable(items)
	case errors.Is(err, store.ErrUnavailable), errors.Is(err, context.DeadlineExceeded):
		s.log.Warn("store is away", zap.Int("messages", len(items)), zap.Error(err))
		for _, it := range items {
			it.code, it.retry = pb.Code_CODE_UNAVAILABLE, s.config.RetryAfter
			it.reason = "the store is not reachable now; send this again in a moment"
			close(it.done)
		}
	case len(items) > 1:
		s.settle(items[:len(items)/2], earlier)
		s.settle(items[len(items)/2:], earlier)
	default:
		it := items[0]
		id := newErrorID()
		s.log.Error("store refused a message", zap.String("error_id", id), zap.String("message", it.message), zap.Uint64("sequence", it.sequence),
			zap.String("cell_id", string(it.cell())), zap.Error(err))
		it.code, it.retry = pb.Code_CODE_INTERNAL, s.config.RetryAfter
		it.reason = fmt.Sprintf("internal error %s; the service's log says more under this id", id)
		s.keeper.refused(it.cell(), it)
		close(it.done)
	}
}

// appendItems appends items to the store. Ends of pulls wait until earlier
// commits have ended: an end is never seen before its pull's blocks.
func (s *Server) appendItems(items []*item, earlier <-chan struct{}) error {
	var rows store.Batch
	blocks := 0
	for _, it := range items {
		if it.block != nil {
			blocks++
		}
	}
	rows.Blocks = make([]store.BlockRow, 0, blocks)
	for _, it := range items {
		switch {
		case it.block != nil:
			rows.Blocks = append(rows.Blocks, *it.block)
		case it.pull != nil:
			rows.Pulls = append(rows.Pulls, *it.pull)
		case it.end != nil:
			rows.Ends = append(rows.Ends, *it.end)
		case it.check != nil:
			rows.Checks = append(rows.Checks, *it.check)
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), s.config.CommitTimeout)
	defer cancel()
	ends := rows.Ends
	if len(ends) > 0 {
		select {
		case <-earlier:
		default:
			rows.Ends = nil
		}
	}
	if !rows.Empty() {
		if err := s.store.Append(ctx, rows); err != nil {
			return err
		}
	}
	if len(ends) > 0 && rows.Ends == nil {
		<-earlier
		return s.store.Append(ctx, store.Batch{Ends: ends})
	}
	return nil
}

// durable answers items that are on disk, and tells who waits for them.
func (s *Server) durable(items []*item) {
	values := 0
	for _, it := range items {
		if it.block != nil {
			values += int(it.block.SampleCount)
		}
	}
	s.metrics.values.Add(float64(values))
	ended := s.recent.add(items, s.now())
	for _, it := range items {
		it.code = pb.Code_CODE_OK
		close(it.done)
	}
	for _, e := range ended {
		if e.whole {
			s.tell(e.id, e.kind)
		} else {
			s.keeper.examine(e.id)
		}
	}
	if s.StoredCheck != nil {
		for _, it := range items {
			if it.check != nil {
				s.StoredCheck(fleet.CheckID(it.check.CheckID))
			}
		}
	}
}

// tell says that a record can be computed. kind is 0 when it is not known.
func (s *Server) tell(id fleet.PullID, kind fleet.Kind) {
	switch {
	case s.StoredCoastDown != nil && (kind == fleet.KindCoastDown || kind == fleet.KindEmptyCoastDown):
		s.StoredCoastDown(id)
	case s.Stored != nil:
		s.Stored(id)
	}
}

// cell returns the cell of an item that is to be committed.
func (it *item) cell() fleet.CellID {
	switch {
	case it.block != nil:
		return fleet.CellID(it.block.CellID)
	case it.pull != nil:
		return fleet.CellID(it.pull.CellID)
	case it.end != nil:
		return fleet.CellID(it.end.CellID)
	case it.check != nil:
		return fleet.CellID(it.check.CellID)
	}
	return ""
}

func newErrorID() string {
	var id [6]byte
	rand.Read(id[:]) // never fails
	return hex.EncodeToString(id[:])
}
