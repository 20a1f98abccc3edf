package grafana

import (
	"bytes"
	"encoding/json"
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/alerting"
	"github.com/grafana/grafana-foundation-sdk/go/cog/variants"
)

// AlertGroup is the name of the rule group of all alert rules.
const AlertGroup = "rollcall"

// alertInterval is how often the rules are looked at, seconds.
const alertInterval = 60

// alertRule is one alert rule: it fires for each row whose value is not 0, with
// the row's text columns as labels.
type alertRule struct {
	uid, title, summary, description, severity string
	wait                                       string // how long a row must be there
	sql                                        string
}

// alertRules are the alert rules in the order shown. Each query gives a number
// named value and a row for each thing to be told of; no row is no alert.
func alertRules() []alertRule {
	return []alertRule{
		{
			"rollcall-flag", "Flag opened", "Flag {{ $labels.kind }} on {{ $labels.of }}", "A flag is open: see the flags of the dashboard Rollcall: the fleet, and what to check next.", "critical", "0s",
			`SELECT if(cell_id != '', toString(cell_id), concat('car ', car_id)) AS of, toString(kind) AS kind, flag_id AS flag, 1 AS value
FROM flags FINAL
WHERE present = 1 AND open AND kind != 'check overdue'
ORDER BY of, flag`,
		},
		{
			"rollcall-check-overdue", "Check overdue", "Calibration check of {{ $labels.cell }} overdue", "The day of the cell's next check, by the intervals that the registry asks for, is past. The value counts the days begun since.", "warning", "1h",
			`SELECT toString(cell_id) AS cell, dateDiff('day', min(due_at), now()) + 1 AS value
FROM check_intervals FINAL
WHERE present = 1 AND asked AND due_at < now()
GROUP BY cell_id
ORDER BY cell`,
		},
		{
			"rollcall-agent-silent", "Agent silent", "Agent of {{ $labels.cell }} silent", "The agent was not heard for ten minutes. What the cell measures is kept in its spool.", "warning", "2m",
			`SELECT toString(cell_id) AS cell, dateDiff('second', received_at, now()) AS value
FROM latest_heartbeats FINAL
WHERE received_at < now() - INTERVAL 10 MINUTE
ORDER BY cell`,
		},
		{
			"rollcall-spool-growing", "Spool growing", "Spool of {{ $labels.cell }} growing", "The agent is heard, and the oldest message in its spool has waited for half an hour.", "warning", "5m",
			`SELECT toString(cell_id) AS cell, spool_messages AS value
FROM latest_heartbeats FINAL
WHERE received_at >= now() - INTERVAL 10 MINUTE AND spool_messages > 0 AND dateDiff('second', spool_oldest_at, sent_at) >= 1800
ORDER BY cell`,
		},
		{
			"rollcall-rejected", "Rejected messages", "Messages or files of {{ $labels.cell }} rejected", "In the last hour messages of the agent were refused, or it has files it cannot read: see the dashboard Rollcall: what arrives.", "warning", "0s",
			`SELECT cell, sum(rejected) AS value
FROM (
    SELECT toString(cell_id) AS cell, count() AS rejected FROM refusals FINAL WHERE refused_at >= now() - INTERVAL 1 HOUR GROUP BY cell_id
    UNION ALL
    SELECT toString(cell_id) AS cell, toUInt64(max(rejected_files) - min(rejected_files) + max(set_aside_messages) - min(set_aside_messages)) AS rejected
    FROM heartbeats FINAL WHERE received_at >= now() - INTERVAL 1 HOUR GROUP BY cell_id
)
GROUP BY cell
HAVING value > 0
ORDER BY cell`,
		},
	}
}

// model is a query of an alert rule, as the data source's plugin or Grafana's
// own expressions read it.
type model struct{ variants.UnknownDataquery }

// Build returns the query.
func (m model) Build() (variants.Dataquery, error) { return m.UnknownDataquery, nil }

// Alerts returns the alert rules as one rule group, as Grafana's provisioning API
// takes them.
func Alerts() alerting.RuleGroup {
	group := alerting.NewRuleGroupBuilder(AlertGroup).FolderUid(FolderUID).Interval(alertInterval)
	for _, r := range alertRules() {
		rows := model{variants.UnknownDataquery{
			"refId": "A", "datasource": map[string]any{"type": dataSource, "uid": DataSourceUID}, "editorType": "sql", "queryType": "table", "format": formatTable,
			"rawSql": r.sql, "pluginVersion": PluginVersion, "intervalMs": 1000, "maxDataPoints": 43200,
		}}
		fires := model{variants.UnknownDataquery{
			"refId": "B", "type": "threshold", "expression": "A", "datasource": map[string]any{"type": "__expr__", "uid": "__expr__"},
			"conditions": []any{map[string]any{"type": "query", "evaluator": map[string]any{"type": "gt", "params": []any{0}}}},
		}}
		group.WithRule(alerting.NewRuleBuilder(r.title).
			Uid(r.uid).FolderUID(FolderUID).RuleGroup(AlertGroup).OrgID(1).
			WithQuery(alerting.NewQueryBuilder("A").DatasourceUid(DataSourceUID).RelativeTimeRange(600, 0).Model(rows)).
			WithQuery(alerting.NewQueryBuilder("B").DatasourceUid("__expr__").RelativeTimeRange(600, 0).Model(fires)).
			Condition("B").For(r.wait).
			// No row: nothing to tell. A query that fails is told as an error, not as a flag.
			NoDataState(alerting.RuleNoDataStateOK).ExecErrState(alerting.RuleExecErrStateError).
			Labels(map[string]string{"source": "rollcall", "severity": r.severity}).
			Annotations(map[string]string{"summary": r.summary, "description": r.description}))
	}
	built, err := group.Build()
	if err != nil {
		panic("grafana: alert rules cannot be built: " + err.Error())
	}
	return built
}

// alertFile returns the rule group as a provisioning file. JSON is YAML, and the
// names are those of the file format. Source: Grafana documentation, "Use
// configuration files to provision alerting resources". A $ in the file would be
// expanded, so it is written twice.
func alertFile() []byte {
	group := Alerts()
	type rule struct {
		UID          string            `json:"uid"`
		Title        string            `json:"title"`
		Condition    string            `json:"condition"`
		Data         []alerting.Query  `json:"data"`
		NoDataState  string            `json:"noDataState"`
		ExecErrState string            `json:"execErrState"`
		For          string            `json:"for"`
		Labels       map[string]string `json:"labels"`
		Annotations  map[string]string `json:"annotations"`
	}
	type groups struct {
		OrgID    int64  `json:"orgId"`
		Name     string `json:"name"`
		Folder   string `json:"folder"`
		Interval string `json:"interval"`
		Rules    []rule `json:"rules"`
	}
	g := groups{OrgID: 1, Name: *group.Title, Folder: FolderTitle, Interval: fmt.Sprintf("%ds", *group.Interval)}
	for _, r := range group.Rules {
		g.Rules = append(g.Rules, rule{*r.Uid, r.Title, r.Condition, r.Data, string(r.NoDataState), string(r.ExecErrState), r.For, r.Labels, r.Annotations})
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(struct {
		APIVersion int      `json:"apiVersion"`
		Groups     []groups `json:"groups"`
	}{1, []groups{g}}); err != nil {
		panic("grafana: alert rules cannot be written: " + err.Error())
	}
	return bytes.ReplaceAll(b.Bytes(), []byte("$"), []byte("$$"))
}
