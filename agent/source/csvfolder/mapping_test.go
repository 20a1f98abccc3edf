package csvfolder

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// TestMappingsOfTheRepositoryParse reads the sample and the demo's mapping.
func TestMappingsOfTheRepositoryParse(t *testing.T) {
	for _, path := range []string{"testdata/mapping.sample.yaml", filepath.Join("..", "..", "..", "deploy", "demo", "mapping.yaml")} {
		if _, err := LoadMapping(path); err != nil {
			t.Error(err)
		}
	}
}

// TestSampleShowsEveryKey looks for every key of the mapping's types in the
// sample.
func TestSampleShowsEveryKey(t *testing.T) {
	text, err := os.ReadFile("testdata/mapping.sample.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []any{Mapping{}, Format{}, Take{}, StartedAt{}, Rule{}, Match{}, Samples{}, TimeColumn{}, Column{}, Readings{}} {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			key := typ.Field(i).Tag.Get("yaml")
			if key == "" {
				continue
			}
			if !regexp.MustCompile(`(?m)(^|[\s{,#])` + key + `:`).Match(text) {
				t.Errorf("%s: key %s is not in the sample", typ.Name(), key)
			}
		}
	}
}

func TestMappingProblems(t *testing.T) {
	cases := []struct{ name, old, new, want string }{
		{"unknown key", "separator", "seperator", "unknown field"},
		{"unit of another dimension", "channel: load_cell, unit: N", "channel: load_cell, unit: kg", `mapping.yaml:22: samples.columns[1].unit: channel load_cell: unit kg is of mass`},
		{"unknown unit", "unit: km/h", "unit: knots", `mapping.yaml:21: samples.columns[0].unit`},
		{"gauge pressure", "channel: air_pressure, unit: hPa", "channel: air_pressure, unit: psig", "absolute"},
		{"unknown channel", "channel: engine_speed", "channel: engine_rpm", `mapping.yaml:23: samples.columns[2].channel: "engine_rpm" is no channel`},
		{"channel twice", "channel: engine_speed", "channel: load_cell", "mapped twice"},
		{"column twice", "name: Engine", "name: Force", "mapped twice"},
		{"no unit anywhere", "unit_row: true", "unit_row: false", `column "Extra" has no unit`},
		{"time of another dimension", "time: {column: Time, unit: s}", "time: {column: Time, unit: m}", `samples.time.unit: unit m is of length`},
		{"time without unit", "time: {column: Time, unit: s}", "time: {column: Time}", "give the unit of a running time or the format of a clock"},
		{"bad separator", `separator: ","`, `separator: "::"`, `format.separator: "::" is no separator`},
		{"separator is the mark", `separator: ","`, `decimal_mark: ","`, "is the separator too"},
		{"bad encoding", `separator: ","`, `encoding: utf-16`, `"utf-16" is not read`},
		{"index beside a header row", "name: Engine", "index: 4", "by its name, not by an index"},
		{"bad pattern", "^pull_(?P<label>", "^pull_(?P<label", "is no regular expression"},
		{"group that is not there", "{group: label}", "{group: lable}", `rules[0].label.group: there is no group "lable"`},
		{"two sources", "{group: label}", "{group: label, value: x}", "exactly one of group, header and value"},
		{"bad kind", "kind: pull", "kind: push", `"push" is no kind`},
		{"zone", "zone: UTC", "zone: Mars/Olympus", `"Mars/Olympus" is no known zone`},
		{"format without a time", `format: "YYYY-MM-DD hh:mm:ss"`, `format: "YYYY-MM-DD"`, "a time of day is needed"},
		{"ramp in the wrong unit", "ramp_rate: {header: Ramp, optional: true}", "ramp_rate: {header: Ramp, unit: km/h}", "of speed"},
		{"check without its kind", "    check_kind: {header: Check}\n", "", "check_kind: say how"},
		{"bad state", "state: {header: State}", "state: {value: as_bought}", `"as_bought" is none of as_found, as_left`},
		{"car of empty rollers", "kind: pull", "kind: empty_coast_down", `a record of kind "empty_coast_down" has no car`},
		{"readings in the wrong unit", "reading: Reading, unit: N", "reading: Reading, unit: km", "of length"},
		{"not YAML", "samples:", "samples: [", "read mapping"},
	}
	base := strings.Replace(plainMapping, "{unit_row: true}", `{unit_row: true, separator: ","}`, 1)
	// A column whose unit is the unit row's.
	base = strings.Replace(base, "optional: true}\nreadings", "optional: true}\n    - {name: Extra, channel: x_extra, optional: true}\nreadings", 1)
	if _, err := ParseMapping("mapping.yaml", []byte(base)); err != nil {
		t.Fatal(err)
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(base, c.old, c.new, 1)
			if text == base {
				t.Fatal("the case changes nothing")
			}
			_, err := ParseMapping("mapping.yaml", []byte(text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error is\n%v\nwant %s", err, c.want)
			}
		})
	}
}
