package pages

import (
	"bufio"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/show/showtest"
)

// What is vendored is what was published: sums of the files of the npm package
// uplot 1.6.32.
func TestVendored(t *testing.T) {
	for name, want := range map[string]string{
		"vendored/uplot/uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
		"vendored/uplot/uPlot.min.css":     "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
		"vendored/uplot/LICENSE":           "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
	} {
		data, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != want {
			t.Errorf("%s has SHA-256 %x, want %s", name, sum, want)
		}
	}
}

// chartPages are the pages with charts, and the names of those.
var chartPages = map[string][]string{
	"/":                                     {"offsets"},
	"/cells/fen-2":                          {"offset", "cusum", "gain", "zero"},
	"/flags":                                {"flags"},
	"/flags/" + showtest.GainFlag:           {"touched"},
	"/cars":                                 {"visits"},
	"/cars/hazel":                           {"drift", "visits"},
	"/pulls/" + showtest.PullID:             {"curve", "engine_speed", "roller_speed", "load_cell", "intake_air_temperature"},
	"/pulls/" + showtest.PullID + "/traces": {"load_cell"},
	"/compare?before=" + showtest.BaselineID + "&after=" + showtest.PullID: {"difference"},
	"/reports/chain/2026-W26": {"cells"},
	"/equivalence":            {"equivalence", "pairs"},
	"/equivalence?cell=fen-2": {"equivalence", "pairs"},
}

// comparable has the baseline pull too, so that it can be compared.
func comparable() *showtest.Fleet {
	fleet := showtest.Chain()
	fleet.Pulls = append(fleet.Pulls, &rollcallv1.Pull{PullId: showtest.BaselineID, CellId: "fen-2", Kind: "pull", StartedAt: showtest.Day(10), State: "computed"})
	return fleet
}

// Every chart's figures are had by the same address as table, CSV and JSON, with
// as many rows and the same numbers; and the page links to them.
func TestEveryChartInEveryForm(t *testing.T) {
	fleet := comparable()
	for path, names := range chartPages {
		page := get(fleet, Options{}, path)
		if page.Code != http.StatusOK {
			t.Errorf("%s: %d", path, page.Code)
			continue
		}
		for _, name := range names {
			with := func(format string) string {
				mark := "?"
				if strings.Contains(path, "?") {
					mark = "&"
				}
				return path + mark + "chart=" + name + "&format=" + format
			}
			c := get(fleet, Options{}, with("csv"))
			rows, err := csv.NewReader(c.Body).ReadAll()
			if err != nil || c.Code != http.StatusOK || len(rows) < 2 || !strings.HasPrefix(c.Header().Get("Content-Type"), "text/csv") {
				t.Errorf("%s: %d, %d rows, %v", with("csv"), c.Code, len(rows), err)
				continue
			}
			var document struct {
				Chart string
				Rows  []map[string]any
			}
			if err := json.Unmarshal(get(fleet, Options{}, with("json")).Body.Bytes(), &document); err != nil || document.Chart != name || len(document.Rows) != len(rows)-1 {
				t.Errorf("%s: %d rows of %q, want %d; %v", with("json"), len(document.Rows), document.Chart, len(rows)-1, err)
				continue
			}
			for i, row := range document.Rows {
				for k, key := range rows[0] {
					got := ""
					switch v := row[key].(type) {
					case float64:
						got = strconv.FormatFloat(v, 'g', -1, 64)
					case string:
						got = v
					}
					if got != rows[i+1][k] {
						t.Errorf("%s row %d %s: JSON %q, CSV %q", name, i, key, got, rows[i+1][k])
					}
				}
			}
			table := get(fleet, Options{}, with("table"))
			if body := table.Body.String(); table.Code != http.StatusOK || strings.Count(body, "<tr>") != len(rows) {
				t.Errorf("%s: %d, %d rows, want %d", with("table"), table.Code, strings.Count(table.Body.String(), "<tr>"), len(rows))
			}
			if path != "/flags" && name != "touched" && !strings.Contains(page.Body.String(), "chart="+name+"&amp;format=csv") && !strings.Contains(page.Body.String(), "chart="+name+"&amp;format=csv") && !strings.Contains(page.Body.String(), "chart="+name) {
				t.Errorf("%s does not link to the figures of %s", path, name)
			}
		}
	}
	// By extension: the first chart; JSON is the whole of what the page is of.
	if w := get(fleet, Options{}, "/cells/fen-2.csv"); w.Code != http.StatusOK || !strings.HasPrefix(w.Body.String(), "started_at,run_id,car_id,offset_ratio,") {
		t.Errorf("/cells/fen-2.csv: %d %.60s", w.Code, w.Body)
	}
	if w := get(fleet, Options{}, "/cars/hazel.json"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"car_id": "hazel"`) {
		t.Errorf("/cars/hazel.json: %d %.60s", w.Code, w.Body)
	}
	for path, says := range map[string]string{"/cells/fen-2?format=xml": "is no format", "/cells/fen-2?format=csv&chart=pie": "it has offset, evidence, cusum, gain, zero", "/compare?format=csv": "no figures"} {
		if w := get(fleet, Options{}, path); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d, want 400 with %q", path, w.Code, says)
		}
	}
}

// The reader's units and mark, by the address and by the cookie of the form.
// 203 400 W is 276.55 PS (1 PS = 735.498 75 W), 272.76 hp (1 hp = 745.699 87 W);
// 329.4 N·m is 243.0 lb·ft (1 lbf·ft = 1.355 817 95 N·m).
func TestReadersUnits(t *testing.T) {
	fleet := showtest.Chain()
	path := "/pulls/" + showtest.PullID
	for query, wants := range map[string][]string{
		"":                              {"203.40 ± 2.60 kW", "329.4 ± 4.2 N·m"},
		"?units=PS":                     {"276.55 ± 3.54 PS", "329.4 ± 4.2 N·m", "300 PS"},
		"?units=hp,lb·ft":               {"272.76 ± 3.49 hp", "243.0 ± 3.1 lb·ft"},
		"?units=hp,lb-ft&numbers=comma": {"272,76 ± 3,49 hp", "243,0 ± 3,1 lb·ft", "1,0182 (SAE J1349)", "9,5"},
	} {
		page := get(fleet, Options{}, path+strings.ReplaceAll(query, "·", "%C2%B7")).Body.String()
		for _, want := range wants {
			if !strings.Contains(page, want) {
				t.Errorf("%s: no %q", query, want)
			}
		}
	}
	// The cookie that the form sets.
	handler := Handler(fleet, Options{Now: func() time.Time { return showtest.Now }})
	c := newVisitor(t, handler)
	w := c.post("/reader", url.Values{"power": {"PS"}, "torque": {"lb·ft"}, "temperature": {"°F"}, "pressure": {"inHg"}, "numbers": {"comma"}, "back": {"/pulls/" + showtest.PullID + "?units=hp&format=html"}})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/pulls/"+showtest.PullID+"?format=html" {
		t.Fatalf("%d to %q", w.Code, w.Header().Get("Location"))
	}
	page := c.get(path).Body.String()
	for _, want := range []string{"276,55 ± 3,54 PS", "243,0 ± 3,1 lb·ft", "intake air temperature, °F", `<option selected value="PS">`} {
		if !strings.Contains(page, want) {
			t.Errorf("with the cookie: no %q", want)
		}
	}
	// Programs get SI whatever the reader reads.
	if csv := c.get(path + "?chart=curve&format=csv").Body.String(); !strings.Contains(csv, "engine_power_w") || strings.Contains(csv, "PS") {
		t.Error("the CSV is in the reader's units")
	}
	if w := get(fleet, Options{}, path+"?units=furlongs"); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "choose of kW, PS, hp") {
		t.Errorf("nonsense unit: %d", w.Code)
	}
	if w := c.post("/reader", url.Values{"power": {"horses"}}); w.Code != http.StatusBadRequest {
		t.Errorf("nonsense in the form: %d", w.Code)
	}
	for _, back := range []string{"https://example.org/", "//example.org/", "/\\example.org", "javascript:alert(1)", ""} {
		if w := c.post("/reader", url.Values{"back": {back}}); w.Header().Get("Location") != "/" {
			t.Errorf("sent back to %q by %q", w.Header().Get("Location"), back)
		}
	}
}

// Times are the site's, UTC where one is pointed at: 09:30 UTC is 10:30 in summer
// at Fenwater.
func TestSitesTimes(t *testing.T) {
	page := get(showtest.Chain(), Options{}, "/cells/fen-2").Body.String()
	for _, want := range []string{`title="2026-06-24 09:30:00 UTC">2026-06-24 10:30</time>`, "Europe/London"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s", want)
		}
	}
	fleet := showtest.Chain()
	for _, c := range fleet.Cells {
		c.SiteZone = "Nowhere/At_all"
	}
	if page := get(fleet, Options{}, "/cells/fen-2").Body.String(); !strings.Contains(page, ">2026-06-24 09:30</time>") || !strings.Contains(page, "Times are UTC.") {
		t.Error("an unknown zone is not taken as UTC")
	}
}

// visitor is a browser with cookies at this machine.
type visitor struct {
	t       *testing.T
	handler http.Handler
	jar     map[string]string
	token   string
	change  func(*http.Request)
}

func newVisitor(t *testing.T, handler http.Handler) *visitor {
	v := &visitor{t: t, handler: handler, jar: map[string]string{}}
	m := regexp.MustCompile(`name="token" value="([A-Z0-9]+)"`).FindStringSubmatch(v.get("/").Body.String())
	if m == nil {
		t.Fatal("the page has no form with a token")
	}
	v.token = m[1]
	return v
}

func (v *visitor) do(r *http.Request) *httptest.ResponseRecorder {
	r.RemoteAddr, r.Host = "127.0.0.1:40000", "127.0.0.1:7480"
	for k, x := range v.jar {
		r.AddCookie(&http.Cookie{Name: k, Value: x})
	}
	if v.change != nil {
		v.change(r)
	}
	w := httptest.NewRecorder()
	v.handler.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		v.jar[c.Name] = c.Value
	}
	return w
}

func (v *visitor) get(path string) *httptest.ResponseRecorder {
	return v.do(httptest.NewRequest(http.MethodGet, path, nil))
}

func (v *visitor) post(path string, form url.Values) *httptest.ResponseRecorder {
	if form.Get("token") == "" {
		form.Set("token", v.token)
	}
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return v.do(r)
}

// deeds is an Admin that remembers.
type deeds struct {
	mu           sync.Mutex
	who          access.Identity // of the last one
	closed       []*rollcallv1.CloseFlagRequest
	acknowledged []*rollcallv1.AcknowledgeFlagRequest
	restated     []*rollcallv1.RestateFlagRequest
	undone       []*rollcallv1.UndoRestatementRequest
	pending      bool
	err          error
}

func (d *deeds) RestateFlag(_ context.Context, r *rollcallv1.RestateFlagRequest) (*rollcallv1.RestateFlagResponse, error) {
	if d.err != nil {
		return nil, d.err
	}
	d.restated = append(d.restated, r)
	return &rollcallv1.RestateFlagResponse{RestatedBy: r.GetRestatedBy(), Pending: d.pending}, nil
}

func (d *deeds) UndoRestatement(_ context.Context, r *rollcallv1.UndoRestatementRequest) (*rollcallv1.UndoRestatementResponse, error) {
	if d.err != nil {
		return nil, d.err
	}
	d.undone = append(d.undone, r)
	return &rollcallv1.UndoRestatementResponse{RestatedBy: r.GetRestatedBy()}, nil
}

// count returns how many flags were acknowledged.
func (d *deeds) count() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.acknowledged)
}

func (d *deeds) CloseFlag(ctx context.Context, r *rollcallv1.CloseFlagRequest) (*rollcallv1.CloseFlagResponse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.who = access.FromContext(ctx)
	if d.err == nil {
		d.closed = append(d.closed, r)
	}
	return &rollcallv1.CloseFlagResponse{}, d.err
}

func (d *deeds) AcknowledgeFlag(ctx context.Context, r *rollcallv1.AcknowledgeFlagRequest) (*rollcallv1.AcknowledgeFlagResponse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.who = access.FromContext(ctx)
	if d.err == nil {
		d.acknowledged = append(d.acknowledged, r)
	}
	return &rollcallv1.AcknowledgeFlagResponse{AcknowledgedBy: r.GetAcknowledgedBy()}, d.err
}

// A flag is acknowledged and closed by a form, from this machine and from a page
// of ours only; what was wrong with it is said above it.
func TestFlagForms(t *testing.T) {
	admin := &deeds{}
	handler := Handler(showtest.Chain(), Options{Admin: admin, Now: func() time.Time { return showtest.Now }})
	v := newVisitor(t, handler)
	path := "/flags/" + showtest.GainFlag
	form := func() url.Values { return url.Values{"by": {"M. Krause"}, "reason": {"masses on Monday"}} }
	if page := v.get(path).Body.String(); strings.Count(page, `name="token" value="`+v.token+`"`) != 4 { // three deeds, the reader's
		t.Errorf("%d forms with the token", strings.Count(page, v.token))
	}
	if w := v.post(path+"/acknowledge", form()); w.Code != http.StatusSeeOther || w.Header().Get("Location") != path {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Location"))
	}
	if w := v.post(path+"/close", form()); w.Code != http.StatusSeeOther {
		t.Fatalf("%d", w.Code)
	}
	if len(admin.acknowledged) != 1 || admin.acknowledged[0].GetAcknowledgedBy() != "M. Krause" || admin.acknowledged[0].GetReason() != "masses on Monday" || len(admin.closed) != 1 || admin.closed[0].GetFlagId() != showtest.GainFlag {
		t.Fatalf("%v %v", admin.acknowledged, admin.closed)
	}
	for name, c := range map[string]struct {
		change func(*http.Request)
		form   url.Values
	}{
		"no token":              {nil, url.Values{"by": {"x"}, "reason": {"y"}, "token": {"AAAAAAAAAAAAAAAAAAAAAAAAAA"}}},
		"no cookie":             {func(r *http.Request) { r.Header.Del("Cookie") }, form()},
		"another site":          {func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, form()},
		"another origin":        {func(r *http.Request) { r.Header.Set("Origin", "https://example.org") }, form()},
		"from elsewhere":        {func(r *http.Request) { r.RemoteAddr = "192.0.2.7:40000" }, form()},
		"under another name":    {func(r *http.Request) { r.Host = "rebound.example:7480" }, form()},
		"through a proxy":       {func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.0.2.7") }, form()},
		"a form without an end": {nil, url.Values{"by": {"x"}, "reason": {strings.Repeat("y", mostForm)}}},
	} {
		v.change = c.change
		cookie := v.jar[formCookie]
		w := v.post(path+"/close", c.form)
		v.jar[formCookie] = cookie
		if w.Code != http.StatusForbidden && w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", name, w.Code)
		}
	}
	v.change = nil
	if len(admin.closed) != 1 {
		t.Errorf("a refused form closed the flag: %v", admin.closed)
	}
	for _, local := range []string{"localhost:7480", "[::1]:7480", "127.0.0.1"} {
		v.change = func(r *http.Request) { r.Host = local }
		if w := v.post(path+"/acknowledge", form()); w.Code != http.StatusSeeOther {
			t.Errorf("%s: %d", local, w.Code)
		}
	}
	v.change = nil
	admin.err = status.Error(codes.InvalidArgument, "reason: is empty; say why the flag is closed")
	w := v.post(path+"/close", url.Values{"by": {`"><b>M`}})
	if page := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(page, "The reason is empty; say why the flag is closed.") || !strings.Contains(page, `value="&#34;&gt;&lt;b&gt;M"`) {
		t.Errorf("%d: the form does not say what is wrong or loses what was written", w.Code)
	}
	admin.err = status.Error(codes.PermissionDenied, "nobody may not")
	if w := v.post(path+"/close", form()); w.Code != http.StatusForbidden {
		t.Errorf("denied: %d", w.Code)
	}
	// Without an Admin the page only reads.
	if page := get(showtest.Chain(), Options{}, path).Body.String(); strings.Contains(page, "/acknowledge") || !strings.Contains(page, "rollcall flags close") {
		t.Error("a form that leads nowhere")
	}
	if w := newVisitor(t, Handler(showtest.Chain(), Options{})).post(path+"/close", form()); w.Code != http.StatusNotFound {
		t.Errorf("no Admin: %d", w.Code)
	}
}

// A flag's pulls are restated and that is taken back by a form; page, table, CSV and
// JSON show what was stated and what is restated, and so does the pull's page.
func TestRestated(t *testing.T) {
	admin := &deeds{}
	fleet := showtest.Chain()
	fleet.Restate()
	v := newVisitor(t, Handler(fleet, Options{Admin: admin, Now: func() time.Time { return showtest.Now }}))
	path := "/flags/" + showtest.GainFlag
	page := v.get(path).Body.String()
	for _, want := range []string{
		"Version 1, 1 pull restated, 1 kept as stated by M. Krause on ", "It does not count any more.", "(in place of version 1, " + strings.Repeat("1", 32) + ")",
		"171.20 ± 1.90 kW", "168.10 ± 1.95 kW", "−3.10 ± 0.17 kW", "203.80 ± 2.75 kW", "kept as stated; not restated: a channel that is needed is missing: load_cell",
		"Restate 2 pulls anew", path + "/undo-restatement", "gain found 2\u00a0% high &lt;script&gt;",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the flag's page lacks %q", want)
		}
	}
	csv := v.get(path + "?chart=restated&format=csv").Body.String()
	if rows := strings.Split(strings.TrimSpace(csv), "\n"); len(rows) != 3 || !strings.HasPrefix(rows[0], "pull_id,started_at,customer_car,peak_wheel_power_stated_w,peak_wheel_power_stated_expanded_uncertainty_w,peak_wheel_power_restated_w") ||
		!strings.Contains(csv, ",171200,1900,168100,1950,-3100,170,203400,2600,200200,2650,-3200,180,207100,2700,203800,2750,-3300,185,by cause,load-cell gain,0.0204,0.0011,ratio,") ||
		!strings.Contains(csv, ",,,,,,,,,,,,,,,,,,,kept as stated,load-cell gain,,,,not restated: a channel that is needed is missing: load_cell") {
		t.Errorf("CSV:\n%s", csv)
	}
	if json := v.get(path + "?chart=restated&format=json").Body.String(); !strings.Contains(json, `"peak_wheel_power_difference_w": -3100`) {
		t.Errorf("JSON:\n%s", json)
	}
	if table := v.get(path + "?chart=restated&format=table"); table.Code != http.StatusOK || !strings.Contains(table.Body.String(), "168.10") {
		t.Errorf("table: %d", table.Code)
	}
	if json := v.get(path + "?format=json").Body.String(); strings.Count(json, `"restated":`) < 2 || !strings.Contains(json, `"in_force": true`) {
		t.Errorf("the flag as JSON:\n%.600s", json)
	}
	pull := v.get("/pulls/" + showtest.PullID).Body.String()
	for _, want := range []string{`<a href="` + path + `">by a flag on fen-2</a>, version 2, by M. Krause`, "weights of another certificate", "by cause, from the samples: load-cell gain, as the checks around it show it, 93\u00a0% probable, put right by &#43;2.04\u00a0%\u00a0±\u00a00.11\u00a0% at its time", "324.2 ± 4.3 N·m", "−5.2 ± 0.3 N·m", "the curve below is as stated"} {
		if !strings.Contains(pull, want) {
			t.Errorf("the pull's page lacks %q", want)
		}
	}
	if other := v.get("/pulls/" + showtest.PullID + "?units=PS,lb·ft&numbers=comma").Body.String(); !strings.Contains(other, "228,55 ± 2,65 PS") {
		t.Error("the restated power is not in PS")
	}
	if week := v.get("/reports/chain/2026-W26").Body.String(); !strings.Contains(week, "Customer pulls made or restated in the week") || !strings.Contains(week, "168.10 ± 1.95 kW") || !strings.Contains(week, "1 restated by M. Krause") {
		t.Error("the weekly report lacks the restated pulls")
	}
	form := func() url.Values { return url.Values{"by": {"M. Krause"}, "reason": {"gain 2 % high"}} }
	if w := v.post(path+"/restate", form()); w.Code != http.StatusSeeOther || w.Header().Get("Location") != path {
		t.Fatalf("%d %s", w.Code, w.Header().Get("Location"))
	}
	if w := v.post(path+"/undo-restatement", form()); w.Code != http.StatusSeeOther || len(admin.undone) != 1 || len(admin.restated) != 1 || admin.restated[0].GetReason() != "gain 2 % high" || admin.undone[0].GetRestatedBy() != "M. Krause" {
		t.Errorf("%d %v %v", w.Code, admin.restated, admin.undone)
	}
	admin.pending = true
	if w := v.post(path+"/restate", form()); w.Header().Get("Location") != path+"?restating=2" {
		t.Errorf("pending: to %s", w.Header().Get("Location"))
	}
	for asked, says := range map[string]bool{"?restating=2": true, "?restating=1": false, "?restating=x": false} {
		if strings.Contains(v.get(path+asked).Body.String(), "The pulls are being restated.") != says {
			t.Errorf("%s: says %v", asked, !says)
		}
	}
	plain := newVisitor(t, Handler(showtest.Chain(), Options{Admin: admin, Now: func() time.Time { return showtest.Now }}))
	if page := plain.get(path + "?restating=0").Body.String(); !strings.Contains(page, "The pulls are being restated.") || strings.Contains(page, "undo-restatement") {
		t.Error("the page does not say that they are being restated, or offers to take back what is not there")
	}
	admin.err = status.Error(codes.InvalidArgument, "reason: is empty; say why the pulls are restated")
	if w := v.post(path+"/restate", url.Values{"by": {"M. Krause"}}); w.Code != http.StatusUnprocessableEntity || strings.Count(w.Body.String(), "The reason is empty; say why the pulls are restated.") != 1 {
		t.Errorf("%d: what is wrong is not said once", w.Code)
	}
	v.change = func(r *http.Request) { r.RemoteAddr = "192.0.2.7:40000" }
	admin.err = nil
	if w := v.post(path+"/restate", form()); w.Code != http.StatusForbidden || len(admin.restated) != 2 {
		t.Errorf("from elsewhere: %d", w.Code)
	}
	// Without an Admin the page says how.
	if page := get(showtest.Chain(), Options{}, path).Body.String(); !strings.Contains(page, "rollcall restate "+showtest.GainFlag+" --by NAME --reason TEXT") {
		t.Error("the page does not say how to restate")
	}
}

// Open flags come first, those that ask for recalibration before others, then by
// customer pulls touched; a filter that fits nothing says what to do.
func TestFlagsInOrderOfHarm(t *testing.T) {
	fleet := showtest.Chain()
	fleet.Flags[0].AcknowledgedBy = "J. Dahl"
	page := get(fleet, Options{}, "/flags").Body.String()
	last := 0
	for _, want := range []string{"3 flags are open", "Fenwater 2: recalibrate", "taken on by J. Dahl", "Millhythe 1: drifting", "nobody has taken it on", "Reference car hazel has changed", "M. Krause", "load cell replaced"} {
		i := strings.Index(page[last:], want)
		if i < 0 {
			t.Fatalf("no %q after what comes before it", want)
		}
		last += i
	}
	if page := get(fleet, Options{}, "/flags?cell=ost-1").Body.String(); !strings.Contains(page, "No flag fits") || !strings.Contains(page, `<a href="/flags">show all flags</a>`) {
		t.Error("a filter that fits nothing does not say so")
	}
	if page := get(&showtest.Fleet{}, Options{}, "/flags").Body.String(); !strings.Contains(page, "Nothing to do.") {
		t.Error("no flags: it does not say so")
	}
}

// A comparison shows the difference in the reader's units, the sentence as it was
// computed and the sets; by hand: 5200 W of 203 400 W is 7.07 PS, 2.56 %.
func TestCompare(t *testing.T) {
	fleet := comparable()
	query := "/compare?before=" + showtest.BaselineID + "&after=" + showtest.PullID + "%2C" + showtest.PullID + "&figure=engine+power&gain=1"
	page := strings.ReplaceAll(get(fleet, Options{}, query+"&units=PS").Body.String(), "\u00a0", " ")
	for _, want := range []string{"&#43;7.07 PS ± 1.78 PS (&#43;2.56 % ± 0.64 %), from 276.55 to 283.62 PS; resolved", "The difference is real", "As computed: peak corrected engine power: &#43;5.20 kW", "To resolve 1.00 % with a probability of 90 % takes 4 pulls a set", "lever arm, cell fen-2", `class="doubt"`, "chart=difference&amp;figure=engine&#43;power&amp;format=csv"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	r := fleet.Compared
	if len(r.GetBefore().GetPullIds()) != 1 || len(r.GetAfter().GetPullIds()) != 2 || r.GetFigure() != "engine power" || math.Abs(r.GetGain()-0.01) > 1e-15 {
		t.Errorf("asked %v", r)
	}
	// By filters, as in an address that was kept.
	get(fleet, Options{}, "/compare?before.cell=fen-2&before.from=2026-05-01&before.until=2026-05-31&after.car=hazel&after.label=x&after.session=y&after.customer=z&anycar=1")
	b, a := fleet.Compared.GetBefore(), fleet.Compared.GetAfter()
	if b.GetFilter().GetCellId() != "fen-2" || b.GetFilter().GetUntil().AsTime().Format(time.DateOnly) != "2026-06-01" || a.GetFilter().GetCarId() != "hazel" || a.GetLabel() != "x" || a.GetSession() != "y" || a.GetCustomerCar() != "z" || !fleet.Compared.GetAnyCar() {
		t.Errorf("asked %v, %v", b, a)
	}
	if w := get(fleet, Options{}, "/compare"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "Is the gain real?") {
		t.Errorf("nothing asked: %d", w.Code)
	}
	for path, c := range map[string]struct {
		code int
		says string
	}{
		"/compare?before=" + showtest.PullID + "&after=" + strings.Repeat("0", 32): {http.StatusNotFound, "There is no pull 000"},
		"/compare?before=x&after=y&gain=much":                                      {http.StatusBadRequest, "no percentage"},
		"/compare?before.from=yesterday&after=x":                                   {http.StatusBadRequest, "no day"},
		"/compare?before.from=2026-05-02&before.until=2026-05-01&after=x":          {http.StatusBadRequest, "nothing lies between"},
	} {
		if w := get(fleet, Options{}, path); w.Code != c.code || !strings.Contains(w.Body.String(), c.says) || !strings.Contains(w.Body.String(), `<form class="sets"`) {
			t.Errorf("%s: %d, want %d with %q and the form", path, w.Code, c.code, c.says)
		}
	}
}

func TestCarPage(t *testing.T) {
	fleet := showtest.Chain()
	fleet.Pulls[0].CarId = "hazel"
	next := func(_ context.Context, car string) ([]string, error) {
		return []string{"take " + car + " to Ostbeck 1"}, nil
	}
	page := get(fleet, Options{Next: next}, "/cars/hazel").Body.String()
	for _, want := range []string{"<h1>Hazel: −0.95\u00a0%\u00a0±\u00a00.30\u00a0% since its first weeks</h1>", "has changed", "change of Hazel since its first weeks after each of 7 runs", "visits to 1 cell", "take hazel to Ostbeck 1", "Of its newest pull that may judge a cell"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(get(fleet, Options{}, "/cars/hazel").Body.String(), "Where to send it next") {
		t.Error("says where to send it without knowing")
	}
	if page := get(fleet, Options{}, "/cars/larch?from=2030-01-01").Body.String(); !strings.Contains(page, "No run of this car in that range") && !strings.Contains(page, "visits to") {
		t.Error("a range without data says nothing")
	}
	if w := get(fleet, Options{}, "/cars/birch"); w.Code != http.StatusNotFound || !strings.Contains(w.Body.String(), "There is no car birch.") {
		t.Errorf("unknown car: %d", w.Code)
	}
	if page := get(fleet, Options{}, "/cars").Body.String(); !strings.Contains(page, "3 reference cars") || !strings.Contains(page, "not followed yet") {
		t.Error("the list of cars")
	}
	if page := get(&showtest.Fleet{}, Options{}, "/cars").Body.String(); !strings.Contains(page, "rollcall fleet apply FILE") {
		t.Error("no cars: it does not say what to do")
	}
}

// The degrees of equivalence: a matrix of all cells, a cell against all others, a
// site; words and shapes say what E_n says, and what cannot be told apart has no
// figure.
func TestEquivalencePage(t *testing.T) {
	fleet := showtest.Chain()
	page := get(fleet, Options{}, "/equivalence").Body.String()
	// By hand from the offsets and U of showtest.Chain: |E_n| ≤ 1 but of fen-2 (4.6),
	// mil-1 (2.1), mil-2 (1.6) and tho-2 (2.6); hag-2 and rid-2 have none.
	for _, want := range []string{"<h1>6 of 10 cells agree with the consensus within U</h1>", "One cell, however far out, moves it by 0.27\u00a0% at most.", "The consensus of 11 cells is known to\u00a0±\u00a00.12\u00a0% (k = 2).",
		"only car larch has been here", "No reference run of cell rid-2 is known: bring a reference car to it.", `<option value="fen-2">Fenwater 2 with all others</option>`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	if n := strings.Count(page, `data-head="less `); n != 12*12 {
		t.Errorf("%d entries in the matrix of 12 cells", n)
	}
	if n := strings.Count(page, `<td class="n own"`); n != 12 {
		t.Errorf("%d cells stand against the consensus in the matrix", n)
	}
	// fen-2 less fen-1: 0.0184 over √(0.0043² + 0.0041²); turned, the sign too.
	for _, want := range []string{`> 3.10<span class="unseen">, unsatisfactory</span><span class="unseen">&#43;1.84 ± 0.59`, `> −3.10<span class="unseen">, unsatisfactory</span><span class="unseen">−1.84 ± 0.59`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	one := get(fleet, Options{}, "/equivalence?cell=fen-2").Body.String()
	for _, want := range []string{"<h1>Fenwater 2: &#43;1.96\u00a0%\u00a0±\u00a00.43\u00a0% from the consensus, unsatisfactory</h1>", "With the others", `<option value="fen-2" selected>`} {
		if !strings.Contains(one, want) {
			t.Errorf("one cell: no %q", want)
		}
	}
	if n := strings.Count(one, `data-head="Less"`); n != 11 || fleet.Equated.GetFilter().GetCellId() != "fen-2" || !fleet.Equated.GetPairs() {
		t.Errorf("%d pairs of one cell; asked %v", n, fleet.Equated)
	}
	if site := get(fleet, Options{}, "/equivalence?site=mil").Body.String(); strings.Count(site, `data-head="less `) != 4 || !strings.Contains(site, `<span class="under">−1.50 ± 0.58`) {
		t.Error("a site's matrix")
	}
	// Of thirteen cells and more the pairs that do not agree are listed; of more than
	// the service pairs, none.
	for i := range 60 {
		fleet.Cells = append(fleet.Cells, &rollcallv1.CellStatus{CellId: fmt.Sprintf("far-%02d", i), SiteId: "far", Offset: showtest.Number(0), ExpandedUncertainty: showtest.Number(0.01)})
	}
	if page := get(fleet, Options{}, "/equivalence?site=far").Body.String(); !strings.Contains(page, "Every pair that can be compared agrees within U.") {
		t.Error("sixty cells that agree")
	}
	if page := get(fleet, Options{}, "/equivalence").Body.String(); !strings.Contains(page, "72 cells make more pairs than a page can show") || fleet.Equated.GetPairs() {
		t.Error("too many cells")
	}
	fleet.Err = status.Error(codes.FailedPrecondition, "there is no reference run yet")
	empty := &showtest.Fleet{}
	w := get(noRuns{empty}, Options{}, "/equivalence")
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "take it to another") || !strings.Contains(w.Body.String(), "Safety.") {
		t.Errorf("no run yet: %d", w.Code)
	}
	if w := get(fleet, Options{}, "/equivalence?format=xml"); w.Code == http.StatusOK {
		t.Error("a format that is none")
	}
}

// noRuns is a fleet without reference runs.
type noRuns struct{ *showtest.Fleet }

func (noRuns) ListEquivalences(context.Context, *rollcallv1.ListEquivalencesRequest) (*rollcallv1.ListEquivalencesResponse, error) {
	return nil, status.Error(codes.FailedPrecondition, "there is no reference run yet")
}

// Reports by hand: showtest's now is Monday 29 June 2026, in week 27.
func TestReports(t *testing.T) {
	fleet := showtest.Chain()
	page := get(fleet, Options{}, "/reports/fen/2026-W26").Body.String()
	for _, want := range []string{"<h1>Week 2026-W26 of Fenwater</h1>", "Monday 22 June to Sunday 28 June 2026", "1 of 2 cells needed recalibration", "week after", "2026-W26.pdf", "Fenwater 2: recalibrate, opened 2026-05-20"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(page, "Millhythe") {
		t.Error("a site's report speaks of another site")
	}
	if page := get(fleet, Options{}, "/reports/chain/2026-W27").Body.String(); !strings.Contains(page, "not over yet") || !strings.Contains(page, "So far:") || strings.Contains(page, "week after") || !strings.Contains(page, "Reference cars now") {
		t.Error("this week's report does not say that the week is not over")
	}
	w := get(fleet, Options{}, "/reports/fen/2026-W26.pdf")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "application/pdf" || !strings.HasPrefix(w.Body.String(), "%PDF-") || !strings.Contains(w.Header().Get("Content-Disposition"), "report-fen-2026-W26.pdf") {
		t.Errorf("%d %v", w.Code, w.Header())
	}
	if again := get(fleet, Options{}, "/reports/fen/2026-W26.pdf"); again.Body.String() != w.Body.String() {
		t.Error("the same report gives other bytes")
	}
	for path, says := range map[string]string{
		"/reports/fen/2026-W40":     "the week has not begun: 2026-W40 begins on Monday 28 September 2026",
		"/reports/fen/2026-W54":     "weeks 1 to 52",
		"/reports/fen/last":         "write it as 2026-W26",
		"/reports/nowhere/2026-W26": "no such site",
	} {
		w := get(fleet, Options{}, path)
		if w.Code != http.StatusNotFound || !strings.Contains(strings.ToLower(w.Body.String()), strings.ToLower(says)) {
			t.Errorf("%s: %d, want 404 with %q", path, w.Code, says)
		}
	}
	if w := get(fleet, Options{}, "/reports?site=fen&week=2026-W26"); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/reports/fen/2026-W26" {
		t.Errorf("the form: %d %s", w.Code, w.Header().Get("Location"))
	}
	if w := get(fleet, Options{}, "/reports?site=..%2F..%2F%2Fevil&week=x%0d%0aLocation:y"); strings.ContainsAny(w.Header().Get("Location"), "\r\n") || strings.HasPrefix(w.Header().Get("Location"), "//") {
		t.Errorf("the form leads astray: %q", w.Header().Get("Location"))
	}
}

// Traces: a span, a channel, and what cannot be.
func TestTraces(t *testing.T) {
	fleet := showtest.Chain()
	base := "/pulls/" + showtest.PullID + "/traces"
	page := get(fleet, Options{}, "/pulls/"+showtest.PullID).Body.String()
	// The finding is on the trace it concerns, with its number.
	figure := between(t, page, `id="chart-intake_air_temperature"`, "</figure>")
	if !strings.Contains(figure, `class="found"`) || !strings.Contains(figure, ">1</text>") {
		t.Error("the finding is not on its trace")
	}
	if strings.Contains(between(t, page, `id="chart-load_cell"`, "</figure>"), `class="found"`) {
		t.Error("a finding is on a trace it does not concern")
	}
	rows := func(query string) int {
		w := get(fleet, Options{}, base+query)
		if w.Code != http.StatusOK {
			t.Errorf("%s: %d", query, w.Code)
		}
		return strings.Count(w.Body.String(), "\n") - 1
	}
	if n := rows("?chart=load_cell&format=csv"); n != 60 {
		t.Errorf("%d samples, want 60", n)
	}
	if n := rows("?chart=load_cell&format=csv&from=3&until=6"); n != 11 {
		t.Errorf("%d samples from 3 to 6 s, want 11", n)
	}
	for path, c := range map[string]struct {
		code int
		says string
	}{
		base + "?from=100&until=200":                    {http.StatusOK, "No samples in that span"},
		base + "?channel=boost":                         {http.StatusBadRequest, "is not among the pull"},
		base + "?from=soon":                             {http.StatusBadRequest, "no number of seconds"},
		base + "?most=0":                                {http.StatusBadRequest, "no number of samples"},
		"/pulls/" + strings.Repeat("0", 32) + "/traces": {http.StatusNotFound, "There is no pull"},
	} {
		if w := get(fleet, Options{}, path); w.Code != c.code || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d, want %d with %q", path, w.Code, c.code, c.says)
		}
	}
}

// A cell's page: what the checks found, epochs, geometry, due dates; and a range
// without data.
func TestCellPage(t *testing.T) {
	fleet := showtest.Chain()
	page := get(fleet, Options{}, "/cells/fen-2").Body.String()
	for _, want := range []string{"Gain error by the checks", "Geometry through time", "460.20", "lever arm", "base inertia check", "By its checks the load-cell gain moves by &#43;0.084\u00a0%\u00a0±\u00a00.035\u00a0% a week", "with a probability of 95", "by drift; due on 2026-07-08 by drift", `class="epoch"`} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	fleet.Runs, fleet.Checks, fleet.Pulls = nil, nil, nil
	w := get(fleet, Options{}, "/cells/fen-2?from=2031-01-01&until=2031-02-01")
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "Nothing was measured on this cell in that range.") {
		t.Errorf("%d", w.Code)
	}
	for _, bad := range []string{"?from=31.1.2026", "?from=2026-02-01&until=2026-01-01"} {
		if w := get(fleet, Options{}, "/cells/fen-2"+bad); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

// event reads the next event of a stream.
func event(t *testing.T, r *bufio.Reader) string {
	t.Helper()
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if data, ok := strings.CutPrefix(line, "data: "); ok {
			return data
		}
	}
}

// What is under way is told as it changes, to all who watch, by one look for all.
func TestLive(t *testing.T) {
	fleet := showtest.Chain()
	closing := make(chan struct{})
	server := httptest.NewServer(Handler(fleet, Options{Poll: 5 * time.Millisecond, Closing: closing}))
	defer server.Close()
	open := func() *bufio.Reader {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		t.Cleanup(cancel)
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		w, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { w.Body.Close() })
		if w.Header.Get("Content-Type") != "text/event-stream" {
			t.Errorf("content type %q", w.Header.Get("Content-Type"))
		}
		return bufio.NewReader(w.Body)
	}
	one, two := open(), open()
	for _, r := range []*bufio.Reader{one, two} {
		if got := event(t, r); !strings.Contains(got, `"under_way":[]`) {
			t.Errorf("first %s", got)
		}
	}
	running := func(blocks uint64, seconds float64) {
		fleet.SetUnderWay(&rollcallv1.PullUnderWay{PullId: strings.Repeat("9", 32), CellId: "fen-2", Kind: "pull", CarId: "hazel", Blocks: blocks, RecordedS: seconds})
	}
	running(3, 4.2)
	for _, r := range []*bufio.Reader{one, two} {
		if got := event(t, r); !strings.Contains(got, `"name":"Fenwater 2","words":"pull of hazel, 4.2 s recorded so far in 3 blocks of samples"`) {
			t.Errorf("running %s", got)
		}
	}
	running(6, 8.4)
	if got := event(t, one); !strings.Contains(got, "8.4 s recorded so far in 6 blocks") {
		t.Errorf("later %s", got)
	}
	if page := get(fleet, Options{}, "/").Body.String(); !strings.Contains(page, "8.4 s recorded so far in 6 blocks") {
		t.Error("without scripts the page does not show it")
	}
	fleet.SetUnderWay()
	if got := event(t, one); !strings.Contains(got, `"under_way":[]`) {
		t.Errorf("ended %s", got)
	}
	close(closing)
	if _, err := one.ReadString(0); err == nil {
		t.Error("the stream outlives the service")
	}
}

// Long work shows how far it is, runs once at a time and can be cancelled.
func TestRecompute(t *testing.T) {
	step, left := make(chan struct{}), make(chan error, 1)
	work := func(ctx context.Context, progress func(string, uint64, uint64) error) error {
		for i := uint64(0); ; i++ {
			if err := progress("pulls", i, 40); err != nil {
				left <- err
				return err
			}
			select {
			case <-step:
			case <-ctx.Done():
				left <- ctx.Err()
				return ctx.Err()
			}
		}
	}
	v := newVisitor(t, Handler(showtest.Chain(), Options{Recompute: work}))
	if page := v.get("/recompute").Body.String(); !strings.Contains(page, "Nothing runs.") {
		t.Error("something runs before it was begun")
	}
	v.change = func(r *http.Request) { r.RemoteAddr = "192.0.2.7:1" }
	if w := v.post("/recompute", url.Values{"do": {"begin"}}); w.Code != http.StatusForbidden {
		t.Errorf("from elsewhere: %d", w.Code)
	}
	v.change = nil
	if w := v.post("/recompute", url.Values{"do": {"begin"}}); w.Code != http.StatusSeeOther {
		t.Fatalf("%d", w.Code)
	}
	step <- struct{}{}
	step <- struct{}{}
	says := func(want string) {
		t.Helper()
		for range 200 {
			if strings.Contains(v.get("/recompute").Body.String(), want) {
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
		t.Errorf("the page never says %q", want)
	}
	says("pulls: 2 of 40")
	if w := v.post("/recompute", url.Values{"do": {"begin"}}); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "It runs already") {
		t.Errorf("twice: %d", w.Code)
	}
	v.post("/recompute", url.Values{"do": {"cancel"}})
	if err := <-left; !errors.Is(err, context.Canceled) {
		t.Errorf("ended by %v", err)
	}
	says("It has ended: cancelled")
	if w := get(showtest.Chain(), Options{}, "/recompute"); w.Code != http.StatusNotFound {
		t.Errorf("not offered: %d", w.Code)
	}
}

// What happened in the last week is on the first page, with what is due.
func TestFirstPageWeek(t *testing.T) {
	fleet := showtest.Chain()
	fleet.Flags[0].OpenedAt = showtest.Day(3)
	fleet.Flags[3].ClosedAt = showtest.Day(2)
	page := get(fleet, Options{}, "/").Body.String()
	for _, want := range []string{"Since last week", "Fenwater 2: recalibrate</a> opened", "Ridgeholt 1: recalibrate</a> closed", "Checks due", "<strong>overdue</strong>", "Millhythe 1</a>, load-cell gain: since"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
}

// Many readers share the templates; none gets another's units.
func TestReadersDoNotMix(t *testing.T) {
	handler := Handler(showtest.Chain(), Options{})
	done := make(chan error, 30)
	for i := range 30 {
		unit := []string{"kW", "PS", "hp"}[i%3]
		go func() {
			w := httptest.NewRecorder()
			handler.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/pulls/"+showtest.PullID+"?units="+unit, nil))
			want := map[string]string{"kW": "203.40 ± 2.60 kW", "PS": "276.55 ± 3.54 PS", "hp": "272.76 ± 3.49 hp"}[unit]
			if !strings.Contains(w.Body.String(), want) {
				done <- fmt.Errorf("%s: no %s", unit, want)
				return
			}
			done <- nil
		}()
	}
	for range 30 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// A cell of five years, 260 weekly runs and 60 checks, goes over the wire in less
// than 150 kB, charts and all; who does not take gzip gets it plain.
func TestPagesAreSmallOnTheWire(t *testing.T) {
	fleet := showtest.Chain()
	first, check := fleet.Runs[0], fleet.Checks[0]
	fleet.Runs, fleet.Checks = nil, nil
	for i := range 260 {
		x := 0.002 * math.Sin(float64(i)*0.7)
		fleet.Runs = append(fleet.Runs, &rollcallv1.Run{RunId: fmt.Sprintf("%032x", i), CellId: "fen-2", CarId: first.GetCarId(), Session: first.GetSession(), StartedAt: showtest.Day(5 + 7*i), PullsUsed: 4, Offset: showtest.Number(x), ExpandedUncertainty: showtest.Number(0.0043), Deviation: showtest.Number(x * 1.3), CusumHigh: x * 100})
	}
	for i := range 60 {
		fleet.Checks = append(fleet.Checks, &rollcallv1.Check{CheckId: fmt.Sprintf("%032x", i), CellId: "fen-2", Kind: check.GetKind(), State: check.GetState(), PerformedAt: showtest.Day(30 * i), PerformedBy: check.GetPerformedBy(), Verdict: "pass", ZeroErrorN: check.ZeroErrorN, ZeroExpandedUncertaintyN: check.ZeroExpandedUncertaintyN, GainError: check.GainError, GainExpandedUncertainty: check.GainExpandedUncertainty})
	}
	handler := Handler(fleet, Options{})
	ask := func(accept string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodGet, "/cells/fen-2", nil)
		if accept != "" {
			r.Header.Set("Accept-Encoding", accept)
		}
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		return w
	}
	plain := ask("")
	for accept, packed := range map[string]bool{"": false, "gzip": true, "br, gzip;q=0.5": true, "gzip;q=0": false, "identity": false} {
		w := ask(accept)
		if got := w.Header().Get("Content-Encoding") == "gzip"; got != packed {
			t.Errorf("%q: packed %v, want %v", accept, got, packed)
		}
		if !packed {
			continue
		}
		if w.Body.Len() > 150_000 {
			t.Errorf("%d bytes over the wire", w.Body.Len())
		}
		z, err := gzip.NewReader(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(z)
		// The form's text differs from visit to visit.
		if err != nil || len(data) != plain.Body.Len() {
			t.Errorf("%d bytes, want %d; %v", len(data), plain.Body.Len(), err)
		}
	}
	t.Logf("%d bytes, %d over the wire", plain.Body.Len(), ask("gzip").Body.Len())
}
