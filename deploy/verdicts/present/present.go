// Package present puts the service's comparison of cells, fleetstate, watch and
// flag, on the verdict bench. It is the only place of the bench that knows a type of the
// service.
package present

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"rollcall/deploy/verdicts/score"
	"rollcall/deploy/verdicts/simulate"
	"rollcall/services/compute/air"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/refrun"
	"rollcall/services/compute/watch"
	"rollcall/services/fleet"
)

// System is watch.Follower and flag.Decide with the settings Rollcall starts with.
type System struct{}

// Name returns the system's name.
func (System) Name() string { return "watch.Follow, flag.Decide" }

// Follow follows a history.
func (System) Follow(h simulate.History) (score.Following, error) { return follow(Translate(h)) }

func follow(in Input) (score.Following, error) {
	f := &following{Input: in}
	f.h = fleetstate.History{Runs: in.Runs, Observations: observations(in.Flag)}
	follower, err := watch.NewFollower(watch.DefaultSettings())
	if err != nil {
		return nil, err
	}
	if f.steps, _, err = follower.Follow(f.h, in.Flag.Cells); err != nil {
		return nil, err
	}
	for _, s := range f.steps {
		f.Flag.Steps = append(f.Flag.Steps, s.Step)
	}
	return f, nil
}

// observations are what checks, coast-downs and barometers saw.
func observations(in flag.Input) []fleetstate.Observation {
	var out []fleetstate.Observation
	for _, c := range in.Checks {
		cell := in.Cells[c.Check.Cell]
		arm := cell.LeverArm * cell.BrakeRatio / cell.RollerRadius
		o := fleetstate.Observe(cell.ID, string(c.Check.ID), c.Check.PerformedAt, fleet.FaultZero, c.Result.ZeroError*arm, c.Result.UZeroError/2*arm)
		if c.Result.GainValid {
			u := c.Result.UGainError / 2
			o.Faults, o.Value = append(o.Faults, fleet.FaultGain), append(o.Value, c.Result.GainError)
			o.Covariance = [][]float64{{o.Covariance[0][0], 0}, {0, u * u}}
		}
		out = append(out, o)
	}
	for _, c := range in.CoastDowns {
		if o, ok := c.Observation(in.Cells[c.Cell]); ok {
			out = append(out, o)
		}
	}
	for i, a := range in.Airs {
		out = append(out, fleetstate.Observe(a.Cell, fmt.Sprintf("air %06d", i), a.At, fleet.FaultAir, a.Delta, a.U/2))
	}
	return out
}

// Input is a history in the service's types.
type Input struct {
	Runs    []refrun.Run
	Flag    flag.Input
	Cell    map[fleet.CellID]int
	Car     map[fleet.CarID]int
	checkAt map[int64]bool
}

// Translate returns a history in the service's types.
func Translate(h simulate.History) Input {
	f := Input{Cell: map[fleet.CellID]int{}, Car: map[fleet.CarID]int{}, checkAt: map[int64]bool{}}
	f.Flag.Cells = map[fleet.CellID]fleet.Cell{}
	for c, r := range h.Cells {
		cell := cellOf(r)
		f.Cell[cell.ID] = c
		f.Flag.Cells[cell.ID] = cell
	}
	for j, name := range h.Cars {
		f.Car[fleet.CarID(name)] = j
	}
	for i, s := range h.Sessions {
		f.Runs = append(f.Runs, runOf(h, i, s))
	}
	for i, c := range h.Checks {
		f.Flag.Checks = append(f.Flag.Checks, checkOf(h, i, c))
		f.checkAt[c.At.UnixNano()] = true
	}
	for i, c := range h.CoastDowns {
		r := h.Cells[c.Cell]
		f.Flag.CoastDowns = append(f.Flag.CoastDowns, flag.CoastDown{
			Cell: fleet.CellID(r.Name), ID: fleet.PullID(id(3, i)), At: c.At, Delta: c.Delta, U: c.U, Loss: r.Loss.At(c.Speed),
		})
	}
	f.Flag.Airs, f.Flag.Speeds = flag.CompareAirs(f.Runs), flag.CompareSpeeds(f.Runs)
	return f
}

// id makes a content-like id of 32 hexadecimal digits.
func id(kind, n int) string { return fmt.Sprintf("%016x%016x", kind, n+1) }

func cellOf(r simulate.Registry) fleet.Cell {
	return fleet.Cell{
		ID: fleet.CellID(r.Name), Site: fleet.SiteID(r.Site), RollerRadius: r.Radius, LeverArm: r.Arm, BrakeRatio: r.Ratio,
		BaseInertia: r.Inertia, Parasitic: fleet.Loss{F0: r.Loss.F0, F1: r.Loss.F1, F2: r.Loss.F2}, LoadCellRange: r.Range,
		Tolerance: r.Tolerance, CheckTolerance: r.CheckTolerance, ZeroTolerance: r.ZeroTolerance,
		U: fleet.CellUncertainty{Parasitic: r.StandardUOfParasitic},
	}
}

func runOf(h simulate.History, i int, s simulate.Session) refrun.Run {
	cell := h.Cells[s.Cell]
	out := refrun.Run{
		ID: fleet.RunID(id(1, i)), Site: fleet.SiteID(cell.Site), Cell: fleet.CellID(cell.Name), Car: fleet.CarID(h.Cars[s.Car]),
		Session: fmt.Sprintf("week %d", s.Week), At: s.At,
		Air: air.Air{Pressure: s.Air.Pressure, Temperature: s.Air.Temperature, Humidity: s.Air.Humidity},
	}
	if len(s.Pulls) == 0 {
		out.Air = air.Air{} // as refrun.Run says
	}
	for k, p := range s.Pulls {
		u := make([]float64, len(p.Y))
		for i := range u {
			u[i] = simulate.PointSD
		}
		out.Pulls = append(out.Pulls, refrun.Pull{
			ID: fleet.PullID(id(2, 8*i+k)), At: p.At, RampRate: p.Ramp, LnC: p.LnC, Y: p.Y, U: u,
			Force: p.Force, BrakeForce: p.Brake, Speed: p.Speed, Acceleration: p.Acceleration,
			Signature: map[fleet.Fault][]float64{
				fleet.FaultGain: p.Gain, fleet.FaultZero: p.Zero, fleet.FaultInertia: p.Inertia,
				fleet.FaultParasitic: p.Parasitic, fleet.FaultAir: p.Air,
			},
		})
	}
	for k, x := range s.Ratios {
		if r, ok := refrun.RatioOf(fleet.PullID(id(2, 8*i+k)), x.Engine, x.Speed, x.Force); ok {
			out.Ratios = append(out.Ratios, r)
		}
	}
	for k := range s.LeftOut {
		out.LeftOut = append(out.LeftOut, refrun.LeftOut{ID: fleet.PullID(id(2, 8*i+7-k)), Reason: "The tyres slip."})
	}
	return out
}

var verdicts = map[simulate.Verdict]fleet.Verdict{
	simulate.Pass: fleet.VerdictPass, simulate.ConditionalPass: fleet.VerdictConditionalPass,
	simulate.ConditionalFail: fleet.VerdictConditionalFail, simulate.Fail: fleet.VerdictFail,
}

func checkOf(h simulate.History, i int, c simulate.Check) flag.Check {
	kind := fleet.CheckZero
	if c.DeadWeights {
		kind = fleet.CheckDeadWeight
	}
	return flag.Check{
		Check: fleet.Check{
			ID: fleet.CheckID(id(4, i)), Cell: fleet.CellID(h.Cells[c.Cell].Name), Kind: kind, State: fleet.AsFound,
			PerformedAt: c.At, PerformedBy: "ada",
		},
		Result: loadcell.Result{
			Verdict: verdicts[c.Verdict], GainError: c.Gain, UGainError: c.UGain, GainValid: c.DeadWeights,
			ZeroError: c.Zero, UZeroError: c.UZero, ZeroValid: true,
		},
	}
}

// following answers from the steps, which are causal, and from what was
// observed by then.
type following struct {
	Input
	h     fleetstate.History
	steps []watch.Step
}

// ever is when a crossing lies that is not within the horizon.
const ever = 100 * 365 * 24 * time.Hour

// Offsets returns the cells' offsets.
func (f *following) Offsets() []score.Offset {
	var out []score.Offset
	for _, s := range f.steps {
		e := s.CellEstimate
		o := score.Offset{
			Cell: f.Cell[s.Cell], At: s.At, Known: e.Runs > 0, NotSeparable: e.NotSeparable != "",
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
	n := sort.Search(len(f.steps), func(i int) bool { return f.steps[i].At.After(at) })
	if n == 0 {
		return nil
	}
	in := f.Until(at)
	h := fleetstate.History{
		Runs:         until(f.h.Runs, func(r refrun.Run) bool { return !r.At.After(at) }),
		Observations: until(f.h.Observations, func(o fleetstate.Observation) bool { return !o.At.After(at) }),
	}
	var err error
	if in.State, err = fleetstate.Solve(h, watch.DefaultSettings().Model, f.steps[n-1].Model); err != nil {
		panic(err) // what was followed can be solved
	}
	return f.Input.Flags(flag.Decide(in, flag.DefaultSettings()))
}

// Until returns what was known at a moment.
func (f *Input) Until(at time.Time) flag.Input {
	in := f.Flag
	in.Steps = in.Steps[:sort.Search(len(in.Steps), func(i int) bool { return in.Steps[i].At.After(at) })]
	in.Checks = until(in.Checks, func(c flag.Check) bool { return !c.Check.PerformedAt.After(at) })
	in.CoastDowns = until(in.CoastDowns, func(c flag.CoastDown) bool { return !c.At.After(at) })
	in.Airs = until(in.Airs, func(a flag.Air) bool { return !a.At.After(at) })
	in.Speeds = until(in.Speeds, func(s flag.Speed) bool { return !s.At.After(at) })
	return in
}

// Flags returns flags in the bench's types.
func (f *Input) Flags(flags []flag.Flag) []score.Flag {
	var out []score.Flag
	for _, g := range flags {
		x := score.Flag{
			Cell: -1, Car: -1, OpenedAt: g.OpenedAt, ByCheck: g.Cell != "" && f.checkAt[g.OpenedAt.UnixNano()],
			Tolerance: g.Life[0].Kind == flag.Recalibrate, UpdatedAt: g.UpdatedAt, Size: score.Interval{Value: g.Size, U: g.U},
		}
		if g.Cell != "" {
			x.Cell = f.Cell[g.Cell]
			x.Began = &score.Dates{Earliest: g.EarliestAt, Latest: g.LatestAt}
		} else {
			x.Car = f.Car[g.Car]
		}
		for _, c := range g.Causes {
			x.Suspects = append(x.Suspects, score.Suspect{
				Cause: causes[c.Fault], Probability: c.Probability, Size: score.Interval{Value: c.Size, U: c.U},
			})
		}
		out = append(out, x)
	}
	return out
}

// ByRuns follows without the checks.
func (f *following) ByRuns() (score.Following, error) {
	in := f.Input
	in.Flag.Checks, in.Flag.Steps = nil, nil
	return follow(in)
}

func until[T any](all []T, known func(T) bool) []T {
	return slices.DeleteFunc(slices.Clone(all), func(x T) bool { return !known(x) })
}

var causes = map[fleet.Fault]score.Cause{
	fleet.FaultNone: score.CauseNone, fleet.FaultGain: score.CauseGain, fleet.FaultZero: score.CauseZero,
	fleet.FaultInertia: score.CauseInertia, fleet.FaultParasitic: score.CauseDrag, fleet.FaultAir: score.CauseAir,
	fleet.FaultReferenceCar: score.CauseCar, fleet.FaultOther: score.CauseOther,
	fleet.FaultSpeed: score.CauseSpeed, fleet.FaultSlip: score.CauseSlip,
}
