package notice

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// changeOf is the change that an open flag makes.
func changeOf(f store.FlagRow, ordinal uint32) store.NoticeChangeRow {
	return store.NoticeChangeRow{
		Subject: "flag/" + f.FlagID, Ordinal: ordinal, State: f.Kind, WantsAction: f.Open, SeenAt: start, Since: f.OpenedAt, SiteID: "fen", CellID: f.CellID, CarID: f.CarID, FlagID: f.FlagID,
		Size: f.Size, SizeU: f.SizeU, SizeUnit: f.SizeUnit, Cause: f.CauseFault[0], CauseProbability: f.CauseProbability[0], Detail: f.Evidence, NextCheck: f.NextCheck,
	}
}

// alertServer behaves as Alertmanager's API, version 2, says of POST
// /api/v2/alerts: it keeps alerts by their labels, active until their endsAt.
// Source: Alertmanager's published OpenAPI description (postableAlerts: labels
// needed, startsAt and endsAt date-time, answers 200, 400, 500).
type alertServer struct {
	t      *testing.T
	now    func() time.Time
	mu     sync.Mutex
	alerts map[string]alert
	posts  int
	code   int // 0: well
	auth   string
}

var labelName = regexp.MustCompile(`^[a-zA-Z_][a-zA-Z0-9_]*$`)

func (a *alertServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.posts++
	if a.code != 0 {
		http.Error(w, `{"code":400,"message":"bad"}`, a.code)
		return
	}
	if got := r.Header.Get("Authorization"); got != a.auth {
		http.Error(w, `"unauthorised"`, http.StatusUnauthorized)
		return
	}
	var posted []alert
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if r.Method != "POST" || r.URL.Path != "/am/api/v2/alerts" || r.Header.Get("Content-Type") != "application/json" || d.Decode(&posted) != nil {
		a.t.Errorf("%s %s is not of the API", r.Method, r.URL)
		http.Error(w, "bad", 400)
		return
	}
	for _, p := range posted {
		var names []string
		for name, value := range p.Labels {
			if !labelName.MatchString(name) || value == "" {
				a.t.Errorf("label %q=%q", name, value)
			}
			names = append(names, name+"="+value)
		}
		if p.Labels["alertname"] == "" || p.StartsAt.IsZero() || p.EndsAt.Before(p.StartsAt) {
			a.t.Errorf("alert %+v", p)
		}
		slices.Sort(names)
		a.alerts[strings.Join(names, ",")] = p
	}
}

// active returns the alerts that are active now, by labels.
func (a *alertServer) active() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	var names []string
	for name, p := range a.alerts {
		if p.EndsAt.After(a.now()) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func (a *alertServer) want(names ...string) {
	a.t.Helper()
	if diff := cmp.Diff(names, a.active()); diff != "" {
		a.t.Errorf("active (-want +got):\n%s", diff)
	}
}

func TestAlertmanager(t *testing.T) {
	db := storetest.Open(t)
	a := &alertServer{t: t, alerts: map[string]alert{}, auth: "Bearer t0ken"}
	h := httptest.NewServer(a)
	defer h.Close()
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("t0ken\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := begin(t, db, start, Receiver{Name: "am", Alertmanager: &Alertmanager{URL: h.URL + "/am/", TokenFile: token}})
	a.now = func() time.Time { return s.at }
	s.check("1", "fen-1", 1, start, "pass")
	d, w := flagOf("d", "fen-1", "drifting", 0.006), flagOf("w", "fen-2", "recalibrate", -0.019)
	s.flags(d, w)
	s.beat("fen-1", 0, 0)
	s.pass(2 * time.Minute)
	const drifting, worst = "alertname=RollcallFlag,cell=fen-1,site=fen,state=drifting", "alertname=RollcallFlag,cell=fen-2,site=fen,state=recalibrate"
	const silent = "alertname=RollcallAgentSilent,cell=fen-1,site=fen,state=silent"
	a.want(drifting, worst)
	got := a.alerts[worst]
	if got.GeneratorURL != "https://rollcall.example/flags/w" || !got.StartsAt.Equal(w.OpenedAt) || got.Annotations["summary"] == "" || got.Annotations["next_check"] != "dead-weight check" || got.Annotations["flag"] != "w" {
		t.Errorf("alert %+v", got)
	}
	// It forgets everything, as after its own restart: what stands is posted again.
	a.mu.Lock()
	a.alerts = map[string]alert{}
	a.mu.Unlock()
	s.pass(6 * time.Minute)
	a.want(drifting, worst)
	// A flag that turns ends the alert it was.
	d.Kind = "recalibrate"
	s.flags(d, w)
	s.pass(12 * time.Minute)
	a.want(silent, strings.Replace(drifting, "drifting", "recalibrate", 1), worst)
	s.beat("fen-1", 0, 0)
	s.flags(closed(d, s.at), w)
	s.pass(8 * time.Minute)
	a.want(worst)
	// Two days later it stands still, and a failure is no end.
	for range 48 {
		s.at = s.at.Add(time.Hour - 10*time.Second)
		s.beat("fen-1", 0, 0)
		s.pass(10 * time.Second)
	}
	a.want(worst)
	a.code = 400
	s.flags(closed(d, s.at), closed(w, s.at))
	s.beat("fen-1", 0, 0)
	s.pass(4 * time.Minute)
	a.want(worst)
	a.code = 0
	s.beat("fen-1", 0, 0)
	s.pass(9 * time.Minute)
	a.want()
	posts := a.posts
	tests, err := s.Test(t.Context(), "")
	if err != nil || tests[0].Err != nil || a.posts != posts+1 {
		t.Errorf("test %+v, %v", tests, err)
	}
	a.want("alertname=RollcallTest,state=test")
	s.at = s.at.Add(2 * time.Minute)
	a.want()
	if err := os.WriteFile(token, []byte("old\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if tests, err = s.Test(t.Context(), "am"); err != nil || tests[0].Err == nil || !strings.Contains(tests[0].Answer, "401") || strings.Contains(fmt.Sprint(tests), "old") {
		t.Errorf("wrong token: %+v, %v", tests, err)
	}
}
