// Package grafana is Rollcall's Grafana dashboards as Go code: it makes their
// JSON, writes it with provisioning files into a folder, or pushes it through
// Grafana's HTTP API.
//
// The panels read ClickHouse through the data source plugin
// grafana-clickhouse-datasource, whose macros ($__timeFilter and the like) stand
// in the SQL. Every panel has its title, unit, description and SQL in one place.
// Offsets are shown in percent, uncertainties are expanded (k = 2), times are UTC.
package grafana

import (
	"bytes"
	"encoding/json"
)

// Uids and names under which Grafana knows what is ours. They never change.
const (
	FolderUID     = "rollcall"
	FolderTitle   = "Rollcall"
	DataSourceUID = "rollcall-clickhouse"
	dataSource    = "grafana-clickhouse-datasource"
	// PluginVersion is that of the data source plugin the panels are made for.
	PluginVersion = "4.20.0"
	// schemaVersion is that of the dashboard JSON model.
	schemaVersion = 42
)

// File is a dashboard as JSON.
type File struct {
	Name string // of the file, without .json; also the dashboard's uid after "rollcall-"
	UID  string
	JSON []byte
}

// Dashboards returns every dashboard.
func Dashboards() []File {
	return []File{fileOf("fleet", fleetDashboard()), fileOf("cell", cellDashboard()), fileOf("car", carDashboard()), fileOf("ingest", ingestDashboard())}
}

func fileOf(name string, d dashboard) File {
	d.Annotations.List = []struct{}{}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(d); err != nil {
		panic("grafana: dashboard cannot be written: " + err.Error())
	}
	return File{Name: name, UID: d.UID, JSON: b.Bytes()}
}

// The dashboard JSON model, as far as it is used here. Source of the names:
// Grafana documentation, "Dashboard JSON model" and the pages of the panels.

type dashboard struct {
	UID           string     `json:"uid"`
	Title         string     `json:"title"`
	Description   string     `json:"description"`
	Tags          []string   `json:"tags"`
	Timezone      string     `json:"timezone"`
	Editable      bool       `json:"editable"`
	GraphTooltip  int        `json:"graphTooltip"` // 1: one cross hair for all panels
	Refresh       string     `json:"refresh"`
	SchemaVersion int        `json:"schemaVersion"`
	Time          span       `json:"time"`
	Templating    templating `json:"templating"`
	Annotations   list       `json:"annotations"`
	Panels        []panel    `json:"panels"`
}

type span struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// list is what has a list of which there is nothing here.
type list struct {
	List []struct{} `json:"list"`
}

type templating struct {
	List []variable `json:"list"`
}

type variable struct {
	Name       string     `json:"name"`
	Label      string     `json:"label"`
	Type       string     `json:"type"`
	DataSource reference  `json:"datasource"`
	Query      string     `json:"query"`
	Refresh    int        `json:"refresh"` // 2: when the time range changes
	Sort       int        `json:"sort"`    // 1: by the alphabet
	Multi      bool       `json:"multi"`
	IncludeAll bool       `json:"includeAll"`
	Current    selection  `json:"current"`
	Options    []struct{} `json:"options"`
}

type selection struct {
	Text  []string `json:"text"`
	Value []string `json:"value"`
}

type reference struct {
	Type string `json:"type"`
	UID  string `json:"uid"`
}

type panel struct {
	ID          int            `json:"id"`
	Type        string         `json:"type"`
	Title       string         `json:"title"`
	Description string         `json:"description"`
	DataSource  reference      `json:"datasource"`
	Grid        grid           `json:"gridPos"`
	Targets     []target       `json:"targets"`
	FieldConfig fieldConfig    `json:"fieldConfig"`
	Options     map[string]any `json:"options"`
}

type grid struct {
	H int `json:"h"`
	W int `json:"w"`
	X int `json:"x"`
	Y int `json:"y"`
}

type target struct {
	RefID      string    `json:"refId"`
	DataSource reference `json:"datasource"`
	EditorType string    `json:"editorType"`
	QueryType  string    `json:"queryType"`
	// Format is the plugin's own number: 0 time series, 1 table.
	Format        int    `json:"format"`
	RawSQL        string `json:"rawSql"`
	PluginVersion string `json:"pluginVersion"`
}

type fieldConfig struct {
	Defaults  fieldDefaults `json:"defaults"`
	Overrides []override    `json:"overrides"`
}

type fieldDefaults struct {
	Unit       string         `json:"unit,omitempty"`
	Decimals   *int           `json:"decimals,omitempty"`
	NoValue    string         `json:"noValue,omitempty"`
	Thresholds *thresholds    `json:"thresholds,omitempty"`
	Custom     map[string]any `json:"custom,omitempty"`
}

type thresholds struct {
	Mode  string `json:"mode"`
	Steps []step `json:"steps"`
}

type step struct {
	Color string   `json:"color"`
	Value *float64 `json:"value"`
}

type override struct {
	Matcher    matcher    `json:"matcher"`
	Properties []property `json:"properties"`
}

type matcher struct {
	ID      string `json:"id"`
	Options string `json:"options"`
}

type property struct {
	ID    string `json:"id"`
	Value any    `json:"value"`
}
