package pipeline_test

import (
	"errors"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/store/storetest"
)

// The demo's first weeks, of three sites, through the service: degrees of
// equivalence are those of the fleet as the pipeline last compared it, a copy that
// stays as it was while the fleet is compared anew.
func TestEquivalenceOfTheDemo(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	computing := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	server := query.New(s, book, time.Now)
	server.State = computing.State
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	if _, err := server.ListEquivalences(ctx, &pb.ListEquivalencesRequest{}); err == nil || !strings.Contains(err.Error(), "no reference run yet") {
		t.Errorf("an empty fleet: %v", err)
	}
	if _, err := computing.State(t.Context()); !errors.Is(err, fleetstate.ErrNoRuns) {
		t.Errorf("the state of an empty fleet: %v", err)
	}

	feed(t, s, 1, 5, "fen-1", "mil-1", "rid-1")
	recompute(t, computing)
	all, err := server.ListEquivalences(ctx, &pb.ListEquivalencesRequest{Pairs: true})
	if err != nil {
		t.Fatal(err)
	}
	cells := len(book.At(time.Now()).Cells)
	if len(all.Equivalences) != cells || len(all.Pairs) != cells*(cells-1)/2 {
		t.Fatalf("%d equivalences, %d pairs of %d cells", len(all.Equivalences), len(all.Pairs), cells)
	}
	if c := all.Consensus; c.Cells != 3 || !(c.ExpandedUncertainty > 0) || c.MostMoved == nil || !(c.GetMostMoved() > 0) {
		t.Errorf("consensus %v", c)
	}
	byCell := map[string]*pb.Equivalence{}
	weight := 0.0
	for _, e := range all.Equivalences {
		byCell[e.CellId] = e
		weight += e.Weight
		ran := e.CellId == "fen-1" || e.CellId == "mil-1" || e.CellId == "rid-1"
		switch {
		case !ran && (e.Offset != nil || e.EN != nil || e.Verdict != "" || !strings.Contains(e.NotSeparable, "bring a reference car to it")):
			t.Errorf("a cell without a run: %v", e)
		case ran && (e.Offset == nil || e.NotSeparable != "" || e.LastRunAt == nil):
			t.Errorf("a cell with runs: %v", e)
		case ran:
			if math.Abs(e.GetEN()-e.GetOffset()/e.GetExpandedUncertainty()) > 1e-12 || (e.Verdict == "satisfactory") != gum.Satisfactory(e.GetEN()) {
				t.Errorf("E_n of %v", e)
			}
		}
	}
	if math.Abs(weight-1) > 1e-9 {
		t.Errorf("weights add up to %g", weight)
	}
	figures := 0
	for _, p := range all.Pairs {
		if p.Difference == nil {
			if p.NotSeparable == "" {
				t.Errorf("pair without figure or word: %v", p)
			}
			continue
		}
		figures++
		a, b := byCell[p.CellId], byCell[p.OtherCellId]
		if math.Abs(p.GetDifference()-(a.GetOffset()-b.GetOffset())) > 1e-12 || !(p.GetExpandedUncertainty() > 0) {
			t.Errorf("pair %v of %v and %v", p, a, b)
		}
	}
	if figures != 3 {
		t.Errorf("%d pairs have figures, 3 are of cells with runs", figures)
	}

	// One cell against all, and a site: the same figures.
	one, err := server.ListEquivalences(ctx, &pb.ListEquivalencesRequest{Filter: &pb.Filter{CellId: "mil-1"}, Pairs: true})
	if err != nil || len(one.Equivalences) != 1 || len(one.Pairs) != cells-1 {
		t.Fatalf("one cell: %v, %v", one, err)
	}
	for _, p := range one.Pairs {
		if p.Difference == nil {
			continue
		}
		for _, q := range all.Pairs {
			sign := 1.0
			if q.OtherCellId == "mil-1" {
				sign = -1
			}
			if (q.CellId == "mil-1" && q.OtherCellId == p.OtherCellId || q.OtherCellId == "mil-1" && q.CellId == p.OtherCellId) && math.Abs(p.GetDifference()-sign*q.GetDifference()) > 1e-9 {
				t.Errorf("%v against %v", p, q)
			}
		}
	}
	site, err := server.ListEquivalences(ctx, &pb.ListEquivalencesRequest{Filter: &pb.Filter{SiteId: "fen"}})
	if err != nil || len(site.Equivalences) == 0 || len(site.Equivalences) == cells || len(site.Pairs) != 0 {
		t.Errorf("a site: %v, %v", site, err)
	}
	if _, err := server.ListEquivalences(ctx, &pb.ListEquivalencesRequest{Filter: &pb.Filter{CellId: "moon"}}); err == nil || !strings.Contains(err.Error(), `"moon" is not in the registry`) {
		t.Errorf("a cell that is none: %v", err)
	}

	// Where the cars go next, in sentences.
	state, err := computing.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for car := range state.Places {
		began := time.Now()
		next, err := server.NextOf(ctx, string(car))
		if err != nil || len(next) != 4 || !strings.Contains(next[0], "Week 1, from ") || !strings.Contains(next[0], "run on ") {
			t.Errorf("next of %s: %q, %v", car, next, err)
		}
		t.Log(time.Since(began), next)
	}
	if next, err := server.NextOf(ctx, "nobody"); err != nil || next != nil {
		t.Errorf("next of nobody: %q, %v", next, err)
	}

	// What was lent stays while the fleet is compared anew.
	before, ok := state.Fit.Equivalence("mil-1", state.Fit.At)
	if !ok {
		t.Fatal("mil-1 is not known")
	}
	var readers sync.WaitGroup
	done := make(chan struct{})
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-done:
					return
				default:
				}
				if s, err := computing.State(t.Context()); err != nil || len(s.Places) == 0 {
					// Recompute forgets first.
					if !errors.Is(err, fleetstate.ErrNoRuns) && !errors.Is(err, pipeline.ErrNotCompared) {
						t.Errorf("while the fleet is compared: %v", err)
						return
					}
				} else {
					s.Fit.Pairs([]fleet.CellID{"fen-1", "mil-1", "rid-1"}, s.Fit.At)
				}
				time.Sleep(time.Millisecond)
			}
		})
	}
	feed(t, s, 6, 6, "fen-1", "mil-1", "rid-1")
	recompute(t, computing)
	close(done)
	readers.Wait()
	if after, _ := state.Fit.Equivalence("mil-1", state.Fit.At); after != before {
		t.Errorf("a copy changed from %v to %v", before, after)
	}
	now, err := computing.State(t.Context())
	if err != nil || !now.Fit.At.After(state.Fit.At) {
		t.Errorf("after another week: %v, %v", now.Fit, err)
	}
}
