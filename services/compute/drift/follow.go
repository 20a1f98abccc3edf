package drift

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Follower is Follow with a memory: on a history that has grown it uses what
// it knows of the unchanged beginning, so that one new run at the end costs
// three fits. Its answers are those of Follow. It keeps the runs it was given,
// which must not be changed. It is not safe for concurrent use.
type Follower struct {
	s     Settings
	limit float64

	runs     []refrun.Run
	restarts []Restart
	items    []item
	records  []record
	last     Estimate
}

// item is a run made ready for the fit.
type item struct {
	id    fleet.RunID
	cell  fleet.CellID
	car   fleet.CarID
	at    time.Time
	week  float64 // At in weeks since 1970
	cellN int     // adjusted restarts of the cell up to At
	carN  int     // the same of the car
	epoch fleet.EpochID
	// cusumN counts all restarts of the cell up to At.
	cusumN int
	pulls  []pull
	// points is the band points all pulls have; 0: they differ.
	points int
	source *refrun.Run
}

type pull struct {
	y    float64 // band mean
	ramp float64
	src  *refrun.Pull
}

// cellKey and carKey name a cell's error and a car's level between restarts.
type cellKey struct {
	cell fleet.CellID
	n    int
}
type carKey struct {
	car fleet.CarID
	n   int
}

// record is a step with what the steps after it need to know.
type record struct {
	step      Step
	varWeek   int64
	variances Variances
	base      *carBase // of the step's car, when it became known here
}

// carBase is a car's level in its first weeks.
type carBase struct {
	key           carKey
	at            time.Time
	level         float64
	own, contrast float64 // variance of the level; of the level less the others' mean
}

// NewFollower returns a Follower that knows nothing yet.
func NewFollower(s Settings) (*Follower, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	limit, err := LimitFor(s.RunsPerCellYear/s.FalseFlagsPerCellYear, s.K)
	if err != nil {
		return nil, fmt.Errorf("limit for %g false flags per cell and year: %w", s.FalseFlagsPerCellYear, err)
	}
	return &Follower{s: s, limit: limit}, nil
}

// Follow is the package's Follow.
func (f *Follower) Follow(h History) (Followed, error) {
	runs, restarts, err := arrange(h)
	if err != nil {
		return Followed{}, err
	}
	items := prepare(runs, restarts)
	keep := f.unchanged(runs, items)
	f.runs, f.restarts, f.items = runs, restarts, items
	f.records = f.records[:keep]

	st := newState()
	for i := range f.records {
		st.replay(&f.records[i], &items[i])
	}
	for i := keep; i < len(items); i++ {
		r, est, err := f.step(st, i)
		if err != nil {
			return Followed{}, fmt.Errorf("reference run %s: %w", items[i].id, err)
		}
		f.records = append(f.records, r)
		f.last = est
		st.replay(&f.records[i], &items[i])
	}
	if len(items) == 0 {
		f.last = Estimate{Limit: f.limit}
	} else if keep == len(items) && !f.last.At.Equal(items[keep-1].at) {
		// The history got shorter: where the fleet stood then.
		if _, f.last, err = f.estimate(st, keep-1, f.records[keep-1].variances); err != nil {
			return Followed{}, err
		}
	}
	out := Followed{Steps: make([]Step, len(f.records)), Estimate: f.last}
	for i, r := range f.records {
		out.Steps[i] = r.step
	}
	return out, nil
}

// arrange returns the runs and restarts in time order, after checking them.
func arrange(h History) ([]refrun.Run, []Restart, error) {
	runs := slices.Clone(h.Runs)
	sort.SliceStable(runs, func(i, j int) bool {
		if !runs[i].At.Equal(runs[j].At) {
			return runs[i].At.Before(runs[j].At)
		}
		return runs[i].ID < runs[j].ID
	})
	seen := make(map[fleet.RunID]bool, len(runs))
	for _, r := range runs {
		if r.ID == "" || r.Cell == "" || r.Car == "" || r.At.IsZero() {
			return nil, nil, fmt.Errorf("reference run %q of cell %q, car %q at %v: id, cell, car and time must all be said", r.ID, r.Cell, r.Car, r.At)
		}
		if seen[r.ID] {
			return nil, nil, fmt.Errorf("reference run %s is given twice", r.ID)
		}
		seen[r.ID] = true
	}
	restarts := slices.Clone(h.Restarts)
	for _, r := range restarts {
		if (r.Cell == "") == (r.Car == "") || r.At.IsZero() {
			return nil, nil, fmt.Errorf("restart of cell %q, car %q at %v: a time and either a cell or a car must be said", r.Cell, r.Car, r.At)
		}
	}
	sort.SliceStable(restarts, func(i, j int) bool {
		a, b := restarts[i], restarts[j]
		switch {
		case !a.At.Equal(b.At):
			return a.At.Before(b.At)
		case a.Cell != b.Cell:
			return a.Cell < b.Cell
		case a.Car != b.Car:
			return a.Car < b.Car
		case a.Epoch != b.Epoch:
			return a.Epoch < b.Epoch
		}
		return !a.Adjusted && b.Adjusted
	})
	return runs, restarts, nil
}

// prepare makes the runs ready. A pull with a y that is not finite is left out.
func prepare(runs []refrun.Run, restarts []Restart) []item {
	type counts struct {
		adjusted, all int
		epoch         fleet.EpochID
	}
	cells := map[fleet.CellID]counts{}
	cars := map[fleet.CarID]int{}
	items := make([]item, len(runs))
	next := 0
	for i := range runs {
		r := &runs[i]
		for ; next < len(restarts) && !restarts[next].At.After(r.At); next++ {
			s := restarts[next]
			if s.Car != "" {
				if s.Adjusted {
					cars[s.Car]++
				}
				continue
			}
			c := cells[s.Cell]
			c.all++
			if s.Adjusted {
				c.adjusted++
			}
			if s.Epoch != "" {
				c.epoch = s.Epoch
			}
			cells[s.Cell] = c
		}
		c := cells[r.Cell]
		it := item{
			id: r.ID, cell: r.Cell, car: r.Car, at: r.At, week: float64(r.At.UnixNano()) / float64(Week),
			cellN: c.adjusted, cusumN: c.all, epoch: c.epoch, carN: cars[r.Car], source: r,
		}
		for k := range r.Pulls {
			p := &r.Pulls[k]
			sum, ok := 0.0, len(p.Y) > 0
			for _, v := range p.Y {
				sum += v
			}
			if !ok || math.IsNaN(sum) || math.IsInf(sum, 0) || math.IsNaN(p.RampRate) || math.IsInf(p.RampRate, 0) {
				continue
			}
			switch {
			case len(it.pulls) == 0:
				it.points = len(p.Y)
			case it.points != len(p.Y):
				it.points = 0
			}
			it.pulls = append(it.pulls, pull{y: sum / float64(len(p.Y)), ramp: p.RampRate, src: p})
		}
		items[i] = it
	}
	return items
}

// unchanged returns how many of the first runs are as they were.
func (f *Follower) unchanged(runs []refrun.Run, items []item) int {
	n := min(len(f.records), len(runs))
	for i := range n {
		a, b := &f.items[i], &items[i]
		if a.cellN != b.cellN || a.carN != b.carN || a.cusumN != b.cusumN || a.epoch != b.epoch || !sameRun(&f.runs[i], &runs[i]) {
			return i
		}
	}
	return n
}

func sameRun(a, b *refrun.Run) bool {
	if a.ID != b.ID || a.Cell != b.Cell || a.Car != b.Car || !a.At.Equal(b.At) || len(a.Pulls) != len(b.Pulls) {
		return false
	}
	for i := range a.Pulls {
		p, q := &a.Pulls[i], &b.Pulls[i]
		if p.RampRate != q.RampRate || !slices.Equal(p.Y, q.Y) {
			return false
		}
		for _, fault := range signed {
			if !slices.Equal(p.Signature[fault], q.Signature[fault]) {
				return false
			}
		}
	}
	return true
}

// signed are the faults a pull has a signature for.
var signed = [...]fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir}

// state is what goes from step to step.
type state struct {
	cusum   map[fleet.CellID]*cellState
	first   map[carKey]time.Time
	base    map[carKey]*carBase
	cells   []fleet.CellID // in order of first appearance
	cars    []carKey
	varWeek int64
	hasVar  bool
	v       Variances
}

type cellState struct {
	high, low float64
	restarts  int
	lastAt    time.Time
}

func newState() *state {
	return &state{cusum: map[fleet.CellID]*cellState{}, first: map[carKey]time.Time{}, base: map[carKey]*carBase{}}
}

func (st *state) cell(it *item) *cellState {
	c := st.cusum[it.cell]
	if c == nil {
		c = &cellState{restarts: it.cusumN}
		st.cusum[it.cell] = c
		st.cells = append(st.cells, it.cell)
	}
	return c
}

// replay brings the state from before a step to after it.
func (st *state) replay(r *record, it *item) {
	c := st.cell(it)
	c.high, c.low, c.restarts, c.lastAt = r.step.High, r.step.Low, it.cusumN, it.at
	st.note(it)
	if r.base != nil {
		st.base[r.base.key] = r.base
	}
	st.varWeek, st.hasVar, st.v = r.varWeek, true, r.variances
}

func (st *state) note(it *item) {
	k := carKey{it.car, it.carN}
	if _, ok := st.first[k]; !ok {
		st.first[k] = it.at
		st.cars = append(st.cars, k)
	}
}

// step computes step i from the items up to i.
func (f *Follower) step(st *state, i int) (record, Estimate, error) {
	it := &f.items[i]
	c := st.cell(it)
	cusum := CUSUM{K: f.s.K, High: c.high, Low: c.low}
	restarted := c.lastAt.IsZero()
	if c.restarts != it.cusumN {
		cusum.High, cusum.Low, restarted = 0, 0, true
	}
	st.note(it)

	// Variances are estimated anew with the first run of every week, from the
	// runs before it.
	week := int64(math.Floor(it.week))
	v := st.v
	if !st.hasVar || week != st.varWeek {
		v = f.variances(i)
	}
	rec := record{varWeek: week, variances: v}
	step := Step{
		Run: it.id, Cell: it.cell, Car: it.car, At: it.at, Pulls: len(it.pulls), Epoch: it.epoch,
		Restarted: restarted, Limit: f.limit, Variances: v, BandPoints: it.points,
	}

	if err := f.judge(&step, i, v); err != nil {
		return rec, Estimate{}, err
	}
	if step.Judged {
		cusum.Add(math.Max(-f.s.Clip, math.Min(f.s.Clip, step.Innovation)))
	}
	step.High, step.Low = cusum.High, cusum.Low
	step.Drifting = cusum.High > f.limit || cusum.Low > f.limit

	after, est, err := f.estimate(st, i, v)
	if err != nil {
		return rec, est, err
	}
	if after != nil {
		key := carKey{it.car, it.carN}
		if st.base[key] == nil {
			if rec.base = f.baseline(st, after, key, it); rec.base != nil {
				st.base[key] = rec.base
				// The car itself now has somewhere to be measured from.
				est.Cars = f.carEstimates(st, after, it)
			}
		}
		step.Slow, step.Fast = after.residuals(it)
	}
	for _, e := range est.Cells {
		if e.Cell == it.cell {
			step.CellEstimate = e
		}
	}
	for _, e := range est.Cars {
		if e.Car == it.car {
			step.CarEstimate = e
		}
	}
	rec.step = step
	return rec, est, nil
}

// judge compares run i with what the runs before it lead to expect.
func (f *Follower) judge(step *Step, i int, v Variances) error {
	it := &f.items[i]
	if len(it.pulls) == 0 {
		step.Skipped = "no pull of this run is fit to judge the cell with"
		return nil
	}
	m, err := f.fit(f.inWindow(i, it, f.s.Memory, false), it.week, v)
	if err != nil {
		return err
	}
	car, known := -1, false
	if m != nil {
		car, known = m.car(carKey{it.car, it.carN})
	}
	if !known {
		step.Skipped = fmt.Sprintf("car %s has no run in the %s before this one to expect anything from", it.car, weeks(f.s.Window))
		return nil
	}
	mean, ramp := 0.0, 0.0
	for _, p := range it.pulls {
		mean += p.y
		ramp += m.rampValue(car, p.ramp)
	}
	n := float64(len(it.pulls))
	mean, ramp = mean/n, ramp/n
	terms := m.carTerms(car, it.week, ramp)
	spread := v.Session + v.Pull/n
	if cell, ok := m.cellAt[cellKey{it.cell, it.cellN}]; ok {
		terms = append(terms, term{m.fit.Index(factorCell, cell), 1})
	} else {
		spread += v.Cell
	}
	sd := math.Sqrt(m.fit.variance(terms) + spread)
	step.Judged = true
	step.Deviation = mean - m.value(m.fit, terms)
	step.UDeviation = 2 * sd
	step.Innovation = step.Deviation / sd
	return f.judgeDay(step, i, v)
}

// judgeDay compares run i with what the cars gave on all other cells before it:
// what this cell did then has no part in it, so that a fault that lasts does
// not come to be expected.
func (f *Follower) judgeDay(step *Step, i int, v Variances) error {
	it := &f.items[i]
	others := slices.DeleteFunc(f.inWindow(i, it, f.s.Memory, false), func(o *item) bool { return o.cell == it.cell })
	m, err := f.fit(others, it.week, v)
	if err != nil || m == nil {
		return err
	}
	car, known := m.car(carKey{it.car, it.carN})
	if !known {
		return nil
	}
	mean, ramp := 0.0, 0.0
	for _, p := range it.pulls {
		mean += p.y
		ramp += m.rampValue(car, p.ramp)
	}
	n := float64(len(it.pulls))
	centre, terms := m.centre()
	terms = append(terms, m.carTerms(car, it.week, ramp/n)...)
	step.DayOffset = mean/n - m.value(m.fit, m.carTerms(car, it.week, ramp/n)) - centre
	step.UDayOffset = 2 * math.Sqrt(m.fit.variance(terms)+v.Session+v.Pull/n)
	return nil
}

func weeks(d time.Duration) string {
	if d%Week == 0 {
		return fmt.Sprintf("%d weeks", d/Week)
	}
	return fmt.Sprintf("%.3g weeks", float64(d)/float64(Week))
}

// inWindow returns the indices of the runs with pulls that are no older than
// window before it, up to i (with it or not).
func (f *Follower) inWindow(i int, it *item, window time.Duration, with bool) []*item {
	from := it.at.Add(-window)
	lo := sort.Search(i, func(k int) bool { return f.items[k].at.After(from) })
	out := make([]*item, 0, i-lo+1)
	for k := lo; k < i; k++ {
		if len(f.items[k].pulls) > 0 {
			out = append(out, &f.items[k])
		}
	}
	if with && len(it.pulls) > 0 {
		out = append(out, it)
	}
	return out
}
