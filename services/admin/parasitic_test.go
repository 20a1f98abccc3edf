package admin

import (
	"errors"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// A loss is adopted by whoever may, of a coast-down that gives one, with a
// reason; the adoption and its audit line are kept, and the pipeline is told.
func TestAdoptParasitic(t *testing.T) {
	s := storetest.Open(t)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	at := time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)
	now := at.AddDate(0, 0, 20)
	id := func(c string) string { return strings.Repeat(c, 32) }
	number := func(x float64) *float64 { return &x }
	good := store.CoastDownRow{PullID: id("a"), CellID: "fen-1", StartedAt: at, State: store.StateComputed, F0: number(41), F1: number(-0.5), F2: number(0.02), LossU: number(1),
		SpeedLow: number(5), SpeedHigh: number(45), Cov: []float64{1, 0, 0, 1, 0, 1}, RegistryEffectiveAt: at}
	bad := store.CoastDownRow{PullID: id("b"), CellID: "fen-1", StartedAt: at, State: store.StateUnusable, Reason: "the rollers were not coasting", RegistryEffectiveAt: at}
	driving := good
	driving.PullID, driving.F1, driving.F2 = id("c"), number(-3), number(0.03)
	if err := s.WriteCoastDowns(ctx, []store.CoastDownRow{good, bad, driving}); err != nil {
		t.Fatal(err)
	}
	if err := s.ReplaceEpochs(ctx, []store.EpochRow{{CellID: "fen-1", Of: "parasitic loss", Since: at.AddDate(-1, 0, 0), Source: "registry", ValueName: []string{"f0", "f1", "f2"}, Value: []float64{62, 0.9, 0.016}, ValueU: []float64{6, 0, 0}, ValueUnit: []string{"N", "", ""}}}); err != nil {
		t.Fatal(err)
	}
	server := New(s, NewBook(s), func() time.Time { return now }, zap.NewNop())
	told := 0
	server.ParasiticAdopted = func() { told++ }
	req := func(change func(*pb.AdoptParasiticRequest)) *pb.AdoptParasiticRequest {
		r := &pb.AdoptParasiticRequest{PullId: id("a"), Reason: "new bearings", AdoptedBy: "M. Krause"}
		if change != nil {
			change(r)
		}
		return r
	}
	for _, c := range []struct {
		name, field, says string
		change            func(*pb.AdoptParasiticRequest)
	}{
		{"nobody", "adopted_by", "is empty", func(r *pb.AdoptParasiticRequest) { r.AdoptedBy = "" }},
		{"no reason", "reason", "is empty", func(r *pb.AdoptParasiticRequest) { r.Reason = " " }},
		{"no id", "pull_id", "32 hexadecimal digits", func(r *pb.AdoptParasiticRequest) { r.PullId = "x" }},
		{"no loss", "pull_id", "not coasting", func(r *pb.AdoptParasiticRequest) { r.PullId = id("b") }},
		{"rollers that drive", "pull_id", "drive the car", func(r *pb.AdoptParasiticRequest) { r.PullId = id("c") }},
		{"before 2000", "effective_at", "2000", func(r *pb.AdoptParasiticRequest) { r.EffectiveAt = &timestamppb.Timestamp{} }},
		{"tomorrow", "effective_at", "future", func(r *pb.AdoptParasiticRequest) { r.EffectiveAt = timestamppb.New(now.Add(time.Hour)) }},
	} {
		_, err := server.AdoptParasitic(ctx, req(c.change))
		var wrong *wire.FieldError
		if !errors.As(err, &wrong) || wrong.Field != c.field || !strings.Contains(wrong.Reason, c.says) {
			t.Errorf("%s: %v, want %s: …%s…", c.name, err, c.field, c.says)
		}
	}
	if _, err := server.AdoptParasitic(ctx, req(func(r *pb.AdoptParasiticRequest) { r.PullId = id("d") })); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a coast-down that is not there: %v", err)
	}
	if _, err := server.AdoptParasitic(access.NewContext(t.Context(), access.Identity{Person: "T. Vale", Role: access.RoleTechnician}), req(nil)); err == nil {
		t.Error("a technician adopted a loss")
	}
	if rows, err := s.ReadAdoptions(ctx); err != nil || len(rows) != 0 || told != 0 {
		t.Fatalf("what was refused is kept: %+v, %v, told %d times", rows, err, told)
	}

	answer, err := server.AdoptParasitic(ctx, req(nil))
	if err != nil || answer.CellId != "fen-1" || !answer.EffectiveAt.AsTime().Equal(at) || answer.F0N != 41 || answer.F1NSM != -0.5 || answer.F2NS2M2 != 0.02 {
		t.Errorf("answer %v, %v", answer, err)
	}
	if _, err := server.AdoptParasitic(ctx, req(func(r *pb.AdoptParasiticRequest) { r.EffectiveAt = timestamppb.New(at.AddDate(0, 0, 3)) })); err != nil {
		t.Error(err)
	}
	rows, err := s.ReadAdoptions(ctx)
	want := store.AdoptionRow{PullID: id("a"), CellID: "fen-1", EffectiveAt: at, AdoptedAt: now, AdoptedBy: "M. Krause", Reason: "new bearings"}
	if err != nil || len(rows) != 2 || rows[0] != want || !rows[1].EffectiveAt.Equal(at.AddDate(0, 0, 3)) || told != 2 {
		t.Errorf("adoptions %+v, %v, told %d times", rows, err, told)
	}
	audit, err := s.ListAudit(ctx, store.Filter{})
	if err != nil || len(audit) == 0 || audit[0].Who != "M. Krause" || audit[0].What != "parasitic loss adopted" || audit[0].Subject != "cell fen-1" ||
		!strings.Contains(audit[0].Before, "62 N") || !strings.Contains(audit[0].After, "41 N") || !strings.Contains(audit[0].After, "new bearings") {
		t.Errorf("audit %+v, %v", audit, err)
	}
}
