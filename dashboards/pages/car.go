package pages

import (
	"cmp"
	"context"
	"fmt"
	"html"
	"html/template"
	"math"
	"net/http"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// carsPage is the data of the list of reference cars.
type carsPage struct {
	Cars     []carRow
	Network  *chart
	Cautions []string
}

type carRow struct {
	*rollcallv1.CarStatus
	State state
	Name  string
}

// stateCar is the state of a reference car: flagged, unknown, or as it was.
func stateCar(c *rollcallv1.CarStatus) state {
	switch {
	case c.GetFlagId() != "":
		s := stateOf(&rollcallv1.CellStatus{FlagId: c.GetFlagId(), FlagKind: c.GetFlagKind()})
		s.Word = "has changed"
		if c.GetFlagKind() != "reference car" {
			s.Word = c.GetFlagKind()
		}
		return s
	case c.Change == nil:
		return state{cross, "none", "not followed yet", 7}
	}
	return state{disc, "good", "not flagged", 8}
}

func carName(c *rollcallv1.CarStatus) string { return cmp.Or(c.GetName(), c.GetCarId()) }

func (h *handler) showCars(ctx context.Context, r *http.Request) (answer, error) {
	from, until, err := span(r.URL.Query(), "")
	if err != nil {
		return answer{}, err
	}
	cars, err := h.fleet.ListCars(ctx, &rollcallv1.ListCarsRequest{})
	if err != nil {
		return answer{}, err
	}
	if from == nil && until == nil {
		// The half year up to the newest run.
		var newest time.Time
		for _, c := range cars.GetCars() {
			if at := c.GetLastRunAt(); at != nil && at.AsTime().After(newest) {
				newest = at.AsTime()
			}
		}
		if !newest.IsZero() {
			from = stamp(newest.AddDate(0, 0, -7*visitWeeks))
		}
	}
	var (
		runs  *rollcallv1.ListRunsResponse
		cells *rollcallv1.ListCellsResponse
	)
	all, gone := errgroup.WithContext(ctx)
	all.Go(func() (err error) {
		runs, err = h.fleet.ListRuns(gone, &rollcallv1.ListRunsRequest{Filter: &rollcallv1.Filter{From: from, Until: until, Limit: 2000}})
		return err
	})
	all.Go(func() (err error) {
		cells, err = h.fleet.ListCells(gone, &rollcallv1.ListCellsRequest{})
		return err
	})
	if err := all.Wait(); err != nil {
		return answer{}, err
	}
	p := carsPage{Network: visitChart(runs.GetRuns(), cells.GetCells(), readerFrom(ctx))}
	for _, c := range cars.GetCars() {
		p.Cars = append(p.Cars, carRow{c, stateCar(c), carName(c)})
	}
	if len(p.Cars) == 0 || len(runs.GetRuns()) == 0 {
		p.Cautions = []string{caution.Car, caution.First}
	}
	return answer{page: "cars", title: "Reference cars", data: p, charts: []*chart{p.Network}, message: cars}, nil
}

// visitWeeks is how far back visits are shown where an address does not say.
const visitWeeks = 27

// visitChart is the visit network: who has been where when, a line for each cell
// that was visited.
func visitChart(runs []*rollcallv1.Run, cells []*rollcallv1.CellStatus, r reader) *chart {
	c := &chart{Name: "visits", Title: "Visits", Columns: []column{{Key: "started_at", Head: "Started"}, {Key: "car_id", Head: "Car"}, {Key: "cell_id", Head: "Cell"}, {Key: "run_id", Head: "Run"}, {Key: "pulls_used", Head: "Pulls"}, {Key: "pulls_left_out", Head: "Left out"}, {Key: "deviation_ratio", Head: "Deviation", SI: "1", Signed: true}}}
	all := sorted(runs)
	for _, x := range all {
		c.Rows = append(c.Rows, []any{moment(x.GetStartedAt()), x.GetCarId(), x.GetCellId(), x.GetRunId(), int(x.GetPullsUsed()), int(x.GetPullsLeftOut()), x.Deviation})
	}
	c.Picture = drawVisits(all, cells, r)
	return c
}

// mostLines bounds the lines of a drawing of visits.
const mostLines = 60

// marks tell cars apart by shape; where there are more cars than shapes, by their
// first letters.
var marks = []string{disc, triangle, square, diamond, ring, cross, hollowTriangle, halfDisc}

// drawVisits draws visits over time, a line a cell, a shape a car.
func drawVisits(runs []*rollcallv1.Run, cells []*rollcallv1.CellStatus, r reader) template.HTML {
	if len(runs) == 0 {
		return ""
	}
	var lines, cars []string
	names := map[string]string{}
	for _, c := range cells {
		names[c.GetCellId()] = nameOf(c)
	}
	for _, x := range runs {
		if !slices.Contains(lines, x.GetCellId()) {
			lines = append(lines, x.GetCellId())
		}
		if !slices.Contains(cars, x.GetCarId()) {
			cars = append(cars, x.GetCarId())
		}
	}
	slices.Sort(lines)
	slices.Sort(cars)
	more := max(len(lines)-mostLines, 0)
	lines = lines[:len(lines)-more]
	label := fmt.Sprintf("%s to %s", show.Count(len(runs), "visit", "visits"), show.Count(len(lines)+more, "cell", "cells"))
	if len(cars) > 1 {
		label += fmt.Sprintf(" by %s", show.Count(len(cars), "car", "cars"))
	}
	x, from, until := timeAxis(runs)
	// The names have the left of the drawing.
	x.low -= (x.high - x.low) * 0.22
	const rowHeight, foot = 26, 22
	height := len(lines)*rowHeight + foot
	d := newDrawing("chart visits", label, height, r)
	bottom := float64(len(lines)*rowHeight) / float64(height)
	for i, l := range lines {
		y := (float64(i) + 1) * rowHeight / float64(height)
		d.line("grid", 0, y, 1, y)
		d.text("tick", "start", 0, y, 2, -5, cmp.Or(names[l], l))
	}
	at, words := days(from, until, 7)
	for i, t := range at {
		share := x.at(float64(t.UnixNano()))
		if share < 0.2 || share > 0.96 {
			continue
		}
		d.line("grid", share, 0, share, bottom)
		d.text("tick", "middle", share, 1, 0, -3, words[i])
	}
	for _, v := range runs {
		i := slices.Index(lines, v.GetCellId())
		if i < 0 {
			continue
		}
		y := (float64(i) + 0.68) * rowHeight / float64(height)
		share := x.at(float64(v.GetStartedAt().AsTime().UnixNano()))
		shape := marks[slices.Index(cars, v.GetCarId())%len(marks)]
		class := "none small"
		fmt.Fprintf(&d.b, `<g><title>%s on %s, %s</title>`, html.EscapeString(v.GetCarId()), html.EscapeString(cmp.Or(names[v.GetCellId()], v.GetCellId())), v.GetStartedAt().AsTime().Format(time.DateOnly))
		d.mark(shape, class, share, y)
		d.b.WriteString("</g>")
	}
	out := string(d.end())
	if len(cars) > 1 {
		out += `<p class="legend">`
		for i, c := range cars {
			out += "<span>" + string(sign(marks[i%len(marks)], "none")) + " " + html.EscapeString(c) + "</span> "
		}
		out += "</p>"
	}
	if more > 0 {
		out += fmt.Sprintf(`<p class="note">%s more are in the table.</p>`, show.Count(more, "cell", "cells"))
	}
	return template.HTML(out) //nolint:gosec // Every text in it has been escaped.
}

// carPage is the data of a reference car's page.
type carPage struct {
	*rollcallv1.CarStatus
	Name, Words string
	State       state
	Drift       *chart
	Network     *chart
	Curve       *chart
	CurveOf     *rollcallv1.Pull
	Visits      []visit
	Runs        []*rollcallv1.Run
	Flags       []*rollcallv1.Flag
	Next        []string // where to send it, from Options.Next
	From, Until string
	Nothing     bool
	MoreRuns    bool // there are older ones
	Cautions    []string
}

// mostRuns is how many of its runs a car's page shows, the newest; mostDrift how many
// points its drift is drawn with.
const mostRuns, mostDrift = 520, 300

// visit is what a car has done on one cell.
type visit struct {
	Cell, Name  string
	Runs        int
	First, Last *rollcallv1.Run
}

func (h *handler) showCar(ctx context.Context, r *http.Request) (answer, error) {
	id := r.PathValue("id")
	from, until, err := span(r.URL.Query(), "")
	if err != nil {
		return answer{}, err
	}
	cars, err := h.fleet.ListCars(ctx, &rollcallv1.ListCarsRequest{CarId: id})
	if err != nil {
		return answer{}, err
	}
	i := slices.IndexFunc(cars.GetCars(), func(c *rollcallv1.CarStatus) bool { return c.GetCarId() == id })
	if i < 0 {
		return answer{}, status.Error(codes.NotFound, "no such car")
	}
	rd := readerFrom(ctx)
	c := cars.GetCars()[i]
	var (
		runs  *rollcallv1.ListRunsResponse
		cells *rollcallv1.ListCellsResponse
		flags *rollcallv1.ListFlagsResponse
		pulls *rollcallv1.ListPullsResponse
	)
	// Nothing of it waits for the other.
	all, gone := errgroup.WithContext(ctx)
	all.Go(func() (err error) {
		runs, err = h.fleet.ListRuns(gone, &rollcallv1.ListRunsRequest{Filter: &rollcallv1.Filter{CarId: id, From: from, Until: until, Limit: mostRuns}})
		return err
	})
	all.Go(func() (err error) {
		cells, err = h.fleet.ListCells(gone, &rollcallv1.ListCellsRequest{})
		return err
	})
	all.Go(func() (err error) {
		flags, err = h.fleet.ListFlags(gone, &rollcallv1.ListFlagsRequest{Filter: &rollcallv1.Filter{CarId: id, Limit: 200}, IncludeClosed: true, Counted: true})
		return err
	})
	all.Go(func() (err error) {
		pulls, err = h.fleet.ListPulls(gone, &rollcallv1.ListPullsRequest{Filter: &rollcallv1.Filter{CarId: id, From: from, Until: until, Limit: 50}})
		return err
	})
	if err := all.Wait(); err != nil {
		return answer{}, err
	}
	p := carPage{CarStatus: c, Name: carName(c), State: stateCar(c), Runs: runs.GetRuns(), MoreRuns: runs.GetMore(), From: r.URL.Query().Get("from"), Until: r.URL.Query().Get("until")}
	p.Flags = slices.DeleteFunc(flags.GetFlags(), func(f *rollcallv1.Flag) bool { return f.GetCarId() != id || f.GetCellId() != "" })
	p.Nothing = (from != nil || until != nil) && len(p.Runs) == 0
	p.Words = "no reference run yet"
	switch {
	case c.Change != nil && c.GetRuns() > 0:
		change, u := c.GetChange(), c.GetExpandedUncertainty()
		p.Words = fmt.Sprintf("%s %% ± %s %% since its first weeks", show.OffPercent(&change), show.Percent(&u))
	case len(p.Runs) > 0:
		p.Words = "too few runs to tell its own drift"
	}
	names := map[string]string{}
	for _, x := range cells.GetCells() {
		names[x.GetCellId()] = nameOf(x)
	}
	for _, x := range sorted(p.Runs) {
		k := slices.IndexFunc(p.Visits, func(v visit) bool { return v.Cell == x.GetCellId() })
		if k < 0 {
			k = len(p.Visits)
			p.Visits = append(p.Visits, visit{Cell: x.GetCellId(), Name: cmp.Or(names[x.GetCellId()], x.GetCellId()), First: x})
		}
		p.Visits[k].Runs++
		p.Visits[k].Last = x
	}
	slices.SortFunc(p.Visits, func(a, b visit) int {
		return b.Last.GetStartedAt().AsTime().Compare(a.Last.GetStartedAt().AsTime())
	})
	a := answer{page: "car", title: p.Name, reader: &rd, message: c}
	if p.Drift = driftChart(c, from.AsTime(), until.AsTime(), from != nil, until != nil, rd); p.Drift != nil {
		a.charts = append(a.charts, p.Drift)
	}
	if len(p.Runs) > 0 {
		p.Network = visitChart(p.Runs, cells.GetCells(), rd)
		a.charts = append(a.charts, p.Network)
	} else {
		p.Cautions = []string{caution.Car, caution.First}
	}
	// Its curve is that of the newest pull that gives one and may judge a cell.
	for _, x := range pulls.GetPulls() {
		if x.GetState() != "computed" || x.GetKind() != "pull" || slices.ContainsFunc(x.GetFindings(), (*rollcallv1.Finding).GetDisqualifying) {
			continue
		}
		curve, err := h.fleet.GetCurve(ctx, &rollcallv1.GetCurveRequest{PullId: x.GetPullId()})
		if err != nil {
			return answer{}, err
		}
		if len(curve.GetPoints()) > 0 {
			p.CurveOf, p.Curve = x, curveChart("curve", "Curve of its newest pull", curve.GetPoints(), rd)
			a.charts = append(a.charts, p.Curve)
			break
		}
	}
	if h.Next != nil {
		if p.Next, err = h.Options.Next(ctx, id); err != nil {
			return answer{}, err
		}
	}
	a.data = p
	return a, nil
}

// driftChart draws how far a car has moved since its first weeks; nil: not known.
func driftChart(car *rollcallv1.CarStatus, from, until time.Time, hasFrom, hasUntil bool, r reader) *chart {
	c := &chart{Name: "drift", Title: "Its own change since its first weeks", Columns: []column{{Key: "at", Head: "After the run of"}, {Key: "cell_id", Head: "Cell"}, {Key: "run_id", Head: "Run"}, {Key: "change_ratio", Head: "Change", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}}}
	var times []time.Time
	var kept []*rollcallv1.CarChange
	reach := 0.0
	for _, x := range car.GetHistory() {
		t := x.GetAt().AsTime()
		if hasFrom && t.Before(from) || hasUntil && !t.Before(until) {
			continue
		}
		times, kept = append(times, t), append(kept, x)
		reach = max(reach, 100*(math.Abs(x.GetChange())+min(x.GetExpandedUncertainty(), 0.05)))
		c.Rows = append(c.Rows, []any{t, x.GetCellId(), x.GetRunId(), x.GetChange(), x.GetExpandedUncertainty()})
	}
	if len(kept) == 0 {
		return nil
	}
	x, a, b := spanOf(times)
	y := axis{-max(reach, 0.1) * 1.15, max(reach, 0.1) * 1.15}
	d := newDrawing("chart", fmt.Sprintf("change of %s since its first weeks after each of %s, with U", carName(car), show.Count(len(kept), "run", "runs")), 260, r)
	frameOf(d, x, a, b, y, chartHeight, " %")
	d.line("fleet", 0, y.up(0)*chartHeight, 1, y.up(0)*chartHeight)
	var upper, middle, lower []point
	// Of a long history one in so many, the newest always.
	for drawn, n := min(len(kept), mostDrift), min(len(kept), mostDrift)-1; n >= 0; n-- {
		i := len(kept) - 1 - n*len(kept)/drawn
		k := kept[i]
		at := x.at(float64(times[i].UnixNano()))
		place := func(v float64) point { return point{at, inside(y.up(100*v)) * chartHeight} }
		middle = append(middle, place(k.GetChange()))
		upper = append(upper, place(k.GetChange()+k.GetExpandedUncertainty()))
		lower = append(lower, place(k.GetChange()-k.GetExpandedUncertainty()))
	}
	d.band("doubt", upper, lower)
	d.curve("trace", middle)
	for _, p := range middle {
		d.mark(disc, "dot", p.x, p.y)
	}
	c.Picture = d.end()
	return c
}
