package checklist

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rollcall/agent/source/csvfolder"
	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

var now = time.Date(2026, 6, 29, 9, 30, 0, 0, time.UTC)

func cell() (fleet.Cell, fleet.Site) {
	return fleet.Cell{ID: "fen-2", Site: "fen", Name: "Fenwater 2", LeverArm: 0.46, CalibrationArm: 1.2, LoadCellRange: 6500}, fleet.Site{ID: "fen", Name: "Fenwater", Gravity: 9.8129}
}

func set(kg ...float64) map[fleet.MassID]fleet.Mass {
	out := map[fleet.MassID]fleet.Mass{}
	for i, m := range kg {
		out[fleet.MassID(fmt.Sprintf("m%02d", i+1))] = fleet.Mass{Mass: m, U: m * 5e-5, Density: 7850, Certificate: "K", Due: now.AddDate(1, 0, 0)}
	}
	return out
}

// Loads by hand: 20 kg steel of 7850 kg/m³ at 9.8129 m/s², 1.2 m over 0.46 m:
// 20·9.8129·(1 − 1.2/8000)·1.2/0.46 = 511.9 N each.
func TestLoads(t *testing.T) {
	c, s := cell()
	for _, x := range []struct {
		name   string
		masses map[fleet.MassID]fleet.Mass
		limit  float64
		loads  []float64
		says   string
	}{
		{"five of 20 kg", set(20, 20, 20, 20, 20), 6500, []float64{511.9, 1023.8, 1535.7, 2047.6, 2559.5}, "The masses give 5 loads; a calibration takes at least 6"},
		{"twelve of 20 kg go by twos", set(20, 20, 20, 20, 20, 20, 20, 20, 20, 20, 20, 20), 6500, []float64{1023.8, 2047.6, 3071.4, 4095.2, 5119, 6142.8}, "95 % of the load cell's range"},
		{"the range is kept", set(20, 20, 20, 20), 1100, []float64{511.9, 1023.8}, "1024 N at the lever arm"},
		{"a set of unlike masses", set(20, 10, 5, 20, 2, 20), 6500, []float64{511.9, 1023.8, 1535.7, 1791.7, 1919.7, 1970.9}, ""},
		{"no mass fits", set(20), 100, nil, "No mass fits"},
		{"no masses", nil, 6500, nil, "The registry has no check masses"},
	} {
		t.Run(x.name, func(t *testing.T) {
			c.LoadCellRange = x.limit
			l := Make(c, s, x.masses, now)
			var got []float64
			for _, r := range l.Readings() {
				if r.Cycle == 1 && r.Direction == fleet.Rising && !r.Preload && r.Load > 0 {
					got = append(got, r.Load)
				}
			}
			if !slices.EqualFunc(got, x.loads, func(a, b float64) bool { return math.Abs(a/b-1) < 1e-3 }) {
				t.Errorf("loads %v, want %v", got, x.loads)
			}
			if !strings.Contains(strings.Join(l.Remarks, " "), x.says) {
				t.Errorf("remarks %q do not say %q", l.Remarks, x.says)
			}
		})
	}
}

// Masses whose certificate has ended are left out while others are there.
func TestEnded(t *testing.T) {
	c, s := cell()
	masses := set(20, 20, 20)
	m := masses["m02"]
	m.Due = now.AddDate(0, 0, -1)
	masses["m02"] = m
	l := Make(c, s, masses, now)
	for _, x := range l.Masses {
		if x.Used == (x.ID == "m02") || x.Overdue != (x.ID == "m02") {
			t.Errorf("%s: used %v, overdue %v", x.ID, x.Used, x.Overdue)
		}
	}
	if !strings.Contains(strings.Join(l.Remarks, " "), "the certificate has ended: m02") {
		t.Errorf("remarks %q", l.Remarks)
	}
}

// Preloads come first, a cycle is whole, nothing is taken off while the load
// rises, and the cautions are there.
func TestSequence(t *testing.T) {
	c, s := cell()
	l := Make(c, s, set(20, 20, 20, 20, 20), now)
	r := l.Readings()
	if len(r) != preloads+(cycles+1)*(2*5+1) {
		t.Errorf("%d readings", len(r))
	}
	for i := range preloads {
		if !r[i].Preload || len(r[i].Masses) != 5 {
			t.Errorf("reading %d is no preload", i+1)
		}
	}
	for i := preloads + 1; i < len(r); i++ {
		if d := len(r[i].Masses) - len(r[i-1].Masses); r[i].Cycle == r[i-1].Cycle && r[i].Direction == r[i-1].Direction && (d > 0) != (r[i].Direction == fleet.Rising) {
			t.Errorf("reading %d: %v after %v", i+1, r[i].Masses, r[i-1].Masses)
		}
	}
	if last := r[len(r)-1]; last.Mounting != 1 || last.Cycle != cycles+1 || last.Load != 0 {
		t.Errorf("the last reading is %+v", last)
	}
	text := strings.Join(l.Cautions, " ")
	for _, w := range []string{"rollers locked", "two people", "Local codes"} {
		if !strings.Contains(text, w) {
			t.Errorf("the cautions do not say %q", w)
		}
	}
	c.CalibrationArm = 0
	if l := Make(c, s, set(20), now); len(l.Steps) != 0 || !strings.Contains(l.Remarks[0], "calibration_arm_m") {
		t.Errorf("no arm: %q", l.Remarks)
	}
}

// kept takes what an agent would send.
type kept []*rollcallv1.StreamRequest

func (k *kept) Append(_ context.Context, r ...*rollcallv1.StreamRequest) error {
	*k = append(*k, r...)
	return nil
}

// take reads a file as an agent does.
func take(t *testing.T, mapping, file string) (kept, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "mapping.yaml")
	if err := os.WriteFile(path, []byte(mapping), 0o600); err != nil {
		t.Fatal(err)
	}
	m, err := csvfolder.LoadMapping(path)
	if err != nil {
		t.Fatal(err)
	}
	var out kept
	err = m.Take(t.Context(), "check.csv", strings.NewReader(file), "fen-2", "test", &out)
	return out, err
}

// fill writes particulars and readings into the file, as a technician does.
func fill(file string) string {
	file = strings.NewReplacer("Performed by:", "Performed by: A. Ferris", "Air pressure hPa:", "Air pressure hPa: 1012", "Air temperature °C:", "Air temperature °C: 20.5", "Humidity %:", "Humidity %: 48").Replace(file)
	lines := strings.Split(file, "\n")
	n := 0
	for i, line := range lines {
		if strings.Count(line, ",") == 6 && strings.HasSuffix(line, ",") {
			n++
			lines[i] = line + strconv.Itoa(10*n) + ".5"
		}
	}
	return strings.Join(lines, "\n")
}

// The file, filled in, comes through the agent's mapping and the wire as the
// check that the list asks for. The demo's mapping reads it too.
func TestFileIsRead(t *testing.T) {
	demo, err := os.ReadFile("../../deploy/demo/mapping.yaml")
	if err != nil {
		t.Fatal(err)
	}
	c, s := cell()
	l := Make(c, s, set(20, 20, 20, 20, 20), now)
	for name, mapping := range map[string]string{"own": Mapping, "demo": string(demo)} {
		t.Run(name, func(t *testing.T) {
			sent, err := take(t, mapping, fill(l.CSV()))
			if err != nil {
				t.Fatal(err)
			}
			if len(sent) != 1 || sent[0].GetCalibrationCheck() == nil {
				t.Fatalf("%v", sent)
			}
			check, err := wire.FromCalibrationCheck(sent[0].GetCalibrationCheck())
			if err != nil {
				t.Fatal(err)
			}
			if check.Cell != "fen-2" || check.Kind != fleet.CheckDeadWeight || check.State != fleet.AsFound || check.PerformedBy != "A. Ferris" || !check.PerformedAt.Equal(now) || check.AirPressure == nil || *check.AirPressure != 101200 {
				t.Errorf("%+v", check)
			}
			want := l.Readings()
			if len(check.Readings) != len(want) {
				t.Fatalf("%d readings, want %d", len(check.Readings), len(want))
			}
			for i, r := range check.Readings {
				w := want[i]
				if r.Cycle != w.Cycle || r.Direction != w.Direction || r.Preload != w.Preload || r.Mounting != w.Mounting || !slices.Equal(r.Masses, w.Masses) || r.Force == nil || *r.Force != float64(10*(i+1))+0.5 {
					t.Errorf("reading %d is %+v, want %+v", i+1, r, w)
				}
			}
		})
	}
}

// Handed back with nothing written in but who made it, it is a check whose
// readings were left out; without that, it says what is missing.
func TestBlankFile(t *testing.T) {
	c, s := cell()
	file := Make(c, s, set(20, 20), now).CSV()
	if _, err := take(t, Mapping, file); err == nil || !strings.Contains(err.Error(), "who made the check") {
		t.Errorf("error %v", err)
	}
	sent, err := take(t, Mapping, strings.Replace(file, "Performed by:", "Performed by: A. Ferris", 1))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range sent[0].GetCalibrationCheck().GetReadings() {
		if r.ReadingN != nil {
			t.Errorf("a blank was read as %v", *r.ReadingN)
		}
	}
}
