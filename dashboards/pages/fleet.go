package pages

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// words are the functions of the templates that are the same for everybody.
var words = template.FuncMap{
	"dash":   show.Or,
	"sign":   sign,
	"lower":  strings.ToLower,
	"cause":  show.Cause,
	"causes": show.Causes,
	"chance": func(p float64) string { return fmt.Sprintf("%.0f\u00a0%%", p*100) },
	"count":  show.Count,
	"name":   nameOf,
	"join":   strings.Join,
	// sentence makes one of a clause that was computed.
	"sentence": sentence,
}

var ties = strings.NewReplacer(" ± ", "\u00a0±\u00a0", "± ", "±\u00a0", " %", "\u00a0%", " ±", "\u00a0±")

// tie gives a sentence its minus signs and keeps a number together with its ±
// and its %.
func tie(s string) string { return ties.Replace(show.Sentence(s)) }

// state is how a cell stands, in a word and a shape.
type state struct {
	Shape, Class, Word string
	// Rank orders states, what needs somebody first.
	Rank int
}

var (
	stateRecalibrate  = state{triangle, "bad", "recalibrate", 0}
	stateDrifting     = state{diamond, "drift", "drifting", 1}
	stateDueEarly     = state{hollowDiamond, "due", "check due early", 2}
	stateOverdue      = state{square, "due", "check overdue", 2}
	stateOutside      = state{hollowTriangle, "bad", "outside, not certain", 4}
	stateNotSeparable = state{ring, "none", "not separable", 5}
	stateClose        = state{halfDisc, "good", "agrees, by less than U", 6}
	stateUnjudged     = state{cross, "none", "not judged yet", 7}
	stateAgrees       = state{disc, "good", "agrees", 8}
)

// stateOf judges a cell for the eye: its open flag if it has one, else its
// offset x and U against its limit: |x| + U ≤ limit agrees, |x| ≤ limit agrees
// by less than U, and beyond is outside without certainty.
func stateOf(c *rollcallv1.CellStatus) state {
	switch kind := c.GetFlagKind(); {
	case kind == stateRecalibrate.Word:
		return stateRecalibrate
	case kind == stateDrifting.Word:
		return stateDrifting
	case kind == stateDueEarly.Word:
		return stateDueEarly
	case kind == stateOverdue.Word:
		return stateOverdue
	case c.GetFlagId() != "":
		return state{diamond, "drift", show.Or(kind), 3}
	case c.Offset == nil:
		return stateUnjudged
	case c.GetNotSeparable() != "":
		return stateNotSeparable
	case math.Abs(c.GetOffset())+c.GetExpandedUncertainty() <= c.GetTolerance():
		return stateAgrees
	case math.Abs(c.GetOffset()) <= c.GetTolerance():
		return stateClose
	}
	return stateOutside
}

// fleetPage is the first page's data.
type fleetPage struct {
	Empty    bool
	Lead     string   // the sentence on top
	More     []string // what else is to be said
	Sites    []siteRows
	Axis     template.HTML
	Shapes   []state // the shapes in use, for the legend
	Flags    []flagCard
	Cells    []cellRow
	Sums     bool // a flag speaks of its weight of evidence
	Cautions []string
	Week     []change // flags of the last seven days
	Due      []dueRow
	UnderWay []underWay
	Offsets  *chart
}

type siteRows struct {
	Name  string
	Cells []cellRow
}

type cellRow struct {
	*rollcallv1.CellStatus
	State state
	Plot  template.HTML
	// Cause is the leading cause with its probability; empty: none.
	Cause string
}

// flagCard is an open flag in the list of what to do.
type flagCard struct {
	*rollcallv1.Flag
	State state
	Of    string // the cell's or car's name
	Title string
}

func (h *handler) showFleet(ctx context.Context, _ *http.Request) (answer, error) {
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	flags, err := h.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{IncludeClosed: true, Filter: &rollcallv1.Filter{Limit: 2000}})
	if err != nil {
		return answer{}, err
	}
	due, err := h.fleet.ListDue(ctx, &rollcallv1.ListDueRequest{})
	if err != nil {
		return answer{}, err
	}
	rd := readerFrom(ctx)
	open := slices.DeleteFunc(slices.Clone(flags.GetFlags()), func(f *rollcallv1.Flag) bool { return !f.GetOpen() })
	p := fleetPageOf(cells.GetCells(), open, rd)
	if p.Empty {
		return answer{page: "fleet", title: "The fleet", data: p}, nil
	}
	p.Week = changesOf(flags.GetFlags(), cells.GetCells(), h.Now().AddDate(0, 0, -7), h.Now())
	p.Due = dueSoon(due.GetDue(), cells.GetCells(), h.Now())
	p.UnderWay, err = h.underWay(ctx, cells.GetCells())
	if err != nil {
		return answer{}, err
	}
	p.Offsets = offsetsOfAll(p.Cells)
	return answer{page: "fleet", title: "The fleet", data: p, charts: []*chart{p.Offsets}, message: cells, scripts: []string{"/page.js"}}, nil
}

// offsetsOfAll are the figures of the fleet's chart.
func offsetsOfAll(cells []cellRow) *chart {
	c := &chart{Name: "offsets", Title: "Offset of every cell from the fleet", Columns: []column{{Key: "site_id", Head: "Site"}, {Key: "cell_id", Head: "Cell"}, {Key: "state", Head: "State"}, {Key: "offset_ratio", Head: "Offset", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}, {Key: "tolerance_ratio", Head: "Limit ±", SI: "1", Difference: true}, {Key: "runs", Head: "Runs"}, {Key: "last_run_at", Head: "Last run"}}}
	for _, x := range cells {
		c.Rows = append(c.Rows, []any{x.GetSiteId(), x.GetCellId(), x.State.Word, x.Offset, x.ExpandedUncertainty, x.GetTolerance(), int(x.GetRuns()), moment(x.GetLastRunAt())})
	}
	return c
}

// change is what happened to a flag in a span of time.
type change struct {
	flagRow
	What string // opened, closed, opened and closed
}

// changesOf returns the flags that opened or closed from a time on and before
// another, those that opened first.
func changesOf(flags []*rollcallv1.Flag, cells []*rollcallv1.CellStatus, from, until time.Time) []change {
	within := func(t *timestamppb.Timestamp) bool {
		return t != nil && !t.AsTime().Before(from) && t.AsTime().Before(until)
	}
	var out []change
	for _, row := range rowsOf(flags, cells) {
		opened, closed := within(row.GetOpenedAt()), !row.GetOpen() && within(row.GetClosedAt())
		switch {
		case opened && closed:
			out = append(out, change{row, "opened and closed"})
		case opened:
			out = append(out, change{row, "opened"})
		case closed:
			out = append(out, change{row, "closed"})
		}
	}
	slices.SortStableFunc(out, func(a, b change) int {
		return cmp.Or(strings.Compare(b.What, a.What), byHarm(a.flagRow, b.flagRow))
	})
	return out
}

// dueRow is a check that is due.
type dueRow struct {
	*rollcallv1.DueCheck
	Name, Zone string
	Past       bool // its day is past
}

// soon is how far ahead what is due is shown on the first page.
const soon = 14 * 24 * time.Hour

// dueSoon returns the checks that are due before soon is over, the earliest
// first.
func dueSoon(all []*rollcallv1.DueCheck, cells []*rollcallv1.CellStatus, now time.Time) []dueRow {
	byID := map[string]*rollcallv1.CellStatus{}
	for _, c := range cells {
		byID[c.GetCellId()] = c
	}
	var out []dueRow
	for _, d := range all {
		if d.GetDueAt() != nil && d.GetDueAt().AsTime().Before(now.Add(soon)) {
			c := byID[d.GetCellId()]
			row := dueRow{DueCheck: d, Name: d.GetCellId(), Zone: c.GetSiteZone(), Past: d.GetDueAt().AsTime().Before(now)}
			if c != nil {
				row.Name = nameOf(c)
			}
			out = append(out, row)
		}
	}
	return out
}

// nameOf is what a cell is called on a page.
func nameOf(c *rollcallv1.CellStatus) string {
	if c.GetName() != "" {
		return c.GetName()
	}
	return c.GetCellId()
}

func siteOf(c *rollcallv1.CellStatus) string {
	if c.GetSiteName() != "" {
		return c.GetSiteName()
	}
	return c.GetSiteId()
}

func fleetPageOf(cells []*rollcallv1.CellStatus, flags []*rollcallv1.Flag, r reader) fleetPage {
	p := fleetPage{Empty: len(cells) == 0}
	if p.Empty {
		p.Lead = "No cell is in the registry yet."
		p.Cautions = []string{caution.Car, caution.First}
		return p
	}
	cells = slices.Clone(cells)
	slices.SortStableFunc(cells, func(a, b *rollcallv1.CellStatus) int {
		return cmp.Or(cmp.Compare(siteOf(a), siteOf(b)), cmp.Compare(a.GetSiteId(), b.GetSiteId()), cmp.Compare(a.GetCellId(), b.GetCellId()))
	})
	x := offsetAxis(cells)
	p.Axis = drawOffsetAxis(x, r)
	names := map[string]string{}
	seen := map[string]bool{}
	for _, c := range cells {
		names[c.GetCellId()] = nameOf(c)
		row := cellRow{CellStatus: c, State: stateOf(c)}
		row.Plot = drawOffset(c, row.State, x, r)
		if c.GetCause() != "" {
			row.Cause = fmt.Sprintf("%s, %.0f\u00a0%%", show.Cause(c.GetCause()), c.GetCauseProbability()*100)
		}
		p.Cells = append(p.Cells, row)
		if n := len(p.Sites); n == 0 || p.Sites[n-1].Cells[0].GetSiteId() != c.GetSiteId() {
			p.Sites = append(p.Sites, siteRows{Name: siteOf(c)})
		}
		s := &p.Sites[len(p.Sites)-1]
		s.Cells = append(s.Cells, row)
		if !seen[row.State.Word] {
			seen[row.State.Word] = true
			p.Shapes = append(p.Shapes, row.State)
		}
	}
	slices.SortFunc(p.Shapes, func(a, b state) int { return a.Rank - b.Rank })
	for _, f := range flags {
		if !f.GetOpen() {
			continue
		}
		card := flagCard{Flag: f, Of: names[f.GetCellId()], State: stateOf(&rollcallv1.CellStatus{FlagId: f.GetFlagId(), FlagKind: f.GetKind()})}
		switch {
		case f.GetCellId() == "":
			card.Of = "Reference car " + f.GetCarId()
		case card.Of == "":
			card.Of = f.GetCellId()
		}
		card.Title = show.Title(f, card.Of)
		p.Flags = append(p.Flags, card)
		p.Sums = p.Sums || strings.Contains(f.GetEvidence(), "Weight of evidence")
		if f.GetNextCheck() != "" {
			p.Cautions = []string{caution.Car, caution.Masses, caution.First}
		}
	}
	slices.SortStableFunc(p.Flags, func(a, b flagCard) int {
		return cmp.Or(a.State.Rank-b.State.Rank, cmp.Compare(a.Of, b.Of))
	})
	p.Lead, p.More = sentences(p.Cells, p.Flags)
	return p
}

// sentences says how the fleet stands: first what needs somebody, then the rest
// so that every cell is accounted for.
func sentences(cells []cellRow, flags []flagCard) (lead string, more []string) {
	by := map[string][]string{}
	for _, c := range cells {
		by[c.State.Word] = append(by[c.State.Word], nameOf(c.CellStatus))
	}
	total := len(cells)
	of := func(n int) string { return fmt.Sprintf("%d of %s", n, show.Count(total, "cell", "cells")) }
	verb := func(n int, one, many string) string {
		if n == 1 {
			return one
		}
		return many
	}
	agree, near := len(by[stateAgrees.Word]), len(by[stateClose.Word])
	switch bad := by[stateRecalibrate.Word]; {
	case len(bad) > 0:
		lead = fmt.Sprintf("%s %s recalibration: %s.", of(len(bad)), verb(len(bad), "needs", "need"), list(bad))
	case agree == total && total == 1:
		lead = "The one cell agrees with the fleet within its limit."
	case agree == total:
		lead = fmt.Sprintf("All %d cells agree with the fleet within their limits.", total)
	case agree+near == 0 && len(by[stateUnjudged.Word]) == total:
		lead = fmt.Sprintf("%s cannot be judged yet: there is no reference run.", show.Count(total, "cell", "cells"))
	default:
		lead = fmt.Sprintf("No cell needs recalibration; %s surely %s.", of(agree), verb(agree, "agrees", "agree"))
	}
	say := func(s state, format string, arguments ...any) {
		if n := len(by[s.Word]); n > 0 {
			more = append(more, fmt.Sprintf("%d %s: %s.", n, fmt.Sprintf(format, arguments...), list(by[s.Word])))
		}
	}
	count := func(s state) int { return len(by[s.Word]) }
	say(stateDrifting, "%s drifting", verb(count(stateDrifting), "is", "are"))
	say(stateDueEarly, "%s forecast to leave the limit before the next check", verb(count(stateDueEarly), "is", "are"))
	say(stateOverdue, "%s an overdue check", verb(count(stateOverdue), "has", "have"))
	for _, c := range cells {
		if c.State.Rank == 3 {
			more = append(more, fmt.Sprintf("%s is flagged: %s.", nameOf(c.CellStatus), c.State.Word))
		}
	}
	say(stateOutside, "%s outside the limit, but by less than U", verb(count(stateOutside), "is", "are"))
	say(stateNotSeparable, "cannot be told apart from a reference car")
	if agree+near > 0 && lead[:3] != "All" && lead[:3] != "The" {
		s := fmt.Sprintf("%d %s with the fleet within %s", agree+near, verb(agree+near, "agrees", "agree"), verb(agree+near, "its limit", "their limits"))
		if near > 0 {
			s += fmt.Sprintf(", %d of them by less than U (%s)", near, list(by[stateClose.Word]))
		}
		more = append(more, s+".")
	}
	if n := len(by[stateUnjudged.Word]); n > 0 && n < total {
		say(stateUnjudged, "%s no reference run yet and cannot be judged", verb(n, "has", "have"))
	}
	for _, f := range flags {
		if f.GetCellId() == "" {
			more = append(more, f.Of+" is flagged: it has changed, not the cells.")
		}
	}
	return lead, more
}

// list joins names as people do, not more than six of them.
func list(names []string) string {
	const most = 6
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// offsetAxis is the axis of the fleet's chart, symmetrical about the fleet. One
// cell far off does not squeeze the others: beyond four times the widest limit
// an arrow at the edge stands for it.
func offsetAxis(cells []*rollcallv1.CellStatus) axis {
	reach, limit := 0.0, 0.0
	for _, c := range cells {
		limit = max(limit, c.GetTolerance())
		if c.Offset != nil {
			reach = max(reach, math.Abs(c.GetOffset())+c.GetExpandedUncertainty())
		}
	}
	if limit == 0 {
		limit = 0.01
	}
	reach = min(max(reach, limit*1.4), limit*4) * 1.06
	return axis{-reach, reach}
}

// inside is where a place off the drawing is put.
func inside(share float64) float64 { return min(max(share, 0), 1) }

func drawOffset(c *rollcallv1.CellStatus, s state, x axis, r reader) template.HTML {
	limit := c.GetTolerance()
	label := fmt.Sprintf("%s: %s; limit ± %s %%; %s", nameOf(c), offsetWords(c), show.Percent(&limit), s.Word)
	d := newDrawing("plot", label, 30, r)
	d.rect("band", inside(x.at(-limit)), 0, inside(x.at(limit)), 1)
	for _, t := range x.ticks(6) {
		d.line("grid", x.at(t), 0, x.at(t), 1)
	}
	d.line("edge", inside(x.at(-limit)), 0, inside(x.at(-limit)), 1)
	d.line("edge", inside(x.at(limit)), 0, inside(x.at(limit)), 1)
	d.line("fleet", x.at(0), 0, x.at(0), 1)
	if c.Offset == nil {
		// A shape here would look like an offset of zero.
		d.text("tick", "end", x.at(0), 0.5, -8, 4, "no run yet")
		return d.end()
	}
	o, u := c.GetOffset(), c.GetExpandedUncertainty()
	if c.ExpandedUncertainty != nil {
		low, high := inside(x.at(o-u)), inside(x.at(o+u))
		d.line("interval", low, 0.5, high, 0.5)
		if x.at(o-u) >= 0 && x.at(o-u) <= 1 {
			d.line("interval", low, 0.3, low, 0.7)
		}
		if x.at(o+u) <= 1 && x.at(o+u) >= 0 {
			d.line("interval", high, 0.3, high, 0.7)
		}
	}
	switch at := x.at(o); {
	case at < 0.012:
		d.mark(arrowLeft, s.Class, 0.006, 0.5)
		d.mark(s.Shape, s.Class, 0.04, 0.5)
	case at > 0.988:
		d.mark(arrowRight, s.Class, 0.994, 0.5)
		d.mark(s.Shape, s.Class, 0.96, 0.5)
	default:
		d.mark(s.Shape, s.Class, at, 0.5)
	}
	return d.end()
}

// offsetWords is a cell's offset with U in words.
func offsetWords(c *rollcallv1.CellStatus) string {
	if c.Offset == nil {
		return "no reference run yet"
	}
	s := show.OffPercent(c.Offset) + " %"
	if c.ExpandedUncertainty != nil {
		s += " ± " + show.Percent(c.ExpandedUncertainty) + " %"
	}
	return s
}

func drawOffsetAxis(x axis, r reader) template.HTML {
	d := newDrawing("axis", "offset from the fleet in percent, low to the left, high to the right", 34, r)
	inPercent := axis{x.low * 100, x.high * 100}
	ticks := inPercent.ticks(6)
	step := roundStep((inPercent.high - inPercent.low) / 6)
	for _, t := range ticks {
		d.line("grid", inPercent.at(t), 0, inPercent.at(t), 0.2)
		word := tick(t, step)
		if t > step/2 {
			word = "+" + word
		}
		d.text("tick", "middle", inPercent.at(t), 0, 0, 18, word)
	}
	d.text("axisname", "start", 0, 1, 0, -2, "reads low")
	d.text("axisname", "middle", 0.5, 1, 0, -2, "offset from the fleet, %")
	d.text("axisname", "end", 1, 1, 0, -2, "reads high")
	return d.end()
}
