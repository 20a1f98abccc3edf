package fleetstate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/diff/fd"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
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

// A pull's own force is as noisy as its y, and its signatures hold that force. With no
// check that sees the zero, the variances are found all the same.
func TestNoiseInSignatures(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	p := plan{
		cells: 12, cars: 4, weeks: 40, points: 12, pulls: 4, seed: 9, v: v, faults: s.Faults,
		hand: func(r *refrun.Run, _ *rand.Rand) {
			for i := range r.Pulls {
				pull := &r.Pulls[i]
				pull.Force = make([]float64, len(pull.Y))
				for k, y := range pull.Y {
					pull.Force[k] = math.Exp(y)
					over := 1 / (pull.Signature[fleet.FaultZero][k] * pull.Force[k]) // true force over the pull's
					for f, sig := range pull.Signature {
						switch f {
						case fleet.FaultGain:
							sig[k] = 1 - (1-sig[k])*over
						case fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic:
							sig[k] *= over
						}
					}
				}
			}
		},
	}
	f, err := Estimate(p.invent().h, s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "point", math.Sqrt(f.Variances.Point), math.Sqrt(v.Point), 0.03, 0)
	near(t, "pull", math.Sqrt(f.Variances.Pull), math.Sqrt(v.Pull), 0.08, 0)
	near(t, "session", math.Sqrt(f.Variances.Session), math.Sqrt(v.Session), 0.15, 0)
	for i, m := range s.Faults {
		if got := math.Sqrt(f.Variances.Start[i]); got > 2*m.Start.SD {
			t.Errorf("%v starts with %.3g, stated are %.3g", m.Fault, got, m.Start.SD)
		}
	}
}
