package pages

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/caution"
	"rollcall/services/show"
)

// flagsPage is the data of the work list.
type flagsPage struct {
	Open, Closed []flagRow
	// Narrowed says what the address narrows the list to; Every is the address of
	// all of them.
	Narrowed         string
	Site, Cell, Car  string
	From, Until      string
	Sites            []option
	More             bool
	Cautions         []string
	MayChange        bool
	OpenHarm, Number int
	MoreClosed       int // closed flags beyond those shown
}

// mostClosed is how many closed flags the work list shows, the newest.
const mostClosed = 200

// flagRow is a flag in the work list.
type flagRow struct {
	*rollcallv1.Flag
	State state
	Title string
	Harm  int // customer pulls touched
	Zone  string
}

// narrowing reads the filter of an address: site, cell, car, from, until.
func narrowing(r *http.Request) (*rollcallv1.Filter, error) {
	q := r.URL.Query()
	f := &rollcallv1.Filter{SiteId: q.Get("site"), CellId: q.Get("cell"), CarId: q.Get("car")}
	from, until, err := span(q, "")
	if err != nil {
		return nil, err
	}
	f.From, f.Until = from, until
	return f, nil
}

// span reads the times of an address: days, or RFC 3339. A day that ends a span
// is in it.
func span(q url.Values, prefix string) (from, until *timestamppb.Timestamp, err error) {
	for _, x := range []struct {
		key string
		to  **timestamppb.Timestamp
	}{{prefix + "from", &from}, {prefix + "until", &until}} {
		text := q.Get(x.key)
		if text == "" {
			continue
		}
		t, err := time.Parse(time.DateOnly, text)
		if err == nil && x.to == &until {
			t = t.AddDate(0, 0, 1)
		}
		if err != nil {
			t, err = time.Parse(time.RFC3339, text)
		}
		if err != nil {
			return nil, nil, status.Errorf(codes.InvalidArgument, "%s=%.40q is no day; write it as 2026-06-29, or a time as 2026-06-29T09:30:00Z", x.key, text)
		}
		*x.to = timestamppb.New(t)
	}
	if from != nil && until != nil && !from.AsTime().Before(until.AsTime()) {
		return nil, nil, status.Errorf(codes.InvalidArgument, "%sfrom is not before %suntil: nothing lies between", prefix, prefix)
	}
	return from, until, nil
}

// stateOfFlag is the shape of a flag's kind.
func stateOfFlag(f *rollcallv1.Flag) state {
	return stateOf(&rollcallv1.CellStatus{FlagId: f.GetFlagId(), FlagKind: f.GetKind()})
}

// byHarm orders flags: kinds by what they ask for, then how many customer pulls
// are touched, then the larger size, then the older.
func byHarm(a, b flagRow) int {
	size := func(f flagRow) float64 { return max(f.GetSize(), -f.GetSize()) }
	return cmp.Or(a.State.Rank-b.State.Rank, b.Harm-a.Harm, cmp.Compare(size(b), size(a)), a.GetOpenedAt().AsTime().Compare(b.GetOpenedAt().AsTime()), cmp.Compare(a.GetFlagId(), b.GetFlagId()))
}

// rowsOf returns flags as rows, with what their cells are called.
func rowsOf(flags []*rollcallv1.Flag, cells []*rollcallv1.CellStatus) []flagRow {
	names, zones := map[string]string{}, map[string]string{}
	for _, c := range cells {
		names[c.GetCellId()], zones[c.GetCellId()] = nameOf(c), c.GetSiteZone()
	}
	var out []flagRow
	for _, f := range flags {
		row := flagRow{Flag: f, State: stateOfFlag(f), Title: show.Title(f, cmp.Or(names[f.GetCellId()], f.GetCellId())), Harm: int(f.GetTouchedCount()), Zone: zones[f.GetCellId()]}
		out = append(out, row)
	}
	return out
}

func (h *handler) showFlags(ctx context.Context, r *http.Request) (answer, error) {
	f, err := narrowing(r)
	if err != nil {
		return answer{}, err
	}
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	f.Limit = 2000
	// Programs get the pulls themselves.
	flags, err := h.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{Filter: f, IncludeClosed: true, Counted: r.URL.Query().Get("format") != "json"})
	if err != nil {
		return answer{}, err
	}
	q := r.URL.Query()
	p := flagsPage{Site: q.Get("site"), Cell: q.Get("cell"), Car: q.Get("car"), From: q.Get("from"), Until: q.Get("until"), More: flags.GetMore(), MayChange: h.Admin != nil && offersChange(ctx)}
	var said []string
	for _, k := range []string{"site", "cell", "car", "from", "until"} {
		if v := q.Get(k); v != "" {
			said = append(said, k+" "+show.Clean(v))
		}
	}
	p.Narrowed = strings.Join(said, ", ")
	seen := map[string]bool{}
	for _, c := range cells.GetCells() {
		if !seen[c.GetSiteId()] {
			seen[c.GetSiteId()] = true
			p.Sites = append(p.Sites, option{c.GetSiteId(), siteOf(c), c.GetSiteId() == p.Site})
		}
	}
	slices.SortFunc(p.Sites, func(a, b option) int { return cmp.Compare(a.Word, b.Word) })
	for _, row := range rowsOf(flags.GetFlags(), cells.GetCells()) {
		if row.GetOpen() {
			p.Open = append(p.Open, row)
			p.OpenHarm += row.Harm
			if row.GetNextCheck() != "" {
				p.Cautions = []string{caution.Car, caution.Masses, caution.First}
			}
		} else {
			p.Closed = append(p.Closed, row)
		}
	}
	slices.SortStableFunc(p.Open, byHarm)
	slices.SortStableFunc(p.Closed, func(a, b flagRow) int { return b.GetClosedAt().AsTime().Compare(a.GetClosedAt().AsTime()) })
	p.Number = len(p.Open) + len(p.Closed)
	list := &chart{Name: "flags", Title: "The flags", Columns: []column{{Key: "flag_id", Head: "Flag"}, {Key: "cell_id", Head: "Cell"}, {Key: "car_id", Head: "Car"}, {Key: "kind", Head: "Kind"}, {Key: "open", Head: "Open"}, {Key: "opened_at", Head: "Opened"}, {Key: "closed_at", Head: "Closed"},
		{Key: "size_ratio", Head: "Size", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}, {Key: "touched_pulls", Head: "Customer pulls touched"}, {Key: "acknowledged_by", Head: "Taken on by"}, {Key: "evidence", Head: "What was seen"}}}
	for _, row := range append(slices.Clone(p.Open), p.Closed...) {
		open := "no"
		if row.GetOpen() {
			open = "yes"
		}
		list.Rows = append(list.Rows, []any{row.GetFlagId(), row.GetCellId(), row.GetCarId(), row.GetKind(), open, moment(row.GetOpenedAt()), moment(row.GetClosedAt()), row.GetSize(), row.GetExpandedUncertainty(), row.Harm, row.GetAcknowledgedBy(), row.GetEvidence()})
	}
	p.Closed, p.MoreClosed = first(p.Closed, mostClosed)
	return answer{page: "flags", title: "Flags", data: p, charts: []*chart{list}, message: flags}, nil
}

// moment is a time for a chart's row; nil stays nil.
func moment(t *timestamppb.Timestamp) any {
	if t == nil {
		return nil
	}
	return t.AsTime()
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// flagPage is the data of a flag's page.
type flagPage struct {
	*rollcallv1.Flag
	Title, Link string
	State       state
	Cautions    []string
	// Certificates are those of the cell's checks, newest first.
	Certificates []*rollcallv1.Certificate
	MayChange    bool
	Person       string // who is signed in; empty: a form asks for the name
	// Wrong says why a form that was sent was not taken; By and Reason are what it
	// said, Deed what it asked for.
	Wrong, By, Reason, Deed string
	Token                   string
	// Restated are the pulls of the restatement in force; Restating says that one is
	// being computed.
	Restated  []restatedRow
	Restating bool
}

// restatedRow is a restated pull in a list.
type restatedRow struct {
	*rollcallv1.RestatedPull
	Short []show.Restated
	// Beside: the flag, looked at anew, does not touch it any more.
	Beside bool
}

// InForce is the restatement that counts; nil: none does.
func (p flagPage) InForce() *rollcallv1.Restatement { return show.InForce(p.Flag) }

// restatedChart are the peaks of restated pulls, a row a pull.
func restatedChart(rows []restatedRow) *chart {
	c := &chart{Name: "restated", Title: "Customer pulls, stated and restated", Columns: []column{{Key: "pull_id", Head: "Pull"}, {Key: "started_at", Head: "Started"}, {Key: "customer_car", Head: "Customer's car"}}}
	figures := []struct{ figure, key, head string }{{"wheel power", "peak_wheel_power", "Wheel power"}, {"engine power", "peak_engine_power", "Engine power"}, {"corrected engine power", "peak_corrected_power", "Corrected power"}}
	for _, f := range figures {
		c.Columns = append(c.Columns,
			column{Key: f.key + "_stated_w", Head: f.head + " stated", SI: "W"}, column{Key: f.key + "_stated_expanded_uncertainty_w", Head: "± U", SI: "W", Difference: true},
			column{Key: f.key + "_restated_w", Head: f.head + " restated", SI: "W"}, column{Key: f.key + "_restated_expanded_uncertainty_w", Head: "± U", SI: "W", Difference: true},
			column{Key: f.key + "_difference_w", Head: "Difference", SI: "W", Difference: true, Signed: true}, column{Key: f.key + "_difference_expanded_uncertainty_w", Head: "± U", SI: "W", Difference: true})
	}
	c.Columns = append(c.Columns, column{Key: "way", Head: "How"}, column{Key: "cause", Head: "Cause"}, column{Key: "size", Head: "Size put right", Decimals: 5}, column{Key: "size_expanded_uncertainty", Head: "± U", Decimals: 5}, column{Key: "size_unit", Head: "Unit"}, column{Key: "note", Head: "Note"})
	for _, p := range rows {
		row := []any{p.GetPullId(), moment(p.GetStartedAt()), p.GetCustomerCar()}
		for _, want := range figures {
			six := []any{nil, nil, nil, nil, nil, nil}
			for _, f := range p.GetFigures() {
				if f.GetFigure() == want.figure && f.GetOf() == "peak" {
					six = []any{f.GetStated(), f.GetStatedExpandedUncertainty(), f.Restated, f.RestatedExpandedUncertainty, f.Difference, f.DifferenceExpandedUncertainty}
				}
			}
			row = append(row, six...)
		}
		way := p.GetWay()
		if !p.GetRestated() {
			way = "kept as stated"
		}
		c.Rows = append(c.Rows, append(row, way, p.GetCause(), p.Size, p.SizeExpandedUncertainty, p.GetSizeUnit(), p.GetNote()))
	}
	return c
}

// mostCertificates is how many certificates a flag's page lists.
const mostCertificates = 5

func (h *handler) showFlag(ctx context.Context, r *http.Request) (answer, error) {
	flags, err := h.fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{FlagId: r.PathValue("id")})
	if err != nil {
		return answer{}, err
	}
	for _, f := range flags.GetFlags() {
		if f.GetFlagId() != r.PathValue("id") {
			continue
		}
		name, rd := f.GetCellId(), readerFrom(ctx)
		if name != "" {
			cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{Filter: &rollcallv1.Filter{CellId: name}})
			if err != nil {
				return answer{}, err
			}
			for _, c := range cells.GetCells() {
				name, rd = nameOf(c), rd.in(c.GetSiteZone())
			}
		}
		p := flagPage{Flag: f, Title: show.Title(f, name), State: stateOfFlag(f), MayChange: h.Admin != nil && offersChange(ctx), Person: access.FromContext(ctx).Person}
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
		touched := &chart{Name: "touched", Title: "Customer pulls touched", Columns: []column{{Key: "pull_id", Head: "Pull"}, {Key: "started_at", Head: "Started"}, {Key: "customer_car", Head: "Customer's car"}, {Key: "effect_ratio", Head: "Effect", SI: "1", Signed: true}, {Key: "expanded_uncertainty_ratio", Head: "± U", SI: "1", Difference: true}}}
		for _, t := range f.GetTouchedPulls() {
			touched.Rows = append(touched.Rows, []any{t.GetPullId(), moment(t.GetStartedAt()), t.GetCustomerCar(), t.GetEffect(), t.GetExpandedUncertainty()})
		}
		a := answer{page: "flag", title: p.Title, reader: &rd, charts: []*chart{touched}, message: f}
		for _, t := range f.GetTouchedPulls() {
			if q := t.GetRestated(); q != nil {
				p.Restated = append(p.Restated, restatedRow{q, show.RestatedShort(q, rd.Units), false})
			}
		}
		for _, q := range f.GetRestatedBeside() {
			p.Restated = append(p.Restated, restatedRow{q, show.RestatedShort(q, rd.Units), true})
		}
		if len(p.Restated) > 0 {
			a.charts = append(a.charts, restatedChart(p.Restated))
		}
		before, err := strconv.Atoi(r.URL.Query().Get("restating"))
		p.Restating = err == nil && len(f.GetRestatements()) <= before
		a.data = p
		return a, nil
	}
	return answer{}, status.Error(codes.NotFound, "no such flag")
}

// changeFlag acknowledges or closes a flag, restates its pulls or takes that back,
// by a form.
func (h *handler) changeFlag(w http.ResponseWriter, r *http.Request) {
	deed := r.PathValue("deed")
	switch {
	case h.Admin == nil || !slices.Contains([]string{"acknowledge", "close", "restate", "undo-restatement"}, deed):
		h.write(w, r, answer{}, errNoPage)
		return
	case !h.form(w, r):
		return
	}
	if err := mayChange(r); err != nil {
		h.write(w, r, answer{}, err)
		return
	}
	rd, _ := readerOf(r)
	ctx, cancel := context.WithTimeout(context.WithValue(r.Context(), readerKey{}, rd), h.Timeout)
	defer cancel()
	id, by, reason := r.PathValue("id"), r.PostForm.Get("by"), r.PostForm.Get("reason")
	var err error
	to := "/flags/" + url.PathEscape(id)
	switch deed {
	case "close":
		_, err = h.Admin.CloseFlag(ctx, &rollcallv1.CloseFlagRequest{FlagId: id, Reason: reason, ClosedBy: by})
	case "acknowledge":
		_, err = h.Admin.AcknowledgeFlag(ctx, &rollcallv1.AcknowledgeFlagRequest{FlagId: id, Reason: reason, AcknowledgedBy: by})
	case "restate":
		var made *rollcallv1.RestateFlagResponse
		if made, err = h.Admin.RestateFlag(ctx, &rollcallv1.RestateFlagRequest{FlagId: id, Reason: reason, RestatedBy: by}); made.GetPending() {
			// Until there is one more than now.
			if a, err := h.showFlag(ctx, r); err == nil {
				to += fmt.Sprintf("?restating=%d", len(a.data.(flagPage).GetRestatements()))
			}
		}
	case "undo-restatement":
		_, err = h.Admin.UndoRestatement(ctx, &rollcallv1.UndoRestatementRequest{FlagId: id, Reason: reason, RestatedBy: by})
	}
	if err == nil {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return
	}
	if h.Status != nil {
		err = h.Status(err)
	}
	if status.Code(err) != codes.InvalidArgument {
		h.write(w, r.WithContext(ctx), answer{}, err)
		return
	}
	// What was wrong in the form stands above it, with what was written.
	a, shown := h.showFlag(ctx, r)
	if shown != nil {
		h.write(w, r.WithContext(ctx), answer{}, shown)
		return
	}
	p := a.data.(flagPage)
	p.Wrong, p.By, p.Reason, p.Deed = wrongOf(err), by, reason, deed
	a.data, a.code = p, http.StatusUnprocessableEntity
	h.write(w, r.WithContext(ctx), a, nil)
}

// wrongOf is what a form's answer says of a field, in a sentence.
func wrongOf(err error) string {
	text := show.Clean(status.Convert(err).Message())
	for field, word := range map[string]string{"closed_by": "Your name", "acknowledged_by": "Your name", "restated_by": "Your name", "reason": "The reason", "flag_id": "This"} {
		if rest, ok := strings.CutPrefix(text, field); ok {
			return word + strings.TrimPrefix(rest, ":") + "."
		}
	}
	return text + "."
}

func (p flagPage) seal(token string) any {
	p.Token = token
	return p
}
