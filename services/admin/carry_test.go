package admin

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// A decision on a loss is kept with who, when, before and after, answers when
// the curves show it, and is for all pulls named or none; only a quality manager
// takes it, and under the name of the certificate.
func TestCarryLoss(t *testing.T) {
	s := storetest.Open(t)
	at := time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)
	id := func(n int) string { return fmt.Sprintf("%032x", n) }
	batch := store.Batch{}
	for n := 1; n <= 3; n++ {
		batch.Pulls = append(batch.Pulls, store.FromPull(fleet.Pull{ID: fleet.PullID(id(n)), Cell: "fen-1", Kind: fleet.KindPull, StartedAt: at.Add(time.Duration(n) * time.Hour)}, at))
	}
	if err := s.Append(t.Context(), batch); err != nil {
		t.Fatal(err)
	}
	server := New(s, NewBook(s), func() time.Time { return at }, zap.NewNop())
	var fits error
	server.CarryFits = func(_ context.Context, from fleet.PullID, pulls []fleet.PullID) error {
		if from != fleet.PullID(id(1)) || len(pulls) == 0 {
			t.Errorf("asked whether %s fits %v", from, pulls)
		}
		return fits
	}
	computed := make(chan error, 8)
	server.LossCarried = func(ctx context.Context, pulls []fleet.PullID) error {
		// As the pipeline does: some time after.
		carries, err := s.ReadCarries(ctx)
		if err != nil {
			return err
		}
		go func() {
			time.Sleep(100 * time.Millisecond)
			for _, c := range carries {
				if err := s.WriteCurves(context.WithoutCancel(ctx), []store.CurveRow{{PullID: c.PullID, CellID: "fen-1", Kind: 1, StartedAt: at, RegistryEffectiveAt: at, LossAskedFrom: c.FromPullID}}); err != nil {
					computed <- err
					return
				}
			}
			computed <- nil
		}()
		return nil
	}
	as := func(id access.Identity) context.Context { return access.NewContext(t.Context(), id) }
	manager := as(access.Identity{Person: "Q. Moss", Role: access.RoleQualityManager})
	ask := &pb.CarryLossRequest{FromPullId: id(1), PullIds: []string{id(3), id(2), id(3)}, Reason: " not moved between ", DecidedBy: "somebody else"}

	for _, who := range []access.Identity{{}, {Person: "V", Role: access.RoleViewer}, {Person: "T", Role: access.RoleTechnician}, {Cells: []fleet.CellID{"fen-1"}}} {
		if _, err := server.CarryLoss(as(who), ask); !errors.Is(err, access.ErrDenied) || !strings.Contains(err.Error(), "carry losses") {
			t.Errorf("%s may carry a loss: %v", who, err)
		}
		if _, err := server.UndoCarriedLoss(as(who), &pb.UndoCarriedLossRequest{PullIds: []string{id(2)}, Reason: "x"}); !errors.Is(err, access.ErrDenied) {
			t.Errorf("%s may take one back: %v", who, err)
		}
	}
	refused := func(err error, field, says string) {
		t.Helper()
		var wrong *wire.FieldError
		if !errors.As(err, &wrong) || wrong.Field != field || !strings.Contains(wrong.Reason, says) {
			t.Errorf("error %v, want %s: …%s…", err, field, says)
		}
	}
	for _, c := range []struct {
		ask         *pb.CarryLossRequest
		field, says string
	}{
		{&pb.CarryLossRequest{FromPullId: id(1), PullIds: []string{id(2)}}, "reason", "unchanged"},
		{&pb.CarryLossRequest{FromPullId: id(1), Reason: "x"}, "pull_ids", "names no pull"},
		{&pb.CarryLossRequest{FromPullId: "b", PullIds: []string{id(2)}, Reason: "x"}, "from_pull_id", "32 hexadecimal digits"},
		{&pb.CarryLossRequest{FromPullId: id(1), PullIds: []string{"b"}, Reason: "x"}, "pull_ids", "32 hexadecimal digits"},
		{&pb.CarryLossRequest{FromPullId: id(1), PullIds: make([]string, 101), Reason: "x"}, "pull_ids", "at most 100"},
	} {
		_, err := server.CarryLoss(manager, c.ask)
		refused(err, c.field, c.says)
	}
	if _, err := server.CarryLoss(manager, &pb.CarryLossRequest{FromPullId: id(1), PullIds: []string{id(9)}, Reason: "x"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("an unknown pull: %v", err)
	}
	_, err := server.CarryLoss(as(access.Identity{Loopback: true}), &pb.CarryLossRequest{FromPullId: id(1), PullIds: []string{id(2)}, Reason: "x"})
	refused(err, "decided_by", "say who")
	fits = &wire.FieldError{Field: "pull_ids", Reason: "has a coast-down of its own"}
	_, err = server.CarryLoss(manager, ask)
	refused(err, "pull_ids", "coast-down of its own")
	if rows, err := s.ReadCarries(t.Context()); err != nil || len(rows) != 0 {
		t.Errorf("refused, yet kept: %v, %v", rows, err)
	}

	fits = nil
	answer, err := server.CarryLoss(manager, ask)
	if err != nil {
		t.Fatal(err)
	}
	if answer.DecidedBy != "Q. Moss" || !answer.FromStartedAt.AsTime().Equal(at.Add(time.Hour)) {
		t.Errorf("answer %v", answer)
	}
	for _, n := range []int{2, 3} {
		if row, found, err := s.ReadCurve(t.Context(), fleet.PullID(id(n))); err != nil || !found || row.LossAskedFrom != id(1) {
			t.Errorf("answered before the curve of pull %d shows it", n)
		}
	}
	_, err = server.UndoCarriedLoss(manager, &pb.UndoCarriedLossRequest{PullIds: []string{id(1)}, Reason: "x"})
	refused(err, "pull_ids", "has no carried loss")
	// The clock stands still: the later decision counts all the same.
	if _, err := server.UndoCarriedLoss(manager, &pb.UndoCarriedLossRequest{PullIds: []string{id(2)}, Reason: "tyres were changed"}); err != nil {
		t.Fatal(err)
	}
	rows, err := s.ReadCarries(t.Context())
	if err != nil || len(rows) != 2 || rows[0].FromPullID != "" || rows[1].FromPullID != id(1) || rows[1].DecidedBy != "Q. Moss" || rows[1].Reason != "not moved between" {
		t.Errorf("latest decisions %+v, %v", rows, err)
	}
	audit, err := s.ListAudit(t.Context(), store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, a := range audit {
		lines = append(lines, strings.Join([]string{a.Who, a.What, a.Subject, a.Before, a.After}, " | "))
	}
	said := strings.Join(lines, "\n")
	for _, want := range []string{
		"Q. Moss | loss carried | pull " + id(2) + " | no carried loss | loss of pull " + id(1) + ": not moved between",
		"Q. Moss | carried loss taken back | pull " + id(2) + " | loss of pull " + id(1) + " | no carried loss: tyres were changed",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the audit has no %q:\n%s", want, said)
		}
	}
	for range 2 {
		if err := <-computed; err != nil {
			t.Error(err)
		}
	}
}
