package simulator

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
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

const demo = "../../../deploy/demo/scenario.yaml"

func demoText(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile(demo)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func parse(t testing.TB, text string) Scenario {
	t.Helper()
	s, err := Parse("scenario.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// faultBlock is the part of the demo's scenario with what goes wrong.
var faultBlock = regexp.MustCompile(`(?s)faults:\n.*?\nmasses:`)

// with is the demo's scenario with only the given faults and recalibrations.
func with(t testing.TB, lines string) Scenario {
	t.Helper()
	text := demoText(t)
	if !faultBlock.MatchString(text) {
		t.Fatal("the demo's scenario has no faults")
	}
	return parse(t, faultBlock.ReplaceAllString(text, lines+"\nmasses:"))
}

func (s *Scenario) cell(t testing.TB, id fleet.CellID) Cell {
	t.Helper()
	i, ok := s.world.cells[id]
	if !ok {
		t.Fatalf("no cell %s", id)
	}
	return s.Cells[i]
}

// itemOf returns the first item of a week whose label ends so.
func (s *Scenario) itemOf(t testing.TB, c Cell, week int, ending string) item {
	t.Helper()
	for _, it := range s.items(c, week) {
		if strings.HasSuffix(it.label, ending) {
			return it
		}
	}
	t.Fatalf("cell %s has no item %s in week %d", c.ID, ending, week)
	return item{}
}

// table is a file as read by the standard library, independent of csvfolder.
type table struct {
	header  map[string]string
	columns map[string][]float64 // blanks left out
	rows    [][]string
}

func (s *Scenario) table(t testing.TB, cell fleet.CellID, week int, ending string) table {
	t.Helper()
	c := s.cell(t, cell)
	w := writer{scenario: s}
	w.write(c, s.itemOf(t, c, week, ending))
	head, body, ok := strings.Cut(string(w.text), "\n\n")
	if !ok {
		t.Fatal("no blank line before the header row")
	}
	out := table{header: map[string]string{}, columns: map[string][]float64{}}
	for line := range strings.Lines(head) {
		key, value, ok := strings.Cut(strings.TrimSpace(line), ": ")
		if !ok {
			t.Fatalf("line %q", line)
		}
		out.header[key] = value
	}
	rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[2:] {
		for j, cell := range row {
			if x, err := strconv.ParseFloat(cell, 64); err == nil {
				out.columns[rows[0][j]] = append(out.columns[rows[0][j]], x)
			}
		}
	}
	out.rows = rows[2:]
	return out
}

// collect makes a pull again and returns its true cell, its ramp rate (rad/s²)
// and all samples.
func (s *Scenario) collect(t testing.TB, cell fleet.CellID, week int, ending string, rate float64) (rig, float64, []sample) {
	t.Helper()
	c := s.cell(t, cell)
	it := s.itemOf(t, c, week, ending)
	random := s.random("item", string(c.ID), strconv.Itoa(week), it.label)
	g, _, ramp := s.pullOf(c, it, random)
	var out []sample
	g.pull(ramp, s.FloorSpeed, rate, random, func(p *sample) { out = append(out, *p) })
	return g, ramp, out
}

// TestEnergyBalance adds up a pull: what the engine gave must be found again in
// the brake, the losses, the slip and the kinetic energy,
//
//	∫F_eng·v·(1+slip) dt = ∫(F_brake + F_par + F_dl)·v dt + ∫F_eng·v·slip dt + ΔE
//
// with E = ½(M_base + M_rot)v², to what the trapezoidal rule at 500 Hz leaves.
// In the coast-down the losses must take the kinetic energy and nothing else.
func TestEnergyBalance(t *testing.T) {
	s := with(t, "faults:\n  - {cell: fen-1, kind: drag, from_week: 1, step: 60}\n  - {cell: fen-1, kind: inertia, from_week: 1, step: 12}")
	for _, ending := range []string{"-ramp1-1", "-ramp2-2"} {
		g, _, all := s.collect(t, "fen-1", 3, ending, 500)
		var engine, brake, losses, slip, coastLoss float64
		var sweep, coast []sample
		for _, p := range all {
			switch {
			case p.phase <= phaseSweep:
				sweep = append(sweep, p)
			case p.phase == phaseCoast:
				coast = append(coast, p)
			}
		}
		for i := 1; i < len(sweep); i++ {
			a, b := &sweep[i-1], &sweep[i]
			dt := (b.t - a.t) / 2
			engine += dt * (a.engine*a.v*(1+a.slip) + b.engine*b.v*(1+b.slip))
			brake += dt * (a.brake*a.v + b.brake*b.v)
			losses += dt * ((a.loss+a.driveline)*a.v + (b.loss+b.driveline)*b.v)
			slip += dt * (a.engine*a.v*a.slip + b.engine*b.v*b.slip)
		}
		first, last := sweep[0], sweep[len(sweep)-1]
		kinetic := 0.5 * (g.base + g.car.RotatingMass) * (last.v*last.v - first.v*first.v)
		if d := (brake + losses + slip + kinetic - engine) / engine; math.Abs(d) > 1e-6 {
			t.Errorf("%s: the engine gave %.0f J; brake %.0f, losses %.0f, slip %.0f, kinetic %.0f: %.2g too much", ending, engine, brake, losses, slip, kinetic, d)
		}
		if brake < 0.3*engine || kinetic < 0.02*engine || losses < 0.02*engine {
			t.Errorf("%s: brake %.0f, losses %.0f and kinetic %.0f of %.0f J: one of them tests nothing", ending, brake, losses, kinetic, engine)
		}
		for i := 1; i < len(coast); i++ {
			a, b := &coast[i-1], &coast[i]
			coastLoss += (b.t - a.t) / 2 * ((a.loss+a.driveline)*a.v + (b.loss+b.driveline)*b.v)
			if math.Abs(b.brake) > 1e-6 {
				t.Fatalf("%s: the brake holds %.3g N in the coast-down", ending, b.brake)
			}
		}
		first, last = coast[0], coast[len(coast)-1]
		kinetic = 0.5 * (g.base + g.car.CoastingMass) * (first.v*first.v - last.v*last.v)
		if d := coastLoss/kinetic - 1; math.Abs(d) > 1e-6 {
			t.Errorf("%s: the coast-down lost %.0f J of %.0f J", ending, coastLoss, kinetic)
		}
		// The brake only brakes, and nothing jumps.
		for i := 1; i < len(all); i++ {
			a, b := &all[i-1], &all[i]
			if b.brake < -1e-6 || math.Abs(b.v-a.v) > 0.1 || math.Abs(b.brake-a.brake) > 100 || math.Abs(b.a-a.a) > 0.1 {
				t.Fatalf("%s at %.3f s: brake %.1f to %.1f N, speed %.3f to %.3f, acceleration %.3f to %.3f", ending, b.t, a.brake, b.brake, a.v, b.v, a.a, b.a)
			}
		}
	}
}

// TestEngineInAir holds the engine against its curve: at 99 kPa dry and 298 K
// the point of the scenario, at a tenth less pressure (0.9 − 0.15)/0.85 of it.
func TestEngineInAir(t *testing.T) {
	s := with(t, "")
	g, _, _ := s.collect(t, "fen-1", 1, "-ramp1-1", 50)
	g.scale, g.intake = 1, 298
	p := g.car.Torque[3]
	v := g.car.speed(p.Speed)
	want := p.Torque * g.car.GearRatio / g.car.TyreRadius
	if got := g.full(v, 99000, 0); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("force %v, want %v", got, want)
	}
	if got := g.full(v, 0.9*99000, 0) / want; math.Abs(got-0.75/0.85) > 1e-12 {
		t.Errorf("in thin air %v of it, want %v", got, 0.75/0.85)
	}
}

// TestRampRates recovers the ramp asked for from a file: the engine speed of
// the sweep against time, by least squares.
func TestRampRates(t *testing.T) {
	s := with(t, "")
	for _, c := range []struct {
		ending string
		want   float64 // rpm/s, from the scenario
	}{{"-ramp1-1", 200}, {"-ramp1-2", 200}, {"-ramp2-1", 400}} {
		f := s.table(t, "mil-2", 2, c.ending)
		var n, st, sy, stt, sty float64
		for i, rpm := range f.columns["Engine speed"] {
			if x := f.columns["Time"][i]; rpm > 2400 && rpm < 6000 && f.columns["Pedal"][i] == 100 {
				n++
				st, sy, stt, sty = st+x, sy+rpm, stt+x*x, sty+x*rpm
			}
		}
		got := (n*sty - st*sy) / (n*stt - st*st)
		// The control errs by 0.3 % a wave, the slip changes by less than 0.3 %
		// over the sweep.
		if math.Abs(got/c.want-1) > 0.01 || n < 300 {
			t.Errorf("%s: %.2f rpm/s over %.0f samples, want %.0f", c.ending, got, n, c.want)
		}
		if f.header["Ramp rate rpm/s"] != fmt.Sprintf("%.1f", c.want) {
			t.Errorf("header says %s", f.header["Ramp rate rpm/s"])
		}
	}
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// readings returns the mean reading of a check by number of masses.
func (f table) readings(t testing.TB) []float64 {
	t.Helper()
	var sum, n [6]float64
	for _, row := range f.rows {
		on := 0
		if row[2] != "" {
			on = strings.Count(row[2], "+") + 1
		}
		x, err := strconv.ParseFloat(row[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		sum[on] += x
		n[on]++
	}
	var out []float64
	for i := range sum {
		if n[i] > 0 {
			out = append(out, sum[i]/n[i])
		}
	}
	return out
}

// TestFaultsShowInFiles puts in one fault at a time and compares the files of
// the same seed with and without it: what the fault changes, by how much, and
// from which week on.
func TestFaultsShowInFiles(t *testing.T) {
	healthy := with(t, "")
	// speedLoss is the mean deceleration of the empty rollers from 30 to 20 m/s.
	deceleration := func(f table) float64 {
		var from, to float64
		for i, v := range f.columns["Roller speed"] {
			if v > 108 {
				from = f.columns["Time"][i]
			}
			if v > 72 {
				to = f.columns["Time"][i]
			}
		}
		return 10 / (to - from)
	}
	sweepForce := func(f table) float64 {
		var x []float64
		for i, pedal := range f.columns["Pedal"] {
			if rpm := f.columns["Engine speed"][i]; pedal == 100 && rpm > 3000 && rpm < 6000 {
				x = append(x, f.columns["Load cell"][i])
			}
		}
		return mean(x)
	}
	cases := []struct {
		name, fault string
		cell        fleet.CellID
		item        string
		week        int // the fault is there
		before      int // it is not yet
		measure     func(bad, good table) float64
		want, by    float64
	}{
		{"gain by dead weights", "{cell: fen-2, kind: gain, from_week: 5, step: 0.01, per_week: 0.001}", "fen-2", "weights", 13, 1,
			func(b, g table) float64 {
				x, y := b.readings(t), g.readings(t)
				return (x[5]-x[0])/(y[5]-y[0]) - 1
			}, 0.018 /* times 1 − own gain */, 0.0002},
		{"gain in the brake's force", "{cell: fen-2, kind: gain, from_week: 5, step: 0.01}", "fen-2", "-ramp1-1", 5, 4,
			func(b, g table) float64 { return sweepForce(b)/sweepForce(g) - 1 }, 0.01, 0.0001},
		{"zero by the zero check", "{cell: mil-1, kind: zero, from_week: 15, step: 35}", "mil-1", "zero", 15, 14,
			func(b, g table) float64 { return b.readings(t)[0] - g.readings(t)[0] }, 35, 0.2},
		{"zero in the brake's force", "{cell: mil-1, kind: zero, from_week: 15, step: 35}", "mil-1", "-ramp2-1", 20, 14,
			func(b, g table) float64 { return sweepForce(b) - sweepForce(g) }, 35, 0.05},
		{"drag by the empty rollers", "{cell: tho-2, kind: drag, from_week: 13, step: 60, per_week: 3}", "tho-2", "empty", 15, 12,
			// F = M·a; the true base inertia of the cell.
			func(b, g table) float64 {
				c := healthy.cell(t, "tho-2")
				return (deceleration(b) - deceleration(g)) * c.BaseInertia * (1 + c.True.BaseInertia)
			}, 66, 0.5},
		{"base inertia by the empty rollers", "{cell: ost-1, kind: inertia, from_week: 3, step: 20}", "ost-1", "empty", 3, 2,
			// The registry's value 20 kg too high: the true one is smaller, the rollers slow faster.
			func(b, g table) float64 {
				c := healthy.cell(t, "ost-1")
				m := c.BaseInertia * (1 + c.True.BaseInertia)
				return m - m*deceleration(g)/deceleration(b)
			}, 20, 0.5},
		{"barometer", "{cell: hag-1, kind: pressure, from_week: 16, step: 1400}", "hag-1", "-ramp1-2", 16, 15,
			func(b, g table) float64 { return mean(b.columns["Air pressure"]) - mean(g.columns["Air pressure"]) }, 14, 0.01},
		{"barometer leaves the force alone", "{cell: hag-1, kind: pressure, from_week: 16, step: 1400}", "hag-1", "-ramp1-2", 16, 15,
			func(b, g table) float64 { return sweepForce(b) - sweepForce(g) }, 0, 1e-9},
		{"tired car", "{car: hazel, kind: force, from_week: 10, per_week: -0.002}", "fen-1", "-ramp1-1", 15, 3,
			// Tractive force 1 % less; the brake has that less inertia and losses of the rollers, so loses more than 1 %.
			func(b, g table) float64 {
				c := healthy.cell(t, "fen-1")
				_, _, all := healthy.collect(t, "fen-1", 15, "-ramp1-1", 50)
				var x []float64
				for _, p := range all {
					if rpm := p.speed * 30 / math.Pi; p.pedal == 1 && rpm > 3000 && rpm < 6000 {
						x = append(x, p.tractive)
					}
				}
				n := c.RollerRadius / (c.LeverArm * c.BrakeRatio)
				return (sweepForce(b) - sweepForce(g)) / (mean(x) * n)
			}, -0.01, 0.0001},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := with(t, "faults:\n  - "+c.fault)
			got := c.measure(s.table(t, c.cell, c.week, c.item), healthy.table(t, c.cell, c.week, c.item))
			if math.Abs(got-c.want) > c.by {
				t.Errorf("week %d: %.6g, want %.6g ± %.2g", c.week, got, c.want, c.by)
			}
			b, g := s.table(t, c.cell, c.before, c.item), healthy.table(t, c.cell, c.before, c.item)
			if !slices.EqualFunc(b.rows, g.rows, slices.Equal[[]string]) {
				t.Errorf("week %d, before the fault, differs", c.before)
			}
		})
	}
}

// TestRecalibration follows a cell that drifts and is put right: as found
// shows the drift, as left and everything after it does not.
func TestRecalibration(t *testing.T) {
	s := with(t, "faults:\n  - {cell: rid-2, kind: gain, from_week: 3, per_week: 0.002}\nrecalibrations:\n  - {cell: rid-2, week: 14, left_gain_ratio: 0.0002, left_zero_n: 0.3}\n")
	c := s.cell(t, "rid-2")
	for _, q := range []struct {
		week int
		gain float64
	}{{2, c.True.Gain}, {3, c.True.Gain}, {13, c.True.Gain + 0.02}, {14, 0.0002}, {26, 0.0002}} {
		truth, err := s.Truth("rid-2", q.week)
		if err != nil || math.Abs(truth.Gain-q.gain) > 1e-12 {
			t.Errorf("week %d: gain %v (%v), want %v", q.week, truth.Gain, err, q.gain)
		}
	}
	found, left := s.table(t, "rid-2", 14, "as-found"), s.table(t, "rid-2", 14, "as-left")
	if found.header["State"] != "as found" || left.header["State"] != "as left" || found.header["Started"] >= left.header["Started"] {
		t.Errorf("states %v %v", found.header, left.header)
	}
	x, y := found.readings(t), left.readings(t)
	want := (1 + c.True.Gain + 0.022) / 1.0002
	if got := (x[5] - x[0]) / (y[5] - y[0]); math.Abs(got-want) > 0.0003 {
		t.Errorf("as found reads %v of as left, want %v", got, want)
	}
	if _, err := s.Truth("rid-9", 1); err == nil {
		t.Error("truth of a cell that is not there")
	}
	if _, err := s.Truth("rid-2", 27); err == nil {
		t.Error("truth of a week that is not there")
	}
}

// TestDeadWeights holds the force of the masses against the standard's local
// gravity: 5 · 20 kg on 1.20 m over 0.46 m at 52.61° and 6 m.
// Hand calculation with g = 9.8130 m/s² (GRS80 normal gravity, Moritz 2000,
// from memory): 100 kg · 9.8130 · (1 − 1.2/7200) · 1.2/0.46 = 2559.5 N.
func TestDeadWeights(t *testing.T) {
	s := with(t, "")
	c := s.cell(t, "fen-1")
	x := s.table(t, "fen-1", 1, "weights").readings(t)
	got := (x[5] - x[0]) / (1 + c.True.Gain) * (1 + c.True.LeverArm)
	if math.Abs(got-2559.5) > 1.5 { // rounding, noise and hysteresis of the readings
		t.Errorf("five masses weigh %.1f N", got)
	}
	// g at 45° and sea level: 9.8062 m/s² (GRS80, from memory).
	if g := (Site{Latitude: 45}).gravity(); math.Abs(g-9.8062) > 1e-4 {
		t.Errorf("gravity %v", g)
	}
	// Saturation vapour pressure at 20 °C is 2339 Pa (IAPWS, from memory);
	// Magnus' formula is good to half a percent.
	if e := (hour{temperature: 293.15, humidity: 1}).vapour(); math.Abs(e/2339-1) > 0.005 {
		t.Errorf("vapour pressure %v Pa", e)
	}
}

// TestScatter estimates the standard deviations of session and pull from all
// pulls of the demo.
func TestScatter(t *testing.T) {
	s := with(t, "")
	var within, between, n, m float64
	for _, c := range s.Cells {
		for week := 1; week <= s.Weeks; week++ {
			var x []float64
			for _, it := range s.items(c, week) {
				if it.kind == itemPull {
					g, _, _ := s.pullOf(c, it, s.random("item", string(c.ID), strconv.Itoa(week), it.label))
					x = append(x, g.force-1)
				}
			}
			mu := mean(x)
			for _, v := range x {
				within += (v - mu) * (v - mu)
			}
			n += float64(len(x) - 1)
			between += mu * mu
			m++
		}
	}
	// 312 sessions, 936 degrees of freedom within: the estimates' own relative
	// standard deviations are 4 % and 2.3 %.
	pull := math.Sqrt(within / n)
	session := math.Sqrt(between/m - pull*pull/4)
	if math.Abs(pull/0.0025-1) > 0.1 || math.Abs(session/0.004-1) > 0.16 {
		t.Errorf("pull %.5f, session %.5f; want 0.0025 and 0.004", pull, session)
	}
}

// TestSameSeedSameBytes writes parts of a scenario in different ways.
func TestSameSeedSameBytes(t *testing.T) {
	read := func(dir string) map[string][]byte {
		out := map[string][]byte{}
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			text, err := os.ReadFile(path)
			name, _ := filepath.Rel(dir, path)
			out[name] = text
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	a, b, one, other := t.TempDir(), t.TempDir(), t.TempDir(), t.TempDir()
	s := parse(t, demoText(t))
	last := 0
	sum, err := s.Write(a, WriteOptions{FromWeek: 13, ToWeek: 14, Sync: true}, func(done, total int) {
		if done != last+1 || total < done {
			t.Errorf("progress %d of %d after %d", done, total, last)
		}
		last = done
	})
	if err != nil {
		t.Fatal(err)
	}
	again := parse(t, demoText(t))
	if _, err := again.Write(b, WriteOptions{FromWeek: 13, ToWeek: 14}, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Write(one, WriteOptions{Cell: "rid-2", FromWeek: 14, ToWeek: 14}, nil); err != nil {
		t.Fatal(err)
	}
	files, same, single := read(a), read(b), read(one)
	if len(files) != sum.Files || last != sum.Files || len(files) < 140 {
		t.Errorf("%d files, %d told, %d by progress", len(files), sum.Files, last)
	}
	for name, text := range files {
		if !bytes.Equal(text, same[name]) {
			t.Errorf("%s differs the second time", name)
		}
		if strings.HasSuffix(name, ".part") {
			t.Errorf("%s was left behind", name)
		}
	}
	found := 0
	for name, text := range single {
		if !bytes.Equal(text, files[filepath.Join("rid-2", name)]) {
			t.Errorf("%s differs when written alone", name)
		}
		if strings.Contains(name, "as-left") || strings.Contains(name, "as-found") {
			found++
		}
	}
	if found != 2 {
		t.Errorf("%d files of the recalibration", found)
	}
	reseeded := parse(t, regexp.MustCompile(`(?m)^seed: .*`).ReplaceAllString(demoText(t), "seed: 1"))
	if _, err := reseeded.Write(other, WriteOptions{Cell: "rid-2", FromWeek: 14, ToWeek: 14}, nil); err != nil {
		t.Fatal(err)
	}
	for name, text := range read(other) {
		if bytes.Equal(text, single[name]) {
			t.Errorf("%s is the same with another seed", name)
		}
	}
	for _, o := range []WriteOptions{{Cell: "no-1"}, {FromWeek: 5, ToWeek: 4}, {ToWeek: 27}} {
		if _, err := s.Write(other, o, nil); err == nil {
			t.Errorf("%+v was written", o)
		}
	}
}

// counter is a sink that checks messages as the service does and counts.
type counter struct {
	t        *testing.T
	values   int64
	pulls    int
	empties  int
	customer int
	checks   int
	begin    fleet.Pull
	sums     []wire.BlockSum
	series   map[fleet.Channel][]float64
}

func (c *counter) Append(_ context.Context, requests ...*rollcallv1.StreamRequest) error {
	for _, r := range requests {
		switch b := r.Body.(type) {
		case *rollcallv1.StreamRequest_PullBegin:
			p, err := wire.FromPullBegin(b.PullBegin)
			if err != nil {
				return err
			}
			c.begin, c.sums, c.series = p, nil, map[fleet.Channel][]float64{}
		case *rollcallv1.StreamRequest_SampleBlock:
			k, err := wire.FromSampleBlock(b.SampleBlock)
			if err != nil {
				return err
			}
			if k.Step == 0 {
				c.t.Errorf("channel %s of %s has no uniform clock", k.Channel, c.begin.Label)
			}
			c.sums = append(c.sums, k.Sum())
			c.values += int64(k.Samples.Len())
			c.series[k.Channel] = k.Samples.Expand(c.series[k.Channel])
		case *rollcallv1.StreamRequest_PullEnd:
			e, err := wire.FromPullEnd(b.PullEnd)
			if err != nil {
				return err
			}
			if e != wire.NewEnd(c.begin.ID, c.begin.Cell, c.sums) {
				return errors.New("the PullEnd does not agree")
			}
			switch {
			case c.begin.Kind == fleet.KindEmptyCoastDown:
				c.empties++
			case c.begin.CustomerCar != "":
				c.customer++
				if c.begin.RotatingMass == nil || c.begin.CoastingMass == nil {
					c.t.Error("a customer's car without masses")
				}
			default:
				c.pulls++
				if c.begin.Car == "" || c.begin.Session == "" || c.begin.RampRate == nil {
					c.t.Errorf("reference pull %+v", c.begin)
				}
			}
		case *rollcallv1.StreamRequest_CalibrationCheck:
			k, err := wire.FromCalibrationCheck(b.CalibrationCheck)
			if err != nil {
				return err
			}
			if k.AirPressure == nil || k.AirTemperature == nil || k.Humidity == nil || k.PerformedBy == "" {
				c.t.Errorf("check %+v", k)
			}
			c.values += int64(len(k.Readings))
			c.checks++
		}
	}
	return nil
}

// TestFilesAreTaken gives the files of two weeks of the demo, and of a scenario
// with all channels at 60 Hz, to the CSV source with the demo's mapping: every
// file is taken, every value arrives, and what is sent is what the model made.
func TestFilesAreTaken(t *testing.T) {
	m, err := csvfolder.LoadMapping("../../../deploy/demo/mapping.yaml")
	if err != nil {
		t.Fatal(err)
	}
	demoScenario := parse(t, demoText(t))
	dense := parse(t, strings.NewReplacer("sample_rate_hz: 50", "sample_rate_hz: 60", "weather_rate_hz: 1\n", "\n").Replace(demoText(t)))
	for _, q := range []struct {
		name string
		s    Scenario
		o    WriteOptions
	}{{"demo", demoScenario, WriteOptions{FromWeek: 13, ToWeek: 14}}, {"60 Hz", dense, WriteOptions{Cell: "fen-1", FromWeek: 1, ToWeek: 1}}} {
		dir := t.TempDir()
		sum, err := q.s.Write(dir, q.o, nil)
		if err != nil {
			t.Fatal(err)
		}
		c := &counter{t: t}
		err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			cell := fleet.CellID(filepath.Base(filepath.Dir(path)))
			if q.o.Cell != "" {
				cell = q.o.Cell
			}
			f, err := os.Open(path)
			if err != nil {
				return err
			}
			defer f.Close()
			if err := m.Take(t.Context(), d.Name(), f, cell, "test", c); err != nil {
				return fmt.Errorf("%s: %w", path, err)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if c.values != sum.Values {
			t.Errorf("%s: %d values arrived of %d", q.name, c.values, sum.Values)
		}
		if q.name == "demo" && (c.pulls != 2*12*4 || c.empties != 2*12 || c.customer == 0 || c.checks < 2*12+2) {
			t.Errorf("%d pulls, %d empty, %d customers, %d checks", c.pulls, c.empties, c.customer, c.checks)
		}
	}

	// One pull, value for value against the model.
	cell := demoScenario.cell(t, "ost-2")
	it := demoScenario.itemOf(t, cell, 6, "-ramp2-1")
	w := writer{scenario: &demoScenario}
	w.write(cell, it)
	c := &counter{t: t}
	if err := m.Take(t.Context(), it.name, bytes.NewReader(w.text), "ost-2", "", c); err != nil {
		t.Fatal(err)
	}
	if !c.begin.StartedAt.Equal(it.at) || c.begin.Car != it.car || c.begin.Session != it.session || c.begin.Label != it.label ||
		math.Abs(*c.begin.RampRate-400*math.Pi/30) > 1e-12 {
		t.Errorf("pull %+v", c.begin)
	}
	_, _, all := demoScenario.collect(t, "ost-2", 6, "-ramp2-1", demoScenario.SampleRate)
	speed := c.series[fleet.RollerSpeed]
	if len(speed) != len(all) {
		t.Fatalf("%d samples, the model made %d", len(speed), len(all))
	}
	for i, p := range all {
		want := p.v / (1 + cell.True.RollerRadius)
		if math.Abs(speed[i]-want) > 0.5*0.01/3.6+1e-9 { // half a step of 0.01 km/h
			t.Fatalf("sample %d: %v m/s, the model's is %v", i, speed[i], want)
		}
	}
}

func TestScenarioProblems(t *testing.T) {
	text := demoText(t)
	cases := []struct{ name, old, new, want string }{
		{"unknown key", "\nseed:", "\nsede:", "unknown field"},
		{"date", `start: "2026`, `start: "26`, `start: "26-05-25" is no date`},
		{"lever arm of 0", "lever_arm_m: 0.46", "lever_arm_m: 0", "cells[0].lever_arm_m: 0 is not possible"},
		{"negative mass", "mass_kg: 20,", "mass_kg: -20,", "masses[0].mass_kg: -20"},
		{"unknown car", "cars: [rowan", "cars: [rowanne", `there is no reference car "rowanne"`},
		{"unknown site", "site: mil\n", "site: mill\n", `there is no site "mill"`},
		{"cell twice", "id: fen-2\n", "id: fen-1\n", "used twice"},
		{"id", "id: fen-2\n", "id: Fen_2\n", "is no id"},
		{"fault of nobody", "{cell: fen-2, kind: gain", "{kind: gain", "exactly one"},
		{"fault of a cell that is not there", "{cell: fen-2, kind: gain", "{cell: fen-3, kind: gain", `there is no cell "fen-3"`},
		{"fault of a kind that is not there", "{cell: fen-2, kind: gain", "{cell: fen-2, kind: rust", `"rust" is no fault of a cell`},
		{"resolution", "force_resolution_n: 0.2", "force_resolution_n: 0.3", "is no step of a display"},
		{"torque", "{rpm: 2200, nm: 212}", "{rpm: 1400, nm: 212}", "does not rise"},
		{"brake too weak", "brake_limit_n: 9500", "brake_limit_n: 2000", "the brake would need"},
		{"ramp too fast", "ramp_rates_rpm_per_s: [200, 400]", "ramp_rates_rpm_per_s: [2000, 400]", "take a slower ramp"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			changed := strings.Replace(text, c.old, c.new, 1)
			if changed == text {
				t.Fatal("the case changes nothing")
			}
			_, err := Parse("scenario.yaml", []byte(changed))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error is\n%v\nwant %s", err, c.want)
			}
		})
	}
	_, err := Parse("scenario.yaml", []byte(strings.Replace(text, "weeks: 26", "weeks: 0", 1)))
	line := strings.Count(text[:strings.Index(text, "weeks: 26")], "\n") + 1
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("scenario.yaml:%d: weeks: 0", line)) {
		t.Errorf("the line is not told: %v", err)
	}
	if _, err := (Scenario{}).Write(t.TempDir(), WriteOptions{}, nil); err == nil {
		t.Error("a scenario that was not read was written")
	}
}

func TestCommand(t *testing.T) {
	dir := t.TempDir()
	run := func(args ...string) (string, error) {
		c := Command()
		var out bytes.Buffer
		c.SetOut(&out)
		c.SetErr(&out)
		c.SetArgs(args)
		err := c.Execute()
		return out.String(), err
	}
	out, err := run("--scenario", demo, "--cell", "fen-1", "--weeks", "2-3", "--out", dir)
	if err != nil {
		t.Fatal(err)
	}
	files, err := os.ReadDir(dir)
	if err != nil || len(files) < 12 || !strings.HasPrefix(out, fmt.Sprintf("%d files, ", len(files))) {
		t.Errorf("%d files, said %q (%v)", len(files), out, err)
	}
	for _, args := range [][]string{
		{"--scenario", demo},
		{"--scenario", "no such file", "--out", dir},
		{"--scenario", demo, "--out", dir, "--weeks", "3-2"},
		{"--scenario", demo, "--out", dir, "--weeks", "two"},
		{"--scenario", demo, "--out", dir, "--weeks", "27"},
		{"--scenario", demo, "--out", dir, "--cell", "fen-9"},
	} {
		if out, err := run(args...); err == nil {
			t.Errorf("%v gave %q", args, out)
		}
	}
}

func TestClockAndDecimals(t *testing.T) {
	for _, c := range []struct {
		rate float64
		i    int
		want string
	}{{50, 3, "0.06"}, {100, 12345, "123.45"}, {1000, 7, "0.007"}, {60, 1, "0.0166667"}, {64, 3, "0.046875"}} {
		if got := string(newClock(c.rate).append(nil, c.i)); got != c.want {
			t.Errorf("%v Hz, sample %d: %s, want %s", c.rate, c.i, got, c.want)
		}
	}
	for _, c := range []struct {
		x        float64
		digit    int64
		decimals int
		want     string
	}{{-0.04, 1, 1, "0.0"}, {-1.26, 2, 1, "-1.2"}, {12.349, 1, 2, "12.35"}, {7, 1, 0, "7"}, {-3.4, 5, 1, "-3.5"}, {0.005, 5, 3, "0.005"}, {118, 100, 0, "100"}} {
		if got := string(appendStep(nil, c.x, c.digit, c.decimals)); got != c.want {
			t.Errorf("%v in steps of %d·10^-%d: %s, want %s", c.x, c.digit, c.decimals, got, c.want)
		}
	}
}

// BenchmarkWrite writes a week of the demo's twelve cells.
func BenchmarkWrite(b *testing.B) {
	s := parse(b, demoText(b))
	dir := b.TempDir()
	values := int64(0)
	began := time.Now()
	for b.Loop() {
		sum, err := s.Write(dir, WriteOptions{FromWeek: 5, ToWeek: 5}, nil)
		if err != nil {
			b.Fatal(err)
		}
		values += sum.Values
	}
	b.ReportMetric(float64(values)/time.Since(began).Seconds()/1e6, "Mvalues/s")
}
