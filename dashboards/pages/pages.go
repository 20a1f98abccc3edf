// Package pages is the service's own web pages: where every cell of the fleet
// stands, on one sheet for paper and screen, and behind it one page a cell, a
// flag, a pull. Everything can be read without JavaScript; there is none.
//
// The pages read through the same methods as the Fleet service and show the
// same figures. Offsets and limits are in percent, U is expanded (k = 2), times
// are UTC.
package pages

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"html/template"
	"mime"
	"net/http"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// Fleet is what the pages read; a FleetServiceServer is one.
type Fleet interface {
	ListCells(context.Context, *rollcallv1.ListCellsRequest) (*rollcallv1.ListCellsResponse, error)
	ListFlags(context.Context, *rollcallv1.ListFlagsRequest) (*rollcallv1.ListFlagsResponse, error)
	ListChecks(context.Context, *rollcallv1.ListChecksRequest) (*rollcallv1.ListChecksResponse, error)
	ListRuns(context.Context, *rollcallv1.ListRunsRequest) (*rollcallv1.ListRunsResponse, error)
	ListPulls(context.Context, *rollcallv1.ListPullsRequest) (*rollcallv1.ListPullsResponse, error)
	GetPull(context.Context, *rollcallv1.GetPullRequest) (*rollcallv1.GetPullResponse, error)
	GetCurve(context.Context, *rollcallv1.GetCurveRequest) (*rollcallv1.GetCurveResponse, error)
	GetBudget(context.Context, *rollcallv1.GetBudgetRequest) (*rollcallv1.GetBudgetResponse, error)
	ListCertificates(context.Context, *rollcallv1.ListCertificatesRequest) (*rollcallv1.ListCertificatesResponse, error)
	GetCertificate(context.Context, *rollcallv1.GetCertificateRequest) (*rollcallv1.GetCertificateResponse, error)
	GetCheckList(context.Context, *rollcallv1.GetCheckListRequest) (*rollcallv1.GetCheckListResponse, error)
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
}

//go:embed *.html page.css mark.svg
var files embed.FS

// Handler serves the pages: / the fleet, /cells/ID, /flags/ID, /pulls/ID,
// /certificates, /certificates/NUMBER and /certificates/NUMBER/VERSION (with .pdf
// or .json after them the document itself), /cells/ID/checklist and its file to
// fill in, /cells/ID/checklist.csv, and the first page's figures as /cells.json
// and /cells.csv. Every other path gets a page that says where to go.
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
	h := &handler{fleet: fleet, Options: options, pages: map[string]*template.Template{}}
	for _, name := range []string{"fleet", "cell", "flag", "pull", "certificates", "certificate", "checklist", "trouble"} {
		h.pages[name] = template.Must(template.New("layout.html").Funcs(words).ParseFS(files, "layout.html", name+".html"))
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", h.page(h.showFleet))
	mux.HandleFunc("GET /cells/{id}", h.page(h.showCell))
	mux.HandleFunc("GET /flags/{id}", h.page(h.showFlag))
	mux.HandleFunc("GET /pulls/{id}", h.page(h.showPull))
	mux.HandleFunc("GET /cells/{id}/checklist", h.page(h.showCheckList))
	mux.HandleFunc("GET /cells/{id}/checklist.csv", h.page(h.checkListCSV))
	mux.HandleFunc("GET /certificates", h.page(h.showCertificates))
	mux.HandleFunc("GET /certificates/{id}", h.page(h.showCertificate))
	mux.HandleFunc("GET /certificates/{id}/{version}", h.page(h.showCertificate))
	mux.HandleFunc("GET /cells.json", h.page(h.cellsJSON))
	mux.HandleFunc("GET /cells.csv", h.page(h.cellsCSV))
	mux.HandleFunc("GET /page.css", static("page.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /mark.svg", static("mark.svg", "image/svg+xml"))
	mux.HandleFunc("GET /", h.page(func(context.Context, *http.Request) (answer, error) { return answer{}, errNoPage }))
	return headers(mux)
}

type handler struct {
	Options
	fleet Fleet
	pages map[string]*template.Template
}

// headers sets what every answer has. Nothing from elsewhere is loaded or run.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Referrer-Policy", "no-referrer")
		next.ServeHTTP(w, r)
	})
}

func static(name, kind string) http.HandlerFunc {
	data, err := files.ReadFile(name)
	if err != nil {
		panic("pages: embedded file is missing: " + err.Error())
	}
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Cache-Control", "max-age=300")
		_, _ = w.Write(data)
	}
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
}

// frame is what the layout gets.
type frame struct {
	Chain, Title, Made string
	Class              string
	First              bool
	Data               any
}

// page writes what get returns; nothing is written before all of it is there.
func (h *handler) page(get func(context.Context, *http.Request) (answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), h.Timeout)
		defer cancel()
		a, err := get(ctx, r)
		code := http.StatusOK
		if err != nil {
			a, code = h.trouble(r, err)
		}
		w.Header().Set("Cache-Control", "no-store")
		if a.body != nil {
			w.Header().Set("Content-Type", a.kind)
			if a.name != "" {
				w.Header().Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": a.name}))
			}
			_, _ = w.Write(a.body)
			return
		}
		var b bytes.Buffer
		err = h.pages[a.page].Execute(&b, frame{Chain: h.Chain, Title: a.title, Made: h.Now().UTC().Format("2 Jan 2006 15:04"), Class: a.class, First: a.page == "fleet", Data: a.data})
		if err != nil {
			h.Log.Error("page cannot be written", zap.String("path", r.URL.Path), zap.Error(err))
			http.Error(w, "The page cannot be written; the service's log says why.", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.WriteHeader(code)
		_, _ = b.WriteTo(w)
	}
}

// trouble is what the page shows instead when something is not there or not well.
func (h *handler) trouble(r *http.Request, err error) (answer, int) {
	if h.Status != nil && status.Code(err) == codes.Unknown {
		err = h.Status(err)
	}
	type data struct{ Head, Text string }
	code := status.Code(err)
	if errors.Is(err, context.DeadlineExceeded) {
		code = codes.DeadlineExceeded
	}
	switch code {
	case codes.NotFound, codes.InvalidArgument:
		what := "Nothing here is called " + show.Clean(r.URL.Path) + "."
		if id := r.PathValue("id"); id != "" {
			kind, _, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
			what = "There is no " + strings.TrimSuffix(kind, "s") + " " + show.Clean(id) + "."
		}
		return answer{page: "trouble", title: "Not found", data: data{"Not found", what}}, http.StatusNotFound
	case codes.DataLoss:
		h.Log.Error("stored bytes are damaged", zap.String("path", r.URL.Path), zap.Error(err))
		text := status.Convert(err).Message()
		return answer{page: "trouble", title: "Damaged", data: data{"The stored document is damaged", strings.ToUpper(text[:1]) + text[1:] + "."}}, http.StatusInternalServerError
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
