package drift

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// CUSUM is a tabular two-sided cumulative sum of standardised values z,
//
//	High ← max(0, High + z − K)      Low ← max(0, Low − z − K)
//
// K the reference value, in standard deviations: half the shift that is to be
// found soonest. Source: Page, Biometrika 41, 1954; Montgomery, Introduction to
// Statistical Quality Control, tabular CUSUM (from memory).
type CUSUM struct {
	K, High, Low float64
}

// Add takes one value.
func (c *CUSUM) Add(z float64) {
	c.High = math.Max(0, c.High+z-c.K)
	c.Low = math.Max(0, c.Low-z-c.K)
}

// runLengthNodes is the order of the Gauss–Legendre rule. The kernel is a
// normal density of unit width over a range h of a few units: 64 nodes are
// exact to better than 1e-9 for h ≤ 12.
const runLengthNodes = 64

// oneSided returns the average run length of the upper one-sided CUSUM started
// at each of the starts, when z has mean shift and unit sd. It solves
//
//	L(s) = 1 + L(0)·Φ(k − s − δ) + ∫₀ʰ L(x)·φ(x + k − s − δ) dx
//
// whose first term is the atom at 0, by Nyström's method with Gauss–Legendre
// nodes. Source: Page 1954; Crowder, J. Qual. Technol. 18, 1986 (method, from
// memory).
func oneSided(shift, k, h float64, starts ...float64) []float64 {
	n := runLengthNodes
	x := make([]float64, n)
	w := make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	kernel := func(s float64, row []float64) {
		row[0] = 0.5 * math.Erfc(-(k-s-shift)/math.Sqrt2)
		for j := range n {
			u := x[j] + k - s - shift
			row[j+1] = w[j] * math.Exp(-u*u/2) / math.Sqrt(2*math.Pi)
		}
	}
	a := mat.NewDense(n+1, n+1, nil)
	b := mat.NewVecDense(n+1, nil)
	row := make([]float64, n+1)
	for i := range n + 1 {
		s := 0.0
		if i > 0 {
			s = x[i-1]
		}
		kernel(s, row)
		for j, v := range row {
			a.Set(i, j, -v)
		}
		a.Set(i, i, a.At(i, i)+1)
		b.SetVec(i, 1)
	}
	var lu mat.LU
	lu.Factorize(a)
	var l mat.VecDense
	// A badly conditioned system is one with a very long run length; its
	// solution is still good to the digits that matter, or not finite.
	_ = lu.SolveVecTo(&l, false, b)
	out := make([]float64, len(starts))
	for i, s := range starts {
		kernel(s, row)
		v := 1.0
		for j, r := range row {
			v += r * l.AtVec(j)
		}
		out[i] = v
	}
	return out
}

// RunLength returns the average run length of the two-sided CUSUM with
// reference value k ≥ 0 and limit h > 0 (it signals when a side exceeds h) for
// independent normal z of mean shift and unit sd, both sides started at 0:
//
//	1/L = 1/L⁺ + 1/L⁻
//
// It panics when k is negative or h is not positive.
func RunLength(shift, k, h float64) float64 { return RunLengthFrom(0, shift, k, h) }

// RunLengthFrom is RunLength with both sides started at head (a head start):
//
//	L = (L⁺(s)·L⁻(0) + L⁻(s)·L⁺(0) − L⁺(0)·L⁻(0)) / (L⁺(0) + L⁻(0))
//
// Source: Lucas and Crosier, Technometrics 24, 1982 (from memory).
func RunLengthFrom(head, shift, k, h float64) float64 {
	if !(k >= 0) || !(h > 0) || !(head >= 0) || head > h {
		panic("drift: a CUSUM needs k ≥ 0, h > 0 and a start from 0 to h")
	}
	up := oneSided(shift, k, h, 0, head)
	low := oneSided(-shift, k, h, 0, head)
	switch {
	case endless(low[0]):
		return up[1]
	case endless(up[0]):
		return low[1]
	}
	return (up[1]*low[0] + low[1]*up[0] - up[0]*low[0]) / (up[0] + low[0])
}

// endless says that a one-sided run length is too long for the arithmetic: the
// system is singular to working precision and that side never signals.
func endless(l float64) bool { return !(l > 0 && l < 1e12) }

// Bounds of LimitFor: a limit outside would not be a CUSUM anybody can use.
const (
	minLimit = 0.05
	maxLimit = 12
)

// LimitFor returns the limit h at which the two-sided CUSUM with reference
// value k signals without cause once in runLength values on average. It returns
// an error when no h from 0.05 to 12 does.
func LimitFor(runLength, k float64) (float64, error) {
	if !(k > 0) {
		return 0, fmt.Errorf("drift: the CUSUM's reference value must be positive, is %g", k)
	}
	lo, hi := minLimit, float64(maxLimit)
	if !(runLength >= RunLength(0, k, lo)) || !(runLength <= RunLength(0, k, hi)) {
		return 0, fmt.Errorf("drift: no CUSUM with k = %g signals once in %g values: ask for a run length from %.3g to %.3g",
			k, runLength, RunLength(0, k, lo), RunLength(0, k, hi))
	}
	target := math.Log(runLength)
	for range 60 {
		mid := (lo + hi) / 2
		if math.Log(RunLength(0, k, mid)) < target {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo < 1e-9 {
			break
		}
	}
	return (lo + hi) / 2, nil
}
