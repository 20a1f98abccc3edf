package query

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

// versions is a registry that changes at given times.
type versions struct {
	at  []time.Time
	all []fleet.Registry
}

func (v versions) Turns() []time.Time { return v.at }
func (v versions) At(t time.Time) fleet.Registry {
	var r fleet.Registry
	for i, at := range v.at {
		if !at.After(t) {
			r = v.all[i]
		}
	}
	return r
}

var viewed = time.Date(2026, 6, 29, 9, 30, 0, 0, time.UTC)

func viewServer(t *testing.T) (*Server, *store.Store, context.Context) {
	s := storetest.Open(t)
	registry := func(arm, radius float64) fleet.Registry {
		return fleet.Registry{
			Sites: map[fleet.SiteID]fleet.Site{"fen": {ID: "fen", Name: "Fenwater", Zone: "Europe/London"}},
			Cells: map[fleet.CellID]fleet.Cell{"fen-1": {ID: "fen-1", Site: "fen", LeverArm: arm, RollerRadius: radius, Tolerance: 0.01}, "fen-2": {ID: "fen-2", Site: "fen"}},
			Cars:  map[fleet.CarID]fleet.Car{"hazel": {ID: "hazel", Name: "Hazel"}, "alder": {ID: "alder"}},
		}
	}
	r := versions{at: []time.Time{viewed.AddDate(0, -3, 0), viewed.AddDate(0, -2, 0), viewed.AddDate(0, -1, 0)}, all: []fleet.Registry{registry(0.5, 0.3), registry(0.5, 0.3), registry(0.501, 0.3)}}
	return New(s, r, func() time.Time { return viewed }), s, access.NewContext(t.Context(), access.Identity{Loopback: true})
}

// A reference car stands where its newest estimate says, with all of them in
// order of time when it is asked for.
func TestListCars(t *testing.T) {
	server, s, ctx := viewServer(t)
	var rows []store.CarEstimateRow
	for i, change := range []float64{0.001, -0.004, -0.0153} {
		rows = append(rows, store.CarEstimateRow{CarID: "hazel", At: viewed.AddDate(0, 0, -21+7*i), RunID: strings.Repeat("a", 31) + string(rune('0'+i)), CellID: "fen-1", Change: change, ChangeU: 0.005, Since: viewed.AddDate(0, -2, 0), Runs: uint32(i + 1)})
	}
	if err := s.ReplaceCarEstimates(ctx, rows); err != nil {
		t.Fatal(err)
	}
	if err := s.ReplaceFlags(ctx, []store.FlagRow{{FlagID: "c", CarID: "hazel", Kind: "reference car", Open: true, OpenedAt: viewed, FirstEvidenceAt: viewed, UpdatedAt: viewed}}, nil); err != nil {
		t.Fatal(err)
	}
	all, err := server.ListCars(ctx, &pb.ListCarsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(all.Cars) != 2 || all.Cars[0].CarId != "alder" || all.Cars[0].Change != nil || all.Cars[1].GetChange() != -0.0153 || all.Cars[1].FlagId != "c" || len(all.Cars[1].History) != 0 {
		t.Errorf("cars %v", all.Cars)
	}
	one, err := server.ListCars(ctx, &pb.ListCarsRequest{CarId: "hazel"})
	if err != nil {
		t.Fatal(err)
	}
	if len(one.Cars) != 1 || len(one.Cars[0].History) != 3 || one.Cars[0].History[0].Change != 0.001 || one.Cars[0].History[2].Change != -0.0153 {
		t.Errorf("history %v", one.Cars)
	}
	if _, err := server.ListCars(ctx, &pb.ListCarsRequest{CarId: "birch"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("unknown car: %v", err)
	}
}

// Only moments at which the cell itself changed are its geometry's.
func TestListGeometries(t *testing.T) {
	server, _, ctx := viewServer(t)
	g, err := server.ListGeometries(ctx, &pb.ListGeometriesRequest{CellId: "fen-1"})
	if err != nil {
		t.Fatal(err)
	}
	if len(g.Geometries) != 2 || g.Geometries[0].LeverArmM != 0.501 || !slices.Equal(g.Geometries[0].Changed, []string{"lever arm"}) || len(g.Geometries[1].Changed) != 0 || !g.Geometries[1].Since.AsTime().Equal(viewed.AddDate(0, -3, 0)) {
		t.Errorf("%v", g.Geometries)
	}
	if _, err := server.ListGeometries(ctx, &pb.ListGeometriesRequest{CellId: "fen-9"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("unknown cell: %v", err)
	}
}

// blocksOf are two blocks of a channel at 100 Hz: a ramp with one spike.
func blocksOf(id string) []store.BlockRow {
	var out []store.BlockRow
	for k := range 2 {
		values := make([]float64, 500)
		for i := range values {
			values[i] = float64(500*k + i)
		}
		if k == 1 {
			values[137] = 1e6
		}
		out = append(out, store.BlockRow{PullID: id, CellID: "fen-1", Channel: "load_cell", BlockIndex: uint32(k), Start: 5 * float64(k), Step: 0.01, Values: values, SampleCount: 500})
	}
	return out
}

// Thinned traces keep every peak; a span has the samples in it and no others.
func TestGetTraces(t *testing.T) {
	server, s, ctx := viewServer(t)
	id := strings.Repeat("1", 32)
	if err := s.Append(ctx, store.Batch{Pulls: []store.PullRow{{PullID: id, CellID: "fen-1", Kind: uint8(fleet.KindPull), StartedAt: viewed.Add(-time.Minute), ReceivedAt: viewed, Header: map[string]string{}}}, Blocks: blocksOf(id)}); err != nil {
		t.Fatal(err)
	}
	all, err := server.GetTraces(ctx, &pb.GetTracesRequest{PullId: id, Most: 50})
	if err != nil {
		t.Fatal(err)
	}
	tr := all.Traces[0]
	if len(all.Traces) != 1 || tr.Samples != 1000 || !tr.Thinned || len(tr.Value) > 54 || slices.Max(tr.Value) != 1e6 || tr.Value[0] != 0 || tr.TimeS[len(tr.TimeS)-1] != 9.99 || !slices.IsSorted(tr.TimeS) || tr.Unit != "N" {
		t.Errorf("%d samples, %d kept, thinned %v", tr.Samples, len(tr.Value), tr.Thinned)
	}
	part, err := server.GetTraces(ctx, &pb.GetTracesRequest{PullId: id, Channels: []string{"load_cell"}, FromS: 4.995, UntilS: 5.025})
	if err != nil {
		t.Fatal(err)
	}
	if got := part.Traces[0]; got.Thinned || !slices.Equal(got.Value, []float64{500, 501, 502}) {
		t.Errorf("span %v", got)
	}
	for says, req := range map[string]*pb.GetTracesRequest{
		"not after":          {PullId: id, FromS: 5, UntilS: 5},
		"among the pull's":   {PullId: id, Channels: []string{"boost"}},
		"form of a pull's":   {PullId: "x"},
		"of seconds":         {PullId: id, FromS: nan(), UntilS: 3},
		"store: not found …": {PullId: strings.Repeat("2", 32)},
	} {
		_, err := server.GetTraces(ctx, req)
		var wrong *wire.FieldError
		switch {
		case errors.Is(err, store.ErrNotFound) && strings.Contains(says, "not found"):
		case !errors.As(err, &wrong) || !strings.Contains(wrong.Reason, says):
			t.Errorf("%v, want %q", err, says)
		}
	}
}

func nan() float64 { x := 0.0; return x / x }

// A pull is under way from its announcement until it is computed, with what came
// of it; an old one is not.
func TestListUnderWay(t *testing.T) {
	server, s, ctx := viewServer(t)
	pull := func(id string, received time.Time) store.PullRow {
		return store.PullRow{PullID: id, CellID: "fen-1", Kind: uint8(fleet.KindPull), CarID: "hazel", StartedAt: received.Add(-10 * time.Second), ReceivedAt: received, Header: map[string]string{}}
	}
	running, ended, done, old := strings.Repeat("1", 32), strings.Repeat("2", 32), strings.Repeat("3", 32), strings.Repeat("4", 32)
	batch := store.Batch{Pulls: []store.PullRow{pull(running, viewed.Add(-5*time.Second)), pull(ended, viewed.Add(-20*time.Second)), pull(done, viewed.Add(-30*time.Second)), pull(old, viewed.Add(-time.Hour))},
		Blocks: blocksOf(running), Ends: []store.PullEndRow{{PullID: ended, CellID: "fen-1", ReceivedAt: viewed}}}
	if err := s.Append(ctx, batch); err != nil {
		t.Fatal(err)
	}
	if err := s.WriteCurves(ctx, []store.CurveRow{{PullID: done, CellID: "fen-1", Kind: uint8(fleet.KindPull), StartedAt: viewed.Add(-40 * time.Second), State: store.StateUnusable}}); err != nil {
		t.Fatal(err)
	}
	got, err := server.ListUnderWay(ctx, &pb.ListUnderWayRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Pulls) != 2 || got.Pulls[0].PullId != running || got.Pulls[1].PullId != ended {
		t.Fatalf("%v", got.Pulls)
	}
	if p := got.Pulls[0]; p.Blocks != 2 || p.Samples != 1000 || p.RecordedS != 10 || p.Ended || p.Kind != "pull" || p.CarId != "hazel" {
		t.Errorf("%v", p)
	}
	if p := got.Pulls[1]; p.Blocks != 0 || !p.Ended {
		t.Errorf("%v", p)
	}
}

// What people did about a flag is its history.
func TestFlagHistory(t *testing.T) {
	server, s, ctx := viewServer(t)
	if err := s.ReplaceFlags(ctx, []store.FlagRow{{FlagID: "f", CellID: "fen-1", Kind: "drifting", Open: true, OpenedAt: viewed, FirstEvidenceAt: viewed, UpdatedAt: viewed}}, nil); err != nil {
		t.Fatal(err)
	}
	deed := func(hours int, who, what, subject, reason string) store.AuditRow {
		return store.AuditRow{At: viewed.Add(time.Duration(hours) * time.Hour), Who: who, What: what, Subject: subject, After: reason}
	}
	if err := s.AppendAudit(ctx, []store.AuditRow{deed(2, "J. Dahl", "flag acknowledged", "flag f", "masses on Monday"), deed(1, "M. Krause", "flag acknowledged", "flag f", "mine"), deed(3, "x", "flag closed", "flag g", "y"), deed(1, "x", "recomputed", "flag f", "y")}); err != nil {
		t.Fatal(err)
	}
	r, err := server.ListFlags(ctx, &pb.ListFlagsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	f := r.Flags[0]
	if len(f.History) != 2 || f.History[0].By != "M. Krause" || f.History[1].Reason != "masses on Monday" || f.AcknowledgedBy != "J. Dahl" || !f.AcknowledgedAt.AsTime().Equal(viewed.Add(2*time.Hour)) {
		t.Errorf("%v", f)
	}
}
