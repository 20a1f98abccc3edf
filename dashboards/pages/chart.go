package pages

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"rollcall/services/show"
)

// chart is a drawing with the figures it was drawn from. The same address that
// shows it gives them as a table, as CSV and as JSON.
type chart struct {
	// Name is what the address calls it: ?chart=NAME.
	Name, Title string
	Picture     template.HTML
	Columns     []column
	// Rows have a value for each column: float64, *float64, string, time.Time; nil:
	// not known. Figures are SI.
	Rows [][]any
	// Zoom says how the figures of a trace are shown, for a closer look.
	Zoom *zoom
	// base is the page's own address with its filters.
	base url.URL
}

// zoom is a trace's channel and its scale, shown = (SI − Offset)/Scale.
type zoom struct {
	Key, Symbol   string
	Scale, Offset float64
}

// column is a column of a chart's figures.
type column struct {
	// Key heads it in CSV and JSON, with its SI unit; Head heads it in a table.
	Key, Head string
	// SI is the unit of its figures, as show.Units.Of takes it; empty: of texts,
	// times and counts.
	SI string
	// Difference: an uncertainty or a difference, which has no zero of a scale.
	Difference bool
	// Signed writes a plus.
	Signed bool
	// Decimals are more than usual for the unit.
	Decimals int
}

// Link is the address of the chart's figures in a format.
func (c *chart) Link(format string) string {
	u := c.base
	q := u.Query()
	q.Set("chart", c.Name)
	q.Set("format", format)
	u.RawQuery = q.Encode()
	return u.RequestURI()
}

// Head is a column's head in the reader's unit.
func (c *chart) Head(k column, r reader) string {
	if k.SI == "" {
		return k.Head
	}
	if symbol := r.Of(k.SI).Symbol; symbol != "" {
		return k.Head + " " + symbol
	}
	return k.Head
}

// Cell is a value as the reader reads it.
func (c *chart) Cell(k column, v any, r reader) any {
	x, ok := number(v)
	if !ok {
		switch v := v.(type) {
		case time.Time:
			return r.At(stamp(v))
		case string:
			return show.Or(v)
		}
		return show.Absent
	}
	if k.SI == "" {
		return r.Mark(strconv.FormatFloat(x, 'f', k.Decimals, 64))
	}
	s := r.Of(k.SI)
	if k.Difference {
		s = s.Difference()
	}
	if k.Signed {
		return r.Signed(x, s, s.Decimals+k.Decimals)
	}
	return r.Fixed(x, s, s.Decimals+k.Decimals)
}

// number returns the figure of a value, if it is one.
func number(v any) (float64, bool) {
	switch v := v.(type) {
	case float64:
		return v, !math.IsNaN(v) && !math.IsInf(v, 0)
	case *float64:
		if v != nil {
			return *v, true
		}
	case int:
		return float64(v), true
	}
	return 0, false
}

// csv returns the figures as CSV, SI, times as RFC 3339.
func (c *chart) csv() ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	head := make([]string, len(c.Columns))
	for i, k := range c.Columns {
		head[i] = k.Key
	}
	if err := out.Write(head); err != nil {
		return nil, err
	}
	for _, row := range c.Rows {
		record := make([]string, len(row))
		for i, v := range row {
			switch x, ok := number(v); {
			case ok:
				record[i] = strconv.FormatFloat(x, 'g', -1, 64)
			default:
				switch v := v.(type) {
				case time.Time:
					record[i] = v.UTC().Format(time.RFC3339Nano)
				case string:
					record[i] = v
				}
			}
		}
		if err := out.Write(record); err != nil {
			return nil, err
		}
	}
	out.Flush()
	return b.Bytes(), out.Error()
}

// json returns the figures as JSON, a document a row.
func (c *chart) json() ([]byte, error) {
	rows := make([]map[string]any, len(c.Rows))
	for i, row := range c.Rows {
		rows[i] = map[string]any{}
		for k, v := range row {
			switch x, ok := number(v); {
			case ok:
				rows[i][c.Columns[k].Key] = x
			default:
				switch v := v.(type) {
				case time.Time:
					rows[i][c.Columns[k].Key] = v.UTC().Format(time.RFC3339Nano)
				case string:
					rows[i][c.Columns[k].Key] = v
				default:
					rows[i][c.Columns[k].Key] = nil
				}
			}
		}
	}
	out, err := json.MarshalIndent(struct {
		Chart string           `json:"chart"`
		Title string           `json:"title"`
		Rows  []map[string]any `json:"rows"`
	}{c.Name, c.Title, rows}, "", "  ")
	return append(out, '\n'), err
}

// formatted returns what an address asks for by ?format= and ?chart= instead of
// the page a came to; a itself when it asks for none.
func (a answer) formatted(address *url.URL) (answer, error) {
	format, name := address.Query().Get("format"), address.Query().Get("chart")
	for _, c := range a.charts {
		c.base = *address
		q := c.base.Query()
		q.Del("format")
		q.Del("chart")
		c.base.RawQuery = q.Encode()
	}
	if format == "" || a.body != nil || a.redirect != "" {
		return a, nil
	}
	refuse := func(text string, arguments ...any) (answer, error) {
		return answer{}, status.Error(codes.InvalidArgument, fmt.Sprintf(text, arguments...))
	}
	var chosen *chart
	var names []string
	for _, c := range a.charts {
		if names = append(names, c.Name); c.Name == name || name == "" && chosen == nil {
			chosen = c
		}
	}
	switch {
	case name != "" && chosen == nil && len(names) == 0:
		return refuse("this page has no charts now; there is nothing to draw yet")
	case name != "" && chosen == nil:
		return refuse("this page has no chart %.30q; it has %s", name, strings.Join(names, ", "))
	case format == "html":
		return a, nil
	case format == "json" && name == "" && a.message != nil:
		var b bytes.Buffer
		err := show.JSON(&b, a.message)
		return answer{kind: "application/json", body: b.Bytes()}, err
	case format != "csv" && format != "json" && format != "table":
		return refuse("%.20q is no format; choose html, table, csv or json", format)
	case chosen == nil:
		return refuse("this page has no figures to give as %s", format)
	}
	switch format {
	case "csv":
		b, err := chosen.csv()
		return answer{kind: "text/csv; charset=utf-8", body: b, name: chosen.Name + ".csv"}, err
	case "json":
		b, err := chosen.json()
		return answer{kind: "application/json", body: b}, err
	}
	return answer{page: "table", title: chosen.Title, reader: a.reader, data: struct {
		Chart *chart
		Back  string
		Of    string
	}{chosen, chosen.base.RequestURI(), a.title}}, nil
}
