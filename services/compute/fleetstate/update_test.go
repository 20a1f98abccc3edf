package fleetstate

import (
	"math"
	"slices"
	"testing"
	"time"

	"rollcall/services/fleet"
)

// split parts a history at a time.
func split(h History, at time.Time) (before, after History) {
	for _, r := range h.Runs {
		if r.At.Before(at) {
			before.Runs = append(before.Runs, r)
		} else {
			after.Runs = append(after.Runs, r)
		}
	}
	for _, o := range h.Observations {
		if o.At.Before(at) {
			before.Observations = append(before.Observations, o)
		} else {
			after.Observations = append(after.Observations, o)
		}
	}
	for _, r := range h.Restarts {
		if r.At.Before(at) || r.Car != "" {
			before.Restarts = append(before.Restarts, r)
		} else {
			after.Restarts = append(after.Restarts, r)
		}
	}
	return before, after
}

// What Update carries on equals Solve of the whole history: runs, dead weights,
// recalibrations, knots to come, a cell and a car's epoch that are new.
func TestUpdateEqualsSolve(t *testing.T) {
	h, s, v := smallPlan()
	whole, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	for _, weeks := range []int{3, 5, 9, 11} {
		before, after := split(h, visitAt(0, weeks).Add(-time.Hour))
		f, err := Solve(before, s, v)
		if err != nil {
			t.Fatal(err)
		}
		taken, err := f.Update(after)
		if err != nil {
			t.Fatal(err)
		}
		if len(taken) != len(after.Runs) {
			t.Errorf("%d runs taken of %d", len(taken), len(after.Runs))
		}
		if !slices.Equal(f.Cells(), whole.Cells()) {
			t.Fatalf("cells %v, want %v", f.Cells(), whole.Cells())
		}
		worst := 0.0
		end := visitAt(2, 13)
		for _, id := range f.Cells() {
			got, _ := f.Errors(id, end)
			want, _ := whole.Errors(id, end)
			for i := range got.Value {
				sd := math.Sqrt(want.Covariance[i][i])
				worst = math.Max(worst, math.Abs(got.Value[i]-want.Value[i])/sd)
				for j := range got.Value {
					worst = math.Max(worst, math.Abs(got.Covariance[i][j]-want.Covariance[i][j])/(sd*math.Sqrt(want.Covariance[j][j])))
				}
			}
			// The past through Smooth too.
			at := []time.Time{visitAt(2, 10)}
			a, _ := f.Smooth(id, at)
			b, _ := whole.Smooth(id, at)
			for i := range a[0].Value {
				worst = math.Max(worst, math.Abs(a[0].Value[i]-b[0].Value[i])/math.Sqrt(b[0].Covariance[i][i]))
			}
		}
		// A new car's curve is given a wide prior in place of none: 1e-5 of it
		// is left.
		limit := 1e-7
		if weeks < 7 {
			limit = 2e-4
		}
		if worst > limit {
			t.Errorf("from week %d on: off by %.2g sd", weeks, worst)
		}
		t.Logf("from week %d on: off by %.2g sd", weeks, worst)
	}
}

func TestUpdateRefusesThePast(t *testing.T) {
	h, s, v := smallPlan()
	f, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	late := h.Runs[4]
	late.ID, late.At = "late", late.At.Add(time.Minute)
	if _, err := f.Update(History{Runs: h.Runs[4:5]}); err != ErrRefit {
		t.Errorf("a run again: %v", err)
	}
	if _, err := f.Update(History{Restarts: []Restart{{Car: carID(0), At: visitAt(0, 4)}}}); err != ErrRefit {
		t.Errorf("a car's restart in the past: %v", err)
	}
	if _, err := f.Update(History{Observations: []Observation{Observe(cellID(0), "x", visitAt(0, 1), fleet.FaultGain, 0, 1e-3)}}); err != ErrRefit {
		t.Errorf("an old observation: %v", err)
	}
}
