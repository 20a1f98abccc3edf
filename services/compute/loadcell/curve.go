package loadcell

import (
	"math"
)

// curved reports whether S(x) is of degree 2 or 3.
func (c Calibration) curved() bool { return c.Degree >= 2 }

// Reading returns what the indicator reads under a force, N,
//
//	x = Zero + (1 + Gain)·F + Quadratic·F² + Cubic·F³
//
// beyond the loads Low to High of a curve, along its tangent there.
func (c Calibration) Reading(force float64) float64 {
	if !c.curved() {
		return c.Zero + (1+c.Gain)*force
	}
	at := min(max(force, c.Low), c.High)
	return c.value(at) + c.slope(at)*(force-at)
}

// value is the polynomial itself.
func (c Calibration) value(f float64) float64 {
	return c.Zero + f*((1+c.Gain)+f*(c.Quadratic+f*c.Cubic))
}

// slope is its derivative.
func (c Calibration) slope(f float64) float64 {
	return (1 + c.Gain) + f*(2*c.Quadratic+3*f*c.Cubic)
}

// Slope returns ∂x/∂F at a force, ratio.
func (c Calibration) Slope(force float64) float64 {
	if !c.curved() {
		return 1 + c.Gain
	}
	return c.slope(min(max(force, c.Low), c.High))
}

// Force returns the force at the lever arm that belongs to a reading,
//
//	F = (x − Zero)/(1 + Gain)
//
// both in N; for a curve the F whose Reading is x, by Newton's method kept
// between bounds.
func (c Calibration) Force(reading float64) float64 {
	if !c.curved() {
		return (reading - c.Zero) / (1 + c.Gain)
	}
	low, high := c.Low, c.High
	if x := c.value(low); reading <= x {
		return low + (reading-x)/c.slope(low)
	}
	if x := c.value(high); reading >= x {
		return high + (reading-x)/c.slope(high)
	}
	f := min(max((reading-c.Zero)/(1+c.Gain), low), high)
	for range mostSteps {
		d := c.value(f) - reading
		if d > 0 {
			high = f
		} else {
			low = f
		}
		next := f - d/c.slope(f)
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-f) <= forceStep*(math.Abs(next)+forceStep*(c.High-c.Low)) {
			return next
		}
		f = next
	}
	return f
}

const (
	mostSteps = 80    // of Newton's method or halving; five are usual
	forceStep = 1e-15 // relative, that ends it
)

// Sensitivities returns ∂F/∂ of Zero, Gain, Quadratic and Cubic at a reading,
//
//	∂F/∂c_k = −F^k/(∂x/∂F)
//
// and along a curve's tangent beyond its loads those of the tangent.
func (c Calibration) Sensitivities(reading float64) [4]float64 {
	f := c.Force(reading)
	if !c.curved() {
		return [4]float64{-1 / (1 + c.Gain), -f / (1 + c.Gain)}
	}
	at := min(max(f, c.Low), c.High)
	over, s := f-at, c.slope(at)
	return [4]float64{
		-1 / s,
		-(at + over) / s,
		-(at*at + 2*at*over) / s,
		-(at*at*at + 3*at*at*over) / s,
	}
}

// Covariance returns the covariance of Zero, Gain, Quadratic and Cubic.
func (c Calibration) Covariance() [4][4]float64 {
	if c.curved() {
		return c.Cov
	}
	return [4][4]float64{{c.UZero * c.UZero, c.CovZeroGain}, {c.CovZeroGain, c.UGain * c.UGain}}
}

// UForce returns the standard uncertainty of Force due to the calibration
// alone,
//
//	u² = (u_Zero² + F²·u_Gain² + 2·F·cov)/(1 + Gain)²
//
// N; for a curve u² = sᵀ·Cov·s with s the Sensitivities. It is common to all
// readings of the epoch. Source: JCGM 100:2008, eq. 13.
func (c Calibration) UForce(reading float64) float64 {
	if !c.curved() {
		f := c.Force(reading)
		v := c.UZero*c.UZero + f*f*c.UGain*c.UGain + 2*f*c.CovZeroGain
		return math.Sqrt(max(v, 0)) / (1 + c.Gain)
	}
	return math.Sqrt(max(c.CovForce(reading, reading), 0))
}

// CovForce returns the covariance of Force at two readings due to the
// calibration, N². Source: JCGM 100:2008, eq. F.2 (from memory).
func (c Calibration) CovForce(x, y float64) float64 {
	s, t, cov := c.Sensitivities(x), c.Sensitivities(y), c.Covariance()
	v := 0.0
	for i := range s {
		for k := range t {
			v += s[i] * cov[i][k] * t[k]
		}
	}
	return v
}

// The share of a curve's loads at which its straight line has the curve's value
// and covariance: between them and to the ends the two differ least.
const (
	lineFrom = 0.2
	lineTo   = 0.8
)

// Line returns the straight line that stands for a curve where its errors are
// carried on by zero and gain alone: it goes through the curve at a fifth and at
// four fifths of its loads, and UForce and the covariance of Force at the two are
// the curve's. A line is returned as it is.
func (c Calibration) Line() Calibration {
	if !c.curved() {
		return c
	}
	f1, f2 := c.Low+lineFrom*(c.High-c.Low), c.Low+lineTo*(c.High-c.Low)
	x1, x2 := c.Reading(f1), c.Reading(f2)
	d := f2 - f1
	slope := (x2 - x1) / d
	v11, v12, v22 := c.CovForce(x1, x1), c.CovForce(x1, x2), c.CovForce(x2, x2)
	// δF = −(δZero + F·δGain)/slope at both loads gives both.
	k := slope * slope / (d * d)
	return Calibration{
		Epoch: c.Epoch, Since: c.Since, Zero: x1 - slope*f1, Gain: slope - 1,
		UZero:       root(k * (v11*f2*f2 - 2*v12*f1*f2 + v22*f1*f1)),
		UGain:       root(k * (v11 - 2*v12 + v22)),
		CovZeroGain: k * (v12*(f1+f2) - v11*f2 - v22*f1),
	}
}

// possible reports whether a load cell can have this calibration.
func (c Calibration) possible() bool {
	ok := math.Abs(c.Zero) <= largestForce && c.Gain > -0.99 && c.Gain < 100 &&
		finite(c.UZero) && finite(c.UGain) && finite(c.CovZeroGain)
	if !ok || !c.curved() {
		return ok
	}
	for _, row := range c.Cov {
		for _, v := range row {
			if !finite(v) {
				return false
			}
		}
	}
	return c.Degree <= 3 && finite(c.Quadratic) && finite(c.Cubic) && c.Low < c.High &&
		math.Abs(c.Low) <= largestForce && math.Abs(c.High) <= largestForce && c.rises()
}

// rises reports whether a curve rises all the way between its loads, so that a
// reading has one force.
func (c Calibration) rises() bool {
	least := min(c.slope(c.Low), c.slope(c.High))
	if c.Cubic != 0 {
		if f := -c.Quadratic / (3 * c.Cubic); f > c.Low && f < c.High {
			least = min(least, c.slope(f))
		}
	}
	return least > unmoved
}

// mirrored returns the calibration for readings and forces of the other sign.
func (c Calibration) mirrored() Calibration {
	c.Zero, c.Quadratic = -c.Zero, -c.Quadratic
	c.CovZeroGain = -c.CovZeroGain
	for i := range c.Cov {
		for k := range c.Cov[i] {
			if (i+k)%2 == 1 {
				c.Cov[i][k] = -c.Cov[i][k]
			}
		}
	}
	c.Low, c.High = -c.High, -c.Low
	return c
}

// Through returns the calibration that gives the true force where the force this
// one gives is off: Force(x) = zero + (1 + gain)·F, zero in N, gain a ratio. Put
// into Reading the errors make
//
//	x = Reading(zero + (1 + gain)·F)
//
// which is a polynomial of the same degree in F; a curve's loads move along.
// Epoch and Since stay. The covariance is carried along, zero and gain taken as
// exact. gain must be above −1.
func (c Calibration) Through(zero, gain float64) Calibration {
	k := 1 + gain
	// Row i: the coefficient of Fⁱ by those of c.
	a := [4][4]float64{
		{1, zero, zero * zero, zero * zero * zero},
		{0, k, 2 * k * zero, 3 * k * zero * zero},
		{0, 0, k * k, 3 * k * k * zero},
		{0, 0, 0, k * k * k},
	}
	was, cov := [4]float64{c.Zero, 1 + c.Gain, c.Quadratic, c.Cubic}, c.Covariance()
	if !c.curved() {
		was[2], was[3] = 0, 0
	}
	var is [4]float64
	var moved [4][4]float64
	for i := range a {
		for j := range a {
			is[i] += a[i][j] * was[j]
			for m := range a {
				for n := range a {
					moved[i][j] += a[i][m] * cov[m][n] * a[j][n]
				}
			}
		}
	}
	out := c
	out.Zero, out.Gain = is[0], is[1]-1
	out.UZero, out.UGain, out.CovZeroGain = root(moved[0][0]), root(moved[1][1]), moved[0][1]
	if c.curved() {
		out.Quadratic, out.Cubic, out.Cov = is[2], is[3], moved
		out.Low, out.High = (c.Low-zero)/k, (c.High-zero)/k
	}
	return out
}

// Known returns the calibration with its zero, or its gain, or both taken as exact:
// what was uncertain of them is stated elsewhere.
func (c Calibration) Known(zero, gain bool) Calibration {
	cov := c.Covariance()
	for i, known := range [...]bool{zero, gain} {
		for j := range cov {
			if known {
				cov[i][j], cov[j][i] = 0, 0
			}
		}
	}
	c.UZero, c.UGain, c.CovZeroGain = root(cov[0][0]), root(cov[1][1]), cov[0][1]
	if c.curved() {
		c.Cov = cov
	}
	return c
}
