package loadcell

import (
	"fmt"

	"rollcall/services/compute/gum"
)

// significant is the probability under which a lack of fit, or a coefficient,
// is taken as real. Usual in calibration, as in NIST/SEMATECH e-Handbook 4.6.1.
const significant = 0.05

// highestDegree is the highest degree of an interpolation equation. Source: ISO
// 376:2011 (from memory).
const highestDegree = 3

// interpolationRule is how the degree is chosen.
const interpolationRule = "the smallest degree, 1 to 3, whose lack of fit against repeated readings is not significant at 5 % and whose next higher coefficient is not either; without repeated readings the coefficients alone decide; a degree is tried when there are at least two loads more than it has, and taken only if the curve rises all the way"

// interpolate chooses the interpolation equation of the raw readings over loads
// f, or returns nil when there are too few for any.
func (j *judge) interpolate(f []float64) *Interpolation {
	groups := j.groups(false)
	together := make([]float64, len(f))
	at := make([]float64, len(f))
	for _, g := range groups {
		for _, i := range g {
			together[i], at[i] = j.together(i, g[0]), f[g[0]]
		}
	}
	var fits []gum.Polynomial
	out := Interpolation{Rule: interpolationRule}
	for m := 1; m <= highestDegree; m++ {
		if m > 1 && len(groups) < m+2 {
			break
		}
		p, err := gum.FitPolynomial(at, together, m)
		if err != nil {
			break
		}
		l := p.TestLackOfFit(together, groups, j.floor())
		t := Trial{Degree: m, Residual: p.Residual, DoF: p.DoF, Replicated: l.Enough, LackOfFit: l.F, DoFLack: l.Lack, DoFPure: l.Pure, P: l.P}
		t.Highest, t.PHighest = p.Highest(j.floor())
		if !l.Enough {
			t.DoFLack, t.DoFPure = max(l.Lack, 0), l.Pure
		}
		fits, out.Tried = append(fits, p), append(out.Tried, t)
	}
	if len(fits) == 0 {
		return nil
	}
	chosen := len(fits) - 1
	for k, t := range out.Tried {
		if t.Replicated && t.P < significant {
			continue
		}
		if k+1 < len(out.Tried) && out.Tried[k+1].PHighest < significant {
			continue
		}
		chosen = k
		break
	}
	out.Low, out.High = f[0], f[0]
	for _, x := range f {
		out.Low, out.High = min(out.Low, x), max(out.High, x)
	}
	wanted := chosen
	for chosen > 0 {
		c := curveOf(fits[chosen], out)
		if c.possible() {
			break
		}
		chosen--
	}
	p := fits[chosen]
	t := out.Tried[chosen]
	out.Degree, out.Residual, out.DoF = t.Degree, p.Residual, p.DoF
	copy(out.Coefficients[:], p.Coefficients)
	for a := range p.Covariance {
		copy(out.Covariance[a][:], p.Covariance[a])
	}
	for i := range f {
		y, _ := p.At(at[i])
		out.Residuals = append(out.Residuals, together[i]-y)
	}
	out.Reason = reasonOf(out.Tried, chosen, wanted)
	if out.Degree > 1 {
		j.find(Finding{Kind: FindingDegree, Text: fmt.Sprintf("the indicator is no straight line: %s", out.Reason)})
	}
	j.result.Interpolation = &out
	return &out
}

// reasonOf says why a degree was taken.
func reasonOf(tried []Trial, chosen, wanted int) string {
	t := tried[chosen]
	s := fmt.Sprintf("degree %d", t.Degree)
	if chosen > 0 {
		b := tried[chosen-1]
		if b.Replicated && b.P < significant {
			s += fmt.Sprintf(": degree %d lacks fit (F %.4g with %d and %d degrees of freedom, p %.2g)", b.Degree, b.LackOfFit, b.DoFLack, b.DoFPure, b.P)
		} else {
			s += fmt.Sprintf(": its highest coefficient counts (F %.4g, p %.2g)", t.Highest, t.PHighest)
		}
	}
	switch {
	case t.Replicated:
		s += fmt.Sprintf("; its own lack of fit has F %.4g with %d and %d degrees of freedom, p %.2g", t.LackOfFit, t.DoFLack, t.DoFPure, t.P)
	case t.DoFLack < 1:
		s += "; there are too few different loads to see a lack of fit"
	default:
		s += "; no reading was repeated, so lack of fit is not tested"
	}
	if chosen < wanted {
		s += fmt.Sprintf("; degree %d fits better but does not rise all the way", tried[wanted].Degree)
	}
	return s
}

// curveOf returns the interpolation equation as S(x), without uncertainty.
func curveOf(p gum.Polynomial, over Interpolation) Calibration {
	c := Calibration{Zero: p.Coefficients[0], Gain: p.Coefficients[1] - 1, Degree: len(p.Coefficients) - 1, Low: over.Low, High: over.High}
	if c.Degree >= 2 {
		c.Quadratic = p.Coefficients[2]
	}
	if c.Degree >= 3 {
		c.Cubic = p.Coefficients[3]
	}
	return c
}

// curve returns the interpolation equation of degree 2 or 3 as S(x) with the
// covariance of its coefficients: that of the scatter, widened as its few
// degrees of freedom ask, and that of the loads, whose errors δF move a reading
// by −(∂x/∂F)·δF.
func (j *judge) curve(f []float64, over Interpolation) Calibration {
	p, err := gum.FitPolynomial(f, j.reading, over.Degree)
	if err != nil {
		return j.result.Line
	}
	c := curveOf(p, over)
	if !c.possible() {
		return j.result.Line
	}
	a := j.typeA(p.Residual, p.DoF)
	grow := (1 + widening(a)) * a.U * a.U
	unit := 0.0
	if p.Residual > 0 {
		unit = 1 / (p.Residual * p.Residual)
	}
	for i := range p.Covariance {
		for k := range p.Covariance {
			if unit > 0 {
				c.Cov[i][k] = p.Covariance[i][k] * unit * grow
			}
		}
	}
	if unit == 0 {
		// No scatter at all: the design alone, by answering to one reading at a time.
		for n := range f {
			v := make([]float64, len(f))
			v[n] = 1
			one := p.Respond(v)
			for i := range one {
				for k := range one {
					c.Cov[i][k] += one[i] * one[k] * grow
				}
			}
		}
	}
	add := func(u gum.Component, v func(load) float64) {
		shift := make([]float64, len(f))
		for i, l := range j.load {
			shift[i] = -c.slope(f[i]) * v(l) * u.U
		}
		b := p.Respond(shift)
		for i := range b {
			for k := range b {
				c.Cov[i][k] += b[i] * b[k]
			}
		}
	}
	j.typeB.each(add)
	for _, u := range j.typeB.shared {
		add(u, func(l load) float64 { return l.force })
	}
	if j.refit != nil {
		add(j.refit[1], func(l load) float64 { return l.force })
		c.Cov[0][0] += j.refit[0].Contribution() * j.refit[0].Contribution()
	}
	c.UZero, c.UGain, c.CovZeroGain = root(c.Cov[0][0]), root(c.Cov[1][1]), c.Cov[0][1]
	return c
}
