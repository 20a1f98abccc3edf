package pages

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// tracePoints is how many samples of a channel a drawing has at most: two for
// each pixel column of a narrow one. mostTracePoints bounds what an address may ask
// for; a closer look takes a shorter span.
const (
	tracePoints     = 500
	mostTracePoints = 20000
)

// firstTraces are shown on a pull's page, beside those that findings concern.
var firstTraces = []string{"engine_speed", "roller_speed", "load_cell"}

// worthShowing returns the traces of a pull's page, those findings concern last.
func worthShowing(all []*rollcallv1.Trace, findings []*rollcallv1.Finding) []*rollcallv1.Trace {
	var names []string
	names = append(names, firstTraces...)
	for _, f := range findings {
		names = append(names, f.GetChannel())
	}
	var out []*rollcallv1.Trace
	for _, name := range names {
		for _, t := range all {
			if t.GetChannel() == name && !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
	}
	return out
}

// traceCharts draws traces over the seconds of the record, with the findings that
// concern each.
func traceCharts(traces []*rollcallv1.Trace, findings []*rollcallv1.Finding, r reader) []*chart {
	var out []*chart
	for _, t := range traces {
		if len(t.GetTimeS()) == 0 {
			continue
		}
		s := r.Of(t.GetUnit())
		c := &chart{Name: t.GetChannel(), Title: show.Clean(strings.TrimPrefix(strings.ReplaceAll(t.GetChannel(), "_", " "), "x ")), Columns: []column{{Key: "time_s", Head: "Time", SI: "s"}, {Key: t.GetChannel(), Head: "Value", SI: t.GetUnit()}}}
		c.Zoom = &zoom{t.GetChannel(), s.Symbol, s.Scale, s.Offset}
		if s.Symbol != "" {
			c.Title += ", " + s.Symbol
		}
		x, y := axis{t.GetTimeS()[0], t.GetTimeS()[len(t.GetTimeS())-1]}, axis{math.Inf(1), math.Inf(-1)}
		for i, v := range t.GetValue() {
			c.Rows = append(c.Rows, []any{t.GetTimeS()[i], v})
			y.low, y.high = min(y.low, s.FromSI(v)), max(y.high, s.FromSI(v))
		}
		out = append(out, c)
		if !(x.high > x.low) {
			continue
		}
		room := (y.high - y.low) * 0.08
		if !(room > 0) {
			room = max(math.Abs(y.high)*0.05, 1e-9)
		}
		y.low, y.high = y.low-room, y.high+room
		label := fmt.Sprintf("%s from %s to %s s of the record", c.Title, tick(x.low, 0.1), tick(x.high, 0.1))
		d := newDrawing("chart trace-chart", label, 170, r)
		for i, f := range findings {
			from, until := x.at(f.GetStartS()), x.at(f.GetEndS())
			if f.GetChannel() != t.GetChannel() || until < 0 || from > 1 {
				continue
			}
			from, until = inside(from), max(inside(until), inside(from)+0.004)
			d.rect("found", from, 0, until, chartHeight)
			d.line("interval", from, 0, from, chartHeight)
			d.text("name", "start", from, 0, 4, 13, strconv.Itoa(i+1))
		}
		step := roundStep((y.high - y.low) / 4)
		for _, v := range y.ticks(4) {
			place := y.up(v) * chartHeight
			d.line("grid", 0, place, 1, place)
			if place > 0.1 {
				d.text("tick", "start", 0, place, 2, -3, tick(v, step))
			}
		}
		timeStep := roundStep((x.high - x.low) / 8)
		for _, v := range x.ticks(8) {
			d.line("grid", x.at(v), 0, x.at(v), chartHeight)
			if share := x.at(v); share > 0.02 && share < 0.96 {
				d.text("tick", "middle", share, 1, 0, -2, tick(v, timeStep))
			}
		}
		points := make([]point, len(t.GetValue()))
		for i, v := range t.GetValue() {
			points[i] = point{x.at(t.GetTimeS()[i]), y.up(s.FromSI(v)) * chartHeight}
		}
		d.curve("trace thin", points)
		c.Picture = d.end()
	}
	return out
}

// tracesPage is the data of a pull's traces.
type tracesPage struct {
	*rollcallv1.Pull
	Traces      []*chart
	Channels    []option
	From, Until string
	Thinned     bool
	Most        uint64
}

func (h *handler) showTraces(ctx context.Context, r *http.Request) (answer, error) {
	q := r.URL.Query()
	req := &rollcallv1.GetTracesRequest{PullId: r.PathValue("id"), Most: tracePoints}
	for key, to := range map[string]*float64{"from": &req.FromS, "until": &req.UntilS} {
		text := strings.Replace(q.Get(key), ",", ".", 1)
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return answer{}, status.Errorf(codes.InvalidArgument, "%s=%.20q is no number of seconds", key, text)
		}
		*to = v
	}
	if q.Get("from") != "" && q.Get("until") == "" {
		req.UntilS = math.MaxFloat32
	}
	if text := q.Get("most"); text != "" {
		n, err := strconv.ParseUint(text, 10, 32)
		if err != nil || n < 2 || n > mostTracePoints {
			return answer{}, status.Errorf(codes.InvalidArgument, "most=%.20q is no number of samples from 2 to %d", text, mostTracePoints)
		}
		req.Most = uint32(n)
	}
	one, err := h.fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: req.PullId})
	if err != nil {
		return answer{}, err
	}
	req.Channels = q["channel"]
	// A chart that is asked for by name is the channel wanted.
	if name := q.Get("chart"); name != "" && len(req.Channels) == 0 {
		req.Channels = []string{name}
	}
	traces, err := h.fleet.GetTraces(ctx, req)
	if err != nil {
		return answer{}, err
	}
	rd := readerFrom(ctx)
	p := tracesPage{Pull: one.GetPull(), From: q.Get("from"), Until: q.Get("until"), Traces: traceCharts(traces.GetTraces(), one.GetPull().GetFindings(), rd), Most: uint64(req.Most)}
	for _, c := range one.GetChannels() {
		p.Channels = append(p.Channels, option{c.GetChannel(), strings.ReplaceAll(c.GetChannel(), "_", " "), slices.Contains(req.Channels, c.GetChannel())})
	}
	for _, t := range traces.GetTraces() {
		p.Thinned = p.Thinned || t.GetThinned()
	}
	return answer{page: "traces", title: "Traces of a pull", data: p, reader: &rd, charts: p.Traces, message: traces, scripts: []string{"/uplot.js", "/page.js"}}, nil
}
