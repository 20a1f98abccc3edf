package watch

import (
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

func registry(cells int) map[fleet.CellID]fleet.Cell {
	out := map[fleet.CellID]fleet.Cell{}
	for c := range cells {
		out[drifttest.CellID(c)] = fleet.Cell{ID: drifttest.CellID(c), Tolerance: 0.01}
	}
	return out
}

// history is a small fleet with a gain step of 2 % of cell 1 in week 10, checks
// of it, and a recalibration in week 16.
func history(weeks int) fleetstate.History {
	const stepWeek, mended = 10, 16
	f := drifttest.Default(weeks, 5)
	f.Cells, f.Cars = 6, 3
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == 1 && w >= stepWeek && w < mended {
			return fleet.FaultGain, 0.02
		}
		return fleet.FaultNone, 0
	}
	runs, _ := f.Invent()
	h := fleetstate.History{Runs: runs}
	for w := 0; w < weeks; w += 2 {
		x := 0.0
		if w >= stepWeek && w < mended {
			x = 0.02
		}
		at := drifttest.At(1, w).Add(-time.Hour)
		h.Observations = append(h.Observations, fleetstate.Observe(drifttest.CellID(1), "check "+at.String(), at, fleet.FaultGain, x, 0.001))
	}
	h.Restarts = []fleetstate.Restart{{Cell: drifttest.CellID(1), At: drifttest.At(1, mended).Add(-30 * time.Minute), Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}}}
	return h
}

// A Follower that was given the history piece by piece, a run late, a check
// corrected and taken back, and everything in another order, says bit for bit what
// a new one says of the whole.
func TestMemory(t *testing.T) {
	h := history(20)
	fresh := func(h fleetstate.History) []Step {
		f, err := NewFollower(DefaultSettings())
		if err != nil {
			t.Fatal(err)
		}
		steps, _, err := f.Follow(h, registry(6))
		if err != nil {
			t.Fatal(err)
		}
		return slices.Clone(steps)
	}
	want := fresh(h)
	if len(want) != len(h.Runs) {
		t.Fatalf("%d steps of %d runs", len(want), len(h.Runs))
	}
	f, err := NewFollower(DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	follow := func(h fleetstate.History) []Step {
		steps, _, err := f.Follow(h, registry(6))
		if err != nil {
			t.Fatal(err)
		}
		return steps
	}
	// All but the last run and one of a week before; the check of week 18 wrong.
	some := h
	some.Runs = slices.Delete(slices.Clone(h.Runs), len(h.Runs)-1, len(h.Runs))
	late := len(some.Runs) - 9
	some.Runs = slices.Delete(some.Runs, late, late+1)
	some.Observations = slices.Clone(h.Observations)
	some.Observations[9].Value = []float64{0.004}
	if got := follow(some); !reflect.DeepEqual(got, fresh(some)) {
		t.Error("the first part differs")
	}
	turned := fleetstate.History{Runs: slices.Clone(h.Runs), Observations: slices.Clone(h.Observations), Restarts: h.Restarts}
	slices.Reverse(turned.Runs)
	slices.Reverse(turned.Observations)
	got := slices.Clone(follow(turned))
	if !reflect.DeepEqual(got, want) {
		t.Error("given piece by piece and in another order it differs")
	}
	// Half of it is gone again, as after records set aside.
	half := fleetstate.History{Runs: h.Runs[:60], Observations: h.Observations[:4]}
	if got := follow(half); !reflect.DeepEqual(got, fresh(half)) {
		t.Error("shorter again it differs")
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("what was returned before has changed")
	}
}

// Steps are causal: those of a part of the history are the first of the whole.
func TestCausal(t *testing.T) {
	h := history(14)
	f, err := NewFollower(DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	whole, _, err := f.Follow(h, registry(6))
	if err != nil {
		t.Fatal(err)
	}
	until := h.Runs[50].At
	part := fleetstate.History{
		Runs:         slices.DeleteFunc(slices.Clone(h.Runs), func(r refrun.Run) bool { return r.At.After(until) }),
		Observations: slices.DeleteFunc(slices.Clone(h.Observations), func(o fleetstate.Observation) bool { return o.At.After(until) }),
	}
	if f, err = NewFollower(DefaultSettings()); err != nil {
		t.Fatal(err)
	}
	first, _, err := f.Follow(part, registry(6))
	if err != nil {
		t.Fatal(err)
	}
	if len(first) == 0 || !reflect.DeepEqual(first, whole[:len(first)]) {
		t.Error("what came later changes what was said before")
	}
}

// After a step of 2 % the offset is followed within weeks, out of tolerance for
// sure, and after the recalibration it is not.
func TestStepIsFollowed(t *testing.T) {
	f, err := NewFollower(DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	steps, _, err := f.Follow(history(20), registry(6))
	if err != nil {
		t.Fatal(err)
	}
	base := 0.0
	for _, s := range steps {
		if s.Cell != drifttest.CellID(1) {
			continue
		}
		e := s.CellEstimate
		switch week := int(s.At.Sub(drifttest.Start) / fleetstate.Week); week {
		case 9:
			base = e.Offset
		case 13, 15:
			// The brake holds some 0.45 to 0.85 of the tractive force.
			if rise := e.Offset - base; rise < 0.007 || rise > 0.02 || !s.Drifting {
				t.Errorf("week %d: offset %.4f after %.4f, high %.1f of %.1f", week, e.Offset, base, s.High, s.Limit)
			}
		case 16:
			if !s.Restarted || s.Drifting {
				t.Errorf("after the recalibration: %+v", s)
			}
		}
	}
}

// A single session far out flags nothing, whatever its size: it may be a bad one. The
// next that agrees with it does.
func TestBadSession(t *testing.T) {
	const week = 12
	for _, size := range []float64{0.025, 0.05, 0.3} {
		for _, again := range []bool{false, true} {
			f := drifttest.Default(week+2, 5)
			f.Cells, f.Cars = 6, 3
			f.Fault = func(c, w int) (fleet.Fault, float64) {
				if c == 1 && (w == week || again && w > week) {
					return fleet.FaultAir, size
				}
				return fleet.FaultNone, 0
			}
			runs, _ := f.Invent()
			follower, err := NewFollower(DefaultSettings())
			if err != nil {
				t.Fatal(err)
			}
			steps, _, err := follower.Follow(fleetstate.History{Runs: runs}, registry(6))
			if err != nil {
				t.Fatal(err)
			}
			flagged := map[int]bool{}
			for _, s := range steps {
				if s.Cell == drifttest.CellID(1) {
					flagged[int(s.At.Sub(drifttest.Start)/fleetstate.Week)] = s.Drifting
				}
			}
			if flagged[week-1] || flagged[week] || flagged[week+1] != again {
				t.Errorf("size %g, again %v: flagged in the weeks %v", size, again, flagged)
			}
		}
	}
}

// A car at home whose one cell went wrong has not changed; one that all its cells see
// change has.
func TestSeenElsewhere(t *testing.T) {
	f, err := NewFollower(DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	look := func(z func(cell, week int) float64) bool {
		f.steps = nil
		for w := range 12 {
			for c := range 3 {
				f.steps = append(f.steps, Step{Step: drift.Step{
					Cell: drifttest.CellID(c), Car: "hazel", At: drifttest.At(c, w), Judged: true, Innovation: z(c, w),
				}})
			}
		}
		return f.seenElsewhere("hazel")
	}
	if look(func(c, _ int) float64 { return []float64{3.5, 0, 0.2}[c] }) {
		t.Error("one cell of three went wrong, and the car is blamed")
	}
	if !look(func(int, int) float64 { return -1 }) {
		t.Error("all cells see the car change, and it is not blamed")
	}
	if look(func(int, int) float64 { return 0 }) {
		t.Error("nothing changed")
	}
}

func TestSettings(t *testing.T) {
	for _, spoil := range []func(*Settings){
		func(s *Settings) { s.K = 0 },
		func(s *Settings) { s.K = 5 },
		func(s *Settings) { s.LimitShare = 0 },
		func(s *Settings) { s.BadSession = 1 },
		func(s *Settings) { s.BadSD = math.NaN() },
		func(s *Settings) { s.PriorChange = 1 },
		func(s *Settings) { s.Tolerance = math.NaN() },
		func(s *Settings) { s.Horizon = 0 },
		func(s *Settings) { s.Model.Modes = 0 },
		func(s *Settings) { s.RunsPerCellYear = 1e6 },
	} {
		s := DefaultSettings()
		spoil(&s)
		if _, err := NewFollower(s); err == nil {
			t.Errorf("no error of %+v", s)
		}
	}
}

// One run more on twelve cells with a year of weekly runs.
func BenchmarkOneMore(b *testing.B) {
	f := drifttest.Default(60, 5)
	runs, _ := f.Invent()
	const year = 52 * 12
	var follower *Follower
	n := len(runs)
	for b.Loop() {
		if n == len(runs) {
			b.StopTimer()
			n = year
			follower, _ = NewFollower(DefaultSettings())
			if _, _, err := follower.Follow(fleetstate.History{Runs: runs[:n]}, registry(12)); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
		n++
		if _, _, err := follower.Follow(fleetstate.History{Runs: runs[:n]}, registry(12)); err != nil {
			b.Fatal(err)
		}
	}
}
