package interval

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/gum"
)

// fewestSteps is the least number of steps between checks that show a drift:
// with two their spread about the rate has one degree of freedom.
const fewestSteps = 2

// shortestStep is the least time between two checks that shows a drift, days.
// Those of one visit differ by their own scatter, which over minutes would
// count as a walk without bounds.
const shortestStep = 1

// longest is how far ahead a drift is followed. Common practice, no source.
const longest = 5 * 365.25 // days

// shortestSpan is the least span of pulls that shows their rate, days.
const shortestSpan = 1

const day = 24 * time.Hour

// Next says when the next check is due: the earliest day of the rules that
// apply. What is missing or impossible makes a rule say so, never a wrong day.
func Next(in Input) Outcome {
	o := Outcome{Reliability: in.Reliability}
	if !(o.Reliability > 0.5 && o.Reliability < 1) {
		o.Reliability = DefaultReliability
	}
	if len(in.Checks) == 0 {
		for _, r := range [...]Rule{ByTime, ByPulls, ByDrift} {
			o.Rules = append(o.Rules, Due{Rule: r, Says: "no usable check yet"})
		}
		o.Says = "no usable check of this load cell is known: make one"
		return o
	}
	last := in.Checks[len(in.Checks)-1]
	for _, p := range in.Pulls {
		if p.After(last.At) {
			o.PullsMade++
		}
	}
	m, known, why := learn(in)
	if known {
		o.Rate, o.Walk, o.DriftKnown = m.rate, math.Sqrt(m.walk), true
		o.URate = gum.TFactor(gum.Coverage2, float64(m.dof)) * math.Sqrt(m.walk/m.span)
	}
	o.Rules = []Due{byTime(in, last), byPulls(in, last, o.PullsMade), byDrift(in, last, m, known, why, o.Reliability)}
	for _, d := range o.Rules {
		if d.Known && (o.Due.IsZero() || d.At.Before(o.Due)) {
			o.Due, o.Rule, o.Says = d.At, d.Rule, d.Says
		}
	}
	if o.Due.IsZero() {
		o.Says = "no rule gives a day: enter the longest time between two checks"
		return o
	}
	o.Says = fmt.Sprintf("due on %s by %s: %s", o.Due.UTC().Format(time.DateOnly), o.Rule, o.Says)
	if known {
		o.AtDue = 1 - m.exit(o.Due.Sub(last.At).Hours()/24)
		o.Says += fmt.Sprintf("; in tolerance until then with a probability of %.1f %%", 100*o.AtDue)
	}
	return o
}

func byTime(in Input, last Observation) Due {
	if in.Every <= 0 {
		return Due{Rule: ByTime, Says: "the registry sets no longest time between two checks"}
	}
	return Due{Rule: ByTime, Known: true, At: last.At.Add(in.Every),
		Says: fmt.Sprintf("%s after the check of %s", days(in.Every.Hours()/24), last.At.UTC().Format(time.DateOnly))}
}

func byPulls(in Input, last Observation, made int) Due {
	d := Due{Rule: ByPulls}
	if in.MostPulls <= 0 {
		d.Says = "the registry sets no most number of pulls between two checks"
		return d
	}
	if made >= in.MostPulls {
		d.Known, d.Reached = true, true
		d.At = in.Pulls[len(in.Pulls)-made+in.MostPulls-1]
		d.Says = fmt.Sprintf("%d pulls since the check of %s, %d are allowed", made, last.At.UTC().Format(time.DateOnly), in.MostPulls)
		return d
	}
	n := len(in.Pulls)
	if n < 2 || in.Pulls[n-1].Sub(in.Pulls[0]).Hours()/24 < shortestSpan {
		d.Says = fmt.Sprintf("%d of %d pulls made; too few to see how fast they come", made, in.MostPulls)
		return d
	}
	rate := float64(n-1) / (in.Pulls[n-1].Sub(in.Pulls[0]).Hours() / 24)
	from := last.At
	if in.Pulls[n-1].After(from) {
		from = in.Pulls[n-1]
	}
	ahead := float64(in.MostPulls-made) / rate
	if ahead > longest {
		d.Says = fmt.Sprintf("%d of %d pulls made; at %.2g a day the rest takes more than five years", made, in.MostPulls, rate)
		return d
	}
	d.Known, d.At = true, from.Add(time.Duration(ahead*float64(day)))
	d.Says = fmt.Sprintf("%d of %d pulls made, at %.3g a day the last is reached then", made, in.MostPulls, rate)
	return d
}

func byDrift(in Input, last Observation, m motion, known bool, why string, reliability float64) Due {
	d := Due{Rule: ByDrift}
	if !known {
		d.Says = why
		return d
	}
	at := fmt.Sprintf("the error was %+.3g of ±%.3g and goes by %+.2g a year, with a walk of %.2g in a year beside", last.Error, in.Tolerance, m.rate*365.25, math.Sqrt(m.walk*365.25))
	allowed := 1 - reliability
	if m.exit(longest) <= allowed {
		d.Says = at + ": it stays in tolerance for more than five years"
		return d
	}
	low, high := 0.0, float64(longest)
	if m.exit(0) > allowed {
		high = 0
	}
	// Halving to about an hour; exit grows with time.
	for high-low > 0.05 {
		if mid := low + (high-low)/2; m.exit(mid) <= allowed {
			low = mid
		} else {
			high = mid
		}
	}
	d.Known, d.At = true, last.At.Add(time.Duration(low*float64(day)))
	if low == 0 {
		d.Says = at + fmt.Sprintf(": that it is in tolerance now is not %.0f %% sure", 100*reliability)
		return d
	}
	d.Says = at + fmt.Sprintf(": until then it stays in tolerance with %.0f %%", 100*reliability)
	return d
}

func days(d float64) string { return fmt.Sprintf("%.4g days", d) }

// motion is what the checks show of how the error goes,
//
//	dE = rate·dt + √walk·dW
//
// rate and walk from the steps d_i over times Δ_i between checks,
//
//	rate = Σd/ΣΔ,  walk = Σ (d − rate·Δ)²/Δ / (N − 1)
//
// from the checks that lie shortestStep or more after the one before;
// walk with N − 1 degrees of freedom, and given walk the variance of rate is
// walk/ΣΔ. The scatter of the checks themselves counts as walk, which errs to
// the cautious side.
type motion struct {
	rate, walk float64 // a day
	span       float64 // ΣΔ, days
	dof        int
	start, u   float64 // error at the last check, standard uncertainty
	tolerance  float64
	walks      []float64 // equally likely values of walk
}

// learn returns the motion, or why there is none.
func learn(in Input) (m motion, known bool, why string) {
	last := in.Checks[len(in.Checks)-1]
	m = motion{start: last.Error, u: last.U / gum.K, tolerance: in.Tolerance}
	if !(in.Tolerance > 0) || math.IsInf(in.Tolerance, 1) || !(math.Abs(last.Error) < 1e12) || !(last.U >= 0 && last.U < 1e12) {
		return m, false, "the tolerance or the error of the last check is no number"
	}
	sum := 0.0
	type step struct{ d, t float64 }
	var steps []step
	b := in.Checks[0]
	for _, c := range in.Checks[1:] {
		t := c.At.Sub(b.At).Hours() / 24
		switch {
		case c.Restart:
			b = c
			continue
		case !(t >= shortestStep):
			continue
		case !(math.Abs(c.Error-b.Error) < 1e12):
			b = c
			continue
		}
		steps = append(steps, step{c.Error - b.Error, t})
		sum += c.Error - b.Error
		m.span += t
		b = c
	}
	if len(steps) < fewestSteps {
		return m, false, fmt.Sprintf("%d steps between checks without an adjustment are known: a drift needs at least %d", len(steps), fewestSteps)
	}
	m.rate, m.dof = sum/m.span, len(steps)-1
	for _, s := range steps {
		e := s.d - m.rate*s.t
		m.walk += e * e / s.t / float64(m.dof)
	}
	chi := distuv.ChiSquared{K: float64(m.dof)}
	for k := range levels {
		m.walks = append(m.walks, m.walk*float64(m.dof)/chi.Quantile((float64(k)+0.5)/levels))
	}
	return m, true, ""
}

// levels is how many equally likely values stand for the walk's uncertainty.
const levels = 40

// Nodes and weights of Gauss–Hermite integration over a standard normal
// distribution, five points: exact for polynomials to degree 9. Source:
// M. Abramowitz and I. A. Stegun, table 25.10, scaled by √2 and 1/√π.
var (
	nodes   = [...]float64{-2.8569700138728056, -1.3556261799742659, 0, 1.3556261799742659, 2.8569700138728056}
	weights = [...]float64{0.011257411327720691, 0.22207592200561266, 0.53333333333333333, 0.22207592200561266, 0.011257411327720691}
)

// exit returns the probability that the error has been beyond ±tolerance at any
// time until t, days, the rate, the walk and the start being as uncertain as the
// checks leave them.
func (m motion) exit(t float64) float64 {
	p := 0.0
	for _, q := range m.walks {
		for i, a := range nodes {
			rate := m.rate + a*math.Sqrt(q/m.span)
			if m.u == 0 {
				p += weights[i] * crossed(m.start, rate, q, m.tolerance, t)
				continue
			}
			for k, b := range nodes {
				p += weights[i] * weights[k] * crossed(m.start+b*m.u, rate, q, m.tolerance, t)
			}
		}
	}
	return min(p/levels, 1)
}

// crossed returns the probability that a walk from start has left ±tolerance
// until t, at most: the sum for the two limits, which counts twice the walks that
// crossed both.
func crossed(start, rate, walk, tolerance, t float64) float64 {
	return min(passed(tolerance-start, rate, walk, t)+passed(tolerance+start, -rate, walk, t), 1)
}

// passed returns the probability that a walk with a steady rate has come as far
// as a at any time until t,
//
//	Φ((μt − a)/σ√t) + exp(2μa/σ²)·Φ((−a − μt)/σ√t)
//
// Source: the first passage of Brownian motion with drift (inverse Gaussian
// distribution), any textbook.
func passed(a, rate, walk, t float64) float64 {
	switch {
	case a <= 0:
		return 1
	case t <= 0:
		return 0
	case walk <= 0:
		if rate*t >= a {
			return 1
		}
		return 0
	}
	s := math.Sqrt(walk * t)
	if a-math.Max(rate*t, 0) > far*s {
		return 0
	}
	p := distuv.UnitNormal.CDF((rate*t - a) / s)
	if e := 2*rate*a/walk + logNormal((-a-rate*t)/s); e > -700 {
		p += math.Exp(min(e, 0))
	}
	return min(p, 1)
}

// far is how many standard deviations away a limit is not reached.
const far = 9

// logNormal returns ln Φ(z), by the asymptotic series far down.
func logNormal(z float64) float64 {
	if z > -30 {
		return math.Log(distuv.UnitNormal.CDF(z))
	}
	return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(z*z))
}
