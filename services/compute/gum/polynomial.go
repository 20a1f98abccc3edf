package gum

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Polynomial is a polynomial fitted to points by ordinary least squares,
//
//	y = c_0 + c_1·x + … + c_m·x^m
//
// with the full covariance of its coefficients.
type Polynomial struct {
	Coefficients []float64   // ascending powers, m + 1
	Covariance   [][]float64 // (m + 1)×(m + 1), from the scatter about the curve
	Residual     float64     // standard deviation about the curve
	RSS          float64     // sum of squares about the curve
	DoF          int         // n − m − 1

	basis  orthogonal
	factor []float64 // y in terms of the orthogonal polynomials
}

// ErrFewForDegree is a polynomial of a degree that its points do not determine.
var ErrFewForDegree = errors.New("too few different points for the degree")

// orthogonal are polynomials orthogonal over a set of points, by the recurrence
//
//	p_0 = 1,  p_{k+1}(x) = (u − α_k)·p_k(x) − β_k·p_{k−1}(x),  u = (x − centre)/half
//
// Least squares with them has a diagonal normal matrix, so that no digits are
// lost to x's size. Source: G. E. Forsythe, J. SIAM 5 (1957) 74–88 (from memory).
type orthogonal struct {
	centre, half float64
	alpha, beta  []float64
	norm         []float64 // Σ p_k²
	at           [][]float64
}

// newOrthogonal returns the polynomials of degree 0 to m over x.
func newOrthogonal(x []float64, m int) (orthogonal, error) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	o := orthogonal{centre: low + (high-low)/2, half: (high - low) / 2}
	if !(o.half > sameX*max(math.Abs(low), math.Abs(high))) {
		return o, ErrOneX
	}
	n := len(x)
	u := make([]float64, n)
	one, before := make([]float64, n), make([]float64, n)
	for i, v := range x {
		u[i] = (v - o.centre) / o.half
		one[i] = 1
	}
	p := one
	for k := 0; ; k++ {
		norm, moment := 0.0, 0.0
		for i := range p {
			norm += p[i] * p[i]
			moment += u[i] * p[i] * p[i]
		}
		if !(norm > float64(n)*leastNorm) {
			return o, ErrFewForDegree
		}
		o.norm, o.at = append(o.norm, norm), append(o.at, p)
		if k == m {
			return o, nil
		}
		alpha, beta := moment/norm, 0.0
		if k > 0 {
			beta = norm / o.norm[k-1]
		}
		o.alpha, o.beta = append(o.alpha, alpha), append(o.beta, beta)
		next := make([]float64, n)
		for i := range next {
			next[i] = (u[i]-alpha)*p[i] - beta*before[i]
		}
		before, p = p, next
	}
}

// leastNorm is the mean square of an orthogonal polynomial over points in −1…1
// under which the points lie on its roots, so that they do not determine it.
const leastNorm = 1e-18

// project returns the factors of y in the polynomials, by a second pass that
// takes up what rounding left in the first.
func (o orthogonal) project(y []float64) []float64 {
	f := make([]float64, len(o.norm))
	rest := append([]float64(nil), y...)
	for range 2 {
		for k, p := range o.at {
			s := 0.0
			for i := range p {
				s += p[i] * rest[i]
			}
			s /= o.norm[k]
			f[k] += s
			for i := range p {
				rest[i] -= s * p[i]
			}
		}
	}
	return f
}

// values returns p_0 … p_m at x.
func (o orthogonal) values(x float64) []float64 {
	u := (x - o.centre) / o.half
	p := make([]float64, len(o.norm))
	p[0] = 1
	for k := range o.alpha {
		p[k+1] = (u - o.alpha[k]) * p[k]
		if k > 0 {
			p[k+1] -= o.beta[k] * p[k-1]
		}
	}
	return p
}

// powers returns row k: the coefficients of p_k in ascending powers of x.
func (o orthogonal) powers() [][]float64 {
	m := len(o.norm) - 1
	t := make([][]float64, m+1)
	for k := range t {
		t[k] = make([]float64, m+1)
	}
	t[0][0] = 1
	for k := range m {
		for j := range k + 1 {
			// (x/h − c/h − α)·t[k] − β·t[k−1]
			t[k+1][j+1] += t[k][j] / o.half
			t[k+1][j] -= (o.centre/o.half + o.alpha[k]) * t[k][j]
			if k > 0 {
				t[k+1][j] -= o.beta[k] * t[k-1][j]
			}
		}
	}
	return t
}

// FitPolynomial fits a polynomial of the given degree (≥ 1) by ordinary least
// squares in orthogonal polynomials of the points; the scatter about the curve
// gives the covariance, s²·(XᵀX)⁻¹, s² = Σ(y − ŷ)²/(n − m − 1).
//
// It needs n ≥ m + 2 points, at m + 1 or more different x, else it returns
// ErrFewPoints, ErrOneX or ErrFewForDegree; ErrNotFinite. Unequal lengths and a
// degree under 1 panic.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.3.1 (least
// squares).
func FitPolynomial(x, y []float64, degree int) (Polynomial, error) {
	if len(x) != len(y) {
		panic("gum: lengths differ")
	}
	if degree < 1 {
		panic("gum: a polynomial of no degree")
	}
	n := len(x)
	if n < degree+2 {
		return Polynomial{}, fmt.Errorf("%d points for degree %d: %w", n, degree, ErrFewPoints)
	}
	for i := range x {
		if !finite(x[i]) || !finite(y[i]) {
			return Polynomial{}, fmt.Errorf("point %d is (%v, %v): %w", i, x[i], y[i], ErrNotFinite)
		}
	}
	o, err := newOrthogonal(x, degree)
	if err != nil {
		return Polynomial{}, err
	}
	p := Polynomial{basis: o, factor: o.project(y), DoF: n - degree - 1}
	for i := range y {
		e := y[i]
		for k := range o.at {
			e -= p.factor[k] * o.at[k][i]
		}
		p.RSS += e * e
	}
	p.Residual = math.Sqrt(p.RSS / float64(p.DoF))
	t := o.powers()
	p.Coefficients = combine(t, p.factor)
	p.Covariance = make([][]float64, degree+1)
	for a := range p.Covariance {
		p.Covariance[a] = make([]float64, degree+1)
		for b := range p.Covariance[a] {
			for k := range t {
				p.Covariance[a][b] += t[k][a] * t[k][b] / o.norm[k] * p.Residual * p.Residual
			}
		}
	}
	return p, nil
}

// combine returns Σ_k factor_k·t[k].
func combine(t [][]float64, factor []float64) []float64 {
	out := make([]float64, len(t))
	for k := range t {
		for j := range t[k] {
			out[j] += factor[k] * t[k][j]
		}
	}
	return out
}

// At returns the curve at x and its standard uncertainty from the scatter. It is
// the uncertainty of the curve, not of one more point.
func (p Polynomial) At(x float64) (y, u float64) {
	v := 0.0
	for k, q := range p.basis.values(x) {
		y += p.factor[k] * q
		v += q * q / p.basis.norm[k]
	}
	return y, p.Residual * math.Sqrt(v)
}

// Leverage returns Σ p_k²/norm_k at x: the variance of the curve there for
// scatter 1.
func (p Polynomial) Leverage(x float64) float64 {
	v := 0.0
	for k, q := range p.basis.values(x) {
		v += q * q / p.basis.norm[k]
	}
	return v
}

// Respond returns by how much the coefficients change when v is added to the y
// of the points that were fitted; the change of the curve at those points is the
// polynomial of what it returns.
func (p Polynomial) Respond(v []float64) []float64 {
	return combine(p.basis.powers(), p.basis.project(v))
}

// Highest returns the factor of the highest degree's orthogonal polynomial over
// its standard deviation, squared: F with 1 and DoF degrees of freedom for the
// test that the degree is not needed. floor is the least standard deviation the
// scatter is taken to have.
func (p Polynomial) Highest(floor float64) (f, probability float64) {
	m := len(p.factor) - 1
	s := max(p.Residual, floor)
	if s == 0 {
		if p.factor[m] == 0 {
			return 0, 1
		}
		return math.MaxFloat64, 0
	}
	f = min(p.factor[m]*p.factor[m]*p.basis.norm[m]/(s*s), math.MaxFloat64)
	return f, FTail(f, 1, float64(p.DoF))
}

// LackOfFit is the test of a curve against the scatter of repeated points.
type LackOfFit struct {
	F      float64
	Lack   int     // degrees of freedom of the lack of fit
	Pure   int     // degrees of freedom of pure error
	P      float64 // probability of as large an F by chance
	SDPure float64 // standard deviation of pure error
	Enough bool    // there were repeated points and more of them than coefficients
}

// TestLackOfFit tests a fitted curve whose points fall into groups of one x,
//
//	F = ((RSS − SS_pure)/(groups − m − 1)) / (SS_pure/(n − groups))
//
// groups hold indices of points. floor is the least standard deviation that pure
// error is taken to have, such as an instrument's step.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6 and 4.6.1.
func (p Polynomial) TestLackOfFit(y []float64, groups [][]int, floor float64) LackOfFit {
	l := LackOfFit{Lack: len(groups) - len(p.factor)}
	pure := 0.0
	for _, g := range groups {
		m := 0.0
		for _, i := range g {
			m += y[i] / float64(len(g))
		}
		for _, i := range g {
			pure += (y[i] - m) * (y[i] - m)
		}
		l.Pure += len(g) - 1
	}
	if l.Lack < 1 || l.Pure < 1 {
		return l
	}
	l.Enough = true
	l.SDPure = math.Sqrt(pure / float64(l.Pure))
	lack := max(p.RSS-pure, 0) / float64(l.Lack)
	s := max(l.SDPure, floor)
	switch {
	case lack == 0:
		l.F = 0
	case s == 0:
		l.F = math.MaxFloat64
	default:
		l.F = min(lack/(s*s), math.MaxFloat64)
	}
	l.P = FTail(l.F, float64(l.Lack), float64(l.Pure))
	return l
}

// FTail returns the probability that F with the given degrees of freedom
// exceeds f, I_x(d2/2, d1/2) at x = d2/(d2 + d1·f), which keeps its digits in the
// tail. Source: M. Abramowitz and I. A. Stegun, 26.6.2 (from memory).
func FTail(f, numerator, denominator float64) float64 {
	if !(f > 0) {
		return 1
	}
	if f >= largestF {
		return 0
	}
	return mathext.RegIncBeta(denominator/2, numerator/2, denominator/(denominator+numerator*f))
}

// largestF is where the F distribution's tail is taken as nought.
const largestF = 1e12

// normalDoF is where Student's distribution is normal to seven digits in its
// tail and the incomplete beta function begins to lose them.
const normalDoF = 1e7

// TTail returns the probability that Student's t with dof degrees of freedom
// exceeds x.
func TTail(x, dof float64) float64 {
	if dof > normalDoF {
		return distuv.UnitNormal.Survival(x)
	}
	// By symmetry from the small side, where the tail keeps its digits.
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}
	return t.CDF(-x)
}
