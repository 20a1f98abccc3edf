package fleetstate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Follower is Follow with a memory: on a history that has grown it goes on from
// what it knows of the unchanged beginning, so that a new run at the end costs
// one Update, and one that comes late what has happened since. Its answers are
// those of Follow, bit for bit. It keeps the runs it was given, which must not be
// changed. It is not safe for concurrent use.
type Follower struct {
	s      Settings
	points int
	items  []item
	steps  []Step
	now    *mark // after the last item; nil: nothing is known
	marks  []*mark
}

// mark is where the Follower stood after some of the items.
type mark struct {
	items, steps int
	at           time.Time // of the last of them
	runs, next   int       // runs taken in, and how many ask for the next estimate
	estimated    bool      // the variances were estimated right there
	fit          *Fit
	restarted    map[fleet.CellID]bool
}

// Witness is told what Follow does: Kept, how many of the first steps stay as
// they were told before; then Look for each of the others, with the fleet right
// after the run, which is only lent.
type Witness interface {
	Kept(steps int)
	Look(s *Step, f *Fit)
}

// NewFollower returns a Follower that knows nothing yet, or what is wrong with
// the settings.
func NewFollower(s Settings) (*Follower, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	return &Follower{s: s}, nil
}

// Follow is the package's Follow. The fleet it returns is good until the next
// call. w may be nil.
func (f *Follower) Follow(h History, w Witness) (steps []Step, fit *Fit, err error) {
	// What fails leaves nothing behind.
	defer func() {
		if err != nil {
			*f = Follower{s: f.s}
		}
	}()
	items, points, err := arrange(h)
	if err != nil {
		return nil, nil, fmt.Errorf("fleetstate: %w", err)
	}
	same := 0
	if points == f.points {
		for same < min(len(items), len(f.items)) && items[same].same(&f.items[same]) {
			same++
		}
	}
	m := f.from(same)
	if m == nil {
		m = &mark{next: firstEstimate, restarted: map[fleet.CellID]bool{}}
		m.fit = &Fit{Settings: f.s, Variances: f.s.Stated(), net: &network{s: f.s, modes: bandModes(points, f.s.Modes), carRestarts: map[fleet.CarID][]float64{}}}
	}
	f.points, f.items, f.now = points, items, m
	f.steps = slices.Clip(f.steps[:m.steps])
	if w != nil {
		w.Kept(m.steps)
	}
	for m.items < len(items) {
		it := &items[m.items]
		if m.items > 0 && day(it.key.at) != day(m.at) {
			f.remember()
		}
		taken, err := m.fit.Update(it.what)
		if err != nil {
			return nil, nil, fmt.Errorf("follow the fleet: %w", err)
		}
		m.items, m.at, m.estimated = m.items+1, it.key.at, false
		for _, r := range it.what.Restarts {
			m.restarted[r.Cell] = true
		}
		for i, t := range taken {
			r := &it.what.Runs[i]
			st := Step{Taken: t, Cell: r.Cell, Car: r.Car, At: r.At, Restarted: m.restarted[r.Cell]}
			delete(m.restarted, r.Cell)
			m.runs++
			if m.runs == m.next {
				m.next *= 2
				s := f.s
				s.Settle = math.Max(s.Settle, followSettle)
				if m.fit, err = estimateFrom(past(items[:m.items]), s, s.anew(m.fit.Variances)); err != nil {
					return nil, nil, fmt.Errorf("follow the fleet: %w", err)
				}
				m.fit.Settings, m.fit.net.s = f.s, f.s
				m.estimated = true
			}
			c, _ := m.fit.cellPlace(r.Cell)
			a := m.fit.agree(r.At)
			st.Offset = m.fit.against(&a, c, r.At)
			if st.Judged {
				st.Day -= a.Value
			}
			m.steps++
			if w != nil {
				w.Look(&st, m.fit)
			}
			f.steps = append(f.steps, st)
		}
		if m.estimated {
			f.remember()
		}
	}
	return f.steps, m.fit, nil
}

// followSettle is Settings.Settle of an estimate on the way: of a variance of 50
// degrees of freedom 2 %, where the data know it to 20 %.
const followSettle = 0.01

// day is a time's day since 1970.
func day(t time.Time) int64 { return t.Unix() / int64(24*time.Hour/time.Second) }

// remember keeps a copy of where the Follower stands: of each of the last days,
// of each of the weeks before, and of every estimate.
func (f *Follower) remember() {
	const days, weeks = 8, 5
	today := day(f.now.at)
	f.marks = slices.DeleteFunc(f.marks, func(m *mark) bool {
		age := today - day(m.at)
		return !m.estimated && age > days && (day(m.at)%7 != 0 || age > 7*weeks)
	})
	c := *f.now
	c.fit, c.restarted = c.fit.clone(), maps.Clone(c.restarted)
	f.marks = append(f.marks, &c)
}

// from returns where to go on from when the first items are the same, to be
// changed by the caller; nil: from the beginning.
func (f *Follower) from(same int) *mark {
	f.marks = slices.DeleteFunc(f.marks, func(m *mark) bool { return m.items > same })
	if f.now != nil && f.now.items <= same {
		return f.now
	}
	if len(f.marks) == 0 {
		return nil
	}
	c := *f.marks[len(f.marks)-1]
	c.fit, c.restarted = c.fit.clone(), maps.Clone(c.restarted)
	return &c
}

// Clone returns a copy that stays as it is when f is updated. It changes nothing
// that can be read of f, but is not to be called while f is updated.
func (f *Fit) Clone() *Fit { return f.clone() }

// clone returns a copy that Update may change without changing f.
func (f *Fit) clone() *Fit {
	c := *f
	c.g, c.inv = slices.Clone(f.g), slices.Clone(f.inv)
	c.cells = slices.Clone(f.cells)
	for i := range c.cells {
		s := &c.cells[i]
		for _, x := range []*[]float64{&s.p, &s.b, &s.c, &s.x, &s.cov, &s.sig, &s.null.p, &s.null.b, &s.null.c} {
			*x = slices.Clone(*x)
		}
	}
	n := *f.net
	c.net = &n
	// What is taken in is never changed, only added to.
	n.runs = slices.Clip(n.runs)
	f.net.runs = n.runs
	n.cars = slices.Clone(n.cars)
	for j := range n.cars {
		car := &n.cars[j]
		car.weeks, car.knots, car.ref, car.loose = slices.Clone(car.weeks), slices.Clone(car.knots), slices.Clone(car.ref), slices.Clone(car.loose)
	}
	n.cells = slices.Clone(n.cells)
	for i := range n.cells {
		t := &n.cells[i]
		t.events = slices.Clip(t.events)
		f.net.cells[i].events = t.events
		t.cols, t.place = slices.Clone(t.cols), maps.Clone(t.place)
	}
	n.carRestarts = map[fleet.CarID][]float64{}
	for car, weeks := range f.net.carRestarts {
		n.carRestarts[car] = slices.Clone(weeks)
	}
	return &c
}

// item is one thing of a history, with what orders it.
type item struct {
	key  event
	what History
}

// past puts items together again.
func past(items []item) History {
	var h History
	for i := range items {
		w := &items[i].what
		h.Runs = append(h.Runs, w.Runs...)
		h.Observations = append(h.Observations, w.Observations...)
		h.Restarts = append(h.Restarts, w.Restarts...)
	}
	return h
}

// same says that two items are the same thing.
func (i *item) same(o *item) bool {
	if len(i.what.Runs) == 1 && len(o.what.Runs) == 1 {
		return sameRun(&i.what.Runs[0], &o.what.Runs[0])
	}
	return len(i.what.Runs) == len(o.what.Runs) &&
		slices.EqualFunc(i.what.Observations, o.what.Observations, sameObservation) &&
		slices.EqualFunc(i.what.Restarts, o.what.Restarts, sameRestart)
}

func sameObservation(a, b Observation) bool {
	return a.Cell == b.Cell && a.ID == b.ID && a.At.Equal(b.At) && a.AsLeft == b.AsLeft && slices.Equal(a.Faults, b.Faults) && slices.Equal(a.Value, b.Value) &&
		slices.EqualFunc(a.Covariance, b.Covariance, slices.Equal) && (a.Response == nil) == (b.Response == nil) && slices.EqualFunc(a.Response, b.Response, slices.Equal)
}

func sameRestart(a, b Restart) bool {
	return a.Cell == b.Cell && a.Car == b.Car && a.At.Equal(b.At) && (a.Faults == nil) == (b.Faults == nil) && slices.Equal(a.Faults, b.Faults)
}

// sameRun says that two runs say the same to the model.
func sameRun(a, b *refrun.Run) bool {
	if a.ID != b.ID || a.Cell != b.Cell || a.Car != b.Car || !a.At.Equal(b.At) || a.Air != b.Air || len(a.Pulls) != len(b.Pulls) {
		return false
	}
	equal := func(x, y []float64) bool {
		return len(x) == len(y) && (len(x) == 0 || &x[0] == &y[0] || slices.Equal(x, y))
	}
	for i := range a.Pulls {
		p, q := &a.Pulls[i], &b.Pulls[i]
		if p.ID != q.ID || p.RampRate != q.RampRate || p.LnC != q.LnC || !equal(p.Y, q.Y) || !equal(p.Force, q.Force) || !equal(p.Acceleration, q.Acceleration) || len(p.Signature) != len(q.Signature) {
			return false
		}
		for f, s := range p.Signature {
			if !equal(s, q.Signature[f]) {
				return false
			}
		}
	}
	return true
}

// arrange parts a history into one thing each, in time order; what comes at one
// moment in the order of a cell's events. Restarts of one cell or car at one
// moment are put together. points is the runs' number of band points.
func arrange(h History) (items []item, points int, err error) {
	seen := make(map[fleet.RunID]bool, len(h.Runs))
	for i := range h.Runs {
		r := h.Runs[i]
		if len(r.Pulls) == 0 {
			continue
		}
		if err := checkRun(&r, &points); err != nil {
			return nil, 0, err
		}
		if seen[r.ID] {
			return nil, 0, fmt.Errorf("run %s is given twice: give each reference run once", r.ID)
		}
		seen[r.ID] = true
		items = append(items, item{event{at: r.At, kind: session, id: string(r.ID)}, History{Runs: []refrun.Run{r}}})
	}
	if points == 0 {
		points = refrun.K
	}
	for _, o := range h.Observations {
		kind := asFound
		if o.AsLeft {
			kind = asLeft
		}
		items = append(items, item{event{at: o.At, kind: kind, id: o.ID}, History{Observations: []Observation{o}}})
	}
	type what struct {
		cell fleet.CellID
		car  fleet.CarID
		at   int64
	}
	together := map[what]*Restart{}
	for _, r := range h.Restarts {
		k := what{r.Cell, r.Car, r.At.UnixNano()}
		o := together[k]
		switch {
		case o == nil:
			r.Faults = slices.Clone(r.Faults)
			slices.Sort(r.Faults)
			together[k] = &r
		case r.Faults == nil:
			o.Faults = nil
		case o.Faults != nil:
			o.Faults = append(o.Faults, r.Faults...)
			slices.Sort(o.Faults)
			o.Faults = slices.Compact(o.Faults)
		}
	}
	for _, r := range together {
		items = append(items, item{event{at: r.At, kind: restart, id: string(r.Cell) + "\x00" + string(r.Car)}, History{Restarts: []Restart{*r}}})
	}
	slices.SortFunc(items, func(a, b item) int { return order(a.key, b.key) })
	return items, points, nil
}
