package fleetstate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Restart is a moment at which errors of a cell, or a car, begin anew: what was
// before says nothing of what follows. Exactly one of Cell and Car is set.
type Restart struct {
	Cell fleet.CellID
	Car  fleet.CarID // a new epoch of the car: after a repair, another set-up
	At   time.Time
	// Faults are the errors of the cell that restart; nil: all, as when a cell
	// is moved or rebuilt. A recalibration restarts gain and zero. Empty but not
	// nil: none; what the cell is held steady from begins anew, as when somebody
	// has answered for it as it is.
	Faults []fleet.Fault
}

// Observation is a direct observation of errors of a cell: dead weights give
// gain and zero with their covariance, a zero check zero, an empty-roller
// coast-down the parasitic loss with the base inertia and the zero in it, a
// barometer or ln C against the site's other cells the air.
type Observation struct {
	Cell       fleet.CellID
	ID         string
	At         time.Time
	AsLeft     bool // made after the restart of the same moment, else before it
	Faults     []fleet.Fault
	Value      []float64   // in the faults' units
	Covariance [][]float64 // of Value, positive definite
	// Response is, for each value, what it shows per unit of each of Faults; its
	// rows must be independent. nil: Value are the errors themselves.
	Response [][]float64
}

// Observe returns the observation of a single error with standard uncertainty
// u > 0.
func Observe(cell fleet.CellID, id string, at time.Time, f fleet.Fault, value, u float64) Observation {
	return Observation{Cell: cell, ID: id, At: at, Faults: []fleet.Fault{f}, Value: []float64{value}, Covariance: [][]float64{{u * u}}}
}

// History is all that Fit needs to know. The order within each list does not
// matter.
type History struct {
	Runs         []refrun.Run
	Observations []Observation
	Restarts     []Restart
}

// eventKind orders what happens to a cell at one moment.
type eventKind uint8

const (
	asFound eventKind = iota
	restart
	asLeft
	session
	moment // nothing: a time to look at
)

// event is something that happened to a cell.
type event struct {
	at   time.Time
	week float64
	kind eventKind
	id   string
	// loose is by how much the variance of each error's step to here is larger
	// than the walk's, because a jump is seen there; nil: 1.
	loose []float64

	// session
	run    int // in network.runs; −1: none kept
	stat   stat
	lambda float64   // weight of the session
	pull   []float64 // weights of its pulls; nil: all 1
	car    int       // in network.cars
	// knots of the car's own change, −1: none, with their weights.
	knot [2]int
	part [2]float64

	// observation: value and precision over the d errors
	y    []float64
	prec []float64 // d × d
	logV float64   // log of the covariance's determinant
	seen int       // observation: how many errors it sees
	mask uint16    // restart: the errors that begin anew
}

// carEpoch is a reference car between two of its restarts.
type carEpoch struct {
	car      fleet.CarID
	n        int
	start    float64   // week of the first session
	last     float64   // week of the last
	weeks    []float64 // of knots 0, 1, 2, …
	ref      []float64
	base     int       // first of the car's unknowns: curve modes, rotating mass, intake
	knots    []int     // unknowns of knots 1, 2, …; knot 0 is 0
	loose    []float64 // as event.loose, of the step to each knot; nil: 1
	curve    []float64 // C·F of its first session, see signature; nil: not said
	sessions int
}

// step returns the variance of the step to knot i (from 0: to knot 1).
func (c *carEpoch) step(v *Variances, i int) float64 {
	return v.CarWalk * (c.weeks[i+1] - c.weeks[i]) * c.looseness(i)
}

// looseness is event.loose of an error.
func (e *event) looseness(f int) float64 {
	if e.loose == nil {
		return 1
	}
	return e.loose[f]
}

// place returns the two knots about a week, with their parts.
func (c *carEpoch) place(week float64) (knot [2]int, part [2]float64) {
	if len(c.knots) == 0 {
		return [2]int{-1, -1}, [2]float64{1, 0}
	}
	k := sort.SearchFloat64s(c.weeks, week) - 1
	k = max(0, min(k, len(c.knots)-1))
	x := (week - c.weeks[k]) / (c.weeks[k+1] - c.weeks[k])
	knot = [2]int{-1, c.knots[k]}
	part = [2]float64{1 - x, x}
	if k > 0 {
		knot[0] = c.knots[k-1]
	}
	return knot, part
}

// knotWeeks returns the weeks of the knots of a car from its first session to its
// last: a spacing apart from the first on, where so many suffice; else so from
// the last back over recentShare of them, and what is before in equal parts.
func knotWeeks(first, last, spacing float64, most int) []float64 {
	// Half a second of rounding is no knot.
	const slack = 1e-6
	n := int(math.Ceil((last-first)/spacing - slack))
	if n < 1 {
		return []float64{first}
	}
	var out []float64
	if n <= most {
		for i := range n + 1 {
			out = append(out, first+float64(i)*spacing)
		}
		return out
	}
	recent := min(int(recentShare*float64(most)), most-1)
	from := last - float64(recent)*spacing
	older := most - recent
	for i := range older {
		out = append(out, first+(from-first)*float64(i)/float64(older))
	}
	for i := range recent + 1 {
		out = append(out, from+float64(i)*spacing)
	}
	return out
}

// recentShare is the share of a car's knots that lie close, up to its last
// session.
const recentShare = 0.75

// cellTrack is a cell's history.
type cellTrack struct {
	id     fleet.CellID
	events []event
	cols   []int       // the unknowns its cars bring, in the order first met
	place  map[int]int // their inverse
	runs   int
}

// local returns a cell's place of an unknown, new if need be.
func (c *cellTrack) local(g int) int {
	if g < 0 {
		return -1
	}
	if l, ok := c.place[g]; ok {
		return l
	}
	l := len(c.cols)
	c.place[g] = l
	c.cols = append(c.cols, g)
	return l
}

// network is the fleet laid out for the algebra.
type network struct {
	s     Settings
	modes [][]float64
	runs  []refrun.Run // by time, then id
	cars  []carEpoch
	cells []cellTrack // by id
	n     int         // unknowns of the cars
	// by car: restarts
	carRestarts map[fleet.CarID][]float64
	at          time.Time // of the last event
}

// weekOf is the time in weeks since 1970.
func weekOf(t time.Time) float64 {
	return float64(t.Unix())/Week.Seconds() + float64(t.Nanosecond())/float64(Week)
}

// q is the number of band modes.
func (n *network) q() int { return len(n.modes) }

// d is the number of errors of a cell.
func (n *network) d() int { return len(n.s.Faults) }

// faultPlace returns a fault's place in the state, −1: not in the model.
func (n *network) faultPlace(f fleet.Fault) int {
	return slices.IndexFunc(n.s.Faults, func(m FaultModel) bool { return m.Fault == f })
}

// lay builds the network of a history. A cell's errors start at its first event,
// or at its origin where one is given.
func lay(h History, s Settings, origin map[fleet.CellID]time.Time) (*network, error) {
	net := &network{s: s, carRestarts: map[fleet.CarID][]float64{}}
	points := 0
	for i := range h.Runs {
		r := &h.Runs[i]
		if len(r.Pulls) == 0 {
			continue // nothing in it may judge the cell
		}
		if err := checkRun(r, &points); err != nil {
			return nil, err
		}
		net.runs = append(net.runs, *r)
	}
	slices.SortFunc(net.runs, func(a, b refrun.Run) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	seen := make(map[fleet.RunID]bool, len(net.runs))
	for i := range net.runs {
		if seen[net.runs[i].ID] {
			return nil, fmt.Errorf("run %s is given twice: give each reference run once", net.runs[i].ID)
		}
		seen[net.runs[i].ID] = true
	}
	if points == 0 {
		points = refrun.K
	}
	net.modes = bandModes(points, s.Modes)

	for _, r := range h.Restarts {
		if (r.Cell == "") == (r.Car == "") || r.At.IsZero() {
			return nil, fmt.Errorf("restart at %v: name a cell or a car, and the time", r.At)
		}
		if r.Car != "" {
			net.carRestarts[r.Car] = append(net.carRestarts[r.Car], weekOf(r.At))
		}
	}
	for car := range net.carRestarts {
		slices.Sort(net.carRestarts[car])
	}

	// Cars, in the order of their first run.
	type key struct {
		car fleet.CarID
		n   int
	}
	carAt := map[key]int{}
	carOf := make([]int, len(net.runs))
	for i := range net.runs {
		r := &net.runs[i]
		w := weekOf(r.At)
		k := key{r.Car, net.epochOf(r.Car, w)}
		j, ok := carAt[k]
		if !ok {
			j = len(net.cars)
			carAt[k] = j
			net.cars = append(net.cars, carEpoch{car: r.Car, n: k.n, start: w, curve: curveOf(r)})
		}
		net.cars[j].last = w
		net.cars[j].sessions++
		carOf[i] = j
	}
	for j := range net.cars {
		net.layCar(&net.cars[j])
	}

	cellAt := map[fleet.CellID]int{}
	var ids []fleet.CellID
	meet := func(id fleet.CellID) {
		if _, ok := cellAt[id]; !ok {
			cellAt[id] = 0
			ids = append(ids, id)
		}
	}
	for i := range net.runs {
		meet(net.runs[i].Cell)
	}
	for i := range h.Observations {
		if h.Observations[i].Cell == "" || h.Observations[i].At.IsZero() {
			return nil, fmt.Errorf("observation %q: name its cell and time", h.Observations[i].ID)
		}
		meet(h.Observations[i].Cell)
	}
	slices.Sort(ids)
	net.cells = make([]cellTrack, len(ids))
	for c, id := range ids {
		cellAt[id] = c
		net.cells[c] = cellTrack{id: id, place: map[int]int{}}
	}
	stats := make([]stat, len(net.runs))
	each(len(net.runs), s.Workers, func(_, i int) { stats[i] = newStat(&net.runs[i], net.modes, s.Faults, net.cars[carOf[i]].curve, nil) })
	for i := range net.runs {
		r := &net.runs[i]
		e := net.sessionEvent(r, i, carOf[i], stats[i])
		c := &net.cells[cellAt[r.Cell]]
		c.events = append(c.events, e)
		c.runs++
	}
	for i := range h.Observations {
		o := &h.Observations[i]
		e, ok, err := net.observationEvent(o)
		if err != nil {
			return nil, err
		}
		if ok {
			c := &net.cells[cellAt[o.Cell]]
			c.events = append(c.events, e)
		}
	}
	for _, r := range h.Restarts {
		c, ok := cellAt[r.Cell]
		if r.Cell == "" || !ok {
			continue
		}
		net.cells[c].events = append(net.cells[c].events, net.restartEvent(r))
	}
	for c := range net.cells {
		t := &net.cells[c]
		if at, ok := origin[t.id]; ok {
			t.events = append(t.events, event{at: at, week: weekOf(at), kind: moment})
		}
		slices.SortStableFunc(t.events, order)
		for i := range t.events {
			net.touch(t, &t.events[i])
			if t.events[i].at.After(net.at) {
				net.at = t.events[i].at
			}
		}
	}
	return net, nil
}

func order(a, b event) int {
	return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.kind, b.kind), cmp.Compare(a.id, b.id), cmp.Compare(a.mask, b.mask))
}

// checkRun refuses a run that cannot be computed with.
func checkRun(r *refrun.Run, points *int) error {
	if r.ID == "" || r.Cell == "" || r.Car == "" || r.At.IsZero() {
		return fmt.Errorf("run %q of car %q on cell %q at %v: a reference run needs its id, cell, car and time", r.ID, r.Car, r.Cell, r.At)
	}
	for i := range r.Pulls {
		p := &r.Pulls[i]
		if *points == 0 {
			*points = len(p.Y)
		}
		if len(p.Y) == 0 || len(p.Y) != *points {
			return fmt.Errorf("run %s, pull %s: has %d band points where the others have %d: assemble all runs with the same number", r.ID, p.ID, len(p.Y), *points)
		}
		sum := p.LnC
		for _, y := range p.Y {
			sum += y
		}
		for _, f := range p.Force {
			sum += f
		}
		for f, s := range p.Signature {
			if s != nil && len(s) != *points {
				return fmt.Errorf("run %s, pull %s: the signature of %v has %d points, the pull %d: assemble it again", r.ID, p.ID, f, len(s), *points)
			}
			for _, y := range s {
				sum += y
			}
		}
		if sum-sum != 0 {
			return fmt.Errorf("run %s, pull %s: has a value that is not finite: assemble it again from its curve", r.ID, p.ID)
		}
	}
	return nil
}

// epochOf counts the restarts of a car up to a week.
func (n *network) epochOf(car fleet.CarID, week float64) int {
	k := 0
	for _, w := range n.carRestarts[car] {
		if w <= week {
			k++
		}
	}
	return k
}

// layCar gives a car its unknowns.
func (n *network) layCar(c *carEpoch) {
	c.base = n.n
	n.n += n.q() + 2
	c.weeks = []float64{c.start}
	if n.s.CarWalk.SD == 0 {
		return
	}
	c.weeks = knotWeeks(c.start, c.last, n.spacing(), n.s.MostKnots)
	for range c.weeks[1:] {
		c.knots = append(c.knots, n.n)
		n.n++
	}
}

// spacing is that of close knots, weeks.
func (n *network) spacing() float64 { return n.s.KnotSpacing.Seconds() / Week.Seconds() }

func (n *network) sessionEvent(r *refrun.Run, run, car int, st stat) event {
	c := &n.cars[car]
	e := event{at: r.At, week: weekOf(r.At), kind: session, id: string(r.ID), run: run, lambda: 1, car: car, stat: st}
	n.settle(&e)
	e.knot, e.part = c.place(e.week)
	return e
}

// settle takes the car's reference off a session's observable: differences of
// thousandths keep their digits then.
func (n *network) settle(e *event) {
	c := &n.cars[e.car]
	w := width(n.d())
	if c.ref == nil {
		c.ref = make([]float64, n.q())
		for i := range c.ref {
			c.ref[i] = e.stat.mean[(i+1)*w-1]
		}
	}
	for i := range c.ref {
		e.stat.mean[(i+1)*w-1] -= c.ref[i]
	}
}

func (n *network) restartEvent(r Restart) event {
	e := event{at: r.At, week: weekOf(r.At), kind: restart}
	for i, f := range n.s.Faults {
		if r.Faults == nil || slices.Contains(r.Faults, f.Fault) {
			e.mask |= 1 << i
		}
	}
	return e
}

// observationEvent leaves out what is not in the model; ok: something is left.
func (n *network) observationEvent(o *Observation) (e event, ok bool, err error) {
	if o.Response != nil {
		return n.mixedEvent(o)
	}
	m := len(o.Faults)
	where := func() string { return fmt.Sprintf("observation %q of cell %s", o.ID, o.Cell) }
	if m == 0 || len(o.Value) != m || len(o.Covariance) != m {
		return e, false, fmt.Errorf("%s: %d errors, %d values and %d rows of covariance: give as many of each", where(), m, len(o.Value), len(o.Covariance))
	}
	var keep, place []int
	for i, f := range o.Faults {
		if len(o.Covariance[i]) != m {
			return e, false, fmt.Errorf("%s: row %d of the covariance has %d entries, not %d", where(), i, len(o.Covariance[i]), m)
		}
		if p := n.faultPlace(f); p >= 0 {
			keep, place = append(keep, i), append(place, p)
		}
	}
	if len(keep) == 0 {
		return e, false, nil
	}
	k := len(keep)
	cov := make([]float64, k*k)
	for i, a := range keep {
		for j, b := range keep {
			cov[i*k+j] = o.Covariance[a][b]
		}
	}
	inv := make([]float64, k*k)
	logV, good := invert(inv, cov, k)
	for _, a := range keep {
		good = good && o.Value[a]-o.Value[a] == 0
	}
	if !good {
		return e, false, fmt.Errorf("%s: its values must be finite and its covariance positive definite", where())
	}
	d := n.d()
	e = event{at: o.At, week: weekOf(o.At), kind: asFound, id: o.ID, y: make([]float64, d), prec: make([]float64, d*d), logV: logV, seen: k}
	if o.AsLeft {
		e.kind = asLeft
	}
	for i, a := range keep {
		e.y[place[i]] = o.Value[a]
		for j := range keep {
			e.prec[place[i]*d+place[j]] = inv[i*k+j]
		}
	}
	return e, true, nil
}

// mixedEvent is observationEvent of values that several errors show in. With
// value v = R·x and covariance V it holds the precision R'·V⁻¹·R and as value
// the least x that gives v, R'·(R·R')⁻¹·v.
func (n *network) mixedEvent(o *Observation) (e event, ok bool, err error) {
	where := fmt.Sprintf("observation %q of cell %s", o.ID, o.Cell)
	m, d := len(o.Value), n.d()
	if m == 0 || len(o.Response) != m || len(o.Covariance) != m {
		return e, false, fmt.Errorf("%s: %d values, %d rows of response and %d of covariance: give as many of each", where, m, len(o.Response), len(o.Covariance))
	}
	r, cov, rr := make([]float64, m*d), make([]float64, m*m), make([]float64, m*m)
	good, any := true, false
	for i := range m {
		if len(o.Response[i]) != len(o.Faults) || len(o.Covariance[i]) != m {
			return e, false, fmt.Errorf("%s: row %d must hold a response to each of %d errors and a covariance with each of %d values", where, i, len(o.Faults), m)
		}
		good = good && o.Value[i]-o.Value[i] == 0
		for j, f := range o.Faults {
			x := o.Response[i][j]
			good = good && x-x == 0
			if p := n.faultPlace(f); p >= 0 {
				r[i*d+p] += x
				any = any || x != 0
			}
		}
		copy(cov[i*m:(i+1)*m], o.Covariance[i])
	}
	if !any {
		return e, false, nil
	}
	for i := range m {
		for j := range m {
			rr[i*m+j] = dot(r[i*d:(i+1)*d], r[j*d:(j+1)*d])
		}
	}
	inv, least := make([]float64, m*m), make([]float64, m*m)
	logV, positive := invert(inv, cov, m)
	logR, full := invert(least, rr, m)
	for i := range m {
		logR -= math.Log(rr[i*m+i])
	}
	full = full && logR > math.Log(1e-10)
	if !good || !positive || !full {
		return e, false, fmt.Errorf("%s: its values and responses must be finite, its covariance positive definite, and its responses independent", where)
	}
	e = event{at: o.At, week: weekOf(o.At), kind: asFound, id: o.ID, y: make([]float64, d), prec: make([]float64, d*d), logV: logV, seen: m}
	if o.AsLeft {
		e.kind = asLeft
	}
	for i := range m {
		for j := range m {
			axpy(least[i*m+j]*o.Value[j], r[i*d:(i+1)*d], e.y)
			for a := range d {
				axpy(inv[i*m+j]*r[i*d+a], r[j*d:(j+1)*d], e.prec[a*d:(a+1)*d])
			}
		}
	}
	return e, true, nil
}

// touch gives the unknowns of an event their places in the cell.
func (n *network) touch(t *cellTrack, e *event) {
	if e.kind != session {
		return
	}
	base := n.cars[e.car].base
	for i := range n.q() + 2 {
		t.local(base + i)
	}
	t.local(e.knot[0])
	t.local(e.knot[1])
}
