package pages

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// cellPage is the data of a cell's page.
type cellPage struct {
	*rollcallv1.CellStatus
	Name, Site string
	State      state
	Words      string
	Offsets    template.HTML // offset with U over time
	Sums       template.HTML // CUSUM over time
	Runs       []*rollcallv1.Run
	Checks     []*rollcallv1.Check
	Pulls      []*rollcallv1.Pull
	Flags      []*rollcallv1.Flag
	// Certificates are the newest versions; Certified has them by check.
	Certificates []*rollcallv1.Certificate
	Certified    map[string]*rollcallv1.Certificate
	Cautions     []string // for a cell without runs
}

func (h *handler) showCell(ctx context.Context, r *http.Request) (answer, error) {
	filter := &rollcallv1.Filter{CellId: r.PathValue("id"), Limit: 500}
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{Filter: &rollcallv1.Filter{CellId: r.PathValue("id")}})
	if err != nil {
		return answer{}, err
	}
	i := slices.IndexFunc(cells.GetCells(), func(c *rollcallv1.CellStatus) bool { return c.GetCellId() == r.PathValue("id") })
	if i < 0 {
		return answer{}, status.Error(codes.NotFound, "no such cell")
	}
	c := cells.GetCells()[i]
	runs, err := h.fleet.ListRuns(ctx, &rollcallv1.ListRunsRequest{Filter: filter})
	if err != nil {
		return answer{}, err
	}
	checks, err := h.fleet.ListChecks(ctx, &rollcallv1.ListChecksRequest{Filter: filter})
	if err != nil {
		return answer{}, err
	}
	flags, err := h.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{Filter: filter, IncludeClosed: true})
	if err != nil {
		return answer{}, err
	}
	pulls, err := h.fleet.ListPulls(ctx, &rollcallv1.ListPullsRequest{Filter: &rollcallv1.Filter{CellId: c.GetCellId(), Limit: 30}})
	if err != nil {
		return answer{}, err
	}
	certificates, err := h.certificatesOf(ctx, c.GetCellId())
	if err != nil {
		return answer{}, err
	}
	p := cellPage{CellStatus: c, Name: nameOf(c), Site: siteOf(c), State: stateOf(c), Words: offsetWords(c),
		Runs: runs.GetRuns(), Checks: checks.GetChecks(), Pulls: pulls.GetPulls(), Flags: flags.GetFlags()}
	p.Certificates, p.Certified = certificates, map[string]*rollcallv1.Certificate{}
	for _, x := range certificates {
		for _, id := range x.GetCheckIds() {
			p.Certified[id] = x
		}
	}
	if len(p.Runs) == 0 {
		p.Cautions = []string{caution.Car, caution.First}
	}
	p.Offsets = drawOffsets(c, p.Runs, p.Checks)
	p.Sums = drawSums(c, p.Runs)
	return answer{page: "cell", title: p.Name, data: p}, nil
}

// sorted returns the runs with a time, oldest first.
func sorted(runs []*rollcallv1.Run) []*rollcallv1.Run {
	all := slices.DeleteFunc(slices.Clone(runs), func(r *rollcallv1.Run) bool { return r.GetStartedAt() == nil })
	slices.SortStableFunc(all, func(a, b *rollcallv1.Run) int { return a.GetStartedAt().AsTime().Compare(b.GetStartedAt().AsTime()) })
	return all
}

// timeAxis spans the runs with a little room.
func timeAxis(runs []*rollcallv1.Run) (axis, time.Time, time.Time) {
	from, until := runs[0].GetStartedAt().AsTime(), runs[len(runs)-1].GetStartedAt().AsTime()
	room := max(until.Sub(from)/40, 12*time.Hour)
	from, until = from.Add(-room), until.Add(room)
	return axis{float64(from.UnixNano()), float64(until.UnixNano())}, from, until
}

// chartHeight is the share of a chart over time above its dates; of the chart
// of offsets the checks have what lies between offsetHeight and that.
const (
	chartHeight  = 0.9
	offsetHeight = 0.8
)

// frameOf draws what charts over time have in common.
func frameOf(d *drawing, x axis, from, until time.Time, y axis, height float64, unit string) {
	step := roundStep((y.high - y.low) / 5)
	for _, t := range y.ticks(5) {
		place := y.up(t) * height
		d.line("grid", 0, place, 1, place)
		word := tick(t, step)
		if t > step/2 {
			word = "+" + word
		}
		if place > 0.06 {
			d.text("tick", "start", 0, place, 2, -3, word+unit)
		}
	}
	at, words := days(from, until, 7)
	for i, t := range at {
		share := x.at(float64(t.UnixNano()))
		if share < 0.04 || share > 0.96 {
			continue
		}
		d.line("grid", share, 0, share, chartHeight)
		d.text("tick", "middle", share, 1, 0, -3, words[i])
	}
}

func drawOffsets(c *rollcallv1.CellStatus, runs []*rollcallv1.Run, checks []*rollcallv1.Check) template.HTML {
	runs = slices.DeleteFunc(sorted(runs), func(r *rollcallv1.Run) bool { return r.Offset == nil })
	if len(runs) == 0 {
		return ""
	}
	limit := c.GetTolerance() * 100
	reach := limit * 1.3
	for _, r := range runs {
		// The line itself is never cut off; a very wide U is.
		reach = max(reach, math.Abs(r.GetOffset())*105, min(math.Abs(r.GetOffset())+r.GetExpandedUncertainty(), 4*c.GetTolerance())*105)
	}
	x, from, until := timeAxis(runs)
	y := axis{-reach, reach}
	d := newDrawing("chart", fmt.Sprintf("offset of %s from the fleet after each of %s, with U, against its limit of ± %.3g %%", nameOf(c), show.Count(len(runs), "reference run", "reference runs"), limit), 330)
	place := func(r *rollcallv1.Run, v float64) point {
		return point{x.at(float64(r.GetStartedAt().AsTime().UnixNano())), inside(y.up(v*100)) * offsetHeight}
	}
	d.rect("band", 0, y.up(limit)*offsetHeight, 1, y.up(-limit)*offsetHeight)
	frameOf(d, x, from, until, y, offsetHeight, " %")
	d.line("edge", 0, y.up(limit)*offsetHeight, 1, y.up(limit)*offsetHeight)
	d.line("edge", 0, y.up(-limit)*offsetHeight, 1, y.up(-limit)*offsetHeight)
	d.line("fleet", 0, y.up(0)*offsetHeight, 1, y.up(0)*offsetHeight)
	var upper, middle, lower []point
	for _, r := range runs {
		middle = append(middle, place(r, r.GetOffset()))
		upper = append(upper, place(r, r.GetOffset()+r.GetExpandedUncertainty()))
		lower = append(lower, place(r, r.GetOffset()-r.GetExpandedUncertainty()))
	}
	d.band("doubt", upper, lower)
	d.curve("trace", middle)
	for _, p := range middle {
		d.mark(disc, "dot", p.x, p.y)
	}
	for _, k := range checks {
		if share := x.at(float64(k.GetPerformedAt().AsTime().UnixNano())); k.GetPerformedAt() != nil && share >= 0 && share <= 1 {
			shape, class := shapeOfVerdict(k.GetVerdict())
			d.mark(shape, class+" small", share, (offsetHeight+chartHeight)/2)
		}
	}
	return d.end()
}

// shapeOfVerdict is the shape of a check's verdict.
func shapeOfVerdict(verdict string) (shape, class string) {
	switch verdict {
	case "pass":
		return disc, "good"
	case "conditional pass":
		return halfDisc, "good"
	case "conditional fail":
		return hollowTriangle, "bad"
	case "fail":
		return triangle, "bad"
	}
	return cross, "none"
}

func drawSums(c *rollcallv1.CellStatus, runs []*rollcallv1.Run) template.HTML {
	runs = sorted(runs)
	if len(runs) == 0 || c.GetCusumLimit() <= 0 {
		return ""
	}
	limit := c.GetCusumLimit()
	reach := limit * 1.3
	for _, r := range runs {
		reach = max(reach, max(r.GetCusumHigh(), r.GetCusumLow())*1.05)
	}
	x, from, until := timeAxis(runs)
	y := axis{-reach, reach}
	d := newDrawing("chart", fmt.Sprintf("CUSUM of %s, upward and downward, against its limit of %.3g", nameOf(c), limit), 200)
	frameOf(d, x, from, until, y, chartHeight, "")
	for _, edge := range []float64{limit, -limit} {
		d.line("edge", 0, y.up(edge)*chartHeight, 1, y.up(edge)*chartHeight)
	}
	d.line("fleet", 0, y.up(0)*chartHeight, 1, y.up(0)*chartHeight)
	var high, low []point
	for _, r := range runs {
		at := x.at(float64(r.GetStartedAt().AsTime().UnixNano()))
		high = append(high, point{at, inside(y.up(math.Abs(r.GetCusumHigh()))) * chartHeight})
		low = append(low, point{at, inside(y.up(-math.Abs(r.GetCusumLow()))) * chartHeight})
	}
	d.curve("trace", high)
	d.curve("trace dashed", low)
	return d.end()
}

// flagPage is the data of a flag's page.
type flagPage struct {
	*rollcallv1.Flag
	Title, Link string
	State       state
	Cautions    []string
	// Certificates are those of the cell's checks, newest first.
	Certificates []*rollcallv1.Certificate
}

// mostCertificates is how many certificates a flag's page lists.
const mostCertificates = 5

func (h *handler) showFlag(ctx context.Context, r *http.Request) (answer, error) {
	flags, err := h.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{IncludeClosed: true, Filter: &rollcallv1.Filter{Limit: 1_000_000}})
	if err != nil {
		return answer{}, err
	}
	for _, f := range flags.GetFlags() {
		if f.GetFlagId() != r.PathValue("id") {
			continue
		}
		name := f.GetCellId()
		if name != "" {
			cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{Filter: &rollcallv1.Filter{CellId: name}})
			if err != nil {
				return answer{}, err
			}
			for _, c := range cells.GetCells() {
				name = nameOf(c)
			}
		}
		p := flagPage{Flag: f, Title: show.Title(f, name), State: stateOf(&rollcallv1.CellStatus{FlagId: f.GetFlagId(), FlagKind: f.GetKind()})}
		if f.GetCellId() != "" {
			p.Link = "/cells/" + f.GetCellId()
			if p.Certificates, err = h.certificatesOf(ctx, f.GetCellId()); err != nil {
				return answer{}, err
			}
			p.Certificates = p.Certificates[:min(len(p.Certificates), mostCertificates)]
		}
		if f.GetOpen() && f.GetNextCheck() != "" {
			p.Cautions = []string{caution.Car, caution.Masses, caution.First}
		}
		return answer{page: "flag", title: p.Title, data: p}, nil
	}
	return answer{}, status.Error(codes.NotFound, "no such flag")
}
