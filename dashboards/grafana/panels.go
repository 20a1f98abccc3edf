package grafana

// clickhouse is the data source of every panel.
func clickhouse() reference { return reference{Type: dataSource, UID: DataSourceUID} }

const (
	formatSeries = 0
	formatTable  = 1
)

func query(format int, sql string) []target {
	kind := "timeseries"
	if format == formatTable {
		kind = "table"
	}
	return []target{{RefID: "A", DataSource: clickhouse(), EditorType: "sql", QueryType: kind, Format: format, RawSQL: sql, PluginVersion: PluginVersion}}
}

func decimals(n int) *int { return &n }

// seriesPanel is a chart over time.
func seriesPanel(title, description, unit, sql string) panel {
	return panel{
		Type: "timeseries", Title: title, Description: description, DataSource: clickhouse(), Targets: query(formatSeries, sql),
		FieldConfig: fieldConfig{Overrides: []override{}, Defaults: fieldDefaults{Unit: unit, Custom: map[string]any{
			"drawStyle": "line", "lineWidth": 1, "pointSize": 4, "showPoints": "auto", "spanNulls": true,
		}}},
		Options: map[string]any{
			"legend":  map[string]any{"displayMode": "list", "placement": "bottom", "showLegend": true, "calcs": []string{}},
			"tooltip": map[string]any{"mode": "multi", "sort": "desc"},
		},
	}
}

// tablePanel is a table; units gives the columns that have one.
func tablePanel(title, description, sql string, units map[string]string, order []string) panel {
	p := panel{
		Type: "table", Title: title, Description: description, DataSource: clickhouse(), Targets: query(formatTable, sql),
		FieldConfig: fieldConfig{Overrides: []override{}, Defaults: fieldDefaults{NoValue: "–"}},
		Options:     map[string]any{"showHeader": true, "cellHeight": "sm", "frameIndex": 0},
	}
	for _, column := range order {
		p.FieldConfig.Overrides = append(p.FieldConfig.Overrides, override{
			Matcher:    matcher{ID: "byName", Options: column},
			Properties: []property{{"unit", units[column]}, {"decimals", 2}},
		})
	}
	return p
}

// statPanel is one figure; from bad on it is marked.
func statPanel(title, description, unit string, digits int, bad float64, sql string) panel {
	return panel{
		Type: "stat", Title: title, Description: description, DataSource: clickhouse(), Targets: query(formatTable, sql),
		FieldConfig: fieldConfig{Overrides: []override{}, Defaults: fieldDefaults{Unit: unit, Decimals: decimals(digits), NoValue: "–",
			Thresholds: &thresholds{Mode: "absolute", Steps: []step{{Color: "text"}, {Color: "orange", Value: &bad}}}}},
		Options: map[string]any{
			"colorMode": "value", "graphMode": "none", "justifyMode": "auto", "textMode": "value", "orientation": "auto",
			"wideLayout": true, "showPercentChange": false, "percentChangeColorMode": "standard",
			"reduceOptions": map[string]any{"calcs": []string{"lastNotNull"}, "fields": "", "values": false},
		},
	}
}

// placed numbers panels and puts them on the grid of 24 columns, in rows.
func placed(rows ...[]sized) []panel {
	var all []panel
	y := 0
	for _, row := range rows {
		x, height := 0, 0
		for _, s := range row {
			p := s.panel
			p.ID = len(all) + 1
			p.Grid = grid{H: s.height, W: s.width, X: x, Y: y}
			x += s.width
			height = max(height, s.height)
			all = append(all, p)
		}
		y += height
	}
	return all
}

// sized is a panel with its size in units of the grid.
type sized struct {
	panel
	width, height int
}

// someOf is a variable of which several values may be chosen, at first all.
func someOf(name, label, sql string) variable {
	return variable{
		Name: name, Label: label, Type: "query", DataSource: clickhouse(), Query: sql, Refresh: 2, Sort: 1, Multi: true, IncludeAll: true,
		Current: selection{Text: []string{"All"}, Value: []string{"$__all"}}, Options: []struct{}{},
	}
}

// oneOf is a variable of which one value is chosen, at first the first.
func oneOf(name, label, sql string) variable {
	return variable{
		Name: name, Label: label, Type: "query", DataSource: clickhouse(), Query: sql, Refresh: 2, Sort: 1,
		Current: selection{Text: []string{}, Value: []string{}}, Options: []struct{}{},
	}
}
