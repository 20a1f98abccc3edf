package pipeline_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/compute/flag"
	"rollcall/services/pipeline"
	"rollcall/services/query"
	"rollcall/services/store/storetest"
)

// The demo's first weeks, of three sites: the fleet model is fitted to what the
// pipeline knows, and a plan made of it, through the service.
func TestRotationOfTheDemo(t *testing.T) {
	s := storetest.Open(t)
	book := newBook(t, s)
	computing := pipeline.New(pipeline.DefaultConfig(), s, book, zaptest.NewLogger(t), nil)
	server := query.New(s, book, time.Now)
	server.State = computing.State
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	if _, err := server.PlanRotation(ctx, &pb.PlanRotationRequest{}); err == nil || !strings.Contains(err.Error(), "no reference run yet") {
		t.Errorf("an empty fleet: %v", err)
	}

	feed(t, s, 1, 6, "fen-1", "mil-1", "rid-1")
	recompute(t, computing)
	h, err := computing.History(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	runs, err := s.DumpComputed(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range runs {
		if d.Table == "reference_runs" && int(d.Rows) != len(h.Runs) {
			t.Errorf("%d runs in the history, %d stored", len(h.Runs), d.Rows)
		}
	}
	if len(h.Runs) == 0 || len(h.Observations) == 0 {
		t.Fatalf("%d runs, %d observations", len(h.Runs), len(h.Observations))
	}
	// The demo's cars log their engine speed: every run has ratios, and no cell's
	// differs from the others' beyond what tyres do.
	for _, r := range h.Runs {
		if len(r.Ratios) < len(r.Pulls) {
			t.Errorf("run of %s on %s: %d ratios of %d pulls", r.Car, r.Cell, len(r.Ratios), len(r.Pulls))
		}
	}
	speeds := flag.CompareSpeeds(h.Runs)
	for _, x := range speeds {
		if math.Abs(x.Level) > 4*x.ULevel || math.Abs(x.Rise) > 4*x.URise {
			t.Errorf("%s on %s: level %g ± %g, rise %g ± %g", x.Car, x.Cell, x.Level, 2*x.ULevel, x.Rise, 2*x.URise)
		}
	}
	if len(speeds) == 0 {
		t.Error("no run's ratio is compared")
	}
	state, err := computing.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	fit := state.Fit

	seen := map[string]bool{}
	for _, r := range h.Runs {
		seen[string(r.Car)] = true
	}
	request := &pb.PlanRotationRequest{Weeks: 3, From: timestamppb.New(fit.At.Add(24 * time.Hour))}
	for id := range book.At(fit.At).Cars {
		if !seen[string(id)] {
			request.WithoutCarIds = append(request.WithoutCarIds, string(id))
		}
	}
	if len(request.WithoutCarIds) > 0 {
		without := request.WithoutCarIds
		request.WithoutCarIds = nil
		if _, err := server.PlanRotation(ctx, request); err == nil || !strings.Contains(err.Error(), "have not run yet") {
			t.Errorf("a car that is nowhere: %v", err)
		}
		request.WithoutCarIds = without
	}
	// The sites without a run are closed: three remain.
	for id := range book.At(fit.At).Cells {
		if id != "fen-1" && id != "mil-1" && id != "rid-1" {
			request.Closed = append(request.Closed, &pb.CellWeeks{CellId: string(id)})
		}
	}
	answer, err := server.PlanRotation(ctx, request)
	if err != nil {
		t.Fatal(err)
	}
	t.Log(strings.Join(answer.Why, "\n"), answer.Travel)
	plan, stays := answer.Plan, answer.Stays
	if len(plan.Cells) != 3 || plan.LargestExpandedUncertainty > stays.LargestExpandedUncertainty || !(plan.LargestExpandedUncertainty > 0) {
		t.Errorf("plan %v ± %g, stays ± %g", plan.Cells, plan.LargestExpandedUncertainty, stays.LargestExpandedUncertainty)
	}
	if len(plan.Stops) != 3*len(seen) || answer.CostUnit != "km" || !strings.Contains(answer.Travel, "great circles") {
		t.Errorf("%d stops of %d cars, %q, %q", len(plan.Stops), len(seen), answer.CostUnit, answer.Travel)
	}

	for want, spoil := range map[string]func(*pb.PlanRotationRequest){
		"is before the last run or check": func(r *pb.PlanRotationRequest) { r.From = timestamppb.New(fit.At.Add(-time.Hour)) },
		"not in the registry":             func(r *pb.PlanRotationRequest) { r.StayCarIds = []string{"nobody"} },
		"puts reference car": func(r *pb.PlanRotationRequest) {
			r.Places = []*pb.CarPlace{{CarId: string(h.Runs[0].Car), SiteId: "moon"}}
		},
		"the weeks are 1 to 3": func(r *pb.PlanRotationRequest) {
			r.Closed = append(r.Closed, &pb.CellWeeks{CellId: "fen-1", Weeks: []uint32{9}})
		},
		"is not given: give it in EUR": func(r *pb.PlanRotationRequest) {
			r.CostUnit = "EUR"
			r.Travel = []*pb.TravelCost{{SiteId: "fen", OtherSiteId: "mil", Cost: 3}}
		},
	} {
		bad := &pb.PlanRotationRequest{Weeks: 3, From: request.From, WithoutCarIds: request.WithoutCarIds, Closed: request.Closed[:len(request.Closed):len(request.Closed)]}
		spoil(bad)
		if _, err := server.PlanRotation(ctx, bad); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}
