package gum

import (
	"errors"
	"fmt"
	"math"
)

// Pooled is the mean of values that differ by more than their own uncertainties
// say: value i is Mean + N(0, Between²) + N(0, uᵢ²).
type Pooled struct {
	Mean, U float64 // standard uncertainty
	Between float64 // standard deviation between the values beyond their own uncertainties
	// Q is Σ (yᵢ − mean)²/uᵢ² about the mean weighted by 1/uᵢ², which is χ² with n − 1
	// degrees of freedom where Between is 0.
	Q float64
	// Share is the part of the variance that is between the values, I².
	Share float64
}

// PoolMethod finds the variance between values.
type PoolMethod int

// The methods. All give 0 where the values agree within their uncertainties.
const (
	// DerSimonianLaird is by moments: DerSimonian and Laird, Controlled Clinical
	// Trials 7, 1986 (from memory).
	DerSimonianLaird PoolMethod = iota
	// PauleMandel makes Σ (yᵢ − mean)²/(uᵢ² + τ²) its expectation n − 1: Paule and
	// Mandel, J. Res. NBS 87, 1982 (from memory).
	PauleMandel
	// RestrictedLikelihood is highest there.
	RestrictedLikelihood
)

// Pool returns the pooled mean of values with their standard uncertainties. The values
// are taken as independent. It needs two or more, and finite, positive uncertainties.
func Pool(y, u []float64, method PoolMethod) (Pooled, error) {
	if len(y) < 2 || len(y) != len(u) {
		return Pooled{}, fmt.Errorf("gum: pool of %d values with %d uncertainties: give two values or more, each with its own", len(y), len(u))
	}
	for i := range y {
		if !finite(y[i]) || !finite(u[i]) || !(u[i] > 0) {
			return Pooled{}, fmt.Errorf("gum: pool: value %d is %g with uncertainty %g: both must be finite, the uncertainty positive", i+1, y[i], u[i])
		}
	}
	n := float64(len(y))
	sums := func(tau2 float64) (w, w2, mean, q float64) {
		for i := range y {
			x := 1 / (u[i]*u[i] + tau2)
			w += x
			w2 += x * x
			mean += x * y[i]
		}
		mean /= w
		for i := range y {
			q += (y[i] - mean) * (y[i] - mean) / (u[i]*u[i] + tau2)
		}
		return w, w2, mean, q
	}
	w, w2, _, q := sums(0)
	spread := w - w2/w
	moment := math.Max(0, (q-(n-1))/spread)
	tau2 := 0.0
	switch method {
	case DerSimonianLaird:
		tau2 = moment
	case PauleMandel:
		if q <= n-1 {
			break
		}
		// q falls as τ² grows.
		low, high := 0.0, math.Max(moment, math.SmallestNonzeroFloat64)
		for _, _, _, x := sums(high); x > n-1; _, _, _, x = sums(high) {
			low, high = high, 2*high
		}
		for range 200 {
			middle := low + (high-low)/2
			if middle == low || middle == high {
				break
			}
			if _, _, _, x := sums(middle); x > n-1 {
				low = middle
			} else {
				high = middle
			}
		}
		tau2 = low + (high-low)/2
	case RestrictedLikelihood:
		tau2 = moment
		settled := false
		for range 10000 {
			w, w2, mean, _ := sums(tau2)
			next := 1 / w
			for i := range y {
				x := 1 / (u[i]*u[i] + tau2)
				next += x * x * ((y[i]-mean)*(y[i]-mean) - u[i]*u[i]) / w2
			}
			next = math.Max(0, next)
			settled = math.Abs(next-tau2) <= 1e-14*(next+1/w)
			tau2 = next
			if settled {
				break
			}
		}
		if !settled {
			return Pooled{}, errors.New("gum: pool: the restricted likelihood has no highest place that was found")
		}
	default:
		return Pooled{}, fmt.Errorf("gum: pool: there is no method %d", method)
	}
	all, _, mean, _ := sums(tau2)
	typical := (n - 1) / spread
	return Pooled{Mean: mean, U: 1 / math.Sqrt(all), Between: math.Sqrt(tau2), Q: q, Share: tau2 / (tau2 + typical)}, nil
}
