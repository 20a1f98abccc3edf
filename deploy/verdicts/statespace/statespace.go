// Package statespace puts the comparison of cells by fleetstate on the verdict
// bench.
package statespace

import (
	"slices"
	"sort"
	"time"

	"rollcall/deploy/verdicts/present"
	"rollcall/deploy/verdicts/score"
	"rollcall/deploy/verdicts/simulate"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/compute/watch"
	"rollcall/services/fleet"
)

// System is watch.Follower and flag.Decide.
type System struct{ Settings watch.Settings }

// Name returns the system's name.
func (System) Name() string { return "fleetstate, watch.Follower, flag.Decide" }

// Follow follows a history.
func (s System) Follow(h simulate.History) (score.Following, error) {
	return s.follow(present.Translate(h))
}

func (s System) follow(in present.Input) (score.Following, error) {
	f := &following{system: s, in: in}
	f.h = fleetstate.History{Runs: in.Runs, Observations: flag.Observations(in.Flag.Checks, in.Flag.CoastDowns, in.Flag.Airs,
		func(c fleet.CellID, _ time.Time) fleet.Cell { return in.Flag.Cells[c] })}
	follower, err := watch.NewFollower(s.Settings)
	if err != nil {
		return nil, err
	}
	if f.steps, f.fit, err = follower.Follow(f.h, in.Flag.Cells); err != nil {
		return nil, err
	}
	return f, nil
}

type following struct {
	system System
	in     present.Input
	h      fleetstate.History
	steps  []watch.Step
	fit    *fleetstate.Fit
}

// ever is when a crossing lies that is not within the horizon.
const ever = 100 * 365 * 24 * time.Hour

// Offsets returns the cells' offsets.
func (f *following) Offsets() []score.Offset {
	var out []score.Offset
	for _, s := range f.steps {
		e := s.CellEstimate
		o := score.Offset{
			Cell: f.in.Cell[s.Cell], At: s.At, Known: e.Runs > 0, NotSeparable: e.NotSeparable != "",
			Interval: score.Interval{Value: e.Offset, U: e.U},
		}
		if !e.Crossing.IsZero() {
			o.Crossing = &score.Dates{Earliest: e.Earliest, Latest: e.Latest}
			if e.Latest.IsZero() {
				o.Crossing.Latest = s.At.Add(ever)
			}
		}
		out = append(out, o)
	}
	return out
}

// Flags decides with what was known at a moment.
func (f *following) Flags(at time.Time) []score.Flag {
	in := f.in.Until(at)
	steps := f.steps[:sort.Search(len(f.steps), func(i int) bool { return f.steps[i].At.After(at) })]
	if len(steps) == 0 {
		return nil
	}
	in.Steps = nil
	for _, s := range steps {
		in.Steps = append(in.Steps, s.Step)
	}
	h := fleetstate.History{
		Runs:         slices.DeleteFunc(slices.Clone(f.h.Runs), func(r refrun.Run) bool { return r.At.After(at) }),
		Observations: slices.DeleteFunc(slices.Clone(f.h.Observations), func(o fleetstate.Observation) bool { return o.At.After(at) }),
	}
	fit, err := fleetstate.Solve(h, f.system.Settings.Model, steps[len(steps)-1].Model)
	if err != nil {
		panic(err)
	}
	in.State, in.Suspects = fit, f.system.Settings.Cause
	return f.in.Flags(flag.Decide(in, flag.DefaultSettings()))
}

// ByRuns follows without the checks.
func (f *following) ByRuns() (score.Following, error) {
	in := f.in
	in.Flag.Checks = nil
	return f.system.follow(in)
}
