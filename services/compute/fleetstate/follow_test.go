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
// wolf as seldom as asked; a step put in is found.
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
	// Asked: 0.1 a cell-year. Three standard deviations of a Poisson count.
	if want := 0.1 * years; float64(flags) > want+3*math.Sqrt(want) {
		t.Errorf("%d false flags, want about %.1f", flags, want)
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
		var f *Fit
		var err error
		if o.steps, f, err = Follow(h, s); err != nil {
			t.Fatal(err)
		}
		if f, err = Estimate(h, s); err != nil {
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
