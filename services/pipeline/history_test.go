package pipeline

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// turning is a registry through time.
type turning struct {
	turns []time.Time
	at    []fleet.Registry
}

func (r turning) At(t time.Time) fleet.Registry {
	out := fleet.Registry{}
	for i, turn := range r.turns {
		if !turn.After(t) {
			out = r.at[i]
		}
	}
	return out
}

func (r turning) EffectiveAt(fleet.CellID, time.Time) time.Time { return r.turns[0] }
func (r turning) Turns() []time.Time                            { return r.turns }

func day(n int) time.Time { return time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC).AddDate(0, 0, n) }

func oneCell() fleet.Cell {
	return fleet.Cell{ID: "a-1", Site: "a", RollerRadius: 0.25, LeverArm: 0.5, BrakeRatio: 3, BaseInertia: 800, LoadCellRange: 5000}
}

func still(cells ...fleet.Cell) *Pipeline {
	r := fleet.Registry{Cells: map[fleet.CellID]fleet.Cell{}, Cars: map[fleet.CarID]fleet.Car{"oak": {ID: "oak", GearRatio: 8}}}
	for _, c := range cells {
		r.Cells[c.ID] = c
	}
	return &Pipeline{registry: turning{[]time.Time{day(0)}, []fleet.Registry{r}}}
}

// weighed is a dead-weight check: zero 2 N ± 1 N, gain 0.4 % ± 0.2 %, of which the
// lever arm has 0.06 % and all else 0.08 % standard; correlation −0.5.
func weighed(id string, at time.Time, state fleet.CheckState) flag.Check {
	return flag.Check{
		Check: fleet.Check{ID: fleet.CheckID(id), Cell: "a-1", Kind: fleet.CheckDeadWeight, State: state, PerformedAt: at},
		Result: loadcell.Result{
			Verdict: fleet.VerdictPass, ZeroError: 2, UZeroError: 1, ZeroValid: true, GainError: 0.004, UGainError: 0.002, GainValid: true,
			GainBudget: []gum.Component{{Name: "lever arm", Sensitivity: 1, U: 0.0006}, {Name: "masses", Sensitivity: 1, U: 0.0008}},
			Line:       loadcell.Calibration{UZero: 0.5, UGain: 0.001, CovZeroGain: -0.5 * 0.5 * 0.001},
			AsLeft:     loadcell.Calibration{Epoch: fleet.EpochID(id), Zero: 2, Gain: 0.004}, AsLeftValid: state == fleet.AsLeft,
		},
	}
}

// What a dead-weight check saw: gain without the lever arm, 0.1 % · 0.8; zero at the
// roller, times 0.5·3/0.25 = 6; their covariance by the line's correlation. Hand
// calculation.
func TestHistoryOfDeadWeights(t *testing.T) {
	p := still(oneCell())
	h := p.historyOf(nil, snapshot{checks: []flag.Check{weighed("one", day(10), fleet.AsFound)}}, nil)
	if len(h.Observations) != 1 || len(h.Restarts) != 0 {
		t.Fatalf("%d observations, %d restarts", len(h.Observations), len(h.Restarts))
	}
	o := h.Observations[0]
	if !slices.Equal(o.Faults, []fleet.Fault{fleet.FaultGain, fleet.FaultZero}) || o.AsLeft || !o.At.Equal(day(10)) || o.Cell != "a-1" {
		t.Errorf("%+v", o)
	}
	near := func(got, want float64) bool { return math.Abs(got-want) <= 1e-12*math.Abs(want) }
	if !near(o.Value[0], 0.004) || !near(o.Value[1], 12) {
		t.Errorf("values %v", o.Value)
	}
	// 0.025 % of 5 kN at an arm six times the roller's radius, the half-width of a rectangle.
	returns := 6 * 1.25 / math.Sqrt(3)
	if c := o.Covariance; !near(c[0][0], 0.0008*0.0008) || !near(c[1][1], 9+returns*returns) || !near(c[0][1], -0.5*0.0008*3) || c[0][1] != c[1][0] {
		t.Errorf("covariance %v", c)
	}
}

// A check as left is of the time after the work and restarts gain and zero; a zero
// as left that moved restarts the zero; what is unusable, or states no U, says
// nothing; a shunt neither.
func TestHistoryOfOtherChecks(t *testing.T) {
	p := still(oneCell())
	left := weighed("left", day(20), fleet.AsLeft)
	left.Check.EffectiveAt = day(21)
	zero := weighed("zero", day(30), fleet.AsLeft)
	zero.Check.Kind, zero.Result.GainValid = fleet.CheckZero, false
	zero.Result.AsLeft.Zero = 40
	bad := weighed("bad", day(31), fleet.AsFound)
	bad.Result.Verdict = fleet.VerdictUnusable
	sure := weighed("sure", day(32), fleet.AsFound)
	sure.Result.UZeroError, sure.Result.UGainError = 0, 0
	shunt := weighed("shunt", day(33), fleet.AsFound)
	shunt.Check.Kind = fleet.CheckShunt
	foreign := weighed("foreign", day(34), fleet.AsFound)
	foreign.Check.Cell = "elsewhere"
	found := flag.Check{
		Check:   fleet.Check{ID: "mass", Cell: "a-1", Kind: fleet.CheckBaseInertia, State: fleet.AsFound, PerformedAt: day(40)},
		Inertia: baseinertia.Result{Verdict: fleet.VerdictFail, Valid: true, Mass: 790, U: 6, Stated: 800},
	}
	taken := found
	taken.Check.ID, taken.Check.State, taken.Check.PerformedAt = "taken", fleet.AsLeft, day(41)
	known := snapshot{
		checks: []flag.Check{left, zero, bad, sure, shunt, foreign, found, taken},
		epochs: map[fleet.CellID]epochs{"a-1": {inertia: []inertiaEpoch{{ID: "taken", Since: day(41), Mass: 790}}, parasitic: []parasiticEpoch{{ID: "pull", Since: day(50)}}}},
		coastDowns: []flag.CoastDown{
			{Cell: "a-1", ID: "pull", At: day(50), Delta: 14, U: 4, Loss: 100}, {Cell: "a-1", ID: "none", At: day(51), Delta: 14},
		},
	}
	h := p.historyOf(nil, known, []flag.Closing{{Cell: "a-1", At: day(60), Reason: "watched"}, {Car: "oak", At: day(61), Reason: "new tyres"}})
	var seen []string
	for _, o := range h.Observations {
		s := fmt.Sprintf("%s %d", o.ID, int(o.At.Sub(day(0)).Hours()/24))
		for i, f := range o.Faults {
			if i >= len(o.Value) { // of a coast-down
				s += fmt.Sprintf(" %v %.4g", f, o.Response[0][i])
				continue
			}
			s += fmt.Sprintf(" %v %.4g u %.4g", f, o.Value[i], math.Sqrt(o.Covariance[i][i]))
		}
		if o.AsLeft {
			s += " left"
		}
		seen = append(seen, s)
	}
	if want := []string{
		"check left 21 load-cell gain 0.004 u 0.0008 load-cell zero 12 u 5.268 left",
		"check zero 30 load-cell zero 12 u 5.268 left",
		"check mass 40 base inertia value 10 u 3",
		"check taken 41 base inertia value 0 u 3 left",
		"coast-down pull 50 parasitic loss 14 u 2 load-cell zero -1 base inertia value 0.125",
	}; !slices.Equal(seen, want) {
		t.Errorf("observations\n%q\nwant\n%q", seen, want)
	}
	want := []fleetstate.Restart{
		{Cell: "a-1", At: day(21), Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}},
		{Cell: "a-1", At: day(30), Faults: []fleet.Fault{fleet.FaultZero}},
		{Cell: "a-1", At: day(60), Faults: []fleet.Fault{}},
		{Car: "oak", At: day(61)},
		{Cell: "a-1", At: day(41), Faults: []fleet.Fault{fleet.FaultInertia}},
		{Cell: "a-1", At: day(50), Faults: []fleet.Fault{fleet.FaultParasitic}},
	}
	if !reflect.DeepEqual(h.Restarts, want) {
		t.Errorf("restarts\n%+v\nwant\n%+v", h.Restarts, want)
	}
	if _, err := fleetstate.Solve(h, fleetstate.DefaultSettings(), fleetstate.DefaultSettings().Stated()); err != nil {
		t.Errorf("the model does not take it: %v", err)
	}
}

// Another value in the registry restarts its own error, another geometry or site
// all of the cell, another entry of a car the car; names and tolerances nothing.
func TestHistoryOfTheRegistry(t *testing.T) {
	var r turning
	cell, car := oneCell(), fleet.Car{ID: "oak", GearRatio: 8}
	turn := func(n int, change func()) {
		change()
		r.turns = append(r.turns, day(n))
		r.at = append(r.at, fleet.Registry{Cells: map[fleet.CellID]fleet.Cell{"a-1": cell}, Cars: map[fleet.CarID]fleet.Car{"oak": car}})
	}
	turn(0, func() {})
	turn(1, func() { cell.Name, cell.Tolerance, car.Name = "A", 0.01, "Oak" })
	turn(2, func() { cell.BaseInertia = 810 })
	turn(3, func() { cell.Parasitic.F0, cell.BaseInertia = 40, 820 })
	turn(4, func() { cell.RollerRadius, cell.BaseInertia = 0.26, 830 })
	turn(5, func() { cell.Site = "b" })
	turn(6, func() { car.TyreRadius = 0.3 })
	p := &Pipeline{registry: r}
	got := p.historyOf(nil, snapshot{}, nil).Restarts
	want := []fleetstate.Restart{
		{Car: "oak", At: day(6)},
		{Cell: "a-1", At: day(2), Faults: []fleet.Fault{fleet.FaultInertia}},
		{Cell: "a-1", At: day(3), Faults: []fleet.Fault{fleet.FaultInertia, fleet.FaultParasitic}},
		{Cell: "a-1", At: day(4)},
		{Cell: "a-1", At: day(5)},
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("restarts\n%+v\nwant\n%+v", got, want)
	}
}

// airRun is a run whose air's pressure is off by a ratio.
func airRun(cell string, at time.Time, off float64) refrun.Run {
	return refrun.Run{
		ID: fleet.RunID(cell + at.String()), Site: "a", Cell: fleet.CellID(cell), Car: "oak", At: at,
		Air: air.Air{Pressure: 100000 * (1 + off), Temperature: 295, Humidity: 0.4}, Pulls: make([]refrun.Pull, 1),
	}
}

// One bad barometer among four cells is told of its own cell and of no other; two
// cells cannot say which and hold it against both; one comparison a visit. SAE J1349's factor goes
// about with 1.18/p_dry: 1 % low pressure reads some 1.2 % high.
func TestHistoryOfAirs(t *testing.T) {
	var runs []refrun.Run
	for w := range 9 {
		for i, off := range []float64{-0.01, 0, 0, 0} {
			runs = append(runs, airRun(fmt.Sprintf("a-%d", i+1), day(7*w).Add(time.Duration(i)*time.Hour), off))
		}
	}
	slices.Reverse(runs)
	count := map[fleet.CellID]int{}
	for _, o := range airsSaw(runs) {
		count[o.Cell]++
		x, u := o.Value[0], math.Sqrt(o.Covariance[0][0])
		if bad := o.Cell == "a-1"; bad && !(x > 0.011 && x < 0.0135) || !bad && math.Abs(x) > 1e-12 {
			t.Errorf("cell %s reads %.3g apart", o.Cell, x)
		}
		// 0.43 % of a run, three others, a median.
		if want := 0.0043 * math.Sqrt(4.0/3*math.Pi/2); math.Abs(u-want) > 1e-9 {
			t.Errorf("cell %s: u %.6g, want %.6g", o.Cell, u, want)
		}
	}
	for _, c := range []fleet.CellID{"a-1", "a-2", "a-3", "a-4"} {
		if count[c] != 9 {
			t.Errorf("cell %s has %d comparisons, want 9", c, count[c])
		}
	}
	two := slices.DeleteFunc(slices.Clone(runs), func(r refrun.Run) bool { return r.Cell > "a-2" })
	for _, o := range airsSaw(two) {
		// The whole difference, held against both.
		x, u := o.Value[0], math.Sqrt(o.Covariance[0][0])
		if o.Cell == "a-2" {
			x = -x
		}
		if !(x > 0.011 && x < 0.0135) || math.Abs(u-0.0043*math.Sqrt2) > 1e-9 {
			t.Errorf("two cells: %s reads %.4g apart, u %.4g", o.Cell, o.Value[0], u)
		}
	}
	apart := slices.Clone(runs)
	for i := range apart {
		apart[i].At = apart[i].At.Add(time.Duration(i) * 24 * time.Hour)
		apart[i].Air.Temperature = 0
	}
	if got := airsSaw(apart); len(got) > 0 {
		t.Errorf("no air: %v", got)
	}
}
