// Package gum holds the measurement statistics that every other computing
// package shares: combining uncertainty components, expanded uncertainty,
// straight lines with full covariance, E_n numbers, the verdict with guard
// band, a robust mean, and local gravity.
//
// In: values with standard uncertainties. Out: values with standard or
// expanded uncertainties (the name says which: u standard, U expanded with
// k = 2). It imports fleet for the verdicts and nothing else of ours.
//
// Standards: JCGM 100:2008 (GUM); ISO 13528:2015 and ISO/IEC 17043 (E_n,
// Algorithm A); ILAC-G8:09/2019 (decision rule); WGS 84 for gravity.
package gum

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// K is the coverage factor of every expanded uncertainty that Rollcall states.
const K = 2

// Coverage2 is the coverage probability of ±2 standard deviations of a normal
// distribution, erf(√2).
const Coverage2 = 0.9544997361036416

// Infinite is the degrees of freedom of an uncertainty taken as known.
var Infinite = math.Inf(1)

// Component is one input's share in a combined uncertainty.
type Component struct {
	Name        string
	Sensitivity float64 // ∂y/∂x, unit of y per unit of x
	U           float64 // standard uncertainty of x, ≥ 0
	DoF         float64 // degrees of freedom of U, > 0; Infinite when known
}

// Contribution returns c·u, signed, in the unit of y.
func (c Component) Contribution() float64 { return c.Sensitivity * c.U }

// Correlation says that components A and B (indices) are correlated by R.
type Correlation struct {
	A, B int
	R    float64 // −1…1
}

// Combined is a combined standard uncertainty.
type Combined struct {
	U   float64 // standard
	DoF float64 // effective degrees of freedom; Infinite when all are
}

// Expanded returns k·u where k is the t factor that covers as much as ±2 does
// of a normal distribution (95.45 %), so k is 2 for many degrees of freedom
// and larger for few. Divided by 2 it is a standard uncertainty that a later
// stage may treat as known. Source: JCGM 100:2008, G.4 and table G.2.
func (c Combined) Expanded() float64 {
	if c.U == 0 {
		return 0
	}
	return TFactor(Coverage2, c.DoF) * c.U
}

// ErrComponent is a component that is not an uncertainty.
var ErrComponent = errors.New("not an uncertainty component")

// Combine returns the combined standard uncertainty
//
//	u² = Σ (c·u)² + 2·Σ_{a<b} r_ab·(c·u)_a·(c·u)_b
//
// and its effective degrees of freedom by Welch–Satterthwaite. That formula is
// for independent components; components joined by a correlation are therefore
// first merged into one, with the least degrees of freedom among them, which
// errs to the cautious side. Components that are not finite, are negative or
// have no degrees of freedom, and correlations that are not between two
// components, beyond ±1, or together impossible, give an error.
// Source: JCGM 100:2008, eqs. 10, 13 and G.2b.
func Combine(components []Component, correlations ...Correlation) (Combined, error) {
	group := make([]int, len(components))
	for i, c := range components {
		group[i] = i
		if !finite(c.Sensitivity) || !finite(c.U) || c.U < 0 || !(c.DoF > 0) {
			return Combined{}, fmt.Errorf("component %d (%s): sensitivity %v, uncertainty %v, degrees of freedom %v: %w", i, c.Name, c.Sensitivity, c.U, c.DoF, ErrComponent)
		}
	}
	root := func(i int) int {
		for group[i] != i {
			i = group[i]
		}
		return i
	}
	total := 0.0
	variance := make([]float64, len(components)) // of each group, at its root
	for _, r := range correlations {
		if r.A < 0 || r.B < 0 || r.A >= len(components) || r.B >= len(components) || r.A == r.B || !(math.Abs(r.R) <= 1) {
			return Combined{}, fmt.Errorf("correlation %v between components %d and %d of %d: %w", r.R, r.A, r.B, len(components), ErrComponent)
		}
		if r.R != 0 {
			group[root(r.B)] = root(r.A)
		}
	}
	dof := make([]float64, len(components))
	for i, c := range components {
		k := root(i)
		variance[k] += c.Contribution() * c.Contribution()
		if c.Contribution() != 0 && (dof[k] == 0 || c.DoF < dof[k]) {
			dof[k] = c.DoF
		}
	}
	for _, r := range correlations {
		variance[root(r.A)] += 2 * r.R * components[r.A].Contribution() * components[r.B].Contribution()
	}
	independent := make([]Component, 0, len(components))
	for k, v := range variance {
		if root(k) != k || dof[k] == 0 {
			continue
		}
		scale := 0.0
		for i, c := range components {
			if root(i) == k {
				scale += c.Contribution() * c.Contribution()
			}
		}
		if v < -impossibleVariance*scale {
			return Combined{}, fmt.Errorf("the correlations of component %q leave a negative variance: %w", components[k].Name, ErrComponent)
		}
		v = max(v, 0)
		total += v
		independent = append(independent, Component{Sensitivity: 1, U: math.Sqrt(v), DoF: dof[k]})
	}
	return Combined{U: math.Sqrt(total), DoF: WelchSatterthwaite(independent)}, nil
}

// impossibleVariance is how far below nought, relative to the sum without
// correlation, rounding may push the variance of fully correlated components.
const impossibleVariance = 1e-12

// WelchSatterthwaite returns the effective degrees of freedom of independent
// components,
//
//	ν_eff = u⁴ / Σ (c·u)⁴/ν
//
// Infinite when no component that counts has finite degrees of freedom. It is
// not truncated; see TruncateDoF. Source: JCGM 100:2008, eq. G.2b.
func WelchSatterthwaite(components []Component) float64 {
	total := 0.0
	for _, c := range components {
		total += c.Contribution() * c.Contribution()
	}
	if total == 0 {
		return Infinite
	}
	sum := 0.0
	for _, c := range components {
		share := c.Contribution() * c.Contribution() / total
		sum += share * share / c.DoF
	}
	if sum == 0 {
		return Infinite
	}
	return 1 / sum
}

// dofGuard lets 18.9987 count as 19: effective degrees of freedom come from
// uncertainties that are known to two digits.
const dofGuard = 5e-4 // relative

// TruncateDoF returns the degrees of freedom truncated to the next lower
// integer, at least 1, with a guard for values that are an integer but for
// rounding. Source: JCGM 100:2008, G.4.1, note 1.
func TruncateDoF(dof float64) float64 {
	if math.IsInf(dof, 1) {
		return dof
	}
	return max(1, math.Floor(dof*(1+dofGuard)))
}

// manyDoF is where the expansion of Student's quantile about the normal one, to
// its fourth term, is right to twelve digits.
const manyDoF = 1000

// TFactor returns the factor k for which ±k covers the probability p of
// Student's distribution with the given degrees of freedom, which need not be
// an integer. It panics unless 0 < p < 1 and dof > 0.
// Source: JCGM 100:2008, table G.2.
func TFactor(p, dof float64) float64 {
	if !(p > 0 && p < 1) || !(dof > 0) {
		panic("gum: coverage probability outside 0…1 or no degrees of freedom")
	}
	if dof > manyDoF {
		// Source: Abramowitz and Stegun, 26.7.5 (from memory; the tests hold it
		// against the incomplete beta function).
		z := distuv.UnitNormal.Quantile((1 + p) / 2)
		z2 := z * z
		return z + z/dof*((z2+1)/4+
			1/dof*((3+z2*(16+z2*5))/96+
				1/dof*((-15+z2*(17+z2*(19+z2*3)))/384+
					1/dof*(-945+z2*(-1920+z2*(1482+z2*(776+z2*79))))/92160)))
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}.Quantile((1 + p) / 2)
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
