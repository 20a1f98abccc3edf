package baseinertia

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

func is(x float64) *float64 { return &x }

// bay is an invented cell.
func bay() fleet.Cell {
	return fleet.Cell{
		ID: "bay-1", BaseInertia: 1200, LeverArm: 0.35, RollerRadius: 0.25, Parasitic: fleet.Loss{F0: 40, F1: 1.5, F2: 0.05},
		U: fleet.CellUncertainty{LeverArm: 1e-4, RollerRadius: 5e-5, Speed: 2e-4, LoadCell: 5e-4, Parasitic: 3},
	}
}

// coast simulates a run of a mass under a constant set force and a loss by
// Runge–Kutta in speed, dt/dv = −m/(F + loss): no formula of the code under
// test.
func coast(mass, force float64, loss fleet.Loss, from, to float64) float64 {
	const n = 400
	h, t := (to-from)/n, 0.0
	f := func(v float64) float64 { return -mass / (force + loss.At(v)) }
	for k := range n {
		v := from + float64(k)*h
		t += h / 6 * (f(v) + 4*f(v+h/2) + f(v+h))
	}
	return t
}

// runs makes n pairs of runs.
func runs(n int, mass float64, loss fleet.Loss, known func(force float64) float64, noise func() float64) fleet.Check {
	c := fleet.Check{ID: "b", Cell: "bay-1", Kind: fleet.CheckBaseInertia, State: fleet.AsFound, PerformedAt: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	for range n {
		for _, f := range []float64{300, 1500} {
			t := coast(mass, f, loss, 30, 10)
			c.Readings = append(c.Readings, fleet.Reading{SetForce: is(known(f)), From: is(30), To: is(10), Duration: is(t * (1 + noise()))})
		}
	}
	return c
}

func same(f float64) float64 { return f }
func none() float64          { return 0 }

// TestRegulation: the worked example of 40 CFR 1066.250: 1.500 lbf (48.26
// ft·lbm/s²) from 14.67 to 58.67 ft/s in 30.00 s is 32.90 lbm, which is −0.18 %
// from a stated 32.96 lbm.
func TestRegulation(t *testing.T) {
	m := Inertia(48.26, 30.00, 14.67, 58.67)
	if math.Abs(m-32.90) > 0.005 {
		t.Errorf("%v lbm, printed 32.90", m)
	}
	if d := 100 * (math.Round(m*100)/100 - 32.96) / 32.96; math.Abs(d+0.18) > 0.005 {
		t.Errorf("%v %%, printed −0.18", d)
	}
	if valueWithin != 0.01 || meanWithin != 0.002 {
		t.Error("the limits are not those of the regulation")
	}
}

// TestExact: without noise the pairs give the mass, whatever the loss, and the
// loss; also with a registry's loss that is off by a constant.
func TestExact(t *testing.T) {
	cell := bay()
	r := Judge(Input{Check: runs(3, 1200, cell.Parasitic, same, none), Cell: cell})
	if !r.Valid || math.Abs(r.Mass-1200) > 1e-4 || r.Verdict == fleet.VerdictUnusable {
		t.Fatalf("%v kg: %s", r.Mass, r.Reason)
	}
	if math.Abs(r.Parasitic-r.RegistryParasitic) > 1e-3 {
		t.Errorf("parasitic %v, registry %v", r.Parasitic, r.RegistryParasitic)
	}
	off := cell
	off.Parasitic.F0 += 10
	if r := Judge(Input{Check: runs(3, 1200, cell.Parasitic, same, none), Cell: off}); math.Abs(r.Mass/1200-1) > 2e-4 {
		t.Errorf("a constant error of the loss moves the mass to %v", r.Mass)
	}
	// Driven up and slowed down, in pairs.
	var c fleet.Check = runs(0, 1200, cell.Parasitic, same, none)
	for range 3 {
		up := -coast(1200, -900, cell.Parasitic, 30, 10)
		c.Readings = append(c.Readings,
			fleet.Reading{SetForce: is(-900), From: is(10), To: is(30), Duration: is(up)},
			fleet.Reading{SetForce: is(700), From: is(30), To: is(10), Duration: is(coast(1200, 700, cell.Parasitic, 30, 10))})
	}
	if r := Judge(Input{Check: c, Cell: cell}); math.Abs(r.Mass-1200) > 1e-3 {
		t.Errorf("up and down: %v kg: %s", r.Mass, r.Reason)
	}
}

// TestCoverage: the stated U covers the truth in 95 ± 1.5 % of 2000 checks whose
// arms, radius, speed, gain and loss are wrong as their uncertainties say.
func TestCoverage(t *testing.T) {
	for _, c := range []struct {
		name  string
		pairs int
		noise float64
	}{{"scatter as large as the rest", 5, 2e-3}, {"scatter rules, three pairs", 3, 4e-3}, {"the rest rules", 15, 2e-4}} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(20260302, 5))
			cell := bay()
			const n = 2000
			in := 0
			for range n {
				mass := 1200 * (1 + 0.002*rng.NormFloat64())
				loss := cell.Parasitic
				k := 1 + rng.NormFloat64()*cell.U.Parasitic/loss.At(20)
				loss = fleet.Loss{F0: loss.F0 * k, F1: loss.F1 * k, F2: loss.F2 * k}
				scale := 1 + rng.NormFloat64()*5e-4
				scale *= 1 + rng.NormFloat64()*cell.U.LeverArm/cell.LeverArm
				scale *= 1 + rng.NormFloat64()*cell.U.RollerRadius/cell.RollerRadius
				speed := 1 + rng.NormFloat64()*cell.U.Speed
				// The force believed is the true one over scale; speeds believed are
				// the true ones over speed.
				check := runs(c.pairs, mass, loss, func(f float64) float64 { return f / scale }, func() float64 { return c.noise * rng.NormFloat64() })
				for i := range check.Readings {
					r := &check.Readings[i]
					r.From, r.To = is(*r.From/speed), is(*r.To/speed)
				}
				r := Judge(Input{Check: check, Cell: cell, InForce: loadcell.Calibration{UGain: 5e-4}})
				if !r.Valid {
					t.Fatal(r.Reason)
				}
				if math.Abs(r.Mass-mass) <= r.U {
					in++
				}
			}
			share := 100 * float64(in) / n
			t.Logf("base inertia covered in %.2f %% of %d", share, n)
			if math.Abs(share-95) > 1.5 {
				t.Errorf("covered in %.2f %%, want 95 ± 1.5", share)
			}
		})
	}
}

// TestVerdict: against the regulation's limits.
func TestVerdict(t *testing.T) {
	cell := bay()
	cell.U = fleet.CellUncertainty{LeverArm: 1e-6, RollerRadius: 1e-6, Speed: 1e-5, LoadCell: 1e-5}
	for _, c := range []struct {
		mass  float64
		noise float64
		want  fleet.Verdict
	}{{1200, 1e-4, fleet.VerdictPass}, {1200 * 1.005, 1e-4, fleet.VerdictFail}, {1200, 8e-3, fleet.VerdictFail}} {
		rng := rand.New(rand.NewPCG(1, 1))
		r := Judge(Input{Check: runs(30, c.mass, cell.Parasitic, same, func() float64 { return c.noise * rng.NormFloat64() }), Cell: cell})
		if r.Verdict != c.want || len(r.Limits) != 3 {
			t.Errorf("%v kg, noise %v: %s", c.mass, c.noise, r.Reason)
		}
		if !(r.Risk >= 0 && r.Risk <= 1) {
			t.Errorf("risk %v", r.Risk)
		}
	}
	// As left the new value takes the registry's place.
	check := runs(30, 1250, cell.Parasitic, same, none)
	check.State = fleet.AsLeft
	r := Judge(Input{Check: check, Cell: cell})
	if r.Verdict != fleet.VerdictPass || math.Abs(r.Deviation-1250./1200+1) > 1e-6 {
		t.Errorf("as left: %s", r.Reason)
	}
	cell.BaseInertia = 0
	if r := Judge(Input{Check: check, Cell: cell}); r.Verdict != fleet.VerdictPass || !strings.Contains(r.Reason, "the registry has none") {
		t.Errorf("no value: %s", r.Reason)
	}
	// Its budget adds up.
	sum := 0.0
	for _, c := range r.Budget {
		sum += c.Contribution() * c.Contribution()
	}
	if math.Abs(r.K*math.Sqrt(sum)-r.U) > 1e-9*r.U {
		t.Errorf("budget %v, U %v", r.K*math.Sqrt(sum), r.U)
	}
}

func TestUnusable(t *testing.T) {
	cell := bay()
	for _, c := range []struct {
		name string
		do   func(*fleet.Check, *fleet.Cell)
		says string
	}{
		{"no runs", func(c *fleet.Check, _ *fleet.Cell) { c.Readings = nil }, "no runs"},
		{"another kind", func(c *fleet.Check, _ *fleet.Cell) { c.Kind = fleet.CheckZero }, "does not measure"},
		{"another cell", func(c *fleet.Check, _ *fleet.Cell) { c.Cell = "bay-2" }, "made on cell bay-2"},
		{"no force", func(c *fleet.Check, _ *fleet.Cell) { c.Readings[2].SetForce = nil }, "run 3 does not say the force"},
		{"no time", func(c *fleet.Check, _ *fleet.Cell) { c.Readings[2].Duration = nil }, "run 3 does not say the time"},
		{"time of nought", func(c *fleet.Check, _ *fleet.Cell) { c.Readings[2].Duration = is(0) }, "run 3 took 0 s"},
		{"NaN", func(c *fleet.Check, _ *fleet.Cell) { c.Readings[0].From = is(math.NaN()) }, "run 1 gives NaN"},
		{"no change", func(c *fleet.Check, _ *fleet.Cell) { c.Readings[0].To = is(30) }, "has to change"},
		{"sign swapped", func(c *fleet.Check, _ *fleet.Cell) {
			c.Readings[0].From, c.Readings[0].To = is(10), is(30)
		}, "turn its sign"},
		{"times swapped", func(c *fleet.Check, _ *fleet.Cell) {
			c.Readings[0].Duration, c.Readings[1].Duration = c.Readings[1].Duration, c.Readings[0].Duration
		}, "slowed less"},
		{"one force", func(c *fleet.Check, _ *fleet.Cell) {
			for i := range c.Readings {
				c.Readings[i].SetForce = is(300)
			}
		}, "0 pair(s)"},
		{"impossible u", func(_ *fleet.Check, c *fleet.Cell) { c.U.Speed = -1 }, "cannot be combined"},
	} {
		t.Run(c.name, func(t *testing.T) {
			check, cell := runs(3, 1200, cell.Parasitic, same, none), cell
			c.do(&check, &cell)
			r := Judge(Input{Check: check, Cell: cell})
			if r.Verdict != fleet.VerdictUnusable || r.Valid || !strings.Contains(r.Reason, c.says) {
				t.Errorf("%s: %q does not say %q", r.Verdict, r.Reason, c.says)
			}
		})
	}
}
