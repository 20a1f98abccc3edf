package report

import (
	"errors"
	"strings"
	"testing"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/show/showtest"
)

// Weeks of ISO 8601: 2026 has 53, for its 1 January is a Thursday; 29 December
// 2025 is in week 1 of 2026, 3 January 2027 in week 53 of 2026 (calendar).
func TestWeeks(t *testing.T) {
	for text, monday := range map[string]string{"2026-W01": "2025-12-29", "2026-W26": "2026-06-22", "2026-W53": "2026-12-28", "2027-w01": "2027-01-04", "2020-W53": "2020-12-28"} {
		w, err := ParseWeek(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := w.Start(time.UTC).Format(time.DateOnly); got != monday || w.String() != strings.ToUpper(text) {
			t.Errorf("%s begins on %s, want %s", w, got, monday)
		}
		if w.Next().Before() != w || WeekOf(w.Start(time.UTC).AddDate(0, 0, 6)) != w {
			t.Errorf("%s: the weeks around it", w)
		}
	}
	for _, bad := range []string{"", "2026-W00", "2025-W53", "2026-W54", "2026W26", "2026-26", "W26", "2026-W2", "99999-W01"} {
		if w, err := ParseWeek(bad); !errors.Is(err, ErrWeek) {
			t.Errorf("%q is week %s", bad, w)
		}
	}
}

// What a week's report says is what was so when the week ended: a run, a flag, a
// check after it do not count, an offset is that after the last run before.
func TestWeekOnly(t *testing.T) {
	fleet := showtest.Chain()
	// Runs of fen-2 every Wednesday up to 24 June; the week ends on 15 June.
	week := Week{2026, 24}
	fleet.Flags[0].OpenedAt = showtest.Day(40) // 20 May
	fleet.Flags[1].OpenedAt = showtest.Day(18) // 11 June, in the week
	fleet.Flags[2].OpenedAt = showtest.Day(3)  // 26 June, later
	fleet.Flags[3].OpenedAt, fleet.Flags[3].ClosedAt = showtest.Day(60), showtest.Day(16)
	fleet.Checks[0].PerformedAt = showtest.Day(17)
	r, err := Make(t.Context(), fleet, Chain, week, showtest.Now)
	if err != nil {
		t.Fatal(err)
	}
	kinds := func(all []*pb.Flag) string {
		var s []string
		for _, f := range all {
			s = append(s, f.GetCellId()+f.GetCarId()+" "+f.GetKind())
		}
		return strings.Join(s, ", ")
	}
	if got := kinds(r.Open); got != "fen-2 recalibrate, mil-1 drifting" {
		t.Errorf("open %s", got)
	}
	if got := kinds(r.Opened); got != "mil-1 drifting" {
		t.Errorf("opened %s", got)
	}
	if got := kinds(r.Closed); got != "rid-1 recalibrate" {
		t.Errorf("closed %s", got)
	}
	if len(r.Checks) != 1 || r.Running || len(r.Due) != 0 {
		t.Errorf("%d checks, running %v, %d due", len(r.Checks), r.Running, len(r.Due))
	}
	for _, c := range r.Cells {
		if c.GetCellId() != "fen-2" {
			if c.Offset != nil {
				t.Errorf("%s has an offset without a run", c.GetCellId())
			}
			continue
		}
		// The run of 10 June, 19 days before now, and that of the week before.
		if !c.LastRun.Equal(showtest.Day(19).AsTime()) || *c.Offset != fleet.Runs[2].GetOffset() || c.Runs != 1 || *c.Change != fleet.Runs[2].GetOffset()-fleet.Runs[3].GetOffset() {
			t.Errorf("fen-2 on %s: %v, %d runs, change %v", c.LastRun, *c.Offset, c.Runs, *c.Change)
		}
	}
	text := strings.Join(strings.Fields(r.Text()), " ") // lines are wrapped
	for _, want := range []string{"Week 2026-W24 of the chain", "2026-06-08 to 2026-06-14", "Opened in the week", "Millhythe 1: drifting, opened 2026-06-11", "Ridgeholt 1: recalibrate", "by M. Krause: load cell replaced", "End of the report."} {
		if !strings.Contains(text, want) {
			t.Errorf("the text has no %q", want)
		}
	}
	// A site's week is that of its zone: Monday begins at 23:00 UTC in summer.
	r, err = Make(t.Context(), fleet, "fen", week, showtest.Now)
	if err != nil || r.From.UTC().Format(time.RFC3339) != "2026-06-07T23:00:00Z" || len(r.Cells) != 2 {
		t.Errorf("%v from %v, %d cells", err, r.From, len(r.Cells))
	}
	if _, err := Make(t.Context(), fleet, Chain, Week{2026, 28}, showtest.Now); !errors.Is(err, ErrFuture) {
		t.Errorf("a week to come: %v", err)
	}
	if _, err := Make(t.Context(), fleet, "bath", week, showtest.Now); !errors.Is(err, ErrSite) {
		t.Errorf("no such site: %v", err)
	}
}

// A week names the customer pulls that were made or restated in it, with both values;
// a week that has nothing to do with them does not.
func TestRestatedInReport(t *testing.T) {
	fleet := showtest.Chain()
	fleet.Restate() // on 25 and 26 June pulls of 27 May and 20 June
	for _, c := range []struct {
		week  Week
		pulls int
		says  []string
	}{
		{Week{2026, 26}, 2, []string{"Customer pulls made or restated in the week", "171.20 ± 1.90 kW", "168.10 ± 1.95 kW", "−3.10 ± 0.17 kW", "not restated: a channel that is needed is missing: load_cell", "; 1 restated by M. Krause on 2026-06-26"}},
		{Week{2026, 25}, 1, []string{"207.10 ± 2.70 kW"}}, // made in it
		{Week{2026, 24}, 0, nil},
	} {
		r, err := Make(t.Context(), fleet, Chain, c.week, showtest.Now)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(r.Text()), " ")
		if len(r.Restated) != c.pulls || c.pulls == 0 && strings.Contains(text, "or restated in the week") {
			t.Errorf("%s: %d restated pulls", c.week, len(r.Restated))
		}
		for _, want := range c.says {
			if !strings.Contains(text, want) {
				t.Errorf("%s lacks %q:\n%s", c.week, want, r.Text())
			}
		}
		if _, err := r.PDF(); err != nil {
			t.Error(err)
		}
	}
}
