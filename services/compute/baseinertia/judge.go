package baseinertia

import (
	"fmt"
	"math"
	"time"

	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// The limits of a base-inertia check, ratios and a count. Source: 40 CFR
// 1066.250.
const (
	valueWithin = 0.010  // each value
	meanWithin  = 0.0020 // their mean
	valuesAsked = 30
	source      = "40 CFR 1066.250"
)

const (
	// fewestPairs is the least number of pairs whose scatter gives an uncertainty.
	fewestPairs = 2
	// sameSpeeds is how close two runs' speeds are, relative to their fall, to
	// be over the same speeds. Common practice, no source.
	sameSpeeds = 0.01
	// apart is how far the decelerations of a pair differ, relative to the
	// larger, so that the difference is not mostly noise. Common practice, no
	// source.
	apart = 0.2
)

// What can be meant: speeds, m/s, times, s, forces, N.
const (
	fastest      = 200
	longestRun   = 1e5
	largestForce = 1e7
	largestMass  = 1e7 // kg
)

// Inertia returns the mass that a force F changes from one speed to another in
// a time t,
//
//	M = F·t/|v_2 − v_1|
//
// kg. Source: 40 CFR 1066.250.
func Inertia(force, t, from, to float64) float64 {
	return force * t / math.Abs(to-from)
}

// Judge judges a base-inertia check. What cannot be judged has
// fleet.VerdictUnusable and a Reason that says what is wrong and how to mend it.
//
// Runs over the same speeds under different forces are paired in the order they
// were taken, each used once; each pair gives a value, and the base inertia is
// their mean. Its uncertainty combines their scatter with what scales all
// forces (load-cell gain, lever arm, roller radius) and all decelerations
// (speed), and with what the parasitic loss may do differently in the two runs
// of a pair. A check as found is held against the registry's value, one as left
// against its own mean.
func Judge(in Input) Result {
	j := judge{in: in}
	problem := j.runs()
	if problem == "" {
		problem = j.pairs()
	}
	if problem == "" {
		problem = j.mass()
	}
	if problem != "" {
		return Result{Verdict: fleet.VerdictUnusable, Reason: problem, Findings: j.out.Findings, Runs: j.out.Runs}
	}
	return j.out
}

type judge struct {
	in  Input
	out Result
}

func (j *judge) find(kind loadcell.FindingKind, from, format string, args ...any) {
	j.out.Findings = append(j.out.Findings, loadcell.Finding{Kind: kind, Text: fmt.Sprintf(format, args...), Source: from})
}

// runs reads the runs and finds their mean parasitic force.
func (j *judge) runs() string {
	c, cell := j.in.Check, j.in.Cell
	switch {
	case c.Kind != fleet.CheckBaseInertia:
		return fmt.Sprintf("a check of kind %q does not measure base inertia", c.Kind)
	case c.Cell != "" && cell.ID != "" && c.Cell != cell.ID:
		return fmt.Sprintf("the check was made on cell %s but is judged as one of cell %s", c.Cell, cell.ID)
	case len(c.Readings) == 0:
		return "the check has no runs"
	case !(cell.BaseInertia >= 0 && cell.BaseInertia <= largestMass):
		return fmt.Sprintf("the registry gives cell %s a base inertia of %v kg: enter the maker's value", cell.ID, cell.BaseInertia)
	}
	for i, r := range c.Readings {
		if r.Preload {
			continue
		}
		where := fmt.Sprintf("run %d", i+1)
		for _, p := range []struct {
			x    *float64
			what string
			most float64
		}{
			{r.SetForce, "force that was set", largestForce}, {r.From, "speed it began with", fastest},
			{r.To, "speed it ended with", fastest}, {r.Duration, "time it took", longestRun},
		} {
			switch {
			case p.x == nil:
				return fmt.Sprintf("%s does not say the %s: enter it, or take the run out", where, p.what)
			case !(math.Abs(*p.x) <= p.most):
				return fmt.Sprintf("%s gives %v as the %s, which cannot be: enter what was measured", where, *p.x, p.what)
			}
		}
		run := Run{Index: i, Force: *r.SetForce, From: *r.From, To: *r.To, Duration: *r.Duration}
		switch {
		case run.From < 0 || run.To < 0:
			return fmt.Sprintf("%s has a negative speed: enter speeds as the rollers turn with a driving car", where)
		case !(run.Duration > 0):
			return fmt.Sprintf("%s took %v s: enter how long the speed took from %v to %v m/s", where, run.Duration, run.From, run.To)
		case run.From == run.To:
			return fmt.Sprintf("%s begins and ends at %v m/s: the speed has to change", where, run.From)
		case run.To > run.From && run.Force >= 0:
			return fmt.Sprintf("%s: a set force of %.4g N slows the rollers, yet they went from %.4g up to %.4g m/s: a force that drives them is negative; turn its sign, or swap the speeds", where, run.Force, run.From, run.To)
		}
		run.Deceleration = (run.From - run.To) / run.Duration
		run.Parasitic = parasitic(cell.Parasitic, run)
		j.out.Runs = append(j.out.Runs, run)
	}
	if len(j.out.Runs) == 0 {
		return "the check has warm-up runs only: record its runs too"
	}
	return ""
}

// parasitic returns the mean parasitic force over a run that gives its time,
// Δv/∫dv/(F + F_par(v)) − F; where F and F_par do not keep one sign over the
// speeds, the mean over the speeds.
func parasitic(loss fleet.Loss, run Run) float64 {
	high, low := max(run.From, run.To), min(run.From, run.To)
	sign := 1.0
	if run.To > run.From {
		sign = -1
	}
	whole := fleet.Loss{F0: sign * (loss.F0 + run.Force), F1: sign * loss.F1, F2: sign * loss.F2}
	if t, err := coastdown.Time(whole, 1, high, low); err == nil && t > 0 {
		return sign*(high-low)/t - run.Force
	}
	// Simpson's rule is exact for a quadratic.
	return (loss.At(low) + 4*loss.At((low+high)/2) + loss.At(high)) / 6
}

// pairs pairs the runs.
func (j *judge) pairs() string {
	runs := j.out.Runs
	used := make([]bool, len(runs))
	for a := range runs {
		for b := a + 1; b < len(runs) && !used[a]; b++ {
			r, s := runs[a], runs[b]
			fall := math.Abs(r.From - r.To)
			same := math.Abs(max(r.From, r.To)-max(s.From, s.To)) <= sameSpeeds*fall && math.Abs(min(r.From, r.To)-min(s.From, s.To)) <= sameSpeeds*fall
			d := r.Deceleration - s.Deceleration
			if used[b] || !same || math.Abs(r.Force-s.Force) <= apart*max(math.Abs(r.Force), math.Abs(s.Force)) ||
				math.Abs(d) <= apart*max(math.Abs(r.Deceleration), math.Abs(s.Deceleration)) {
				continue
			}
			used[a], used[b] = true, true
			m := ((r.Force + r.Parasitic) - (s.Force + s.Parasitic)) / d
			if !(m > 0 && m <= largestMass) {
				return fmt.Sprintf("runs %d and %d give a base inertia of %.4g kg: with the larger force the rollers slowed less; is the sign of a force swapped, or a run's time another's?", r.Index+1, s.Index+1, m)
			}
			j.out.Values = append(j.out.Values, Value{First: a, Second: b, Mass: m})
		}
	}
	if n := len(j.out.Values); n < fewestPairs {
		return fmt.Sprintf("%d pair(s) of runs over the same speeds under different forces: at least %d are needed to see how they scatter; make each run with a small and a large force", n, fewestPairs)
	}
	alone := 0
	for _, u := range used {
		if !u {
			alone++
		}
	}
	if alone > 0 {
		j.find(loadcell.FindingOther, "", "%d run(s) found no partner over the same speeds under another force and were left out", alone)
	}
	return ""
}

// mass takes the mean and judges it.
func (j *judge) mass() string {
	r, cell := &j.out, j.in.Cell
	n := float64(len(r.Values))
	for _, v := range r.Values {
		r.Mass += v.Mass / n
	}
	ss := 0.0
	for _, v := range r.Values {
		ss += (v.Mass - r.Mass) * (v.Mass - r.Mass)
	}
	uGain := j.in.InForce.UGain
	if uGain == 0 {
		uGain = cell.U.LoadCell
	}
	ratio := func(u, of float64) float64 {
		if of > 0 {
			return u / of
		}
		return 0
	}
	shape := 0.0
	for _, v := range r.Values {
		a, b := r.Runs[v.First], r.Runs[v.Second]
		if mean := (math.Abs(a.Parasitic) + math.Abs(b.Parasitic)) / 2; mean > 0 {
			shape += math.Abs(a.Parasitic-b.Parasitic) / mean / math.Abs(a.Deceleration-b.Deceleration) / n
		}
	}
	r.Budget = []gum.Component{
		{Name: "scatter", Sensitivity: 1 / math.Sqrt(n), U: math.Sqrt(ss / (n - 1)), DoF: n - 1},
		{Name: "load-cell gain", Sensitivity: r.Mass, U: uGain, DoF: gum.Infinite},
		{Name: "lever arm", Sensitivity: r.Mass, U: ratio(cell.U.LeverArm, cell.LeverArm), DoF: gum.Infinite},
		{Name: "roller radius", Sensitivity: -r.Mass, U: ratio(cell.U.RollerRadius, cell.RollerRadius), DoF: gum.Infinite},
		{Name: "speed", Sensitivity: -r.Mass, U: cell.U.Speed, DoF: gum.Infinite},
		{Name: "parasitic loss", Sensitivity: shape, U: cell.U.Parasitic, DoF: gum.Infinite},
	}
	c, err := gum.Combine(r.Budget)
	if err != nil {
		return fmt.Sprintf("the uncertainty cannot be combined, the registry holds an impossible one: %v", err)
	}
	// Truncated as the guide says: with two or three pairs the formula for the
	// effective degrees of freedom gives too many (three pairs: 93 %
	// covered without).
	c.DoF = gum.TruncateDoF(c.DoF)
	r.U, r.DoF, r.K = c.Expanded(), c.DoF, gum.TFactor(gum.Coverage2, c.DoF)
	if !finite(r.U) || !finite(r.Mass) {
		return "the figures leave the range of numbers: the registry or the runs hold one that is far too large"
	}
	r.Valid = true
	for _, c := range r.Budget[1:5] {
		if c.U == 0 {
			j.find(loadcell.FindingNoU, "", "the %s has no stated uncertainty: it counts as exact, so U is too small", c.Name)
		}
	}
	if n := len(r.Values); n < valuesAsked {
		j.find(loadcell.FindingFewLoads, source, "%d values of the base inertia: the regulation takes %d", n, valuesAsked)
	}
	j.losses()

	r.Stated = cell.BaseInertia
	against, what := r.Stated, fmt.Sprintf("against %.6g kg in the registry", r.Stated)
	if r.Stated > 0 {
		r.Deviation, r.UDeviation = r.Mass/r.Stated-1, r.U/r.Stated
	}
	if r.Stated == 0 || j.in.Check.State == fleet.AsLeft {
		against, what = r.Mass, "values against their own mean"
		if r.Stated == 0 {
			what += ", the registry has none"
		}
	}
	worst, all := 0.0, true
	for i := range r.Values {
		v := &r.Values[i]
		v.Deviation = v.Mass/against - 1
		v.Within = math.Abs(v.Deviation) <= valueWithin
		all = all && v.Within
		if math.Abs(v.Deviation) > math.Abs(worst) {
			worst = v.Deviation
		}
	}
	mean := r.Mass/against - 1
	r.Limits = []Limit{
		{Name: "each value", Limit: valueWithin, Value: worst, Within: all, Source: source},
		{Name: "mean of the values", Limit: meanWithin, Value: mean, Within: math.Abs(mean) <= meanWithin, Source: source},
		{Name: "number of values", Limit: valuesAsked, Value: n, Within: len(r.Values) >= valuesAsked, Source: source},
	}
	r.Verdict = gum.Verdict(mean, r.U/against, meanWithin)
	r.Risk = gum.WrongDecision(mean, c.U/against, c.DoF, meanWithin)
	if !all {
		r.Verdict = fleet.VerdictFail
	}
	r.Reason = fmt.Sprintf("%s: base inertia %.6g ± %.2g kg, %s: mean %+.3f %% of ±%.2f %% (U %.2g %%), worst value %+.3f %% of ±%.1f %%",
		r.Verdict, r.Mass, r.U, what, 100*mean, 100*meanWithin, 100*r.U/against, 100*worst, 100*valueWithin)
	if d := j.in.Check.From(); j.in.Check.State == fleet.AsLeft {
		r.Reason += fmt.Sprintf("; in force from %s", d.UTC().Format(time.DateOnly))
		if r.Stated > 0 {
			r.Reason += fmt.Sprintf(", %+.2f %% ± %.2g %% off the registry's %.6g kg", 100*r.Deviation, 100*r.UDeviation, r.Stated)
		}
	}
	return ""
}

// losses states the mean parasitic force that the pairs themselves show, M·a − F,
// beside the registry's.
func (j *judge) losses() {
	r := &j.out
	var seen []float64
	for _, v := range r.Values {
		a, b := r.Runs[v.First], r.Runs[v.Second]
		seen = append(seen, (r.Mass*(a.Deceleration+b.Deceleration)-a.Force-b.Force)/2)
		r.RegistryParasitic += (a.Parasitic + b.Parasitic) / 2 / float64(len(r.Values))
	}
	n := float64(len(seen))
	for _, x := range seen {
		r.Parasitic += x / n
	}
	ss, deceleration := 0.0, 0.0
	for i, x := range seen {
		ss += (x - r.Parasitic) * (x - r.Parasitic)
		v := r.Values[i]
		deceleration += (r.Runs[v.First].Deceleration + r.Runs[v.Second].Deceleration) / 2 / n
	}
	c, err := gum.Combine([]gum.Component{
		{Name: "scatter", Sensitivity: 1 / math.Sqrt(n), U: math.Sqrt(ss / (n - 1)), DoF: n - 1},
		{Name: "base inertia", Sensitivity: deceleration, U: r.U / gum.K, DoF: gum.Infinite},
	})
	if err == nil {
		r.UParasitic = c.Expanded()
	}
	if d := r.Parasitic - r.RegistryParasitic; math.Abs(d) > math.Hypot(r.UParasitic, gum.K*j.in.Cell.U.Parasitic) {
		j.find(loadcell.FindingOther, "", "the runs show a parasitic force of %.4g ± %.2g N, the registry gives %.4g N at these speeds: make a coast-down of the empty rollers", r.Parasitic, r.UParasitic, r.RegistryParasitic)
	}
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
