package fleetstate

import (
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
)

// information is what is known of a cell's errors x (d) jointly with the
// unknowns g of its cars (n columns, stride cap), in the form
//
//	−2·log p = x'·xx·x + 2·x'·xg·g − 2·ex'·x + …
type information struct {
	d, n, cap int
	xx        []float64 // d × d
	xg        []float64 // d × cap
	ex        []float64 // d
}

func newInformation(d, capacity int) information {
	return information{d: d, cap: capacity, xx: make([]float64, d*d), xg: make([]float64, d*capacity), ex: make([]float64, d)}
}

func (f *information) clear() {
	f.n = 0
	clear(f.xx)
	clear(f.xg)
	clear(f.ex)
}

// clone returns a copy with room for its n columns only.
func (f *information) clone() information {
	out := newInformation(f.d, f.n)
	out.n = f.n
	copy(out.xx, f.xx)
	copy(out.ex, f.ex)
	for i := range f.d {
		copy(out.xg[i*f.n:(i+1)*f.n], f.xg[i*f.cap:i*f.cap+f.n])
	}
	return out
}

// kept is what the smoother needs of one event.
type kept struct {
	before information // before the step to the event
	k      []float64   // K = √Q·M⁻¹·√Q of the step; nil: no step
	reset  information // before a restart
}

// log2Pi is the normal density's constant.
var log2Pi = math.Log(2 * math.Pi)

// flushAt is the number of rows that are gathered before they are taken off
// the unknowns' information in one product.
const flushAt = 96

// filter runs over the events of one cell in time order and reduces them to
// what they say of the unknowns of its cars: S = gg (upper triangle), s = eg,
// and score, its part of −2·log likelihood but for −s'S⁻¹s + log|S|.
type filter struct {
	net   *network
	v     *Variances
	walk  []float64 // per week
	off   []bool    // errors that are 0: neither start nor walk
	start []float64 // precision of a new error
	// steady says that where nothing restarts everything does: see Restart.
	steady bool

	information
	gg    []float64 // cap × cap
	eg    []float64
	rows  []float64 // flushAt × cap
	nrows int
	score float64
	week  float64
	begun bool

	known []float64 // the cars' unknowns where they are taken as known; else nil

	small []float64 // scratch, d × d
}

func newFilter(net *network, v *Variances) *filter {
	d := net.d()
	f := &filter{net: net, v: v, walk: v.Walk, off: make([]bool, d), start: make([]float64, d)}
	for i := range d {
		f.off[i] = v.Start[i] == 0 && v.Walk[i] == 0
		switch {
		case f.off[i]:
			f.start[i] = 1e200
		case v.Start[i] == 0:
			// An error that starts at nought exactly: a millionth of a week's
			// change stands for nothing.
			f.start[i] = 1e6 / v.Walk[i]
		default:
			f.start[i] = 1 / v.Start[i]
		}
	}
	f.information = newInformation(d, 0)
	f.small = make([]float64, d*d)
	return f
}

// reset makes the filter ready for a cell with so many unknowns.
func (f *filter) reset(capacity int) {
	if capacity > f.cap {
		f.information = newInformation(f.d, capacity)
		f.gg = make([]float64, capacity*capacity)
		f.eg = make([]float64, capacity)
		f.rows = make([]float64, (flushAt+mostFaults)*capacity)
	}
	f.clear()
	clear(f.gg)
	clear(f.eg)
	f.nrows, f.score, f.begun = 0, 0, false
}

// run filters all events of a cell. keep, where not nil, is given what the
// smoother needs, event by event.
func (f *filter) run(c *cellTrack, keep *[]kept) {
	f.reset(max(1, len(c.cols)))
	for i := range c.events {
		var k *kept
		if keep != nil {
			*keep = append(*keep, kept{})
			k = &(*keep)[i]
		}
		f.take(c, &c.events[i], k)
	}
}

// take steps to an event and adds it.
func (f *filter) take(c *cellTrack, e *event, k *kept) {
	if !f.begun {
		f.begun, f.week = true, e.week
		for i := range f.d {
			f.begin(i)
		}
	} else {
		f.predict(e, e.week-f.week, k)
		f.week = e.week
	}
	switch e.kind {
	case session:
		f.addSession(c, e)
	case asFound, asLeft:
		f.addObservation(e)
	case restart:
		if k != nil {
			k.reset = f.clone()
		}
		for i := range f.d {
			if e.mask>>i&1 == 1 || (f.steady && e.mask == 0) {
				f.forget(i)
				f.begin(i)
			}
		}
	}
}

// begin gives error i its start.
func (f *filter) begin(i int) {
	f.xx[i*f.d+i] += f.start[i]
	if !f.off[i] {
		f.score -= math.Log(f.start[i])
	}
}

// predict lets the errors walk for so many weeks. With Q their variance and
// x_old = x − √Q·v, v ~ N(0, 1) is integrated out: M = 1 + √Q·xx·√Q.
func (f *filter) predict(e *event, dt float64, k *kept) {
	if !(dt > 0) {
		return
	}
	d := f.d
	var act [mostFaults]int
	var root [mostFaults]float64
	a := 0
	for i := range d {
		if f.walk[i] > 0 {
			act[a], root[a] = i, math.Sqrt(f.walk[i]*dt*e.looseness(i))
			a++
		}
	}
	if a == 0 {
		return
	}
	m := f.small[:a*a]
	for i := range a {
		for j := range a {
			m[i*a+j] = root[i] * f.xx[act[i]*d+act[j]] * root[j]
		}
		m[i*a+i]++
	}
	if k != nil {
		k.before = f.clone()
		var inv [mostFaults * mostFaults]float64
		invert(inv[:], m, a)
		k.k = make([]float64, d*d)
		for i := range a {
			for j := range a {
				k.k[act[i]*d+act[j]] = root[i] * inv[i*a+j] * root[j]
			}
		}
	}
	logDet, _ := cholesky(m, a) // 1 + a positive semidefinite matrix
	f.score += logDet
	f.eliminate(m, a, act[:a], root[:a])
}

// forget integrates error i out; its row and column become nought.
func (f *filter) forget(i int) {
	m := [1]float64{f.xx[i*f.d+i]}
	if !f.off[i] {
		f.score += math.Log(m[0])
	}
	m[0] = math.Sqrt(m[0])
	f.eliminate(m[:], 1, []int{i}, []float64{1})
	for j := range f.d {
		f.xx[i*f.d+j], f.xx[j*f.d+i] = 0, 0
	}
	clear(f.xg[i*f.cap : i*f.cap+f.n])
	f.ex[i] = 0
}

// close integrates all errors out.
func (f *filter) close() {
	for i := range f.d {
		f.forget(i)
	}
	f.flush()
}

// eliminate takes Y'Y off the information, Y = L⁻¹·diag(root)·(rows act of it).
func (f *filter) eliminate(l []float64, a int, act []int, root []float64) {
	d, n, c := f.d, f.n, f.cap
	if f.nrows+a > flushAt+mostFaults {
		f.flush()
	}
	yg := f.rows[f.nrows*c : (f.nrows+a)*c]
	var yx [mostFaults * mostFaults]float64
	var ye [mostFaults]float64
	for i := range a {
		row := yg[i*c : (i+1)*c]
		for j, x := range f.xg[act[i]*c : act[i]*c+n] {
			row[j] = root[i] * x
		}
		clear(row[n:])
		for j := range d {
			yx[i*d+j] = root[i] * f.xx[act[i]*d+j]
		}
		ye[i] = root[i] * f.ex[act[i]]
		for k := range i {
			s := -l[i*a+k]
			axpy(s, yg[k*c:k*c+n], row[:n])
			axpy(s, yx[k*d:(k+1)*d], yx[i*d:(i+1)*d])
			ye[i] += s * ye[k]
		}
		s := 1 / l[i*a+i]
		for j := range row[:n] {
			row[j] *= s
		}
		for j := range d {
			yx[i*d+j] *= s
		}
		ye[i] *= s
	}
	for i := range a {
		row := yg[i*c : i*c+n]
		for j := range d {
			s := -yx[i*d+j]
			if s != 0 {
				axpy(s, row, f.xg[j*c:j*c+n])
			}
		}
		axpy(-ye[i], row, f.eg[:n])
		f.score -= ye[i] * ye[i]
	}
	for i := range a {
		for j := range d {
			s := yx[i*d+j]
			f.ex[j] -= s * ye[i]
			for k := range d {
				f.xx[j*d+k] -= s * yx[i*d+k]
			}
		}
	}
	f.nrows += a
	if f.nrows >= flushAt {
		f.flush()
	}
}

// flush takes the rows gathered off gg.
func (f *filter) flush() {
	if f.nrows == 0 || f.n == 0 {
		f.nrows = 0
		return
	}
	blas64.Syrk(blas.Trans, -1,
		blas64.General{Rows: f.nrows, Cols: f.n, Stride: f.cap, Data: f.rows}, 1,
		blas64.Symmetric{Uplo: blas.Upper, N: f.n, Stride: f.cap, Data: f.gg})
	f.nrows = 0
}

// local is a session's regressors with their places in the cell.
type local struct {
	base, k0, k1 int
	n            int // columns known after it
}

func (c *cellTrack) localOf(net *network, e *event) local {
	l := local{base: c.place[net.cars[e.car].base], k0: -1, k1: -1}
	l.n = l.base + net.q() + 2
	for i, k := range e.knot {
		if k < 0 {
			continue
		}
		p := c.place[k]
		if i == 0 {
			l.k0 = p
		} else {
			l.k1 = p
		}
		l.n = max(l.n, p+1)
	}
	return l
}

// sparse is one row of regressors: errors dense, unknowns by place.
type sparse struct {
	x   []float64
	at  [5]int
	val [5]float64
	n   int
}

func (s *sparse) put(at int, val float64) {
	if at >= 0 && val != 0 {
		s.at[s.n], s.val[s.n] = at, val
		s.n++
	}
}

// meanRow is the row of a session's mean in a mode.
func (net *network) meanRow(s *sparse, e *event, l *local, mode int) (y float64) {
	d, q := net.d(), net.q()
	w := width(d)
	m := e.stat.mean[mode*w : (mode+1)*w]
	rootK := math.Sqrt(float64(e.stat.points))
	s.n = 0
	s.x = m[:d]
	s.put(l.base+mode, rootK)
	s.put(l.base+q, m[d])
	s.put(l.base+q+1, m[d+1])
	if mode == 0 {
		s.put(l.k0, rootK*e.part[0])
		s.put(l.k1, rootK*e.part[1])
	}
	return m[d+2]
}

// addSession adds a session's sufficient statistics.
func (f *filter) addSession(c *cellTrack, e *event) {
	st := &e.stat
	nz := noiseOf(st, e.lambda, f.v)
	if f.known != nil {
		f.addKnown(e, &nz)
		return
	}
	l := c.localOf(f.net, e)
	f.n = max(f.n, l.n)
	// Of the pulls' own orthogonal modes, of which the mean is one.
	f.score += float64(f.net.q()) * (float64(st.pulls)*log2Pi + math.Log(st.sum))
	var s sparse
	for mode := range f.net.q() {
		v := nz.meanShape
		if mode == 0 {
			v = nz.meanLevel
		}
		y := f.net.meanRow(&s, e, &l, mode)
		f.add(&s, y, 1/v)
		f.score += math.Log(v)
	}
	if st.pulls > 1 {
		f.addWithin(st.level, 1/nz.level, &l)
		f.score += float64(st.pulls-1) * math.Log(nz.level)
		if q := f.net.q(); q > 1 {
			f.addWithin(st.shape, 1/nz.shape, &l)
			f.score += float64((st.pulls-1)*(q-1)) * math.Log(nz.shape)
		}
	}
}

// addKnown adds a session with the cars' unknowns taken as known.
func (f *filter) addKnown(e *event, nz *noise) {
	d, q := f.d, f.net.q()
	w := width(d)
	var zero [mostFaults]float64
	for mode := range q {
		v := nz.meanShape
		if mode == 0 {
			v = nz.meanLevel
		}
		s := sparse{x: e.stat.mean[mode*w : mode*w+d]}
		f.add(&s, f.net.residual(e, mode, zero[:d], f.known), 1/v)
	}
	if e.stat.pulls < 2 {
		return
	}
	base := f.net.cars[e.car].base + q
	for i, z := range [2][]float64{e.stat.level, e.stat.shape} {
		p := 1 / nz.level
		if i == 1 {
			p = 1 / nz.shape
		}
		if i == 1 && q == 1 {
			break
		}
		for a := range d {
			if f.off[a] {
				continue
			}
			for b := range d {
				if !f.off[b] {
					f.xx[a*d+b] += p * z[a*w+b]
				}
			}
			f.ex[a] += p * (z[a*w+d+2] - z[a*w+d]*f.known[base] - z[a*w+d+1]*f.known[base+1])
		}
	}
}

// add adds one row with a precision.
func (f *filter) add(s *sparse, y, p float64) {
	d := f.d
	for i := range d {
		if f.off[i] {
			continue
		}
		x := p * s.x[i]
		if x == 0 {
			continue
		}
		for j := range d {
			if !f.off[j] {
				f.xx[i*d+j] += x * s.x[j]
			}
		}
		for j := range s.n {
			f.xg[i*f.cap+s.at[j]] += x * s.val[j]
		}
		f.ex[i] += x * y
	}
	for i := range s.n {
		x := p * s.val[i]
		for j := range s.n {
			if s.at[i] <= s.at[j] {
				f.gg[s.at[i]*f.cap+s.at[j]] += x * s.val[j]
			}
		}
		f.eg[s.at[i]] += x * y
	}
	f.score += p * y * y
}

// addWithin adds the pulls' differences within a session.
func (f *filter) addWithin(z []float64, p float64, l *local) {
	d, q := f.d, f.net.q()
	w := width(d)
	own := [2]int{l.base + q, l.base + q + 1}
	for i := range d {
		if f.off[i] {
			continue
		}
		for j := range d {
			if !f.off[j] {
				f.xx[i*d+j] += p * z[i*w+j]
			}
		}
		for j, at := range own {
			f.xg[i*f.cap+at] += p * z[i*w+d+j]
		}
		f.ex[i] += p * z[i*w+d+2]
	}
	for i, a := range own {
		for j, b := range own {
			if a <= b {
				f.gg[a*f.cap+b] += p * z[(d+i)*w+d+j]
			}
		}
		f.eg[a] += p * z[(d+i)*w+d+2]
	}
	f.score += p * z[(d+2)*w+d+2]
}

// addObservation adds a direct observation. An error that is not in the model
// at these variances is 0; then the observation only costs likelihood.
func (f *filter) addObservation(e *event) {
	d := f.d
	for i := range d {
		s := 0.0
		for j := range d {
			p := e.prec[i*d+j]
			s += p * e.y[j]
			if !f.off[i] && !f.off[j] {
				f.xx[i*d+j] += p
			}
		}
		if !f.off[i] {
			f.ex[i] += s
		}
		f.score += s * e.y[i]
	}
	f.score += e.logV + float64(e.seen)*log2Pi
}
