package compare

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/gum"
)

// Plan says how many pulls resolve a gain.
type Plan struct {
	Gain  float64 // ratio asked for
	Power float64 // probability of resolving it
	// Pulls is how many each set needs; 0: however many do not resolve it,
	// or more than a thousand would be needed.
	Pulls int
	// Smallest is the smallest gain, a ratio, that sets of the sizes compared
	// resolve with that probability, and Floor the smallest that any number of
	// pulls would in as many sessions and on the same cells.
	Smallest, Floor float64
	// Mend is how to have less of what more pulls do not lower.
	Mend string
}

// mostPulls ends the search.
const mostPulls = 1000

// plan plans for the figure compared.
func (d *design) plan(band *Difference, m *made) Plan {
	scale := math.Abs(band.Before)
	p := Plan{Gain: math.Abs(d.s.Gain), Power: d.s.Power}
	if p.Gain == 0 {
		p.Gain = math.Abs(band.Ratio)
	}
	if !(p.Power > 0 && p.Power < 1) {
		p.Power = defaultPower
	}
	sd, rest := m.repeat.Ratio, math.Hypot(band.USession, band.UShared)/scale
	p.Floor = smallest(p.Power, sd, rest, math.Inf(1), math.Inf(1), gum.Coverage2)
	if !m.known {
		return p
	}
	p.Smallest = smallest(p.Power, sd, rest, float64(d.before), float64(d.total-d.before), gum.Coverage2)
	p.Pulls = SampleSize(p.Gain, sd, rest, p.Power, gum.Coverage2)
	return p
}

// SampleSize returns how many pulls each of two sets needs for a gain to be
// resolved with probability power at the given coverage: the least n for which
//
//	P(T > t_ν) ≥ power,  T noncentral t with ν and gain/u
//	u² = 2·sd²/n + rest²,  ν by Welch–Satterthwaite from 2n − 2
//
// gain, sd (pull to pull) and rest (standard uncertainty of the difference that
// more pulls do not lower) in one unit. 0: no n up to 1000 is enough. With rest
// 0 it is the usual two-sample t-test. Source: two-sample t-test's power, as R's
// power.t.test has it.
func SampleSize(gain, sd, rest, power, coverage float64) int {
	if !(gain > 0) || detected(gain, sd, rest, mostPulls, mostPulls, coverage) < power {
		return 0
	}
	low, high := 1, mostPulls // low is not enough, high is
	for high-low > 1 {
		n := (low + high) / 2
		if detected(gain, sd, rest, float64(n), float64(n), coverage) >= power {
			high = n
		} else {
			low = n
		}
	}
	return high
}

// detected returns the probability that a gain is resolved.
func detected(gain, sd, rest, before, after, coverage float64) float64 {
	return newTest(sd, rest, before, after, coverage).power(gain)
}

// test is a comparison that is planned.
type test struct{ u, dof, factor float64 }

func newTest(sd, rest, before, after, coverage float64) test {
	scatter := sd * sd * (1/before + 1/after)
	x := test{u: math.Sqrt(scatter + rest*rest), dof: math.Inf(1)}
	if scatter > 0 && !math.IsInf(before+after, 1) {
		share := scatter / (x.u * x.u)
		x.dof = (before + after - 2) / (share * share)
	}
	if x.dof > 0 {
		x.factor = gum.TFactor(coverage, x.dof)
	}
	return x
}

// power returns the probability that a gain is resolved.
func (x test) power(gain float64) float64 {
	switch {
	case x.u == 0:
		return 1
	case x.factor == 0:
		return 0
	}
	return exceeds(x.factor, x.dof, gain/x.u)
}

// smallest returns the gain that is detected with probability power.
func smallest(power, sd, rest, before, after, coverage float64) float64 {
	x := newTest(sd, rest, before, after, coverage)
	low, high := 0.0, 1e-6
	for x.power(high) < power {
		if high > 1e3 {
			return 0
		}
		low, high = high, 2*high
	}
	for high-low > 1e-9*high {
		if mid := (low + high) / 2; x.power(mid) < power {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// exceeds returns P(T > t) of the noncentral t distribution with ν degrees of
// freedom and noncentrality δ,
//
//	P = ∫ Φ(δ − t·w)·f(w) dw,  w = √(χ²_ν/ν)
//
// by Gauss–Legendre quadrature over ±9 standard deviations of w.
func exceeds(t, dof, delta float64) float64 {
	phi := distuv.UnitNormal.CDF
	if dof > 1e6 {
		return phi(delta - t)
	}
	// ln f(w) = ln 2 + ν/2·ln(ν/2) − ln Γ(ν/2) + (ν − 1)·ln w − ν·w²/2
	gamma, _ := math.Lgamma(dof / 2)
	scale := math.Ln2 + dof/2*math.Log(dof/2) - gamma
	sd := 1 / math.Sqrt(2*dof)
	low, high := max(0, 1-9*sd), 1+9*sd
	sum := 0.0
	for i, x := range nodes.x {
		w := low + (high-low)*x
		sum += nodes.weight[i] * phi(delta-t*w) * math.Exp(scale+(dof-1)*math.Log(w)-dof*w*w/2)
	}
	return sum * (high - low)
}

// nodes are those of the quadrature over 0 to 1.
var nodes = func() (n struct{ x, weight []float64 }) {
	n.x, n.weight = make([]float64, 80), make([]float64, 80)
	quad.Legendre{}.FixedLocations(n.x, n.weight, 0, 1)
	return n
}()
