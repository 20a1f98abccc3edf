package fleetstate

import (
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/fleet"
)

// While cells are steady the steady innovations are standard normal and
// independent from run to run, so that a CUSUM with drift.LimitFor's limit cries
// wolf as seldom as asked (measured over 30 fleets, 412 cell-years: sd 1.01, 40
// false flags, 0.097 a cell-year of 0.1 asked).
func TestFollowSteady(t *testing.T) {
	fleets := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 4)
	s := DefaultSettings()
	s.MostSessions = 300
	v := calm(s)
	for i := range v.Walk {
		v.Walk[i] = 0
	}
	limit, err := drift.LimitFor(520, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	n, sum, sum2, lag, flags := 0, 0.0, 0.0, 0.0, 0
	for seed := range uint64(fleets) {
		in := truthPlan(500+seed, 60, s, v).invent()
		steps, _, err := Follow(in.h, s)
		if err != nil {
			t.Fatal(err)
		}
		last := map[fleet.CellID]float64{}
		cusum := map[fleet.CellID]*drift.CUSUM{}
		for _, st := range steps {
			if !st.Judged {
				continue
			}
			n++
			sum += st.Steady
			sum2 += st.Steady * st.Steady
			lag += st.Steady * last[st.Cell]
			last[st.Cell] = st.Steady
			c := cusum[st.Cell]
			if c == nil {
				c = &drift.CUSUM{K: 0.5}
				cusum[st.Cell] = c
			}
			c.Add(math.Max(-4, math.Min(4, st.Steady)))
			if c.High > limit || c.Low > limit {
				flags++
				*c = drift.CUSUM{K: 0.5}
			}
		}
	}
	m := float64(n)
	mean, sd, rho := sum/m, math.Sqrt(sum2/m), lag/sum2
	years := m / 52
	t.Logf("%d innovations: mean %.3f sd %.3f lag-one correlation %.3f; %d false flags in %.0f cell-years, %.2f a year", n, mean, sd, rho, flags, years, float64(flags)/years)
	if math.Abs(sd-1) > 0.06 || math.Abs(rho) > 4/math.Sqrt(m) {
		t.Errorf("sd %.3f, lag-one correlation %.3f", sd, rho)
	}
	// Asked: 0.1 a cell-year. Cells share their cars, so that false flags come in
	// groups of some four: three standard deviations of a Poisson count of groups.
	if want := 0.1 * years; float64(flags) > want+3*4*math.Sqrt(want/4) {
		t.Errorf("%d false flags, want about %.1f", flags, want)
	}
}

// A gain step of 1.5 % at week 40 (2.2 standard deviations of a run) is found
// within seven runs.
func TestFollowFindsAStep(t *testing.T) {
	s := DefaultSettings()
	s.MostSessions = 300
	v := calm(s)
	limit, err := drift.LimitFor(520, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(2) {
		_, in := faulty(700+seed, s, v, fleet.FaultGain, func(int) float64 { return 0.015 })
		steps, f, err := Follow(in.h, s)
		if err != nil {
			t.Fatal(err)
		}
		if len(steps) != len(in.h.Runs) {
			t.Errorf("%d steps of %d runs", len(steps), len(in.h.Runs))
		}
		c := drift.CUSUM{K: 0.5}
		found := -1
		runs := 0
		for _, st := range steps {
			if st.Cell != cellID(3) || st.At.Before(visitAt(3, 40)) {
				continue
			}
			runs++
			if c.Add(st.Steady); found < 0 && (c.High > limit || c.Low > limit) {
				found = runs
			}
		}
		t.Logf("found after %d runs", found)
		if found < 1 || found > 7 {
			t.Errorf("found after %d runs, want 1 to 7", found)
		}
		eq, con := f.Equivalences(f.At)
		near(t, "offset at the end", eq[3].Offset, in.offset(3, 59)-con.Value, 0, 1.5*eq[3].U+con.U)
	}
}

// The same steps and estimates, bit for bit, on each run, in whatever order the
// history is given, on however many workers.
func TestDeterministic(t *testing.T) {
	s := DefaultSettings()
	in := truthPlan(3, 14, s, s.Stated()).invent()
	in.h.Restarts = append(in.h.Restarts, Restart{Cell: cellID(2), At: visitAt(2, 7), Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}}, Restart{Car: carID(1), At: visitAt(0, 9)})
	type outcome struct {
		steps []Step
		eq    []Equivalence
		con   Consensus
		pairs []Pair
		v     Variances
		cars  []CarChange
	}
	run := func(h History, workers int) outcome {
		s := s
		s.Workers = workers
		var o outcome
		var err error
		if o.steps, _, err = Follow(h, s); err != nil {
			t.Fatal(err)
		}
		f, err := Estimate(h, s)
		if err != nil {
			t.Fatal(err)
		}
		o.eq, o.con = f.Equivalences(f.At)
		o.pairs = f.Pairs(f.Cells(), f.At)
		o.v = f.Variances
		o.cars = f.Cars(visitAt(0, 1))
		return o
	}
	want := run(in.h, 1)
	r := rand.New(rand.NewPCG(9, 9))
	shuffled := in.h
	shuffled.Runs = append(shuffled.Runs[:0:0], in.h.Runs...)
	shuffled.Observations = append(shuffled.Observations[:0:0], in.h.Observations...)
	r.Shuffle(len(shuffled.Runs), func(i, j int) { shuffled.Runs[i], shuffled.Runs[j] = shuffled.Runs[j], shuffled.Runs[i] })
	r.Shuffle(len(shuffled.Observations), func(i, j int) {
		shuffled.Observations[i], shuffled.Observations[j] = shuffled.Observations[j], shuffled.Observations[i]
	})
	for _, workers := range []int{1, 2, 3} {
		if got := run(shuffled, workers); !reflect.DeepEqual(got, want) {
			t.Errorf("%d workers, shuffled: another outcome", workers)
		}
	}
}
