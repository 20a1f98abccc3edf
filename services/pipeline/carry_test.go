package pipeline_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap/zaptest"

	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// carryFleet is a store with a customer's car: a baseline pull with coast-down and
// later pulls of the same samples without, each a minute apart.
type carryFleet struct {
	baseline fleet.PullID
	batches  map[fleet.PullID]store.Batch
	whole    store.CurveRow // what the reference car's record gives with its coast-down
	after    func(n int, change func(*fleet.Pull), coastDown bool) fleet.PullID
}

func newCarryFleet(t *testing.T, s *store.Store, at func(time.Time) fleet.Registry) *carryFleet {
	t.Helper()
	rows, raws := computedPulls(t, s, "fen-1", "")
	i := 0
	for rows[i].PeakEnginePower == nil || rows[i].CoastDownStart == nil {
		i++
	}
	whole, raw := rows[i], raws[i]
	car := at(whole.StartedAt).Cars[fleet.CarID(whole.CarID)]
	f := &carryFleet{whole: whole, batches: map[fleet.PullID]store.Batch{}}
	f.after = func(n int, change func(*fleet.Pull), coastDown bool) fleet.PullID {
		until := *whole.CoastDownStart - 0.3
		if coastDown {
			until = 1e9
		}
		id, batch := clone(raw, n, 0, until, func(p *fleet.Pull) {
			p.CustomerCar, p.SetUp, p.RotatingMass, p.CoastingMass = "red coupe", "road tyres", &car.RotatingMass, &car.CoastingMass
			p.StartedAt = p.StartedAt.Add(time.Duration(n) * time.Hour)
			if change != nil {
				change(p)
			}
		}, nil)
		f.batches[id] = batch
		return id
	}
	f.baseline = f.after(1, nil, true)
	return f
}

func carry(t *testing.T, s *store.Store, at int, from fleet.PullID, to ...fleet.PullID) {
	t.Helper()
	var rows []store.CarryRow
	for _, id := range to {
		rows = append(rows, store.CarryRow{PullID: string(id), FromPullID: string(from), DecidedAt: time.Unix(int64(at), 0).UTC(), CellID: "fen-1", DecidedBy: "test", Reason: "unchanged"})
	}
	if err := s.AppendCarries(t.Context(), rows); err != nil {
		t.Fatal(err)
	}
}

func curveOf(t *testing.T, s *store.Store, id fleet.PullID) store.CurveRow {
	t.Helper()
	row, found, err := s.ReadCurve(t.Context(), id)
	if err != nil || !found {
		t.Fatalf("curve of %s: found %v, %v", id, found, err)
	}
	return row
}

// A pull without coast-down states the engine power that its own coast-down would
// have given when the loss of the baseline is carried, marked as carried; nothing
// when that is taken back; and its own when its own coast-down comes after all.
// The decision, the pull and the baseline may come in any order: the tables are
// the same to the byte.
func TestCarriedLoss(t *testing.T) {
	var first []store.Dump
	for _, order := range []string{"baseline pull decision", "decision pull baseline", "pull decision baseline"} {
		s := storetest.Open(t)
		book := newBook(t, s)
		feed(t, s, 1, 1, "fen-1")
		recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
		f := newCarryFleet(t, s, book.At)
		pull := f.after(2, nil, false)
		own := f.after(3, nil, true)
		free := f.after(4, nil, false)
		undone := f.after(5, nil, false)
		before, err := s.ReadCurves(t.Context(), store.PullFilter{Filter: store.Filter{Limit: 1000}})
		if err != nil {
			t.Fatal(err)
		}
		live(t, s, book, func(ctx context.Context, p *pipeline.Pipeline, settle func()) {
			for _, what := range strings.Fields(order) {
				switch what {
				case "baseline":
					if err := s.Append(ctx, f.batches[f.baseline]); err != nil {
						t.Fatal(err)
					}
					p.Stored(f.baseline)
				case "pull":
					for _, id := range []fleet.PullID{pull, own, free, undone} {
						if err := s.Append(ctx, f.batches[id]); err != nil {
							t.Fatal(err)
						}
						p.Stored(id)
					}
				case "decision":
					carry(t, s, 1, f.baseline, pull, own, undone)
					carry(t, s, 2, "", undone)
					if err := p.LossCarried(ctx, []fleet.PullID{pull, own, undone}); err != nil {
						t.Fatal(err)
					}
				}
				settle()
			}
		})
		got, with := curveOf(t, s, pull), curveOf(t, s, f.baseline)
		if got.PeakEnginePower == nil || got.LossCarriedFrom != string(f.baseline) || got.LossAskedFrom != string(f.baseline) {
			t.Fatalf("%s: engine power %v, carried from %q: %s", order, got.PeakEnginePower, got.LossCarriedFrom, got.NoEnginePower)
		}
		// The same samples: what differs is the window of the local polynomials.
		if d := *got.PeakEnginePower / *with.PeakEnginePower - 1; math.Abs(d) > 0.001 {
			t.Errorf("engine power %.1f W carried, %.1f W measured", *got.PeakEnginePower, *with.PeakEnginePower)
		}
		if *got.LossF0 != *with.LossF0 || *got.LossF2 != *with.LossF2 || with.LossCarriedFrom != "" {
			t.Errorf("loss %v, the baseline's %v (carried from %q)", *got.LossF0, *with.LossF0, with.LossCarriedFrom)
		}
		if mine := curveOf(t, s, own); mine.LossCarriedFrom != "" || mine.LossAskedFrom != string(f.baseline) || *mine.PeakEnginePower != *with.PeakEnginePower {
			t.Errorf("a measured loss does not stand: carried from %q", mine.LossCarriedFrom)
		}
		for _, id := range []fleet.PullID{free, undone} {
			if none := curveOf(t, s, id); none.PeakEnginePower != nil || none.LossF0 != nil || none.LossAskedFrom != "" || !strings.Contains(none.NoEnginePower, "coast-down") {
				t.Errorf("a pull without states %v W from %q: %s", none.PeakEnginePower, none.LossAskedFrom, none.NoEnginePower)
			}
		}
		// What was there before is as it was.
		for _, row := range before {
			if diff := cmp.Diff(row, curveOf(t, s, fleet.PullID(row.PullID))); diff != "" {
				t.Errorf("pull %s changed\n%s", row.PullID, diff)
			}
		}
		dumps := dumped(t, s, book)
		if first == nil {
			first = dumps
		} else if diff := cmp.Diff(first, dumps); diff != "" {
			t.Errorf("%s gives other bytes\n%s", order, diff)
		}
	}
}

// A baseline that is computed anew has the pulls computed anew that its loss is
// carried to; and a decision that another replica took is found by the sweep.
func TestCarriedLossFollowsItsBaseline(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
	f := newCarryFleet(t, s, book.At)
	// The baseline's coast-down is a record of its own that comes last.
	raw, err := s.ReadPull(t.Context(), fleet.PullID(f.whole.PullID))
	if err != nil {
		t.Fatal(err)
	}
	cut := *f.whole.CoastDownStart - 0.4
	f.baseline = f.after(1, func(p *fleet.Pull) { p.Label = "cut" }, false)
	pull := f.after(2, nil, false)
	coast, batch := clone(raw, 9, cut, 1e9, func(p *fleet.Pull) {
		p.Kind, p.Label, p.CustomerCar, p.SetUp = fleet.KindCoastDown, "cut", "red coupe", "road tyres"
		p.StartedAt = p.StartedAt.Add(time.Hour)
	}, nil)
	live(t, s, book, func(ctx context.Context, p *pipeline.Pipeline, settle func()) {
		for _, id := range []fleet.PullID{f.baseline, pull} {
			if err := s.Append(ctx, f.batches[id]); err != nil {
				t.Fatal(err)
			}
			p.Stored(id)
		}
		settle()
	})
	carry(t, s, 1, f.baseline, pull) // nobody is told
	live(t, s, book, func(ctx context.Context, p *pipeline.Pipeline, settle func()) {
		await(t, func() bool { return curveOf(t, s, pull).LossAskedFrom == string(f.baseline) })
		settle()
		if got := curveOf(t, s, pull); got.PeakEnginePower != nil || !strings.Contains(got.NoEnginePower, "the loss of pull "+string(f.baseline)+" cannot be carried to this one: the baseline pull has none") {
			t.Errorf("states %v W: %s", got.PeakEnginePower, got.NoEnginePower)
		}
		if err := s.Append(ctx, batch); err != nil {
			t.Fatal(err)
		}
		p.Stored(coast)
		settle()
		if got := curveOf(t, s, pull); got.PeakEnginePower == nil || got.LossCarriedFrom != string(f.baseline) {
			t.Errorf("after the baseline's coast-down came: %v W, %s", got.PeakEnginePower, got.NoEnginePower)
		}
	})
	dumped(t, s, book)
}

// A loss that would be wrong is refused with a sentence that says why.
func TestCarryFits(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	feed(t, s, 1, 1, "fen-1")
	recompute(t, pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil))
	f := newCarryFleet(t, s, book.At)
	fits := f.after(2, nil, false)
	mass := 77.0
	cases := []struct {
		name     string
		from, to fleet.PullID
		says     string
	}{
		{"own coast-down", f.baseline, f.after(3, nil, true), "has a coast-down of its own"},
		{"other tyres", f.baseline, f.after(4, func(p *fleet.Pull) { p.SetUp = "slicks" }, false), `is of "red coupe, set-up slicks", the baseline of "red coupe, set-up road tyres"; a loss is carried for the same car and set-up only`},
		{"other car", f.baseline, f.after(5, func(p *fleet.Pull) { p.CustomerCar = "grey estate" }, false), "a loss is carried for the same car and set-up only"},
		{"no name", f.baseline, f.after(6, func(p *fleet.Pull) { p.CustomerCar = "" }, false), "a car without a name"},
		{"other cell", f.baseline, f.after(7, func(p *fleet.Pull) { p.Cell = "fen-2" }, false), "it is from cell fen-1, and tyres roll otherwise on the rollers of fen-2"},
		{"other mass", f.baseline, f.after(8, func(p *fleet.Pull) { p.RotatingMass = &mass }, false), "gear ratio, tyre radius or rotating masses are others than then"},
		{"earlier", f.baseline, f.after(10, func(p *fleet.Pull) { p.StartedAt = p.StartedAt.AddDate(0, 0, -3) }, false), "a loss is carried to later pulls only"},
		{"baseline without", fits, f.after(11, nil, false), "the baseline pull has none"},
		{"itself", f.baseline, f.baseline, "is the baseline itself"},
		{"unknown", f.baseline, fleet.PullID(strings.Repeat("f", 32)), "there is no pull"},
		{"unknown baseline", fleet.PullID(strings.Repeat("f", 32)), fits, "from_pull_id: there is no pull"},
	}
	p := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	for _, b := range f.batches {
		if err := s.Append(t.Context(), b); err != nil {
			t.Fatal(err)
		}
	}
	recompute(t, p)
	if err := p.CarryFits(t.Context(), f.baseline, []fleet.PullID{fits}); err != nil {
		t.Errorf("a loss that fits is refused: %v", err)
	}
	for _, c := range cases {
		err := p.CarryFits(t.Context(), c.from, []fleet.PullID{fits, c.to})
		if c.from != f.baseline || c.to == f.baseline {
			err = p.CarryFits(t.Context(), c.from, []fleet.PullID{c.to})
		}
		var field *wire.FieldError
		if err == nil || !strings.Contains(err.Error(), c.says) || !errors.As(err, &field) && !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
	}
}
