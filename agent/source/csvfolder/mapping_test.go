package csvfolder

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml/ast"

	"rollcall/services/compute/unit"
	"rollcall/services/fleet"
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
	for _, v := range []any{Mapping{}, Format{}, Take{}, StartedAt{}, Rule{}, Match{}, Samples{}, TimeColumn{}, Column{}, Scale{}, Readings{}} {
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
		{"volts without a scale", "channel: load_cell, unit: N", "channel: load_cell, unit: V", "or say with scale what it stands for"},
		{"scale without a way", "channel: load_cell, unit: N", "channel: load_cell, unit: V, scale: {zero: 1}", "samples.columns[1].scale: give exactly one of rated"},
		{"scale in two ways", "channel: load_cell, unit: N", "channel: load_cell, unit: V, scale: {rated: 5 kN, output: 2, per_unit: 1 N}", "give exactly one of rated"},
		{"scale without a unit", "channel: load_cell, unit: N", "channel: load_cell, scale: {per_unit: 500 N}", "give the column's own unit beside scale"},
		{"rated without its output", "channel: load_cell, unit: N", "channel: load_cell, unit: mV/V, scale: {rated: 5 kN}", "output at it must be numbers other than 0"},
		{"rated in kilograms", "channel: load_cell, unit: N", "channel: load_cell, unit: mV/V, scale: {rated: 500 kg, output: 2}", "samples.columns[1].scale.rated: unit kg is of mass"},
		{"rated without its unit", "channel: load_cell, unit: N", "channel: load_cell, unit: mV/V, scale: {rated: 500, output: 2}", "no number with a unit after a space"},
		{"scale of a force", "channel: load_cell, unit: N", "channel: load_cell, unit: N, scale: {per_unit: 1.01 N}", "corrected by a calibration check"},
		{"arm of volts", "channel: load_cell, unit: N", "channel: load_cell, unit: V, scale: {lever_arm: 350 mm}", "a lever arm turns a torque into a force"},
		{"arm of a speed", "channel: roller_speed, unit: km/h", "channel: roller_speed, unit: N·m, scale: {lever_arm: 350 mm}", "the channel is of speed"},
		{"arm with a zero", "channel: load_cell, unit: N", "channel: load_cell, unit: N·m, scale: {lever_arm: 350 mm, zero: 1}", "zero check"},
		{"output without rated", "channel: load_cell, unit: N", "channel: load_cell, unit: V, scale: {per_unit: 5 N, output: 2}", "output goes with rated"},
		{"scale of an own channel", "channel: load_cell, unit: N", "channel: x_cell, unit: V, scale: {per_unit: 5 N}", "leave scale out"},
		{"scaled readings in the wrong unit", "reading: Reading, unit: N", "reading: Reading, unit: mV/V", "readings.unit: unit mV/V is of bridge output, but a unit of force is needed"},
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

// One force, 1250 N, in each way a load cell is logged is taken as the same
// force; figures by hand as in compute/unit.
func TestLoadCellScales(t *testing.T) {
	for _, c := range []struct{ name, column, unit, reading, zero string }{
		{"newtons", "unit: N", "N", "1250", "0"},
		{"torque", "unit: N·m, scale: {lever_arm: 350 mm}", "Nm", "437.5", "0"},
		{"bridge", "unit: mV/V, scale: {rated: 5 kN, output: 2.0, zero: 0.012}", "mV/V", "0.512", "0.012"},
		{"bridge the other way round", "unit: mV/V, scale: {rated: 5 kN, output: -2.0, zero: 0.012}", "mV/V", "-0.488", "0.012"},
		{"amplifier", "unit: V, scale: {per_unit: 500 N, zero: 0.1}", "V", "2.6", "0.1"},
		{"converter", "unit: count, scale: {rated: 5000 N, output: 8388608, zero: -1000}", "counts", "2096152", "-1000"},
		{"converter, in kgf", "unit: count, scale: {per_unit: 0.01 kgf}", "LSB", "12746.452662", "0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(plainMapping, "channel: load_cell, unit: N", "channel: load_cell, "+c.column, 1)
			text = strings.Replace(text, "reading: Reading, unit: N", "reading: Reading, "+c.column, 1)
			m := mapping(t, text)
			head := strings.Replace(plainHead, "s,km/h,N,rpm", "s,km/h,"+c.unit+",rpm", 1)
			s, err := take(t, m, "pull_s1.csv", head+"0.00,60.1,"+c.zero+",2000\n0.02,60.2,"+c.reading+",2010\n")
			if err != nil {
				t.Fatal(err)
			}
			got := assemble(t, s.requests).channels[fleet.LoadCellForce].values
			if math.Abs(got[0]) > 1e-9 || math.Abs(got[1]-1250) > 1e-5 {
				t.Errorf("load cell %v, want 0 and 1250 N", got)
			}
			check := "Started: 2027-03-04 08:00:00\nCheck: zero\nState: as found\nBy: Ines\n\nCycle,Direction,Masses,Reading\n,,," + c.unit + "\n1,rising,," + c.reading + "\n"
			if s, err = take(t, m, "check_a.csv", check); err != nil {
				t.Fatal(err)
			}
			if x := s.requests[0].GetCalibrationCheck().Readings[0].GetReadingN(); math.Abs(x-1250) > 1e-5 {
				t.Errorf("check reads %g N, want 1250", x)
			}
		})
	}
	// A unit row of another unit, and a reading beyond any brake, are refused.
	m := mapping(t, strings.Replace(plainMapping, "channel: load_cell, unit: N", "channel: load_cell, unit: V, scale: {per_unit: -500 N}", 1))
	for body, want := range map[string]string{
		strings.Replace(plainHead, "s,km/h,N,rpm", "s,km/h,mV,rpm", 1) + plainBody:              "the unit row says",
		strings.Replace(plainHead, "s,km/h,N,rpm", "s,km/h,V,rpm", 1) + "0.00,60.1,-201,2000\n": "-201 V is not possible for channel load_cell",
	} {
		if _, err := take(t, m, "pull_s1.csv", body); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// FuzzScale gives any scale to any unit: nothing panics, and one that is
// accepted turns numbers into finite ones and back.
func FuzzScale(f *testing.F) {
	f.Add("mV/V", "5 kN", 2.0, "", 0.012, "")
	f.Add("V", "", 0.0, "-500 N", 0.0, "")
	f.Add("count", "1e300 N", 1e-300, "", 0.0, "")
	f.Add("N·m", "", 0.0, "", 0.0, "350 mm")
	f.Add("V", "", 0.0, "1e308 kN", math.NaN(), "")
	f.Add("mV", "1e-320 N", 1.0, "", 1e300, "")
	f.Fuzz(func(t *testing.T, symbol, rated string, output float64, perUnit string, zero float64, arm string) {
		raw, err := unit.Parse(symbol)
		if err != nil {
			return
		}
		for _, to := range []unit.Dimension{unit.Force, unit.Speed, unit.Pressure, unit.Temperature} {
			c := &checker{name: "mapping.yaml", file: &ast.File{}}
			s := Scale{Rated: rated, Output: output, PerUnit: perUnit, Zero: zero, LeverArm: arm}
			u := s.check(c, "$.samples.columns[0].scale", raw, to)
			if len(c.problems) > 0 {
				if u != raw {
					t.Fatalf("refused, yet %+v", u)
				}
				continue
			}
			if x := u.ToSI(1); x-x != 0 || u.Scale == 0 || u.Dimension != to {
				t.Fatalf("%+v: 1 is %g", u, x)
			}
		}
	})
}
