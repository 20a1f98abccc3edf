package fleetstate

import (
	"math"
	"os"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/gum"
)

// truthPlan is the fleet of the demonstration: twelve cells, four cars, a year.
func truthPlan(seed uint64, weeks int, s Settings, v Variances) plan {
	return plan{cells: 12, cars: 4, weeks: weeks, seed: seed, v: v, faults: s.Faults, checkEvery: 4}
}

// share returns hits/n and fails t when it lies further than three standard
// deviations of a binomial share outside low … high.
func share(t *testing.T, what string, hits, n int, low, high float64) {
	t.Helper()
	p := float64(hits) / float64(n)
	// Cells of one fleet share its cars: a quarter of the number counts.
	room := 3 * math.Sqrt(0.95*0.05/(float64(n)/4))
	t.Logf("%s: %.1f %% of %d", what, 100*p, n)
	if p < low-room || p > high+room {
		t.Errorf("%s: %.1f %% of %d, want %.1f to %.1f %%", what, 100*p, n, 100*low, 100*high)
	}
}

// Stated 95 % intervals hold the truth in 95 % of seeded fleets: of each error,
// of the offset from the consensus, of pairs, today and (errors) half a year
// back, at the true variances and at those that the fleet itself tells.
func TestCoverage(t *testing.T) {
	fleets := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 16)
	s := DefaultSettings()
	truth := s.Stated()
	for i := range truth.Walk {
		// Not what the settings state: livelier walks, calmer sessions.
		truth.Walk[i] *= 2
	}
	truth.Session /= 2
	const weeks, z95 = 52, 1.959963984540054
	for _, own := range []bool{false, true} {
		var errorHit, errorN, offsetHit, offsetN, pairHit, pairN, pastHit, pastN, thenHit int
		n := fleets
		if own {
			n = max(1, fleets/4)
		}
		for seed := range n {
			in := truthPlan(uint64(seed), weeks, s, truth).invent()
			var f *Fit
			var err error
			if own {
				f, err = Estimate(in.h, s)
			} else {
				f, err = Solve(in.h, s, truth)
			}
			if err != nil {
				t.Fatal(err)
			}
			eq, _ := f.Equivalences(f.At)
			var real []float64
			for c := range 12 {
				real = append(real, in.offset(c, weeks-1))
			}
			centre, _, _ := gum.RobustCentre(real)
			for c := range 12 {
				e, ok := f.Errors(cellID(c), f.At)
				if !ok {
					t.Fatal("no errors")
				}
				then, ok := f.Offsets(cellID(c), []time.Time{visitAt(c, 26)})
				if !ok {
					t.Fatal("no past")
				}
				if math.Abs(then[0].Offset-(in.offset(c, 26)-centre)) <= z95/2*then[0].U {
					thenHit++
				}
				past, ok := f.Smooth(cellID(c), []time.Time{visitAt(c, 26)})
				if !ok {
					t.Fatal("no past")
				}
				for i := range e.Value {
					errorN++
					if math.Abs(e.Value[i]-in.x[c][weeks-1][i]) <= z95*math.Sqrt(e.Covariance[i][i]) {
						errorHit++
					}
					pastN++
					if math.Abs(past[0].Value[i]-in.x[c][26][i]) <= z95*math.Sqrt(past[0].Covariance[i][i]) {
						pastHit++
					}
				}
				offsetN++
				if math.Abs(eq[c].Offset-(real[c]-centre)) <= z95/2*eq[c].U {
					offsetHit++
				}
			}
			for _, p := range f.Pairs(f.Cells(), f.At) {
				pairN++
				a, _ := f.cellPlace(p.A)
				b, _ := f.cellPlace(p.B)
				if math.Abs(p.Difference-(real[a]-real[b])) <= z95/2*p.U {
					pairHit++
				}
			}
		}
		name := map[bool]string{false: "true variances, ", true: "own variances, "}[own]
		share(t, name+"errors", errorHit, errorN, 0.95, 0.95)
		share(t, name+"errors half a year ago", pastHit, pastN, 0.95, 0.95)
		share(t, name+"offsets", offsetHit, offsetN, 0.94, 0.96)
		share(t, name+"offsets half a year ago", thenHit, offsetN, 0.94, 0.98)
		share(t, name+"pairs", pairHit, pairN, 0.95, 0.95)
	}
}
