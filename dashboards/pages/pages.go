// Package pages is the service's own web pages: where every cell of the fleet
// stands, on one sheet for paper and screen, and behind it one page a cell, a
// flag, a pull, a reference car, a comparison, a week's report. Everything can be
// read, and every form sent, without JavaScript; scripts only add what comes
// live, and a closer look at raw traces.
//
// The pages read through the same methods as the Fleet service and show the
// same figures, in the units of who reads. Offsets and limits are in percent, U is
// expanded (k = 2), times are of the site a page is of, else UTC. Every chart's
// figures are had by the same address with ?chart=NAME&format=table, csv or json.
package pages

import (
	"bytes"
	"compress/gzip"
	"context"
	"embed"
	"errors"
	"html/template"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/show"
)

// Fleet is what the pages read; a FleetServiceServer is one.
type Fleet interface {
	ListCells(context.Context, *rollcallv1.ListCellsRequest) (*rollcallv1.ListCellsResponse, error)
	ListFlags(context.Context, *rollcallv1.ListFlagsRequest) (*rollcallv1.ListFlagsResponse, error)
	ListChecks(context.Context, *rollcallv1.ListChecksRequest) (*rollcallv1.ListChecksResponse, error)
	ListRuns(context.Context, *rollcallv1.ListRunsRequest) (*rollcallv1.ListRunsResponse, error)
	ListPulls(context.Context, *rollcallv1.ListPullsRequest) (*rollcallv1.ListPullsResponse, error)
	CountPulls(context.Context, *rollcallv1.CountPullsRequest) (*rollcallv1.CountPullsResponse, error)
	ListRestatements(context.Context, *rollcallv1.ListRestatementsRequest) (*rollcallv1.ListRestatementsResponse, error)
	GetPull(context.Context, *rollcallv1.GetPullRequest) (*rollcallv1.GetPullResponse, error)
	GetCurve(context.Context, *rollcallv1.GetCurveRequest) (*rollcallv1.GetCurveResponse, error)
	GetBudget(context.Context, *rollcallv1.GetBudgetRequest) (*rollcallv1.GetBudgetResponse, error)
	ListCertificates(context.Context, *rollcallv1.ListCertificatesRequest) (*rollcallv1.ListCertificatesResponse, error)
	GetCertificate(context.Context, *rollcallv1.GetCertificateRequest) (*rollcallv1.GetCertificateResponse, error)
	GetCheckList(context.Context, *rollcallv1.GetCheckListRequest) (*rollcallv1.GetCheckListResponse, error)
	ComparePulls(context.Context, *rollcallv1.ComparePullsRequest) (*rollcallv1.ComparePullsResponse, error)
	ListCars(context.Context, *rollcallv1.ListCarsRequest) (*rollcallv1.ListCarsResponse, error)
	ListGeometries(context.Context, *rollcallv1.ListGeometriesRequest) (*rollcallv1.ListGeometriesResponse, error)
	ListEpochs(context.Context, *rollcallv1.ListEpochsRequest) (*rollcallv1.ListEpochsResponse, error)
	ListDue(context.Context, *rollcallv1.ListDueRequest) (*rollcallv1.ListDueResponse, error)
	GetTraces(context.Context, *rollcallv1.GetTracesRequest) (*rollcallv1.GetTracesResponse, error)
	ListUnderWay(context.Context, *rollcallv1.ListUnderWayRequest) (*rollcallv1.ListUnderWayResponse, error)
	ListEquivalences(context.Context, *rollcallv1.ListEquivalencesRequest) (*rollcallv1.ListEquivalencesResponse, error)
}

// Admin is what the pages change by; an AdminServiceServer is one.
type Admin interface {
	CloseFlag(context.Context, *rollcallv1.CloseFlagRequest) (*rollcallv1.CloseFlagResponse, error)
	AcknowledgeFlag(context.Context, *rollcallv1.AcknowledgeFlagRequest) (*rollcallv1.AcknowledgeFlagResponse, error)
	RestateFlag(context.Context, *rollcallv1.RestateFlagRequest) (*rollcallv1.RestateFlagResponse, error)
	UndoRestatement(context.Context, *rollcallv1.UndoRestatementRequest) (*rollcallv1.UndoRestatementResponse, error)
}

// Options are what the pages need besides the fleet.
type Options struct {
	// Chain is the name in the head of every page; empty: none.
	Chain string
	// Now is the clock that dates a page; nil: time.Now.
	Now func() time.Time
	// Status turns an error of Fleet into a gRPC status, as the service's
	// interceptors do; nil: errors are taken as they are.
	Status func(error) error
	// Log takes what goes wrong; nil: nothing is logged.
	Log *zap.Logger
	// Timeout is how long a page may take to read; 0: 10 s.
	Timeout time.Duration
	// Admin is what flags are acknowledged, closed and their pulls restated by; nil: the pages only read.
	Admin Admin
	// Recompute rebuilds what is computed and tells how far it is; nil: the pages
	// do not offer it.
	Recompute func(ctx context.Context, progress func(stage string, done, total uint64) error) error
	// Next says where a reference car should go next, a sentence a visit, the most
	// worthwhile first; nil: the pages do not say.
	Next func(ctx context.Context, car string) ([]string, error)
	// Poll is how often what is under way is looked for while somebody watches; 0: 1 s.
	Poll time.Duration
	// Door lets people in and says who they are; nil: there is no sign-in, and
	// whoever serves the pages puts who asks into the request's context.
	Door *access.Door
	// Closing ends what is told live when the service stops; nil: never.
	Closing <-chan struct{}
}

//go:embed *.html page.css page.js mark.svg vendored/uplot/uPlot.iife.min.js vendored/uplot/uPlot.min.css vendored/uplot/LICENSE
var files embed.FS

// pageNames are the pages with a template of their own.
var pageNames = []string{"fleet", "cell", "flag", "flags", "pull", "traces", "car", "cars", "compare", "equivalence", "report", "reports", "recompute", "certificates", "certificate", "checklist", "table", "trouble", "signin"}

// Handler serves the pages: / the fleet, /cells/ID, /flags and /flags/ID, /cars and
// /cars/ID, /pulls/ID and its raw traces /pulls/ID/traces, /compare, /equivalence, /reports and
// /reports/SITE/WEEK (SITE a site's id or "chain", WEEK such as 2026-W26; with .pdf
// the report as PDF), /certificates, /certificates/NUMBER and
// /certificates/NUMBER/VERSION (with .pdf or .json after them the document itself),
// /cells/ID/checklist and its file to fill in, /cells/ID/checklist.csv, and the first
// page's figures as /cells.json and /cells.csv. /live tells what is under way as
// server-sent events. Forms are sent to /flags/ID/acknowledge, /flags/ID/close,
// /flags/ID/restate, /flags/ID/undo-restatement, /recompute and /reader, with a door also
// to /signin and /signout. Every other path gets a page that says where to go.
func Handler(fleet Fleet, options Options) http.Handler {
	if options.Now == nil {
		options.Now = time.Now
	}
	if options.Log == nil {
		options.Log = zap.NewNop()
	}
	if options.Timeout == 0 {
		options.Timeout = 10 * time.Second
	}
	if options.Poll == 0 {
		options.Poll = time.Second
	}
	h := &handler{fleet: fleet, Options: options, raw: map[string]*template.Template{}, ready: map[readerPage]*template.Template{}}
	h.watch.look = h.look
	for _, name := range pageNames {
		h.raw[name] = template.Must(template.New("layout.html").Funcs(words).Funcs(reader{Units: show.DefaultUnits()}.words()).ParseFS(files, "layout.html", name+".html"))
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", h.page(h.showFleet))
	mux.HandleFunc("GET /cells/{id}", h.page(h.showCell))
	mux.HandleFunc("GET /flags", h.page(h.showFlags))
	mux.HandleFunc("GET /flags/{id}", h.page(h.showFlag))
	mux.HandleFunc("POST /flags/{id}/{deed}", h.changeFlag)
	mux.HandleFunc("GET /cars", h.page(h.showCars))
	mux.HandleFunc("GET /cars/{id}", h.page(h.showCar))
	// A comparison computes up to 200 pulls anew.
	mux.HandleFunc("GET /compare", h.within(6*h.Timeout, h.showCompare))
	mux.HandleFunc("GET /equivalence", h.page(h.showEquivalence))
	mux.HandleFunc("GET /pulls/{id}", h.page(h.showPull))
	mux.HandleFunc("GET /pulls/{id}/traces", h.page(h.showTraces))
	mux.HandleFunc("GET /reports", h.page(h.showReports))
	mux.HandleFunc("GET /reports/{site}/{week}", h.page(h.showReport))
	mux.HandleFunc("GET /recompute", h.page(h.showRecompute))
	mux.HandleFunc("POST /recompute", h.changeRecompute)
	mux.HandleFunc("GET /live", h.live)
	mux.HandleFunc("POST /reader", h.setReader)
	mux.HandleFunc("GET /signin", h.page(h.showSignIn))
	mux.HandleFunc("POST /signin", h.signIn)
	mux.HandleFunc("POST /signout", h.signOut)
	mux.HandleFunc("GET /cells/{id}/checklist", h.page(h.showCheckList))
	mux.HandleFunc("GET /cells/{id}/checklist.csv", h.page(h.checkListCSV))
	mux.HandleFunc("GET /certificates", h.page(h.showCertificates))
	mux.HandleFunc("GET /certificates/{id}", h.page(h.showCertificate))
	mux.HandleFunc("GET /certificates/{id}/{version}", h.page(h.showCertificate))
	mux.HandleFunc("GET /cells.json", h.page(h.cellsJSON))
	mux.HandleFunc("GET /cells.csv", h.page(h.cellsCSV))
	mux.HandleFunc("GET /page.css", static("page.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /page.js", static("page.js", "text/javascript; charset=utf-8"))
	mux.HandleFunc("GET /uplot.js", static("vendored/uplot/uPlot.iife.min.js", "text/javascript; charset=utf-8"))
	mux.HandleFunc("GET /uplot.css", static("vendored/uplot/uPlot.min.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /mark.svg", static("mark.svg", "image/svg+xml"))
	mux.HandleFunc("GET /", h.page(func(context.Context, *http.Request) (answer, error) { return answer{}, errNoPage }))
	return headers(h.gate(mux))
}

type handler struct {
	Options
	fleet Fleet
	// raw are the templates as they were parsed; ready those for a reader, at most
	// mostReady.
	raw     map[string]*template.Template
	sync    sync.Mutex
	ready   map[readerPage]*template.Template
	watch   watch
	working working
}

type readerPage struct {
	reader reader
	page   string
}

const mostReady = 2000

// template returns a page's template for a reader.
func (h *handler) template(page string, r reader) (*template.Template, error) {
	h.sync.Lock()
	defer h.sync.Unlock()
	key := readerPage{r, page}
	if t, ok := h.ready[key]; ok {
		return t, nil
	}
	t, err := h.raw[page].Clone()
	if err != nil {
		return nil, err
	}
	if len(h.ready) >= mostReady {
		clear(h.ready)
	}
	h.ready[key] = t.Funcs(r.words())
	return t, nil
}

// headers sets what every answer has. Nothing from elsewhere is loaded or run, and
// nothing that stands in a page itself.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Referrer-Policy", "no-referrer")
		next.ServeHTTP(w, r)
	})
}

// static serves an embedded file, packed for who takes it so.
func static(name, kind string) http.HandlerFunc {
	data, err := files.ReadFile(name)
	if err != nil {
		panic("pages: embedded file is missing: " + err.Error())
	}
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression)
	_, _ = z.Write(data)
	_ = z.Close()
	packed := b.Bytes()
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Cache-Control", "max-age=300")
		w.Header().Add("Vary", "Accept-Encoding")
		if packs(r) {
			w.Header().Set("Content-Encoding", "gzip")
			_, _ = w.Write(packed)
			return
		}
		_, _ = w.Write(data)
	}
}

// told is an error whose sentence is for the reader.
type told struct {
	code        int
	title, text string
}

func (e told) Error() string { return e.text }

// sentence is a text as a sentence.
func sentence(text string) string {
	text = show.Clean(text)
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

var errNoPage = status.Error(codes.NotFound, "there is no page here")

// answer is what a page came to: a template with its data, or a file.
type answer struct {
	page, title string
	data        any
	kind        string // of a file
	body        []byte
	name        string // of a file, where it has one
	class       string // of the page's body
	code        int    // 0: 200
	redirect    string // where to go instead
	// reader is who reads, at the place the page is of; nil: as who asks, in UTC.
	reader *reader
	// charts are those of the page, the first is meant where an address names none;
	// message is what the page is as JSON.
	charts  []*chart
	message proto.Message
	scripts []string
}

// frame is what the layout gets.
type frame struct {
	Chain, Title, Made string
	Class              string
	First              bool
	Data               any
	// Person is who is signed in, with their role; Bare that somebody has to first.
	Person access.Identity
	Bare   bool
	// Token goes with every form; Here is the page's own address.
	Token, Here string
	Scripts     []string
	Choices     []choice
}

// choice is a choice of the form at the foot.
type choice struct {
	Name, Label string
	Options     []option
}

type option struct {
	Value, Word string
	Chosen      bool
}

func choices(r reader) []choice {
	of := func(name, label string, all []string, now string) choice {
		c := choice{Name: name, Label: label}
		for _, x := range all {
			c.Options = append(c.Options, option{x, x, x == now})
		}
		return c
	}
	all := []choice{of("power", "Power", show.PowerUnits, r.Power.Symbol), of("torque", "Torque", show.TorqueUnits, r.Torque.Symbol),
		of("temperature", "Temperature", show.TemperatureUnits, r.Temperature.Symbol), of("pressure", "Pressure", show.PressureUnits, r.Pressure.Symbol)}
	return append(all, choice{"numbers", "Numbers", []option{{"point", "1.5", !r.Comma}, {"comma", "1,5", r.Comma}}})
}

// page writes what get returns; nothing is written before all of it is there.
func (h *handler) page(get func(context.Context, *http.Request) (answer, error)) http.HandlerFunc {
	return h.within(h.Timeout, get)
}

// within is page with a time of its own.
func (h *handler) within(timeout time.Duration, get func(context.Context, *http.Request) (answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), timeout)
		defer cancel()
		rd, err := readerOf(r)
		ctx = context.WithValue(ctx, readerKey{}, rd)
		var a answer
		if err == nil {
			byExtension(r)
			a, err = get(ctx, r)
		}
		if err == nil {
			a, err = a.formatted(r.URL)
		}
		h.write(w, r.WithContext(ctx), a, err)
	}
}

// byExtension turns /cells/ID.csv and the like into ?format=.
func byExtension(r *http.Request) {
	id := r.PathValue("id")
	if id == "" || strings.HasPrefix(r.URL.Path, "/certificates/") {
		return
	}
	for _, format := range []string{"csv", "json"} {
		if rest, ok := strings.CutSuffix(id, "."+format); ok && strings.HasSuffix(r.URL.Path, "."+format) {
			r.SetPathValue("id", rest)
			q := r.URL.Query()
			q.Set("format", format)
			r.URL.RawQuery = q.Encode()
			r.URL.Path = strings.TrimSuffix(r.URL.Path, "."+format)
		}
	}
}

// write writes an answer, or what went wrong instead.
func (h *handler) write(w http.ResponseWriter, r *http.Request, a answer, err error) {
	code := http.StatusOK
	if err != nil {
		a, code = h.trouble(r, err)
	} else if a.code != 0 {
		code = a.code
	}
	w.Header().Set("Cache-Control", "no-store")
	if a.redirect != "" {
		http.Redirect(w, r, a.redirect, http.StatusSeeOther)
		return
	}
	if a.body != nil {
		w.Header().Set("Content-Type", a.kind)
		if a.name != "" {
			w.Header().Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": a.name}))
		}
		send(w, r, http.StatusOK, a.body, a.kind != "application/pdf")
		return
	}
	rd := readerFrom(r.Context())
	if a.reader != nil {
		rd = *a.reader
	}
	var b bytes.Buffer
	proof := token(w, r)
	if s, ok := a.data.(sealed); ok {
		a.data = s.seal(proof)
	}
	t, err := h.template(a.page, rd)
	if err == nil {
		err = t.Execute(&b, frame{Chain: h.Chain, Title: a.title, Made: h.Now().UTC().Format("2 Jan 2006 15:04"), Class: a.class, First: a.page == "fleet", Data: a.data,
			Person: access.FromContext(r.Context()), Bare: h.Door != nil && access.FromContext(r.Context()).Person == "",
			Token: proof, Here: r.URL.RequestURI(), Scripts: a.scripts, Choices: choices(rd)})
	}
	if err != nil {
		h.Log.Error("page cannot be written", zap.String("path", r.URL.Path), zap.Error(err))
		http.Error(w, "The page cannot be written; the service's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	send(w, r, code, b.Bytes(), true)
}

// send sends an answer's bytes, packed where who asks takes it so and it helps.
func send(w http.ResponseWriter, r *http.Request, code int, data []byte, pack bool) {
	if pack {
		w.Header().Add("Vary", "Accept-Encoding")
	}
	if pack && packs(r) {
		w.Header().Set("Content-Encoding", "gzip")
		w.WriteHeader(code)
		z := gzip.NewWriter(w)
		_, _ = z.Write(data)
		_ = z.Close()
		return
	}
	w.WriteHeader(code)
	_, _ = w.Write(data)
}

// packs says whether who asks takes gzip (RFC 9110, section 12.5.3).
func packs(r *http.Request) bool {
	for _, field := range r.Header.Values("Accept-Encoding") {
		for _, part := range strings.Split(field, ",") {
			name, weight, _ := strings.Cut(strings.ReplaceAll(part, " ", ""), ";")
			if name == "gzip" {
				q, err := strconv.ParseFloat(strings.TrimPrefix(weight, "q="), 64)
				return err != nil || q > 0
			}
		}
	}
	return false
}

// trouble is what the page shows instead when something is not there or not well.
func (h *handler) trouble(r *http.Request, err error) (answer, int) {
	if h.Status != nil && status.Code(err) == codes.Unknown {
		err = h.Status(err)
	}
	type data struct{ Head, Text string }
	var said told
	if errors.As(err, &said) {
		return answer{page: "trouble", title: said.title, data: data{said.title, sentence(said.text)}}, said.code
	}
	code := status.Code(err)
	if errors.Is(err, context.DeadlineExceeded) {
		code = codes.DeadlineExceeded
	}
	switch code {
	case codes.InvalidArgument:
		if r.PathValue("id") == "" || r.URL.RawQuery != "" || r.Method != http.MethodGet {
			return answer{page: "trouble", title: "Not understood", data: data{"That cannot be shown", sentence(status.Convert(err).Message())}}, http.StatusBadRequest
		}
		fallthrough
	case codes.NotFound:
		what := "Nothing here is called " + show.Clean(r.URL.Path) + "."
		if id := r.PathValue("id"); id != "" {
			kind, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
			what = "There is no " + strings.TrimSuffix(kind, "s") + " " + show.Clean(id) + "."
		}
		return answer{page: "trouble", title: "Not found", data: data{"Not found", what}}, http.StatusNotFound
	case codes.PermissionDenied, codes.Unauthenticated:
		return answer{page: "trouble", title: "Not allowed", data: data{"That is not allowed from here", sentence(status.Convert(err).Message())}}, http.StatusForbidden
	case codes.DataLoss:
		h.Log.Error("stored bytes are damaged", zap.String("path", r.URL.Path), zap.Error(err))
		return answer{page: "trouble", title: "Damaged", data: data{"The stored document is damaged", sentence(status.Convert(err).Message())}}, http.StatusInternalServerError
	case codes.Unavailable, codes.DeadlineExceeded:
		h.Log.Warn("page cannot be read", zap.String("path", r.URL.Path), zap.Error(err))
		return answer{page: "trouble", title: "Not now", data: data{"The store does not answer", "Nothing is lost: agents keep what they have until it does. Try again in a minute."}}, http.StatusServiceUnavailable
	}
	h.Log.Error("page cannot be read", zap.String("path", r.URL.Path), zap.Error(err))
	return answer{page: "trouble", title: "Trouble", data: data{"Something went wrong", "The service's log says what, at " + h.Now().UTC().Format(time.RFC3339) + "."}}, http.StatusInternalServerError
}

func (h *handler) cellsJSON(ctx context.Context, _ *http.Request) (answer, error) {
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	var b bytes.Buffer
	if err := show.JSON(&b, cells); err != nil {
		return answer{}, err
	}
	return answer{kind: "application/json", body: b.Bytes()}, nil
}

func (h *handler) cellsCSV(ctx context.Context, _ *http.Request) (answer, error) {
	cells, err := h.fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
	if err != nil {
		return answer{}, err
	}
	var b bytes.Buffer
	if err := show.CSV(&b, cells.GetCells()); err != nil {
		return answer{}, err
	}
	return answer{kind: "text/csv; charset=utf-8", body: b.Bytes()}, nil
}
