package drift

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// StateSettings rule a StateFollower. Start from DefaultStateSettings.
type StateSettings struct {
	Model fleetstate.Settings
	// Cause says what may happen to a cell; PriorChange is the probability that it
	// has within Cause.Memory, before the cell is looked at.
	Cause       fleetstate.CauseSettings
	PriorChange float64
	// Horizon is how far ahead crossings of the tolerance are looked for.
	Horizon time.Duration

	// FalseFlagsPerCellYear and RunsPerCellYear give the run length without cause
	// of all CUSUMs of a cell together.
	FalseFlagsPerCellYear float64
	RunsPerCellYear       float64
	// K are the CUSUMs' reference values, standard deviations, ascending.
	K []float64
	// Clip bounds the innovation that enters the CUSUMs, standard deviations.
	Clip float64
	// Suspect is the part of its limit a CUSUM must reach for the changes that
	// may stand behind the cell's offset to be weighed.
	Suspect float64

	// CarLimit is the change of a car that matters, ratio.
	CarLimit float64
}

// DefaultStateSettings returns the settings Rollcall starts with.
func DefaultStateSettings() StateSettings {
	return StateSettings{
		Model: fleetstate.DefaultSettings(), Cause: fleetstate.DefaultCauseSettings(), PriorChange: 0.2, Horizon: 26 * Week,
		FalseFlagsPerCellYear: 0.1, RunsPerCellYear: 52,
		K: []float64{0.25, 0.5, 1}, Clip: 4, Suspect: 0,
		CarLimit: 0.005,
	}
}

// limits returns the CUSUMs' limits: each signals without cause as seldom as
// share times the run length asked for of all.
func (s StateSettings) limits() ([]float64, error) {
	out := make([]float64, len(s.K))
	for i, k := range s.K {
		var err error
		if out[i], err = LimitFor(jointShare(len(s.K))*s.RunsPerCellYear/s.FalseFlagsPerCellYear, k); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// jointShare is how many times the run length of all the run length of each must
// be.
func jointShare(n int) float64 {
	switch n {
	case 1:
		return 1
	case 2:
		return 1.5
	}
	return 2
}

// StateFollower follows a fleet with fleetstate.
type StateFollower struct {
	s       StateSettings
	outlook fleetstate.CauseSettings
	limit   []float64
	f       *fleetstate.Follower
	steps   []Step
	sides   []sides // after each step
	last    map[fleet.CellID]int
	runs    map[fleet.RunID]*refrun.Run
	cells   map[fleet.CellID]fleet.Cell
	err     error
}

// sides are a cell's CUSUMs.
type sides struct{ high, low [maxCUSUMs]float64 }

const maxCUSUMs = 4

// NewStateFollower returns a StateFollower that knows nothing yet.
func NewStateFollower(s StateSettings) (*StateFollower, error) {
	limit, err := s.limits()
	if err != nil {
		return nil, err
	}
	f, err := fleetstate.NewFollower(s.Model)
	if err != nil {
		return nil, err
	}
	out := &StateFollower{s: s, limit: limit, f: f}
	out.outlook = s.Cause
	out.outlook.Suspects = slices.Clone(s.Cause.Suspects)
	sum := 0.0
	for _, p := range out.outlook.Suspects {
		if p.Fault != fleet.FaultNone {
			sum += p.Probability
		}
	}
	for i := range out.outlook.Suspects {
		p := &out.outlook.Suspects[i]
		if p.Fault == fleet.FaultNone {
			p.Probability = 1 - s.PriorChange
		} else {
			p.Probability *= s.PriorChange / sum
		}
	}
	return out, nil
}

// Kept is of fleetstate.Witness.
func (f *StateFollower) Kept(n int) {
	f.steps, f.sides = slices.Clip(f.steps[:n]), f.sides[:n]
	f.last = map[fleet.CellID]int{}
	for i := range f.steps {
		f.last[f.steps[i].Cell] = i
	}
}

// Look is of fleetstate.Witness.
func (f *StateFollower) Look(t *fleetstate.Step, fit *fleetstate.Fit) {
	st := Step{
		Run: t.Run, Cell: t.Cell, Car: t.Car, At: t.At, Judged: t.Judged, Deviation: t.Deviation, Innovation: t.Steady,
	}
	st.Model = fit.Variances
	st.Variances.Session = fit.Variances.Session
	if run := f.runs[t.Run]; run != nil {
		st.Pulls = len(run.Pulls)
		if st.Pulls > 0 {
			st.BandPoints = len(run.Pulls[0].Y)
		}
	}
	var c sides
	if i, ok := f.last[t.Cell]; ok && !t.Restarted {
		c = f.sides[i]
	} else {
		st.Restarted = true
	}
	if t.Judged {
		if t.Steady != 0 {
			st.UDeviation = 2 * t.Deviation / t.Steady
		}
		z := math.Max(-f.s.Clip, math.Min(f.s.Clip, t.Steady))
		for i, k := range f.s.K {
			one := CUSUM{K: k, High: c.high[i], Low: c.low[i]}
			one.Add(z)
			c.high[i], c.low[i] = one.High, one.Low
		}
	} else {
		st.Skipped = fmt.Sprintf("car %s has no run before this one to expect anything from", t.Car)
	}
	// Of the CUSUMs, the one nearest its limit speaks, in the measure of the
	// middle one.
	mid := len(f.limit) / 2
	st.Limit = f.limit[mid]
	for i := range f.s.K {
		st.High = math.Max(st.High, c.high[i]/f.limit[i]*st.Limit)
		st.Low = math.Max(st.Low, c.low[i]/f.limit[i]*st.Limit)
	}
	st.Drifting = st.High > st.Limit || st.Low > st.Limit
	e := CellEstimate{Cell: t.Cell, Offset: t.Offset.Offset, U: t.Offset.U, Runs: t.Offset.Runs, LastAt: t.At, NotSeparable: fit.NotSeparable(t.Cell)}
	tolerance := f.cells[t.Cell].Tolerance
	if !(tolerance > 0) {
		tolerance = 0.01
	}
	e.Beyond = fleetstate.Exceeds(e.Offset, e.U/2, tolerance)
	if math.Max(st.High, st.Low) >= f.s.Suspect*st.Limit || e.Beyond > 0.01 {
		w, err := fit.Forecast(t.Cell, tolerance, f.s.Horizon, f.outlook)
		switch {
		case err == nil:
			e.Offset, e.U, e.Beyond = w.Offset, w.U, w.Beyond
			e.Crossing, e.Earliest, e.Latest = w.Crossing, w.Earliest, w.Latest
		case !errors.Is(err, fleetstate.ErrShort):
			f.err = err
		}
	}
	st.CellEstimate = e
	for _, car := range fit.Cars(time.Time{}) {
		if car.Car == t.Car {
			st.CarEstimate = CarEstimate{
				Car: t.Car, Known: car.Sessions > 1, Change: car.Change, U: car.U, Probability: fleetstate.Exceeds(car.Change, car.U/2, f.s.CarLimit),
				Since: car.From, LastAt: t.At,
			}
		}
	}
	f.last[t.Cell] = len(f.steps)
	f.steps = append(f.steps, st)
	f.sides = append(f.sides, c)
}

// Follow returns a step per reference run that has a pull, and the fleet after
// the last.
func (f *StateFollower) Follow(h fleetstate.History, cells map[fleet.CellID]fleet.Cell) ([]Step, *fleetstate.Fit, error) {
	f.runs, f.cells, f.err = map[fleet.RunID]*refrun.Run{}, cells, nil
	for i := range h.Runs {
		f.runs[h.Runs[i].ID] = &h.Runs[i]
	}
	_, fit, err := f.f.Follow(h, f)
	if err = errors.Join(err, f.err); err != nil {
		return nil, nil, err
	}
	return f.steps, fit, nil
}
