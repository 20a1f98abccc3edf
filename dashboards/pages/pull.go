package pages

import (
	"cmp"
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// pullPage is the data of a pull's page.
type pullPage struct {
	*rollcallv1.Pull
	Car      string
	Figures  []figure
	Chart    *chart // nil: no curve
	Traces   []*chart
	reader   reader
	Channels []*rollcallv1.ChannelSummary
	Header   map[string]string
	Sweeps   []*rollcallv1.Sweep
	// NoCurve are the sweeps that give none.
	NoCurve []*rollcallv1.Sweep
	// Taken is the sweep that the figures are of; nil: none.
	Taken    *rollcallv1.Sweep
	Timeline template.HTML
	// Budget is that of the headline figure; nil: none.
	Budget *budget
}

// figure is a quantity with its words.
type figure struct{ Name, Value string }

// budget is an uncertainty budget in the units people use.
type budget struct {
	Of, Value, U, Own, Coverage string
	Rows                        []budgetRow
}

type budgetRow struct {
	Input, Value, U, Kind, Sensitivity, Contribution, Share, Freedom, SharedBy, Remark string
}

func (h *handler) showPull(ctx context.Context, r *http.Request) (answer, error) {
	id := r.PathValue("id")
	one, err := h.fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: id, WithSweeps: true})
	if err != nil {
		return answer{}, err
	}
	p := pullPage{Pull: one.GetPull(), Channels: one.GetChannels(), Header: one.GetHeader(), Sweeps: one.GetSweeps(), NoCurve: one.GetSweepsWithoutCurve()}
	for _, s := range p.Sweeps {
		if s.GetTaken() {
			p.Taken = s
		}
	}
	p.Car = p.GetCarId()
	if p.Car == "" {
		p.Car = p.GetCustomerCar()
	}
	title := fmt.Sprintf("%s on %s", p.GetKind(), p.GetCellId())
	if p.Car != "" {
		title = fmt.Sprintf("%s on %s", p.Car, p.GetCellId())
	}
	judged := p.GetState() == "computed" && p.GetKind() == "pull"
	var (
		cells  *rollcallv1.ListCellsResponse
		curve  *rollcallv1.GetCurveResponse
		traces *rollcallv1.GetTracesResponse
		made   *rollcallv1.GetBudgetResponse
	)
	// Nothing of it waits for the other. What a pull may be without ends nothing.
	all, gone := errgroup.WithContext(ctx)
	all.Go(func() (err error) {
		cells, err = h.fleet.ListCells(gone, &rollcallv1.ListCellsRequest{Filter: &rollcallv1.Filter{CellId: p.GetCellId()}})
		if status.Code(err) == codes.NotFound {
			return nil
		}
		return err
	})
	all.Go(func() (err error) {
		// What has no curve has no points; that is no trouble.
		if curve, err = h.fleet.GetCurve(gone, &rollcallv1.GetCurveRequest{PullId: id}); err != nil && !judged {
			return nil
		}
		return err
	})
	all.Go(func() (err error) {
		if traces, err = h.fleet.GetTraces(gone, &rollcallv1.GetTracesRequest{PullId: id, Most: tracePoints}); err != nil {
			h.Log.Warn("traces not shown", zap.String("pull", id), zap.Error(err))
		}
		return nil
	})
	if judged {
		all.Go(func() (err error) {
			// A pull that is being computed anew has no budget for a moment.
			if made, err = h.fleet.GetBudget(gone, &rollcallv1.GetBudgetRequest{PullId: id}); err != nil {
				h.Log.Info("budget not shown", zap.String("pull", id), zap.Error(err))
			}
			return nil
		})
	}
	if err := all.Wait(); err != nil {
		return answer{}, err
	}
	rd := readerFrom(ctx)
	for _, c := range cells.GetCells() {
		rd = rd.in(c.GetSiteZone())
	}
	p.reader = rd
	if p.Taken != nil {
		p.Timeline = drawSegments(p.Taken, rd)
	}
	a := answer{page: "pull", title: title, reader: &rd, message: one, scripts: []string{"/uplot.js", "/page.js"}}
	p.Figures = figuresOf(p.Pull, rd)
	if len(curve.GetPoints()) > 0 {
		p.Chart = curveChart("curve", "Power over engine speed", curve.GetPoints(), rd)
		a.charts = append(a.charts, p.Chart)
	}
	if traces != nil {
		p.Traces = traceCharts(worthShowing(traces.GetTraces(), p.GetFindings()), p.GetFindings(), rd)
		a.charts = append(a.charts, p.Traces...)
	}
	if made != nil {
		p.Budget = budgetOf(made, rd)
	}
	a.data = p
	return a, nil
}

// Headlines returns the headline figures.
func (p pullPage) Headlines() []show.Headline { return show.HeadlinesIn(p.Pull, p.reader.Units) }

// restatedPull is a restatement on the pull's page.
type restatedPull struct {
	*rollcallv1.RestatedPull
	Peaks []show.Restated
}

// RestatedBy returns the restatements of the pull that count.
func (p pullPage) RestatedBy() []restatedPull {
	var all []restatedPull
	for _, r := range p.GetRestatements() {
		all = append(all, restatedPull{r, show.RestatedPeaks(r, p.reader.Units)})
	}
	return all
}

// HeadlineLegend says how the headline figures are to be read.
func (p pullPage) HeadlineLegend() string { return show.HeadlineLegend(p.Headlines()) }

// SweepCount says how many sweeps the record has.
func (p pullPage) SweepCount() string { return show.SweepCount(len(p.Sweeps), len(p.NoCurve)) }

func figuresOf(p *rollcallv1.Pull, r reader) []figure {
	var all []figure
	add := func(name, value string) {
		if value != "" && value != show.Absent {
			all = append(all, figure{Name: name, Value: value})
		}
	}
	if p.CorrectionFactor != nil {
		name := p.GetCorrectionName()
		if name == "" {
			name = p.GetCorrection()
		}
		add("Correction factor", r.Mark(fmt.Sprintf("%.4f", p.GetCorrectionFactor()))+" ("+name+")")
		if p.GetCorrection() != "none" {
			judged := "inside what the standard allows"
			if !p.GetCorrectionInRange() {
				judged = "outside what the standard allows"
				if o := p.GetCorrectionOutside(); o != "" {
					judged += ": " + o
				}
			}
			add("Range of the correction", judged)
		}
		note := strings.TrimSuffix(strings.TrimSuffix(p.GetCorrectionNote(), p.GetCorrectionCaution()), "; ")
		if o := p.GetCorrectionOutside(); o != "" {
			note = strings.TrimSuffix(strings.TrimSuffix(note, o), "; ")
		}
		add("Air of the correction", note)
	}
	add("Smoothing", r.MarkSentence(show.Smoothing(p)))
	add("Session", p.GetSession())
	add("Set-up", p.GetSetUp())
	add("Label", p.GetLabel())
	add("Calibration", p.GetEpoch())
	if p.GetCodeVersion() != "" {
		add("Computed", "by code version "+p.GetCodeVersion())
	}
	return all
}

// Found is a finding as its row shows it.
type Found struct {
	*rollcallv1.Finding
	// No is its number, which stands on the traces too.
	No          int
	Where, Size string
}

// Found returns the findings with their spans and sizes.
func (p pullPage) Found() []Found {
	var all []Found
	for i, f := range p.GetFindings() {
		x := Found{Finding: f, No: i + 1, Size: p.reader.Mark(show.FindingSize(f))}
		x.Where = p.reader.Mark(show.FindingSpan(f))
		all = append(all, x)
	}
	return all
}

// budgetOf returns a budget with its figure in the unit people use, rows with
// the largest share first.
func budgetOf(r *rollcallv1.GetBudgetResponse, rd reader) *budget {
	scale := rd.Of(r.GetFigureUnit())
	unit, by := scale.Symbol, scale.Scale
	// Four digits, with an exponent only where there is no reading without.
	number := func(x float64) string {
		short := strconv.FormatFloat(x, 'g', 4, 64)
		if a := math.Abs(x); a >= 1e-4 && a < 1e7 {
			if r, err := strconv.ParseFloat(short, 64); err == nil {
				short = strconv.FormatFloat(r, 'f', -1, 64)
			}
		}
		return rd.Mark(show.Sentence(short))
	}
	in := func(x float64) string {
		return rd.Mark(strings.TrimPrefix(show.Signed(x/by, 3), "+"))
	}
	freedom := func(x *float64) string {
		if x == nil {
			return "∞"
		}
		return strconv.FormatFloat(*x, 'f', 0, 64)
	}
	b := &budget{
		Of: r.GetOf(), Value: rd.Mark(show.Scaled(&r.Value, by, 2)) + " " + unit, U: rd.Mark(show.Scaled(&r.ExpandedUncertainty, by, 2)) + " " + unit,
		Own:      in(r.GetOwnStandardUncertainty()) + " " + unit,
		Coverage: fmt.Sprintf("u %s %s, k %s for 95.45 %% with ν_eff %s", in(r.GetStandardUncertainty()), unit, rd.Mark(strconv.FormatFloat(r.GetCoverageFactor(), 'f', 2, 64)), freedom(r.DegreesOfFreedom)),
	}
	rows := slices.Clone(r.GetRows())
	slices.SortStableFunc(rows, func(a, b *rollcallv1.BudgetRow) int {
		return cmp.Compare(math.Abs(b.GetContribution()), math.Abs(a.GetContribution()))
	})
	total := 0.0
	for _, x := range rows {
		total += x.GetContribution() * x.GetContribution()
	}
	for _, x := range rows {
		row := budgetRow{Input: x.GetInput(), Value: strings.TrimSpace(number(x.GetValue()) + " " + x.GetUnit()), U: number(x.GetStandardUncertainty()), Kind: "B",
			Sensitivity: number(x.GetSensitivity()), Contribution: in(x.GetContribution()), Freedom: freedom(x.DegreesOfFreedom), SharedBy: x.GetSharedBy(), Remark: x.GetRemark()}
		if x.GetTypeA() {
			row.Kind = "A"
		}
		if total > 0 {
			row.Share = rd.Mark(fmt.Sprintf("%.1f", 100*x.GetContribution()*x.GetContribution()/total))
		}
		b.Rows = append(b.Rows, row)
	}
	return b
}

// drawSegments draws the segments of a sweep over time, the sweep solid and what
// the loss was measured in hatched by its word.
func drawSegments(s *rollcallv1.Sweep, r reader) template.HTML {
	all := s.GetSegments()
	if len(all) == 0 {
		return ""
	}
	x := axis{all[0].GetStartS(), all[len(all)-1].GetEndS()}
	if !(x.high > x.low) {
		return ""
	}
	var words []string
	for _, g := range all {
		words = append(words, g.GetKind()+" "+show.Span(g.GetStartS(), g.GetEndS()))
	}
	d := newDrawing("chart", "segments of the record: "+strings.Join(words, "; "), 86, r)
	for i, g := range all {
		from, to := x.at(g.GetStartS()), x.at(g.GetEndS())
		class := "trace dashed"
		if g.GetKind() == "sweep" || g.GetKind() == "coast-down" {
			class = "trace"
		}
		d.curve(class, []point{{from, 0.5}, {to, 0.5}})
		d.line("grid", from, 0, from, chartHeight)
		switch {
		case from > 0.9:
			d.text("tick", "end", from, 1, -2, -3, tick(g.GetStartS(), 0.1))
		case to-from > 0.06:
			d.text("tick", "start", from, 1, 2, -3, tick(g.GetStartS(), 0.1))
		}
		if to-from > 0.14 {
			d.text("name", "middle", (from+to)/2, 0.5, 0, -8+22*(i%2), g.GetKind())
		}
	}
	return d.end()
}

// curveChart is a curve with its figures.
func curveChart(name, title string, points []*rollcallv1.CurvePoint, r reader) *chart {
	c := &chart{Name: name, Title: title, Columns: []column{{Key: "engine_speed_rad_s", Head: "Engine speed", SI: "rad/s"}, {Key: "speed_mps", Head: "Speed", SI: "m/s"},
		{Key: "tractive_force_n", Head: "Tractive force", SI: "N"}, {Key: "tractive_force_expanded_uncertainty_n", Head: "± U", SI: "N", Difference: true},
		{Key: "wheel_power_w", Head: "Wheel power", SI: "W"}, {Key: "wheel_power_expanded_uncertainty_w", Head: "± U", SI: "W", Difference: true}, {Key: "driveline_loss_n", Head: "Loss", SI: "N"},
		{Key: "engine_power_w", Head: "Engine power", SI: "W"}, {Key: "engine_power_expanded_uncertainty_w", Head: "± U", SI: "W", Difference: true}, {Key: "engine_torque_nm", Head: "Engine torque", SI: "N·m"},
		{Key: "corrected_power_w", Head: "Corrected power", SI: "W"}, {Key: "corrected_torque_nm", Head: "Corrected torque", SI: "N·m"}}}
	expanded := func(u *float64) any {
		if u == nil {
			return nil
		}
		return 2 * *u
	}
	for _, p := range points {
		c.Rows = append(c.Rows, []any{p.GetEngineSpeedRadS(), p.GetSpeedMps(), p.GetTractiveForceN(), 2 * p.GetTractiveForceUncertaintyN(), p.GetWheelPowerW(), 2 * p.GetWheelPowerUncertaintyW(), p.DrivelineLossN,
			p.EnginePowerW, expanded(p.EnginePowerUncertaintyW), p.EngineTorqueNm, p.CorrectedPowerW, p.CorrectedTorqueNm})
	}
	c.Picture = drawCurve(points, r)
	return c
}

// drawCurve draws wheel and engine power with U over engine speed.
func drawCurve(points []*rollcallv1.CurvePoint, r reader) template.HTML {
	if len(points) < 2 {
		return ""
	}
	x := axis{math.Inf(1), math.Inf(-1)}
	y := axis{0, 0}
	unit, by := r.Power.Symbol, r.Power.Scale
	for _, p := range points {
		rpm := p.GetEngineSpeedRadS() / show.RPM
		x.low, x.high = min(x.low, rpm), max(x.high, rpm)
		y.high = max(y.high, (p.GetWheelPowerW()+2*p.GetWheelPowerUncertaintyW())/by, (p.GetEnginePowerW()+2*p.GetEnginePowerUncertaintyW())/by)
	}
	if !(x.high > x.low) || !(y.high > 0) {
		return ""
	}
	room := (x.high - x.low) * 0.05
	x.low, x.high, y.high = x.low-room, x.high+room, y.high*1.1
	d := newDrawing("chart", "wheel power and engine power in "+unit+", with U, over engine speed in rpm", 320, r)
	rpmFrame(d, x, y, unit, false)
	draw := func(class, name string, below bool, get func(*rollcallv1.CurvePoint) (value, u float64, there bool)) {
		var upper, middle, lower []point
		for _, p := range points {
			v, u, there := get(p)
			if !there {
				continue
			}
			at := x.at(p.GetEngineSpeedRadS() / show.RPM)
			middle = append(middle, point{at, inside(y.up(v/by)) * chartHeight})
			upper = append(upper, point{at, inside(y.up((v+2*u)/by)) * chartHeight})
			lower = append(lower, point{at, inside(y.up((v-2*u)/by)) * chartHeight})
		}
		if len(middle) == 0 {
			return
		}
		d.band("doubt", upper, lower)
		d.curve(class, middle)
		m := middle[len(middle)/2]
		dy := -12
		if below {
			dy = 24
		}
		d.text("name", "middle", m.x, m.y, 0, dy, name)
	}
	draw("trace dashed", "wheel power", true, func(p *rollcallv1.CurvePoint) (float64, float64, bool) {
		return p.GetWheelPowerW(), p.GetWheelPowerUncertaintyW(), true
	})
	draw("trace", "engine power", false, func(p *rollcallv1.CurvePoint) (float64, float64, bool) {
		return p.GetEnginePowerW(), p.GetEnginePowerUncertaintyW(), p.EnginePowerW != nil
	})
	return d.end()
}
