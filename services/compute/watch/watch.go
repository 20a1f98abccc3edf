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

	// FalseFlagsPerCellYear is how often a cell, or a reference car, at which nothing
	// is wrong may be flagged; RunsPerCellYear how many reference runs a cell has.
	FalseFlagsPerCellYear float64
	RunsPerCellYear       float64
	// LimitShare is the limit of the weight of evidence over the run length without
	// cause.
	LimitShare float64
	// BadSession is the probability that a session is a bad one, whatever its cause,
	// and then is BadSD standard deviations wide.
	BadSession, BadSD float64
	// K is the CUSUM's reference value and Clip bounds the innovation that enters
	// it, standard deviations.
	K, Clip float64
	// Suspect is the part of its limit the CUSUM must reach for the changes that may
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
		FalseFlagsPerCellYear: 0.1, RunsPerCellYear: 52, LimitShare: 0.19,
		// One session in two hundred ("common practice, no source").
		BadSession: 0.005, BadSD: 5,
		K: 0.5, Clip: 4, Suspect: 0.15,
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
	positive("LimitShare", s.LimitShare)
	positive("BadSD", s.BadSD)
	positive("K", s.K)
	if !(s.Clip > s.K) {
		errs = append(errs, fmt.Errorf("watch settings: Clip must be above K = %g, is %g", s.K, s.Clip))
	}
	if !(s.BadSession >= 0 && s.BadSession < 1) {
		errs = append(errs, fmt.Errorf("watch settings: BadSession must be a probability below 1, is %g", s.BadSession))
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
// Innovation, Deviation and the CUSUM are against a cell steady since its errors last
// restarted.
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
	limit   float64 // of the CUSUM
	f       *fleetstate.Follower
	steps   []Step
	last    map[fleet.CellID]int
	runs    map[fleet.RunID]*refrun.Run
	cells   map[fleet.CellID]fleet.Cell
	// tolerances are those that the steps were computed with.
	tolerances map[fleet.CellID]float64
	err        error
}

// NewFollower returns a Follower that knows nothing yet.
func NewFollower(s Settings) (*Follower, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	h, err := drift.LimitFor(s.RunsPerCellYear/s.FalseFlagsPerCellYear, s.K)
	if err != nil {
		return nil, fmt.Errorf("limit for %g false flags per cell and year: %w", s.FalseFlagsPerCellYear, err)
	}
	f := &Follower{s: s, outlook: s.Cause, limit: h}
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
	f.steps, f.last, f.tolerances = nil, map[fleet.CellID]int{}, map[fleet.CellID]float64{}
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
				Run: r.ID, Cell: r.Cell, Car: r.Car, At: r.At, Skipped: "no pull of this run is fit to judge the cell with", Limit: f.limit, EvidenceLimit: f.evidenceLimit(f.s.RunsPerCellYear),
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
			st.High, st.Low, st.Evidence, st.Drifting, st.CellEstimate = l.High, l.Low, l.Evidence, l.Drifting, l.CellEstimate
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
	f.steps = slices.Clip(f.steps[:n])
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
	c := drift.CUSUM{K: f.s.K}
	if i, ok := f.last[t.Cell]; ok && !t.Restarted {
		c.High, c.Low = f.steps[i].High, f.steps[i].Low
	} else {
		st.Restarted = true
	}
	if t.Judged {
		st.UDeviation, st.DayOffset, st.UDayOffset = 2*t.SD, t.Day, t.UDay
		c.Add(math.Max(-f.s.Clip, math.Min(f.s.Clip, t.Steady)))
	} else {
		st.Skipped = fmt.Sprintf("car %s has no run before this one to expect anything from", t.Car)
	}
	st.High, st.Low, st.Limit = c.High, c.Low, f.limit
	st.EvidenceLimit = f.evidenceLimit(f.s.RunsPerCellYear)
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
			st.Evidence = f.evidence(&w, t.Steady)
			st.Drifting = st.Evidence > st.EvidenceLimit
		case !errors.Is(err, fleetstate.ErrShort):
			f.err = err
		}
	}
	st.CellEstimate = e
	if car, ok := fit.CarOutlook(t.Car, f.s.PriorCarChange, f.s.CarJump); ok && car.Sessions > 1 {
		st.CarEstimate = drift.CarEstimate{
			Car: t.Car, Known: true, Change: car.Change, U: car.U, Probability: gum.Exceeds(car.Change, car.U/2, f.s.CarLimit),
			Since: car.From, LastAt: t.At, Evidence: car.Evidence,
		}
		years := math.Max(1, t.At.Sub(car.From).Hours()/(52*fleetstate.Week.Hours()))
		st.CarEstimate.EvidenceLimit = f.evidenceLimit(math.Max(f.s.RunsPerCellYear, float64(car.Sessions)/years))
	}
	f.last[t.Cell] = len(f.steps)
	f.steps = append(f.steps, st)
	if e := &f.steps[len(f.steps)-1].CarEstimate; e.Evidence > e.EvidenceLimit {
		e.Drifting = f.seenElsewhere(t.Car)
	}
}

// seenElsewhere says that a car's last half year looks like a change of the car whichever
// one of the cells is left out: a single cell that went wrong, where the car is at home,
// does not make it a change of the car. A CUSUM of the other cells' runs, of half the
// reference value, must have come half of the way to its limit.
func (f *Follower) seenElsewhere(car fleet.CarID) bool {
	const wayThere = 0.5
	var runs []*Step
	cells := map[fleet.CellID]bool{}
	at := f.steps[len(f.steps)-1].At
	for i := len(f.steps) - 1; i >= 0 && at.Sub(f.steps[i].At) <= 26*fleetstate.Week; i-- {
		if st := &f.steps[i]; st.Car == car && st.Judged {
			runs = append(runs, st)
			cells[st.Cell] = true
		}
	}
	high, low := true, true
	for out := range cells {
		c := drift.CUSUM{K: f.s.K / 2}
		for _, st := range slices.Backward(runs) {
			if st.Cell != out {
				c.Add(math.Max(-f.s.Clip, math.Min(f.s.Clip, st.Innovation)))
			}
		}
		high, low = high && c.High > wayThere*f.limit, low && c.Low > wayThere*f.limit
	}
	return len(cells) > 1 && (high || low)
}

// evidenceLimit is what the weight of evidence must exceed, of a cell or car with so
// many runs a year.
func (f *Follower) evidenceLimit(runsPerYear float64) float64 {
	return f.s.LimitShare * runsPerYear / f.s.FalseFlagsPerCellYear
}

// evidence is the weight of evidence of a cell's change: the sum over all moments of
// how many times likelier what was seen is if it changed there, by so much that it
// matters, than if it did not.
// That it did not includes that a car did, and that the last session, which lies z
// standard deviations out, is a bad one: only the next can tell.
func (f *Follower) evidence(w *fleetstate.Forecast, z float64) float64 {
	bad := math.Log(f.s.BadSession/f.s.BadSD) + 0.5*z*z*(1-1/(f.s.BadSD*f.s.BadSD))
	// log(1 + eᵇᵃᵈ)
	either := math.Max(0, bad) + math.Log1p(math.Exp(-math.Abs(bad)))
	none := math.Exp(w.LogSteady+either) + w.Car
	return float64(w.Moments) * w.Matters / math.Max(none, math.SmallestNonzeroFloat64) * (1 - f.s.PriorChange) / f.s.PriorChange
}

// certainlyWithin is the probability to be out of tolerance below which changes
// are not weighed.
const certainlyWithin = 0.01
