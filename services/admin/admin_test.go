package admin

import (
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

// A flag that was closed shows closed when CloseFlag answers, and is not closed
// twice: not when it shows closed, and not before either.
func TestCloseFlag(t *testing.T) {
	s := storetest.Open(t)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	opened := time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)
	row := store.FlagRow{FlagID: "f", CellID: "fen-2", Kind: "recalibrate", Open: true, FirstEvidenceAt: opened, OpenedAt: opened, UpdatedAt: opened}
	server := New(s, NewBook(s), func() time.Time { return opened.Add(time.Hour) }, zap.NewNop())
	compared := make(chan error, 1)
	server.FlagClosed = func() {
		// As the pipeline does: some time after.
		go func() {
			time.Sleep(200 * time.Millisecond)
			shut := row
			at := opened.Add(time.Hour)
			shut.Open, shut.ClosedAt = false, &at
			compared <- s.ReplaceFlags(context.WithoutCancel(ctx), []store.FlagRow{shut}, nil)
		}()
	}
	request := &pb.CloseFlagRequest{FlagId: "f", Reason: "load cell replaced", ClosedBy: "M. Krause"}
	open := func() {
		t.Helper()
		if err := s.ReplaceFlags(ctx, []store.FlagRow{row}, nil); err != nil {
			t.Fatal(err)
		}
	}
	refused := func(err error, field, says string) {
		t.Helper()
		var wrong *wire.FieldError
		if !errors.As(err, &wrong) || wrong.Field != field || !strings.Contains(wrong.Reason, says) {
			t.Errorf("error %v, want %s: …%s…", err, field, says)
		}
	}
	open()
	_, err := server.CloseFlag(ctx, &pb.CloseFlagRequest{FlagId: "f", Reason: "x", ClosedBy: " "})
	refused(err, "closed_by", "is empty")
	if _, err := server.CloseFlag(ctx, request); err != nil {
		t.Fatal(err)
	}
	if got, found, err := s.ReadFlag(ctx, "f"); err != nil || !found || got.Open {
		t.Errorf("after CloseFlag: there %v, open %v, error %v", found, got.Open, err)
	}
	if err := <-compared; err != nil {
		t.Fatal(err)
	}
	_, err = server.CloseFlag(ctx, request)
	refused(err, "flag_id", "closed already")

	// The flag does not show it yet, the closing is there.
	open()
	_, err = server.CloseFlag(ctx, request)
	refused(err, "flag_id", "closed already")
	if closings, err := s.ReadClosings(ctx); err != nil || len(closings) != 1 {
		t.Errorf("%d closings, error %v; want the one", len(closings), err)
	}
	// Opened again later, by what came after the closing: another one is wanted.
	row.OpenedAt = opened.Add(2 * time.Hour)
	row.UpdatedAt = row.OpenedAt
	open()
	if _, err := server.CloseFlag(ctx, request); err != nil {
		t.Errorf("a flag that opened anew cannot be closed: %v", err)
	}
	<-compared
}

// Whoever waits no longer still has the closing kept.
func TestCloseFlagDoesNotWaitForEver(t *testing.T) {
	s := storetest.Open(t)
	ctx, cancel := context.WithTimeout(access.NewContext(t.Context(), access.Identity{Loopback: true}), 5*time.Second)
	defer cancel()
	opened := time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)
	if err := s.ReplaceFlags(ctx, []store.FlagRow{{FlagID: "f", CellID: "fen-2", Kind: "drifting", Open: true, FirstEvidenceAt: opened, OpenedAt: opened, UpdatedAt: opened}}, nil); err != nil {
		t.Fatal(err)
	}
	server := New(s, NewBook(s), time.Now, zap.NewNop())
	server.FlagClosed = func() { time.AfterFunc(100*time.Millisecond, cancel) }
	if _, err := server.CloseFlag(ctx, &pb.CloseFlagRequest{FlagId: "f", Reason: "x", ClosedBy: "y"}); err != nil {
		t.Error(err)
	}
	if closings, err := s.ReadClosings(t.Context()); err != nil || len(closings) != 1 {
		t.Errorf("%d closings, error %v; want 1", len(closings), err)
	}
}

// Who has taken a flag on is kept; it stays open, and who may not say so is
// refused.
func TestAcknowledgeFlag(t *testing.T) {
	s := storetest.Open(t)
	opened := time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)
	if err := s.ReplaceFlags(t.Context(), []store.FlagRow{{FlagID: "f", CellID: "fen-2", Kind: "drifting", Open: true, FirstEvidenceAt: opened, OpenedAt: opened, UpdatedAt: opened},
		{FlagID: "shut", CellID: "fen-2", Kind: "drifting", FirstEvidenceAt: opened, OpenedAt: opened, UpdatedAt: opened}}, nil); err != nil {
		t.Fatal(err)
	}
	server := New(s, NewBook(s), func() time.Time { return opened.Add(time.Hour) }, zap.NewNop())
	local := access.NewContext(t.Context(), access.Identity{Loopback: true})
	if r, err := server.AcknowledgeFlag(local, &pb.AcknowledgeFlagRequest{FlagId: "f", Reason: " masses on Monday ", AcknowledgedBy: "J. Dahl"}); err != nil || r.GetAcknowledgedBy() != "J. Dahl" {
		t.Fatalf("%v, %v", r, err)
	}
	// A certificate's name comes before what is said.
	manager := access.NewContext(t.Context(), access.Identity{Person: "M. Krause", Role: access.RoleQualityManager})
	if r, err := server.AcknowledgeFlag(manager, &pb.AcknowledgeFlagRequest{FlagId: "f", Reason: "mine", AcknowledgedBy: "J. Dahl"}); err != nil || r.GetAcknowledgedBy() != "M. Krause" {
		t.Errorf("%v, %v", r, err)
	}
	for name, c := range map[string]struct {
		ctx context.Context
		req *pb.AcknowledgeFlagRequest
	}{
		"a viewer":    {access.NewContext(t.Context(), access.Identity{Person: "V", Role: access.RoleViewer}), &pb.AcknowledgeFlagRequest{FlagId: "f", Reason: "x", AcknowledgedBy: "V"}},
		"no reason":   {local, &pb.AcknowledgeFlagRequest{FlagId: "f", Reason: " ", AcknowledgedBy: "V"}},
		"no name":     {local, &pb.AcknowledgeFlagRequest{FlagId: "f", Reason: "x"}},
		"closed flag": {local, &pb.AcknowledgeFlagRequest{FlagId: "shut", Reason: "x", AcknowledgedBy: "V"}},
		"no flag":     {local, &pb.AcknowledgeFlagRequest{FlagId: "g", Reason: "x", AcknowledgedBy: "V"}},
	} {
		if _, err := server.AcknowledgeFlag(c.ctx, c.req); err == nil {
			t.Errorf("%s is not refused", name)
		}
	}
	rows, err := s.AuditOf(t.Context(), []string{"flag acknowledged"}, []string{"flag f", "flag shut"})
	if err != nil || len(rows) != 2 || rows[0].After == rows[1].After {
		t.Errorf("%v, %v; want the two", rows, err)
	}
	if f, _, err := s.ReadFlag(t.Context(), "f"); err != nil || !f.Open {
		t.Errorf("flag %v, %v", f, err)
	}
}
