package pages

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
	"rollcall/services/show/showtest"
)

var update = flag.Bool("update", false, "write the golden files")

// usual is how somebody reads who chose nothing.
var usual = reader{Units: show.DefaultUnits()}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}

func get(fleet Fleet, options Options, path string) *httptest.ResponseRecorder {
	if options.Now == nil {
		options.Now = func() time.Time { return showtest.Now }
	}
	w := httptest.NewRecorder()
	Handler(fleet, options).ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

// between returns the part of a page from one text to another.
func between(t *testing.T, page, from, until string) string {
	t.Helper()
	i := strings.Index(page, from)
	if i < 0 {
		t.Fatalf("the page has no %q", from)
	}
	j := strings.Index(page[i:], until)
	if j < 0 {
		t.Fatalf("the page has no %q after %q", until, from)
	}
	return page[i : i+j+len(until)]
}

// The sentence on top, one flagged row of the chart and its row in the table,
// as they are sent.
func TestFleetGolden(t *testing.T) {
	page := get(showtest.Chain(), Options{Chain: "Larkmere Tuning"}, "/").Body.String()
	golden(t, "lead.html", between(t, page, "<h1>", "<section"))
	golden(t, "row.html", between(t, page, `<div class="row bad">`, "</p>\n</div>")+between(t, page, `<div class="line"><svg class="axis"`, `</svg>`))
	golden(t, "card.html", between(t, page, `<article class="card bad">`, `</article>`))
	golden(t, "table.html", between(t, page, `<table class="cells">`, "\n<tr><td class=\"site-name\" data-head=\"Site\">Haggmoor"))
}

func TestOtherPagesGolden(t *testing.T) {
	fleet := showtest.Chain()
	for name, path := range map[string]string{"cell": "/cells/fen-2", "flag": "/flags/" + showtest.GainFlag, "closed": "/flags/" + showtest.ClosedFlag, "pull": "/pulls/" + showtest.PullID, "unusable": "/pulls/" + showtest.BadPullID} {
		w := get(fleet, Options{}, path)
		if w.Code != http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
		golden(t, name+".html", between(t, w.Body.String(), `<main id="main">`, "</main>"))
	}
}

// A record without a curve has a page, and nothing of a car it has not.
func TestEmptyRollersHaveAPage(t *testing.T) {
	fleet := showtest.Chain()
	if page := get(fleet, Options{}, "/cells/fen-2").Body.String(); !strings.Contains(page, `href="/pulls/`+showtest.EmptyID) {
		t.Error("the cell's page does not lead there")
	}
	w := get(fleet, Options{}, "/pulls/"+showtest.EmptyID)
	page := w.Body.String()
	if w.Code != http.StatusOK || !strings.Contains(page, `<h1>empty-roller coast-down, <time datetime="2026-05-20T09:30:00Z" title="2026-05-20 09:30:00 UTC">2026-05-20 10:30</time></h1>`) || !strings.Contains(page, "<title>empty-roller coast-down on fen-2") {
		t.Errorf("%d %.200s", w.Code, between(t, page, "<h1>", "</h1>"))
	}
}

// A pull that an open flag touches says so, with the way there.
func TestDoubtIsShown(t *testing.T) {
	fleet := showtest.Chain()
	page := get(fleet, Options{}, "/pulls/"+showtest.PullID).Body.String()
	for _, want := range []string{"<strong>In doubt.</strong> Cell fen-2 was not known to be good", `<a href="/flags/` + showtest.GainFlag + `">See the flag</a>`} {
		if !strings.Contains(page, want) {
			t.Errorf("the pull's page has no %q", want)
		}
	}
	if strings.Contains(get(fleet, Options{}, "/pulls/"+showtest.BadPullID).Body.String(), "In doubt") {
		t.Error("a pull is doubted that no flag touches")
	}
	if page := get(fleet, Options{}, "/cells/fen-2").Body.String(); strings.Count(page, "<strong>in doubt</strong>") != 1 {
		t.Errorf("%d pulls marked on the cell's page, want 1", strings.Count(page, "<strong>in doubt</strong>"))
	}
}

// The flag of a car is spoken of as a car's.
func TestCarFlag(t *testing.T) {
	page := get(showtest.Chain(), Options{}, "/flags/"+showtest.CarFlag).Body.String()
	if !strings.Contains(page, "<h1>Reference car hazel has changed</h1>") || !strings.Contains(page, "A car&#39;s flag closes this way only") && !strings.Contains(page, "A car's flag closes this way only") {
		t.Error("the page is not that of a car")
	}
	for _, not := range []string{"as-left check", "Customer pulls touched"} {
		if strings.Contains(page, not) {
			t.Errorf("the page of a car says %q", not)
		}
	}
}

// However far a cell has gone, its lines are drawn where they are, and checks
// stand under them.
func TestChartsKeepTheirLines(t *testing.T) {
	fleet := showtest.Chain()
	for i, r := range fleet.Runs {
		*r.Offset, r.CusumHigh, r.CusumLow = -0.09+0.002*float64(i), 0, 300-10*float64(i)
	}
	cell := fleet.Cells[1]
	lowest := 0.0
	for name, drawn := range map[string]string{"offsets": string(drawOffsets(cell, fleet.Runs, fleet.Checks, nil, usual)), "CUSUM": string(drawSums(cell, fleet.Runs, usual))} {
		paths := regexp.MustCompile(`class="trace[^"]*" d="M([^"]*)"`).FindAllStringSubmatch(drawn, -1)
		path := paths[len(paths)-1][1]
		seen := map[string]bool{}
		for _, p := range strings.Split(path, "L") {
			_, y, _ := strings.Cut(p, " ")
			if seen[y] {
				t.Errorf("%s: the line is flat at %s, but no two runs are alike", name, y)
			}
			seen[y] = true
			v, err := strconv.ParseFloat(y, 64)
			if err != nil {
				t.Fatal(err)
			}
			if name == "offsets" {
				lowest = max(lowest, v/10)
			}
		}
	}
	marks := regexp.MustCompile(`<svg class="at" x="[^"]*" y="([^"]*)%"><g class="shape [a-z -]* small"`).FindAllStringSubmatch(string(drawOffsets(cell, fleet.Runs, fleet.Checks, nil, usual)), -1)
	if len(marks) != 2 {
		t.Fatalf("%d checks are drawn, want 2", len(marks))
	}
	for _, m := range marks {
		if y, err := strconv.ParseFloat(m[1], 64); err != nil || y < lowest+3 {
			t.Errorf("a check stands at %s %%, the line reaches down to %.1f %%", m[1], lowest)
		}
	}
}

// ownScripts are those that the pages load themselves.
var ownScripts = regexp.MustCompile(`<script defer src="/(page|uplot)\.js"></script>`)

// Texts from elsewhere never become markup, on any page.
func TestTextsAreEscaped(t *testing.T) {
	fleet := showtest.Chain()
	attack := showtest.Attack
	for _, c := range fleet.Cells {
		c.SiteName, c.Cause, c.LastCheckVerdict, c.NotSeparable = attack, attack, attack, attack
	}
	for _, f := range fleet.Flags {
		f.Evidence, f.NextCheck, f.ClosedReason, f.ClosedBy = attack, attack, attack, attack
		for _, c := range f.Causes {
			c.Fault, c.SizeUnit, c.Probability = attack, attack, 0.5
		}
	}
	fleet.Checks[0].Reason, fleet.Runs[0].CarId, fleet.Runs[0].LeftOutReason = attack, attack, attack
	fleet.Pulls[0].Label, fleet.Pulls[0].Correction, fleet.Pulls[0].Findings[0].Text, fleet.Pulls[0].Findings[0].Channel, fleet.Pulls[0].CustomerCar = attack, attack, attack, attack, attack
	fleet.Pulls[0].LossNote, fleet.Pulls[0].SetUp, fleet.Pulls[0].CorrectionCaution, fleet.Pulls[0].CorrectionName = attack, attack, attack, attack
	fleet.Pulls[0].LossFromPullId, fleet.Pulls[0].Findings[0].SizeUnit = `"><script>`, attack
	fleet.Cars[1].Name, fleet.Traces[0].Channel = attack, attack
	for _, f := range fleet.Flags {
		f.AcknowledgedBy, f.History = attack, []*rollcallv1.FlagDeed{{By: attack, What: attack, Reason: attack}}
	}
	fleet.Geometries[0].Changed[0] = attack
	fleet.SetUnderWay(&rollcallv1.PullUnderWay{PullId: `"><script>`, CellId: `"><script>`, Kind: attack, CustomerCar: attack})
	fleet.Pulls[0].Doubt, fleet.Pulls[0].DoubtFlagIds[0], fleet.Pulls[0].PeakNote, fleet.Cells[1].StandingAgainst = attack, attack, attack, attack
	for _, path := range []string{"/", "/cells/fen-2", "/cells/ost-2", "/flags/" + showtest.GainFlag, "/flags/" + showtest.ClosedFlag, "/pulls/" + showtest.PullID, "/pulls/" + showtest.PullID + "/traces", "/flags", "/cars", "/cars/hazel", "/equivalence", "/equivalence?cell=" + url.QueryEscape(attack), "/compare?before=" + showtest.PullID + "&after=" + url.QueryEscape(attack), "/compare?before.cell=fen-2&after.label=" + url.QueryEscape(attack),
		"/reports/chain/2026-W26", "/cells/fen-2?from=" + url.QueryEscape(attack), "/flags?site=" + url.QueryEscape(attack), "/?units=" + url.QueryEscape(attack), "/?chart=" + url.QueryEscape(attack) + "&format=csv", "/pulls/" + showtest.PullID + "/traces?from=" + url.QueryEscape(attack), "/flags?format=table", "/cells/" + "%3Cscript%3Ealert(%22x%22)%3C%2Fscript%3E", "/%3Cscript%3E"} {
		page := get(fleet, Options{Chain: attack}, path).Body.String()
		if m := regexp.MustCompile(`<script[^>]*>`).FindAllString(ownScripts.ReplaceAllString(page, ""), -1); len(m) > 0 {
			t.Errorf("%s: a script came through: %s", path, m)
		}
		if !strings.Contains(page, "&lt;script&gt;") {
			t.Errorf("%s: the text is not there", path)
		}
		if m := regexp.MustCompile(`(?i)\sstyle=|\son[a-z]+=|javascript:`).FindString(page); m != "" {
			t.Errorf("%s: inline style or script %q", path, m)
		}
	}
}

// Whoever is asked to do something in a cell is told the cautions.
func TestCautions(t *testing.T) {
	for path, fleet := range map[string]Fleet{"/": &showtest.Fleet{}, "/cells/rid-2": showtest.Chain(), "/flags/" + showtest.GainFlag: showtest.Chain()} {
		page := get(fleet, Options{}, path).Body.String()
		if !strings.Contains(page, "nobody in line with the rollers") || !strings.Contains(page, "licensed practice come first") {
			t.Errorf("%s asks for work in a cell without a word of caution", path)
		}
	}
}

func TestHeaders(t *testing.T) {
	for path, kind := range map[string]string{"/": "text/html; charset=utf-8", "/page.css": "text/css; charset=utf-8", "/mark.svg": "image/svg+xml", "/cells.json": "application/json", "/cells.csv": "text/csv; charset=utf-8", "/nowhere": "text/html; charset=utf-8"} {
		w := get(showtest.Chain(), Options{}, path)
		if got := w.Header().Get("Content-Type"); got != kind {
			t.Errorf("%s: content type %q, want %q", path, got, kind)
		}
		if csp := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: content security policy %q", path, csp)
		}
	}
}

// JSON and CSV hold the same figures as the page.
func TestFiles(t *testing.T) {
	fleet := showtest.Chain()
	var document struct {
		Cells []struct {
			CellID string   `json:"cell_id"`
			Offset *float64 `json:"offset"`
		} `json:"cells"`
	}
	body := get(fleet, Options{}, "/cells.json").Body.Bytes()
	if err := json.Unmarshal(body, &document); err != nil {
		t.Fatal(err)
	}
	if len(document.Cells) != 12 || *document.Cells[1].Offset != 0.0196 || document.Cells[11].Offset != nil {
		t.Errorf("JSON %s", body)
	}
	golden(t, "cells.csv", get(fleet, Options{}, "/cells.csv").Body.String())
}

func TestTrouble(t *testing.T) {
	for _, c := range []struct {
		name, path string
		err        error
		status     func(error) error
		code       int
		says, logs string
	}{
		{"unknown path", "/wp-login.php", nil, nil, 404, "Nothing here is called /wp-login.php.", ""},
		{"unknown cell", "/cells/fen-9", nil, nil, 404, "There is no cell fen-9.", ""},
		{"unknown flag", "/flags/00", nil, nil, 404, "There is no flag 00.", ""},
		{"unknown pull", "/pulls/00", nil, nil, 404, "There is no pull 00.", ""},
		{"store away", "/", status.Error(codes.Unavailable, "connection refused"), nil, 503, "Nothing is lost", "connection refused"},
		{"too slow", "/", context.DeadlineExceeded, nil, 503, "Nothing is lost", "deadline"},
		{"bug", "/", errors.New("password hunter2 refused"), nil, 500, "The service&#39;s log says what", "hunter2"},
		{"mapped", "/", errors.New("engine gone"), func(err error) error { return status.Error(codes.Unavailable, err.Error()) }, 503, "Nothing is lost", "engine gone"},
		{"json", "/cells.json", status.Error(codes.Unavailable, "connection refused"), nil, 503, "Nothing is lost", "connection refused"},
	} {
		t.Run(c.name, func(t *testing.T) {
			fleet := showtest.Chain()
			fleet.Err = c.err
			core, logs := observer.New(zap.WarnLevel)
			w := get(fleet, Options{Status: c.status, Log: zap.New(core)}, c.path)
			page := w.Body.String()
			if w.Code != c.code || !strings.Contains(page, c.says) || !strings.Contains(page, `href="/"`) {
				t.Errorf("%d %s, want %d with %q and a way home", w.Code, page, c.code, c.says)
			}
			if c.logs == "" && logs.Len() > 0 {
				t.Errorf("logged %v", logs.All())
			}
			if c.logs != "" {
				if logs.Len() != 1 || !strings.Contains(logs.All()[0].ContextMap()["error"].(string), c.logs) {
					t.Errorf("logged %v, want one entry with %q", logs.All(), c.logs)
				}
				if strings.Contains(page, c.logs) {
					t.Errorf("the page shows the inside: %s", page)
				}
			}
		})
	}
	w := httptest.NewRecorder()
	Handler(showtest.Chain(), Options{}).ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/", nil))
	if w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", w.Code)
	}
}

// By hand, from the rule in stateOf's comment.
func TestStateOf(t *testing.T) {
	cell := func(offset, u float64) *rollcallv1.CellStatus {
		return &rollcallv1.CellStatus{Offset: &offset, ExpandedUncertainty: &u, Tolerance: 0.01}
	}
	flagged := func(kind string) *rollcallv1.CellStatus {
		c := cell(0, 0.001)
		c.FlagId, c.FlagKind = "f", kind
		return c
	}
	alone := cell(0, 0.001)
	alone.NotSeparable = "no shared car"
	for name, c := range map[string]struct {
		cell *rollcallv1.CellStatus
		want state
	}{
		"inside":                {cell(0.004, 0.005), stateAgrees},
		"inside, below":         {cell(-0.004, 0.005), stateAgrees},
		"inside by less than U": {cell(0.008, 0.005), stateClose},
		"outside":               {cell(-0.012, 0.005), stateOutside},
		"no run":                {&rollcallv1.CellStatus{Tolerance: 0.01}, stateUnjudged},
		"alone":                 {alone, stateNotSeparable},
		"recalibrate":           {flagged("recalibrate"), stateRecalibrate},
		"drifting":              {flagged("drifting"), stateDrifting},
		"due early":             {flagged("check due early"), stateDueEarly},
		"overdue":               {flagged("check overdue"), stateOverdue},
		"a new kind":            {flagged("leaning"), state{diamond, "drift", "leaning", 3}},
	} {
		if got := stateOf(c.cell); got != c.want {
			t.Errorf("%s: %+v, want %+v", name, got, c.want)
		}
	}
	// No two states share a shape, or the shape would not carry the meaning.
	shapes := map[string]string{}
	for _, s := range []state{stateRecalibrate, stateDrifting, stateDueEarly, stateOverdue, stateOutside, stateNotSeparable, stateClose, stateUnjudged, stateAgrees} {
		if other, twice := shapes[s.Shape]; twice {
			t.Errorf("%q and %q are both a %s", s.Word, other, s.Shape)
		}
		shapes[s.Shape] = s.Word
	}
}

func TestSentences(t *testing.T) {
	row := func(name string, s state) cellRow {
		return cellRow{CellStatus: &rollcallv1.CellStatus{Name: name}, State: s}
	}
	for _, c := range []struct {
		name  string
		cells []cellRow
		flags []flagCard
		want  string
	}{
		{"all well", []cellRow{row("A", stateAgrees), row("B", stateAgrees)}, nil, "All 2 cells agree with the fleet within their limits."},
		{"one", []cellRow{row("A", stateAgrees)}, nil, "The one cell agrees with the fleet within its limit."},
		{"two bad", []cellRow{row("A", stateRecalibrate), row("B", stateRecalibrate), row("C", stateAgrees)}, nil, "2 of 3 cells need recalibration: A and B. 1 agrees with the fleet within its limit."},
		{"nothing yet", []cellRow{row("A", stateUnjudged), row("B", stateUnjudged)}, nil, "2 cells cannot be judged yet: there is no reference run."},
		{"unsure", []cellRow{row("A", stateClose), row("B", stateAgrees), row("C", stateUnjudged)}, nil, "No cell needs recalibration; 1 of 3 cells surely agrees. 2 agree with the fleet within their limits, 1 of them by less than U (A). 1 has no reference run yet and cannot be judged: C."},
		{"car", []cellRow{row("A", stateAgrees)}, []flagCard{{Flag: &rollcallv1.Flag{CarId: "hazel"}, Of: "Reference car hazel"}}, "The one cell agrees with the fleet within its limit. Reference car hazel is flagged: it has changed, not the cells."},
	} {
		lead, more := sentences(c.cells, c.flags)
		if got := strings.Join(append([]string{lead}, more...), " "); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestAxis(t *testing.T) {
	a := axis{-2.12, 2.12}
	if got, want := a.ticks(6), []float64{-2, -1, 0, 1, 2}; !cmp.Equal(got, want) {
		t.Errorf("ticks %v, want %v", got, want)
	}
	if a.at(-2.12) != 0 || a.at(2.12) != 1 || a.up(2.12) != 0 {
		t.Error("the ends of the axis are not the ends of the drawing")
	}
	for x, want := range map[float64]float64{0.13: 0.2, 1: 1, 0.0051: 0.01, 30: 50, 0.7: 1, math.NaN(): 1} {
		if got := roundStep(x); math.Abs(got-want) > 1e-12 {
			t.Errorf("step %v, want %v", got, want)
		}
	}
	for _, c := range []struct {
		x, step float64
		want    string
	}{{-0.5, 0.5, "−0.5"}, {0, 0.5, "0.0"}, {2000, 1000, "2000"}, {0.02, 0.02, "0.02"}} {
		if got := tick(c.x, c.step); got != c.want {
			t.Errorf("tick %q, want %q", got, c.want)
		}
	}
}

// A cell far off is shown at the edge, with its true figure, and does not
// squeeze the others.
func TestFarCellStaysAtTheEdge(t *testing.T) {
	fleet := showtest.Chain()
	*fleet.Cells[1].Offset = 0.35
	page := get(fleet, Options{}, "/").Body.String()
	for _, want := range []string{"<b>&#43;35.00</b>", "arrow-right", `aria-label="Fenwater 2: +35.00 % ± 0.43 %; limit ± 1.00 %; recalibrate"`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s", want)
		}
	}
	if x := offsetAxis(fleet.Cells); x.high > 0.05 {
		t.Errorf("the axis reaches to %v", x.high)
	}
}
