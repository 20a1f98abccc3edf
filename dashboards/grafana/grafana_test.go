package grafana

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"

	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

var update = flag.Bool("update", false, "write the golden files")

func TestMain(m *testing.M) { os.Exit(storetest.Main(m)) }

func TestGolden(t *testing.T) {
	for _, d := range Dashboards() {
		path := filepath.Join("testdata", d.Name+".json")
		if *update {
			if err := os.WriteFile(path, d.JSON, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(d.JSON)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", path, diff)
		}
	}
}

// Every panel says what it shows, from which source, in which unit, over which
// time; none lies over another; ids differ.
func TestPanelsAreWhole(t *testing.T) {
	for _, d := range []dashboard{fleetDashboard(), cellDashboard(), carDashboard(), ingestDashboard()} {
		t.Run(d.UID, func(t *testing.T) { whole(t, d) })
	}
}

func whole(t *testing.T, d dashboard) {
	ids := map[int]bool{}
	cells := map[[2]int]string{}
	for _, p := range d.Panels {
		if p.Title == "" || p.Description == "" || len(p.Targets) != 1 || p.Targets[0].RawSQL == "" || p.DataSource.UID != DataSourceUID || p.Targets[0].DataSource.UID != DataSourceUID {
			t.Errorf("panel %d %q is not whole", p.ID, p.Title)
		}
		if p.Type != "table" && p.FieldConfig.Defaults.Unit == "" {
			t.Errorf("panel %q has no unit", p.Title)
		}
		if p.Type == "timeseries" && p.Targets[0].Format != formatSeries || p.Type != "timeseries" && p.Targets[0].Format != formatTable {
			t.Errorf("panel %q has the wrong format", p.Title)
		}
		sql := p.Targets[0].RawSQL
		if !strings.Contains(sql, "$__timeFilter(") && !strings.Contains(sql, "$__toTime") && !strings.Contains(p.Description, "whatever the time range") {
			t.Errorf("panel %q neither keeps to the time range nor says so", p.Title)
		}
		if ids[p.ID] {
			t.Errorf("panel id %d is there twice", p.ID)
		}
		ids[p.ID] = true
		for x := p.Grid.X; x < p.Grid.X+p.Grid.W; x++ {
			for y := p.Grid.Y; y < p.Grid.Y+p.Grid.H; y++ {
				if other := cells[[2]int{x, y}]; other != "" {
					t.Fatalf("panels %q and %q lie over each other", other, p.Title)
				}
				cells[[2]int{x, y}] = p.Title
			}
		}
		if p.Grid.X+p.Grid.W > 24 {
			t.Errorf("panel %q is beyond the grid", p.Title)
		}
	}
}

var (
	timeFilter   = regexp.MustCompile(`\$__timeFilter\(([^)]*)\)`)
	timeInterval = regexp.MustCompile(`\$__timeInterval\(([^)]*)\)`)
)

// expand does what Grafana and the data source plugin do before a query is sent.
// Source: the plugin's README and pkg/macros/macros.go.
func expand(t *testing.T, sql string, from, to time.Time, cells ...string) string {
	t.Helper()
	if sql = expandFor(sql, from, to, "hazel", cells...); strings.Contains(sql, "$") {
		t.Fatalf("a macro is left over in %s", sql)
	}
	return sql
}

func expandFor(sql string, from, to time.Time, car string, cells ...string) string {
	second := func(x time.Time) string { return fmt.Sprintf("toDateTime(%d)", x.Unix()) }
	sql = timeFilter.ReplaceAllString(sql, "$1 >= "+second(from)+" AND $1 <= "+second(to))
	sql = timeInterval.ReplaceAllString(sql, "toStartOfInterval(toDateTime($1), INTERVAL 60 second)")
	return strings.NewReplacer("$__fromTime", second(from), "$__toTime", second(to), "${cell:singlequote}", "'"+strings.Join(cells, "','")+"'", "${car:singlequote}", "'"+car+"'").Replace(sql)
}

// rows runs a query and returns its columns and its rows as text.
func rows(t *testing.T, s *store.Store, sql string) (columns []string, all [][]string) {
	t.Helper()
	r, err := s.Conn().Query(context.Background(), sql)
	if err != nil {
		t.Fatalf("%v\n%s", err, sql)
	}
	defer r.Close()
	for r.Next() {
		values := make([]any, len(r.ColumnTypes()))
		for i, c := range r.ColumnTypes() {
			values[i] = newOf(c.ScanType())
		}
		if err := r.Scan(values...); err != nil {
			t.Fatal(err)
		}
		var row []string
		for _, v := range values {
			row = append(row, textOf(v))
		}
		all = append(all, row)
	}
	if err := r.Err(); err != nil {
		t.Fatalf("%v\n%s", err, sql)
	}
	return r.Columns(), all
}

// Every panel's SQL runs on the real engine, on empty tables and on full ones,
// and gives the figures that were put in.
func TestPanelsOnEngine(t *testing.T) {
	s := storetest.Open(t)
	ctx := context.Background()
	now := time.Date(2026, 6, 29, 9, 30, 0, 0, time.UTC)
	from := now.AddDate(0, 0, -26*7)
	d := fleetDashboard()
	ask := func(title string) ([]string, [][]string) {
		t.Helper()
		for _, p := range d.Panels {
			if p.Title == title {
				return rows(t, s, expand(t, p.Targets[0].RawSQL, from, now, "fen-1", "fen-2"))
			}
		}
		t.Fatalf("no panel %q", title)
		return nil, nil
	}
	for _, p := range d.Panels {
		columns, all := ask(p.Title)
		if len(columns) == 0 {
			t.Errorf("%s: no columns", p.Title)
		}
		if p.Type == "timeseries" && (columns[0] != "time" || len(all) != 0) {
			t.Errorf("%s: columns %v, %d rows of empty tables", p.Title, columns, len(all))
		}
	}
	if _, all := rows(t, s, cellsSQL); len(all) != 0 {
		t.Errorf("cells of empty tables: %v", all)
	}

	day := func(n int) time.Time { return now.AddDate(0, 0, -n) }
	estimate := func(cell string, days int, offset, u, high float64, runs uint32) store.EstimateRow {
		return store.EstimateRow{CellID: cell, At: day(days), RunID: fmt.Sprintf("%s-%d", cell, days), CarID: "hazel", Offset: offset, OffsetU: u, Runs: runs, CusumHigh: high, CusumLow: 0.5, CusumLimit: 4, Evidence: math.Pow(10, high), EvidenceLimit: 1e4, Epoch: "e", CodeVersion: "test"}
	}
	if err := s.ReplaceEstimates(ctx, []store.EstimateRow{estimate("old", 3, 9, 9, 9, 1)}); err != nil {
		t.Fatal(err)
	}
	// The row of "old" is not there any more after this.
	if err := s.ReplaceEstimates(ctx, []store.EstimateRow{estimate("fen-1", 12, 0.001, 0.005, 0, 24), estimate("fen-1", 5, 0.002, 0.004, 1, 25), estimate("fen-2", 5, 0.0196, 0.0043, 8, 26), estimate("fen-1", 400, 0.5, 0.5, 0, 1)}); err != nil {
		t.Fatal(err)
	}
	closed := day(91)
	flags := []store.FlagRow{
		{FlagID: "f1", CellID: "fen-2", Kind: "recalibrate", Open: true, FirstEvidenceAt: day(70), OpenedAt: day(40), UpdatedAt: day(5), Evidence: "seen", NextCheck: "dead weights", CodeVersion: "test"},
		{FlagID: "f2", CarID: "hazel", Kind: "reference car", Open: true, FirstEvidenceAt: day(60), OpenedAt: day(30), UpdatedAt: day(5), CodeVersion: "test"},
		{FlagID: "f3", CellID: "fen-1", Kind: "drifting", FirstEvidenceAt: day(150), OpenedAt: day(120), UpdatedAt: day(92), ClosedAt: &closed, ClosedReason: "done", CodeVersion: "test"},
	}
	flags[0].SetCauses([]store.CauseRow{{Fault: "load-cell gain", Probability: 0.93, Size: 0.02, SizeU: 0.004, Unit: "ratio"}, {Fault: "base inertia value", Probability: 0.04, Unit: "kg"}})
	if err := s.ReplaceFlags(ctx, flags, nil); err != nil {
		t.Fatal(err)
	}
	for i, beat := range []struct {
		cell    string
		ago     time.Duration
		waiting int
	}{{"fen-1", time.Minute, 0}, {"fen-2", 2 * time.Hour, 7}, {"fen-2", time.Hour, 1250}} {
		err := s.Conn().Exec(ctx, fmt.Sprintf("INSERT INTO heartbeats (cell_id, sent_at, received_at, spool_messages, spool_bytes, rejected_files, set_aside_messages, agent_version) VALUES ('%s', fromUnixTimestamp64Nano(%d, 'UTC'), fromUnixTimestamp64Nano(%d, 'UTC'), %d, 0, 0, 0, 'test')",
			beat.cell, now.Add(-beat.ago).UnixNano(), now.Add(-beat.ago).UnixNano(), beat.waiting))
		if err != nil {
			t.Fatal(i, err)
		}
	}
	for title, want := range map[string][][]string{
		"Open flags":           {{"2"}},
		"Cells to recalibrate": {{"1"}},
		"Widest U":             {{"0.43"}},
		"Silent agents":        {{"1"}},
		// "Messages waiting" is in TestOtherPanelsOnEngine: heartbeats of this age go
		// whenever the engine merges.
		"Offset of every cell from the fleet": {
			{"2026-06-17 09:30:00", "fen-1", "0.1"}, {"2026-06-24 09:30:00", "fen-1", "0.2"}, {"2026-06-24 09:30:00", "fen-2", "1.96"}},
		"Weight of evidence of every cell": {
			{"2026-06-17 09:30:00", "fen-1", "0"}, {"2026-06-24 09:30:00", "fen-1", "25"}, {"2026-06-24 09:30:00", "fen-2", "200"}},
		"Where every cell stands": {
			{"fen-2", "1.96", "0.43", "recalibrate", "load-cell gain", "26", "2026-06-24 09:30:00", "", "2026-06-29 08:30:00", "1250"},
			{"fen-1", "0.2", "0.4", "", "", "25", "2026-06-24 09:30:00", "", "2026-06-29 09:29:00", "0"}},
		"Flags": {
			{"open", "car hazel", "reference car", "2026-04-30 09:30:00", "2026-05-30 09:30:00", "–", "", "–", "", ""},
			{"open", "fen-2", "recalibrate", "2026-04-20 09:30:00", "2026-05-20 09:30:00", "–", "load-cell gain", "93", "seen", "dead weights"},
			{"closed", "fen-1", "drifting", "2026-01-30 09:30:00", "2026-03-01 09:30:00", "2026-03-30 09:30:00", "", "–", "", ""}},
	} {
		_, all := ask(title)
		if title == "Offset of every cell from the fleet" || strings.HasPrefix(title, "Weight") {
			sortRows(all)
		}
		if diff := cmp.Diff(want, all); diff != "" {
			t.Errorf("%s (-want +got):\n%s", title, diff)
		}
	}
	if _, all := rows(t, s, cellsSQL); !cmp.Equal(all, [][]string{{"fen-1"}, {"fen-2"}}) {
		t.Errorf("cells %v", all)
	}
}

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	source := DataSource{Host: "clickhouse.example.org", Port: 9000, Database: "rollcall", User: "gra$fana\"x", Secure: true}
	for range 2 { // Writing again replaces.
		if err := Write(dir, "/etc/grafana/rollcall", source); err != nil {
			t.Fatal(err)
		}
	}
	var sources struct {
		APIVersion  int `yaml:"apiVersion"`
		Datasources []struct {
			UID, Type      string
			JSONData       map[string]any    `yaml:"jsonData"`
			SecureJSONData map[string]string `yaml:"secureJsonData"`
		}
	}
	readYAML(t, filepath.Join(dir, "provisioning/datasources/rollcall.yaml"), &sources)
	if d := sources.Datasources[0]; d.UID != DataSourceUID || d.Type != dataSource || d.JSONData["host"] != "clickhouse.example.org" || fmt.Sprint(d.JSONData["port"]) != "9000" || d.JSONData["username"] != "gra$$fana\"x" || d.JSONData["secure"] != true || d.SecureJSONData["password"] != "$ROLLCALL_GRAFANA_PASSWORD" {
		t.Errorf("data source %+v", d)
	}
	var providers struct {
		Providers []struct {
			FolderUID string `yaml:"folderUid"`
			Options   struct{ Path string }
		}
	}
	readYAML(t, filepath.Join(dir, "provisioning/dashboards/rollcall.yaml"), &providers)
	if p := providers.Providers[0]; p.FolderUID != FolderUID || p.Options.Path != "/etc/grafana/rollcall" {
		t.Errorf("provider %+v", p)
	}
	data, err := os.ReadFile(filepath.Join(dir, "dashboards/fleet.json"))
	if err != nil || !cmp.Equal(data, Dashboards()[0].JSON) {
		t.Errorf("dashboard: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*", ".rollcall-*")); len(left) > 0 {
		t.Errorf("left over: %v", left)
	}
	for name, bad := range map[string]DataSource{"nothing": {}, "port": {Host: "h", Port: 99999, Database: "d", User: "u"}, "variable": {Host: "h", Port: 9000, Database: "d", User: "u", PasswordEnv: "A B"}} {
		if err := Write(dir, "", bad); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	file := filepath.Join(dir, "taken")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := Write(file, "", source); err == nil || !strings.Contains(err.Error(), "taken") {
		t.Errorf("a file in the way: %v", err)
	}
}

func readYAML(t *testing.T, path string, into any) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// server behaves as Grafana's HTTP API documentation says of the calls used:
// "Folder API" (get by uid, create) and "Dashboard API" (create or update).
type server struct {
	token      string
	folder     bool // the folder is there
	dashboards []map[string]any
	alerts     map[string]any // the rule group
	folderID   float64
	overwrite  bool
	// fail answers in place of a path's own answer.
	fail map[string]func(http.ResponseWriter)
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	answer := func(code int, body string) {
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(code)
		_, _ = io.WriteString(w, body)
	}
	key := r.Method + " " + r.URL.Path
	if fail := s.fail[key]; fail != nil {
		fail(w)
		return
	}
	if r.Header.Get("Authorization") != "Bearer "+s.token {
		answer(401, `{"message":"Invalid API key"}`)
		return
	}
	switch key {
	case "GET /api/folders/" + FolderUID:
		if !s.folder {
			answer(404, `{"message":"folder not found","status":"not-found"}`)
			return
		}
		answer(200, `{"id":17,"uid":"rollcall","title":"Rollcall"}`)
	case "POST /api/folders":
		var f struct{ UID, Title string }
		if err := json.NewDecoder(r.Body).Decode(&f); err != nil || f.UID != FolderUID || f.Title == "" {
			answer(400, `{"message":"bad request data"}`)
			return
		}
		s.folder = true
		answer(200, `{"id":17,"uid":"rollcall","title":"Rollcall"}`)
	case "POST /api/dashboards/db":
		var request struct {
			Dashboard map[string]any
			FolderID  float64
			Overwrite bool
		}
		if err := json.NewDecoder(r.Body).Decode(&request); err != nil || request.Dashboard["title"] == nil {
			answer(400, `{"message":"bad request data"}`)
			return
		}
		s.dashboards, s.folderID, s.overwrite = append(s.dashboards, request.Dashboard), request.FolderID, request.Overwrite
		answer(200, `{"id":1,"uid":"rollcall-fleet","url":"/d/rollcall-fleet/the-fleet","status":"success","version":1,"slug":"the-fleet"}`)
	case "PUT /api/v1/provisioning/folder/rollcall/rule-groups/rollcall":
		if err := json.NewDecoder(r.Body).Decode(&s.alerts); err != nil || s.alerts["folderUid"] != "rollcall" || s.alerts["interval"] != 60.0 || !s.folder {
			answer(400, `{"message":"invalid alert rule"}`)
			return
		}
		answer(200, `{"title":"rollcall","folderUid":"rollcall","interval":60}`)
	default:
		answer(404, `{"message":"Not found"}`)
	}
}

func TestPush(t *testing.T) {
	s := &server{token: "glsa_secret"}
	h := httptest.NewServer(s)
	defer h.Close()
	for range 2 { // The folder is made the first time and found the second.
		if err := Push(context.Background(), h.URL, "glsa_secret"); err != nil {
			t.Fatal(err)
		}
	}
	if len(s.dashboards) != 2*len(Dashboards()) || s.folderID != 17 || !s.overwrite {
		t.Errorf("%d dashboards, folder %v, overwrite %v", len(s.dashboards), s.folderID, s.overwrite)
	}
	if rules, _ := s.alerts["rules"].([]any); len(rules) != len(alertRules()) {
		t.Errorf("alert rules %v", s.alerts)
	}
	var want map[string]any
	if err := json.Unmarshal(Dashboards()[0].JSON, &want); err != nil {
		t.Fatal(err)
	}
	delete(s.dashboards[0], "id")
	if diff := cmp.Diff(want, s.dashboards[0]); diff != "" {
		t.Errorf("the dashboard pushed is not the one made (-want +got):\n%s", diff)
	}
}

func TestPushTrouble(t *testing.T) {
	reply := func(code int, body string) func(http.ResponseWriter) {
		return func(w http.ResponseWriter) {
			w.WriteHeader(code)
			_, _ = io.WriteString(w, body)
		}
	}
	const folder, create, board = "GET /api/folders/rollcall", "POST /api/folders", "POST /api/dashboards/db"
	const alerts = "PUT /api/v1/provisioning/folder/rollcall/rule-groups/rollcall"
	for _, c := range []struct {
		name, at string
		answer   func(http.ResponseWriter)
		status   int
		says     []string
	}{
		{"wrong token", "", nil, 401, []string{"Invalid API key", "token is wrong"}},
		{"no right", create, reply(403, `{"message":"Access denied"}`), 403, []string{"make the folder Rollcall", "Access denied", "Editor"}},
		{"name taken", board, reply(412, `{"status":"name-exists","message":"A dashboard with the same name in the folder already exists"}`), 412, []string{"push the dashboard rollcall-fleet", "same name in the folder", "provisioned"}},
		{"folder taken", create, reply(412, `{"message":"a folder with the same name already exists"}`), 412, []string{"make the folder"}},
		{"proxy, empty object", board, reply(502, `{}`), 502, []string{"push the dashboard", "502 Bad Gateway", "try again later"}},
		{"proxy, page", board, reply(502, `<html>Bad Gateway</html>`), 502, []string{"502"}},
		{"proxy at the folder", folder, reply(502, `{}`), 502, []string{"look for the folder"}},
		{"newer version there", board, reply(412, `{"status":"version-mismatch","message":"The dashboard has been changed by someone else"}`), 412, []string{"push the dashboard", "changed by someone else", "newer version"}},
		{"alerts, empty object", alerts, reply(503, `{}`), 503, []string{"push the alert rules", "503", "try again later"}},
		{"alerts provisioned by file", alerts, reply(409, `{"message":"cannot change provenance from 'file' to 'api'"}`), 409, []string{"push the alert rules", "provenance", "from a file"}},
		{"alerts refused", alerts, reply(400, `{"message":"invalid alert rule: no interval"}`), 400, []string{"no interval"}},
		{"alerts not allowed", alerts, reply(403, `{"message":"Permission denied"}`), 403, []string{"Editor"}},
		{"alerts, login page", alerts, reply(200, `<html>Sign in</html>`), 0, []string{"push the alert rules", "no JSON"}},
		{"login page", folder, reply(200, `<html>Sign in</html>`), 0, []string{"look for the folder", "invalid character"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &server{token: "glsa_secret", fail: map[string]func(http.ResponseWriter){c.at: c.answer}}
			h := httptest.NewServer(s)
			defer h.Close()
			token := "glsa_secret"
			if c.at == "" {
				token = "glsa_old"
			}
			err := Push(context.Background(), h.URL, token)
			if err == nil {
				t.Fatal("no error")
			}
			for _, w := range c.says {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
			if strings.Contains(err.Error(), token) {
				t.Errorf("the token is in the error: %v", err)
			}
			var answered *PushError
			if errors.As(err, &answered) != (c.status != 0) || answered != nil && answered.Status != c.status {
				t.Errorf("error %#v, want status %d", err, c.status)
			}
		})
	}
	for _, address := range []string{"", "grafana.example.org", "ftp://x", "http://"} {
		if err := Push(context.Background(), address, ""); err == nil {
			t.Errorf("address %q was taken", address)
		}
	}
	cancelled, cancel := context.WithCancel(context.Background())
	cancel()
	if err := Push(cancelled, "http://127.0.0.1:1", ""); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
