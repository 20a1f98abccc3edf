package fleetstate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// ErrRefit says that what came cannot be taken in by Update: it lies before
// something the cell or car has had since, or changes how the past is read. Fit
// the whole history anew.
var ErrRefit = errors.New("fleetstate: it comes before what is already taken in: fit the whole history anew")

// newCurveSD is the standard deviation that a new car's curve is given about
// its first session in Update, ratio: so wide that it says nothing.
const newCurveSD = 1.0

// Taken is what one reference run said when it was taken in.
type Taken struct {
	Run fleet.RunID
	// Judged says that there was an expectation: not for the first run of a car's
	// epoch, and then the figures below are 0.
	Judged bool
	// Innovation is the run's band mean less what was expected of it, the errors
	// walking on as modelled; U is expanded. Both ratios.
	Innovation, U float64
	// Steady is the same against a cell that is steady since its errors last
	// restarted, in standard deviations, as the CUSUM wants it: about N(0, 1) and
	// independent from run to run while the cell is. Deviation is that difference
	// as a ratio, SD what it was to be expected to be.
	Steady, Deviation, SD float64
	Weight                float64 // of the session, see Settings.FarOut
	// Day is what the run alone shows of the cell: its band mean less what the car
	// is known to give, which is what the cells agree on and the cell's offset from
	// it. UDay is expanded.
	Day, UDay float64
}

// Update takes new runs, observations and restarts of cells in, each later than
// all that its cell has had, at the variances that stand, and carries the
// estimates of every cell on: exactly those that Solve returns for the whole
// history, but for rounding, for sessions whose weight the future changes, and
// for a car's knots, which a refit may space anew. It returns one Taken per run,
// in time order.
//
// With x | g ~ N(c + b·g, p) of the cell and g ~ N(ĝ, Σ) of the cars, a session
// y = H·x + G·g + noise N(0, 1) (whitened) is
//
//	A = H·b + G,  R = H·p·H' + 1,  F = A·Σ·A' + R,  e = y − H·c − A·ĝ
//	ĝ += Σ·A'·F⁻¹·e,  Σ −= Σ·A'·F⁻¹·A·Σ,  and p, b, c by the gain p·H'·R⁻¹
//
// and every other cell's mean and covariance follow through their b.
//
// A refit of the same history is the official result: it does not depend on the
// order in which things came, nor on whether Update was used. Update changes f;
// when it returns an error f may hold a part of what was given, so fit anew.
// ErrRefit says that what was given cannot be taken in.
func (f *Fit) Update(more History) ([]Taken, error) {
	net := f.net
	runs := slices.Clone(more.Runs)
	type item struct {
		e    event
		cell fleet.CellID
		run  int
	}
	var items []item
	points := len(net.modes[0])
	for i := range runs {
		r := &runs[i]
		if len(r.Pulls) == 0 {
			continue
		}
		if err := checkRun(r, &points); err != nil {
			return nil, fmt.Errorf("fleetstate: %w", err)
		}
		items = append(items, item{event{at: r.At, kind: session, id: string(r.ID)}, r.Cell, i})
	}
	for i := range more.Observations {
		e, ok, err := net.observationEvent(&more.Observations[i])
		if err != nil {
			return nil, fmt.Errorf("fleetstate: %w", err)
		}
		if ok {
			items = append(items, item{e, more.Observations[i].Cell, -1})
		}
	}
	for _, r := range more.Restarts {
		if (r.Cell == "") == (r.Car == "") || r.At.IsZero() {
			return nil, fmt.Errorf("fleetstate: restart at %v: name a cell or a car, and the time", r.At)
		}
		if r.Car != "" {
			w := weekOf(r.At)
			for j := range net.cars {
				if net.cars[j].car == r.Car && net.cars[j].last >= w {
					return nil, ErrRefit
				}
			}
			net.carRestarts[r.Car] = append(net.carRestarts[r.Car], w)
			slices.Sort(net.carRestarts[r.Car])
			continue
		}
		items = append(items, item{net.restartEvent(r), r.Cell, -1})
	}
	slices.SortStableFunc(items, func(a, b item) int {
		if o := order(a.e, b.e); o != 0 {
			return o
		}
		return a.run - b.run
	})
	var out []Taken
	for i := range items {
		it := &items[i]
		c, err := f.meet(it.cell)
		if err != nil {
			return out, err
		}
		t := &net.cells[c]
		if n := len(t.events); n > 0 && order(it.e, t.events[n-1]) <= 0 {
			return out, ErrRefit
		}
		e := it.e
		if it.run >= 0 {
			if e, err = f.arrive(&runs[it.run]); err != nil {
				return out, err
			}
		}
		f.step(c, &e)
		switch e.kind {
		case session:
			net.touch(t, &e)
			f.widen(c)
			out = append(out, f.takeSession(c, &e))
			t.runs++
		case restart:
			f.restart(c, e.mask)
		default:
			f.takeObservation(c, &e)
		}
		t.events = append(t.events, e)
		f.cells[c].sig = net.signatureOf(c)
		if e.at.After(f.At) {
			f.At, net.at = e.at, e.at
		}
	}
	return out, nil
}

// meet returns a cell's place. A cell not known yet is put in its place by id.
func (f *Fit) meet(id fleet.CellID) (int, error) {
	if id == "" {
		return 0, errors.New("fleetstate: a restart or observation names no cell")
	}
	c, ok := f.cellPlace(id)
	if ok {
		return c, nil
	}
	f.net.cells = slices.Insert(f.net.cells, c, cellTrack{id: id, place: map[int]int{}})
	d := f.net.d()
	room := func() steady { return steady{p: make([]float64, d*d), c: make([]float64, d)} }
	f.cells = slices.Insert(f.cells, c, state{d: d, p: make([]float64, d*d), c: make([]float64, d), x: make([]float64, d), cov: make([]float64, d*d), null: room()})
	return c, nil
}

// step lets a cell's errors walk to an event, or begin.
func (f *Fit) step(c int, e *event) {
	s := &f.cells[c]
	if len(f.net.cells[c].events) == 0 {
		s.week = e.week
		f.restart(c, math.MaxUint16)
		return
	}
	for i, q := range f.Variances.Walk {
		s.p[i*s.d+i] += q * (e.week - s.week)
		s.cov[i*s.d+i] += q * (e.week - s.week)
	}
	s.week = e.week
}

// restart begins the errors in mask anew.
func (f *Fit) restart(c int, mask uint16) {
	s := &f.cells[c]
	s.far = 0
	start := newFilter(f.net, &f.Variances).start
	if mask == 0 {
		d := s.d
		s.null = steady{p: make([]float64, d*d), b: make([]float64, d*s.n), c: make([]float64, d)}
		for i := range d {
			s.null.p[i*d+i] = 1 / start[i]
		}
		return
	}
	for i := range s.d {
		if mask>>i&1 == 0 {
			continue
		}
		for j := range s.d {
			s.p[i*s.d+j], s.p[j*s.d+i] = 0, 0
			s.cov[i*s.d+j], s.cov[j*s.d+i] = 0, 0
			s.null.p[i*s.d+j], s.null.p[j*s.d+i] = 0, 0
		}
		s.null.p[i*s.d+i], s.null.c[i] = 1/start[i], 0
		clear(s.null.b[i*s.n : (i+1)*s.n])
		s.p[i*s.d+i], s.cov[i*s.d+i] = 1/start[i], 1/start[i]
		s.c[i], s.x[i] = 0, 0
		clear(s.b[i*s.n : (i+1)*s.n])
	}
}

// arrive makes the event of a new run, with its car's unknowns.
func (f *Fit) arrive(r *refrun.Run) (event, error) {
	net := f.net
	week := weekOf(r.At)
	n := net.epochOf(r.Car, week)
	j := slices.IndexFunc(net.cars, func(c carEpoch) bool { return c.car == r.Car && c.n == n })
	if j < 0 {
		j = len(net.cars)
		net.cars = append(net.cars, carEpoch{car: r.Car, n: n, start: week, last: week, base: net.n, weeks: []float64{week}, curve: curveOf(r)})
		wide := func(sd float64) float64 {
			const most = 1e4
			return math.Min(sd, most) * math.Min(sd, most)
		}
		var v []float64
		for range net.q() {
			v = append(v, newCurveSD*newCurveSD)
		}
		f.grow(append(v, wide(net.s.RotatingSD), wide(net.s.IntakeSD)), nil)
	}
	car := &net.cars[j]
	if week < car.start {
		return event{}, ErrRefit
	}
	car.last = math.Max(car.last, week)
	car.sessions++
	if net.s.CarWalk.SD > 0 {
		for car.weeks[len(car.weeks)-1] < car.last-1e-6*net.spacing() {
			last := -1
			if n := len(car.knots); n > 0 {
				last = car.knots[n-1]
			}
			// A car that fades goes on fading: two steps that are both loose are no jump.
			if n := len(car.knots); n > 1 {
				if l := math.Min(car.looseness(n-2), car.looseness(n-1)); l > 1 {
					for len(car.loose) < n {
						car.loose = append(car.loose, 1)
					}
					car.loose = append(car.loose, l)
				}
			}
			car.knots = append(car.knots, net.n)
			car.weeks = append(car.weeks, car.weeks[len(car.weeks)-1]+net.spacing())
			f.grow([]float64{car.step(&f.Variances, len(car.knots)-1)}, &last)
		}
	}
	run := len(net.runs)
	net.runs = append(net.runs, *r)
	return net.sessionEvent(&net.runs[run], run, j, newStat(r, net.modes, net.s.Faults, car.curve, nil)), nil
}

// grow adds unknowns with the variances v: independent ones about 0, or, where
// from is given, a walk on from that unknown (−1: from 0).
func (f *Fit) grow(v []float64, from *int) {
	old, n := f.net.n, f.net.n+len(v)
	inv := make([]float64, n*n)
	for i := range old {
		copy(inv[i*n+i:i*n+old], f.inv[i*old+i:(i+1)*old])
	}
	for i, x := range v {
		at := old + i
		inv[at*n+at] = x
		if from != nil && *from >= 0 {
			for k := range old {
				inv[k*n+at] = f.inv[min(k, *from)*old+max(k, *from)]
			}
			inv[at*n+at] += f.inv[*from*old+*from]
		}
		g := 0.0
		if from != nil && *from >= 0 {
			g = f.g[*from]
		}
		f.g = append(f.g, g)
	}
	f.inv, f.net.n = inv, n
}

// widen gives a cell's b the columns that it has met since.
func (f *Fit) widen(c int) {
	s := &f.cells[c]
	n := len(f.net.cells[c].cols)
	if n == s.n {
		return
	}
	wider := func(b []float64) []float64 {
		out := make([]float64, s.d*n)
		for i := range s.d {
			copy(out[i*n:i*n+s.n], b[i*s.n:(i+1)*s.n])
		}
		return out
	}
	s.b, s.null.b, s.n = wider(s.b), wider(s.null.b), n
}

// seen is what was seen of a cell, whitened: rows y = h·x + g·(unknowns at) + N(0, 1).
type seen struct {
	m  int
	y  []float64
	h  []float64 // m × d
	g  []float64 // m × len(at)
	at []int     // places in the cell
}

// whiten turns information M (t × t, lower triangle used) and right side r into
// rows: the Cholesky factor, without the directions that nothing is known of.
func whiten(m []float64, t int, r []float64, d int, at []int) seen {
	// A pivot below this share of its diagonal is nought but rounding.
	const nothing = 1e-11
	out := seen{at: at}
	l := make([]float64, t*t) // rows of L', one a kept pivot
	var kept []int
	for k := range t {
		p := m[k*t+k]
		for _, i := range kept {
			p -= l[i*t+k] * l[i*t+k]
		}
		if !(p > nothing*m[k*t+k]) {
			continue
		}
		p = math.Sqrt(p)
		y := r[k]
		for i, ki := range kept {
			y -= l[ki*t+k] * out.y[i]
		}
		for j := k; j < t; j++ {
			x := m[j*t+k]
			for _, i := range kept {
				x -= l[i*t+k] * l[i*t+j]
			}
			l[k*t+j] = x / p
		}
		kept = append(kept, k)
		out.y = append(out.y, y/p)
		out.h = append(out.h, l[k*t:k*t+d]...)
		out.g = append(out.g, l[k*t+d:(k+1)*t]...)
	}
	out.m = len(kept)
	return out
}

// see whitens a session.
func (f *Fit) see(c int, e *event) seen {
	net := f.net
	t := &net.cells[c]
	l := t.localOf(net, e)
	d, q := net.d(), net.q()
	at := make([]int, 0, q+4)
	for i := range q + 2 {
		at = append(at, l.base+i)
	}
	for _, k := range [2]int{l.k0, l.k1} {
		if k >= 0 {
			at = append(at, k)
		}
	}
	// A filter over a cell that has met these unknowns alone adds it up.
	var own cellTrack
	own.place = map[int]int{}
	for _, a := range at {
		own.local(t.cols[a])
	}
	fl := newFilter(net, &f.Variances)
	fl.reset(len(at))
	fl.addSession(&own, e)
	n := d + len(at)
	m := make([]float64, n*n)
	r := make([]float64, n)
	for i := range d {
		copy(m[i*n:i*n+d], fl.xx[i*d:(i+1)*d])
		r[i] = fl.ex[i]
		for j := range at {
			m[(d+j)*n+i] = fl.xg[i*fl.cap+j]
		}
	}
	for i := range at {
		for j := range i + 1 {
			m[(d+i)*n+d+j] = fl.gg[j*fl.cap+i]
		}
		r[d+i] = fl.eg[i]
	}
	return whiten(m, n, r, d, at)
}

// takeSession takes a session in, with its weight.
func (f *Fit) takeSession(c int, e *event) Taken {
	net := f.net
	out := Taken{Run: fleet.RunID(e.id)}
	car := &net.cars[e.car]
	if car.sessions > 1 {
		st := &f.cells[c]
		var sd float64
		out.Judged = true
		out.Innovation, sd = f.predict(c, e, st.p, st.b, st.c)
		out.U = 2 * sd
		out.Deviation, sd = f.predict(c, e, st.null.p, st.null.b, st.null.c)
		d, n := net.d(), st.n
		out.Day, out.UDay = f.predict(c, e, make([]float64, d*d), make([]float64, d*n), make([]float64, d))
		out.UDay *= 2
		out.Steady, out.SD = out.Deviation/sd, sd
	}
	for range weighPasses {
		if math.IsInf(net.s.FarOut, 1) {
			break
		}
		x, g := f.after(c, f.see(c, e))
		lambda, pull := net.judge(&f.Variances, e, x, g)
		if !differ(e, lambda, pull) {
			break
		}
		e.lambda = lambda
		if e.pull != nil || pull != nil {
			e.pull = pull
			e.stat = newStat(&net.runs[e.run], net.modes, net.s.Faults, net.cars[e.car].curve, pull)
			net.settle(e)
		}
	}
	f.agreeing(c, e, out.Steady)
	f.absorb(c, f.see(c, e))
	f.cells[c].far = 0
	if e.lambda < 1 {
		f.cells[c].far = math.Copysign(1, out.Steady)
	}
	out.Weight = e.lambda
	f.loosen(e.car)
	return out
}

// agreeing takes a session that lies far out to the same side as the one before it
// for what it is: no bad session but a cell that jumped. Both count wholly, as network.weigh
// has them in a fit, and what the cell's errors are now is open.
func (f *Fit) agreeing(c int, e *event, deviation float64) {
	s := &f.cells[c]
	if e.lambda == 1 || s.far*deviation <= 0 {
		return
	}
	e.lambda = 1
	t := &f.net.cells[c]
	t.events = slices.Clone(t.events) // a copy of the fit may have them too
	for i := len(t.events) - 1; i >= 0; i-- {
		if t.events[i].kind == session {
			t.events[i].lambda = 1
			break
		}
	}
	for i, v := range f.Variances.Start {
		s.p[i*s.d+i] += v
		s.cov[i*s.d+i] += v
	}
}

// loosen gives a change of a car that has become evident with its last session its
// variance, as network.loosen does in a fit.
func (f *Fit) loosen(j int) {
	car, net := &f.net.cars[j], f.net
	if math.IsInf(net.s.FarOut, 1) || !(f.Variances.CarWalk > 0) {
		return
	}
	for range weighPasses {
		first, last, factor := car.evidentChange(&f.Variances, net.s.FarOut, len(car.knots)-2, f.g, func(a, b int) float64 {
			_, v := f.difference(a, b)
			return v
		})
		if first < 0 {
			return
		}
		for i := first; i <= last; i++ {
			before := -1
			if i > 0 {
				before = car.knots[i-1]
			}
			theta := car.step(&f.Variances, i)
			f.reprior(car.knots[i], before, 1/(theta*factor)-1/theta)
		}
		car.loosen(first, last, factor)
	}
}

// reprior adds information on the difference of two unknowns (b < 0: on a alone),
// whose mean is 0, which may be negative. With w = Σ·(e_a − e_b) and q its own
// variance
//
//	ĝ −= w·(ĝ_a − ĝ_b)·i/(1 + i·q),  Σ −= w·w'·i/(1 + i·q)
func (f *Fit) reprior(a, b int, information float64) {
	net := f.net
	w := make([]float64, net.n)
	for u := range w {
		w[u] = f.covariance(u, a)
		if b >= 0 {
			w[u] -= f.covariance(u, b)
		}
	}
	q, y := w[a], f.g[a]
	if b >= 0 {
		q, y = q-w[b], y-f.g[b]
	}
	scale := information / (1 + information*q)
	for u := range net.n {
		f.g[u] -= scale * y * w[u]
		axpy(-scale*w[u], w[u:], f.inv[u*net.n+u:(u+1)*net.n])
	}
	for c := range f.cells {
		s := &f.cells[c]
		var bw [mostFaults]float64
		for i := range s.d {
			for k, u := range net.cells[c].cols {
				bw[i] += s.b[i*s.n+k] * w[u]
			}
		}
		for i := range s.d {
			s.x[i] -= scale * y * bw[i]
			for j := range s.d {
				s.cov[i*s.d+j] -= scale * bw[i] * bw[j]
			}
		}
	}
}

// gain is what taking something in does to the unknowns.
type gain struct {
	a  []float64 // m × n of the cell
	k  []float64 // p·H'·R⁻¹, d × m
	w  []float64 // Σ·A'·L⁻ᵀ, unknowns × m, F = L·L'
	ye []float64 // L⁻¹·e
	ph []float64
}

// gain works the gain out.
func (f *Fit) gain(c int, o seen) gain {
	net := f.net
	s := &f.cells[c]
	t := &net.cells[c]
	d, n, m := s.d, s.n, o.m
	ga := gain{a: make([]float64, m*n), ph: make([]float64, d*m), k: make([]float64, d*m)}
	r := make([]float64, m*m)
	e := slices.Clone(o.y)
	local := f.local(c)
	for i := range m {
		h := o.h[i*d : (i+1)*d]
		row := ga.a[i*n : (i+1)*n]
		for j, x := range h {
			axpy(x, s.b[j*n:(j+1)*n], row)
			e[i] -= x * s.c[j]
		}
		for j, at := range o.at {
			row[at] += o.g[i*len(o.at)+j]
		}
		e[i] -= dot(row, local)
		for j := range d {
			ga.ph[j*m+i] = dot(s.p[j*d:(j+1)*d], h)
		}
	}
	for i := range m {
		for j := range m {
			for k := range d {
				r[i*m+j] += o.h[i*d+k] * ga.ph[k*m+j]
			}
		}
		r[i*m+i]++
	}
	inv := make([]float64, m*m)
	invert(inv, r, m)
	for i := range d {
		for j := range m {
			ga.k[i*m+j] = dot(ga.ph[i*m:(i+1)*m], inv[j*m:(j+1)*m])
		}
	}
	// Σ·A', column by column of the cell's unknowns.
	w := make([]float64, net.n*m)
	aT := make([]float64, n*m)
	for i := range m {
		for j := range n {
			aT[j*m+i] = ga.a[i*n+j]
		}
	}
	each(net.s.Workers, net.s.Workers, func(_, part int) {
		from, to := part*net.n/net.s.Workers, (part+1)*net.n/net.s.Workers
		for u := from; u < to; u++ {
			dst := w[u*m : (u+1)*m]
			for j, g := range t.cols {
				axpy(f.covariance(u, g), aT[j*m:(j+1)*m], dst)
			}
		}
	})
	// F = A·Σ·A' + R, its factor, and W = Σ·A'·L⁻ᵀ.
	for j, g := range t.cols {
		for i := range m {
			x := aT[j*m+i]
			if x != 0 {
				axpy(x, w[g*m:(g+1)*m], r[i*m:(i+1)*m])
			}
		}
	}
	cholesky(r, m)
	for u := range net.n {
		forward(r, m, w[u*m:(u+1)*m])
	}
	forward(r, m, e)
	ga.w, ga.ye = w, e
	return ga
}

// after returns the cell's errors and all unknowns as they would be.
func (f *Fit) after(c int, o seen) (x, g []float64) {
	ga := f.gain(c, o)
	s := &f.cells[c]
	g = slices.Clone(f.g)
	for u := range g {
		g[u] += dot(ga.w[u*o.m:(u+1)*o.m], ga.ye)
	}
	x = make([]float64, s.d)
	local := make([]float64, s.n)
	for i, u := range f.net.cells[c].cols {
		local[i] = g[u]
	}
	for i := range x {
		x[i] = s.c[i] + dot(s.b[i*s.n:(i+1)*s.n], local)
	}
	for j := range o.m {
		r := o.y[j] - dot(o.h[j*s.d:(j+1)*s.d], x)
		for k, at := range o.at {
			r -= o.g[j*len(o.at)+k] * local[at]
		}
		// The gain acts on what c + b·g leaves, x still being that.
		for i := range x {
			ga.ph[i*o.m+j] = ga.k[i*o.m+j] * r
		}
	}
	for i := range x {
		for j := range o.m {
			x[i] += ga.ph[i*o.m+j]
		}
	}
	return x, g
}

// absorb takes something in.
func (f *Fit) absorb(c int, o seen) {
	net := f.net
	m := o.m
	if m == 0 {
		return
	}
	ga := f.gain(c, o)
	for u := range f.g {
		f.g[u] += dot(ga.w[u*m:(u+1)*m], ga.ye)
	}
	// Σ −= W·W', upper triangle: rows by turns, so that both workers have as much.
	wT := make([]float64, m*net.n)
	for u := range net.n {
		for i := range m {
			wT[i*net.n+u] = ga.w[u*m+i]
		}
	}
	each(net.s.Workers, net.s.Workers, func(_, part int) {
		for u := part; u < net.n; u += net.s.Workers {
			dst := f.inv[u*net.n+u : (u+1)*net.n]
			for i := range m {
				blas64.Axpy(-ga.w[u*m+i],
					blas64.Vector{N: len(dst), Inc: 1, Data: wT[i*net.n+u : (i+1)*net.n]}, blas64.Vector{N: len(dst), Inc: 1, Data: dst})
			}
		}
	})
	s := &f.cells[c]
	d, n := s.d, s.n
	// The cell itself, given the unknowns: c += k·(y − H·c), b −= k·a, p −= k·H·p.
	left := slices.Clone(o.y)
	for j := range left {
		left[j] -= dot(o.h[j*d:(j+1)*d], s.c)
	}
	for i := range d {
		s.c[i] += dot(ga.k[i*m:(i+1)*m], left)
		for j := range m {
			axpy(-ga.k[i*m+j], ga.a[j*n:(j+1)*n], s.b[i*n:(i+1)*n])
		}
	}
	p := make([]float64, d*d)
	for i := range d {
		for j := range d {
			p[i*d+j] = s.p[i*d+j] - dot(ga.k[i*m:(i+1)*m], ga.ph[j*m:(j+1)*m])
		}
	}
	for i := range d {
		for j := range d {
			s.p[i*d+j] = (p[i*d+j] + p[j*d+i]) / 2
		}
	}
	s.null.condition(o, d, n)
	s.x, s.cov = f.now(c)
	// The others, through their cars.
	each(len(f.cells), net.s.Workers, func(_, i int) {
		if i != c {
			f.follow(i, &ga, m)
		}
	})
}

// follow carries a cell's estimates on as its cars' unknowns have moved.
func (f *Fit) follow(c int, ga *gain, m int) {
	s := &f.cells[c]
	cols := f.net.cells[c].cols
	bw := make([]float64, s.d*m)
	for k, u := range cols {
		w := ga.w[u*m : (u+1)*m]
		for i := range s.d {
			if b := s.b[i*s.n+k]; b != 0 {
				axpy(b, w, bw[i*m:(i+1)*m])
			}
		}
	}
	for i := range s.d {
		bi := bw[i*m : (i+1)*m]
		s.x[i] += dot(bi, ga.ye)
		for j := range s.d {
			s.cov[i*s.d+j] -= dot(bi, bw[j*m:(j+1)*m])
		}
	}
}

// takeObservation takes a direct observation in.
func (f *Fit) takeObservation(c int, e *event) {
	fl := newFilter(f.net, &f.Variances)
	fl.reset(1)
	fl.addObservation(e)
	d := f.net.d()
	f.absorb(c, whiten(fl.xx, d, fl.ex, d, nil))
}
