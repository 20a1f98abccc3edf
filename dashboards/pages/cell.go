package pages

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// cellPage is the data of a cell's page.
type cellPage struct {
	*rollcallv1.CellStatus
	Name, Site  string
	State       state
	Words       string
	Offsets     *chart // offset with U over time; nil: no run
	Weights     *chart // weight of evidence over time
	Sums        *chart // CUSUM over time
	Gains       *chart // gain errors of the checks
	Zeros       *chart // zero errors of the checks
	Epochs      []*rollcallv1.Epoch
	Geometries  []*rollcallv1.CellGeometry
	Due         []*rollcallv1.DueCheck
	Forecasts   []string
	From, Until string // of the address
	Nothing     bool   // in that range
	Runs        []*rollcallv1.Run
	Checks      []*rollcallv1.Check
	Pulls       []*rollcallv1.Pull
	Flags       []*rollcallv1.Flag
	// Certificates are the newest versions; Certified has them by check.
	Certificates []*rollcallv1.Certificate
	Certified    map[string]*rollcallv1.Certificate
	Cautions     []string // for a cell without runs
}

func (h *handler) showCell(ctx context.Context, r *http.Request) (answer, error) {
	from, until, err := span(r.URL.Query(), "")
	if err != nil {
		return answer{}, err
	}
	filter := &rollcallv1.Filter{CellId: r.PathValue("id"), Limit: 500, From: from, Until: until}
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{Filter: &rollcallv1.Filter{CellId: r.PathValue("id")}})
	if err != nil {
		return answer{}, err
	}
	i := slices.IndexFunc(cells.GetCells(), func(c *rollcallv1.CellStatus) bool { return c.GetCellId() == r.PathValue("id") })
	if i < 0 {
		return answer{}, status.Error(codes.NotFound, "no such cell")
	}
	c := cells.GetCells()[i]
	var (
		runs         *rollcallv1.ListRunsResponse
		checks       *rollcallv1.ListChecksResponse
		flags        *rollcallv1.ListFlagsResponse
		pulls        *rollcallv1.ListPullsResponse
		certificates []*rollcallv1.Certificate
		epochs       *rollcallv1.ListEpochsResponse
		geometries   *rollcallv1.ListGeometriesResponse
		due          *rollcallv1.ListDueResponse
	)
	// Nothing of it waits for the other.
	all, gone := errgroup.WithContext(ctx)
	id := c.GetCellId()
	all.Go(func() (err error) {
		runs, err = h.fleet.ListRuns(gone, &rollcallv1.ListRunsRequest{Filter: filter})
		return err
	})
	all.Go(func() (err error) {
		checks, err = h.fleet.ListChecks(gone, &rollcallv1.ListChecksRequest{Filter: filter})
		return err
	})
	all.Go(func() (err error) {
		flags, err = h.fleet.ListFlags(gone, &rollcallv1.ListFlagsRequest{Filter: &rollcallv1.Filter{CellId: id, Limit: 500}, IncludeClosed: true, Counted: true})
		return err
	})
	all.Go(func() (err error) {
		pulls, err = h.fleet.ListPulls(gone, &rollcallv1.ListPullsRequest{Filter: &rollcallv1.Filter{CellId: id, Limit: 30, From: from, Until: until}})
		return err
	})
	all.Go(func() (err error) {
		certificates, err = h.certificatesOf(gone, id)
		return err
	})
	all.Go(func() (err error) {
		epochs, err = h.fleet.ListEpochs(gone, &rollcallv1.ListEpochsRequest{Filter: &rollcallv1.Filter{CellId: id, Limit: 500}})
		return err
	})
	all.Go(func() (err error) {
		geometries, err = h.fleet.ListGeometries(gone, &rollcallv1.ListGeometriesRequest{CellId: id})
		return err
	})
	all.Go(func() (err error) {
		due, err = h.fleet.ListDue(gone, &rollcallv1.ListDueRequest{Filter: &rollcallv1.Filter{CellId: id}})
		return err
	})
	if err := all.Wait(); err != nil {
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
	q, rd := r.URL.Query(), readerFrom(ctx).in(c.GetSiteZone())
	p.From, p.Until = q.Get("from"), q.Get("until")
	p.Nothing = (from != nil || until != nil) && len(p.Runs) == 0 && len(p.Checks) == 0 && len(p.Pulls) == 0
	p.Epochs, p.Geometries, p.Due = epochs.GetEpochs(), geometries.GetGeometries(), due.GetDue()
	if s := crossingWords(c, rd); s != "" {
		p.Forecasts = append(p.Forecasts, s)
	}
	for _, d := range p.Due {
		if s := forecastWords(d, c, rd); s != "" {
			p.Forecasts = append(p.Forecasts, s)
		}
	}
	a := answer{page: "cell", title: p.Name, reader: &rd, message: c}
	if picture := drawOffsets(c, p.Runs, p.Checks, p.Epochs, rd); picture != "" {
		p.Offsets = offsetChart(p.Runs, c.GetTolerance(), picture)
		p.Sums = sumChart(p.Runs, c.GetCusumLimit(), drawSums(c, p.Runs, rd))
		p.Weights = weightChart(p.Runs, drawWeights(c, p.Runs, rd))
		a.charts = append(a.charts, p.Offsets, p.Weights, p.Sums)
	}
	if p.Gains = checkChart(c, p.Checks, true, rd); p.Gains != nil {
		a.charts = append(a.charts, p.Gains)
	}
	if p.Zeros = checkChart(c, p.Checks, false, rd); p.Zeros != nil {
		a.charts = append(a.charts, p.Zeros)
	}
	a.data = p
	return a, nil
}

// crossingWords says what the reference runs make of the cell's future: when its
// offset will be beyond the tolerance if it goes on; empty: not within half a year.
func crossingWords(c *rollcallv1.CellStatus, r reader) string {
	const already = 0.5
	switch {
	case c.GetNotSeparable() != "":
		return ""
	case c.GetBeyond() >= already:
		return fmt.Sprintf("By its reference runs it is out of tolerance with a probability of %s\u00a0%%.", r.Mark(fmt.Sprintf("%.0f", 100*math.Min(c.GetBeyond(), 0.99))))
	case c.GetCrossingAt() == nil:
		return ""
	}
	day := func(t *timestamppb.Timestamp) string { return t.AsTime().In(r.location()).Format(time.DateOnly) }
	s := "By its reference runs, if it goes on it leaves its tolerance by " + day(c.GetCrossingAt())
	if c.GetCrossingEarliestAt() != nil {
		s += ", with 95\u00a0% not before " + day(c.GetCrossingEarliestAt())
		if c.GetCrossingLatestAt() != nil {
			s += " and not after " + day(c.GetCrossingLatestAt())
		}
	}
	return s + "."
}

// forecastWords says when the error of the load cell, going on as its checks
// showed, reaches its tolerance; empty: no drift was seen.
func forecastWords(d *rollcallv1.DueCheck, c *rollcallv1.CellStatus, r reader) string {
	if d.RatePerDay == nil {
		return ""
	}
	rate, u := d.GetRatePerDay(), d.GetRateExpandedUncertaintyPerDay()
	words := ""
	if d.GetOf() == "load-cell zero" {
		words = fmt.Sprintf("%s N ± %s N a week", r.Mark(show.Signed(7*rate, 2)), r.Mark(show.Scaled(&u, 1./7, 2)))
	} else {
		words = fmt.Sprintf("%s %% ± %s %% a week", r.Mark(show.Signed(700*rate, 3)), r.Mark(show.Scaled(&u, 1./700, 3)))
	}
	s := "By its checks the " + d.GetOf() + " moves by " + words
	if d.InToleranceAtDue != nil && d.GetDueAt() != nil {
		s += fmt.Sprintf("; it stays in tolerance until %s with a probability of %.0f\u00a0%%", d.GetDueAt().AsTime().In(r.location()).Format(time.DateOnly), 100*d.GetInToleranceAtDue())
	}
	return s + "."
}

func offsetChart(runs []*rollcallv1.Run, tolerance float64, picture template.HTML) *chart {
	c := &chart{Name: "offset", Title: "Offset after each reference run", Picture: picture, Columns: []column{{Key: "started_at", Head: "Started"}, {Key: "run_id", Head: "Run"}, {Key: "car_id", Head: "Car"},
		{Key: "offset_ratio", Head: "Offset", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}, {Key: "deviation_ratio", Head: "Deviation", SI: "1", Signed: true}, {Key: "tolerance_ratio", Head: "Limit ±", SI: "1", Difference: true}}}
	for _, x := range sorted(runs) {
		c.Rows = append(c.Rows, []any{moment(x.GetStartedAt()), x.GetRunId(), x.GetCarId(), x.Offset, x.ExpandedUncertainty, x.Deviation, tolerance})
	}
	return c
}

func weightChart(runs []*rollcallv1.Run, picture template.HTML) *chart {
	c := &chart{Name: "evidence", Title: "Weight of evidence of a change after each reference run", Picture: picture, Columns: []column{{Key: "started_at", Head: "Started"}, {Key: "run_id", Head: "Run"}, {Key: "evidence", Head: "Weight", Decimals: 2}, {Key: "evidence_limit", Head: "Limit", Decimals: 1}}}
	for _, x := range sorted(runs) {
		c.Rows = append(c.Rows, []any{moment(x.GetStartedAt()), x.GetRunId(), x.GetEvidence(), x.GetEvidenceLimit()})
	}
	return c
}

func sumChart(runs []*rollcallv1.Run, limit float64, picture template.HTML) *chart {
	c := &chart{Name: "cusum", Title: "CUSUM after each reference run", Picture: picture, Columns: []column{{Key: "started_at", Head: "Started"}, {Key: "run_id", Head: "Run"}, {Key: "cusum_high", Head: "Upward", Decimals: 2}, {Key: "cusum_low", Head: "Downward", Decimals: 2}, {Key: "cusum_limit", Head: "Limit", Decimals: 2}}}
	for _, x := range sorted(runs) {
		c.Rows = append(c.Rows, []any{moment(x.GetStartedAt()), x.GetRunId(), x.GetCusumHigh(), x.GetCusumLow(), limit})
	}
	return c
}

// checkChart draws the gain errors, or the zero errors, that the checks of a cell
// found, with U; nil: there is none.
func checkChart(c *rollcallv1.CellStatus, checks []*rollcallv1.Check, gain bool, r reader) *chart {
	out := &chart{Name: "zero", Title: "Zero error by the checks", Columns: []column{{Key: "performed_at", Head: "Performed"}, {Key: "check_id", Head: "Check"}, {Key: "kind", Head: "Kind"}, {Key: "state", Head: "State"},
		{Key: "zero_error_n", Head: "Zero error", SI: "N", Signed: true, Decimals: 1}, {Key: "expanded_uncertainty_n", Head: "± U", SI: "N", Difference: true, Decimals: 1}, {Key: "verdict", Head: "Verdict"}}}
	si, by := "N", 1.0
	if gain {
		out.Name, out.Title, si, by = "gain", "Gain error by the checks", "%", 100
		out.Columns[4] = column{Key: "gain_error_ratio", Head: "Gain error", SI: "1", Signed: true, Decimals: 1}
		out.Columns[5] = column{Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true, Decimals: 1}
	}
	of := func(k *rollcallv1.Check) (x, u *float64) {
		if gain {
			return k.GainError, k.GainExpandedUncertainty
		}
		return k.ZeroErrorN, k.ZeroExpandedUncertaintyN
	}
	reach := 0.0
	all := slices.DeleteFunc(slices.Clone(checks), func(k *rollcallv1.Check) bool { x, _ := of(k); return x == nil || k.GetPerformedAt() == nil })
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b *rollcallv1.Check) int {
		return a.GetPerformedAt().AsTime().Compare(b.GetPerformedAt().AsTime())
	})
	value := func(x *float64) float64 {
		if x == nil {
			return 0
		}
		return *x * by
	}
	var times []time.Time
	for _, k := range all {
		x, u := of(k)
		reach = max(reach, math.Abs(value(x))+value(u))
		times = append(times, k.GetPerformedAt().AsTime())
		out.Rows = append(out.Rows, []any{moment(k.GetPerformedAt()), k.GetCheckId(), k.GetKind(), k.GetState(), x, u, k.GetVerdict()})
	}
	if !(reach > 0) {
		reach = 1
	}
	x, from, until := spanOf(times)
	y := axis{-reach * 1.15, reach * 1.15}
	d := newDrawing("chart", fmt.Sprintf("%s of %s, %s, with U", strings.ToLower(out.Title), nameOf(c), show.Count(len(all), "check", "checks")), 200, r)
	frameOf(d, x, from, until, y, chartHeight, " "+si)
	d.line("fleet", 0, y.up(0)*chartHeight, 1, y.up(0)*chartHeight)
	for i, k := range all {
		v, u := of(k)
		at := x.at(float64(times[i].UnixNano()))
		d.line("interval", at, inside(y.up(value(v)+value(u)))*chartHeight, at, inside(y.up(value(v)-value(u)))*chartHeight)
		shape, class := shapeOfVerdict(k.GetVerdict())
		d.mark(shape, class+" small", at, inside(y.up(value(v)))*chartHeight)
	}
	out.Picture = d.end()
	return out
}

// sorted returns the runs with a time, oldest first.
func sorted(runs []*rollcallv1.Run) []*rollcallv1.Run {
	all := slices.DeleteFunc(slices.Clone(runs), func(r *rollcallv1.Run) bool { return r.GetStartedAt() == nil })
	slices.SortStableFunc(all, func(a, b *rollcallv1.Run) int { return a.GetStartedAt().AsTime().Compare(b.GetStartedAt().AsTime()) })
	return all
}

// timeAxis spans the runs with a little room.
func timeAxis(runs []*rollcallv1.Run) (axis, time.Time, time.Time) {
	return spanOf([]time.Time{runs[0].GetStartedAt().AsTime(), runs[len(runs)-1].GetStartedAt().AsTime()})
}

// spanOf is an axis over times in order, with a little room.
func spanOf(times []time.Time) (axis, time.Time, time.Time) {
	from, until := times[0], times[len(times)-1]
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

func drawOffsets(c *rollcallv1.CellStatus, runs []*rollcallv1.Run, checks []*rollcallv1.Check, epochs []*rollcallv1.Epoch, r reader) template.HTML {
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
	d := newDrawing("chart", fmt.Sprintf("offset of %s from the fleet after each of %s, with U, against its limit of ± %.3g %%", nameOf(c), show.Count(len(runs), "reference run", "reference runs"), limit), 330, r)
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
	for _, e := range epochs {
		// Where the calibration changed, a line over the whole chart.
		if share := x.at(float64(e.GetSince().AsTime().UnixNano())); e.GetSince() != nil && e.GetSource() != "registry" && share > 0 && share < 1 {
			d.line("epoch", share, 0, share, offsetHeight)
		}
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

// drawWeights draws the weight of evidence in powers of ten: from one, below which
// nothing speaks for a change, to ten thousand, above which nothing speaks against it.
func drawWeights(c *rollcallv1.CellStatus, runs []*rollcallv1.Run, r reader) template.HTML {
	runs = sorted(runs)
	limit := c.GetEvidenceLimit()
	if len(runs) == 0 || limit <= 1 {
		return ""
	}
	x, from, until := timeAxis(runs)
	y := axis{0, math.Max(4, math.Log10(limit)+1)}
	d := newDrawing("chart", fmt.Sprintf("Weight of evidence that %s has changed, in powers of ten, against its limit of %.3g", nameOf(c), limit), 200, r)
	frameOf(d, x, from, until, y, chartHeight, "")
	edge := y.up(math.Log10(limit)) * chartHeight
	d.line("edge", 0, edge, 1, edge)
	var all []point
	for _, r := range runs {
		height := y.up(math.Log10(math.Max(1, r.GetEvidence())))
		all = append(all, point{x.at(float64(r.GetStartedAt().AsTime().UnixNano())), inside(height) * chartHeight})
	}
	d.curve("trace", all)
	return d.end()
}

func drawSums(c *rollcallv1.CellStatus, runs []*rollcallv1.Run, r reader) template.HTML {
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
	d := newDrawing("chart", fmt.Sprintf("CUSUM of %s, upward and downward, against its limit of %.3g", nameOf(c), limit), 200, r)
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
