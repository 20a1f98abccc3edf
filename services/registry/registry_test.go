package registry

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"rollcall/services/fleet"
)

var update = flag.Bool("update", false, "write the golden files")

var noon = time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC)

// golden compares got with a file under testdata.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}

func whole(t testing.TB) []byte {
	t.Helper()
	data, err := os.ReadFile("testdata/whole.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func parsed(t testing.TB, data []byte) Document {
	t.Helper()
	doc, problems := Parse("fleet.yaml", data, noon)
	for _, p := range problems {
		t.Error(p)
	}
	if len(problems) > 0 {
		t.FailNow()
	}
	return doc
}

// The expected values are the file's, converted by hand.
func TestParseWhole(t *testing.T) {
	doc := parsed(t, whole(t))
	if want := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC); !doc.EffectiveAt.Equal(want) {
		t.Errorf("effective at %v, want %v", doc.EffectiveAt, want)
	}
	r := doc.Registry
	if n := len(r.Sites) + len(r.Cells)*10 + len(r.Cars)*100 + len(r.Masses)*1000; n != 2122 {
		t.Errorf("sites, cells, cars, masses: %d, want 2122", n)
	}
	if got, want := r.Sites["harbour"], (fleet.Site{ID: "harbour", Name: "Harbour Road", Latitude: 53.54 * math.Pi / 180, Height: 8, Zone: "Europe/Berlin"}); got != want {
		t.Errorf("site %+v, want %+v", got, want)
	}
	want := fleet.Cell{ID: "harbour-1", Site: "harbour", Name: "Harbour 1", RollerRadius: 0.25, LeverArm: 0.35, BrakeRatio: 1, BaseInertia: 820,
		Parasitic: fleet.Loss{F0: 38, F1: 0.9, F2: 0.012}, BrakeLimit: 9000, LoadCellRange: 5000, CalibrationArm: 1.02,
		Tolerance: 0.015, CheckTolerance: 0.005, ZeroTolerance: 5,
		U: fleet.CellUncertainty{RollerRadius: 0.00005, LeverArm: 0.0002, CalibrationArm: 0.0002, ArmAngle: 0.2 * math.Pi / 180, BaseInertia: 4.1, Parasitic: 3,
			Speed: 0.0002, LoadCell: 0.0008, AirPressure: 30, AirTemperature: 0.3, Humidity: 0.02}}
	if diff := cmp.Diff(want, r.Cells["harbour-1"]); diff != "" {
		t.Errorf("cell (-want +got):\n%s", diff)
	}
	car := r.Cars["wren"]
	if math.Abs(car.BandLow-261.799388) > 1e-6 || math.Abs(car.RampRates[1]-47.1238898) > 1e-6 || car.Correction != fleet.CorrectionISO1585SI {
		t.Errorf("car %+v", car)
	}
	if m := r.Masses["m20-02"]; m.Certificate != "114" || !m.Due.IsZero() || m.Mass != 19.9991 {
		t.Errorf("mass %+v", m)
	}
}

func TestProblemsGolden(t *testing.T) {
	data, err := os.ReadFile("testdata/broken.yaml")
	if err != nil {
		t.Fatal(err)
	}
	doc, problems := Parse("broken.yaml", data, noon)
	if !cmp.Equal(doc, Document{}) {
		t.Error("a file with problems gave a document")
	}
	var b bytes.Buffer
	for _, p := range problems {
		fmt.Fprintln(&b, p)
		if p.What == "" || p.Mend == "" {
			t.Errorf("problem without what or mend: %+v", p)
		}
	}
	golden(t, "broken.txt", b.Bytes())
}

func TestSmallProblems(t *testing.T) {
	for _, c := range []struct{ name, yaml, want string }{
		{"empty", "", "f: the file is empty"},
		{"torque reference in N", "standards:\n  tr-2:\n    kind: torque\n    range_n: 500\n    expanded_uncertainty_percent: 0.1\n    certificate: T1\n", `f:4: standard "tr-2": it measures torque, yet range_n is given — write range_nm instead, or correct its kind`},
		{"standard without range", "standards:\n  tlc-5k: {kind: force, expanded_uncertainty_percent: 0.1, certificate: T1}\n", `f:2: standard "tlc-5k": range_n is missing — add it`},
		{"standard of no kind", "standards:\n  tlc-5k: {kind: length, range_n: 5, expanded_uncertainty_percent: 0.1, certificate: T1}\n", `f:2: standard "tlc-5k": kind is "length", which is not known — write one of force, torque`},
		{"least more than range", "standards:\n  tlc-5k: {kind: force, range_n: 5, least_expanded_uncertainty_n: 6, expanded_uncertainty_percent: 0.1, certificate: T1}\n", `least_expanded_uncertainty_n 6 is not less than range_n 5`},
		{"part of a pull", "cells:\n  a:\n    check_pulls: 2.5\n", `f:3: cell "a": check_pulls is 2.5, which is not a whole number`},
		{"no days", "cells:\n  a:\n    check_every_days: 0\n", `f:3: cell "a": check_every_days is 0 — write the longest time between two checks of the load cell in days; leave it out for no limit of time: more than 0`},
		{"reliability as a ratio", "cells:\n  a:\n    reliability_percent: 0.95\n", `f:3: cell "a": reliability_percent is 0.95 — write the probability in percent`},
		{"comment only", "# nothing\n", "f: the file is empty"},
		{"list", "- a\n", "f:1: the file must hold keys"},
		{"sections empty", "sites:\ncells: {}\n", "f: the file names no site"},
		{"second document", "sites:\n---\nsites:\n", "f:3: a second document begins here"},
		{"tab", "sites:\n\tharbour: 1\n", "f:2: not YAML: the line begins with a tab — indent with spaces only"},
		{"open bracket", "sites: [\n", "f:1: not YAML"},
		{"latin 1", "sites:\n  a: {name: \"M\xfcnchen\"}\n", "f:2: the text is not UTF-8 — save"},
		{"list of sites", "sites:\n  - id: a\n", "f:2: the sites are a list"},
		{"scalar entry", "sites:\n  a: 5\n", `f:2: site "a" must hold keys`},
		{"merge", "sites:\n  a:\n    <<: {name: A}\n    latitude_deg: 1\n    height_m: 1\n", `f:3: site "a": merge keys`},
		{"long text", "sites:\n  a: {name: " + strings.Repeat("é", 201) + ", latitude_deg: 1, height_m: 1}\n", "f:2: site \"a\": name has 201 letters"},
		{"far date", "effective_from: 9999-01-01\n", "f:1: the file: effective_from is 9999-01-01"},
		{"hyphen last", "sites:\n  a-: {name: A, latitude_deg: 1, height_m: 1}\n", "this is not an id"},
		{"long id", "sites:\n  " + strings.Repeat("a", 41) + ": {name: A, latitude_deg: 1, height_m: 1}\n", "this is not an id"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, problems := Parse("f", []byte(c.yaml), noon)
			if !slices.ContainsFunc(problems, func(p Problem) bool { return strings.Contains(p.String(), c.want) }) {
				t.Errorf("problems %v, want %q", problems, c.want)
			}
		})
	}
}

func TestParseNow(t *testing.T) {
	data := bytes.Replace(whole(t), []byte("effective_from: 2026-01-05"), nil, 1)
	if doc := parsed(t, data); !doc.EffectiveAt.Equal(noon) {
		t.Errorf("effective at %v, want now, %v", doc.EffectiveAt, noon)
	}
}

func TestRenderGolden(t *testing.T) {
	doc := parsed(t, whole(t))
	text := RenderFrom(doc.Registry, doc.EffectiveAt)
	golden(t, "rendered.yaml", text)
	if diff := cmp.Diff(doc, parsed(t, text)); diff != "" {
		t.Errorf("read back (-want +got):\n%s", diff)
	}
}

// drawn makes any registry within the limits of the tables.
func drawn(t *rapid.T) fleet.Registry {
	between := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	id := rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,20}[a-z0-9])?`)
	name := rapid.StringMatching(`[A-Za-z0-9'":#äß→💡&*!%@{}\[\]\\ -]{0,20}[a-z]`)
	name = rapid.Map(name, strings.TrimSpace)
	r := newRegistry()
	for _, s := range rapid.SliceOfNDistinct(id, 1, 3, rapid.ID[string]).Draw(t, "sites") {
		r.Sites[fleet.SiteID(s)] = fleet.Site{ID: fleet.SiteID(s), Name: name.Draw(t, "name"), Latitude: between("latitude", -1.5, 1.5), Height: between("height", -400, 5000),
			Gravity: rapid.SampledFrom([]float64{0, 9.81, 9.7803253359}).Draw(t, "gravity"), Zone: rapid.SampledFrom([]string{"", "UTC", "Asia/Kathmandu"}).Draw(t, "zone")}
	}
	positive := func(name string, high float64) float64 { return between(name, high*1e-6, high) }
	for _, c := range rapid.SliceOfNDistinct(id, 0, 2, rapid.ID[string]).Draw(t, "cells") {
		r.Cells[fleet.CellID(c)] = fleet.Cell{ID: fleet.CellID(c), Site: rapid.SampledFrom(ids(r.Sites)).Draw(t, "site"), Name: name.Draw(t, "name"),
			RollerRadius: positive("r", 2), LeverArm: positive("L", 5), BrakeRatio: positive("n", 50), BaseInertia: positive("m", 20000),
			Parasitic:  fleet.Loss{F0: positive("f0", 500), F1: between("f1", 0, 10), F2: between("f2", 0, 1)},
			BrakeLimit: positive("limit", 200000), LoadCellRange: between("range", 1000, 200000), CalibrationArm: rapid.SampledFrom([]float64{0, positive("arm", 5)}).Draw(t, "has arm"),
			CheckEvery: time.Duration(rapid.IntRange(0, 87840).Draw(t, "hours")) * time.Hour, CheckPulls: rapid.IntRange(0, 1e6).Draw(t, "pulls"),
			Reliability: rapid.SampledFrom([]float64{0, 0.5, 0.9, 0.95, 0.999}).Draw(t, "reliability"), Class: rapid.SampledFrom([]string{"", "iso_376 1"}).Draw(t, "class"),
			Tolerance: positive("tolerance", 0.2), CheckTolerance: positive("check", 0.2), ZeroTolerance: positive("zero", 999),
			U: fleet.CellUncertainty{RollerRadius: positive("u", 0.1), LeverArm: positive("u", 0.1), CalibrationArm: positive("u", 0.1), ArmAngle: positive("u", 0.17), BaseInertia: positive("u", 2000),
				Parasitic: positive("u", 500), Speed: positive("u", 0.1), LoadCell: positive("u", 0.1), AirPressure: positive("u", 5000), AirTemperature: positive("u", 20), Humidity: positive("u", 0.5)}}
	}
	for _, c := range rapid.SliceOfNDistinct(id, 0, 2, rapid.ID[string]).Draw(t, "cars") {
		low, mass := positive("low", 1000), positive("mass", 5000)
		r.Cars[fleet.CarID(c)] = fleet.Car{ID: fleet.CarID(c), Name: name.Draw(t, "name"), GearRatio: positive("ratio", 50), TyreRadius: positive("tyre", 2),
			RotatingMass: mass, CoastingMass: mass * between("part", 0.01, 1), BandLow: low, BandHigh: low + positive("width", 1000),
			RampRates:    rapid.SliceOfNDistinct(rapid.Float64Range(1, 500), 1, 4, rapid.ID[float64]).Draw(t, "rates"),
			Correction:   rapid.SampledFrom(fleet.Corrections).Draw(t, "correction"),
			Charging:     rapid.SampledFrom([]fleet.Charging{fleet.ChargingUnknown, fleet.ChargingNone, fleet.ChargingTurbo, fleet.ChargingMechanical}).Draw(t, "charging"),
			Displacement: rapid.SampledFrom([]float64{0, 0.0016, 0.002498, 0.0063}).Draw(t, "displacement")}
	}
	for c, car := range r.Cars {
		if rapid.Bool().Draw(t, "limits") {
			note := between("note", 0, 0.5)
			car.Limits.Slip = fleet.Limit{Note: note, Disqualify: note + between("more", 0.01, 0.4)}
			low := between("cold", 280, 400)
			car.Limits.OilLow = fleet.Limit{Note: low, Disqualify: low - between("colder", 0, 50)}
			car.Limits.IntakeHot = fleet.Limit{Note: 0, Disqualify: between("hot", 1, 200)}
			r.Cars[c] = car
		}
	}
	for _, m := range rapid.SliceOfNDistinct(id, 0, 2, rapid.ID[string]).Draw(t, "masses") {
		r.Masses[fleet.MassID(m)] = fleet.Mass{ID: fleet.MassID(m), Mass: between("mass", 11, 1000), U: positive("U", 10), Density: between("density", 500, 23000),
			Certificate: name.Draw(t, "certificate"), Due: rapid.SampledFrom([]time.Time{{}, noon, noon.Truncate(24 * time.Hour)}).Draw(t, "due")}
	}
	for _, s := range rapid.SliceOfNDistinct(id, 0, 2, rapid.ID[string]).Draw(t, "standards") {
		ranged := between("range", 100, 1e6)
		r.Standards[fleet.StandardID(s)] = fleet.Standard{ID: fleet.StandardID(s), Kind: rapid.SampledFrom([]fleet.StandardKind{fleet.StandardForce, fleet.StandardTorque}).Draw(t, "kind"),
			Range: ranged, U: positive("U", 0.1), ULeast: rapid.SampledFrom([]float64{0, ranged * 0.001}).Draw(t, "least"), Certificate: name.Draw(t, "certificate"), Due: noon}
	}
	return r
}

// near compares within a few units in the last place.
var near = cmp.Comparer(func(a, b float64) bool { return a == b || math.Abs(a-b) <= 4e-16*math.Max(math.Abs(a), math.Abs(b)) })

// Reading what was written gives the same registry: within the last binary
// digits for any registry, exactly for one that was read from a file; and the
// stored form gives exactly what the file gave.
func TestRenderParseIsIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		any := drawn(t)
		read := func(r fleet.Registry) Document {
			doc, problems := Parse("f", RenderFrom(r, noon), time.Time{})
			if len(problems) > 0 {
				t.Fatalf("%v\n%s", problems, Render(r))
			}
			return doc
		}
		once := read(any)
		if diff := cmp.Diff(any, once.Registry, near); diff != "" {
			t.Fatalf("near identity (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(once, read(once.Registry)); diff != "" {
			t.Fatalf("identity (-want +got):\n%s", diff)
		}
		_, versions, err := Plan(nil, once, noon, "test")
		if err != nil {
			t.Fatal(err)
		}
		stored, err := At(versions, noon)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(once.Registry, stored); diff != "" {
			t.Fatalf("stored (-want +got):\n%s", diff)
		}
		changes, again, err := Plan(versions, once, noon.Add(time.Hour), "test")
		if err != nil || len(again) != 0 {
			t.Fatalf("applying twice records %d versions, changes %v, error %v", len(again), changes, err)
		}
	})
}

// With the exact search for decimals, what a person wrote in degrees, percent
// or rpm comes out as it was written.
func TestDecimalKeepsWhatWasWritten(t *testing.T) {
	for _, u := range []unit{si, percent, degree, rpm} {
		for _, s := range []string{"0", "1.5", "53.54", "-33.9", "0.08", "2500", "6250.5", "0.000001", "89.999999", "0.00000012"} {
			var y float64
			if _, err := fmt.Sscan(s, &y); err != nil {
				t.Fatal(err)
			}
			if got, err := strconv.ParseFloat(u.decimal(u.toSI(y)), 64); err != nil || got != y {
				t.Errorf("%s came out as %v", s, got)
			}
		}
	}
}

// A default is written as people write it: 0.5 % of 585 kg is 2.925 kg, by hand.
func TestDefaultIsShort(t *testing.T) {
	c := fleet.Cell{BaseInertia: 585}
	setDefaults(cellFields, &c, map[string]bool{}, "")
	if got := si.decimal(c.U.BaseInertia); got != "2.925" {
		t.Errorf("0.5 %% of 585 kg is written as %s", got)
	}
}

func TestVersionsInTime(t *testing.T) {
	day := func(d int) time.Time { return time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC) }
	apply := func(versions []Version, from time.Time, recorded int, old, new string) ([]Version, []Change) {
		t.Helper()
		doc := parsed(t, bytes.Replace(whole(t), []byte(old), []byte(new), 1))
		doc.EffectiveAt = from
		changes, add, err := Plan(versions, doc, day(recorded), "A. Meister")
		if err != nil {
			t.Fatal(err)
		}
		return append(versions, add...), changes
	}
	versions, changes := apply(nil, day(1), 1, "", "")
	if len(changes) != 7 || len(versions) != 7 || changes[0].Change != Added || changes[0].Kind != KindSite {
		t.Fatalf("first: %v", changes)
	}
	versions, changes = apply(versions, day(20), 20, "lever_arm_m: 0.35", "lever_arm_m: 0.36")
	if len(versions) != 8 {
		t.Fatalf("%d versions, want 8: only what changed is recorded", len(versions))
	}
	for _, c := range changes {
		want := Change{Kind: c.Kind, ID: c.ID, Change: Unchanged}
		if c.ID == "harbour-1" {
			want.Change, want.Detail = Changed, "lever_arm_m: 0.35 → 0.36"
		}
		if c != want {
			t.Errorf("change %+v, want %+v", c, want)
		}
	}
	// Put right in hindsight from the 10th on: holds until the 20th.
	versions, changes = apply(versions, day(10), 25, "load_cell_percent: 0.08", "load_cell_percent: 0.09")
	if c := changes[2]; c.Detail != "uncertainty.load_cell_percent: 0.08 → 0.09; until 2026-01-20, from when another version holds" {
		t.Errorf("detail %q", c.Detail)
	}
	// Nothing new, from a day after which another version holds: said so too.
	if _, changes = apply(versions, day(5), 25, "", ""); changes[2] != (Change{KindCell, "harbour-1", Unchanged, "until 2026-01-10, from when another version holds"}) {
		t.Errorf("unchanged: %+v", changes[2])
	}
	// The same moment again, recorded later: the later record counts.
	versions, _ = apply(versions, day(10), 26, "load_cell_percent: 0.08", "load_cell_percent: 0.1")

	for _, c := range []struct {
		at       time.Time
		arm, u   float64
		recorded bool
	}{
		{day(1).Add(-1), 0, 0, false},
		{day(1), 0.35, 0.0008, true},
		{day(9), 0.35, 0.0008, true},
		{day(10), 0.35, 0.001, true},
		{day(20), 0.36, 0.0008, true},
		{day(28), 0.36, 0.0008, true},
	} {
		for _, order := range []string{"as recorded", "reversed"} {
			vs := append([]Version(nil), versions...)
			if order == "reversed" {
				for i, j := 0, len(vs)-1; i < j; i, j = i+1, j-1 {
					vs[i], vs[j] = vs[j], vs[i]
				}
			}
			r, err := At(vs, c.at)
			if err != nil {
				t.Fatal(err)
			}
			cell, there := r.Cells["harbour-1"]
			if there != c.recorded || cell.LeverArm != c.arm || cell.U.LoadCell != c.u {
				t.Errorf("%s at %s: cell there %v, arm %v, u %v; want %v, %v, %v", order, c.at, there, cell.LeverArm, cell.U.LoadCell, c.recorded, c.arm, c.u)
			}
		}
	}
}

func TestAtReadsOtherReleases(t *testing.T) {
	v := Version{Kind: KindMass, ID: "m", Body: []byte(`{"mass_kg":20,"expanded_uncertainty_kg":0.001,"density_kg_per_m3":7200,"certificate":"c","colour":"red"}`)}
	r, err := At([]Version{v}, noon)
	if err != nil || r.Masses["m"].Mass != 20 {
		t.Errorf("unknown key: %v %v", r, err)
	}
	v.Body = []byte(`{"mass_kg":"heavy"}`)
	if _, err = At([]Version{v}, noon); err == nil || !strings.Contains(err.Error(), `mass "m"`) {
		t.Errorf("bad body: %v", err)
	}
	v.Kind = "planet"
	if _, err = At([]Version{v}, noon); err == nil {
		t.Error("unknown kind was taken")
	}
}

// Reference standards, and what a cell says of its checks. The expected values
// are the file's, converted by hand.
func TestStandardsAndChecks(t *testing.T) {
	text := bytes.Replace(whole(t), []byte("    calibration_arm_m: 1.02\n"), []byte("    check_every_days: 30.5\n    check_pulls: 400\n    reliability_percent: 90\n    class: iso_376 1\n"), 1)
	text = append(text, []byte(`standards:
  tlc-5k:
    range_n: 5000
    kind: force
    expanded_uncertainty_percent: 0.05
    least_expanded_uncertainty_n: 0.5
    certificate: F-2026-7
    due: 2027-01-31
  tr-2:
    kind: torque
    range_nm: 500
    expanded_uncertainty_percent: 0.1
    certificate: T-2026-8
`)...)
	doc := parsed(t, text)
	c := doc.Registry.Cells["harbour-1"]
	if c.CalibrationArm != 0 || c.CheckEvery != 732*time.Hour || c.CheckPulls != 400 || c.Reliability != 0.9 || c.Class != "iso_376 1" {
		t.Errorf("cell %+v", c)
	}
	want := map[fleet.StandardID]fleet.Standard{
		"tlc-5k": {ID: "tlc-5k", Kind: fleet.StandardForce, Range: 5000, U: 0.0005, ULeast: 0.5, Certificate: "F-2026-7", Due: time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)},
		"tr-2":   {ID: "tr-2", Kind: fleet.StandardTorque, Range: 500, U: 0.001, Certificate: "T-2026-8"},
	}
	if diff := cmp.Diff(want, doc.Registry.Standards, near); diff != "" {
		t.Errorf("standards (-want +got):\n%s", diff)
	}
	_, wrong := Parse("f.yaml", bytes.Replace(text, []byte("iso_376 1"), []byte("iso_376 3"), 1), noon)
	if len(wrong) != 1 || !strings.Contains(wrong[0].Mend, "iso_376 1") {
		t.Errorf("a class that is none: %v", wrong)
	}
	for _, line := range []string{"    check_every_days: 30.5\n", "    check_pulls: 400\n", "    range_nm: 500\n", "    range_n: 5000\n    expanded_uncertainty_percent: 0.05\n    least_expanded_uncertainty_n: 0.5\n"} {
		if !strings.Contains(string(Render(doc.Registry)), line) {
			t.Errorf("rendered without %q:\n%s", line, Render(doc.Registry))
		}
	}
	doc.EffectiveAt = noon
	_, versions, err := Plan(nil, doc, noon, "A. Meister")
	if err != nil {
		t.Fatal(err)
	}
	if r, err := At(versions, noon); err != nil || cmp.Diff(doc.Registry, r) != "" {
		t.Errorf("stored: %v, %s", err, cmp.Diff(doc.Registry, r))
	}
}

// A version stored before standards and intervals were known reads as it did,
// and the file it was made from changes nothing.
func TestStoredBeforeStandards(t *testing.T) {
	const body = `{"name":"Harbour 1","site":"harbour","roller_radius_m":0.25,"lever_arm_m":0.35,"brake_ratio":1,"base_inertia_kg":820,"parasitic":{"f0_n":38,"f1_n_s_per_m":0.9,"f2_n_s2_per_m2":0.012},"brake_limit_n":9000,"load_cell_range_n":5000,"calibration_arm_m":1.02,"tolerance_percent":1.5,"check_tolerance_percent":0.5,"zero_tolerance_n":5,"uncertainty":{"roller_radius_m":0.00005,"lever_arm_m":0.0002,"calibration_arm_m":0.0002,"base_inertia_kg":4.1,"parasitic_n":3,"speed_percent":0.02,"load_cell_percent":0.08,"air_pressure_pa":30,"air_temperature_k":0.3,"relative_humidity_percent":2}}`
	versions := []Version{{Kind: KindCell, ID: "harbour-1", EffectiveAt: noon, RecordedAt: noon, Body: []byte(body)}}
	doc := parsed(t, whole(t))
	r, err := At(versions, noon)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(doc.Registry.Cells["harbour-1"], r.Cells["harbour-1"]); diff != "" {
		t.Errorf("(-file +stored):\n%s", diff)
	}
	doc.EffectiveAt = noon
	changes, _, err := Plan(versions, doc, noon.Add(time.Hour), "A. Meister")
	if err != nil || !slices.Contains(changes, Change{Kind: KindCell, ID: "harbour-1", Change: Unchanged}) {
		t.Errorf("changes %v, %v", changes, err)
	}
}

// Whatever the bytes, reading ends; every problem says what, how to mend and,
// if in the file at all, a line the file has; what is accepted can be written
// and read back to the same.
func FuzzParse(f *testing.F) {
	broken, err := os.ReadFile("testdata/broken.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole(f))
	f.Add(broken)
	for _, s := range []string{"", "a", "sites: {a: {name: A, latitude_deg: 1, height_m: 1}}", "? [a]\n: b", "sites:\n  a: &x\n", "&a [*a]", "%YAML 1.2\n---\nsites:\n", "cells: {a: {parasitic: }}", "sites: {a: {name: |\n x\n}}"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		doc, problems := Parse("f", data, noon)
		lines := bytes.Count(data, []byte("\n")) + bytes.Count(data, []byte("\r")) + 1
		for _, p := range problems {
			if p.What == "" || p.Mend == "" || p.Line < 0 || p.Line > lines+1 {
				t.Fatalf("problem %+v in %d lines", p, lines)
			}
		}
		if len(problems) > 0 {
			return
		}
		text := RenderFrom(doc.Registry, doc.EffectiveAt)
		again, problems := Parse("f", text, time.Time{})
		if len(problems) > 0 {
			t.Fatalf("what was accepted is refused when written: %v\n%s", problems, text)
		}
		if diff := cmp.Diff(doc, again); diff != "" {
			t.Fatalf("(-want +got):\n%s", diff)
		}
	})
}

// A car's own limits are read in the units of their keys, by hand, kept as they
// are, and told when they cannot be. A car without any is stored without them.
func TestCarLimits(t *testing.T) {
	text := string(whole(t))
	if !strings.Contains(text, "\n    band_high_rpm:") {
		t.Fatal("the sample has no band_high_rpm to put limits behind")
	}
	with := func(limits string) []byte {
		return []byte(strings.Replace(text, "\n    band_high_rpm:", "\n    limits: {"+limits+"}\n    band_high_rpm:", 1))
	}
	doc := parsed(t, with("slip_percent: [3, 5], knock_deg: [1.5, 4], intake_hot_k: [60, 80], lambda_low: [0.8, 0.7], oil_low_c: [60, 40], boost_low_percent: [4, 4]"))
	found := false
	for _, c := range doc.Registry.Cars {
		l := c.Limits
		if l == (fleet.CarLimits{}) {
			if b := body(carFields, c); strings.Contains(string(b), "limits") {
				t.Errorf("stored with limits it has not: %s", b)
			}
			continue
		}
		found = true
		if math.Abs(l.Slip.Note-0.03) > 1e-15 || math.Abs(l.Slip.Disqualify-0.05) > 1e-15 || math.Abs(l.Knock.Disqualify-math.Pi/45) > 1e-15 ||
			l.IntakeHot != (fleet.Limit{Note: 60, Disqualify: 80}) || l.LambdaLow != (fleet.Limit{Note: 0.8, Disqualify: 0.7}) ||
			l.OilLow != (fleet.Limit{Note: 333.15, Disqualify: 313.15}) || l.BoostLow.Note != l.BoostLow.Disqualify || l.Throttle != (fleet.Limit{}) {
			t.Errorf("limits %+v", l)
		}
		again, err := unbody[fleet.Car](carFields, body(carFields, c))
		again.ID = c.ID
		if err != nil || !cmp.Equal(again, c) {
			t.Errorf("stored and read again (%v):\n%s", err, cmp.Diff(c, again))
		}
	}
	if !found {
		t.Error("no car has limits")
	}
	for limits, want := range map[string]string{
		"slip_percent: 3":            "slip_percent is not a pair of numbers",
		"slip_percent: [3]":          "slip_percent is not a pair of numbers",
		"slip_percent: [5, 3]":       "disqualifies at 3 before it notes at 5",
		"oil_low_c: [40, 60]":        "disqualifies at 60 before it notes at 40",
		"slip_percent: [0, 0]":       "leave the key out for the usual limit",
		"slip_percent: [3, 500]":     "at most 100",
		"slipp_percent: [3, 5]":      "slip_percent",
		"knock_deg: [one, 5]":        "not a number",
		"knock_deg: {note: 1}":       "not a pair of numbers",
		"coolant_high_c: [108, 400]": "at most 200",
	} {
		_, problems := Parse("fleet.yaml", with(limits), noon)
		if len(problems) == 0 || !strings.Contains(fmt.Sprint(problems), want) {
			t.Errorf("%s: got %v, want %q", limits, problems, want)
		}
	}
}

// A longitude is optional and 0 is one: it is read, written, told from none, and
// what was stored before it was known is written as it was.
func TestLongitude(t *testing.T) {
	const head = "sites:\n  a:\n    name: \"A\"\n    latitude_deg: 51.48\n"
	for name, c := range map[string]struct {
		line string
		want *float64
	}{
		"none":      {"", nil},
		"Greenwich": {"    longitude_deg: 0\n", new(float64)},
		"west":      {"    longitude_deg: -2.8\n", ptr(-2.8 * math.Pi / 180)},
	} {
		doc, problems := Parse("r.yaml", []byte(head+c.line+"    height_m: 47\n"), time.Now())
		if len(problems) > 0 {
			t.Fatalf("%s: %v", name, problems)
		}
		got := doc.Registry.Sites["a"].Longitude
		if (got == nil) != (c.want == nil) || got != nil && *got != *c.want {
			t.Errorf("%s: longitude %v, want %v", name, got, c.want)
		}
		if text := string(Render(doc.Registry)); text != head+c.line+"    height_m: 47\n" {
			t.Errorf("%s: written as\n%s", name, text)
		}
	}
	if _, problems := Parse("r.yaml", []byte(head+"    longitude_deg: 181\n    height_m: 47\n"), time.Now()); len(problems) == 0 {
		t.Error("181 degrees were taken")
	}
}

func ptr(x float64) *float64 { return &x }
