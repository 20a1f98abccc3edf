package watch

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Settings rule a Follower. Start from DefaultSettings.
type Settings struct {
	Model fleetstate.Settings
	// Cause says what may happen to a cell; PriorChange is the probability that it
	// has within Cause.Memory, before the cell is looked at.
	Cause       fleetstate.CauseSettings
	PriorChange float64
	// Horizon is how far ahead crossings of the tolerance are looked for.
	Horizon time.Duration
	// Tolerance is that of a cell whose registry entry states none, ratio.
	Tolerance float64

	// FalseFlagsPerCellYear and RunsPerCellYear give the run length without cause
	// of all CUSUMs of a cell together.
	FalseFlagsPerCellYear float64
	RunsPerCellYear       float64
	// K are the CUSUMs' reference values, standard deviations, ascending, at most
	// four. Share is how many times the run length of all together the run length
	// of each is: 1 for one, Bonferroni's number of them is always enough.
	K     []float64
	Share float64
	// Clip bounds the innovation that enters the CUSUMs, standard deviations.
	Clip float64
	// Suspect is the part of its limit a CUSUM must reach for the changes that may
	// stand behind the cell's offset to be weighed.
	Suspect float64

	// CarLimit is the change of a car that matters, ratio.
	CarLimit float64
	// CarJump is the standard deviation of a reference car's jump, PriorCarChange the
	// probability that it has made one in its epoch before it is looked at.
	CarJump        float64
	PriorCarChange float64
}

// DefaultSettings returns the settings Rollcall starts with.
func DefaultSettings() Settings {
	return Settings{
		Model: fleetstate.DefaultSettings(), Cause: fleetstate.DefaultCauseSettings(),
		// A cell changes once in some ten years ("common practice, no source").
		PriorChange: 0.2, Horizon: 26 * fleetstate.Week, Tolerance: 0.01,
		FalseFlagsPerCellYear: 0.1, RunsPerCellYear: 52,
		K: []float64{0.4, 1}, Share: 1.62, Clip: 4, Suspect: 0.3,
		// Half a usual cell tolerance of one percent.
		CarLimit: 0.005,
		// New tyres, a repair ("common practice, no source").
		CarJump: 0.01, PriorCarChange: 0.2,
	}
}

// Validate returns all that is wrong with the settings.
func (s Settings) Validate() error {
	errs := []error{s.Model.Validate()}
	positive := func(name string, v float64) {
		if !(v > 0) || math.IsInf(v, 1) {
			errs = append(errs, fmt.Errorf("watch settings: %s must be positive and finite, is %g", name, v))
		}
	}
	positive("Horizon", s.Horizon.Seconds())
	positive("Tolerance", s.Tolerance)
	positive("FalseFlagsPerCellYear", s.FalseFlagsPerCellYear)
	positive("RunsPerCellYear", s.RunsPerCellYear)
	positive("CarLimit", s.CarLimit)
	positive("CarJump", s.CarJump)
	if len(s.K) == 0 || len(s.K) > mostCUSUMs || !slices.IsSorted(s.K) {
		errs = append(errs, fmt.Errorf("watch settings: K must hold 1 to %d values, ascending, is %g", mostCUSUMs, s.K))
	}
	for _, k := range s.K {
		positive("K", k)
		if !(s.Clip > k) {
			errs = append(errs, fmt.Errorf("watch settings: Clip must be above K = %g, is %g", k, s.Clip))
		}
	}
	if !(s.Share >= 1) {
		errs = append(errs, fmt.Errorf("watch settings: Share must be at least 1, is %g", s.Share))
	}
	if !(s.PriorChange > 0 && s.PriorChange < 1) {
		errs = append(errs, fmt.Errorf("watch settings: PriorChange must lie between 0 and 1, is %g", s.PriorChange))
	}
	if !(s.PriorCarChange > 0 && s.PriorCarChange < 1) {
		errs = append(errs, fmt.Errorf("watch settings: PriorCarChange must lie between 0 and 1, is %g", s.PriorCarChange))
	}
	if !(s.Suspect >= 0) {
		errs = append(errs, fmt.Errorf("watch settings: Suspect must not be negative, is %g", s.Suspect))
	}
	return errors.Join(errs...)
}

// Step is what one reference run said, knowing only itself and what came before.
// Innovation and Deviation are against a cell steady since its errors last
// restarted; the CUSUM that is nearest its limit speaks, its sides and limit in the
// measure of the first.
type Step struct {
	drift.Step
	// Variances are those of the model that the step was computed with.
	Model fleetstate.Variances
}

// Follower follows a fleet, with a memory as fleetstate.Follower. It is not safe for
// concurrent use.
type Follower struct {
	s       Settings
	outlook fleetstate.CauseSettings
	limit   []float64
	f       *fleetstate.Follower
	steps   []Step
	sides   []sides // after each step
	last    map[fleet.CellID]int
	runs    map[fleet.RunID]*refrun.Run
	cells   map[fleet.CellID]fleet.Cell
	// tolerances are those that the steps were computed with.
	tolerances map[fleet.CellID]float64
	err        error
}

// sides are a cell's CUSUMs.
type sides struct{ high, low [mostCUSUMs]float64 }

const mostCUSUMs = 4

// NewFollower returns a Follower that knows nothing yet.
func NewFollower(s Settings) (*Follower, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	f := &Follower{s: s, outlook: s.Cause}
	for _, k := range s.K {
		h, err := drift.LimitFor(s.Share*s.RunsPerCellYear/s.FalseFlagsPerCellYear, k)
		if err != nil {
			return nil, fmt.Errorf("limit for %g false flags per cell and year: %w", s.FalseFlagsPerCellYear, err)
		}
		f.limit = append(f.limit, h)
	}
	// The causes' probabilities are of a cell that is flagged; here it is not.
	f.outlook.Suspects = slices.Clone(s.Cause.Suspects)
	sum := 0.0
	for _, p := range f.outlook.Suspects {
		if p.Fault != fleet.FaultNone {
			sum += p.Probability
		}
	}
	for i := range f.outlook.Suspects {
		if p := &f.outlook.Suspects[i]; p.Fault == fleet.FaultNone {
			p.Probability = 1 - s.PriorChange
		} else {
			p.Probability *= s.PriorChange / sum
		}
	}
	return f, f.forget()
}

func (f *Follower) forget() (err error) {
	f.f, err = fleetstate.NewFollower(f.s.Model)
	f.steps, f.sides, f.last, f.tolerances = nil, nil, map[fleet.CellID]int{}, map[fleet.CellID]float64{}
	return err
}

func (f *Follower) tolerance(cell fleet.CellID) float64 {
	if t := f.cells[cell].Tolerance; t > 0 {
		return t
	}
	return f.s.Tolerance
}

// Follow returns a step per reference run that has a pull, by time, then id, and the
// fleet after the last, which is good until the next call. cells are the registry's.
//
// It is a pure function of what it is given, whatever the order and whatever was
// followed before, bit for bit. It returns the errors of fleetstate.Follow.
func (f *Follower) Follow(h fleetstate.History, cells map[fleet.CellID]fleet.Cell) ([]Step, *fleetstate.Fit, error) {
	f.runs, f.cells, f.err = map[fleet.RunID]*refrun.Run{}, cells, nil
	for i := range h.Runs {
		f.runs[h.Runs[i].ID] = &h.Runs[i]
	}
	// Steps of another tolerance say other things.
	for cell, t := range f.tolerances {
		if t != f.tolerance(cell) {
			if err := f.forget(); err != nil {
				return nil, nil, err
			}
			break
		}
	}
	_, fit, err := f.f.Follow(h, witness{f})
	if err = errors.Join(err, f.err); err != nil {
		return nil, nil, errors.Join(err, f.forget())
	}
	return f.withSkipped(h.Runs), fit, nil
}

// withSkipped adds a step for every run without a pull: the cell stays as it was.
func (f *Follower) withSkipped(runs []refrun.Run) []Step {
	var skipped []Step
	for i := range runs {
		if r := &runs[i]; len(r.Pulls) == 0 {
			skipped = append(skipped, Step{Step: drift.Step{
				Run: r.ID, Cell: r.Cell, Car: r.Car, At: r.At, Skipped: "no pull of this run is fit to judge the cell with", Limit: f.limit[0],
			}})
		}
	}
	if skipped == nil {
		return f.steps
	}
	all := slices.Concat(f.steps, skipped)
	slices.SortStableFunc(all, func(a, b Step) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Run, b.Run)) })
	last := map[fleet.CellID]*Step{}
	for i := range all {
		st := &all[i]
		if l := last[st.Cell]; l != nil && st.Pulls == 0 {
			st.High, st.Low, st.Drifting, st.CellEstimate = l.High, l.Low, l.Drifting, l.CellEstimate
			st.Variances, st.Model = l.Variances, l.Model
		}
		last[st.Cell] = st
	}
	return all
}

// signatureOf is the mean over a run's pulls and band of what they show per unit of
// each error.
func signatureOf(r *refrun.Run) map[fleet.Fault]float64 {
	out := map[fleet.Fault]float64{}
	n := map[fleet.Fault]float64{}
	for i := range r.Pulls {
		for f, s := range r.Pulls[i].Signature {
			for _, v := range s {
				out[f] += v
				n[f]++
			}
		}
	}
	for f := range out {
		out[f] /= n[f]
	}
	return out
}

// witness is what fleetstate.Follower tells the Follower.
type witness struct{ *Follower }

func (f witness) Kept(n int) {
	f.steps, f.sides = slices.Clip(f.steps[:n]), f.sides[:n]
	f.last = map[fleet.CellID]int{}
	for i := range f.steps {
		f.last[f.steps[i].Cell] = i
	}
}

func (f witness) Look(t *fleetstate.Step, fit *fleetstate.Fit) {
	st := Step{Step: drift.Step{
		Run: t.Run, Cell: t.Cell, Car: t.Car, At: t.At, Judged: t.Judged, Deviation: t.Deviation, Innovation: t.Steady,
	}, Model: fit.Variances}
	if run := f.runs[t.Run]; run != nil && len(run.Pulls) > 0 {
		st.Pulls, st.BandPoints = len(run.Pulls), len(run.Pulls[0].Y)
		st.Signature = signatureOf(run)
	}
	st.Variances = drift.Variances{Session: fit.Variances.Session, Pull: fit.Variances.Pull + fit.Variances.Point/float64(max(1, st.BandPoints))}
	for i, m := range f.s.Model.Faults {
		x := 1.0 // air and other are flat
		if v, ok := st.Signature[m.Fault]; ok {
			x = v
		}
		st.Variances.Cell += x * x * fit.Variances.Start[i]
	}
	var c sides
	if i, ok := f.last[t.Cell]; ok && !t.Restarted {
		c = f.sides[i]
	} else {
		st.Restarted = true
	}
	if t.Judged {
		st.UDeviation, st.DayOffset, st.UDayOffset = 2*t.SD, t.Day, t.UDay
		z := math.Max(-f.s.Clip, math.Min(f.s.Clip, t.Steady))
		for i, k := range f.s.K {
			one := drift.CUSUM{K: k, High: c.high[i], Low: c.low[i]}
			one.Add(z)
			c.high[i], c.low[i] = one.High, one.Low
		}
	} else {
		st.Skipped = fmt.Sprintf("car %s has no run before this one to expect anything from", t.Car)
	}
	st.Limit = f.limit[0]
	for i, h := range f.limit {
		st.High = math.Max(st.High, c.high[i]*f.limit[0]/h)
		st.Low = math.Max(st.Low, c.low[i]*f.limit[0]/h)
		st.Drifting = st.Drifting || c.high[i] > h || c.low[i] > h
	}
	f.tolerances[t.Cell] = f.tolerance(t.Cell)
	e := drift.CellEstimate{
		Cell: t.Cell, Offset: t.Offset.Offset, U: t.Offset.U, Runs: t.Offset.Runs, LastAt: t.At, NotSeparable: fit.NotSeparable(t.Cell),
	}
	e.Beyond = gum.Exceeds(e.Offset, e.U/2, f.tolerance(t.Cell))
	if math.Max(st.High, st.Low) >= f.s.Suspect*st.Limit || e.Beyond > certainlyWithin {
		w, err := fit.Forecast(t.Cell, f.tolerance(t.Cell), f.s.Horizon, f.outlook)
		switch {
		case err == nil:
			e.Offset, e.U, e.Beyond = w.Offset, w.U, w.Beyond
			e.Crossing, e.Earliest, e.Latest = w.Crossing, w.Earliest, w.Latest
			// What is rather the car's is not the cell's.
			st.Drifting = st.Drifting && w.Car <= w.Changed-w.Car
		case !errors.Is(err, fleetstate.ErrShort):
			f.err = err
		}
	}
	st.CellEstimate = e
	if car, ok := fit.CarOutlook(t.Car, f.s.PriorCarChange, f.s.CarJump); ok && car.Sessions > 1 {
		st.CarEstimate = drift.CarEstimate{
			Car: t.Car, Known: true, Change: car.Change, U: car.U, Probability: gum.Exceeds(car.Change, car.U/2, f.s.CarLimit),
			Since: car.From, LastAt: t.At,
		}
	}
	f.last[t.Cell] = len(f.steps)
	f.steps = append(f.steps, st)
	f.sides = append(f.sides, c)
}

// certainlyWithin is the probability to be out of tolerance below which changes
// are not weighed.
const certainlyWithin = 0.01
