package pages

import (
	"context"
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/report"
)

// reportsPage is the data of the list of reports.
type reportsPage struct {
	Sites []option
	Weeks []report.Week
	Now   report.Week
}

// mostWeeks is how many weeks back are listed; others have addresses too.
const mostWeeks = 12

func (h *handler) showReports(ctx context.Context, r *http.Request) (answer, error) {
	// The form of the page asks for one.
	if site, week := r.URL.Query().Get("site"), r.URL.Query().Get("week"); site != "" && week != "" {
		return answer{redirect: "/reports/" + url.PathEscape(site) + "/" + url.PathEscape(week)}, nil
	}
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	p := reportsPage{Now: report.WeekOf(h.Now().UTC())}
	seen := map[string]bool{}
	for _, c := range cells.GetCells() {
		if !seen[c.GetSiteId()] {
			seen[c.GetSiteId()] = true
			p.Sites = append(p.Sites, option{Value: c.GetSiteId(), Word: siteOf(c)})
		}
	}
	slices.SortFunc(p.Sites, func(a, b option) int { return strings.Compare(a.Word, b.Word) })
	for w := p.Now; len(p.Weeks) < mostWeeks; w = w.Before() {
		p.Weeks = append(p.Weeks, w)
	}
	return answer{page: "reports", title: "Weekly reports", data: p}, nil
}

// reportPage is the data of a weekly report.
type reportPage struct {
	*report.Report
	Rows       []reportRow
	Axis       template.HTML
	Legend     []state
	Cells      *chart
	Next, Last string // weeks; empty: has not begun
	// Of a large chain the report shows what needs somebody. Rest is how many cells
	// are not drawn, Passed how many checks and Later how many due ones are not listed.
	Rest, Passed, Later int
	Cautions            []string
}

type reportRow struct {
	report.Cell
	Name  string
	State state
	Plot  template.HTML
}

func (h *handler) showReport(ctx context.Context, r *http.Request) (answer, error) {
	site, text := r.PathValue("site"), r.PathValue("week")
	text, pdf := strings.CutSuffix(text, ".pdf")
	week, err := report.ParseWeek(text)
	if err != nil {
		return answer{}, told{http.StatusNotFound, "No report", err.Error()}
	}
	made, err := report.Make(ctx, h.fleet, site, week, h.Now())
	switch {
	case errors.Is(err, report.ErrFuture), errors.Is(err, report.ErrSite):
		return answer{}, told{http.StatusNotFound, "No report", err.Error()}
	case err != nil:
		return answer{}, err
	}
	if pdf {
		b, err := made.PDF()
		return answer{kind: "application/pdf", body: b, name: "report-" + made.Site + "-" + week.String() + ".pdf"}, err
	}
	rd := readerFrom(ctx).in(made.Zone)
	p := reportPage{Report: made, Last: week.Before().String()}
	if next := week.Next(); !next.Start(time.UTC).After(h.Now()) {
		p.Next = next.String()
	}
	var then []*rollcallv1.CellStatus
	for _, c := range made.Cells {
		x := &rollcallv1.CellStatus{CellId: c.GetCellId(), Name: c.GetName(), Tolerance: c.GetTolerance(), Offset: c.Offset, ExpandedUncertainty: c.U, NotSeparable: c.GetNotSeparable(), FlagId: c.Flag.GetFlagId(), FlagKind: c.Flag.GetKind()}
		then = append(then, x)
	}
	shown := make([]int, len(made.Cells)) // which are drawn
	for i := range shown {
		shown[i] = i
	}
	if len(shown) > mostDrawn {
		harm := harmOf(nil)
		slices.SortStableFunc(shown, func(a, b int) int { return harm(then[a], then[b]) })
		n := slices.IndexFunc(shown, func(i int) bool { return stateOf(then[i]).Rank > stateOutside.Rank })
		if n < 0 {
			n = len(shown)
		}
		shown = shown[:min(n, mostDrawn)]
		p.Rest = len(then) - len(shown)
		short := *made
		short.Checks = slices.DeleteFunc(slices.Clone(made.Checks), func(k *rollcallv1.Check) bool { return k.GetVerdict() == "pass" })
		p.Passed = len(made.Checks) - len(short.Checks)
		short.Due = slices.DeleteFunc(slices.Clone(made.Due), func(k *rollcallv1.DueCheck) bool { return !k.GetOverdue() })
		p.Later = len(made.Due) - len(short.Due)
		p.Report = &short
	}
	drawn := make([]*rollcallv1.CellStatus, 0, len(shown))
	for _, i := range shown {
		drawn = append(drawn, then[i])
	}
	x := offsetAxis(drawn)
	p.Axis = drawOffsetAxis(x, rd)
	p.Cells = &chart{Name: "cells", Title: "Cells at the end of the week", Columns: []column{{Key: "cell_id", Head: "Cell"}, {Key: "state", Head: "State"}, {Key: "offset_ratio", Head: "Offset", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}, {Key: "change_ratio", Head: "Change", SI: "1", Signed: true}, {Key: "tolerance_ratio", Head: "Limit ±", SI: "1", Difference: true}, {Key: "runs", Head: "Runs"}, {Key: "pulls", Head: "Pulls"}, {Key: "pulls_unusable", Head: "Unusable"}, {Key: "pulls_in_doubt", Head: "In doubt"}, {Key: "flag_kind", Head: "Flag"}}}
	seen := map[string]bool{}
	for _, i := range shown {
		s := stateOf(then[i])
		p.Rows = append(p.Rows, reportRow{made.Cells[i], made.Names[made.Cells[i].GetCellId()], s, drawOffset(then[i], s, x, rd)})
	}
	for i, c := range made.Cells {
		s := stateOf(then[i])
		p.Cells.Rows = append(p.Cells.Rows, []any{c.GetCellId(), s.Word, c.Offset, c.U, c.Change, c.GetTolerance(), c.Runs, c.Pulls, c.Unusable, c.InDoubt, c.Flag.GetKind()})
		if !seen[s.Shape] {
			seen[s.Shape] = true
			p.Legend = append(p.Legend, s)
		}
	}
	if slices.ContainsFunc(made.Open, func(f *rollcallv1.Flag) bool { return f.GetNextCheck() != "" }) || len(made.Due) > 0 {
		p.Cautions = []string{caution.Car, caution.Masses, caution.First}
	}
	return answer{page: "report", title: made.Title(), class: "paper sheet-report", data: p, reader: &rd, charts: []*chart{p.Cells}}, nil
}
