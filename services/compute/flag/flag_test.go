package flag_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/refrun"
	"rollcall/services/compute/watch"
	"rollcall/services/fleet"
)

// bad is the cell that has the fault.
const bad = 4

// registry is the fleet of the tests: 1 % tolerance, arm and radius such that
// 1 N at the lever arm is 2 N at the roller.
func registry(cells int) map[fleet.CellID]fleet.Cell {
	out := map[fleet.CellID]fleet.Cell{}
	for c := range cells {
		id := drifttest.CellID(c)
		out[id] = fleet.Cell{
			ID: id, RollerRadius: 0.25, LeverArm: 0.5, BrakeRatio: 1, BaseInertia: drifttest.BaseInertia,
			LoadCellRange: 2000, Tolerance: 0.01, CheckTolerance: 0.005, ZeroTolerance: 5,
			U: fleet.CellUncertainty{Parasitic: 2},
		}
	}
	return out
}

// observe invents the weekly direct observations of a fleet: dead weights as
// found, empty rollers, barometers. Zero errors are at the lever arm.
func observe(f drifttest.Fleet, seed uint64) (checks []flag.Check, coast []flag.CoastDown, air []flag.Air) {
	r := rand.New(rand.NewPCG(seed, 99))
	for w := range f.Weeks {
		for c := range f.Cells {
			fault, size := fleet.FaultNone, 0.0
			if f.Fault != nil {
				fault, size = f.Fault(c, w)
			}
			of := func(x fleet.Fault) float64 {
				if x == fault {
					return size
				}
				return 0
			}
			at := drifttest.At(c, w).Add(-time.Hour)
			id := fmt.Sprintf("%032x", 7_000_000+w*100+c)
			gain, zero := of(fleet.FaultGain)+0.0004*r.NormFloat64(), of(fleet.FaultZero)/2+0.3*r.NormFloat64()
			verdict := fleet.VerdictPass
			if math.Abs(gain) > 0.005+0.0016 || math.Abs(zero) > 5+1 {
				verdict = fleet.VerdictFail
			}
			checks = append(checks, flag.Check{
				Check: fleet.Check{ID: fleet.CheckID(id), Cell: drifttest.CellID(c), Kind: fleet.CheckDeadWeight, State: fleet.AsFound, PerformedAt: at, PerformedBy: "ada"},
				Result: loadcell.Result{
					Verdict: verdict, GainError: gain, UGainError: 0.0016, GainValid: true,
					ZeroError: zero, UZeroError: 1, ZeroValid: true,
				},
			})
			coast = append(coast, flag.CoastDown{Cell: drifttest.CellID(c), ID: fleet.PullID(id), At: at, Delta: of(fleet.FaultParasitic) + 1*r.NormFloat64(), U: 3})
			air = append(air, flag.Air{Cell: drifttest.CellID(c), At: at, Delta: of(fleet.FaultAir) + 0.0006*r.NormFloat64(), U: 0.0016})
		}
	}
	return checks, coast, air
}

// follow gives in the steps of the runs and the fleet after them.
func follow(t testing.TB, f *watch.Follower, in *flag.Input, runs []refrun.Run) {
	t.Helper()
	if f == nil {
		var err error
		if f, err = watch.NewFollower(watch.DefaultSettings()); err != nil {
			t.Fatal(err)
		}
	}
	h := fleetstate.History{Runs: runs}
	for i := range in.Checks {
		if o, ok := in.Checks[i].Observation(in.Cells[in.Checks[i].Check.Cell]); ok {
			h.Observations = append(h.Observations, o)
		}
	}
	for _, c := range in.CoastDowns {
		// The tests' coast-downs see the loss alone.
		h.Observations = append(h.Observations, fleetstate.Observe(c.Cell, "coast-down "+string(c.ID), c.At, fleet.FaultParasitic, c.Delta, c.U/2))
	}
	for _, a := range in.Airs {
		h.Observations = append(h.Observations, fleetstate.Observe(a.Cell, "air", a.At, fleet.FaultAir, a.Delta, a.U/2))
	}
	for _, r := range flag.Restarts(in.Checks, in.Closings, in.Cells) {
		switch {
		case r.Car != "":
			h.Restarts = append(h.Restarts, fleetstate.Restart{Car: r.Car, At: r.At})
		case r.Adjusted:
			h.Restarts = append(h.Restarts, fleetstate.Restart{Cell: r.Cell, At: r.At, Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}})
		default:
			h.Restarts = append(h.Restarts, fleetstate.Restart{Cell: r.Cell, At: r.At, Faults: []fleet.Fault{}})
		}
	}
	steps, state, err := f.Follow(h, in.Cells)
	if err != nil {
		t.Fatal(err)
	}
	in.Steps, in.State = nil, state
	for _, st := range steps {
		in.Steps = append(in.Steps, st.Step)
	}
}

// decided are the flags of an input whose steps are yet to be made.
func decided(t testing.TB, in flag.Input, runs []refrun.Run) []flag.Flag {
	t.Helper()
	follow(t, nil, &in, runs)
	return flag.Decide(in, flag.DefaultSettings())
}

func find(flags []flag.Flag, match func(flag.Flag) bool) *flag.Flag {
	for i := range flags {
		if match(flags[i]) {
			return &flags[i]
		}
	}
	return nil
}

func ofCell(c int) func(flag.Flag) bool {
	return func(f flag.Flag) bool { return f.Cell == drifttest.CellID(c) }
}

type faultCase struct {
	name  string
	fault fleet.Fault
	size  func(w int) float64
}

const startWeek = 12

var faultCases = []faultCase{
	{"gain drift 0.15 % a week", fleet.FaultGain, func(w int) float64 { return 0.0015 * float64(w-startWeek+1) }},
	{"zero step 24 N", fleet.FaultZero, func(int) float64 { return 24 }},
	{"bearing drag growing to 30 N", fleet.FaultParasitic, func(w int) float64 { return math.Min(30, 6*float64(w-startWeek+1)) }},
	{"air sensor 1 %", fleet.FaultAir, func(int) float64 { return -0.01 }},
}

// A fault of one cell is flagged with its cause. Two sets: with the weekly
// direct observations, and from the reference runs' curves alone, where gain
// and air, and zero and drag, are hardly or not separable: there the figures are
// reported, nothing is asked.
//
// Measured over one fleet and four faults: flagged and cause right in 4 of 4, with
// the observations and from curves alone, mean probability of the true one 0.73.
func TestCause(t *testing.T) {
	const weeks = 24
	n := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 4)
	right, flagged := 0, 0
	var honest, claimed float64
	alone := 0
	otherFlags := 0
	for seed := range uint64(n) {
		f := drifttest.Default(weeks, 40+seed)
		for _, c := range faultCases {
			f.Fault = func(cell, w int) (fleet.Fault, float64) {
				if cell != bad || w < startWeek {
					return fleet.FaultNone, 0
				}
				return c.fault, c.size(w)
			}
			runs, _ := f.Invent()
			in := flag.Input{Cells: registry(f.Cells)}
			in.Checks, in.CoastDowns, in.Airs = observe(f, seed)
			flags := decided(t, in, runs)
			got := find(flags, ofCell(bad))
			for _, o := range flags {
				if o.Cell != drifttest.CellID(bad) {
					otherFlags++
				}
			}
			if got == nil {
				t.Logf("seed %d %s: not flagged", seed, c.name)
			} else {
				flagged++
				if got.Causes[0].Fault == c.fault {
					right++
				} else {
					t.Logf("seed %d %s: %v, %s", seed, c.name, got.Causes[:3], got.Evidence)
				}
			}
			in.Checks, in.CoastDowns, in.Airs = nil, nil, nil
			if got := find(decided(t, in, runs), ofCell(bad)); got != nil {
				alone++
				for _, x := range got.Causes {
					if x.Fault == c.fault {
						claimed += x.Probability
					}
				}
				if got.Causes[0].Fault == c.fault {
					honest++
				}
				if seed == 0 {
					t.Logf("curves alone, %s: %s p = %.2f, %s p = %.2f; next: %s", c.name,
						got.Causes[0].Fault, got.Causes[0].Probability, got.Causes[1].Fault, got.Causes[1].Probability, got.NextCheck)
				}
			}
		}
	}
	total := n * len(faultCases)
	t.Logf("flagged %d of %d, cause right in %d; flags on others %d", flagged, total, right, otherFlags)
	t.Logf("curves alone: flagged %d, cause right in %.0f, mean probability of the true one %.2f", alone, honest, claimed/float64(alone))
	if flagged < total*9/10 {
		t.Errorf("flagged %d of %d", flagged, total)
	}
	if float64(right) < 0.85*float64(flagged) {
		t.Errorf("cause right in %d of %d", right, flagged)
	}
}

// A tired car is flagged as the car.
func TestTiredCar(t *testing.T) {
	f := drifttest.Default(26, 3)
	f.CellSD = 0.003 // no cell is out of tolerance by itself
	f.Fade = func(car, w int) float64 {
		if car == 2 {
			return -0.001 * float64(w)
		}
		return 0
	}
	runs, _ := f.Invent()
	in := flag.Input{Cells: registry(f.Cells)}
	in.Checks, in.CoastDowns, in.Airs = observe(f, 3)
	flags := decided(t, in, runs)
	got := find(flags, func(f flag.Flag) bool { return f.Car == drifttest.CarID(2) })
	if got == nil {
		t.Fatalf("the tired car has no flag: %+v", flags)
	}
	if got.Kind != flag.ReferenceCar || !got.Open || math.Abs(got.Size+0.023) > got.U || got.Causes[0].Fault != fleet.FaultReferenceCar {
		t.Errorf("%+v", *got)
	}
	// One false flag in ten cell-years: three and more in these six come once in 40.
	cellFlags := 0
	for _, o := range flags {
		if o.Car != "" && o.Car != drifttest.CarID(2) {
			t.Errorf("another car's flag: %+v", o)
		}
		if o.Cell != "" {
			cellFlags++
			if c := o.Causes[0]; c.Probability >= 0.95 && c.Fault != fleet.FaultReferenceCar {
				t.Errorf("a cell is blamed for sure: %+v", o)
			}
		}
	}
	if cellFlags > 2 {
		t.Errorf("%d cells flagged while a car tires", cellFlags)
	}
	// A signed closing closes it, and its restart keeps it closed.
	closing := flag.Closing{Flag: got.ID, Car: got.Car, At: drifttest.At(0, 24), By: "grace", Reason: "new injectors, accepted as it is"}
	in.Closings = []flag.Closing{closing}
	again := decided(t, in, runs)
	if g := find(again, func(f flag.Flag) bool { return f.Car == drifttest.CarID(2) && f.Open }); g != nil {
		t.Errorf("open again: %+v", *g)
	}
	g := find(again, func(f flag.Flag) bool { return f.ID == got.ID })
	if g == nil || g.Open || g.ClosedBy != "grace" {
		t.Errorf("not closed: %+v", g)
	}
}

// A car that changes in one jump (new tyres, 2 %) is flagged, and where cells
// it visits are too, no fault of the cell is named as more likely than not.
func TestCarJump(t *testing.T) {
	cells, car, wrong := 0, 0, 0
	for seed := range uint64(3) {
		f := drifttest.Default(20, 70+seed)
		f.Fade = func(car, w int) float64 {
			if car == 1 && w >= 13 {
				return 0.02
			}
			return 0
		}
		runs, _ := f.Invent()
		in := flag.Input{Cells: registry(f.Cells)}
		in.Checks, in.CoastDowns, in.Airs = observe(f, seed)
		for _, x := range decided(t, in, runs) {
			if x.Car == drifttest.CarID(1) {
				car++
			}
			if x.Cell != "" {
				cells++
				if x.Causes[0].Fault != fleet.FaultReferenceCar && x.Causes[0].Fault != fleet.FaultNone && x.Causes[0].Probability >= 0.5 {
					wrong++
					t.Logf("cell %s: %v", x.Cell, x.Causes[:2])
				}
			}
		}
	}
	t.Logf("car flagged in %d of 3 fleets, %d cells flagged", car, cells)
	if wrong > cells/4 {
		t.Errorf("%d of %d cells blamed for the car's jump", wrong, cells)
	}
	if car < 3 {
		t.Errorf("the car is flagged in %d of 3 fleets", car)
	}
}

// The life of a flag: opened by the CUSUM, upgraded, closed by a check as left,
// with a stable id, and not open again.
func TestLife(t *testing.T) {
	f := drifttest.Default(30, 8)
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == bad && w >= startWeek && w < 24 {
			return fleet.FaultGain, 0.004 * float64(w-startWeek+1)
		}
		return fleet.FaultNone, 0
	}
	runs, _ := f.Invent()
	cells := registry(f.Cells)
	left := flag.Check{
		Check: fleet.Check{ID: "left", Cell: drifttest.CellID(bad), Kind: fleet.CheckDeadWeight, State: fleet.AsLeft,
			PerformedAt: drifttest.At(bad, 24).Add(-time.Hour), PerformedBy: "ada"},
		Result: loadcell.Result{Verdict: fleet.VerdictConditionalPass, AsLeftValid: true,
			AsLeft: loadcell.Calibration{Epoch: "left", Gain: 0.024}},
	}
	run := func(checks []flag.Check, closings []flag.Closing, order func([]drift.Step)) []flag.Flag {
		in := flag.Input{Checks: checks, Closings: closings, Cells: cells}
		follow(t, nil, &in, runs)
		if order != nil {
			order(in.Steps)
		}
		return flag.Decide(in, flag.DefaultSettings())
	}
	flags := run([]flag.Check{left}, nil, nil)
	var mine []flag.Flag
	for _, x := range flags {
		if x.Cell == drifttest.CellID(bad) {
			mine = append(mine, x)
		}
	}
	if len(mine) != 1 {
		t.Fatalf("%d flags, want 1: %+v", len(mine), mine)
	}
	x := mine[0]
	if x.Open || x.ClosedBy != "ada" || x.ClosedReason != "dead weight check as left: conditional pass" || !x.ClosedAt.Equal(left.Check.PerformedAt) {
		t.Errorf("closing: %+v", x)
	}
	var lived []string
	for _, e := range x.Life {
		lived = append(lived, string(e.What)+" "+string(e.Kind))
	}
	if want := []string{"opened drifting", "updated recalibrate", "closed recalibrate"}; !slices.Equal(lived, want) {
		t.Errorf("life %v, want %v", lived, want)
	}
	week := func(at time.Time) int { return int(at.Sub(drifttest.Start) / drift.Week) }
	if w := week(x.FirstEvidenceAt); w < startWeek-2 || w > startWeek+3 {
		t.Errorf("first evidence in week %d, the fault began in week %d", w, startWeek)
	}
	if !x.LastGoodAt.Before(x.FirstEvidenceAt) || x.LastGoodAt.IsZero() {
		t.Errorf("last good %v, first evidence %v", x.LastGoodAt, x.FirstEvidenceAt)
	}
	if len(x.ID) != 32 {
		t.Errorf("id %q", x.ID)
	}
	if !strings.Contains(x.Evidence, "tolerance 1.00 %") {
		t.Errorf("evidence %q", x.Evidence)
	}
	// Recomputed, from steps in another order: the same.
	if again := run([]flag.Check{left}, nil, slices.Reverse[[]drift.Step]); !reflect.DeepEqual(again, flags) {
		t.Error("the order of the steps matters")
	}
	// Open, without the check; then closed by a signature that names another id
	// but the cell, as after a late run.
	openFlags := run(nil, nil, nil)
	o := find(openFlags, ofCell(bad))
	if o == nil || o.ID != x.ID {
		t.Fatalf("another id without the check: %+v", o)
	}
	signed := flag.Closing{Flag: "gone", Cell: drifttest.CellID(bad), At: drifttest.At(bad, 20), By: "grace", Reason: "rollers locked for repair"}
	s := find(run(nil, []flag.Closing{signed}, nil), ofCell(bad))
	if s.Open || s.ClosedReason != signed.Reason || s.ClosedBy != "grace" {
		t.Errorf("signed closing: %+v", s)
	}
}

// A failed check as found flags by itself; a failed check as left closes
// nothing; a shunt flags nothing.
func TestFailedCheck(t *testing.T) {
	cells := registry(1)
	check := func(id string, kind fleet.CheckKind, state fleet.CheckState, day int, v fleet.Verdict) flag.Check {
		return flag.Check{
			Check:  fleet.Check{ID: fleet.CheckID(id), Cell: drifttest.CellID(0), Kind: kind, State: state, PerformedAt: drifttest.Start.AddDate(0, 0, day), PerformedBy: "ada"},
			Result: loadcell.Result{Verdict: v, GainError: 0.012, UGainError: 0.002, GainValid: kind == fleet.CheckDeadWeight, ZeroError: 9, UZeroError: 1, ZeroValid: kind != fleet.CheckShunt},
		}
	}
	cases := []struct {
		name   string
		checks []flag.Check
		open   []bool
	}{
		{"dead weights fail", []flag.Check{check("a", fleet.CheckDeadWeight, fleet.AsFound, 1, fleet.VerdictFail)}, []bool{true}},
		{"zero fails", []flag.Check{check("a", fleet.CheckZero, fleet.AsFound, 1, fleet.VerdictFail)}, []bool{true}},
		{"shunt fails", []flag.Check{check("a", fleet.CheckShunt, fleet.AsFound, 1, fleet.VerdictFail)}, nil},
		{"conditional fail", []flag.Check{check("a", fleet.CheckDeadWeight, fleet.AsFound, 1, fleet.VerdictConditionalFail)}, nil},
		{"fails as left", []flag.Check{check("a", fleet.CheckDeadWeight, fleet.AsFound, 1, fleet.VerdictFail),
			check("b", fleet.CheckDeadWeight, fleet.AsLeft, 2, fleet.VerdictFail)}, []bool{true}},
		{"fails, mended, fails", []flag.Check{check("a", fleet.CheckDeadWeight, fleet.AsFound, 1, fleet.VerdictFail),
			check("b", fleet.CheckDeadWeight, fleet.AsLeft, 2, fleet.VerdictPass),
			check("c", fleet.CheckDeadWeight, fleet.AsFound, 9, fleet.VerdictFail)}, []bool{false, true}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			flags := decided(t, flag.Input{Checks: c.checks, Cells: cells}, nil)
			var open []bool
			for _, f := range flags {
				open = append(open, f.Open)
				if f.Kind != flag.Recalibrate || f.Evidence == "" && f.Open {
					t.Errorf("%+v", f)
				}
				if len(f.Causes) == 0 {
					t.Error("no cause")
				}
			}
			if !slices.Equal(open, c.open) {
				t.Errorf("open %v, want %v", open, c.open)
			}
		})
	}
	// The cause of a failed zero is the zero, stated at the arm as the check
	// does, of a failed gain the gain.
	f := decided(t, flag.Input{Checks: []flag.Check{check("a", fleet.CheckZero, fleet.AsFound, 1, fleet.VerdictFail)}, Cells: cells}, nil)[0]
	if c := f.Causes[0]; c.Fault != fleet.FaultZero || math.Abs(c.Size-9) > c.U || c.Unit != flag.AtArm {
		t.Errorf("zero check: %+v", c)
	}
	g := check("a", fleet.CheckDeadWeight, fleet.AsFound, 1, fleet.VerdictFail)
	g.Result.ZeroError = 0
	f = decided(t, flag.Input{Checks: []flag.Check{g}, Cells: cells}, nil)[0]
	if c := f.Causes[0]; c.Fault != fleet.FaultGain || math.Abs(c.Size-0.012) > c.U || f.Size != 0.012 {
		t.Errorf("dead weights: %+v", f)
	}
}

// From curves alone, the check that is asked for is one that sees one of the faults
// directly that may well be the cause.
func TestNextCheck(t *testing.T) {
	f := drifttest.Default(22, 12)
	sees := map[fleet.Fault][]string{
		fleet.FaultGain:         {flag.DeadWeights, flag.RampRate},
		fleet.FaultZero:         {flag.ZeroCheck, flag.DeadWeights},
		fleet.FaultInertia:      {flag.RampRate, flag.MeasureInertia},
		fleet.FaultParasitic:    {flag.CoastDowns},
		fleet.FaultAir:          {flag.Barometer},
		fleet.FaultReferenceCar: {flag.OtherCar},
	}
	asked := map[string]bool{}
	for _, c := range []struct {
		fault fleet.Fault
		size  float64
	}{{fleet.FaultGain, 0.02}, {fleet.FaultZero, 40}, {fleet.FaultInertia, 60}, {fleet.FaultParasitic, 40}, {fleet.FaultAir, 0.02}} {
		f.Fault = func(cell, w int) (fleet.Fault, float64) {
			if cell == bad && w >= startWeek {
				return c.fault, c.size
			}
			return fleet.FaultNone, 0
		}
		runs, _ := f.Invent()
		got := find(decided(t, flag.Input{Cells: registry(f.Cells)}, runs), ofCell(bad))
		if got == nil {
			t.Fatalf("%v not flagged", c.fault)
		}
		t.Logf("%v: %v p = %.2f, %v p = %.2f: %s", c.fault, got.Causes[0].Fault, got.Causes[0].Probability, got.Causes[1].Fault, got.Causes[1].Probability, got.NextCheck)
		asked[got.NextCheck] = true
		var useful []string
		for _, x := range got.Causes {
			if x.Probability >= 0.1 {
				useful = append(useful, sees[x.Fault]...)
			}
		}
		if !slices.Contains(useful, got.NextCheck) {
			t.Errorf("%v: next check %q between %v and %v", c.fault, got.NextCheck, got.Causes[0], got.Causes[1])
		}
	}
	if len(asked) < 2 {
		t.Errorf("only ever asks for %v", asked)
	}
}

// Once a direct check has failed or been decisive and the cause is known, what
// is asked for is what mends it, and no check is asked for twice.
func TestNextAction(t *testing.T) {
	f := drifttest.Default(24, 31)
	want := map[fleet.Fault]string{
		fleet.FaultGain: flag.RecalibrateNow, fleet.FaultZero: flag.RecalibrateNow,
		fleet.FaultParasitic: flag.MendDrag, fleet.FaultAir: flag.MendAir,
	}
	for _, c := range []faultCase{
		{"gain", fleet.FaultGain, func(int) float64 { return 0.02 }},
		{"zero", fleet.FaultZero, func(int) float64 { return 40 }},
		{"drag", fleet.FaultParasitic, func(int) float64 { return 40 }},
		{"air", fleet.FaultAir, func(int) float64 { return 0.02 }},
	} {
		f.Fault = func(cell, w int) (fleet.Fault, float64) {
			if cell == bad && w >= startWeek {
				return c.fault, c.size(w)
			}
			return fleet.FaultNone, 0
		}
		runs, _ := f.Invent()
		in := flag.Input{Cells: registry(f.Cells)}
		in.Checks, in.CoastDowns, in.Airs = observe(f, 31)
		got := find(decided(t, in, runs), ofCell(bad))
		if got == nil {
			t.Fatalf("%s: not flagged", c.name)
		}
		if got.Causes[0].Fault != c.fault || got.NextCheck != want[c.fault] {
			t.Errorf("%s: %v p = %.3f, next %q, want %q", c.name, got.Causes[0].Fault, got.Causes[0].Probability, got.NextCheck, want[c.fault])
		}
		if c.fault == fleet.FaultZero {
			// 40 N at the roller are 20 N at the arm.
			if x := got.Causes[0]; x.Unit != flag.AtArm || math.Abs(x.Size-20) > x.U {
				t.Errorf("zero: %+v", x)
			}
		}
		if c.fault == fleet.FaultParasitic && got.Causes[0].Unit != flag.AtRoller {
			t.Errorf("drag: %+v", got.Causes[0])
		}
	}
}

// The first evidence is near the beginning of a change: a step of 1.5 sd of a
// run (0.62 %), a ramp of 0.15 % a week, and the stated 95 % hold it.
func TestFirstEvidence(t *testing.T) {
	const weeks, start = 34, 16
	n := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 12)
	for _, c := range []struct {
		name   string
		size   func(w int) float64
		median int
	}{
		// 1.5·√(0.4² + 0.25²/4) %.
		{"step", func(int) float64 { return 0.0063 }, 1},
		{"ramp", func(w int) float64 { return 0.0015 * float64(w-start+1) }, 3},
	} {
		var errors, before []int
		held := 0
		for seed := range uint64(n) {
			f := drifttest.Default(weeks, 300+seed)
			f.Fault = func(cell, w int) (fleet.Fault, float64) {
				if cell == bad && w >= start {
					return fleet.FaultAir, c.size(w)
				}
				return fleet.FaultNone, 0
			}
			runs, _ := f.Invent()
			got := find(decided(t, flag.Input{Cells: registry(f.Cells)}, runs),
				func(x flag.Flag) bool {
					return x.Cell == drifttest.CellID(bad) && x.OpenedAt.After(drifttest.At(bad, start-1))
				})
			if got == nil {
				continue
			}
			week := func(at time.Time) int { return int(at.Sub(drifttest.Start) / drift.Week) }
			e := week(got.FirstEvidenceAt) - start
			errors = append(errors, max(e, -e))
			before = append(before, e)
			if week(got.EarliestAt) <= start && start <= week(got.LatestAt) {
				held++
			}
			if !got.LastGoodAt.Before(got.FirstEvidenceAt) || got.EarliestAt.After(got.FirstEvidenceAt) || got.FirstEvidenceAt.After(got.LatestAt) {
				t.Errorf("seed %d: last good %v, first evidence %v from %v to %v", seed, got.LastGoodAt, got.FirstEvidenceAt, got.EarliestAt, got.LatestAt)
			}
		}
		slices.Sort(errors)
		t.Logf("%s: %d of %d flagged, errors in runs %v, median %d; the 95 %% hold %d", c.name, len(errors), n, before, errors[len(errors)/2], held)
		// The median of a few fleets, as under the race detector, says little.
		if m := errors[len(errors)/2]; len(errors) >= 8 && m > c.median {
			t.Errorf("%s: median error %d runs, want at most %d", c.name, m, c.median)
		}
		// Of 11 and at 95 %, 8 and fewer come once in 600.
		if len(errors) >= 8 && float64(held) < 0.8*float64(len(errors)) {
			t.Errorf("%s: the 95 %% hold %d of %d", c.name, held, len(errors))
		}
	}
}
