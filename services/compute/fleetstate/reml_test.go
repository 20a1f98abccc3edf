package fleetstate

import (
	"math"
	"testing"
	"time"

	"gonum.org/v1/gonum/diff/fd"
)

// The slopes equal finite differences of the score, which equals the dense
// likelihood.
func TestGradientAgainstDifferences(t *testing.T) {
	h, s, v := smallPlan()
	s.CarLevel = Prior{SD: 0.3, Freedom: 1}
	v.CarLevel = 0.1
	net, err := begin(h, s)
	if err != nil {
		t.Fatal(err)
	}
	sol, err := net.solve(&v)
	if err != nil {
		t.Fatal(err)
	}
	got := net.gradient(&v, sol)
	x := v.vector()
	logs := make([]float64, len(x))
	for i := range x {
		logs[i] = math.Log(x[i])
	}
	want := fd.Gradient(nil, func(l []float64) float64 {
		y := make([]float64, len(l))
		for i := range l {
			y[i] = math.Exp(l[i])
		}
		v := variancesOf(y)
		sol, err := net.solve(&v)
		if err != nil {
			t.Fatal(err)
		}
		return sol.score
	}, logs, &fd.Settings{Formula: fd.Central, Step: 1e-4})
	for i, name := range s.names() {
		if math.Abs(got.first[i]-want[i]) > 2e-6*(1+math.Abs(want[i])) {
			t.Errorf("slope of %s = %.9g, differences say %.9g", name, got.first[i], want[i])
		}
	}
}

// Errors at a past time, given the whole history, equal the dense prediction.
func TestSmoothAgainstDense(t *testing.T) {
	h, s, v := smallPlan()
	f, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	for _, asked := range []time.Time{visitAt(0, 4).Add(time.Hour), visitAt(0, 6), visitAt(2, 8).Add(-30 * time.Minute), visitAt(2, 13)} {
		want := newDense(t, h, s, v, weekOf(visitAt(2, 14)), weekOf(asked))
		for _, id := range f.Cells() {
			got, ok := f.Smooth(id, []time.Time{asked})
			if !ok {
				continue
			}
			for i := range got[0].Value {
				sd := math.Sqrt(want.pastV[id].At(i, i))
				if d := math.Abs(got[0].Value[i]-want.past[id].At(i, 0)) / sd; d > 1e-8 {
					t.Errorf("%s at %v, error %d: off by %.2g sd", id, asked, i, d)
				}
				for j := range got[0].Value {
					sdj := math.Sqrt(want.pastV[id].At(j, j))
					if d := math.Abs(got[0].Covariance[i][j]-want.pastV[id].At(i, j)) / (sd * sdj); d > 1e-8 {
						t.Errorf("%s at %v, covariance %d %d: off by %.2g", id, asked, i, j, d)
					}
				}
			}
		}
	}
}
