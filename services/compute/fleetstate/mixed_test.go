package fleetstate

import (
	"math"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/fleet"
)

// Values that several errors show in say what the errors themselves say: with
// value R·x and covariance R·V·R' instead of x and V, R invertible, the fleet and
// its likelihood (but for log|R|², which is a constant) are the same.
func TestMixedObservation(t *testing.T) {
	f := drifttest.Default(8, 3)
	f.Cells, f.Cars = 4, 2
	runs, _ := f.Invent()
	r := [2][2]float64{{-1, 1}, {0.3, 0.8}}
	x, v := [2]float64{12, -7}, [2][2]float64{{4, 1}, {1, 2}}
	faults := []fleet.Fault{fleet.FaultZero, fleet.FaultParasitic}
	at := drifttest.At(1, 4).Add(-time.Hour)
	plain := Observation{Cell: drifttest.CellID(1), ID: "o", At: at, Faults: faults, Value: x[:], Covariance: [][]float64{v[0][:], v[1][:]}}
	mixed := Observation{Cell: plain.Cell, ID: "o", At: at, Faults: faults, Response: [][]float64{r[0][:], r[1][:]}}
	for i := range 2 {
		mixed.Value = append(mixed.Value, r[i][0]*x[0]+r[i][1]*x[1])
		row := make([]float64, 2)
		for j := range 2 {
			for a := range 2 {
				for b := range 2 {
					row[j] += r[i][a] * v[a][b] * r[j][b]
				}
			}
		}
		mixed.Covariance = append(mixed.Covariance, row)
	}
	s := DefaultSettings()
	solve := func(o Observation) *Fit {
		fit, err := Solve(History{Runs: runs, Observations: []Observation{o}}, s, s.Stated())
		if err != nil {
			t.Fatal(err)
		}
		return fit
	}
	a, b := solve(plain), solve(mixed)
	ea, _ := a.Errors(plain.Cell, a.At)
	eb, _ := b.Errors(plain.Cell, b.At)
	for i := range ea.Value {
		if math.Abs(ea.Value[i]-eb.Value[i]) > 1e-9*math.Sqrt(ea.Covariance[i][i]) {
			t.Errorf("%v: %g and %g", ea.Faults[i], ea.Value[i], eb.Value[i])
		}
		for j := range ea.Value {
			if d := math.Sqrt(ea.Covariance[i][i] * ea.Covariance[j][j]); math.Abs(ea.Covariance[i][j]-eb.Covariance[i][j]) > 1e-9*d {
				t.Errorf("covariance %d, %d: %g and %g", i, j, ea.Covariance[i][j], eb.Covariance[i][j])
			}
		}
	}
	det := r[0][0]*r[1][1] - r[0][1]*r[1][0]
	if d := b.Score - a.Score - 2*math.Log(math.Abs(det)); math.Abs(d) > 1e-6 {
		t.Errorf("the likelihoods differ by %g", d)
	}
	mixed.Response[1] = []float64{-2, 2}
	if _, err := Solve(History{Runs: runs, Observations: []Observation{mixed}}, s, s.Stated()); err == nil {
		t.Error("no error of dependent responses")
	}
}

// A cause asked for at a moment knows no more of the cell than was known then: a
// step of cell 1 in week 8 is not seen in week 7 and is in week 12, and what it was
// put down to stays when the cell has been mended since.
func TestCauseAt(t *testing.T) {
	f := drifttest.Default(20, 9)
	f.Cells, f.Cars = 6, 3
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == 1 && w >= 8 && w < 14 {
			return fleet.FaultZero, 60
		}
		return fleet.FaultNone, 0
	}
	runs, _ := f.Invent()
	h := History{Runs: runs}
	for w := range 20 {
		x := 0.0
		if w >= 8 && w < 14 {
			x = 60
		}
		h.Observations = append(h.Observations, Observe(drifttest.CellID(1), "zero", drifttest.At(1, w).Add(-time.Hour), fleet.FaultZero, x, 1))
	}
	h.Restarts = []Restart{{Cell: drifttest.CellID(1), At: drifttest.At(1, 14).Add(-2 * time.Hour), Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}}}
	s := DefaultSettings()
	fit, err := Solve(h, s, s.Stated())
	if err != nil {
		t.Fatal(err)
	}
	cs := DefaultCauseSettings()
	before, err := fit.CauseAt(drifttest.CellID(1), drifttest.At(1, 7), cs)
	if err != nil {
		t.Fatal(err)
	}
	if x := before.Causes[0]; x.Fault == fleet.FaultZero && math.Abs(x.Size) > 5 {
		t.Errorf("in week 7: %+v", x)
	}
	after, err := fit.CauseAt(drifttest.CellID(1), drifttest.At(1, 12), cs)
	if err != nil {
		t.Fatal(err)
	}
	x := after.Causes[0]
	if x.Fault != fleet.FaultZero || x.Probability < 0.95 || math.Abs(x.Size-60) > x.U+1 || after.Onset.Before(drifttest.At(1, 7)) || after.Onset.After(drifttest.At(1, 8)) {
		t.Errorf("in week 12: %+v, from %v", x, after.Onset)
	}
	// A check alone can say it: right after the restart, without a run.
	if _, err := fit.CauseAt(drifttest.CellID(1), drifttest.At(1, 14).Add(-30*time.Minute), cs); err != nil {
		t.Errorf("a check and no run: %v", err)
	}
}
