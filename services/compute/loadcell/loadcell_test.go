package loadcell

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/floats/scalar"
	"pgregory.net/rapid"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

const gravity = 9.81

var performed = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func is(x float64) *float64 { return &x }

// bay is an invented cell.
func bay() fleet.Cell {
	return fleet.Cell{
		ID: "bay-1", LeverArm: 0.35, CalibrationArm: 1, LoadCellRange: 5000,
		CheckTolerance: 0.005, ZeroTolerance: 5,
		U: fleet.CellUncertainty{LeverArm: 1e-4, CalibrationArm: 2e-4, AirPressure: 100, AirTemperature: 0.5, Humidity: 0.03},
	}
}

// wide is bay with tolerances that nothing fails, for tests that do not ask for
// the verdict: its risk then takes no drawing.
func wide() fleet.Cell {
	c := bay()
	c.CheckTolerance, c.ZeroTolerance = 1, 1e4
	return c
}

// weights are five invented 20 kg masses of steel.
func weights() map[fleet.MassID]fleet.Mass {
	out := map[fleet.MassID]fleet.Mass{}
	for _, id := range []fleet.MassID{"m1", "m2", "m3", "m4", "m5"} {
		out[id] = fleet.Mass{ID: id, Mass: 20, U: 0.004, Density: 7850, Certificate: "c-" + string(id), Due: performed.AddDate(1, 0, 0)}
	}
	return out
}

// step is one reading of a plan: how many masses, from where.
type step struct {
	masses int
	from   fleet.Direction
}

// cycle is zero, one to n masses rising, n−1 to none falling.
func cycle(n int) []step {
	var out []step
	for k := 0; k <= n; k++ {
		out = append(out, step{k, fleet.Rising})
	}
	for k := n - 1; k >= 0; k-- {
		out = append(out, step{k, fleet.Falling})
	}
	return out
}

// weigh makes a dead-weight check whose readings are read(true force).
func weigh(steps []step, cycles int, cell fleet.Cell, masses map[fleet.MassID]fleet.Mass, g float64, read func(float64) float64) fleet.Check {
	c := fleet.Check{
		ID: "0123456789abcdef0123456789abcdef", Cell: cell.ID, Kind: fleet.CheckDeadWeight, State: fleet.AsFound, PerformedAt: performed,
		AirPressure: is(101325), AirTemperature: is(293.15), Humidity: is(0.5),
	}
	ids := []fleet.MassID{"m1", "m2", "m3", "m4", "m5"}
	for n := 1; n <= cycles; n++ {
		for _, s := range steps {
			f := 0.0
			for _, id := range ids[:s.masses] {
				m := masses[id]
				// Air density of these conditions: CIPM-2007, 1.199313895.
				f += m.Mass * (1 - 1.2/8000) / (1 - 1.2/m.Density) * (1 - 1.199313895/m.Density) * g * cell.CalibrationArm / cell.LeverArm
			}
			c.Readings = append(c.Readings, fleet.Reading{Cycle: n, Direction: s.from, Masses: ids[:s.masses], Force: is(read(f))})
		}
	}
	return c
}

func near(t *testing.T, what string, got, want, abs, rel float64) {
	t.Helper()
	if !scalar.EqualWithinAbsOrRel(got, want, abs, rel) {
		t.Errorf("%s: %.12g, want %.12g", what, got, want)
	}
}

// TestWeight: 10 kg of steel at 45° (WGS 84) in air of 1.2 kg/m³, and 20 kg at
// 50° and 300 m; computed with Python from F = m·g·(1 − ρ_air/ρ_mass).
func TestWeight(t *testing.T) {
	near(t, "10 kg", Weight(10, 7850, 9.8061977694, 1.2), 98.04698733, 6e-9, 0)
	near(t, "20 kg", Weight(20, 8000, 9.809777768, 1.2), 196.166126, 6e-7, 0)
	// OIML D 28: a conventional mass balances 8000 kg/m³ in air of 1.2 kg/m³.
	for _, density := range []float64{7100, 7850, 8000, 19300} {
		near(t, "balance", Weight(TrueMass(20, density), density, gravity, 1.2), Weight(20, 8000, gravity, 1.2), 0, 1e-15)
	}
}

func TestCalibration(t *testing.T) {
	var identity Calibration
	if identity.Force(123.4) != 123.4 || identity.UForce(123.4) != 0 {
		t.Error("the zero value changes a reading")
	}
	c := Calibration{Zero: 3, Gain: 0.02, UZero: 0.5, UGain: 1e-3, CovZeroGain: -2e-4}
	near(t, "force", c.Force(3+1.02*1000), 1000, 1e-9, 0)
	// By hand: √(0.25 + 1 − 0.4)/1.02.
	near(t, "its u", c.UForce(3+1.02*1000), math.Sqrt(0.85)/1.02, 1e-12, 0)
}

// TestExact: readings without scatter give back the cell's zero and gain.
func TestExact(t *testing.T) {
	for _, c := range []struct {
		name       string
		zero, gain float64 // of the indicator
		inForce    Calibration
	}{
		{"right", 0, 0, Calibration{}},
		{"zero", 4, 0, Calibration{}},
		{"gain", 0, -0.012, Calibration{}},
		{"both", -7, 0.02, Calibration{}},
		{"corrected by the calibration in force", -7, 0.02, Calibration{Zero: -7, Gain: 0.02}},
		{"half corrected", -7, 0.02, Calibration{Zero: -5, Gain: 0.01}},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell, masses := bay(), weights()
			check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return c.zero + (1+c.gain)*f })
			r := Judge(check, cell, masses, gravity, c.inForce)
			if !r.ZeroValid || !r.GainValid || !r.AsLeftValid {
				t.Fatalf("%s", r.Reason)
			}
			// By hand from the model of the indicator.
			near(t, "zero error", r.ZeroError, (c.zero-c.inForce.Zero)/(1+c.inForce.Gain), 1e-6, 0)
			near(t, "gain error", r.GainError, (1+c.gain)/(1+c.inForce.Gain)-1, 1e-9, 0)
			near(t, "as left zero", r.AsLeft.Zero, c.zero, 1e-6, 0)
			near(t, "as left gain", r.AsLeft.Gain, c.gain, 1e-9, 0)
			near(t, "air density", r.AirDensity, 1.199313895, 1e-9, 0) // CIPM-2007
			if r.AsLeft.Epoch != fleet.EpochID(check.ID) || !r.AsLeft.Since.Equal(performed) {
				t.Errorf("epoch %s since %v", r.AsLeft.Epoch, r.AsLeft.Since)
			}
			if len(r.Readings) != 22 || len(r.Points) != 11 {
				t.Errorf("%d readings, %d points", len(r.Readings), len(r.Points))
			}
			near(t, "error of the last reading but one", r.Readings[20].Error, r.ZeroError+r.GainError*r.Readings[20].Load, 1e-6, 0)

			// As left, the errors are those of the new calibration: none.
			check.State = fleet.AsLeft
			r = Judge(check, cell, masses, gravity, c.inForce)
			near(t, "zero error as left", r.ZeroError, 0, 1e-9, 0)
			near(t, "gain error as left", r.GainError, 0, 1e-12, 0)
			if r.Verdict != fleet.VerdictPass {
				t.Errorf("as left %s", r.Reason)
			}
			// And the same readings as found under it agree.
			check.State = fleet.AsFound
			r = Judge(check, cell, masses, gravity, r.AsLeft)
			near(t, "zero error under the new calibration", r.ZeroError, 0, 1e-9, 0)
			near(t, "gain error under the new calibration", r.GainError, 0, 1e-12, 0)
		})
	}
}

// TestNorris: the line and its uncertainties against the certified values of
// NIST StRD Norris, given as a shunt check (simulated force x, reading y).
// k for 34 degrees of freedom: mpmath, root of betainc for 0.9544997361036416.
func TestNorris(t *testing.T) {
	f, err := os.Open("../../../testdata/nist_strd_norris.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rd := csv.NewReader(f)
	rd.Comment = '#'
	rows, err := rd.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	check := fleet.Check{Kind: fleet.CheckShunt, State: fleet.AsFound}
	for _, row := range rows[1:] {
		y, _ := strconv.ParseFloat(row[0], 64)
		x, _ := strconv.ParseFloat(row[1], 64)
		check.Readings = append(check.Readings, fleet.Reading{Force: &y, Simulated: &x})
	}
	cell := bay()
	cell.LoadCellRange = 1000
	r := Judge(check, cell, nil, 0, Calibration{})
	const k34 = 2.0762527830070996
	near(t, "zero error", r.ZeroError, -0.262323073774029, 0, 1e-11)
	near(t, "gain error", r.GainError, 0.00211681802045, 0, 1e-10)
	near(t, "scatter", r.Scatter, 0.884796396144373, 0, 1e-12)
	near(t, "U zero", r.UZeroError, k34*0.232818234301152, 0, 1e-9)
	near(t, "U gain", r.UGainError, k34*0.429796848199937e-3, 0, 1e-9)
	if r.DoF != 34 || r.AsLeftValid {
		t.Errorf("ν %d, calibration %v", r.DoF, r.AsLeftValid)
	}
}

// TestPropagation holds the type B uncertainty against the difference that a
// registry off by one standard uncertainty makes: no formula is shared with the
// code under test.
func TestPropagation(t *testing.T) {
	cell, masses := bay(), weights()
	masses["m2"] = fleet.Mass{ID: "m2", Mass: 10, U: 0.006, Density: 7100}
	check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return 2 + 1.01*f })
	base := Judge(check, cell, masses, gravity, Calibration{})

	var zero, gain, cross float64
	shift := func(r Result) {
		dz, dg := r.AsLeft.Zero-base.AsLeft.Zero, r.AsLeft.Gain-base.AsLeft.Gain
		zero, gain, cross = zero+dz*dz, gain+dg*dg, cross+dz*dg
	}
	for id, m := range masses {
		off := weights()
		for k, v := range masses {
			off[k] = v
		}
		m.Mass += m.U / 2
		off[id] = m
		shift(Judge(check, cell, off, gravity, Calibration{}))
	}
	arm := cell
	arm.CalibrationArm += cell.U.CalibrationArm
	shift(Judge(check, arm, masses, gravity, Calibration{}))
	arm = cell
	arm.LeverArm += cell.U.LeverArm
	shift(Judge(check, arm, masses, gravity, Calibration{}))
	shift(Judge(check, cell, masses, gravity*(1+gum.UGravity), Calibration{}))
	for _, move := range []func(*fleet.Check){
		func(c *fleet.Check) { c.AirPressure = is(*c.AirPressure + cell.U.AirPressure) },
		func(c *fleet.Check) { c.AirTemperature = is(*c.AirTemperature + cell.U.AirTemperature) },
		func(c *fleet.Check) { c.Humidity = is(*c.Humidity + cell.U.Humidity) },
	} {
		moved := check
		move(&moved)
		shift(Judge(moved, cell, masses, gravity, Calibration{}))
	}

	// The indicator's step (5000 N/10 000/√12) stands for the scatter that is
	// not there; its share by the textbook formula for a line.
	n, mf, sxx := float64(len(base.Readings)), 0.0, 0.0
	for _, r := range base.Readings {
		mf += r.Load / n
	}
	for _, r := range base.Readings {
		sxx += (r.Load - mf) * (r.Load - mf)
	}
	step := 0.5 / math.Sqrt(12)
	zero += step * step * (1/n + mf*mf/sxx)
	gain += step * step / sxx
	cross -= step * step * mf / sxx

	const linear = 2e-3 // what differences of one u leave of the second order
	near(t, "u(zero)", base.AsLeft.UZero, math.Sqrt(zero), 0, linear)
	near(t, "u(gain)", base.AsLeft.UGain, math.Sqrt(gain), 0, linear)
	near(t, "covariance", base.AsLeft.CovZeroGain, cross, 0, 2*linear)
	near(t, "U zero error", base.UZeroError, 2*math.Sqrt(zero), 0, linear)
	near(t, "U gain error", base.UGainError, 2*math.Sqrt(gain), 0, linear)
	// The budget adds up to it.
	for what, b := range map[string]struct {
		cs   []gum.Component
		want float64
	}{"zero": {base.ZeroBudget, base.UZeroError}, "gain": {base.GainBudget, base.UGainError}} {
		sum := 0.0
		for _, c := range b.cs {
			sum += c.Contribution() * c.Contribution()
		}
		near(t, what+" budget", 2*math.Sqrt(sum), b.want, 0, 1e-9)
	}
}

// TestReusedMass: one mass hung sixty times stays one mass; its certificate's
// relative U keeps its share in the gain error's. By hand.
func TestReusedMass(t *testing.T) {
	cell, masses := bay(), weights()
	cell.U = fleet.CellUncertainty{LeverArm: 1e-9, CalibrationArm: 1e-9}
	m, n := masses["m1"], masses["m2"]
	m.U, n.U, n.Mass, n.Density = 0.04, 1e-9, m.Mass, m.Density // 0.2 %
	masses["m1"], masses["m2"] = m, n
	var steps []step
	for range 30 {
		steps = append(steps, step{0, fleet.Rising}, step{1, fleet.Rising}, step{2, fleet.Rising})
	}
	r := Judge(weigh(steps, 1, cell, masses, gravity, func(f float64) float64 { return f }), cell, masses, gravity, Calibration{})
	// Of the loads 0, F and 2F the slope is (y_2 − y_0)/2F: the mass, in y_2 once,
	// has half its ratio in it; Σ(F − F̅)² is 60·F².
	step := 0.5 / math.Sqrt(12) / (r.Points[1].Load * math.Sqrt(60))
	near(t, "U gain", r.UGainError, 2*math.Hypot(math.Hypot(0.0005, gum.UGravity), step), 0, 1e-3)
}

// TestCoverage: the stated U covers the truth in 95 % of simulated checks, the
// masses, arms, gravity and air being wrong as their uncertainties say.
func TestCoverage(t *testing.T) {
	const runs = 2000
	for _, c := range []struct {
		name   string
		steps  []step
		cycles int
		noise  float64 // N
	}{
		{"two cycles, scatter as large as the rest", cycle(5), 2, 1},
		{"one short cycle, scatter rules", cycle(2), 1, 3},
		{"loads up that are not those down", []step{{0, fleet.Rising}, {2, fleet.Rising}, {4, fleet.Rising}, {5, fleet.Rising}, {3, fleet.Falling}, {0, fleet.Falling}}, 2, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(20260302, 1))
			cell, masses := wide(), weights()
			zeroIn, gainIn, forceIn, pointIn := 0, 0, 0, 0
			for range runs {
				truth, weighed := cell, map[fleet.MassID]fleet.Mass{}
				truth.LeverArm += rng.NormFloat64() * cell.U.LeverArm
				truth.CalibrationArm += rng.NormFloat64() * cell.U.CalibrationArm
				for _, id := range []fleet.MassID{"m1", "m2", "m3", "m4", "m5"} {
					m := masses[id]
					m.Mass += rng.NormFloat64() * m.U / 2
					weighed[id] = m
				}
				g := gravity * (1 + rng.NormFloat64()*gum.UGravity)
				zero, gain := rng.NormFloat64()*5, rng.NormFloat64()*0.01
				check := weigh(c.steps, c.cycles, truth, weighed, g, func(f float64) float64 {
					return zero + (1+gain)*f + rng.NormFloat64()*c.noise
				})
				check.AirPressure = is(*check.AirPressure + rng.NormFloat64()*cell.U.AirPressure)
				check.AirTemperature = is(*check.AirTemperature + rng.NormFloat64()*cell.U.AirTemperature)
				check.Humidity = is(*check.Humidity + rng.NormFloat64()*cell.U.Humidity)
				r := Judge(check, cell, masses, gravity, Calibration{})
				if !r.ZeroValid || !r.GainValid {
					t.Fatal(r.Reason)
				}
				if math.Abs(r.ZeroError-zero) <= r.UZeroError {
					zeroIn++
				}
				if math.Abs(r.GainError-gain) <= r.UGainError {
					gainIn++
				}
				top := r.Points[0]
				for _, p := range r.Points {
					if p.Load > top.Load {
						top = p
					}
				}
				if math.Abs(top.Error-zero-gain*top.Load) <= top.U {
					pointIn++
				}
				// The new calibration, used between the loads.
				if f := 1500.0; math.Abs(r.AsLeft.Force(zero+(1+gain)*f)-f) <= 2*r.AsLeft.UForce(zero+(1+gain)*f) {
					forceIn++
				}
			}
			// 95 ± 1.5 %.
			for what, in := range map[string]int{"zero error": zeroIn, "gain error": gainIn, "error at the largest load": pointIn, "force under the new calibration": forceIn} {
				share := 100 * float64(in) / runs
				t.Logf("%s covered in %.2f %% of %d", what, share, runs)
				if math.Abs(share-95) > 1.5 {
					t.Errorf("%s covered in %.2f %%, want 95 ± 1.5", what, share)
				}
			}
		})
	}
}

// TestZeroCoverage is the same for a zero check of three readings.
func TestZeroCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(20260302, 2))
	in := 0
	const runs = 2000
	for range runs {
		zero := rng.NormFloat64() * 5
		var x []float64
		for range 3 {
			x = append(x, zero+rng.NormFloat64())
		}
		r := Judge(zeroCheck(x...), bay(), nil, 0, Calibration{})
		if math.Abs(r.ZeroError-zero) <= r.UZeroError {
			in++
		}
	}
	if share := 100 * float64(in) / runs; math.Abs(share-95) > 1.5 {
		t.Errorf("covered in %.2f %%, want 95 ± 1.5", share)
	}
}

func zeroCheck(x ...float64) fleet.Check {
	c := fleet.Check{ID: "zero", Cell: "bay-1", Kind: fleet.CheckZero, State: fleet.AsFound, PerformedAt: performed}
	for _, v := range x {
		c.Readings = append(c.Readings, fleet.Reading{Cycle: 1, Force: is(v)})
	}
	return c
}

func TestZero(t *testing.T) {
	inForce := Calibration{Epoch: "before", Zero: 2, Gain: 0.01, UGain: 4e-4, UZero: 0.3, CovZeroGain: -1e-5}
	r := Judge(zeroCheck(5.03, 5.00, 5.06), bay(), nil, 0, inForce)
	near(t, "zero error", r.ZeroError, 3.03/1.01, 1e-12, 0) // by hand
	// Scatter 0.03 N is under the indicator's step, 0.5 N/√12, which then counts.
	near(t, "U", r.UZeroError, 2*0.5/math.Sqrt(12)/1.01, 1e-9, 0)
	if r.GainValid || r.Verdict != fleet.VerdictPass || r.DoF != 2 {
		t.Errorf("%+v", r)
	}

	// s 3 N of three: U = t(2)·3/√3, t 4.526551 (scipy, 95.45 %).
	check := zeroCheck(2, 5, 8)
	check.State = fleet.AsLeft
	r = Judge(check, bay(), nil, 0, inForce)
	near(t, "zero error as left", r.ZeroError, 0, 1e-12, 0)
	near(t, "U as left", r.UZeroError, 4.526551*math.Sqrt(3)/1.01, 0, 1e-4)
	want := Calibration{Epoch: "zero", Since: performed, Zero: 5, Gain: 0.01, UZero: r.AsLeft.UZero, UGain: 4e-4}
	if r.AsLeft != want || !r.AsLeftValid {
		t.Errorf("as left %+v, want the gain in force and the new zero", r.AsLeft)
	}
	near(t, "u(zero) as left", r.AsLeft.UZero, 4.526551*math.Sqrt(3)/2, 0, 1e-4)
	if r.Verdict != fleet.VerdictConditionalPass { // U 7.8 N against 5 N
		t.Errorf("%s", r.Reason)
	}
}

func TestShunt(t *testing.T) {
	shunt := func(pairs ...float64) fleet.Check {
		c := fleet.Check{Kind: fleet.CheckShunt, State: fleet.AsLeft}
		for i := 0; i < len(pairs); i += 2 {
			c.Readings = append(c.Readings, fleet.Reading{Simulated: is(pairs[i]), Force: is(pairs[i+1])})
		}
		return c
	}
	// One shunt, read three times: 1 % high at 2000 N. By hand.
	r := Judge(shunt(2000, 2019, 2000, 2020, 2000, 2021), bay(), nil, 0, Calibration{})
	if r.ZeroValid || r.GainValid || r.AsLeftValid || len(r.Points) != 1 || r.Verdict != fleet.VerdictFail {
		t.Fatalf("%+v", r)
	}
	near(t, "error", r.Points[0].Error, 20, 1e-9, 0)
	near(t, "U", r.Points[0].U, 4.526551/math.Sqrt(3), 0, 1e-5) // scipy, t 95.45 % of 2
	if !slices.ContainsFunc(r.Notes, func(s string) bool { return strings.Contains(s, "not the load cell") }) {
		t.Errorf("notes %q", r.Notes)
	}
	// With the unshunted zero it is a line.
	r = Judge(shunt(0, 1, 2000, 2001, 0, 1, 2000, 2001), bay(), nil, 0, Calibration{})
	if !r.ZeroValid || !r.GainValid || r.AsLeftValid || r.Verdict != fleet.VerdictPass {
		t.Fatalf("%+v", r)
	}
	near(t, "zero error", r.ZeroError, 1, 1e-9, 0)
}

func TestVerdict(t *testing.T) {
	wave := func(size float64) func(float64) float64 { // a cell that is not a line
		return func(f float64) float64 { return f + size*math.Sin(f/400) }
	}
	line := func(zero, gain float64) func(float64) float64 {
		return func(f float64) float64 { return zero + (1+gain)*f }
	}
	for _, c := range []struct {
		name string
		read func(float64) float64
		set  func(*fleet.Cell, *fleet.Check)
		want fleet.Verdict
		says string
	}{
		{"right", line(0, 0), nil, fleet.VerdictPass, "pass: zero error"},
		// Tolerance 0.5 % of reading, U about 0.08 % (arms 0.035 %, masses): by
		// hand the four zones end near 0.42, 0.5 and 0.58 %.
		{"gain 0.3 %", line(0, 0.003), nil, fleet.VerdictPass, "gain error +0.300"},
		{"gain 0.48 %", line(0, 0.0048), nil, fleet.VerdictConditionalPass, "conditional pass"},
		{"gain −0.52 %", line(0, -0.0052), nil, fleet.VerdictConditionalFail, "conditional fail"},
		{"gain 1 %", line(0, 0.01), nil, fleet.VerdictFail, "fail: "},
		{"zero 8 N", line(8, -0.002), nil, fleet.VerdictFail, "zero error +8"},
		{"gain 1 % as left", line(0, 0.01), func(_ *fleet.Cell, c *fleet.Check) { c.State = fleet.AsLeft }, fleet.VerdictPass, "the indicator itself reads"},
		{"crooked as left", wave(40), func(_ *fleet.Cell, c *fleet.Check) { c.State = fleet.AsLeft }, fleet.VerdictFail, "worst load"},
		{"small loads judged by gain", line(0, 0.003), func(c *fleet.Cell, _ *fleet.Check) { c.LoadCellRange = 20000 }, fleet.VerdictPass, "no load reaches 20 %"},
		{"small loads, gain off", line(0, 0.03), func(c *fleet.Cell, _ *fleet.Check) { c.LoadCellRange = 20000 }, fleet.VerdictFail, "no load reaches 20 %"},
		{"range not stated", line(0, 0), func(c *fleet.Cell, _ *fleet.Check) { c.LoadCellRange = 0 }, fleet.VerdictPass, ""},
		{"no check tolerance", line(0, 0), func(c *fleet.Cell, _ *fleet.Check) { c.CheckTolerance = 0 }, fleet.VerdictUnusable, "check_tolerance_percent"},
		{"no zero tolerance", line(0, 0), func(c *fleet.Cell, _ *fleet.Check) { c.ZeroTolerance = math.NaN() }, fleet.VerdictUnusable, "zero_tolerance_n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell, masses := bay(), weights()
			check := weigh(cycle(5), 2, cell, masses, gravity, c.read)
			if c.set != nil {
				c.set(&cell, &check)
			}
			r := Judge(check, cell, masses, gravity, Calibration{})
			if r.Verdict != c.want || !strings.Contains(r.Reason, c.says) {
				t.Errorf("%s, want %s with %q", r.Reason, c.want, c.says)
			}
			if !r.GainValid {
				t.Error("the errors were not computed")
			}
		})
	}
}

// TestJudgedFrom: loads under 20 % of the range are not judged, those on it are.
func TestJudgedFrom(t *testing.T) {
	cell, masses := bay(), weights()
	check := weigh(cycle(5), 1, cell, masses, gravity, func(f float64) float64 { return f })
	two := Judge(check, cell, masses, gravity, Calibration{}).Points[2].Load
	cell.LoadCellRange = 5 * two
	for _, p := range Judge(check, cell, masses, gravity, Calibration{}).Points {
		if judged := p.Verdict != fleet.VerdictNone; judged != (p.Load > two-1) {
			t.Errorf("%v N of %v N: %s", p.Load, cell.LoadCellRange, p.Verdict)
		}
	}
}

// TestShape: reversibility, repeatability and linearity of invented readings.
func TestShape(t *testing.T) {
	cell, masses := bay(), weights()
	check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return f })
	for i := range check.Readings {
		r := &check.Readings[i]
		if r.Direction == fleet.Falling && len(r.Masses) == 3 {
			*r.Force += 6 // both cycles: reversibility 6 N
		}
		if r.Direction == fleet.Rising && len(r.Masses) == 5 && r.Cycle == 2 {
			*r.Force += 2 // repeatability 2 N
		}
	}
	r := Judge(check, cell, masses, gravity, Calibration{})
	near(t, "reversibility", r.Reversibility, 6, 1e-6, 0)
	near(t, "repeatability", r.Repeatability, 2, 1e-6, 0)
	if r.Linearity < 1 || r.Linearity > 3 { // 3 N mean at three masses, less what the line follows
		t.Errorf("linearity %v", r.Linearity)
	}
}

func TestUnusable(t *testing.T) {
	type world struct {
		check   fleet.Check
		cell    fleet.Cell
		masses  map[fleet.MassID]fleet.Mass
		gravity float64
		inForce Calibration

		standards map[fleet.StandardID]fleet.Standard
	}
	next := func(kind fleet.CheckKind, id fleet.StandardID, over float64) func(*world) {
		return func(w *world) {
			w.check = beside(kind, id, over, []float64{0, 1000, 2000, 3000}, 2, func(f float64) float64 { return f }, 0, 0, noNoise())
		}
	}
	also := func(first func(*world), then func(*world)) func(*world) {
		return func(w *world) { first(w); then(w) }
	}
	transfer, torque := next(fleet.CheckTransfer, "tlc", 1), next(fleet.CheckTorque, "tq", 0.35)
	scale := func(k float64) func(*world) {
		return func(w *world) {
			for i := range w.check.Readings {
				*w.check.Readings[i].Force *= k
			}
		}
	}
	mass := func(f func(*fleet.Mass)) func(*world) {
		return func(w *world) { m := w.masses["m1"]; f(&m); w.masses["m1"] = m }
	}
	for _, c := range []struct {
		name string
		do   func(*world)
		says string
	}{
		{"no readings", func(w *world) { w.check.Readings = nil }, "no readings"},
		{"a reading is missing", func(w *world) { w.check.Readings[2].Force = nil }, "reading 3 (cycle 1, rising, m1 + m2) has no value: enter"},
		{"NaN", func(w *world) { w.check.Readings[0].Force = is(math.NaN()) }, "reading 1 (cycle 1, rising) is NaN"},
		{"Inf", func(w *world) { w.check.Readings[0].Force = is(math.Inf(-1)) }, "is -Inf"},
		{"one load", func(w *world) {
			for i := range w.check.Readings {
				w.check.Readings[i].Masses = []fleet.MassID{"m1"}
			}
		}, "all readings carry the same load (560"},
		{"never loaded", func(w *world) {
			for i := range w.check.Readings {
				w.check.Readings[i].Masses = nil
			}
		}, "all readings carry the same load (0 N"},
		{"two readings", func(w *world) { w.check.Readings = w.check.Readings[1:3] }, "2 readings show no scatter"},
		{"unknown mass", func(w *world) { delete(w.masses, "m3") }, `names check mass "m3", which is not in the registry`},
		{"mass of nought", mass(func(m *fleet.Mass) { m.Mass = 0 }), "gives check mass m1 as 0 kg"},
		{"mass not finite", mass(func(m *fleet.Mass) { m.Mass = math.Inf(1) }), "gives check mass m1 as +Inf kg"},
		{"mass with impossible U", mass(func(m *fleet.Mass) { m.U = -1 }), "an uncertainty of -1 kg"},
		{"density in g/cm³", mass(func(m *fleet.Mass) { m.Density = 7.85 }), "a density of 7.85 kg/m³"},
		{"a mass twice", func(w *world) { w.check.Readings[1].Masses = []fleet.MassID{"m1", "m1"} }, "lists check mass m1 twice"},
		{"no calibration arm", func(w *world) { w.cell.CalibrationArm = 0 }, "no length for the calibration arm of cell bay-1"},
		{"no lever arm", func(w *world) { w.cell.LeverArm = 0 }, "no lever arm for cell bay-1"},
		{"lever arm NaN", func(w *world) { w.cell.LeverArm = math.NaN() }, "no lever arm"},
		{"no gravity", func(w *world) { w.gravity = 0 }, "enter the site's latitude"},
		{"sign swapped", scale(-1), "the sign is swapped"},
		{"not on the arm", scale(0), "do not follow the load"},
		{"kg entered as lb", scale(2.2046), "pounds and kilograms are mixed up"},
		{"lb entered as kg", scale(0.4536), "masses are in lb and were entered as kg"},
		{"kgf taken as N", scale(0.102), "reads kgf and was taken as N"},
		{"N taken as lbf", scale(4.448), "reads N and was taken as lbf"},
		{"impossible uncertainty", func(w *world) { w.cell.U.LeverArm = -1 }, "uncertainty cannot be combined"},
		{"impossible calibration", func(w *world) { w.inForce.Gain = -1 }, "calibration in force"},
		{"another cell", func(w *world) { w.check.Cell = "bay-2" }, "made on cell bay-2"},
		{"falling before rising", func(w *world) {
			for i := range w.check.Readings[:11] {
				w.check.Readings[i].Direction = 3 - w.check.Readings[i].Direction
			}
		}, "in cycle 1 the falling loads come before the rising ones"},
		{"one mass alone", func(w *world) {
			w.check.Readings = w.check.Readings[1:2]
		}, "all readings carry the same load"},
		{"one mass and the empty arm", func(w *world) {
			w.check.Readings = slices.DeleteFunc(w.check.Readings, func(r fleet.Reading) bool { return len(r.Masses) > 1 })
		}, "beside the empty arm there is one load only"},
		{"one mass in lb in the registry", func(w *world) {
			m := w.masses["m3"]
			m.Mass /= 0.45359237
			w.masses["m3"] = m
		}, "check mass m3 do not fit the others: its value in the registry is in lb"},
		{"one mass from kg to lb", func(w *world) {
			m := w.masses["m4"]
			m.Mass *= 0.45359237
			w.masses["m4"] = m
		}, "check mass m4 do not fit the others"},
		{"one mass not hung", func(w *world) {
			for i, r := range w.check.Readings {
				if len(r.Masses) == 5 {
					*w.check.Readings[i].Force = *w.check.Readings[i-1].Force
				}
			}
		}, "check mass m5 do not fit the others: it was not on the arm"},
		{"one reading in lb", func(w *world) { *w.check.Readings[4].Force *= 2.2046226 }, "reading 5 (cycle 1, rising, m1 + m2 + m3 + m4) does not fit the others: it fits when multiplied by 0.4536"},
		{"one reading from lb", func(w *world) { *w.check.Readings[4].Force /= 2.2046226 }, "reading 5 (cycle 1, rising, m1 + m2 + m3 + m4) does not fit the others: it fits when multiplied by 2.2046"},
		{"one load's readings in lb", func(w *world) {
			for i, r := range w.check.Readings {
				if len(r.Masses) == 4 {
					*w.check.Readings[i].Force *= 2.2046226
				}
			}
		}, "and the other 3 under its load does not fit the others"},
		{"one sign swapped", func(w *world) { *w.check.Readings[4].Force *= -1 }, "reading 5 (cycle 1, rising, m1 + m2 + m3 + m4) does not fit the others: it fits with the other sign"},
		{"preloads only", func(w *world) {
			for i := range w.check.Readings {
				w.check.Readings[i].Preload = true
			}
		}, "preloads only"},
		{"preload is Inf", func(w *world) {
			w.check.Readings[0].Preload, w.check.Readings[0].Force = true, is(math.Inf(1))
		}, "is +Inf"},
		{"held for ever", func(w *world) { w.check.Readings[0].Held = is(math.Inf(1)) }, "no time a load is held"},
		{"speed NaN", func(w *world) { w.check.Readings[0].Speed = is(math.NaN()) }, "no speed of the rollers"},
		{"arm angle in degrees", func(w *world) { w.check.ArmAngle = is(2) }, "is it in degrees"},
		{"arm angle NaN", func(w *world) { w.check.ArmAngle = is(math.NaN()) }, "no levelled arm"},
		{"base inertia", func(w *world) { w.check.Kind = fleet.CheckBaseInertia }, "measures the rollers"},
		{"no standard", also(transfer, func(w *world) { w.check.Standard = "" }), "does not name its standard"},
		{"unknown standard", also(transfer, func(w *world) { w.check.Standard = "tlc-9" }), `names standard "tlc-9", which is not in the registry`},
		{"wrong kind of standard", also(transfer, func(w *world) { w.check.Standard = "tq" }), "standard tq is a torque reference"},
		{"wrong kind of standard for torque", also(torque, func(w *world) { w.check.Standard = "tlc" }), "standard tlc is a transfer load cell"},
		{"standard out of range", also(transfer, func(w *world) {
			s := w.standards["tlc"]
			s.Range = 2000
			w.standards["tlc"] = s
		}), "its range is 2000 N"},
		{"standard without range", also(torque, func(w *world) {
			s := w.standards["tq"]
			s.Range = 0
			w.standards["tq"] = s
		}), "a range of 0 N·m"},
		{"standard with impossible U", also(torque, func(w *world) {
			s := w.standards["tq"]
			s.U = math.NaN()
			w.standards["tq"] = s
		}), "an uncertainty of NaN"},
		{"torque without lever arm", also(torque, func(w *world) { w.cell.LeverArm = 0 }), "no lever arm for cell bay-1"},
		{"a reference left out", also(transfer, func(w *world) { w.check.Readings[3].Reference = nil }), "reading 4 (cycle 1, rising) does not say what the standard read"},
		{"a mass beside a standard", also(transfer, func(w *world) { w.check.Readings[3].Masses = []fleet.MassID{"m1"} }), "carries a mass"},
		{"one load beside a standard", also(transfer, func(w *world) {
			for i := range w.check.Readings {
				w.check.Readings[i].Reference = is(1000)
			}
		}), "about the same load"},
		{"sign swapped beside a standard", also(transfer, scale(-1)), "the sign is swapped"},
		{"impossible curve", func(w *world) { w.inForce = Calibration{Degree: 2, Quadratic: math.NaN(), High: 1} }, "calibration in force"},
		{"unknown kind", func(w *world) { w.check.Kind = 9 }, "kind 9"},
		{"zero check with a mass", func(w *world) { w.check.Kind = fleet.CheckZero }, "carries a mass"},
		{"zero check while turning", func(w *world) {
			w.check = zeroCheck(1, 1, 1)
			w.check.Readings[1].Speed = is(12)
		}, "rollers turning"},
		{"zero check of one", func(w *world) { w.check = zeroCheck(1) }, "at least two readings"},
		{"shunt without force", func(w *world) { w.check.Kind = fleet.CheckShunt }, "which force the shunt stands for"},
		{"shunt read once", func(w *world) {
			w.check = fleet.Check{Kind: fleet.CheckShunt, Readings: []fleet.Reading{{Force: is(1), Simulated: is(1)}}}
		}, "at least two readings"},
		{"shunt too small", func(w *world) {
			w.check = fleet.Check{Kind: fleet.CheckShunt, Readings: []fleet.Reading{{Force: is(100), Simulated: is(100)}, {Force: is(101), Simulated: is(100)}}}
		}, "use a larger one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := world{cell: bay(), masses: weights(), gravity: gravity, standards: standards()}
			w.check = weigh(cycle(5), 2, w.cell, w.masses, gravity, func(f float64) float64 { return f })
			c.do(&w)
			r := Assess(Input{Check: w.check, Cell: w.cell, Masses: w.masses, Standards: w.standards, Gravity: w.gravity, InForce: w.inForce})
			if r.Verdict != fleet.VerdictUnusable || !strings.Contains(r.Reason, c.says) {
				t.Errorf("%s: %q does not say %q", r.Verdict, r.Reason, c.says)
			}
			if r.AsLeftValid || r.GainValid || r.ZeroValid {
				t.Error("an unusable check gives figures")
			}
		})
	}
}

// TestNotes: what is doubtful does not stop the check.
func TestNotes(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*fleet.Check, *fleet.Cell, map[fleet.MassID]fleet.Mass)
		says string
	}{
		{"certificate ended", func(_ *fleet.Check, _ *fleet.Cell, m map[fleet.MassID]fleet.Mass) {
			x := m["m2"]
			x.Due = performed.AddDate(0, 0, -1)
			m["m2"] = x
		}, "certificate of check mass m2 ended on 2026-03-01"},
		{"mass without U", func(_ *fleet.Check, _ *fleet.Cell, m map[fleet.MassID]fleet.Mass) {
			x := m["m2"]
			x.U = 0
			m["m2"] = x
		}, "m2 has no stated uncertainty"},
		{"mass without density", func(_ *fleet.Check, _ *fleet.Cell, m map[fleet.MassID]fleet.Mass) {
			x := m["m2"]
			x.Density = 0
			m["m2"] = x
		}, "m2 has no stated density"},
		{"arm without u", func(_ *fleet.Check, c *fleet.Cell, _ map[fleet.MassID]fleet.Mass) { c.U.LeverArm = 0 }, "the lever arm has no stated uncertainty"},
		{"no air", func(c *fleet.Check, _ *fleet.Cell, _ map[fleet.MassID]fleet.Mass) { c.AirPressure = nil }, "taken as 1.2 ± 0.2 kg/m³"},
		{"impossible air", func(c *fleet.Check, _ *fleet.Cell, _ map[fleet.MassID]fleet.Mass) { c.AirPressure = is(990) }, "check the unit of the column"},
		{"above the range", func(_ *fleet.Check, c *fleet.Cell, _ map[fleet.MassID]fleet.Mass) { c.LoadCellRange = 2000 }, "above the load cell's range"},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell, masses := bay(), weights()
			check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return f })
			c.do(&check, &cell, masses)
			r := Judge(check, cell, masses, gravity, Calibration{})
			if r.Verdict != fleet.VerdictPass {
				t.Errorf("%s", r.Reason)
			}
			if len(r.Notes) != 1 || !strings.Contains(r.Notes[0], c.says) {
				t.Errorf("notes %q do not say %q", r.Notes, c.says)
			}
		})
	}
	cell, masses := bay(), weights()
	if r := Judge(weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return f }), cell, masses, gravity, Calibration{}); len(r.Notes) != 0 {
		t.Errorf("a check without doubt has notes %q", r.Notes)
	}
}

// TestOrder: the order of cycles does not matter, and nothing given is changed.
// (Within a cycle it does: see TestUnusable, falling before rising.)
func TestOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	cell, masses := bay(), weights()
	check := weigh(cycle(5), 2, cell, masses, gravity, func(f float64) float64 { return 1 + 1.002*f + rng.NormFloat64() })
	a := Judge(check, cell, masses, gravity, Calibration{})
	half := len(check.Readings) / 2
	check.Readings = append(slices.Clone(check.Readings[half:]), check.Readings[:half]...)
	b := Judge(check, cell, masses, gravity, Calibration{})
	near(t, "zero", b.ZeroError, a.ZeroError, 1e-9, 0)
	near(t, "gain", b.GainError, a.GainError, 1e-12, 0)
	near(t, "U zero", b.UZeroError, a.UZeroError, 0, 1e-9)
	near(t, "U gain", b.UGainError, a.UGainError, 0, 1e-9)
	if a.Verdict != b.Verdict {
		t.Errorf("%s against %s", a.Verdict, b.Verdict)
	}
	c := Judge(check, cell, masses, gravity, Calibration{})
	if c.AsLeft != b.AsLeft || c.Reason != b.Reason {
		t.Error("two runs differ")
	}
}

// TestAnything: whatever comes in, nothing panics and every figure that goes
// out is a number.
func TestAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string) float64 {
			return rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 10), rapid.Float64Range(0, 3000),
				rapid.SampledFrom([]float64{0, 1, 20, math.NaN(), math.Inf(1), math.Inf(-1), 1e308, 5e-324})).Draw(t, name)
		}
		maybe := func(name string) *float64 {
			if rapid.Bool().Draw(t, name+"?") {
				return nil
			}
			return is(number(name))
		}
		cell, masses := bay(), weights()
		if rapid.Bool().Draw(t, "odd cell") {
			cell.LeverArm, cell.CalibrationArm, cell.LoadCellRange = number("lever"), number("arm"), number("range")
			cell.CheckTolerance, cell.ZeroTolerance = number("tolerance"), number("zero tolerance")
			cell.U.LeverArm, cell.U.AirPressure = number("u lever"), number("u pressure")
		}
		if rapid.Bool().Draw(t, "odd mass") {
			masses["m1"] = fleet.Mass{ID: "m1", Mass: number("mass"), U: number("u mass"), Density: number("density")}
		}
		g := gravity
		if rapid.Bool().Draw(t, "odd gravity") {
			g = number("gravity")
		}
		var inForce Calibration
		if rapid.Bool().Draw(t, "odd calibration") {
			inForce = Calibration{Zero: number("zero"), Gain: number("gain"), UZero: number("u zero"), UGain: number("u gain"), CovZeroGain: number("cov")}
		}
		check := fleet.Check{
			Kind:        fleet.CheckKind(rapid.IntRange(0, 4).Draw(t, "kind")),
			State:       fleet.CheckState(rapid.IntRange(0, 3).Draw(t, "state")),
			AirPressure: maybe("pressure"), AirTemperature: maybe("temperature"), Humidity: maybe("humidity"),
		}
		for range rapid.IntRange(0, 8).Draw(t, "readings") {
			r := fleet.Reading{Direction: fleet.Direction(rapid.IntRange(0, 2).Draw(t, "direction")), Force: maybe("force"), Simulated: maybe("simulated")}
			for _, id := range []fleet.MassID{"m1", "m2", "m9"} {
				if rapid.IntRange(0, 3).Draw(t, string(id)) == 0 {
					r.Masses = append(r.Masses, id)
				}
			}
			check.Readings = append(check.Readings, r)
		}
		r := Judge(check, cell, masses, g, inForce)
		if r.Verdict == fleet.VerdictNone || r.Reason == "" {
			t.Fatalf("no verdict: %+v", r)
		}
		for _, x := range []float64{r.ZeroError, r.UZeroError, r.GainError, r.UGainError, r.Linearity, r.Reversibility, r.Repeatability, r.Scatter, r.AirDensity,
			r.AsLeft.Zero, r.AsLeft.Gain, r.AsLeft.UZero, r.AsLeft.UGain, r.AsLeft.CovZeroGain} {
			if !finite(x) {
				t.Fatalf("a figure is not a number: %+v", r)
			}
		}
		for _, p := range r.Points {
			if !finite(p.Load) || !finite(p.Error) || !finite(p.U) || !finite(p.Tolerance) {
				t.Fatalf("a point is not a number: %+v", p)
			}
		}
	})
}

// Figures written by hand by the rule of JCGM 100:2008, 7.2.6: U with two
// significant digits, the value to the same decimal, nought without a sign.
func TestWithin(t *testing.T) {
	for _, c := range []struct {
		x, u float64
		want string
	}{
		{2.22e-17, 2.83, "0.0 ± 2.8"}, {-1e-9, 0.12, "0.00 ± 0.12"}, {33.94, 1.21, "+33.9 ± 1.2"}, {-0.0149, 0.1349, "-0.01 ± 0.13"},
		{1.6312, 0.1172, "+1.63 ± 0.12"}, {5.21, 0.996, "+5.2 ± 1.0"}, {1234.4, 99.6, "+1234 ± 100"}, {1234.4, 123, "+1234 ± 123"},
		{0.000012, 3e-7, "+0.00001200 ± 0.00000030"}, {1.5, 0, "+1.500 ± 0.000"},
	} {
		if got := within(c.x, c.u); got != c.want {
			t.Errorf("within(%v, %v) = %q, want %q", c.x, c.u, got, c.want)
		}
	}
}
