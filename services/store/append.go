package store

import (
	"context"

	"golang.org/x/sync/errgroup"
)

// Batch is what arrived from agents and is to be made durable together.
type Batch struct {
	Pulls      []PullRow
	Blocks     []BlockRow
	Ends       []PullEndRow
	Checks     []CheckRow
	Heartbeats []HeartbeatRow
	Refusals   []RefusalRow
}

// Empty says whether there is nothing in b.
func (b Batch) Empty() bool {
	return len(b.Pulls)+len(b.Blocks)+len(b.Ends)+len(b.Checks)+len(b.Heartbeats)+len(b.Refusals) == 0
}

// Append makes b durable: when it returns nil every row is on disk. The ends
// of pulls are inserted after everything else, so that an end is never seen
// before its pull's blocks. After an error any part of b may be there; b may be
// appended again, and what is there twice is read once. The error wraps
// ErrUnavailable when trying again later may help.
func (s *Store) Append(ctx context.Context, b Batch) error {
	g, first := errgroup.WithContext(ctx)
	g.Go(func() error { return insertBlocks(first, s, b.Blocks) })
	run(g, first, s, "pulls", b.Pulls)
	run(g, first, s, "calibration_checks", b.Checks)
	run(g, first, s, "heartbeats", b.Heartbeats)
	run(g, first, s, "refusals", b.Refusals)
	if err := g.Wait(); err != nil {
		return err
	}
	return insertRows(ctx, s, "pull_ends", b.Ends)
}

func run[T any](g *errgroup.Group, ctx context.Context, s *Store, table string, rows []T) {
	if len(rows) > 0 {
		g.Go(func() error { return insertRows(ctx, s, table, rows) })
	}
}
