package gum

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// The factor that makes Algorithm A's standard deviation of winsorised values
// right for normal data: the standards print 1.134; the exact value is
// 1/√(θ + 1.5²·(1 − θ) − 3·φ(1.5)) with θ = 2Φ(1.5) − 1, Φ and φ the normal
// distribution and density.
const (
	AlgorithmAFactor      = 1.134
	AlgorithmAFactorExact = 1.133392655462487
)

// Robust is a robust mean.
type Robust struct {
	Mean       float64 // x*
	SD         float64 // s*, robust standard deviation
	UMean      float64 // standard uncertainty of Mean, 1.25·s*/√n
	Iterations int
}

// The constants of Algorithm A. Source: ISO 13528:2015, C.3.1.
const (
	winsorWidth      = 1.5
	scaledMAD        = 1.483
	algorithmAPasses = 1000
	algorithmAStop   = 1e-13 // relative change that ends the iteration
)

// What makes a robust mean impossible.
var (
	ErrFewValues    = errors.New("a robust mean needs at least two values")
	ErrNotConverged = errors.New("the robust mean did not settle")
)

// AlgorithmA returns the robust mean and standard deviation of values:
// starting from median and 1.483·median absolute deviation, values beyond
// x* ± 1.5·s* are drawn in to that limit, and
//
//	x* = mean,  s* = factor·√(Σ(x − x*)²/(n − 1))
//
// is repeated until it settles. Where more than half of the values agree the
// start for s* is their standard deviation instead; values all equal give 0.
// The values are not changed.
// Source: ISO 13528:2015, C.3.1 (ISO 5725-5:1998, 5.1); uncertainty 7.7.3.
func AlgorithmA(values []float64, factor float64) (Robust, error) {
	n := len(values)
	if n < 2 {
		return Robust{}, fmt.Errorf("%d values: %w", n, ErrFewValues)
	}
	for i, v := range values {
		if !finite(v) {
			return Robust{}, fmt.Errorf("value %d is %v: %w", i, v, ErrNotFinite)
		}
	}
	x := slices.Clone(values)
	centre := median(x)
	for i, v := range values {
		x[i] = math.Abs(v - centre)
	}
	s := scaledMAD * median(x)
	if s == 0 {
		copy(x, values)
		_, s = meanSD(x)
	}
	if s == 0 {
		return Robust{Mean: centre}, nil
	}
	for pass := 1; pass <= algorithmAPasses; pass++ {
		for i, v := range values {
			x[i] = min(max(v, centre-winsorWidth*s), centre+winsorWidth*s)
		}
		m, sd := meanSD(x)
		sd *= factor
		settled := math.Abs(m-centre) <= algorithmAStop*s && math.Abs(sd-s) <= algorithmAStop*s
		centre, s = m, sd
		if settled || s == 0 {
			return Robust{Mean: centre, SD: s, UMean: 1.25 * s / math.Sqrt(float64(n)), Iterations: pass}, nil
		}
	}
	return Robust{}, ErrNotConverged
}

// median returns the median and leaves its argument sorted.
func median(dst []float64) float64 {
	slices.Sort(dst)
	n := len(dst)
	if n%2 == 1 {
		return dst[n/2]
	}
	return dst[n/2-1] + (dst[n/2]-dst[n/2-1])/2
}

func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}

// RobustCentre returns Algorithm A's mean and standard deviation, and the weight
// with which each value moves the mean: the same for those within 1.5 robust
// standard deviations, none for those beyond (the derivative
// of Huber's estimate of location). values holds at least one.
func RobustCentre(values []float64) (mean, sd float64, w []float64) {
	w = make([]float64, len(values))
	if len(values) == 1 {
		w[0] = 1
		return values[0], 0, w
	}
	r, err := AlgorithmA(values, AlgorithmAFactorExact)
	if err != nil {
		// It did not settle: the plain mean is the honest fallback.
		for i, v := range values {
			mean += v
			w[i] = 1 / float64(len(values))
		}
		return mean / float64(len(values)), 0, w
	}
	n := 0.0
	for i, v := range values {
		if math.Abs(v-r.Mean) <= 1.5*r.SD*(1+1e-9) {
			w[i] = 1
			n++
		}
	}
	for i := range w {
		if n > 0 {
			w[i] /= n
		}
	}
	return r.Mean, r.SD, w
}

// Exceeds returns P(|X| > limit) for X ~ N(mean, sd²).
func Exceeds(mean, sd, limit float64) float64 {
	if !(sd > 0) {
		if math.Abs(mean) > limit {
			return 1
		}
		return 0
	}
	tail := func(z float64) float64 { return 0.5 * math.Erfc(z/math.Sqrt2) }
	return tail((limit-mean)/sd) + tail((limit+mean)/sd)
}
