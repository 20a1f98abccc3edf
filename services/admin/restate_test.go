package admin

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

func number(x float64) *float64 { return &x }

// restating is a server with flag f on a cell, which touches two pulls, flag car on
// a reference car, flag late for a check and flag free that touches none.
func restating(t *testing.T) (*Server, *store.Store) {
	t.Helper()
	s := storetest.Open(t)
	opened := time.Date(2026, 8, 18, 8, 50, 0, 0, time.UTC)
	flag := func(id, cell, car, kind string) store.FlagRow {
		return store.FlagRow{FlagID: id, CellID: cell, CarID: car, Kind: kind, Open: true, FirstEvidenceAt: opened, OpenedAt: opened, UpdatedAt: opened}
	}
	f := flag("f", "fen-2", "", "recalibrate")
	f.SetCauses([]store.CauseRow{{Fault: "load-cell gain", Probability: 0.97, Size: 0.02, SizeU: 0.002, Unit: "ratio"}})
	touched := func(id string, size *float64) store.TouchedRow {
		r := store.TouchedRow{FlagID: "f", PullID: id, StartedAt: opened, CellID: "fen-2", CustomerCar: "van", Effect: 0.015, EffectU: 0.003, Size: size}
		if size != nil {
			r.Fault, r.SizeU, r.SizeUnit, r.SizeFrom = "load-cell gain", number(0.002), "ratio", "checks"
		}
		return r
	}
	err := s.ReplaceFlags(t.Context(), []store.FlagRow{f, flag("car", "", "hazel", "reference car"), flag("late", "fen-2", "", "check overdue"), flag("free", "fen-1", "", "drifting")},
		[]store.TouchedRow{touched("p1", number(0.02)), touched("p2", number(0.02)), touched("p3", nil)})
	if err != nil {
		t.Fatal(err)
	}
	at := opened
	server := New(s, NewBook(s), func() time.Time { return at }, zap.NewNop()) // the clock stands
	server.Restate = func(_ context.Context, touched []store.TouchedRow) ([]store.RestatedRow, error) {
		var out []store.RestatedRow
		for _, r := range touched {
			row := store.RestatedRow{FlagID: r.FlagID, PullID: r.PullID, StartedAt: r.StartedAt, CellID: r.CellID, Restated: true, Way: "by cause", Size: r.Size, CodeVersion: "7",
				Figure: []string{"wheel power", "wheel power"}, FigureOf: []string{"peak", "band mean"}, Unit: []string{"W", "W"}, Stated: []float64{200e3, 150e3}, StatedU: []float64{900, 800},
				RestatedValue: []*float64{number(197e3), nil}, RestatedU: []*float64{number(950), nil}, Difference: []*float64{number(-3e3), nil}, DifferenceU: []*float64{number(300), nil}}
			switch r.PullID {
			case "p2":
				row.Restated, row.Note, row.RestatedValue = false, "not restated: it is not whole", []*float64{nil, nil}
			case "p3":
				row.Way = "by effect"
			}
			out = append(out, row)
		}
		return out, nil
	}
	return server, s
}

func refuse(t *testing.T, err error, field, says string) {
	t.Helper()
	var wrong *wire.FieldError
	if !errors.As(err, &wrong) || wrong.Field != field || !strings.Contains(wrong.Reason, says) {
		t.Errorf("error %v, want %s: …%s…", err, field, says)
	}
}

// A restatement is kept with who, why and both values; another is a new version that
// names the old one; taking back is one too. The audit has a line of each for the
// flag and, where pulls were restated, for every pull. Nothing is overwritten.
func TestRestateFlag(t *testing.T) {
	server, s := restating(t)
	ctx := access.NewContext(t.Context(), access.Identity{Loopback: true})
	undo := func(reason string) (*pb.UndoRestatementResponse, error) {
		return server.UndoRestatement(ctx, &pb.UndoRestatementRequest{FlagId: "f", Reason: reason, RestatedBy: "M. Krause"})
	}
	_, err := undo("too early")
	refuse(t, err, "flag_id", "nothing to take back")
	var acts []*pb.Restatement
	for _, reason := range []string{"gain found 2 % high", "looked at again"} {
		a, err := server.RestateFlag(ctx, &pb.RestateFlagRequest{FlagId: "f", Reason: " " + reason + " ", RestatedBy: "M. Krause"})
		if err != nil || a.Pending || a.RestatedBy != "M. Krause" {
			t.Fatalf("%v, %v", a, err)
		}
		acts = append(acts, a.Restatement)
	}
	u, err := undo("the masses were wrong")
	if err != nil {
		t.Fatal(err)
	}
	acts = append(acts, u.Restatement)
	_, err = undo("again")
	refuse(t, err, "flag_id", "taken back already")
	for i, a := range acts {
		replaces := ""
		if i > 0 {
			replaces = acts[i-1].RestatementId
		}
		if a.Version != uint32(i+1) || a.Replaces != replaces || a.TakenBack != (i == 2) || len(a.RestatementId) != 32 || !a.TakenBack && (a.Pulls != 3 || a.Kept != 1 || a.CodeVersion != "7") {
			t.Errorf("act %d: %v", i, a)
		}
	}
	all, err := s.ReadRestatements(ctx)
	rows := all["f"]
	if err != nil || len(rows) != 3 || rows[0].Reason != "gain found 2 % high" || rows[1].Replaces != rows[0].RestatementID || !rows[2].TakenBack || !rows[2].RestatedAt.After(rows[1].RestatedAt) {
		t.Fatalf("%+v, %v", rows, err)
	}
	if _, ok := store.InForce(rows); ok {
		t.Error("one counts although it was taken back")
	}
	if a, ok := store.InForce(rows[:2]); !ok || a.RestatementID != acts[1].RestatementId {
		t.Errorf("in force: %+v", a)
	}
	pulls, err := s.ReadRestated(ctx, []string{acts[0].RestatementId, acts[1].RestatementId})
	if err != nil || len(pulls[acts[0].RestatementId]) != 3 || len(pulls[acts[1].RestatementId]) != 3 {
		t.Fatalf("%v, %v", pulls, err)
	}
	first := pulls[acts[0].RestatementId]
	if p := first[0]; p.Cause != "load-cell gain" || p.CauseProbability != 0.97 || p.Stated[0] != 200e3 || *p.RestatedValue[0] != 197e3 || p.DifferenceU[1] != nil {
		t.Errorf("%+v", p)
	}
	if p := first[2]; p.Note != "the cause, load-cell gain, is not an error of a value of the cell whose size is known" {
		t.Errorf("why by effect: %q", p.Note)
	}
	if of, err := s.ReadRestatedOf(ctx, "p1"); err != nil || len(of) != 2 {
		t.Errorf("of one pull: %d, %v", len(of), err)
	}
	audit, err := s.ListAudit(ctx, store.Filter{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	lines := map[string]int{}
	for _, a := range audit {
		lines[a.What+" "+a.Subject]++
		switch {
		case a.Who != "M. Krause":
			t.Errorf("%+v", a)
		case a.Subject == "pull p1" && (a.Before != "wheel power 200000 ± 9e+02 W" || !strings.Contains(a.After, "by flag f: by cause, wheel power 197000 ± 9.5e+02 W")):
			t.Errorf("%+v", a)
		case a.Subject == "pull p2" && !strings.HasSuffix(a.After, "not restated: it is not whole"):
			t.Errorf("%+v", a)
		case a.What == "restatement taken back" && (!strings.Contains(a.Before, acts[1].RestatementId) || a.After != "the masses were wrong"):
			t.Errorf("%+v", a)
		}
	}
	want := map[string]int{"flag restated flag f": 2, "restatement taken back flag f": 1, "pull restated pull p1": 2, "pull restated pull p2": 2, "pull restated pull p3": 2}
	if diff := cmp.Diff(want, lines); diff != "" {
		t.Errorf("audit:\n%s", diff)
	}
}

func TestRestateFlagRefuses(t *testing.T) {
	server, s := restating(t)
	loopback := access.NewContext(t.Context(), access.Identity{Loopback: true})
	for _, c := range []struct{ flag, by, reason, field, says string }{
		{"car", "M. Krause", "x", "flag_id", "reference car hazel: the car changed, no cell did"},
		{"late", "M. Krause", "x", "flag_id", "a check of cell fen-2 is late; it touches no pull"},
		{"free", "M. Krause", "x", "flag_id", "touches no customer pull"},
		{"f", " ", "x", "restated_by", "is empty"},
		{"f", "M. Krause", " ", "reason", "is empty"},
	} {
		_, err := server.RestateFlag(loopback, &pb.RestateFlagRequest{FlagId: c.flag, RestatedBy: c.by, Reason: c.reason})
		refuse(t, err, c.field, c.says)
	}
	if _, err := server.RestateFlag(loopback, &pb.RestateFlagRequest{FlagId: "nowhere", RestatedBy: "a", Reason: "b"}); !errors.Is(err, store.ErrNotFound) || !strings.Contains(err.Error(), `flag "nowhere"`) {
		t.Errorf("unknown flag: %v", err)
	}
	if _, err := server.UndoRestatement(loopback, &pb.UndoRestatementRequest{FlagId: "nowhere", RestatedBy: "a", Reason: "b"}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("unknown flag: %v", err)
	}
	cell := access.NewContext(t.Context(), access.Identity{Cells: []fleet.CellID{"fen-2"}})
	if _, err := server.RestateFlag(cell, &pb.RestateFlagRequest{FlagId: "f", RestatedBy: "a", Reason: "b"}); err == nil {
		t.Error("a cell may restate")
	}
	if acts, err := s.ReadRestatements(loopback); err != nil || len(acts) != 0 {
		t.Errorf("kept: %v, %v", acts, err)
	}
}

// What takes long is answered as pending, is not begun twice, and is kept when it
// is done although whoever asked has gone.
func TestRestateFlagTakesItsTime(t *testing.T) {
	server, s := restating(t)
	compute, gate := server.Restate, make(chan struct{})
	server.Restate = func(ctx context.Context, touched []store.TouchedRow) ([]store.RestatedRow, error) {
		<-gate
		return compute(ctx, touched)
	}
	server.restateWait = 10 * time.Millisecond
	ctx, cancel := context.WithCancel(access.NewContext(t.Context(), access.Identity{Loopback: true}))
	request := &pb.RestateFlagRequest{FlagId: "f", RestatedBy: "M. Krause", Reason: "x"}
	if a, err := server.RestateFlag(ctx, request); err != nil || !a.Pending || a.Restatement != nil {
		t.Fatalf("%v, %v", a, err)
	}
	_, err := server.RestateFlag(ctx, request)
	refuse(t, err, "flag_id", "being restated just now")
	cancel()
	close(gate)
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		acts, err := s.ReadRestatements(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if len(acts["f"]) == 1 && server.beginRestating("f") {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("nothing was kept")
		}
	}
}
