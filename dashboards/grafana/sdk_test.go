package grafana

import (
	"bytes"
	"encoding/json"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	sdk "github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/table"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

// Every dashboard is one by Grafana's own types in Go, as the foundation SDK
// publishes them: read strictly, so that no key is unknown and none that is needed is
// missing, each panel's options and fields by the types of its kind. The dashboards
// are written by hand all the same: the SDK has no type for the query of the
// ClickHouse plugin, which is most of a panel.
func TestDashboardsByTheSDK(t *testing.T) {
	plugins.RegisterDefaultPlugins()
	// The SDK's list of errors is no nil where it is empty.
	wrong := func(err error) error {
		if err == nil || err.Error() == "" {
			return nil
		}
		return err
	}
	strict := func(data []byte) error {
		var d sdk.Dashboard //lint:ignore SA1019 the dashboards are of this model
		if err := wrong(d.UnmarshalJSONStrict(data)); err != nil {
			return err
		}
		return wrong(d.Validate())
	}
	for _, f := range Dashboards() {
		if err := strict(f.JSON); err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
		var d sdk.Dashboard //lint:ignore SA1019 the dashboards are of this model
		if err := json.Unmarshal(f.JSON, &d); err != nil {
			t.Fatal(err)
		}
		for _, p := range d.Panels {
			ok := false
			switch p.Panel.Type {
			case "stat":
				_, ok = p.Panel.Options.(*stat.Options)
			case "timeseries":
				_, ok = p.Panel.Options.(*timeseries.Options)
			case "table":
				_, ok = p.Panel.Options.(*table.Options)
			}
			if !ok {
				t.Errorf("%s: the options of %q are %T", f.Name, *p.Panel.Title, p.Panel.Options)
			}
		}
	}
	// What is none is refused.
	for _, spoiled := range [][2]string{{`"textMode": "value"`, `"textMode": "value", "textSize": 3`}, {`"refresh":`, `"refreshh":`}, {`"showHeader": true`, `"showHeader": "yes"`}, {`"lineWidth": 1`, `"lineWidht": 1`}} {
		text := bytes.Replace(Dashboards()[0].JSON, []byte(spoiled[0]), []byte(spoiled[1]), 1)
		if bytes.Equal(text, Dashboards()[0].JSON) {
			t.Fatalf("no %s to spoil", spoiled[0])
		}
		if err := strict(text); err == nil {
			t.Errorf("%s was taken", spoiled[1])
		}
	}
}
