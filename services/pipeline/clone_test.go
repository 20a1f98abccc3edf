package pipeline_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"rollcall/services/admin"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// clone returns a stored record from one time to another as another one: id
// number n, announced and sampled as change and shift say. A record of a car
// becomes a customer's.
func clone(raw store.RawPull, n int, from, until float64, change func(*fleet.Pull), shift func(*wire.Block)) (fleet.PullID, store.Batch) {
	pull := raw.Begin.Pull()
	pull.ID, pull.StartedAt = fleet.PullID(fmt.Sprintf("%032x", n)), pull.StartedAt.Add(time.Duration(from*1e9))
	pull.Label, pull.Session, pull.Car, pull.RampRate = "", "", "", nil
	if change != nil {
		change(&pull)
	}
	b := store.Batch{Pulls: []store.PullRow{store.FromPull(pull, time.Unix(0, 0))}}
	var sums []wire.BlockSum
	for _, row := range raw.Blocks {
		block := row.Block()
		lo, hi := 0, block.Samples.Len()
		at := func(i int) float64 { return block.Start + float64(i)*block.Step }
		for lo < hi && at(lo) < from {
			lo++
		}
		for hi > lo && at(hi-1) >= until {
			hi--
		}
		if lo == hi {
			continue
		}
		block.Pull, block.Cell, block.Index, block.Start = pull.ID, pull.Cell, 0, at(lo)-from
		if block.Samples.Counts != nil {
			block.Samples.Counts = block.Samples.Counts[lo:hi]
		} else {
			block.Samples.Values = block.Samples.Values[lo:hi]
		}
		if shift != nil {
			shift(&block)
		}
		block.CRC = wire.BlockCRC(wire.ToSampleBlock(block))
		b.Blocks = append(b.Blocks, store.FromBlock(block))
		sums = append(sums, block.Sum())
	}
	b.Ends = []store.PullEndRow{store.FromEnd(wire.NewEnd(pull.ID, pull.Cell, sums), time.Unix(0, 0))}
	return pull.ID, b
}

// live runs a pipeline while do gives it records, until it has computed them.
func live(t *testing.T, s *store.Store, book *admin.Book, do func(ctx context.Context, p *pipeline.Pipeline, settle func())) {
	t.Helper()
	c := pipeline.DefaultConfig()
	c.FleetDelay, c.Sweep = 5*time.Millisecond, time.Hour
	p := pipeline.New(c, s, book, zaptest.NewLogger(t), nil)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	settle := func() { await(t, p.Idle) }
	settle()
	do(ctx, p, settle)
	settle()
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// computedPulls returns the ids of the computed pulls of a cell and reference car,
// oldest first, with their raw records.
func computedPulls(t *testing.T, s *store.Store, cell fleet.CellID, car fleet.CarID) ([]store.CurveRow, []store.RawPull) {
	t.Helper()
	rows, err := s.ReadCurves(t.Context(), store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{cell}, Car: car}, Kind: fleet.KindPull})
	if err != nil {
		t.Fatal(err)
	}
	var curves []store.CurveRow
	var raws []store.RawPull
	for i := len(rows) - 1; i >= 0; i-- {
		if rows[i].State != store.StateComputed || rows[i].CarID == "" {
			continue
		}
		raw, err := s.ReadPull(t.Context(), fleet.PullID(rows[i].PullID))
		if err != nil {
			t.Fatal(err)
		}
		curves, raws = append(curves, rows[i]), append(raws, raw)
	}
	return curves, raws
}

// dumped returns what the computed tables hold, and fails unless recomputing
// gives the same bytes.
func dumped(t *testing.T, s *store.Store, book *admin.Book) []store.Dump {
	t.Helper()
	before, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
	after, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for i := range before {
		if before[i] != after[i] {
			t.Errorf("%s: live %d rows %.12s, recomputed %d rows %.12s", before[i].Table, before[i].Rows, before[i].SHA256, after[i].Rows, after[i].SHA256)
		}
	}
	return after
}
