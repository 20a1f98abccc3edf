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
