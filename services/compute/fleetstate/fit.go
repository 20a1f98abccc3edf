package fleetstate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"

	"rollcall/services/fleet"
)

// ErrNoRuns says that a history holds neither a run nor an observation.
var ErrNoRuns = errors.New("fleetstate: there are no reference runs and no checks yet: nothing can be compared")

// Fit is the fleet as the whole history shows it.
type Fit struct {
	Settings  Settings
	Variances Variances
	// Score is −2·log likelihood of the residuals (REML) of the band modes at
	// Variances.
	Score float64
	// Estimation says how Variances were found.
	Estimation Estimation
	At         time.Time // of the last event

	net   *network
	g     []float64 // unknowns of the cars
	inv   []float64 // their covariance, n × n, upper triangle
	cells []state
}

// state is a cell after its last event: its errors x given the unknowns g of
// its cars are N(c + b·g, p).
type state struct {
	week float64
	d, n int
	p    []float64 // d × d
	b    []float64 // d × n
	c    []float64
	// x and cov are its errors with the unknowns' estimates taken in.
	x, cov []float64
	sig    []float64 // bandSignature, once it is known
	null   steady
	// far is the side to which the last session, taken in by Update, lay far out;
	// 0: it did not.
	far float64
}

// stateOf works p, b and c out of the information.
func stateOf(f *information, week float64) state {
	d, n := f.d, f.n
	s := state{week: week, d: d, n: n}
	s.p = make([]float64, d*d)
	s.b = make([]float64, d*n)
	s.c = make([]float64, d)
	invert(s.p, f.xx, d)
	for i := range d {
		for j := range d {
			axpy(-s.p[i*d+j], f.xg[j*f.cap:j*f.cap+n], s.b[i*n:(i+1)*n])
			s.c[i] += s.p[i*d+j] * f.ex[j]
		}
	}
	return s
}

// batch is how many cells are reduced before their parts are added up, in
// their order: it bounds memory.
const batch = 32

// part is what one cell says of the unknowns.
type part struct {
	n      int
	gg, eg []float64
	score  float64
	state  state
}

// sums is what the cells say of the cars' unknowns together.
type sums struct {
	gg, eg []float64 // n × n, upper triangle; n
	score  float64
	states []state
	parts  []part
}

func (net *network) newSums() *sums {
	return &sums{gg: make([]float64, net.n*net.n), eg: make([]float64, net.n), states: make([]state, len(net.cells)), parts: make([]part, batch)}
}

// reduce adds sign times what the cells of the list say. It is deterministic
// bit for bit, whatever the number of workers: parts are added in the list's
// order.
func (net *network) reduce(v *Variances, to *sums, list []int, sign float64) {
	n := net.n
	filters := make([]*filter, net.s.Workers)
	for len(list) > 0 {
		some := list[:min(batch, len(list))]
		list = list[len(some):]
		each(len(some), net.s.Workers, func(w, i int) {
			if filters[w] == nil {
				filters[w] = newFilter(net, v)
			}
			f := filters[w]
			c := &net.cells[some[i]]
			f.run(c, nil)
			p := &to.parts[i]
			p.state = stateOf(&f.information, f.week)
			f.close()
			m := len(c.cols)
			p.n, p.score = m, f.score
			p.gg, p.eg = resize(p.gg, m*m), resize(p.eg, m)
			for r := range m {
				copy(p.gg[r*m+r:(r+1)*m], f.gg[r*f.cap+r:r*f.cap+m])
			}
			copy(p.eg, f.eg[:m])
		})
		for i, at := range some {
			p, cols := &to.parts[i], net.cells[at].cols
			to.score += sign * p.score
			to.states[at] = p.state
			for r, a := range cols {
				to.eg[a] += sign * p.eg[r]
				for s := r; s < p.n; s++ {
					b := cols[s]
					to.gg[min(a, b)*n+max(a, b)] += sign * p.gg[r*p.n+s]
				}
			}
		}
	}
}

// all lists the cells.
func (net *network) all() []int {
	out := make([]int, len(net.cells))
	for i := range out {
		out[i] = i
	}
	return out
}

// solution is the outcome of solve.
type solution struct {
	g      []float64
	inv    []float64 // the factor until invert is called, then the covariance
	scale  []float64
	n      int
	score  float64
	states []state
}

// solve reduces every cell to what it says of the cars' unknowns and solves for
// them, with their covariance.
func (net *network) solve(v *Variances) (*solution, error) {
	to := net.newSums()
	net.reduce(v, to, net.all(), 1)
	out, err := net.solveSums(v, to)
	if err != nil {
		return nil, err
	}
	out.invert()
	return out, nil
}

// solveSums solves for the unknowns. The sums' matrix becomes the solution's.
func (net *network) solveSums(v *Variances, to *sums) (*solution, error) {
	n := net.n
	out := &solution{n: n, states: to.states, score: to.score}
	out.g = append([]float64(nil), to.eg...)
	out.score += net.priors(v, to.gg, out.g)
	f, err := net.factor(to.gg)
	if err != nil {
		return nil, err
	}
	out.inv, out.scale = to.gg, f.scale
	out.score += f.value
	if n == 0 {
		return out, nil
	}
	// g = D·U⁻¹·U⁻ᵀ·D·eg with the scaling D.
	for i := range out.g {
		out.g[i] *= f.scale[i]
	}
	u := blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: n, Stride: n, Data: out.inv}
	blas64.Trsv(blas.Trans, u, blas64.Vector{N: n, Inc: 1, Data: out.g})
	for _, x := range out.g {
		out.score -= x * x
	}
	blas64.Trsv(blas.NoTrans, u, blas64.Vector{N: n, Inc: 1, Data: out.g})
	for i := range out.g {
		out.g[i] *= f.scale[i]
	}
	return out, nil
}

func resize(x []float64, n int) []float64 {
	if cap(x) < n {
		return make([]float64, n)
	}
	return x[:n]
}

// priors adds what is held of the unknowns before any run, and returns its
// part of −2·log likelihood.
func (net *network) priors(v *Variances, gg, eg []float64) float64 {
	n, q := net.n, net.q()
	score := 0.0
	precision := func(sd float64) float64 {
		if math.IsInf(sd, 1) {
			return 0
		}
		return 1 / math.Max(sd*sd, 1e-18)
	}
	for j := range net.cars {
		c := &net.cars[j]
		r, b := c.base+q, c.base+q+1
		for i, p := range [2]float64{precision(net.s.RotatingSD), precision(net.s.IntakeSD)} {
			at := [2]int{r, b}[i]
			gg[at*n+at] += p
			switch {
			case p > 0:
				score -= math.Log(p)
			case gg[at*n+at] > 0:
				score -= log2Pi
			}
		}
		score -= float64(q) * log2Pi // its curve is free
		if len(c.knots) == 0 {
			continue
		}
		for i, k := range c.knots {
			step := math.Max(c.step(v, i), 1e-18)
			score += math.Log(step)
			gg[k*n+k] += 1 / step
			if i > 0 {
				l := c.knots[i-1]
				gg[l*n+l] += 1 / step
				gg[min(k, l)*n+max(k, l)] -= 1 / step
			}
		}
	}
	if !math.IsInf(v.CarLevel, 1) && len(net.cars) > 1 {
		// Levels m_j + ρ_j, ρ_j what was taken off, about a free mean.
		rootK := math.Sqrt(float64(len(net.modes[0])))
		w, m := 1/math.Max(v.CarLevel, 1e-18), float64(len(net.cars))
		sum := 0.0
		for j := range net.cars {
			sum += net.cars[j].ref[0] / rootK
		}
		for j := range net.cars {
			a, rho := net.cars[j].base, net.cars[j].ref[0]/rootK
			eg[a] -= w * (rho - sum/m)
			score += w * rho * (rho - sum/m)
			for k := range net.cars {
				b := net.cars[k].base
				x := -w / m
				if j == k {
					x += w
				}
				if a <= b {
					gg[a*n+b] += x
				}
			}
		}
		score -= (m-1)*math.Log(w) - (m-1)*log2Pi - math.Log(m)
	}
	return score
}

type factored struct {
	value float64 // log determinant
	scale []float64
}

// factor turns the upper triangle of gg into the Cholesky factor of D·gg·D,
// D = diag(gg)^(−½), which makes "not determined" the same at every scale.
func (net *network) factor(gg []float64) (factored, error) {
	n := net.n
	f := factored{scale: make([]float64, n)}
	for i := range n {
		if gg[i*n+i] == 0 {
			gg[i*n+i] = 1 // nothing answers to it: it is 0
		}
		f.scale[i] = 1 / math.Sqrt(gg[i*n+i])
		f.value -= 2 * math.Log(f.scale[i])
	}
	for i := range n {
		for j := i; j < n; j++ {
			gg[i*n+j] *= f.scale[i] * f.scale[j]
		}
	}
	if n == 0 {
		return f, nil
	}
	_, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: gg})
	if !ok {
		return f, errors.New("fleetstate: the runs do not determine the reference cars' curves: give RotatingSD and IntakeSD finite values")
	}
	for i := range n {
		f.value += 2 * math.Log(gg[i*n+i])
	}
	return f, nil
}

// invert turns the factor in inv into the covariance, upper triangle.
func (s *solution) invert() {
	n, scale := s.n, s.scale
	if n == 0 {
		return
	}
	lapack64.Potri(blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: n, Stride: n, Data: s.inv})
	for i := range n {
		for j := i; j < n; j++ {
			s.inv[i*n+j] *= scale[i] * scale[j]
		}
	}
}

// Solve returns the fleet at given variances.
//
// It returns an error when the settings are not valid, when a run is given
// twice or does not say its id, cell, car and time, when its pulls have unequal
// numbers of band points or a value that is not finite, or when an observation
// cannot be one.
func Solve(h History, s Settings, v Variances) (*Fit, error) {
	net, err := begin(h, s)
	if err != nil {
		return nil, err
	}
	if err := checkVariances(v, s); err != nil {
		return nil, err
	}
	return net.fit(v, Estimation{})
}

func begin(h History, s Settings) (*network, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	net, err := lay(h, s, nil)
	if err != nil {
		return nil, fmt.Errorf("fleetstate: %w", err)
	}
	if len(net.cells) == 0 {
		return nil, ErrNoRuns
	}
	return net, nil
}

func checkVariances(v Variances, s Settings) error {
	d := len(s.Faults)
	if len(v.Start) != d || len(v.Walk) != d {
		return fmt.Errorf("fleetstate: %d start and %d walk variances for %d faults: give one of each", len(v.Start), len(v.Walk), d)
	}
	for i, x := range v.vector() {
		if !(x >= 0) || (i != vCarLevel && math.IsInf(x, 1)) {
			return fmt.Errorf("fleetstate: the variance of %s must be finite and not negative, is %g", s.names()[i], x)
		}
	}
	if !(v.Point+v.Pull > 0) {
		return errors.New("fleetstate: the variances of a pull and of a point cannot both be 0")
	}
	return nil
}

// fit solves, and weighs what lies far out.
func (net *network) fit(v Variances, e Estimation) (*Fit, error) {
	sol, err := net.solveRobust(&v)
	if err != nil {
		return nil, err
	}
	f := &Fit{
		Settings: net.s, Variances: v, Score: sol.score, Estimation: e, At: net.at,
		net: net, g: sol.g, inv: sol.inv, cells: sol.states,
	}
	filters := make([]*filter, net.s.Workers)
	each(len(f.cells), net.s.Workers, func(w, c int) {
		if filters[w] == nil {
			filters[w] = net.steadyFilter(&v)
		}
		s := &f.cells[c]
		s.x, s.cov = f.now(c)
		s.sig = net.signatureOf(c)
		s.null = net.steadyOf(filters[w], &net.cells[c])
	})
	return f, nil
}

// Cells returns the cells, by id.
func (f *Fit) Cells() []fleet.CellID {
	out := make([]fleet.CellID, len(f.net.cells))
	for i := range f.net.cells {
		out[i] = f.net.cells[i].id
	}
	return out
}

// cellPlace returns a cell's place; ok: it is known.
func (f *Fit) cellPlace(id fleet.CellID) (int, bool) {
	return slices.BinarySearchFunc(f.net.cells, id, func(c cellTrack, id fleet.CellID) int {
		switch {
		case c.id < id:
			return -1
		case c.id > id:
			return 1
		}
		return 0
	})
}

// local returns the estimates of a cell's unknowns.
func (f *Fit) local(c int) []float64 {
	cols := f.net.cells[c].cols
	out := make([]float64, len(cols))
	for i, g := range cols {
		out[i] = f.g[g]
	}
	return out
}

// covariance is that of two unknowns.
func (f *Fit) covariance(a, b int) float64 { return f.inv[min(a, b)*f.net.n+max(a, b)] }

// difference returns the mean of unknown a less b (b < 0: of a alone) and its variance.
func (f *Fit) difference(a, b int) (mean, variance float64) {
	mean, variance = f.g[a], f.covariance(a, a)
	if b >= 0 {
		mean -= f.g[b]
		variance += f.covariance(b, b) - 2*f.covariance(a, b)
	}
	return mean, variance
}

// block returns the covariance of a cell's unknowns, n × n.
func (f *Fit) block(c int) []float64 {
	cols := f.net.cells[c].cols
	n := len(cols)
	out := make([]float64, n*n)
	for i, a := range cols {
		for j := i; j < n; j++ {
			x := f.covariance(a, cols[j])
			out[i*n+j], out[j*n+i] = x, x
		}
	}
	return out
}

// Errors are a cell's errors at a time.
type Errors struct {
	Cell       fleet.CellID
	At         time.Time
	Faults     []fleet.Fault
	Value      []float64   // in the faults' units
	Covariance [][]float64 // of Value
}

// Errors returns a cell's errors at a time not before its last event: what is
// known of them today. ok is false when the cell is not known or was seen after
// that time; Smooth looks back.
func (f *Fit) Errors(cell fleet.CellID, at time.Time) (Errors, bool) {
	c, ok := f.cellPlace(cell)
	if !ok {
		return Errors{}, false
	}
	s := &f.cells[c]
	dt := weekOf(at) - s.week
	if dt < 0 {
		return Errors{}, false
	}
	out := f.errorsOf(cell, at, slices.Clone(s.x), s.cov)
	for i, q := range f.Variances.Walk {
		out.Covariance[i][i] += q * dt
	}
	return out, true
}

func (f *Fit) errorsOf(cell fleet.CellID, at time.Time, x, cov []float64) Errors {
	d := len(x)
	out := Errors{Cell: cell, At: at, Value: x, Faults: f.net.faults(), Covariance: make([][]float64, d)}
	for i := range d {
		out.Covariance[i] = append([]float64(nil), cov[i*d:(i+1)*d]...)
	}
	return out
}

func (net *network) faults() []fleet.Fault {
	out := make([]fleet.Fault, net.d())
	for i, m := range net.s.Faults {
		out[i] = m.Fault
	}
	return out
}

// now returns a cell's errors after its last event, and their covariance,
// p + b·Σ·b'.
func (f *Fit) now(c int) (x, cov []float64) {
	s := &f.cells[c]
	d, n := s.d, s.n
	x, cov = slices.Clone(s.c), slices.Clone(s.p)
	sigma, g := f.block(c), f.local(c)
	row := make([]float64, n)
	for i := range d {
		b := s.b[i*n : (i+1)*n]
		x[i] += dot(b, g)
		clear(row)
		for k, v := range b {
			if v != 0 {
				axpy(v, sigma[k*n:(k+1)*n], row)
			}
		}
		for j := range i + 1 {
			cov[i*d+j] += dot(row, s.b[j*n:(j+1)*n])
			cov[j*d+i] = cov[i*d+j]
		}
	}
	return x, cov
}
