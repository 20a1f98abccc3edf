package store_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// Lists show the newest version of a row, whichever version fits what was asked
// for, and each row once however often it was written.
func TestListsShowTheNewestVersion(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	// The second version of r1 begins a week later: it is no longer of the first days.
	run := func(id string, at time.Time, pulls ...string) store.RunRow {
		return store.RunRow{RunID: id, CellID: "c1", CarID: "k1", StartedAt: at, PullIDs: pulls, LeftOutIDs: []string{"x"}, LeftOutReasons: []string{"slip"}}
	}
	for _, rows := range [][]store.RunRow{{run("r1", day(0), "p1"), run("r2", day(1), "p2", "p3")}, {run("r1", day(7), "p1", "p4")}} {
		if err := s.WriteRuns(ctx, rows); err != nil {
			t.Fatal(err)
		}
	}
	head := func(id string, at time.Time, used uint64) store.RunHead {
		return store.RunHead{RunID: id, CellID: "c1", CarID: "k1", StartedAt: at, Used: used, LeftOut: 1, LeftOutReasons: []string{"slip"}}
	}
	for name, c := range map[string]struct {
		filter store.Filter
		want   []store.RunHead
	}{
		"all":            {store.Filter{}, []store.RunHead{head("r1", day(7), 2), head("r2", day(1), 2)}},
		"the first days": {store.Filter{Until: day(3)}, []store.RunHead{head("r2", day(1), 2)}},
		"later":          {store.Filter{From: day(3)}, []store.RunHead{head("r1", day(7), 2)}},
		"newest":         {store.Filter{Limit: 1}, []store.RunHead{head("r1", day(7), 2)}},
		"another car":    {store.Filter{Car: "k2"}, nil},
		"no cell":        {store.Filter{Cells: []fleet.CellID{}}, nil},
	} {
		got, err := s.ListRuns(ctx, c.filter)
		if diff := cmp.Diff(c.want, got); err != nil || diff != "" {
			t.Errorf("runs, %s: %v (-want +got)\n%s", name, err, diff)
		}
	}

	// Pulls that came twice, and a curve that was computed twice.
	pull := func(id string, at time.Time) store.PullRow {
		return store.PullRow{PullID: id, CellID: "c1", Kind: 1, StartedAt: at, CarID: "k1", Header: map[string]string{}}
	}
	curve := func(id string, at time.Time, reason string) store.CurveRow {
		return store.CurveRow{PullID: id, CellID: "c1", Kind: 1, StartedAt: at, CarID: "k1", State: store.StateComputed, Reason: reason}
	}
	for _, reason := range []string{"first", "second"} {
		if err := s.Append(ctx, store.Batch{Pulls: []store.PullRow{pull("p1", day(0)), pull("p2", day(1)), pull("p3", day(2))}}); err != nil {
			t.Fatal(err)
		}
		if err := s.WriteCurves(ctx, []store.CurveRow{curve("p1", day(0), reason), curve("p2", day(1), reason), curve("p3", day(2), reason)}); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		filter store.PullFilter
		want   string
	}{
		"all":     {store.PullFilter{}, "p3 p2 p1"},
		"two":     {store.PullFilter{Filter: store.Filter{Limit: 2}}, "p3 p2"},
		"a car's": {store.PullFilter{Filter: store.Filter{Car: "k1", Until: day(2)}}, "p2 p1"},
		"none":    {store.PullFilter{Filter: store.Filter{Car: "k2"}}, ""},
	} {
		pulls, err := s.ListPulls(ctx, c.filter)
		if got := ids(pulls, func(r store.PullRow) string { return r.PullID }); err != nil || got != c.want {
			t.Errorf("pulls, %s: %q, %v; want %q", name, got, err, c.want)
		}
		curves, err := s.ListCurves(ctx, c.filter)
		if got := ids(curves, func(r store.CurveRow) string { return r.PullID }); err != nil || got != c.want {
			t.Errorf("curves, %s: %q, %v; want %q", name, got, err, c.want)
		}
		for _, r := range curves {
			if r.Reason != "second" {
				t.Errorf("curves, %s: the %s version of %s", name, r.Reason, r.PullID)
			}
		}
	}
	if r, ok, err := s.ReadCurve(ctx, "p2"); err != nil || !ok || r.Reason != "second" {
		t.Errorf("curve p2: %q, %v, %v", r.Reason, ok, err)
	}
	if _, ok, err := s.ReadCurve(ctx, "p9"); err != nil || ok {
		t.Errorf("curve p9: %v, %v", ok, err)
	}
}

// The latest offset of a cell is found however long ago it ran, and rows that were
// taken back are not.
func TestLatestOffsets(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	now := start
	row := func(cell string, days int, offset float64) store.EstimateRow {
		return store.EstimateRow{CellID: cell, At: now.AddDate(0, 0, -days), RunID: fmt.Sprint(cell, days), Offset: offset, OffsetU: 0.004, Runs: 3, CusumLimit: 8}
	}
	if err := s.ReplaceEstimates(ctx, []store.EstimateRow{row("new", 3, 9), row("new", 10, 0.1), row("new", 17, 0.2), row("old", 400, 0.3), row("old", 500, 0.4)}); err != nil {
		t.Fatal(err)
	}
	if err := s.ReplaceEstimates(ctx, []store.EstimateRow{row("new", 10, 0.1), row("new", 17, 0.2), row("old", 400, 0.3), row("old", 500, 0.4)}); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		filter store.Filter
		cells  int
		want   string
	}{
		"all":          {store.Filter{}, 2, "new10 old400"},
		"recent ones":  {store.Filter{}, 1, "new10"},
		"at a time":    {store.Filter{Until: now.AddDate(0, 0, -10)}, 2, "new17 old400"},
		"in a span":    {store.Filter{From: now.AddDate(0, 0, -450), Until: now.AddDate(0, 0, -200)}, 2, "old400"},
		"of one":       {store.Filter{Cells: []fleet.CellID{"old"}}, 1, "old400"},
		"of the other": {store.Filter{Cells: []fleet.CellID{"new"}}, 1, "new10"},
	} {
		rows, err := s.ListOffsetsLatest(ctx, c.filter, now, c.cells)
		if got := ids(rows, func(r store.OffsetRow) string { return r.RunID }); err != nil || got != c.want {
			t.Errorf("%s: %q, %v; want %q", name, got, err, c.want)
		}
	}
	rows, err := s.ListOffsets(ctx, store.Filter{From: now.AddDate(0, 0, -20)})
	if got := ids(rows, func(r store.OffsetRow) string { return r.RunID }); err != nil || got != "new10 new17" || rows[0].Offset != 0.1 {
		t.Errorf("offsets: %q, %v", got, err)
	}
}

// What flags do to pulls, and how many pulls cells made.
func TestHarmAndCounts(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	at := func(h int) time.Time { return start.Add(time.Duration(h) * time.Hour) }
	touched := func(flag, pull string, h int, effect float64) store.TouchedRow {
		return store.TouchedRow{FlagID: flag, StartedAt: at(h), PullID: pull, CellID: "c1", Effect: effect, EffectU: effect * effect}
	}
	flags := []store.FlagRow{{FlagID: "f1", CellID: "c1", Kind: "recalibrate", Open: true, OpenedAt: at(9)}, {FlagID: "f2", CellID: "c2", Kind: "drifting", OpenedAt: at(9)}, {FlagID: "f3", CellID: "c2", Kind: "drifting", Open: true, OpenedAt: at(9)}}
	if err := s.ReplaceFlags(ctx, flags, []store.TouchedRow{touched("f1", "gone", 1, 0.9)}); err != nil {
		t.Fatal(err)
	}
	if err := s.ReplaceFlags(ctx, flags, []store.TouchedRow{touched("f1", "p1", 1, 0.01), touched("f1", "p2", 2, -0.02), touched("f1", "p3", 3, 0.02), touched("f2", "p5", 1, 0.03)}); err != nil {
		t.Fatal(err)
	}
	got, err := s.ReadHarm(ctx, []fleet.FlagID{"f1", "f2", "f3"})
	want := map[fleet.FlagID]store.HarmRow{"f1": {FlagID: "f1", Pulls: 3, Effect: -0.02, EffectU: 0.0004}, "f2": {FlagID: "f2", Pulls: 1, Effect: 0.03, EffectU: 0.0009}}
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("harm: %v (-want +got)\n%s", err, diff)
	}
	if got, err := s.ReadHarm(ctx, nil); err != nil || len(got) > 0 {
		t.Errorf("harm of none: %v, %v", got, err)
	}

	pull := func(cell, id string, h int, kind uint8, car string) store.PullRow {
		return store.PullRow{PullID: id, CellID: cell, Kind: kind, StartedAt: at(h), CarID: car, Header: map[string]string{}}
	}
	batch := store.Batch{Pulls: []store.PullRow{pull("c1", "p1", 1, 1, ""), pull("c1", "p2", 2, 1, ""), pull("c1", "p3", 3, 1, "k1"), pull("c1", "p4", 4, 3, ""), pull("c2", "p5", 1, 1, ""), pull("c2", "p6", 30, 1, "")}}
	for range 2 { // sent twice
		if err := s.Append(ctx, batch); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.WriteCurves(ctx, []store.CurveRow{{PullID: "p1", CellID: "c1", Kind: 1, StartedAt: at(1), State: store.StateUnusable}, {PullID: "p2", CellID: "c1", Kind: 1, StartedAt: at(2), State: store.StateUnusable}}); err != nil {
		t.Fatal(err)
	}
	if err := s.WriteCurves(ctx, []store.CurveRow{{PullID: "p2", CellID: "c1", Kind: 1, StartedAt: at(2), State: store.StateComputed}}); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		filter store.Filter
		want   []store.PullCountRow
	}{
		"a day":  {store.Filter{From: at(0), Until: at(24)}, []store.PullCountRow{{CellID: "c1", Pulls: 3, Unusable: 1, InDoubt: 2}, {CellID: "c2", Pulls: 1}}},
		"later":  {store.Filter{From: at(2)}, []store.PullCountRow{{CellID: "c1", Pulls: 2, InDoubt: 1}, {CellID: "c2", Pulls: 1}}},
		"a cell": {store.Filter{Cells: []fleet.CellID{"c2"}}, []store.PullCountRow{{CellID: "c2", Pulls: 2}}},
		"none":   {store.Filter{From: at(100)}, nil},
	} {
		got, err := s.CountPulls(ctx, c.filter)
		if diff := cmp.Diff(c.want, got); err != nil || diff != "" {
			t.Errorf("counts, %s: %v (-want +got)\n%s", name, err, diff)
		}
	}
}

// An end leaves the checks that are due before it.
func TestDueBefore(t *testing.T) {
	s := storetest.Open(t)
	first, second := start, start.AddDate(0, 0, 7)
	if err := s.ReplaceIntervals(t.Context(), []store.IntervalRow{{CellID: "c1", Of: "load-cell gain", DueAt: &second}, {CellID: "c2", Of: "load-cell gain", DueAt: &first}, {CellID: "c3", Of: "load-cell gain"}}); err != nil {
		t.Fatal(err)
	}
	for until, want := range map[time.Time]string{{}: "c2 c1 c3", second: "c2", second.Add(1): "c2 c1", first: ""} {
		rows, err := s.ListIntervals(t.Context(), store.Filter{Until: until})
		if got := ids(rows, func(r store.IntervalRow) string { return r.CellID }); err != nil || got != want {
			t.Errorf("before %v: %q, %v; want %q", until, got, err, want)
		}
	}
}
