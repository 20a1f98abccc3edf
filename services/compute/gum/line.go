package gum

import (
	"errors"
	"fmt"
	"math"
)

// Line is a straight line fitted to points, y = Intercept + Slope·x, with the
// full covariance of the two.
type Line struct {
	Intercept, Slope float64

	UIntercept, USlope float64 // standard
	Covariance         float64 // of Intercept and Slope
	Residual           float64 // standard deviation about the line; weighted: Birge ratio √(χ²/ν)
	DoF                int     // n − 2

	centre  float64 // mean of x (weighted)
	atMean  float64 // y there
	uAtMean float64
}

// Correlation returns the correlation of Intercept and Slope.
func (l Line) Correlation() float64 {
	if l.Covariance == 0 {
		return 0
	}
	return l.Covariance / (l.UIntercept * l.USlope)
}

// At returns the line at x and its standard uncertainty,
//
//	y = y̅ + b·(x − x̅),  u² = u²(y̅) + (x − x̅)²·u²(b)
//
// which is eq. H.15 of the GUM written about the mean, where the two terms are
// not correlated and no digits cancel. It is the uncertainty of the line, not
// of one more point. Source: JCGM 100:2008, H.3.4 and H.3.5.
func (l Line) At(x float64) (y, u float64) {
	d := x - l.centre
	return l.atMean + l.Slope*d, math.Hypot(l.uAtMean, d*l.USlope)
}

// What makes a line impossible.
var (
	ErrFewPoints = errors.New("a line with uncertainty needs at least three points")
	ErrOneX      = errors.New("all points have the same x: a line needs at least two different ones")
	ErrNotFinite = errors.New("a point is not a finite number")
)

// FitLine fits a line by ordinary least squares; the scatter about the line
// gives the uncertainties,
//
//	b = Σ(x − x̅)(y − y̅)/Σ(x − x̅)²,  a = y̅ − b·x̅
//	s² = Σ(y − a − b·x)²/(n − 2)
//	u²(b) = s²/Σ(x − x̅)²,  u²(a) = s²·(1/n + x̅²/Σ(x − x̅)²),  cov = −x̅·u²(b)
//
// It returns ErrFewPoints, ErrOneX or ErrNotFinite. Unequal lengths panic.
// Source: JCGM 100:2008, H.3, eqs. H.13a to H.13f.
func FitLine(x, y []float64) (Line, error) { return fit(x, y, nil) }

// FitWeightedLine fits a line to points whose standard uncertainties u (> 0)
// are known, with weights 1/u². The covariance follows from u alone and is not
// scaled with the scatter; Line.Residual is the Birge ratio, about 1 when the
// points scatter as u says. Errors as FitLine.
func FitWeightedLine(x, y, u []float64) (Line, error) {
	if len(u) != len(x) {
		panic("gum: lengths differ")
	}
	w := make([]float64, len(u))
	for i, s := range u {
		if !finite(s) || s <= 0 {
			return Line{}, fmt.Errorf("standard uncertainty %v of point %d: %w", s, i, ErrNotFinite)
		}
		w[i] = 1 / (s * s)
	}
	return fit(x, y, w)
}

// fit is the shared computation; w nil is ordinary least squares.
func fit(x, y, w []float64) (Line, error) {
	if len(x) != len(y) {
		panic("gum: lengths differ")
	}
	n := len(x)
	if n < 3 {
		return Line{}, fmt.Errorf("%d points: %w", n, ErrFewPoints)
	}
	for i := range x {
		if !finite(x[i]) || !finite(y[i]) {
			return Line{}, fmt.Errorf("point %d is (%v, %v): %w", i, x[i], y[i], ErrNotFinite)
		}
	}
	weight := func(i int) float64 {
		if w == nil {
			return 1
		}
		return w[i]
	}
	// Means in two passes, the second removing what rounding left.
	mean := func(v []float64) float64 {
		sw, m := 0.0, 0.0
		for i := range v {
			sw += weight(i)
			m += weight(i) * v[i]
		}
		m /= sw
		r := 0.0
		for i := range v {
			r += weight(i) * (v[i] - m)
		}
		return m + r/sw
	}
	mx, my := mean(x), mean(y)
	sw, sxx, sxy, largest := 0.0, 0.0, 0.0, 0.0
	for i := range x {
		dx := x[i] - mx
		sw += weight(i)
		sxx += weight(i) * dx * dx
		sxy += weight(i) * dx * (y[i] - my)
		largest = max(largest, math.Abs(x[i]))
	}
	if sxx <= sw*sameX*sameX*largest*largest {
		return Line{}, ErrOneX
	}
	l := Line{Slope: sxy / sxx, DoF: n - 2, centre: mx, atMean: my}
	rss := 0.0
	for i := range x {
		e := (y[i] - my) - l.Slope*(x[i]-mx)
		rss += weight(i) * e * e
	}
	l.Residual = math.Sqrt(rss / float64(l.DoF))
	scale := l.Residual
	if w != nil {
		scale = 1
	}
	l.USlope = scale / math.Sqrt(sxx)
	l.uAtMean = scale / math.Sqrt(sw)
	l.Intercept = my - l.Slope*mx
	l.UIntercept = math.Hypot(l.uAtMean, mx*l.USlope)
	l.Covariance = -mx * l.USlope * l.USlope
	return l, nil
}

// sameX is the spread of x, relative to its largest, below which the points
// are taken to have one x.
const sameX = 1e-12
