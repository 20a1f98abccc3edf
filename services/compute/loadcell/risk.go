package loadcell

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// decision is one error that is accepted or rejected.
type decision struct {
	error     float64
	tolerance float64
	own       gum.Component // of its scatter
	// group is how it answers to the scatter of the mean of each load and
	// direction; its size does not matter, own says that.
	group []float64
	typeB []gum.Component // the rest of its budget, shared by name
	load  bool            // a load's error answers to the loads, the zero to the readings
	zero  bool            // the zero error
}

func (j *judge) decide(d decision) {
	if positive(d.tolerance) {
		j.decided = append(j.decided, d)
	}
}

// draws is how many draws the probability that several errors together are in
// tolerance is taken from, drawSeed their seed: the same for every check, so
// that a check has one risk. Its standard deviation is then under 0.8 %.
const (
	draws    = 4096
	drawSeed = 20260302
)

// narrow is the width of the bounds within which drawing adds nothing.
const narrow = 1e-3

// risk sets the risk of a wrong decision: on the zero, and overall. A check is
// accepted when every error is (pass or conditional pass), and that is wrong when
// any true error is beyond its tolerance; it is rejected else, and that is wrong
// when none is. The probability that any is lies between the largest of the
// errors' own and their sum; between these it is found by drawing from the joint
// distribution, in which what errors share (the arms, a mass, gravity, the
// scatter's unknown size) is drawn once.
// Source: JCGM 106:2012, 9.3.2; JCGM 101:2008, 7 (drawing).
func (j *judge) risk() {
	r := &j.result
	if r.Verdict == fleet.VerdictUnusable || len(j.decided) == 0 {
		return
	}
	least, most := 0.0, 0.0
	for _, d := range j.decided {
		c, err := gum.Combine(append([]gum.Component{d.own}, d.typeB...))
		if err != nil {
			return
		}
		p := gum.Outside(d.error, c.U, c.DoF, d.tolerance)
		if d.zero {
			r.ZeroRisk = gum.WrongDecision(d.error, c.U, c.DoF, d.tolerance)
		}
		least, most = max(least, p), most+p
	}
	most = min(most, 1)
	out := most
	if most-least > narrow && least < 1-narrow {
		out = min(max(j.anyOutside(), least), most)
	} else if least >= 1-narrow {
		out = least
	}
	r.Risk = out
	if r.Verdict > fleet.VerdictConditionalPass {
		r.Risk = 1 - out
	}
}

// anyOutside returns the share of draws in which any true error is beyond its
// tolerance.
func (j *judge) anyOutside() float64 {
	type term struct {
		source int
		c      float64
	}
	names := map[string]int{}
	var dof []float64
	terms := make([][]term, len(j.decided))
	groups := 0
	for k, d := range j.decided {
		groups = max(groups, len(d.group))
		for _, c := range d.typeB {
			s, known := names[c.Name]
			if !known {
				s = len(dof)
				names[c.Name] = s
				dof = append(dof, c.DoF)
			}
			x := c.Contribution()
			if d.load {
				x = -x // a load taken too large makes the error too small
			}
			terms[k] = append(terms[k], term{s, x})
		}
	}
	// Its own scatter, nobody else's, is the last source.
	scatter := make([][]term, len(j.decided))
	scatterDoF := gum.Infinite
	for k, d := range j.decided {
		size := 0.0
		for _, w := range d.group {
			size += w * w
		}
		own := math.Abs(d.own.Contribution())
		if size == 0 {
			scatter[k] = []term{{groups, own}}
		}
		for g, w := range d.group {
			if w != 0 {
				scatter[k] = append(scatter[k], term{g, w / math.Sqrt(size) * own})
			}
		}
		scatterDoF = min(scatterDoF, d.own.DoF)
	}
	source := rand.NewPCG(drawSeed, drawSeed)
	normal := rand.New(source)
	spread := func(nu float64) float64 {
		if math.IsInf(nu, 1) {
			return 1
		}
		return math.Sqrt(nu / distuv.ChiSquared{K: nu, Src: source}.Rand())
	}
	z := make([]float64, groups+1)
	shared := make([]float64, len(dof))
	outside := 0
	for range draws {
		wide := spread(scatterDoF)
		for g := range z {
			z[g] = normal.NormFloat64() * wide
		}
		for s, nu := range dof {
			shared[s] = normal.NormFloat64() * spread(nu)
		}
		for k, d := range j.decided {
			e := d.error
			for _, t := range scatter[k] {
				e += t.c * z[t.source]
			}
			for _, t := range terms[k] {
				e += t.c * shared[t.source]
			}
			if !(math.Abs(e) <= d.tolerance) {
				outside++
				break
			}
		}
	}
	return float64(outside) / draws
}

// intercept returns how the line's intercept answers to the scatter of the mean
// of each load and direction, each of n_g readings: n_g·a_g/√n_g with a_g the
// intercept's answer to one reading.
func (j *judge) intercept(f []float64) []float64 {
	n, mf, sxx := float64(len(f)), mean(f), 0.0
	for _, x := range f {
		sxx += (x - mf) * (x - mf)
	}
	var out []float64
	for _, g := range j.groups(true) {
		a := 0.0
		for _, i := range g {
			a += 1/n - mf*(f[i]-mf)/sxx
		}
		out = append(out, a/math.Sqrt(float64(len(g))))
	}
	return out
}

// unbounded says when a figure has become no number, which only numbers beyond
// all sense in the registry can do.
func (j *judge) unbounded() string {
	r := j.result
	xs := []float64{r.ZeroError, r.UZeroError, r.GainError, r.UGainError, r.Linearity, r.Reversibility, r.Repeatability, r.Scatter, r.AirDensity, r.Risk, r.ZeroRisk}
	for _, c := range []Calibration{r.AsLeft, r.Line} {
		xs = append(xs, c.Zero, c.Gain, c.UZero, c.UGain, c.CovZeroGain, c.Quadratic, c.Cubic, c.Low, c.High)
		for _, row := range c.Cov {
			xs = append(xs, row[:]...)
		}
	}
	for _, p := range r.Points {
		xs = append(xs, p.Load, p.Error, p.U, p.Tolerance, p.Risk, p.K)
	}
	for _, p := range r.Readings {
		xs = append(xs, p.Load, p.Error)
	}
	for _, s := range r.Stated {
		xs = append(xs, s.Value, s.U, s.K)
		for _, c := range s.Budget {
			xs = append(xs, c.Sensitivity, c.U)
		}
	}
	for _, z := range r.SpeedZeros {
		xs = append(xs, z.Speed, z.Error, z.U, z.Risk)
	}
	for _, c := range r.CreepSteps {
		xs = append(xs, c.Load, c.Value, c.U)
	}
	if i := r.Interpolation; i != nil {
		xs = append(xs, i.Residual, i.Low, i.High)
		xs = append(xs, i.Coefficients[:]...)
		xs = append(xs, i.Residuals...)
		for _, row := range i.Covariance {
			xs = append(xs, row[:]...)
		}
		for _, t := range i.Tried {
			xs = append(xs, t.Residual, t.LackOfFit, t.P, t.Highest, t.PHighest)
		}
	}
	if d := r.Drift; d != nil {
		xs = append(xs, d.Days, d.Zero, d.UZero, d.EnZero, d.Gain, d.UGain, d.EnGain)
	}
	if c := r.Class; c != nil {
		for _, l := range c.Limits {
			xs = append(xs, l.Value, l.Limit)
		}
	}
	for _, x := range xs {
		if !finite(x) {
			return tooFar
		}
	}
	return ""
}
