package grafana

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// Every panel of the cell, car and ingest dashboards gives the figures put in.
func TestOtherPanelsOnEngine(t *testing.T) {
	s := storetest.Open(t)
	ctx := t.Context()
	now := time.Now().UTC().Truncate(time.Minute)
	from := now.AddDate(0, 0, -30)
	day := func(n int) time.Time { return now.AddDate(0, 0, -n) }
	at := func(x time.Time) string { return x.Format(time.DateTime) }
	all := append(append(cellDashboard().Panels, carDashboard().Panels...), ingestDashboard().Panels...)
	ask := func(title string) [][]string {
		t.Helper()
		for _, p := range all {
			if p.Title == title {
				_, got := rows(t, s, expand(t, p.Targets[0].RawSQL, from, now.Add(time.Minute), "fen-1"))
				return got
			}
		}
		t.Fatalf("no panel %q", title)
		return nil
	}
	for _, p := range all { // They run on empty tables too.
		if got := ask(p.Title); p.Type != "stat" && len(got) != 0 {
			t.Errorf("%s: %v of empty tables", p.Title, got)
		}
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	of := func(x float64) *float64 { return &x }
	must(s.ReplaceEstimates(ctx, []store.EstimateRow{{CellID: "fen-1", At: day(5), RunID: "r", CarID: "hazel", Offset: 0.01, OffsetU: 0.004, CusumHigh: 2, CusumLow: 1, CusumLimit: 4, Evidence: 100, EvidenceLimit: 1e4}, {CellID: "mil-1", At: day(5), RunID: "q", Offset: 9, CusumLimit: 4, Evidence: 100, EvidenceLimit: 1e4}}))
	must(s.ReplaceCarEstimates(ctx, []store.CarEstimateRow{{CarID: "hazel", At: day(9), RunID: "p", CellID: "fen-1", Change: -0.004, ChangeU: 0.002}, {CarID: "hazel", At: day(5), RunID: "r", CellID: "fen-1", Change: -0.02, ChangeU: 0.005, Probability: 0.99}}))
	must(s.WriteCheckResults(ctx, []store.CheckResultRow{
		{CheckID: "a", CellID: "fen-1", Kind: 1, State: 1, PerformedAt: day(12), PerformedBy: "ada", Verdict: "fail", ZeroError: of(3), ZeroErrorU: of(1), GainError: of(0.008), GainErrorU: of(0.001)},
		{CheckID: "b", CellID: "fen-1", Kind: 1, State: 2, PerformedAt: day(11), PerformedBy: "ada", Verdict: "pass", GainError: of(0), GainErrorU: of(0.001)}}))
	must(s.WriteRuns(ctx, []store.RunRow{{RunID: "r", SiteID: "fen", CellID: "fen-1", CarID: "hazel", Session: "1", StartedAt: day(5), LeftOutIDs: []string{"x"}, LeftOutReasons: []string{"intake air too hot"}}, {RunID: "q", SiteID: "mil", CellID: "mil-1", CarID: "hazel", Session: "2", StartedAt: day(6)}}))
	must(s.ReplaceFlags(ctx, []store.FlagRow{{FlagID: "f", CellID: "fen-1", Kind: "recalibrate", Open: true, OpenedAt: day(5), FirstEvidenceAt: day(7), UpdatedAt: day(5)}, {FlagID: "g", CarID: "hazel", Kind: "reference car", OpenedAt: day(5), FirstEvidenceAt: day(7), UpdatedAt: day(5)}},
		[]store.TouchedRow{{FlagID: "f", StartedAt: day(6), PullID: "c1", CellID: "fen-1", CustomerCar: "van", Effect: 0.01, EffectU: 0.004}, {FlagID: "g", StartedAt: day(6), PullID: "c2", CellID: "fen-1"}}))
	curve := store.CurveRow{PullID: "c1", CellID: "fen-1", Kind: 1, StartedAt: day(6), State: store.StateUnusable, CodeVersion: "test"}
	must(s.WriteCurves(ctx, []store.CurveRow{curve}))
	must(s.Append(ctx, store.Batch{
		Pulls: []store.PullRow{{PullID: "c1", CellID: "fen-1", Kind: 1, StartedAt: day(1), ReceivedAt: day(1)}}, Ends: []store.PullEndRow{{PullID: "c1", CellID: "fen-1", Blocks: 2, Samples: 3000, ReceivedAt: day(1).Add(90 * time.Second)}},
		Refusals:   []store.RefusalRow{{CellID: "fen-1", RefusedAt: now, Sequence: 1, Message: "pull", Code: "InvalidArgument", Field: "kind", Reason: "is 9"}, {CellID: "mil-1", RefusedAt: day(2), Sequence: 1}},
		Heartbeats: []store.HeartbeatRow{{CellID: "fen-1", SentAt: now.Add(-time.Minute), ReceivedAt: now.Add(-time.Minute), SpoolMessages: 7, SpoolBytes: 900, SpoolOldestAt: ptr(now.Add(-time.Hour)), RejectedFiles: 1, AgentVersion: "test"}, {CellID: "mil-1", SentAt: now.Add(-time.Hour), ReceivedAt: now.Add(-time.Hour)}},
	}))
	minute := func(x time.Time) string { return at(x.Truncate(time.Minute)) }
	for title, want := range map[string][][]string{
		"Offset from the fleet with its band": {{at(day(5)), "1", "0.6", "1.4"}},
		"Weight of evidence of a change":      {{at(day(5)), "50"}},
		"Gain error by dead weights":          {{at(day(12)), "as found", "0.8"}, {at(day(11)), "as left", "0"}},
		"Calibration checks": {{at(day(11)), "dead weight", "as left", "pass", "–", "–", "0", "0.1", "ada", ""},
			{at(day(12)), "dead weight", "as found", "fail", "3", "1", "0.8", "0.1", "ada", ""}},
		"Customer pulls in doubt":       {{at(day(6)), "van", "1", "0.4", "c1"}},
		"Change since its first weeks":  {{"-2"}},
		"Probability that it changed":   {{"99"}},
		"Reference runs":                {{"2"}},
		"Cells visited":                 {{"2"}},
		"Change with its band":          {{at(day(9)), "-0.4", "-0.6", "-0.2"}, {at(day(5)), "-2", "-2.5", "-1.5"}},
		"Where it has been":             {{"fen", "fen-1", "1", at(day(5)), at(day(5))}, {"mil", "mil-1", "1", at(day(6)), at(day(6))}},
		"Pulls left out":                {{at(day(5)), "fen-1", "intake air too hot"}},
		"Refused messages":              {{"1"}},
		"Records not computed":          {{"1"}},
		"Oldest message waiting":        {{"3540"}},
		"Files and messages set aside":  {{"1"}},
		"Records whole":                 {{minute(day(1).Add(90 * time.Second)), "fen-1", "1"}},
		"Samples":                       {{minute(day(1).Add(90 * time.Second)), "3000"}},
		"From pull to database":         {{minute(day(1).Add(90 * time.Second)), "fen-1", "90"}},
		"Messages waiting at the cells": {{minute(now.Add(-time.Minute)), "fen-1", "7"}},
		"Agents":                        {{"fen-1", at(now.Add(-time.Minute)), "7", "900", at(now.Add(-time.Hour)), "1", "0", "test"}},
		"Why messages were refused":     {{"fen-1", "pull", "InvalidArgument", "kind", "is 9", "1", at(now)}},
	} {
		if diff := cmp.Diff(want, ask(title)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", title, diff)
		}
	}

	// The alert rules, on the same data.
	must(s.Append(ctx, store.Batch{Heartbeats: []store.HeartbeatRow{
		{CellID: "fen-1", SentAt: now.Add(-2 * time.Minute), ReceivedAt: now.Add(-2 * time.Minute)}, // one file was rejected since
	}}))
	for uid, want := range map[string][][]string{
		"rollcall-flag":          {{"fen-1", "recalibrate", "f", "1"}},
		"rollcall-check-overdue": {{"fen-1", "11"}},
		"rollcall-agent-silent":  {{"mil-1", "≥ 3600"}},
		"rollcall-spool-growing": {{"fen-1", "7"}},
		"rollcall-rejected":      {{"fen-1", "2"}}, // the refusal and the file
	} {
		for _, r := range alertRules() {
			if r.uid != uid {
				continue
			}
			columns, got := rows(t, s, r.sql)
			if columns[len(columns)-1] != "value" {
				t.Errorf("%s: columns %v", uid, columns)
			}
			if uid == "rollcall-agent-silent" && len(got) == 1 && len(got[0][1]) == 4 {
				got[0][1] = "≥ " + got[0][1][:2] + "00" // The engine's own clock goes on.
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", uid, diff)
			}
		}
	}
	// Nothing to tell of is no row.
	empty := storetest.Open(t)
	for _, r := range alertRules() {
		if _, got := rows(t, empty, r.sql); len(got) != 0 {
			t.Errorf("%s fires on empty tables: %v", r.uid, got)
		}
	}
}

func ptr[T any](x T) *T { return &x }

// The provisioning file of the alert rules is YAML that says what the rules say.
func TestAlertFile(t *testing.T) {
	dir := t.TempDir()
	if err := Write(dir, "", DataSource{Host: "h", Port: 9000, Database: "d", User: "u"}); err != nil {
		t.Fatal(err)
	}
	var file struct {
		APIVersion int `yaml:"apiVersion"`
		Groups     []struct {
			Name, Folder, Interval string
			Rules                  []struct {
				UID, Title, Condition, For string
				NoDataState                string `yaml:"noDataState"`
				Annotations, Labels        map[string]string
				Data                       []struct {
					RefID         string `yaml:"refId"`
					DatasourceUID string `yaml:"datasourceUid"`
					Model         map[string]any
				}
			}
		}
	}
	readYAML(t, filepath.Join(dir, "provisioning/alerting/rollcall.yaml"), &file)
	if len(file.Groups) != 1 || file.APIVersion != 1 {
		t.Fatalf("file %+v", file)
	}
	g := file.Groups[0]
	if g.Name != AlertGroup || g.Folder != FolderTitle || g.Interval != "60s" || len(g.Rules) != len(alertRules()) {
		t.Errorf("group %+v", g)
	}
	uids := map[string]bool{}
	for i, r := range g.Rules {
		want := alertRules()[i]
		if r.UID != want.uid || uids[r.UID] || r.Title == "" || r.Condition != "B" || r.For != want.wait || r.NoDataState != "OK" || r.Labels["severity"] == "" || len(r.Data) != 2 {
			t.Errorf("rule %+v", r)
			continue
		}
		uids[r.UID] = true
		if r.Annotations["summary"] != strings.ReplaceAll(want.summary, "$", "$$") || !strings.Contains(r.Annotations["summary"], "{{ $$labels.") {
			t.Errorf("summary %q", r.Annotations["summary"])
		}
		if a, b := r.Data[0], r.Data[1]; a.DatasourceUID != DataSourceUID || a.Model["rawSql"] != want.sql || a.RefID != "A" || b.DatasourceUID != "__expr__" || b.Model["type"] != "threshold" || b.Model["expression"] != "A" {
			t.Errorf("data %+v", r.Data)
		}
	}
}

// Every dashboard is a Dashboard of Grafana's published types, by the TypeScript
// compiler; and what is none is refused. `make types` installs the two.
func TestTypes(t *testing.T) {
	tsc, err := filepath.Abs(filepath.Join("typecheck", "node_modules", ".bin", "tsc"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(tsc); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%v: run `make types`", err)
		}
		t.Skip("the TypeScript compiler is not there: run `make types`")
	}
	check := func(json string) (string, error) {
		t.Helper()
		// Beside node_modules, where the compiler looks for the types.
		dir, err := os.MkdirTemp("typecheck", "check-")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		// The one enumeration there is; a literal of its value is refused.
		json = strings.ReplaceAll(json, `"mode": "absolute"`, `"mode": ThresholdsMode.Absolute`)
		source := "import { type Dashboard, ThresholdsMode } from '@grafana/schema';\nexport const d: Dashboard = " + json + ";\n"
		if err := os.WriteFile(filepath.Join(dir, "d.ts"), []byte(source), 0o644); err != nil {
			t.Fatal(err)
		}
		config := `{"compilerOptions":{"strict":true,"noEmit":true,"module":"esnext","moduleResolution":"bundler","skipLibCheck":true,"types":[]},"files":["d.ts"]}`
		if err := os.WriteFile(filepath.Join(dir, "tsconfig.json"), []byte(config), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(tsc, "-p", dir).CombinedOutput()
		return string(out), err
	}
	for _, d := range Dashboards() {
		if out, err := check(string(d.JSON)); err != nil {
			t.Errorf("%s: %v\n%s", d.Name, err, out)
		}
	}
	for _, spoiled := range [][2]string{{`"schemaVersion": 42`, `"schemaVersion": "42"`}, {`"refresh":`, `"refreshh":`}} {
		text := strings.Replace(string(Dashboards()[0].JSON), spoiled[0], spoiled[1], 1)
		if out, err := check(text); err == nil || !strings.Contains(out, "TS2") {
			t.Errorf("%s was taken: %v %s", spoiled[1], err, fmt.Sprint(out))
		}
	}
}
