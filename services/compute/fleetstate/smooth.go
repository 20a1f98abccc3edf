package fleetstate

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"

	"rollcall/services/fleet"
)

// path is a cell's errors after each of its events, as the whole history shows
// them: given the unknowns g of its cars they are N(c + b·g, p); mean and cov
// are with g's own estimate and covariance taken in.
type path struct {
	d, n, events int
	c, mean      []float64 // events × d
	b, bs        []float64 // events × d × n; bs = b·Σ
	p, cov       []float64 // events × d × d
	// The step to an event, Δ = x − x before it: mean and variance of each
	// error's; stepped: there was one.
	stepped         []bool
	stepMean, stepV []float64 // events × d
}

// smoother runs a cell's filter forth and smooths back.
type smoother struct {
	f    *filter
	keep []kept
}

// run returns the path of a cell; g and sigma (n × n) are the estimates of its
// cars' unknowns and their covariance; sigma nil: means only.
//
// Back over a step, with K = √Q·M⁻¹·√Q of the filter and Λ its information
// before the step,
//
//	Δ | x, g ~ N(K·(Λ_xx·x + Λ_xg·g − η), K),    x before = x − Δ
//
// which needs no variance of the walk to be other than 0, and divides by none.
func (s *smoother) run(c *cellTrack, g, sigma []float64) *path {
	s.keep = s.keep[:0]
	s.f.run(c, &s.keep)
	d, n, e := s.f.d, len(c.cols), len(c.events)
	out := &path{
		d: d, n: n, events: e, c: make([]float64, e*d), mean: make([]float64, e*d), b: make([]float64, e*d*n),
		p: make([]float64, e*d*d), cov: make([]float64, e*d*d), stepped: make([]bool, e), stepMean: make([]float64, e*d), stepV: make([]float64, e*d),
	}
	if e == 0 {
		return out
	}
	end := stateOf(&s.f.information, s.f.week)
	// Its b is as wide as the columns met.
	cur := &state{p: end.p, c: end.c, b: make([]float64, d*n)}
	for i := range d {
		copy(cur.b[i*n:i*n+s.f.n], end.b[i*s.f.n:(i+1)*s.f.n])
	}
	type stepKept struct {
		at   int
		b, v []float64 // of Δ given g: d × n, d × d
	}
	var steps []stepKept
	for i := e - 1; i >= 0; i-- {
		copy(out.c[i*d:], cur.c)
		copy(out.b[i*d*n:], cur.b)
		copy(out.p[i*d*d:], cur.p)
		k := &s.keep[i]
		if c.events[i].kind == restart && c.events[i].mask != 0 && k.reset.xx != nil {
			back(cur, &k.reset, c.events[i].mask, n)
		}
		if k.k == nil {
			continue
		}
		bStep, vStep, cStep := stepBack(cur, k, n)
		out.stepped[i] = true
		for j := range d {
			out.stepMean[i*d+j] = cStep[j]
			if g != nil {
				out.stepMean[i*d+j] += dot(bStep[j*n:(j+1)*n], g)
			}
		}
		steps = append(steps, stepKept{i, bStep, vStep})
	}
	for i := range e * d {
		out.mean[i] = out.c[i]
		if g != nil {
			out.mean[i] += dot(out.b[i*n:(i+1)*n], g)
		}
	}
	copy(out.cov, out.p)
	if sigma == nil || n == 0 {
		for _, st := range steps {
			for j := range d {
				out.stepV[st.at*d+j] = st.v[j*d+j]
			}
		}
		return out
	}
	out.bs = make([]float64, e*d*n)
	blas64.Gemm(blas.NoTrans, blas.NoTrans, 1,
		blas64.General{Rows: e * d, Cols: n, Stride: n, Data: out.b},
		blas64.General{Rows: n, Cols: n, Stride: n, Data: sigma}, 0,
		blas64.General{Rows: e * d, Cols: n, Stride: n, Data: out.bs})
	for i := range e {
		for a := range d {
			for b := range d {
				out.cov[(i*d+a)*d+b] += dot(out.bs[(i*d+a)*n:(i*d+a+1)*n], out.b[(i*d+b)*n:(i*d+b+1)*n])
			}
		}
	}
	// The variance of b_Δ·g is b_Δ·Σ·b_Δ', and b_Δ·Σ the difference of two rows of
	// bs, but of an error that restarts right after the step.
	row := make([]float64, n)
	for _, st := range steps {
		e := &c.events[st.at]
		for j := range d {
			b := st.b[j*n : (j+1)*n]
			if e.kind == restart && e.mask>>j&1 == 1 {
				clear(row)
				for k, x := range b {
					axpy(x, sigma[k*n:(k+1)*n], row)
				}
			} else {
				at := (st.at*d + j) * n
				copy(row, out.bs[at:at+n])
				axpy(-1, out.bs[at-d*n:at-d*n+n], row)
			}
			out.stepV[st.at*d+j] = st.v[j*d+j] + dot(row, b)
		}
	}
	return out
}

// stepBack turns the state after a step into the one before it and returns Δ's
// coefficients of g, its covariance given g, and its constant.
func stepBack(s *state, k *kept, n int) (bStep, vStep, cStep []float64) {
	inf := &k.before
	d := inf.d
	// G = Λ_xx·b + Λ_xg,  h = Λ_xx·c − η
	g := make([]float64, d*n)
	h := make([]float64, d)
	for i := range d {
		row := g[i*n : (i+1)*n]
		copy(row, inf.xg[i*inf.cap:i*inf.cap+inf.n])
		h[i] = -inf.ex[i]
		for j := range d {
			x := inf.xx[i*d+j]
			if x == 0 {
				continue
			}
			axpy(x, s.b[j*n:(j+1)*n], row)
			h[i] += x * s.c[j]
		}
	}
	bStep, cStep, vStep = make([]float64, d*n), make([]float64, d), make([]float64, d*d)
	kl := make([]float64, d*d) // K·Λ
	for i := range d {
		for j := range d {
			x := k.k[i*d+j]
			if x == 0 {
				continue
			}
			axpy(x, g[j*n:(j+1)*n], bStep[i*n:(i+1)*n])
			cStep[i] += x * h[j]
			axpy(x, inf.xx[j*d:(j+1)*d], kl[i*d:(i+1)*d])
		}
	}
	klp := make([]float64, d*d)
	for i := range d {
		for j := range d {
			axpy(kl[i*d+j], s.p[j*d:(j+1)*d], klp[i*d:(i+1)*d])
		}
	}
	p := make([]float64, d*d)
	for i := range d {
		for j := range d {
			q := dot(klp[i*d:(i+1)*d], kl[j*d:(j+1)*d])
			vStep[i*d+j] = k.k[i*d+j] + q
			p[i*d+j] = s.p[i*d+j] - klp[i*d+j] - klp[j*d+i] + q + k.k[i*d+j]
		}
	}
	c := make([]float64, d)
	b := make([]float64, d*n)
	for i := range d {
		c[i] = s.c[i] - cStep[i]
		for j := range n {
			b[i*n+j] = s.b[i*n+j] - bStep[i*n+j]
		}
	}
	s.p, s.c, s.b = p, c, b
	return bStep, vStep, cStep
}

// back turns the state after a restart of the errors in mask into the one
// before it: those that restarted are known from before alone, given the rest.
func back(s *state, inf *information, mask uint16, n int) {
	d := inf.d
	var r, k []int
	for i := range d {
		if mask>>i&1 == 1 {
			r = append(r, i)
		} else {
			k = append(k, i)
		}
	}
	m := len(r)
	rr, inv := make([]float64, m*m), make([]float64, m*m)
	for i, a := range r {
		for j, b := range r {
			rr[i*m+j] = inf.xx[a*d+b]
		}
	}
	invert(inv, rr, m)
	// x_r = t·x_k + u·g + w,  t = −inv·Λ_rk and so on.
	t := make([]float64, m*len(k))
	u := make([]float64, m*n)
	w := make([]float64, m)
	for i := range r {
		for j, b := range r {
			x := inv[i*m+j]
			for l, kk := range k {
				t[i*len(k)+l] -= x * inf.xx[b*d+kk]
			}
			axpy(-x, inf.xg[b*inf.cap:b*inf.cap+inf.n], u[i*n:i*n+inf.n])
			w[i] += x * inf.ex[b]
		}
	}
	p := make([]float64, d*d)
	c := slices.Clone(s.c)
	b := slices.Clone(s.b)
	for _, x := range k {
		for _, y := range k {
			p[x*d+y] = s.p[x*d+y]
		}
	}
	for i, a := range r {
		c[a] = w[i]
		copy(b[a*n:(a+1)*n], u[i*n:(i+1)*n])
		for l, kk := range k {
			x := t[i*len(k)+l]
			c[a] += x * s.c[kk]
			axpy(x, s.b[kk*n:(kk+1)*n], b[a*n:(a+1)*n])
			for _, y := range k {
				p[a*d+y] += x * s.p[kk*d+y]
			}
		}
		for _, y := range k {
			p[y*d+a] = p[a*d+y]
		}
	}
	for i, a := range r {
		for j, a2 := range r {
			x := inv[i*m+j]
			for l, kk := range k {
				x += t[j*len(k)+l] * p[a*d+kk]
			}
			p[a*d+a2] = x
		}
	}
	s.p, s.c, s.b = p, c, b
}

// Smooth returns a cell's errors at the times asked for, as the whole history
// shows them, those after its last event as of today. It is for looking back:
// what the cell read then is known better now. An as-left moment is after a
// restart of the same time. ok is false when the cell is not known or a time is
// before its first event.
func (f *Fit) Smooth(cell fleet.CellID, times []time.Time) (out []Errors, ok bool) {
	c, ok := f.cellPlace(cell)
	if !ok {
		return nil, false
	}
	p, at, ok := f.lookBack(c, times)
	if !ok {
		return nil, false
	}
	d := p.d
	for k, i := range at {
		out = append(out, f.errorsOf(cell, times[k], slices.Clone(p.mean[i*d:(i+1)*d]), p.cov[i*d*d:(i+1)*d*d]))
	}
	return out, true
}

// lookBack returns a cell's path with the times in it, and their places.
func (f *Fit) lookBack(c int, times []time.Time) (p *path, at []int, ok bool) {
	t := &f.net.cells[c]
	with := cellTrack{id: t.id, cols: t.cols, place: t.place, events: slices.Clone(t.events)}
	for _, x := range times {
		if len(t.events) == 0 || x.Before(t.events[0].at) {
			return nil, nil, false
		}
		with.events = append(with.events, event{at: x, week: weekOf(x), kind: moment})
	}
	slices.SortStableFunc(with.events, order)
	// A jump seen in the step to an event is a jump somewhere since the one
	// before: its variance goes with every part of the step.
	for i := len(with.events) - 2; i >= 0; i-- {
		if with.events[i].kind == moment {
			with.events[i].loose = with.events[i+1].loose
		}
	}
	s := smoother{f: newFilter(f.net, &f.Variances)}
	p = s.run(&with, f.local(c), f.block(c))
	find := map[int64]int{}
	for i := range with.events {
		if with.events[i].kind == moment {
			find[with.events[i].at.UnixNano()] = i
		}
	}
	for _, x := range times {
		at = append(at, find[x.UnixNano()])
	}
	return p, at, true
}

// OffsetAt is a cell's offset at a time.
type OffsetAt struct {
	At time.Time
	// Offset is less today's consensus, as Equivalence.Offset; U expanded.
	Offset, U float64
}

// Offsets returns a cell's offset at the times asked for, as the whole history
// shows it, for the picture of the cell through time. U takes the cell's own
// share in the consensus for independent of what the cell read then, which
// overstates it a little. ok is as for Smooth.
func (f *Fit) Offsets(cell fleet.CellID, times []time.Time) (out []OffsetAt, ok bool) {
	c, ok := f.cellPlace(cell)
	if !ok {
		return nil, false
	}
	p, at, ok := f.lookBack(c, times)
	if !ok {
		return nil, false
	}
	a := f.agree(f.At)
	w := f.cells[c].sig
	cols := f.net.cells[c].cols
	d, n := p.d, p.n
	for k, i := range at {
		o := OffsetAt{At: times[k], Offset: -a.Value}
		v := a.variance
		for x := range d {
			o.Offset += w[x] * p.mean[i*d+x]
			for y := range d {
				v += w[x] * w[y] * p.cov[(i*d+x)*d+y]
			}
			for j, u := range cols {
				v -= 2 * w[x] * p.b[(i*d+x)*n+j] * a.su[u]
			}
		}
		o.U = expanded(v)
		out = append(out, o)
	}
	return out, true
}

// expanded returns U = 2·√variance, 0 for one that rounding made negative.
func expanded(variance float64) float64 { return 2 * math.Sqrt(math.Max(0, variance)) }
