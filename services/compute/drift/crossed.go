package drift

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// Factor groups the observations of a crossed model. Every level has a random
// effect of its own, b ~ N(0, σ_f²), and adds b·Value[i] to observation i.
type Factor struct {
	Name   string
	Level  []int     // length n, 0 … Levels−1
	Levels int       // levels without an observation are allowed
	Value  []float64 // length n; nil: 1 throughout, a random intercept
}

// Method is the likelihood that is maximised.
type Method uint8

// The methods.
const (
	REML Method = iota // residual (restricted) maximum likelihood
	ML                 // maximum likelihood
)

// ErrRank says that the columns of the fixed design are not independent.
var ErrRank = errors.New("drift: the fixed design's columns are linearly dependent: leave one out")

// ErrTooFew says that there are no more observations than fixed effects.
var ErrTooFew = errors.New("drift: not more observations than fixed effects")

// Fit is a fitted crossed model.
type Fit struct {
	Method Method
	// Variances holds σ_f², one per factor in the order given; 0 is possible.
	Variances []float64
	// Residual is σ².
	Residual float64
	// Theta holds θ_f = σ_f/σ.
	Theta []float64
	// Beta holds the fixed effects.
	Beta []float64
	// Effects holds the predicted (BLUP) random effect of every level.
	Effects [][]float64
	// ConditionalSD holds sd(b | y) at the estimated β and variances.
	ConditionalSD [][]float64
	// Criterion is −2·log likelihood (of the residuals when REML).
	Criterion float64
	// Evaluations counts evaluations of the criterion.
	Evaluations int

	sys *system
	f   *factored
}

// FitCrossed fits the linear mixed model
//
//	y = X·β + Σ_f Z_f·b_f + ε,   b_f ~ N(0, σ_f²·I),  ε ~ N(0, σ²·I)
//
// with crossed or nested factors f by maximising the likelihood m profiled on
// θ_f = σ_f/σ. y has length n; x holds n rows of the fixed design, nil for an
// intercept alone. Variances on the boundary (0) are found as such.
//
// It returns ErrTooFew, ErrRank, or an error saying that y is not finite. It
// panics when lengths or levels do not agree.
//
// Source: Bates, Mächler, Bolker, Walker, "Fitting linear mixed-effects models
// using lme4", J. Stat. Soft. 67(1), 2015, section 3 (penalised least squares,
// profiled deviance and REML criterion; from memory). The factor with the most
// levels is eliminated first, since its block of the normal equations is
// diagonal; what is left has the size of the other factors and β.
func FitCrossed(y []float64, x [][]float64, factors []Factor, m Method) (*Fit, error) {
	sys, err := newSystem(y, x, factors)
	if err != nil {
		return nil, err
	}
	o := optimiser{sys: sys, method: m, f: sys.newFactored()}
	theta, err := o.minimise()
	if err != nil {
		return nil, err
	}
	f := sys.newFactored()
	if err := sys.factor(theta, f); err != nil {
		return nil, err
	}
	rhs := sys.reduce(sys.rhs, f)
	df := float64(sys.n)
	if m == REML {
		df -= float64(sys.p)
	}
	return sys.finish(f, rhs, m, rhs.rss/df, o.evaluations), nil
}

// SolveCrossed is FitCrossed with the variances given: variances[f] = σ_f² ≥ 0
// and residual = σ² > 0. Its Criterion is that of REML at these variances.
func SolveCrossed(y []float64, x [][]float64, factors []Factor, variances []float64, residual float64) (*Fit, error) {
	sys, err := newSystem(y, x, factors)
	if err != nil {
		return nil, err
	}
	theta, err := thetaOf(variances, residual, len(factors))
	if err != nil {
		return nil, err
	}
	f := sys.newFactored()
	if err := sys.factor(theta, f); err != nil {
		return nil, err
	}
	return sys.finish(f, sys.reduce(sys.rhs, f), REML, residual, 1), nil
}

func thetaOf(variances []float64, residual float64, factors int) ([]float64, error) {
	if len(variances) != factors {
		panic("drift: one variance per factor is needed")
	}
	if !(residual > 0) || math.IsInf(residual, 1) {
		return nil, fmt.Errorf("drift: the residual variance must be positive and finite, is %g", residual)
	}
	theta := make([]float64, factors)
	for i, v := range variances {
		if !(v >= 0) || math.IsInf(v, 1) {
			return nil, fmt.Errorf("drift: variance %d must be finite and not negative, is %g", i+1, v)
		}
		theta[i] = math.Sqrt(v / residual)
	}
	return theta, nil
}

// system holds the cross products of a crossed model, from which the normal
// equations at any θ follow without going back to the observations. Columns
// are W = [Z of all factors but the first eliminated | X].
type system struct {
	n, p, m int // observations, fixed effects, columns of W
	first   int // factor eliminated; −1: no factor
	levels  []int
	offset  []int // column of W where factor f starts; −1 for the first
	owner   []int // factor of a column of W; −1: fixed
	q2      int   // random columns of W
	q1      int
	z1      []int // level of the first factor by observation
	v1      []float64
	rows    [][]entry // nonzeros of W by observation
	d1      []float64 // Z₁'Z₁, diagonal
	couple  [][]entry // Z₁'W, nonzeros by level
	ww      []float64 // W'W, m×m
	rhs     products
}

type entry struct {
	col int
	val float64
}

// products holds the cross products of one right-hand side.
type products struct {
	z1y []float64
	wy  []float64
	yy  float64
	ols []float64
}

func newSystem(y []float64, x [][]float64, factors []Factor) (*system, error) {
	n := len(y)
	if x != nil && len(x) != n {
		panic("drift: x and y have different lengths")
	}
	p := 1
	if x != nil {
		if n > 0 {
			p = len(x[0])
		}
	}
	if n <= p {
		return nil, ErrTooFew
	}
	s := &system{n: n, p: p, first: -1, levels: make([]int, len(factors)), offset: make([]int, len(factors))}
	for i, f := range factors {
		if len(f.Level) != n || (f.Value != nil && len(f.Value) != n) {
			panic("drift: a factor and y have different lengths")
		}
		s.levels[i] = f.Levels
		if s.first < 0 || f.Levels > factors[s.first].Levels {
			s.first = i
		}
	}
	for i, f := range factors {
		if i == s.first {
			s.offset[i] = -1
			s.q1 = f.Levels
			continue
		}
		s.offset[i] = s.m
		s.m += f.Levels
		for range f.Levels {
			s.owner = append(s.owner, i)
		}
	}
	s.q2 = s.m
	s.m += p
	for range p {
		s.owner = append(s.owner, -1)
	}
	s.rows = make([][]entry, n)
	s.ww = make([]float64, s.m*s.m)
	s.d1 = make([]float64, s.q1)
	s.couple = make([][]entry, s.q1)
	s.z1 = make([]int, n)
	s.v1 = make([]float64, n)
	backing := make([]entry, 0, n*(len(factors)+p))
	for i := range n {
		start := len(backing)
		for fi, f := range factors {
			l := f.Level[i]
			if l < 0 || l >= f.Levels {
				panic("drift: a level is out of range")
			}
			v := 1.0
			if f.Value != nil {
				v = f.Value[i]
			}
			if fi == s.first {
				s.z1[i], s.v1[i] = l, v
				s.d1[l] += v * v
				continue
			}
			if v != 0 {
				backing = append(backing, entry{s.offset[fi] + l, v})
			}
		}
		if x == nil {
			backing = append(backing, entry{s.q2, 1})
		} else {
			if len(x[i]) != p {
				panic("drift: the rows of x have different lengths")
			}
			for k, v := range x[i] {
				if v != 0 {
					backing = append(backing, entry{s.q2 + k, v})
				}
			}
		}
		row := backing[start:len(backing):len(backing)]
		s.rows[i] = row
		for _, a := range row {
			for _, b := range row {
				s.ww[a.col*s.m+b.col] += a.val * b.val
			}
		}
	}
	if s.first >= 0 {
		s.fillCouple()
	}
	var err error
	s.rhs, err = s.products(y)
	return s, err
}

// fillCouple makes the nonzeros of Z₁'W level by level.
func (s *system) fillCouple() {
	for i, row := range s.rows {
		l := s.z1[i]
		for _, e := range row {
			v := e.val * s.v1[i]
			found := false
			for k := range s.couple[l] {
				if s.couple[l][k].col == e.col {
					s.couple[l][k].val += v
					found = true
					break
				}
			}
			if !found {
				s.couple[l] = append(s.couple[l], entry{e.col, v})
			}
		}
	}
}

// products makes the cross products of y, reduced first by its ordinary
// least-squares fit on X so that what is left keeps its digits.
func (s *system) products(y []float64) (products, error) {
	p := products{z1y: make([]float64, s.q1), wy: make([]float64, s.m), ols: make([]float64, s.p)}
	for i, v := range y {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return p, fmt.Errorf("drift: observation %d is not finite", i+1)
		}
	}
	// X'X and its factor.
	xx := make([]float64, s.p*s.p)
	for i := range s.p {
		for j := range s.p {
			xx[i*s.p+j] = s.ww[(s.q2+i)*s.m+s.q2+j]
		}
	}
	diag := make([]float64, s.p)
	for i := range s.p {
		diag[i] = xx[i*s.p+i]
	}
	t, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: s.p, Stride: s.p, Data: xx})
	if !ok || !pivotsSound(xx, diag, s.p) {
		return p, ErrRank
	}
	res := append([]float64(nil), y...)
	// Two rounds: the second removes the rounding of the first.
	for range 2 {
		c := make([]float64, s.p)
		for i, row := range s.rows {
			for _, e := range row {
				if e.col >= s.q2 {
					c[e.col-s.q2] += e.val * res[i]
				}
			}
		}
		lapack64.Potrs(t, blas64.General{Rows: s.p, Cols: 1, Stride: 1, Data: c})
		for i, row := range s.rows {
			for _, e := range row {
				if e.col >= s.q2 {
					res[i] -= e.val * c[e.col-s.q2]
				}
			}
		}
		for k := range c {
			p.ols[k] += c[k]
		}
	}
	for i, row := range s.rows {
		r := res[i]
		p.yy += r * r
		for _, e := range row {
			p.wy[e.col] += e.val * r
		}
		if s.first >= 0 {
			p.z1y[s.z1[i]] += s.v1[i] * r
		}
	}
	return p, nil
}

// rankTolerance is the share of a column's squared length that must be left
// after the columns before it are taken out.
const rankTolerance = 1e-11

func pivotsSound(chol, diag []float64, n int) bool {
	for i := range n {
		r := chol[i*n+i]
		if !(r*r > rankTolerance*diag[i]) {
			return false
		}
	}
	return true
}

// factored is the system's matrix factored at one θ:
//
//	S = Λ·(W'W − Σ_l θ₁²/D_l · c_l·c_l')·Λ + J,   D_l = θ₁²·d_l + 1
//
// with Λ = diag(θ of a random column, 1 for a fixed one), J the identity on
// random columns, c_l the row l of Z₁'W.
type factored struct {
	theta  []float64
	scale  []float64 // Λ
	d      []float64 // D_l
	r      []float64 // upper Cholesky factor of S, m×m
	inv    []float64 // S⁻¹, filled on demand
	diag   []float64
	logL   float64 // log|L|²
	logX   float64 // log|R_X|²
	hasInv bool
	lead   []float64 // inverse of S's random block, filled on demand
}

func (s *system) newFactored() *factored {
	return &factored{
		theta: make([]float64, len(s.levels)),
		scale: make([]float64, s.m), d: make([]float64, s.q1),
		r: make([]float64, s.m*s.m), inv: make([]float64, s.m*s.m), diag: make([]float64, s.m),
	}
}

func (s *system) factor(theta []float64, f *factored) error {
	copy(f.theta, theta)
	f.hasInv, f.lead = false, nil
	for j, o := range s.owner {
		f.scale[j] = 1
		if o >= 0 {
			f.scale[j] = theta[o]
		}
	}
	m := s.m
	copy(f.r, s.ww)
	f.logL = 0
	if s.first >= 0 {
		t2 := theta[s.first] * theta[s.first]
		for l, d := range s.d1 {
			f.d[l] = t2*d + 1
			f.logL += math.Log(f.d[l])
			w := t2 / f.d[l]
			if w == 0 {
				continue
			}
			for _, a := range s.couple[l] {
				row := f.r[a.col*m : a.col*m+m]
				wa := w * a.val
				for _, b := range s.couple[l] {
					row[b.col] -= wa * b.val
				}
			}
		}
	}
	for i := range m {
		si := f.scale[i]
		row := f.r[i*m : i*m+m]
		for j := i; j < m; j++ {
			row[j] *= si * f.scale[j]
		}
		if i < s.q2 {
			row[i]++
		}
		f.diag[i] = row[i]
	}
	_, ok := lapack64.Potrf(blas64.Symmetric{Uplo: blas.Upper, N: m, Stride: m, Data: f.r})
	if !ok || !pivotsSound(f.r, f.diag, m) {
		return ErrRank
	}
	f.logX = 0
	for i := range m {
		l := 2 * math.Log(f.r[i*m+i])
		if i < s.q2 {
			f.logL += l
		} else {
			f.logX += l
		}
	}
	return nil
}

// reduced is a right-hand side with the first factor eliminated, and its solution.
type reduced struct {
	p   products
	sol []float64 // spherical u of W's random columns, then β (of the reduced y)
	rss float64   // penalised residual sum of squares
}

func (s *system) reduce(p products, f *factored) reduced {
	out := reduced{p: p, sol: append([]float64(nil), p.wy...), rss: p.yy}
	if s.first >= 0 {
		t2 := f.theta[s.first] * f.theta[s.first]
		for l := range s.d1 {
			w := t2 / f.d[l] * p.z1y[l]
			if w == 0 {
				continue
			}
			for _, e := range s.couple[l] {
				out.sol[e.col] -= w * e.val
			}
			out.rss -= w * p.z1y[l]
		}
	}
	for j := range out.sol {
		out.sol[j] *= f.scale[j]
	}
	// R'·v = rhs, rss −= v'v, R·sol = v.
	t := blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: s.m, Stride: s.m, Data: f.r}
	v := blas64.Vector{N: s.m, Inc: 1, Data: out.sol}
	blas64.Trsv(blas.Trans, t, v)
	for _, e := range out.sol {
		out.rss -= e * e
	}
	if out.rss < 0 {
		out.rss = 0
	}
	blas64.Trsv(blas.NoTrans, t, v)
	return out
}

// inverse fills f.inv with the full symmetric S⁻¹.
func (s *system) inverse(f *factored) []float64 {
	if f.hasInv {
		return f.inv
	}
	invertUpper(f.r, f.inv, s.m, s.m)
	f.hasInv = true
	return f.inv
}

// leading returns the inverse of S's random block, q2×q2.
func (s *system) leading(f *factored) []float64 {
	if f.lead == nil && s.q2 > 0 {
		f.lead = make([]float64, s.q2*s.q2)
		invertUpper(f.r, f.lead, s.m, s.q2)
	}
	return f.lead
}

// invertUpper puts (R'R)⁻¹ of the leading n×n block of the upper factor r
// (stride rs) in dst, n×n, both triangles.
func invertUpper(r, dst []float64, rs, n int) {
	for i := range n {
		copy(dst[i*n:i*n+n], r[i*rs:i*rs+n])
	}
	lapack64.Potri(blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: n, Stride: n, Data: dst})
	for i := range n {
		for j := range i {
			dst[i*n+j] = dst[j*n+i]
		}
	}
}

// levelEffect returns the spherical effect u of level l of the first factor.
func (s *system) levelEffect(l int, f *factored, r reduced) float64 {
	v := r.p.z1y[l]
	for _, e := range s.couple[l] {
		v -= e.val * f.scale[e.col] * r.sol[e.col]
	}
	return f.theta[s.first] / f.d[l] * v
}

// quad returns c_l'·Λ·A·Λ·c_k over the columns < width of A, width×width.
func (s *system) quad(l, k int, a []float64, width int, f *factored) float64 {
	sum := 0.0
	for _, e := range s.couple[l] {
		if e.col >= width {
			continue
		}
		row := a[e.col*width : e.col*width+width]
		se := e.val * f.scale[e.col]
		for _, g := range s.couple[k] {
			if g.col < width {
				sum += se * row[g.col] * g.val * f.scale[g.col]
			}
		}
	}
	return sum
}

func (s *system) finish(f *factored, r reduced, m Method, residual float64, evaluations int) *Fit {
	fit := &Fit{
		Method: m, Residual: residual, Theta: append([]float64(nil), f.theta...),
		Variances: make([]float64, len(s.levels)), Beta: make([]float64, s.p),
		Effects: make([][]float64, len(s.levels)), ConditionalSD: make([][]float64, len(s.levels)),
		Evaluations: evaluations, sys: s, f: f,
	}
	for k := range fit.Beta {
		fit.Beta[k] = r.p.ols[k] + r.sol[s.q2+k]
	}
	lead := s.leading(f)
	for i, q := range s.levels {
		fit.Variances[i] = f.theta[i] * f.theta[i] * residual
		fit.Effects[i] = make([]float64, q)
		fit.ConditionalSD[i] = make([]float64, q)
		for l := range q {
			if i != s.first {
				j := s.offset[i] + l
				fit.Effects[i][l] = f.theta[i] * r.sol[j]
				fit.ConditionalSD[i][l] = f.theta[i] * math.Sqrt(residual*lead[j*s.q2+j])
				continue
			}
			fit.Effects[i][l] = f.theta[i] * s.levelEffect(l, f, r)
			w := f.theta[i] / f.d[l]
			fit.ConditionalSD[i][l] = f.theta[i] * math.Sqrt(residual*(1/f.d[l]+w*w*s.quad(l, l, lead, s.q2, f)))
		}
	}
	fit.Criterion = s.criterion(f, r, m, residual)
	return fit
}

// criterion returns −2·log likelihood at θ and σ².
func (s *system) criterion(f *factored, r reduced, m Method, residual float64) float64 {
	df := float64(s.n)
	c := f.logL
	if m == REML {
		df -= float64(s.p)
		c += f.logX
	}
	return c + df*math.Log(2*math.Pi*residual) + r.rss/residual
}

// Size returns the length of the stacked vector (b of every factor in the
// order given, β).
func (fit *Fit) Size() int {
	n := fit.sys.p
	for _, q := range fit.sys.levels {
		n += q
	}
	return n
}

// Index returns the place of level l of factor f in the stacked vector.
func (fit *Fit) Index(f, l int) int {
	for _, q := range fit.sys.levels[:f] {
		l += q
	}
	return l
}

// FixedIndex returns the place of fixed effect k in the stacked vector.
func (fit *Fit) FixedIndex(k int) int { return fit.Size() - fit.sys.p + k }

// Covariance returns the covariance of the errors b̂ − b and β̂ − β of places
// i and j of the stacked vector: an element of the inverse of Henderson's
// mixed-model equations at the fit's variances. Unlike ConditionalSD it holds
// what the estimation of β adds.
// Source: Henderson, Biometrics 31, 1975 (from memory).
func (fit *Fit) Covariance(i, j int) float64 {
	s, f := fit.sys, fit.f
	inv := s.inverse(f)
	ci, li := fit.place(i)
	cj, lj := fit.place(j)
	switch {
	case li < 0 && lj < 0:
		return fit.Residual * f.scale[ci] * f.scale[cj] * inv[ci*s.m+cj]
	case li >= 0 && lj >= 0:
		t2 := f.theta[s.first] * f.theta[s.first]
		v := t2 / f.d[li] * t2 / f.d[lj] * s.quad(li, lj, inv, s.m, f)
		if li == lj {
			v += t2 / f.d[li]
		}
		return fit.Residual * v
	}
	if li < 0 {
		ci, li, lj = cj, lj, li
		ci, _ = fit.place(i)
	} else {
		ci = cj
	}
	t2 := f.theta[s.first] * f.theta[s.first]
	v := 0.0
	for _, e := range s.couple[li] {
		v -= e.val * f.scale[e.col] * inv[e.col*s.m+ci]
	}
	return fit.Residual * t2 / f.d[li] * v * f.scale[ci]
}

// place turns a place of the stacked vector into a column of W, or a level of
// the first factor (else −1).
func (fit *Fit) place(i int) (col, level int) {
	for k, q := range fit.sys.levels {
		if i < q {
			if k == fit.sys.first {
				return -1, i
			}
			return fit.sys.offset[k] + i, -1
		}
		i -= q
	}
	return fit.sys.q2 + i, -1
}

// JointCovariance returns Covariance for all places.
func (fit *Fit) JointCovariance() *mat.SymDense {
	n := fit.Size()
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			out.SetSym(i, j, fit.Covariance(i, j))
		}
	}
	return out
}

// term is one nonzero of a linear combination of the stacked vector.
type term struct {
	place  int
	weight float64
}

// variance returns w'·C·w.
func (fit *Fit) variance(w []term) float64 {
	sum := 0.0
	for i, a := range w {
		sum += a.weight * a.weight * fit.Covariance(a.place, a.place)
		for _, b := range w[:i] {
			sum += 2 * a.weight * b.weight * fit.Covariance(a.place, b.place)
		}
	}
	return math.Max(sum, 0)
}
