package drift_test

import (
	"math"
	"os"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
)

func follow(t testing.TB, h drift.History) drift.Followed {
	t.Helper()
	out, err := drift.Follow(h, drift.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// fleets returns how many fleets a truth test simulates; ROLLCALL_FLEETS asks
// for more.
func fleets(t testing.TB, standard int) int {
	if s := os.Getenv("ROLLCALL_FLEETS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	return standard
}

// Without faults: the innovations are standard normal and uncorrelated, the
// CUSUM's false flags come at about the asked rate, and the offsets' U covers.
func TestNoFault(t *testing.T) {
	const weeks = 104
	n := fleets(t, 8)
	flags, cellYears := 0, 0.0
	var sum, sq, lag, judged float64
	covered, estimates := 0.0, 0.0
	carFlags, carSteps := 0, 0
	carCovered, carKnown := 0.0, 0.0
	for seed := range uint64(n) {
		runs, truth := drifttest.Default(weeks, 100+seed).Invent()
		out := follow(t, drift.History{Runs: runs})
		// The CUSUM again, restarted after every flag as closing it would.
		sums := map[string]*drift.CUSUM{}
		before := map[string]float64{}
		centre := mean(truth)
		for k, s := range out.Steps {
			if s.Judged {
				c := sums[string(s.Cell)]
				if c == nil {
					c = &drift.CUSUM{K: 0.5}
					sums[string(s.Cell)] = c
				}
				c.Add(math.Max(-4, math.Min(4, s.Innovation)))
				if c.High > s.Limit || c.Low > s.Limit {
					flags++
					*c = drift.CUSUM{K: 0.5}
				}
				if k >= 12*8 {
					sum += s.Innovation
					sq += s.Innovation * s.Innovation
					lag += s.Innovation * before[string(s.Cell)]
					judged++
				}
				before[string(s.Cell)] = s.Innovation
			}
			if k%12 == 11 && k >= 12*4 {
				c := k % 12
				estimates++
				if math.Abs(s.CellEstimate.Offset-(truth[c]-centre)) <= s.CellEstimate.U {
					covered++
				}
			}
			if s.CarEstimate.Known {
				carSteps++
				if s.CarEstimate.Probability >= 0.95 {
					carFlags++
				}
				carKnown++
				if math.Abs(s.CarEstimate.Change) <= s.CarEstimate.U {
					carCovered++
				}
			}
		}
		cellYears += weeks / 52.0 * 12
	}
	rate := float64(flags) / cellYears
	lo, hi := poisson(flags)
	t.Logf("%d flags in %.0f cell-years: %.3f a cell-year (95 %%: %.3f to %.3f), asked 0.1", flags, cellYears, rate, lo/cellYears, hi/cellYears)
	t.Logf("innovations: mean %.4f, sd %.4f, lag-1 correlation %.4f", sum/judged, math.Sqrt(sq/judged), lag/sq)
	t.Logf("offset's U covers %.1f %% of %0.f", 100*covered/estimates, estimates)
	t.Logf("cars: U covers %.1f %%, flagged in %d of %d steps", 100*carCovered/carKnown, carFlags, carSteps)
	if lo/cellYears > 0.15 || hi/cellYears < 0.05 {
		t.Errorf("false flags at %.3f a cell-year, asked 0.1", rate)
	}
	if sd := math.Sqrt(sq / judged); sd < 0.96 || sd > 1.04 {
		t.Errorf("sd of the innovations %.3f, want 1", sd)
	}
	if share := covered / estimates; share < 0.92 || share > 0.985 {
		t.Errorf("U covers %.3f of the offsets, want 0.95", share)
	}
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// poisson returns the exact 95 % interval of a Poisson mean.
func poisson(n int) (lo, hi float64) {
	if n > 0 {
		lo = distuv.ChiSquared{K: 2 * float64(n)}.Quantile(0.025) / 2
	}
	return lo, distuv.ChiSquared{K: 2*float64(n) + 2}.Quantile(0.975) / 2
}

func BenchmarkFollowOneMore(b *testing.B) {
	runs, _ := drifttest.Default(26, 1).Invent()
	f, err := drift.NewFollower(drift.DefaultSettings())
	if err != nil {
		b.Fatal(err)
	}
	n := len(runs)
	if _, err := f.Follow(drift.History{Runs: runs[:n-12]}); err != nil {
		b.Fatal(err)
	}
	k := 0
	for b.Loop() {
		k = k%12 + 1
		if _, err := f.Follow(drift.History{Runs: runs[:n-12+k]}); err != nil {
			b.Fatal(err)
		}
	}
}

