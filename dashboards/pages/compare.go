package pages

import (
	"context"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// comparePage is the data of a comparison.
type comparePage struct {
	// Asked: an address that names two sets; else the page only asks for them.
	Asked       bool
	Lead, Wrong string
	// Head is the sentence of the peak in the reader's units, Band that of the mean.
	Head, Band string
	Resolved   bool
	*rollcallv1.ComparePullsResponse
	Curve         *chart
	Before, After setForm
	Figure        string
	Figures       []option
	Gain          string
	AnyCar        bool
	Rows          []setRow
	Parts         []figure
}

// setForm is what a set of pulls was chosen by.
type setForm struct{ Name, Word, Pulls, Cell, Car, CustomerCar, Session, Label, From, Until string }

type setRow struct {
	Word, Mean, Spread, Limit string
	*rollcallv1.SetSummary
}

// comparedFigures are those that can be asked for.
var comparedFigures = []string{"corrected engine power", "engine power", "wheel power", "corrected engine torque", "engine torque", "tractive force"}

// setOf reads one side from an address: before=ID,ID, or before.cell, before.car,
// before.customer, before.session, before.label, before.from, before.until.
func setOf(q url.Values, name string) (setForm, *rollcallv1.PullSet, error) {
	get := func(k string) string { return strings.TrimSpace(q.Get(name + k)) }
	f := setForm{Name: name, Word: strings.ToUpper(name[:1]) + name[1:], Pulls: get(""), Cell: get(".cell"), Car: get(".car"), CustomerCar: get(".customer"), Session: get(".session"), Label: get(".label"), From: get(".from"), Until: get(".until")}
	set := &rollcallv1.PullSet{Session: f.Session, Label: f.Label, CustomerCar: f.CustomerCar, Filter: &rollcallv1.Filter{CellId: f.Cell, CarId: f.Car}}
	set.PullIds = strings.FieldsFunc(f.Pulls, func(r rune) bool { return r == ',' || r == ';' || unicode.IsSpace(r) })
	from, until, err := span(q, name+".")
	set.Filter.From, set.Filter.Until = from, until
	return f, set, err
}

func (f setForm) empty() bool {
	f.Name, f.Word = "", ""
	return f == setForm{}
}

func (h *handler) showCompare(ctx context.Context, r *http.Request) (answer, error) {
	q, rd := r.URL.Query(), readerFrom(ctx)
	p := comparePage{Figure: q.Get("figure"), Gain: q.Get("gain"), AnyCar: q.Get("anycar") != ""}
	p.Figures = append(p.Figures, option{"", "as all pulls state it", p.Figure == ""})
	for _, f := range comparedFigures {
		p.Figures = append(p.Figures, option{f, f, f == p.Figure})
	}
	req := &rollcallv1.ComparePullsRequest{Figure: p.Figure, AnyCar: p.AnyCar}
	var wrong error
	for _, side := range []struct {
		name string
		form *setForm
		set  **rollcallv1.PullSet
	}{{"before", &p.Before, &req.Before}, {"after", &p.After, &req.After}} {
		var err error
		if *side.form, *side.set, err = setOf(q, side.name); err != nil && wrong == nil {
			wrong = err
		}
	}
	if p.Before.empty() && p.After.empty() {
		return answer{page: "compare", title: "Compare", data: p}, nil
	}
	p.Asked = true
	if p.Gain != "" {
		gain, err := strconv.ParseFloat(strings.Replace(strings.TrimSuffix(p.Gain, "%"), ",", ".", 1), 64)
		if err != nil || !(gain > 0 && gain < 1000) {
			wrong = status.Errorf(codes.InvalidArgument, "gain=%.20q is no percentage; write 1 for one percent", p.Gain)
		}
		gain /= 100
		req.Gain = &gain
	}
	// What cannot be compared is said above the form, with what was asked.
	refused := func(err error) (answer, error) {
		if h.Status != nil && status.Code(err) == codes.Unknown {
			err = h.Status(err)
		}
		code := map[codes.Code]int{codes.InvalidArgument: http.StatusBadRequest, codes.NotFound: http.StatusNotFound, codes.FailedPrecondition: http.StatusConflict}[status.Code(err)]
		if code == 0 || q.Get("format") != "" && q.Get("format") != "html" {
			return answer{}, err
		}
		p.Wrong = sentence(status.Convert(err).Message())
		return answer{page: "compare", title: "Compare", data: p, code: code}, nil
	}
	if wrong != nil {
		return refused(wrong)
	}
	c, err := h.fleet.ComparePulls(ctx, req)
	if err != nil {
		return refused(err)
	}
	p.ComparePullsResponse = c
	p.Head, p.Resolved = "Peak "+c.GetFigure()+": "+differenceWords(c.GetPeak(), c.GetFigureUnit(), rd), c.GetPeak().GetResolved()
	p.Band = fmt.Sprintf("Mean from %s to %s rpm: %s", rd.Fixed(c.GetEngineSpeedLowRadS(), rd.Of("rad/s"), 0), rd.Fixed(c.GetEngineSpeedHighRadS(), rd.Of("rad/s"), 0), differenceWords(c.GetBand(), c.GetFigureUnit(), rd))
	p.Curve = differenceChart(c, rd)
	s := rd.Of(c.GetFigureUnit())
	opt := func(x *float64) string {
		if x == nil {
			return show.Absent
		}
		return rd.Fixed(*x, s.Difference(), s.Decimals) + " " + s.Symbol
	}
	for _, x := range []struct {
		word string
		set  *rollcallv1.SetSummary
	}{{"before", c.GetBefore()}, {"after", c.GetAfter()}} {
		mean := x.set.GetMean()
		p.Rows = append(p.Rows, setRow{Word: x.word, Mean: rd.Quantity(&mean, c.GetFigureUnit()), Spread: opt(x.set.StandardDeviation), Limit: opt(x.set.RepeatabilityLimit), SetSummary: x.set})
	}
	for _, x := range c.GetParts() {
		u := x.GetUncertainty()
		p.Parts = append(p.Parts, figure{x.GetName() + ", " + x.GetOf(), opt(&u)})
	}
	return answer{page: "compare", title: "Compare", data: p, charts: []*chart{p.Curve}, message: c}, nil
}

// differenceWords says a difference in the reader's units, with U and whether it
// is resolved.
func differenceWords(d *rollcallv1.PullDifference, si string, r reader) string {
	s := r.Of(si)
	word := "not resolved"
	if d.GetResolved() {
		word = "resolved"
	}
	return fmt.Sprintf("%s %s ± %s %s (%s %% ± %s %%), from %s to %s %s; %s",
		r.Signed(d.GetDelta(), s.Difference(), s.Decimals), s.Symbol, r.Fixed(d.GetExpandedUncertainty(), s.Difference(), s.Decimals), s.Symbol,
		r.Mark(show.Signed(100*d.GetRatio(), 2)), r.Mark(strconv.FormatFloat(100*d.GetRatioExpandedUncertainty(), 'f', 2, 64)),
		r.Fixed(d.GetBefore(), s, s.Decimals), r.Fixed(d.GetAfter(), s, s.Decimals), s.Symbol, word)
}

// differenceChart draws after less before with U over engine speed.
func differenceChart(c *rollcallv1.ComparePullsResponse, r reader) *chart {
	key := map[string]string{"W": "w", "N·m": "nm", "N": "n"}[c.GetFigureUnit()]
	out := &chart{Name: "difference", Title: "Difference over engine speed", Columns: []column{
		{Key: "engine_speed_rad_s", Head: "Engine speed", SI: "rad/s"}, {Key: "before_" + key, Head: "Before", SI: c.GetFigureUnit()}, {Key: "after_" + key, Head: "After", SI: c.GetFigureUnit()},
		{Key: "difference_" + key, Head: "After less before", SI: c.GetFigureUnit(), Difference: true, Signed: true}, {Key: "expanded_uncertainty_" + key, Head: "± U", SI: c.GetFigureUnit(), Difference: true},
		{Key: "difference_ratio", Head: "After less before", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}, {Key: "resolved", Head: "Resolved"}}}
	points := slices.Clone(c.GetPoints())
	slices.SortFunc(points, func(a, b *rollcallv1.PullDifference) int {
		if a.GetEngineSpeedRadS() < b.GetEngineSpeedRadS() {
			return -1
		}
		return 1
	})
	for _, d := range points {
		resolved := "no"
		if d.GetResolved() {
			resolved = "yes"
		}
		out.Rows = append(out.Rows, []any{d.GetEngineSpeedRadS(), d.GetBefore(), d.GetAfter(), d.GetDelta(), d.GetExpandedUncertainty(), d.GetRatio(), d.GetRatioExpandedUncertainty(), resolved})
	}
	out.Picture = drawDifference(c, points, r)
	return out
}

func drawDifference(c *rollcallv1.ComparePullsResponse, points []*rollcallv1.PullDifference, r reader) template.HTML {
	if len(points) < 2 {
		return ""
	}
	s := r.Of(c.GetFigureUnit()).Difference()
	x, reach := axis{math.Inf(1), math.Inf(-1)}, 0.0
	for _, d := range points {
		rpm := d.GetEngineSpeedRadS() / show.RPM
		x.low, x.high = min(x.low, rpm), max(x.high, rpm)
		reach = max(reach, s.FromSI(math.Abs(d.GetDelta())+d.GetExpandedUncertainty()))
	}
	if !(x.high > x.low) || !(reach > 0) {
		return ""
	}
	room := (x.high - x.low) * 0.05
	x.low, x.high = x.low-room, x.high+room
	y := axis{-reach * 1.1, reach * 1.1}
	d := newDrawing("chart", fmt.Sprintf("after less before in %s, with U, over engine speed in rpm", s.Symbol), 300, r)
	rpmFrame(d, x, y, s.Symbol, true)
	d.line("fleet", 0, y.up(0)*chartHeight, 1, y.up(0)*chartHeight)
	var upper, middle, lower []point
	for _, p := range points {
		at := x.at(p.GetEngineSpeedRadS() / show.RPM)
		place := func(v float64) point { return point{at, inside(y.up(s.FromSI(v))) * chartHeight} }
		middle = append(middle, place(p.GetDelta()))
		upper = append(upper, place(p.GetDelta()+p.GetExpandedUncertainty()))
		lower = append(lower, place(p.GetDelta()-p.GetExpandedUncertainty()))
	}
	d.band("doubt", upper, lower)
	d.curve("trace", middle)
	for i, p := range points {
		// Shapes say it: a disc where the difference is resolved, a ring where not.
		if len(points) <= 40 || i%(len(points)/20) == 0 {
			shape := ring
			if p.GetResolved() {
				shape = disc
			}
			d.mark(shape, "dot", middle[i].x, middle[i].y)
		}
	}
	return d.end()
}

// rpmFrame draws the grid of a chart over engine speed.
func rpmFrame(d *drawing, x, y axis, unit string, signed bool) {
	step := roundStep((y.high - y.low) / 5)
	for _, t := range y.ticks(5) {
		d.line("grid", 0, y.up(t)*chartHeight, 1, y.up(t)*chartHeight)
		word := tick(t, step)
		if signed && t > step/2 {
			word = "+" + word
		}
		d.text("tick", "start", 0, y.up(t)*chartHeight, 2, -3, word+" "+unit)
	}
	for _, t := range x.ticks(6) {
		d.line("grid", x.at(t), 0, x.at(t), chartHeight)
		if share := x.at(t); share > 0.03 && share < 0.97 {
			d.text("tick", "middle", share, 1, 0, -3, tick(t, 1))
		}
	}
}
