package pages

import (
	"cmp"
	"context"
	"fmt"
	"html"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// equivalencePage is the data of the degrees of equivalence.
type equivalencePage struct {
	Lead         string
	More         []string
	Empty        bool
	Sites, Cells []option
	// One is the cell that is held against the others; nil: all are.
	One    *rollcallv1.Equivalence
	Chart  *chart
	Rows   []equivalenceRow
	Matrix []matrixRow
	// Narrow: the matrix has so many columns that differences are for tables.
	Narrow bool
	// Listed are pairs in a list, where they do not make a matrix: those of One, or
	// of many cells those that do not agree.
	Listed   []pairCell
	Pairs    *chart
	TooMany  int // cells of which no pairs are given
	Visits   []string
	Cautions []string
}

type equivalenceRow struct {
	*rollcallv1.Equivalence
	Name  string
	State state
}

type matrixRow struct {
	Cell, Name string
	Columns    []pairCell
}

// pairCell is what a matrix says of a row's cell less a column's, or of the cell
// itself.
type pairCell struct {
	State                           state
	Cell, Name                      string // the column's
	Of, OfName                      string // the row's
	Difference, ExpandedUncertainty *float64
	EN                              *float64
	Own, Narrow                     bool
	NotSeparable                    string
}

// The states of a degree of equivalence, in the words of ISO/IEC 17043.
var (
	stateSatisfactory   = state{disc, "good", "satisfactory", 2}
	stateUnsatisfactory = state{unequal, "bad", "unsatisfactory", 0}
	stateNotKnown       = state{ring, "none", "not separable", 1}
	stateNoFigure       = state{cross, "none", "no figure", 1}
)

func stateOfVerdict(verdict, notSeparable string) state {
	switch {
	case notSeparable != "":
		return stateNotKnown
	case verdict == stateSatisfactory.Word:
		return stateSatisfactory
	case verdict == stateUnsatisfactory.Word:
		return stateUnsatisfactory
	}
	return stateNoFigure
}

// mostInMatrix is of how many cells a matrix is drawn, so that it fits a
// screen and a paper, mostAtLength with differences beside E_n; mostPaired of how many the service gives all pairs.
const (
	mostInMatrix = 12
	mostAtLength = 5
	mostPaired   = 60
)

func (h *handler) showEquivalence(ctx context.Context, r *http.Request) (answer, error) {
	q, rd := r.URL.Query(), readerFrom(ctx)
	site, one := q.Get("site"), q.Get("cell")
	all, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	p := equivalencePage{Sites: []option{{"", "all sites", site == ""}}, Cells: []option{{"", "all cells with each other", one == ""}}}
	among, names := 0, map[string]string{}
	sites := map[string]bool{}
	for _, c := range all.GetCells() {
		names[c.GetCellId()] = nameOf(c)
		if !sites[c.GetSiteId()] {
			sites[c.GetSiteId()] = true
			p.Sites = append(p.Sites, option{c.GetSiteId(), cmp.Or(c.GetSiteName(), c.GetSiteId()), site == c.GetSiteId()})
		}
		if site == "" || c.GetSiteId() == site {
			among++
		}
		p.Cells = append(p.Cells, option{c.GetCellId(), nameOf(c) + " with all others", one == c.GetCellId()})
	}
	if one == "" && among > mostPaired {
		p.TooMany = among
	}
	filter := &rollcallv1.Filter{SiteId: site, CellId: one}
	got, err := h.fleet.ListEquivalences(ctx, &rollcallv1.ListEquivalencesRequest{Filter: filter, Pairs: p.TooMany == 0})
	if err != nil && h.Status != nil && status.Code(err) == codes.Unknown {
		err = h.Status(err)
	}
	if status.Code(err) == codes.FailedPrecondition {
		p.Empty, p.Cautions = true, []string{caution.Car, caution.First}
		p.Lead = "No cell can be held against another yet"
		return answer{page: "equivalence", title: "Degrees of equivalence", data: p}, nil
	}
	if err != nil {
		return answer{}, err
	}
	agree, known := 0, 0
	seen := map[string]bool{}
	visit := func(s string) {
		if s != "" && !seen[s] {
			seen[s] = true
			p.Visits = append(p.Visits, s)
		}
	}
	for _, e := range got.GetEquivalences() {
		row := equivalenceRow{e, cmp.Or(names[e.GetCellId()], e.GetName(), e.GetCellId()), stateOfVerdict(e.GetVerdict(), e.GetNotSeparable())}
		p.Rows = append(p.Rows, row)
		if e.EN != nil {
			known++
		}
		if row.State == stateSatisfactory {
			agree++
		}
		visit(e.GetNotSeparable())
		if e.GetCellId() == one {
			p.One = e
		}
	}
	c := got.GetConsensus()
	p.Lead = fmt.Sprintf("%d of %s with the consensus within U", agree, show.Count(known, "cell agrees", "cells agree"))
	if p.One != nil {
		p.Lead = names[one] + ": " + p.Rows[0].State.Word
		if p.One.Offset != nil {
			p.Lead = fmt.Sprintf("%s: %s %% ± %s %% from the consensus, %s", names[one], rd.Mark(show.OffPercent(p.One.Offset)), rd.Mark(show.Percent(p.One.ExpandedUncertainty)), p.Rows[0].State.Word)
		}
	}
	u := c.GetExpandedUncertainty()
	p.More = []string{fmt.Sprintf("The consensus of %s is known to ± %s %% (k = 2).", show.Count(int(c.GetCells()), "cell", "cells"), rd.Mark(show.Percent(&u)))}
	if c.Between != nil {
		p.More = append(p.More, fmt.Sprintf("Beyond what their uncertainties say the cells differ by a standard deviation of %s %% (Paule and Mandel).", rd.Mark(show.Percent(c.Between))))
	}
	if c.MostMoved != nil {
		p.More = append(p.More, fmt.Sprintf("One cell, however far out, moves it by %s %% at most.", rd.Mark(show.Percent(c.MostMoved))))
	} else {
		p.More = append(p.More, "With fewer than three cells nothing bounds how far one of them moves it.")
	}
	a := answer{page: "equivalence", title: "Degrees of equivalence", message: got}
	p.Chart = equivalenceChart(p.Rows, rd)
	a.charts = append(a.charts, p.Chart)
	if p.TooMany == 0 {
		for _, x := range got.GetPairs() {
			// Of a cell that is named above already nothing new is said.
			if p.One != nil || !seen[x.GetNotSeparable()] {
				visit(x.GetNotSeparable())
			}
		}
		p.Pairs = pairsChart(got.GetPairs())
		a.charts = append(a.charts, p.Pairs)
		p.pair(got.GetPairs(), names, one)
	}
	a.data = p
	return a, nil
}

// pair lays pairs out: as a matrix where it fits, else as a list.
func (p *equivalencePage) pair(pairs []*rollcallv1.EquivalencePair, names map[string]string, one string) {
	cellOf := func(x *rollcallv1.EquivalencePair) pairCell {
		return pairCell{State: stateOfVerdict(x.GetVerdict(), x.GetNotSeparable()), Cell: x.GetOtherCellId(), Name: cmp.Or(names[x.GetOtherCellId()], x.GetOtherCellId()),
			Of: x.GetCellId(), OfName: cmp.Or(names[x.GetCellId()], x.GetCellId()),
			Difference: x.Difference, ExpandedUncertainty: x.ExpandedUncertainty, EN: x.EN, NotSeparable: x.GetNotSeparable()}
	}
	if one != "" || len(p.Rows) > mostInMatrix {
		for _, x := range pairs {
			if c := cellOf(x); one != "" || c.State != stateSatisfactory {
				p.Listed = append(p.Listed, c)
			}
		}
		slices.SortStableFunc(p.Listed, func(a, b pairCell) int {
			return cmp.Or(cmp.Compare(a.State.Rank, b.State.Rank), cmp.Compare(magnitude(b.EN), magnitude(a.EN)))
		})
		return
	}
	type two struct{ a, b string }
	at := map[two]pairCell{}
	turn := func(x *float64) *float64 {
		if x == nil {
			return nil
		}
		y := -*x
		return &y
	}
	for _, x := range pairs {
		c := cellOf(x)
		at[two{c.Of, c.Cell}] = c
		back := c
		back.Of, back.OfName, back.Cell, back.Name = c.Cell, c.Name, c.Of, c.OfName
		back.Difference, back.EN = turn(c.Difference), turn(c.EN)
		at[two{back.Of, back.Cell}] = back
	}
	p.Narrow = len(p.Rows) > mostAtLength
	for _, row := range p.Rows {
		m := matrixRow{Cell: row.GetCellId(), Name: row.Name}
		for _, column := range p.Rows {
			c := at[two{row.GetCellId(), column.GetCellId()}]
			if row.GetCellId() == column.GetCellId() {
				c = pairCell{State: row.State, Cell: row.GetCellId(), Name: "the consensus", Difference: row.Offset, ExpandedUncertainty: row.ExpandedUncertainty, EN: row.EN, Own: true, NotSeparable: row.NotSeparable}
			}
			c.Narrow = p.Narrow
			m.Columns = append(m.Columns, c)
		}
		p.Matrix = append(p.Matrix, m)
	}
}

func magnitude(x *float64) float64 {
	if x == nil {
		return 0
	}
	return math.Abs(*x)
}

// CellLink is the address of a cell held against all others.
func (e equivalenceRow) CellLink() string {
	return "/equivalence?" + url.Values{"cell": {e.GetCellId()}}.Encode()
}

// equivalenceChart draws each cell's offset from the consensus with its U.
func equivalenceChart(rows []equivalenceRow, r reader) *chart {
	c := &chart{Name: "equivalence", Title: "Degree of equivalence of each cell", Columns: []column{{Key: "cell_id", Head: "Cell"}, {Key: "offset_ratio", Head: "Offset", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true},
		{Key: "e_n", Head: "E_n", Decimals: 2}, {Key: "verdict", Head: "Verdict"}, {Key: "weight", Head: "Weight in the consensus", Decimals: 3}, {Key: "runs", Head: "Runs"}, {Key: "last_run_at", Head: "Last run"}, {Key: "not_separable", Head: "Not separable"}}}
	reach := 0.1
	for _, e := range rows {
		c.Rows = append(c.Rows, []any{e.GetCellId(), e.Offset, e.ExpandedUncertainty, e.EN, e.GetVerdict(), e.GetWeight(), int(e.GetRuns()), moment(e.GetLastRunAt()), e.GetNotSeparable()})
		if e.Offset != nil {
			reach = max(reach, 100*(math.Abs(e.GetOffset())+min(e.GetExpandedUncertainty(), 0.02)))
		}
	}
	drawn := rows[:min(len(rows), mostLines)]
	if len(drawn) == 0 {
		return c
	}
	const rowHeight, foot, left = 26, 22, 0.24
	height := len(drawn)*rowHeight + foot
	x := axis{-reach * 1.1, reach * 1.1}
	place := func(v float64) float64 { return left + (1-left)*min(1, max(0, x.at(v))) }
	d := newDrawing("chart visits", fmt.Sprintf("offset from the consensus, with U, of %s", show.Count(len(drawn), "cell", "cells")), height, r)
	bottom := float64(len(drawn)*rowHeight) / float64(height)
	ticks := x.ticks(5)
	for _, t := range ticks {
		d.line("grid", place(t), 0, place(t), bottom)
		if place(t) > left+0.04 && place(t) < 0.95 {
			d.text("tick", "middle", place(t), 1, 0, -3, tick(t, roundStep((x.high-x.low)/5))+" %")
		}
	}
	d.line("fleet", place(0), 0, place(0), bottom)
	for i, e := range drawn {
		low := (float64(i) + 1) * rowHeight / float64(height)
		y := (float64(i) + 0.6) * rowHeight / float64(height)
		d.line("grid", 0, low, 1, low)
		d.text("tick", "start", 0, low, 2, -5, e.Name)
		if e.Offset == nil {
			d.mark(e.State.Shape, e.State.Class+" small", place(0), y)
			continue
		}
		u := e.GetExpandedUncertainty()
		fmt.Fprintf(&d.b, `<g><title>%s: %s</title>`, html.EscapeString(e.Name), html.EscapeString(e.State.Word))
		d.line("interval", place(100*(e.GetOffset()-u)), y, place(100*(e.GetOffset()+u)), y)
		d.mark(e.State.Shape, e.State.Class+" small", place(100*e.GetOffset()), y)
		d.b.WriteString("</g>")
	}
	c.Picture = d.end()
	if more := len(rows) - len(drawn); more > 0 {
		c.Picture += template.HTML(fmt.Sprintf(`<p class="note">%s more are in the table.</p>`, show.Count(more, "cell", "cells"))) //nolint:gosec // A number only.
	}
	return c
}

func pairsChart(pairs []*rollcallv1.EquivalencePair) *chart {
	c := &chart{Name: "pairs", Title: "Degree of equivalence of each pair", Columns: []column{{Key: "cell_id", Head: "Cell"}, {Key: "other_cell_id", Head: "Other cell"}, {Key: "difference_ratio", Head: "Difference", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true},
		{Key: "e_n", Head: "E_n", Decimals: 2}, {Key: "verdict", Head: "Verdict"}, {Key: "not_separable", Head: "Not separable"}}}
	for _, x := range pairs {
		c.Rows = append(c.Rows, []any{x.GetCellId(), x.GetOtherCellId(), x.Difference, x.ExpandedUncertainty, x.EN, x.GetVerdict(), x.GetNotSeparable()})
	}
	return c
}
