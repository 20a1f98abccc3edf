package coastdown

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// The limit of a friction compensation's error, W: ±0.15 hp for cars. Source: 40
// CFR 1066.260 (vehicles to 20 000 lb).
const (
	PowerWithin       = 0.15 * 745.6998715822702
	PowerWithinSource = "40 CFR 1066.260"
)

// comparePoints is how many speeds a change is given at.
const comparePoints = 9

// MeanPower returns the mean power that a mass takes up while its speed goes from
// v1 to v2 in a time t,
//
//	P = M/(2t)·(v1² − v2²)
//
// W; negative when it speeds up. Source: 40 CFR 1066.260.
func MeanPower(mass, t, v1, v2 float64) float64 {
	return mass / (2 * t) * (v1*v1 - v2*v2)
}

// Measured returns the fit as a measured loss force; scale is the relative
// standard uncertainty of the mass.
func (f Fit) Measured(scale float64) Measured {
	return Measured{Loss: f.Loss, Cov: f.Cov, Scale: scale, SpeedLow: f.SpeedLow, SpeedHigh: f.SpeedHigh}
}

// quadratic returns √(gᵀ·cov·g).
func quadratic(g [3]float64, cov [3][3]float64) float64 {
	v := 0.0
	for i := range g {
		for k := range g {
			v += g[i] * cov[i][k] * g[k]
		}
	}
	return math.Sqrt(math.Max(v, 0))
}

// Compare returns how a loss force has changed against an earlier measurement,
// over the speeds that both measured. The two fits' noise is independent; the
// mass that coasted is the same, so that its uncertainty scales the change only.
// The change as a whole is resolved when its χ² with three degrees of freedom is
// less likely by chance than 4.55 % (k = 2), that at a speed when it exceeds its
// U. What differs from day to day, such as how warm the bearings are, is not in U.
func Compare(now, then Measured) Change {
	c := Change{
		Loss: fleet.Loss{F0: now.Loss.F0 - then.Loss.F0, F1: now.Loss.F1 - then.Loss.F1, F2: now.Loss.F2 - then.Loss.F2},
		P:    1,
	}
	d := [3]float64{c.Loss.F0, c.Loss.F1, c.Loss.F2}
	scale := math.Max(now.Scale, then.Scale)
	for i := range d {
		for k := range d {
			c.Cov[i][k] = now.Cov[i][k] + then.Cov[i][k] + scale*scale*d[i]*d[k]
		}
	}
	low, high := math.Max(now.SpeedLow, then.SpeedLow), math.Min(now.SpeedHigh, then.SpeedHigh)
	finite := true
	for i := range d {
		for k := range d {
			finite = finite && c.Cov[i][k]-c.Cov[i][k] == 0 && d[i]-d[i] == 0
		}
	}
	switch {
	case !finite:
		return Change{P: 1, Says: "one of the two losses is no number: nothing can be compared"}
	case !(high > low):
		return Change{P: 1, Says: fmt.Sprintf("the two coast-downs have no speed in common (%.3g to %.3g and %.3g to %.3g m/s)", now.SpeedLow, now.SpeedHigh, then.SpeedLow, then.SpeedHigh)}
	}
	best := -1.0
	for k := range comparePoints {
		v := low + (high-low)*float64(k)/(comparePoints-1)
		p := ChangePoint{Speed: v, Now: now.Loss.At(v), Then: then.Loss.At(v), Change: c.Loss.At(v)}
		p.U = gum.K * quadratic([3]float64{1, v, v * v}, c.Cov)
		p.Resolved = math.Abs(p.Change) > p.U
		c.Points = append(c.Points, p)
		if e := math.Abs(gum.En(p.Change, 0, p.U, 0)); e > best {
			best, c.Worst = e, k
		}
	}
	// Means over the speeds: of 1, v, v² for the force, of v, v², v³ for the power.
	var mean, power [3]float64
	for k := range mean {
		n := float64(k + 1)
		mean[k] = (math.Pow(high, n) - math.Pow(low, n)) / (n * (high - low))
		power[k] = (math.Pow(high, n+1) - math.Pow(low, n+1)) / ((n + 1) * (high - low))
	}
	for k := range mean {
		c.Mean += mean[k] * d[k]
		c.Power += power[k] * d[k]
	}
	c.UMean, c.UPower = gum.K*quadratic(mean, c.Cov), gum.K*quadratic(power, c.Cov)
	c.PowerWithin = math.Abs(c.Power) <= PowerWithin

	if x, ok := chiSquare(d, c.Cov, low, high); ok {
		c.P = distuv.ChiSquared{K: 3}.Survival(x)
	} else if c.UMean > 0 {
		c.P = math.Erfc(math.Abs(c.Mean) / (c.UMean / gum.K) / math.Sqrt2)
	} else if c.Mean != 0 {
		c.P = 0
	}
	c.Resolved = c.P < 1-gum.Coverage2
	w := c.Points[c.Worst]
	word := "not resolved"
	if c.Resolved {
		word = "resolved"
	}
	c.Says = fmt.Sprintf("the parasitic loss changed by %+.3g ± %.2g N on average from %.3g to %.3g m/s (%s, p %.2g), most clearly at %.3g m/s by %+.3g ± %.2g N; that is %+.3g ± %.2g W of ±%.0f W",
		c.Mean, c.UMean, low, high, word, c.P, w.Speed, w.Change, w.U, c.Power, c.UPower, PowerWithin)
	return c
}

// chiSquare returns dᵀ·Cov⁻¹·d, in Legendre polynomials of the speeds, which keep
// the covariance well conditioned; false when it is singular all the same.
func chiSquare(d [3]float64, cov [3][3]float64, low, high float64) (float64, bool) {
	r := regression{middle: (high + low) / 2, half: (high - low) / 2}
	// F = T·c, so c = T⁻¹·F; T⁻¹ by its triangle.
	t := r.transform()
	var back [3][3]float64
	for k := range back {
		var e [3]float64
		e[k] = 1
		var x [3]float64
		for i := 2; i >= 0; i-- {
			s := e[i]
			for m := i + 1; m < 3; m++ {
				s -= t[i][m] * x[m]
			}
			x[i] = s / t[i][i]
		}
		for i := range x {
			back[i][k] = x[i]
		}
	}
	c := apply(back, d)
	inverse, ok := invert(multiply(multiply(back, cov), transpose(back)))
	if !ok {
		return 0, false
	}
	x := 0.0
	for i, y := range apply(inverse, c) {
		x += c[i] * y
	}
	return x, x >= 0 && x-x == 0
}
