package fleetstate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"

	"rollcall/services/fleet"
)

// Outlook is how surely the fleet will be known, whatever the runs to come will
// say: at given variances a covariance does not depend on the data. Visit takes
// a planned reference run in, Forward lets time pass. What it gives is exact for
// runs none of which loses weight (Settings.FarOut), for today's weights of the
// consensus, for cells' mean signatures as they are today, and for the knots of
// the cars as they are spaced today. A planned run has the pulls and signatures of
// the car's last one on the cell that has the usual number of pulls; where the car
// has not been, of its last elsewhere.
//
// It holds the joint covariance of every cell's errors and of what is unknown of
// the cars: curve, rotating mass, answer to the intake air and the two knots about
// the time. Errors with the same signature in every run (or one and its negative)
// are held as one, which loses nothing of an offset.
//
// It is not safe for concurrent use; clones are independent.
type Outlook struct {
	*ahead
	week float64
	n    int
	p    []float64 // n × n, upper triangle
	pa   []float64 // n × targets: p times each offset's coefficients
	next []float64 // by car: week of the knot that is next; NaN: its epoch has not begun
	// width is between the knot before and that, weeks; 0: there is none before.
	width []float64
	// left is the variance each offset still gathers until ahead.horizon.
	left []float64
}

// ahead is what clones of an Outlook share.
type ahead struct {
	faults   int // errors of a cell held apart
	q        int
	workers  int
	horizon  float64
	cells    []fleet.CellID
	sig      [][]float64 // by cell, faults
	walk     []float64   // by fault, per week
	weight   []float64   // of the consensus, by cell
	cars     []fleet.CarID
	carWalk  float64
	coef     []float64 // targets × cells × faults: an offset's coefficients
	template map[[2]int]*seen
	sources  templates
	net      *network
	keep     []int // of the model's errors, those held apart
	v        *Variances
}

// carWidth is the unknowns of a car in an Outlook: curve, rotating mass, intake,
// the knot before and the knot after.
func (a *ahead) carWidth() int { return a.q + 4 }

func (a *ahead) carBase(j int) int { return len(a.cells)*a.faults + j*a.carWidth() }

// templates are the runs that stand for those to come.
type templates struct {
	usual         int               // pulls of a run: the median
	both          map[[2]int]*event // by car and cell
	byCar, byCell map[int]*event
	any           *event
}

// ErrPast says that an Outlook was asked for at a time before the last event, or
// for a horizon before that.
var ErrPast = errors.New("fleetstate: an outlook begins no earlier than the last run or check, and ends no earlier than it begins")

// Outlook returns what will be known of the fleet from a time on, up to a
// horizon. cells and cars name those to plan with beyond the known ones; one that
// has not been seen yet is known by its priors alone.
//
// It returns ErrPast, ErrNoRuns when no run is known whose like could be planned,
// or an error that names an empty id.
func (f *Fit) Outlook(from, horizon time.Time, cells []fleet.CellID, cars []fleet.CarID) (*Outlook, error) {
	if from.Before(f.At) || horizon.Before(from) {
		return nil, ErrPast
	}
	if slices.Contains(cells, "") || slices.Contains(cars, "") {
		return nil, errors.New("fleetstate: an outlook names a cell or car with an empty id: give each its id")
	}
	net, v := f.net, &f.Variances
	a := &ahead{q: net.q(), workers: net.s.Workers, horizon: weekOf(horizon), net: net, v: v, carWalk: v.CarWalk, template: map[[2]int]*seen{}}
	if net.s.CarWalk.SD == 0 {
		a.carWalk = 0
	}
	a.cells = f.Cells()
	for _, id := range cells {
		if _, ok := f.cellPlace(id); !ok {
			a.cells = append(a.cells, id)
		}
	}
	slices.Sort(a.cells)
	a.cells = slices.Compact(a.cells)
	for j := range net.cars {
		a.cars = append(a.cars, net.cars[j].car)
	}
	a.cars = append(a.cars, cars...)
	slices.Sort(a.cars)
	a.cars = slices.Compact(a.cars)
	o := &Outlook{ahead: a, week: weekOf(from)}

	// The newest epoch of each car; −1: it begins with its next run.
	epoch := make([]int, len(a.cars))
	o.next, o.width = make([]float64, len(a.cars)), make([]float64, len(a.cars))
	for i, car := range a.cars {
		n := net.epochOf(car, o.week)
		epoch[i] = slices.IndexFunc(net.cars, func(c carEpoch) bool { return c.car == car && c.n == n })
		o.next[i] = math.NaN()
	}
	back := make([]int, len(net.cells)) // a cell of the fit in the outlook
	place := make([]int, len(a.cells))  // and the other way, −1: new
	for i, id := range a.cells {
		c, ok := f.cellPlace(id)
		if !ok {
			place[i] = -1
			continue
		}
		place[i], back[c] = c, i
	}
	if err := a.gather(f, place); err != nil {
		return nil, err
	}
	// Offsets' signatures.
	full := make([][]float64, len(a.cells))
	for i, c := range place {
		if c >= 0 {
			full[i] = f.cells[c].sig
		} else {
			full[i] = a.usualSignature()
		}
	}
	merge := a.merge(full)
	a.faults = len(a.keep)
	a.walk = make([]float64, a.faults)
	start := make([]float64, a.faults)
	for k := range a.keep {
		for i, x := range merge[k] {
			a.walk[k] += x * x * v.Walk[i]
			start[k] += x * x * v.Start[i]
		}
	}
	for i := range a.cells {
		s := make([]float64, a.faults)
		for k, at := range a.keep {
			s[k] = full[i][at]
		}
		a.sig = append(a.sig, s)
	}
	agreed := f.agree(from)
	a.weight = make([]float64, len(a.cells))
	for c, w := range agreed.weight {
		a.weight[back[c]] = w
	}

	// The joint covariance is B·Σ·B' and what is the cell's own.
	o.n = a.carBase(len(a.cars))
	b := make([]float64, o.n*net.n)
	for i, c := range place {
		if c < 0 {
			continue
		}
		st := &f.cells[c]
		for k := range a.faults {
			row := b[(i*a.faults+k)*net.n:]
			for x, m := range merge[k] {
				for l, u := range net.cells[c].cols {
					row[u] += m * st.b[x*st.n+l]
				}
			}
		}
	}
	known := func(car int) *carEpoch {
		if epoch[car] < 0 {
			return nil
		}
		return &net.cars[epoch[car]]
	}
	for j := range a.cars {
		c := known(j)
		if c == nil {
			continue
		}
		base := a.carBase(j)
		for i := range a.q + 2 {
			b[(base+i)*net.n+c.base+i] = 1
		}
		// The last knot is the one after; the outlook walks on from there.
		last := len(c.weeks) - 1
		o.next[j] = c.weeks[last]
		if last > 0 {
			o.width[j] = c.weeks[last] - c.weeks[last-1]
		}
		for i := range 2 {
			if k := len(c.knots) - 2 + i; k >= 0 {
				b[(base+a.q+2+i)*net.n+c.knots[k]] = 1
			}
		}
	}
	o.p, o.pa = make([]float64, o.n*o.n), make([]float64, o.n*len(a.cells))
	if net.n > 0 {
		sigma := blas64.Symmetric{Uplo: blas.Upper, N: net.n, Stride: net.n, Data: f.inv}
		gb := blas64.General{Rows: o.n, Cols: net.n, Stride: net.n, Data: b}
		bs := blas64.General{Rows: o.n, Cols: net.n, Stride: net.n, Data: make([]float64, o.n*net.n)}
		blas64.Symm(blas.Right, 1, sigma, gb, 0, bs)
		blas64.Gemm(blas.NoTrans, blas.Trans, 1, bs, gb, 0, blas64.General{Rows: o.n, Cols: o.n, Stride: o.n, Data: o.p})
	}
	for i, c := range place {
		at := i * a.faults
		if c < 0 {
			for k := range a.faults {
				o.p[(at+k)*o.n+at+k] = start[k]
			}
			continue
		}
		st := &f.cells[c]
		dt := o.week - st.week
		for k := range a.faults {
			for l := k; l < a.faults; l++ {
				for x, m := range merge[k] {
					for y, m2 := range merge[l] {
						o.p[(at+k)*o.n+at+l] += m * m2 * st.p[x*st.d+y]
					}
				}
			}
			o.p[(at+k)*o.n+at+k] += a.walk[k] * dt
		}
	}
	wide := func(sd float64) float64 { return math.Min(sd, 1e4) * math.Min(sd, 1e4) }
	for j := range a.cars {
		if known(j) == nil {
			for i := range a.q + 2 {
				x := newCurveSD * newCurveSD
				switch i {
				case a.q:
					x = wide(net.s.RotatingSD)
				case a.q + 1:
					x = wide(net.s.IntakeSD)
				}
				o.p[(a.carBase(j)+i)*o.n+a.carBase(j)+i] = x
			}
			continue
		}
		o.reach(j)
	}

	// Each cell's offset: its own less the weighted ones of all.
	m, w := len(a.cells), len(a.cells)*a.faults
	a.coef = make([]float64, m*w)
	o.left = make([]float64, m)
	for t := range m {
		row := a.coef[t*w : (t+1)*w]
		for c := range m {
			for k, s := range a.sig[c] {
				row[c*a.faults+k] -= a.weight[c] * s
				if c == t {
					row[c*a.faults+k] += s
				}
			}
		}
		for i, x := range row {
			o.left[t] += x * x * a.walk[i%a.faults] * (a.horizon - o.week)
		}
	}
	whole := blas64.Symmetric{Uplo: blas.Upper, N: o.n, Stride: o.n, Data: o.p}
	padded := blas64.General{Rows: o.n, Cols: m, Stride: m, Data: make([]float64, o.n*m)}
	for t := range m {
		for i := range w {
			padded.Data[i*m+t] = a.coef[t*w+i]
		}
	}
	blas64.Symm(blas.Left, 1, whole, padded, 0, blas64.General{Rows: o.n, Cols: m, Stride: m, Data: o.pa})
	return o, nil
}

// gather finds the runs that stand for those to come: of a car on a cell its
// last there with the usual number of pulls, or the most.
func (a *ahead) gather(f *Fit, place []int) error {
	net := f.net
	t := &a.sources
	t.both, t.byCar, t.byCell = map[[2]int]*event{}, map[int]*event{}, map[int]*event{}
	var pulls []int
	for i := range net.runs {
		pulls = append(pulls, len(net.runs[i].Pulls))
	}
	if len(pulls) == 0 {
		return ErrNoRuns
	}
	slices.Sort(pulls)
	t.usual = pulls[len(pulls)/2]
	better := func(old, e *event) bool {
		if old == nil {
			return true
		}
		return cmp.Or(cmp.Compare(min(e.stat.pulls, t.usual), min(old.stat.pulls, t.usual)), e.at.Compare(old.at), cmp.Compare(e.id, old.id)) > 0
	}
	for i, c := range place {
		if c < 0 {
			continue
		}
		for k := range net.cells[c].events {
			e := &net.cells[c].events[k]
			if e.kind != session {
				continue
			}
			j, _ := slices.BinarySearch(a.cars, net.cars[e.car].car)
			if better(t.both[[2]int{j, i}], e) {
				t.both[[2]int{j, i}] = e
			}
			if better(t.byCar[j], e) {
				t.byCar[j] = e
			}
			if better(t.byCell[i], e) {
				t.byCell[i] = e
			}
			if better(t.any, e) {
				t.any = e
			}
		}
	}
	return nil
}

// of returns the run that stands for one of a car on a cell.
func (t *templates) of(car, cell int) *event {
	for _, e := range []*event{t.both[[2]int{car, cell}], t.byCar[car], t.byCell[cell]} {
		if e != nil {
			return e
		}
	}
	return t.any
}

// usualSignature is for a cell without a run: that of the fleet.
func (a *ahead) usualSignature() []float64 {
	sum, n := make([]float64, a.net.d()), 0.0
	for c := range a.net.cells {
		for i := range a.net.cells[c].events {
			if e := &a.net.cells[c].events[i]; e.kind == session {
				axpy(1/math.Sqrt(float64(e.stat.points)), e.stat.mean[:a.net.d()], sum)
				n++
			}
		}
	}
	for i := range sum {
		sum[i] /= math.Max(1, n)
	}
	return sum
}

// merge holds errors as one whose signature is the same, or one's negative, in
// every run that stands for one to come and in every offset. It returns, for
// each error held apart, its parts of the model's.
func (a *ahead) merge(offset [][]float64) [][]float64 {
	const same = 1e-12 // of a signature: rounding, no more
	d := a.net.d()
	w := width(d)
	var stats []*stat
	for _, key := range a.sources.keys() {
		stats = append(stats, &a.sources.both[key].stat)
	}
	alike := func(i, j int, sign float64) bool {
		close := func(x, y float64) bool { return math.Abs(x-sign*y) <= same*math.Abs(x) }
		for _, s := range offset {
			if !close(s[i], s[j]) {
				return false
			}
		}
		for _, st := range stats {
			for r := 0; r < len(st.mean); r += w {
				if math.Abs(st.mean[r+i]-sign*st.mean[r+j]) > same*math.Abs(st.mean[i]) {
					return false
				}
			}
			for _, m := range [2][]float64{st.level, st.shape} {
				for c := range w - 1 {
					if !close(m[i*w+c], m[j*w+c]) {
						return false
					}
				}
			}
		}
		return true
	}
	var out [][]float64
next:
	for i := range d {
		for k, j := range a.keep {
			for _, sign := range [2]float64{1, -1} {
				if alike(i, j, sign) {
					out[k][i] = sign
					continue next
				}
			}
		}
		a.keep = append(a.keep, i)
		row := make([]float64, d)
		row[i] = 1
		out = append(out, row)
	}
	return out
}

func (t *templates) keys() [][2]int {
	out := make([][2]int, 0, len(t.both))
	for k := range t.both {
		out = append(out, k)
	}
	slices.SortFunc(out, func(a, b [2]int) int { return cmp.Or(a[0]-b[0], a[1]-b[1]) })
	return out
}

// Clone returns an independent copy.
func (o *Outlook) Clone() *Outlook {
	c := *o
	c.p, c.pa = slices.Clone(o.p), slices.Clone(o.pa)
	c.next, c.width, c.left = slices.Clone(o.next), slices.Clone(o.width), slices.Clone(o.left)
	return &c
}

// CopyFrom makes o the same as another outlook of the same fleet, without
// allocation.
func (o *Outlook) CopyFrom(from *Outlook) {
	o.ahead, o.week, o.n = from.ahead, from.week, from.n
	copy(o.p, from.p)
	copy(o.pa, from.pa)
	copy(o.next, from.next)
	copy(o.width, from.width)
	copy(o.left, from.left)
}

// Size is the number of unknowns held: a visit's work grows with its square.
func (o *Outlook) Size() int { return o.n }

// Cells returns the cells, by id: the order of Variances.
func (o *Outlook) Cells() []fleet.CellID { return slices.Clone(o.cells) }

// Cars returns the cars, by id.
func (o *Outlook) Cars() []fleet.CarID { return slices.Clone(o.cars) }

// Forward lets time pass; a time already past does nothing.
func (o *Outlook) Forward(to time.Time) {
	dt := weekOf(to) - o.week
	if !(dt > 0) {
		return
	}
	o.week += dt
	m := len(o.cells)
	for c := range o.cells {
		for k, q := range o.walk {
			i := c*o.faults + k
			o.p[i*o.n+i] += q * dt
			for t := range m {
				o.pa[i*m+t] += q * dt * o.coef[t*m*o.faults+i]
			}
		}
	}
	for t := range m {
		row := o.coef[t*m*o.faults : (t+1)*m*o.faults]
		sum := 0.0
		for i, x := range row {
			sum += x * x * o.walk[i%o.faults]
		}
		o.left[t] = sum * math.Max(0, o.horizon-o.week)
	}
	for j := range o.cars {
		o.reach(j)
	}
}

// reach takes new knots of a car until one is at the time or after it.
func (o *Outlook) reach(j int) {
	if o.carWalk == 0 || math.IsNaN(o.next[j]) {
		return
	}
	spacing := o.net.spacing()
	for o.next[j] < o.week-1e-6*spacing {
		// before = after; after = before + N(0, walk·spacing)
		after := o.carBase(j) + o.q + 3
		before := after - 1
		for i := range o.n {
			if i == before {
				continue
			}
			o.set(before, i, o.get(after, i))
		}
		o.p[before*o.n+before] = o.p[after*o.n+after]
		o.set(before, after, o.p[after*o.n+after])
		o.p[after*o.n+after] += o.carWalk * spacing
		m := len(o.cells)
		copy(o.pa[before*m:(before+1)*m], o.pa[after*m:(after+1)*m])
		o.next[j] += spacing
		o.width[j] = spacing
	}
}

func (o *Outlook) get(i, j int) float64 { return o.p[min(i, j)*o.n+max(i, j)] }

func (o *Outlook) set(i, j int, x float64) { o.p[min(i, j)*o.n+max(i, j)] = x }

// row is one whitened row of a planned run: its coefficients by place.
type row struct {
	at  []int
	val []float64
}

// rows returns what runs of a car on cells would see, whitened.
func (o *Outlook) rows(car int, cells []int) []row {
	base := o.carBase(car)
	part := [2]float64{0, 0}
	if !math.IsNaN(o.next[car]) && o.carWalk > 0 {
		part[1] = 1
		if w := o.width[car]; w > 0 {
			part[1] = 1 - math.Max(0, (o.next[car]-o.week)/w)
		}
		part[0] = 1 - part[1]
	}
	var out []row
	for _, cell := range cells {
		s := o.see(car, cell)
		for i := range s.m {
			r := row{at: make([]int, 0, o.faults+o.carWidth()), val: make([]float64, 0, o.faults+o.carWidth())}
			put := func(at int, x float64) {
				if x != 0 {
					r.at, r.val = append(r.at, at), append(r.val, x)
				}
			}
			for k, at := range o.keep {
				put(cell*o.faults+k, s.h[i*o.net.d()+at])
			}
			g := s.g[i*(o.q+3) : (i+1)*(o.q+3)]
			for k := range o.q + 2 {
				put(base+k, g[k])
			}
			// The car's own change is part of the two knots about.
			put(base+o.q+2, g[o.q+2]*part[0])
			put(base+o.q+3, g[o.q+2]*part[1])
			out = append(out, r)
		}
	}
	return out
}

// see returns what a run of a car on a cell sees of the model's errors, of the
// car's curve, mass and intake answer, and of its own change.
func (o *Outlook) see(car, cell int) *seen {
	key := [2]int{car, cell}
	if s := o.template[key]; s != nil {
		return s
	}
	from := o.sources.of(car, cell)
	run := &o.net.runs[from.run]
	alone := &network{s: o.net.s, modes: o.net.modes, cars: []carEpoch{{}}}
	e := event{kind: session, lambda: 1, stat: newStat(run, o.net.modes, o.net.s.Faults, nil, nil), knot: [2]int{o.q + 2, -1}, part: [2]float64{1, 0}}
	d, at := o.net.d(), make([]int, o.q+3)
	own := cellTrack{place: map[int]int{}}
	for i := range at {
		own.local(i)
		at[i] = i
	}
	fl := newFilter(alone, o.v)
	fl.reset(len(at))
	fl.addSession(&own, &e)
	n := d + len(at)
	m := make([]float64, n*n)
	for i := range d {
		copy(m[i*n:i*n+d], fl.xx[i*d:(i+1)*d])
		for j := range at {
			m[(d+j)*n+i] = fl.xg[i*fl.cap+j]
		}
	}
	for i := range at {
		for j := range i + 1 {
			m[(d+i)*n+d+j] = fl.gg[j*fl.cap+i]
		}
	}
	s := whiten(m, n, make([]float64, n), d, at)
	o.template[key] = &s
	return &s
}

// places returns the places of a car and of cells.
func (o *Outlook) places(car fleet.CarID, cells []fleet.CellID) (j int, at []int, err error) {
	j, ok := slices.BinarySearch(o.cars, car)
	if !ok {
		return 0, nil, fmt.Errorf("fleetstate: reference car %q is not in the outlook: name it when the outlook is made", car)
	}
	for _, id := range cells {
		c, ok := slices.BinarySearch(o.cells, id)
		if !ok {
			return 0, nil, fmt.Errorf("fleetstate: cell %q is not in the outlook: name it when the outlook is made", id)
		}
		at = append(at, c)
	}
	return j, at, nil
}

// look is what planned runs would do.
type look struct {
	rows []row
	f    []float64 // factor of H·P·H' + 1, m × m
	y    []float64 // L⁻¹·H·(P·A'), m × targets
}

func (o *Outlook) look(car int, cells []int) look {
	if math.IsNaN(o.next[car]) {
		// Its epoch begins: its own change is 0 now, known.
		o.next[car] = o.week
		defer func() { o.next[car] = math.NaN() }()
	}
	l := look{rows: o.rows(car, cells)}
	m, t := len(l.rows), len(o.cells)
	l.f = make([]float64, m*m)
	for i := range m {
		for j := range i + 1 {
			s := 0.0
			for a, x := range l.rows[i].val {
				sum := 0.0
				for b, y := range l.rows[j].val {
					sum += y * o.get(l.rows[i].at[a], l.rows[j].at[b])
				}
				s += x * sum
			}
			l.f[i*m+j] = s
		}
		l.f[i*m+i]++
	}
	cholesky(l.f, m)
	l.y = make([]float64, m*t)
	for i := range m {
		dst := l.y[i*t : (i+1)*t]
		for a, x := range l.rows[i].val {
			at := l.rows[i].at[a]
			axpy(x, o.pa[at*t:(at+1)*t], dst)
		}
		for k := range i {
			if c := l.f[i*m+k]; c != 0 {
				axpy(-c, l.y[k*t:(k+1)*t], dst)
			}
		}
		c := 1 / l.f[i*m+i]
		for k := range dst {
			dst[k] *= c
		}
	}
	return l
}

// Try returns by how much runs of a car on cells, now, would lower the variance
// of every cell's offset, in the order of Cells; nothing is changed.
//
// It returns an error that names a car or cell the outlook does not hold.
func (o *Outlook) Try(dst []float64, car fleet.CarID, cells []fleet.CellID) ([]float64, error) {
	j, at, err := o.places(car, cells)
	if err != nil {
		return dst, err
	}
	dst = resize(dst, len(o.cells))
	clear(dst)
	l := o.look(j, at)
	for i := range l.rows {
		for t, y := range l.y[i*len(dst) : (i+1)*len(dst)] {
			dst[t] += y * y
		}
	}
	return dst, nil
}

// Visit takes runs of a car on cells in, now.
//
//	K = P·H'·L⁻ᵀ,  H·P·H' + 1 = L·L',  P −= K·K'
//
// It returns an error as Try does.
func (o *Outlook) Visit(car fleet.CarID, cells []fleet.CellID) error {
	j, at, err := o.places(car, cells)
	if err != nil || len(at) == 0 {
		return err
	}
	l := o.look(j, at)
	if math.IsNaN(o.next[j]) {
		o.next[j] = o.week
	}
	m, n, t := len(l.rows), o.n, len(o.cells)
	k := make([]float64, m*n)
	for i := range m {
		dst := k[i*n : (i+1)*n]
		for a, x := range l.rows[i].val {
			u := l.rows[i].at[a]
			axpy(x, o.p[u*n+u:(u+1)*n], dst[u:])
			for r := range u {
				dst[r] += x * o.p[r*n+u]
			}
		}
		for b := range i {
			if c := l.f[i*m+b]; c != 0 {
				axpy(-c, k[b*n:(b+1)*n], dst)
			}
		}
		c := 1 / l.f[i*m+i]
		for r := range dst {
			dst[r] *= c
		}
	}
	gk := blas64.General{Rows: m, Cols: n, Stride: n, Data: k}
	blas64.Syrk(blas.Trans, -1, gk, 1, blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: o.p})
	blas64.Gemm(blas.Trans, blas.NoTrans, -1, gk, blas64.General{Rows: m, Cols: t, Stride: t, Data: l.y}, 1,
		blas64.General{Rows: n, Cols: t, Stride: t, Data: o.pa})
	return nil
}

// Variances returns the variance every cell's offset from the consensus will
// have at the horizon if nothing more is done, in the order of Cells.
func (o *Outlook) Variances(dst []float64) []float64 {
	m := len(o.cells)
	dst = resize(dst, m)
	copy(dst, o.left)
	for i := range m * o.faults {
		for t := range m {
			dst[t] += o.coef[t*m*o.faults+i] * o.pa[i*m+t]
		}
	}
	for t := range dst {
		dst[t] = math.Max(0, dst[t])
	}
	return dst
}

// PairVariance returns the variance the difference of two cells' offsets will
// have at the horizon if nothing more is done; ok: both are known.
func (o *Outlook) PairVariance(a, b fleet.CellID) (v float64, ok bool) {
	x, okX := slices.BinarySearch(o.cells, a)
	y, okY := slices.BinarySearch(o.cells, b)
	if !okX || !okY {
		return 0, false
	}
	sum := func(c, d int) (s float64) {
		for i, u := range o.sig[c] {
			for k, w := range o.sig[d] {
				s += u * w * o.get(c*o.faults+i, d*o.faults+k)
			}
		}
		return s
	}
	v = sum(x, x) + sum(y, y) - 2*sum(x, y)
	if x == y {
		return 0, true
	}
	for _, c := range [2]int{x, y} {
		for k, s := range o.sig[c] {
			v += s * s * o.walk[k] * math.Max(0, o.horizon-o.week)
		}
	}
	return math.Max(0, v), true
}
