package registry

import (
	"bytes"
	"math"
	"os"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"rollcall/services/fleet"
)

const demo = "../../deploy/demo/"

// The demo's registry is read without a problem and says the same of its sites,
// cells, cars and masses as the scenario that its files are made from.
func TestDemoRegistryAgreesWithScenario(t *testing.T) {
	data, err := os.ReadFile(demo + "registry.yaml")
	if err != nil {
		t.Fatal(err)
	}
	doc := parsed(t, data)
	raw, err := os.ReadFile(demo + "scenario.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var scenario struct {
		Start                      string
		Sites, Cells, Cars, Masses []map[string]any
	}
	if err := yaml.NewDecoder(bytes.NewReader(raw)).Decode(&scenario); err != nil {
		t.Fatal(err)
	}
	start, err := time.Parse(time.DateOnly, scenario.Start)
	if err != nil || doc.EffectiveAt.After(start) {
		t.Errorf("the registry holds from %v, the scenario starts %q (%v)", doc.EffectiveAt, scenario.Start, err)
	}
	r := doc.Registry
	if len(scenario.Sites) < 6 || len(scenario.Cells) < 12 || len(scenario.Cars) < 4 {
		t.Errorf("the scenario has %d sites, %d cells, %d cars; too few to prove anything", len(scenario.Sites), len(scenario.Cells), len(scenario.Cars))
	}
	if len(r.Sites) != len(scenario.Sites) || len(r.Cells) != len(scenario.Cells) || len(r.Cars) != len(scenario.Cars) || len(r.Masses) != len(scenario.Masses) {
		t.Errorf("the registry has %d sites, %d cells, %d cars, %d masses; the scenario %d, %d, %d, %d", len(r.Sites), len(r.Cells), len(r.Cars), len(r.Masses),
			len(scenario.Sites), len(scenario.Cells), len(scenario.Cars), len(scenario.Masses))
	}
	for _, s := range scenario.Sites {
		got, there := r.Sites[fleet.SiteID(s["id"].(string))]
		agree(t, siteFields, got, there, s)
	}
	for _, c := range scenario.Cells {
		got, there := r.Cells[fleet.CellID(c["id"].(string))]
		agree(t, cellFields, got, there, c)
	}
	for _, c := range scenario.Cars {
		got, there := r.Cars[fleet.CarID(c["id"].(string))]
		agree(t, carFields, got, there, c)
	}
	for _, m := range scenario.Masses {
		got, there := r.Masses[fleet.MassID(m["id"].(string))]
		agree(t, massFields, got, there, m)
	}
}

// agree compares every key of the registry that the scenario has too.
func agree[T any](t *testing.T, fields []field[T], got T, there bool, want map[string]any) {
	t.Helper()
	id := want["id"].(string)
	if !there {
		t.Errorf("%s is not in the registry", id)
		return
	}
	compared := compareKeys(t, id, fields, got, want)
	if compared < 3 {
		t.Errorf("%s: only %d keys are in both files", id, compared)
	}
}

func compareKeys[T any](t *testing.T, id string, fields []field[T], got T, want map[string]any) int {
	t.Helper()
	compared := 0
	for _, f := range fields {
		w, there := want[f.key]
		if !there {
			continue
		}
		compared++
		same := true
		switch f.kind {
		case group:
			compared += compareKeys(t, id+" "+f.key, f.sub, got, w.(map[string]any))
		case number:
			x, _ := f.number(&got)
			same = x == f.unit.toSI(asFloat(w))
		case numbers:
			list := w.([]any)
			same = len(list) == len(*f.nums(&got))
			for i := 0; same && i < len(list); i++ {
				same = (*f.nums(&got))[i] == f.unit.toSI(asFloat(list[i]))
			}
		case text:
			same = f.get(got) == w.(string)
		}
		if !same {
			t.Errorf("%s: %s differs between registry.yaml and scenario.yaml, which has %v", id, f.key, w)
		}
	}
	return compared
}

func asFloat(v any) float64 {
	switch x := v.(type) {
	case uint64:
		return float64(x)
	case int64:
		return float64(x)
	case float64:
		return x
	}
	return math.NaN()
}
