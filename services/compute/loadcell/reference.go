package loadcell

import (
	"fmt"
	"math"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// cfr is where the limits below come from.
const cfr = "40 CFR 1065.310"

// The limits of a torque calibration by dead weights or a reference, ratios and
// a count. Source: 40 CFR 1065.310.
const (
	forceWithin = 0.005 // of the reference force
	armWithin   = 0.005 // of the lever arm's length
	fewestLoads = 6     // different loads a range, about equally spaced
)

// uneven is how far the largest gap between neighbouring loads may be over the
// mean gap for them to be about equally spaced. Common practice, no source.
const uneven = 2

// rangeGuard is how far a standard may be used over its range, for overshoot.
// Common practice, no source.
const rangeGuard = 1.02

// togetherWithin is how close two loads beside a standard are, relative to the
// largest, to be readings of one load: nobody sets a force to the newton.
// Common practice, no source.
const togetherWithin = 0.01

// largestStandardU is the largest relative U a standard's certificate can mean.
const largestStandardU = 0.2

// reference judges readings beside a standard: a transfer load cell, whose force
// is that of the load cell, or a torque reference, whose torque over the lever
// arm is.
func (j *judge) reference() string {
	c, want, unit, over := j.in.Check, fleet.StandardForce, "N", 1.0
	if c.Kind == fleet.CheckTorque {
		want, unit = fleet.StandardTorque, "N·m"
		if !positive(j.cell.LeverArm) || j.cell.LeverArm > longestArm || j.cell.LeverArm < shortestArm {
			return noLeverArm(j.cell)
		}
		over = j.cell.LeverArm
	}
	if c.Standard == "" {
		return fmt.Sprintf("the check does not name its standard: enter which %s was used", standardWord(want))
	}
	s, known := j.in.Standards[c.Standard]
	switch {
	case !known:
		return fmt.Sprintf("the check names standard %q, which is not in the registry: enter it with its certificate, or correct the name", c.Standard)
	case s.Kind != want:
		return fmt.Sprintf("standard %s is a %s (kind %q) but a check of kind %q needs a %s: name the right one, or correct the kind of the check", c.Standard, standardWord(s.Kind), s.Kind, c.Kind, standardWord(want))
	case !positive(s.Range) || s.Range > largestForce*longestArm:
		return fmt.Sprintf("the registry gives standard %s a range of %v %s: enter the value of its certificate", c.Standard, s.Range, unit)
	case !(s.U >= 0 && s.U <= largestStandardU) || !(s.ULeast >= 0 && s.ULeast <= s.Range):
		return fmt.Sprintf("the registry gives standard %s an uncertainty of %v of the reading and at least %v %s: enter the U (k = 2) of its certificate", c.Standard, s.U, s.ULeast, unit)
	}
	most := 0.0
	for i, r := range j.readings {
		switch {
		case r.Reference == nil:
			return fmt.Sprintf("%s does not say what the standard read: enter it (0 is a reading), or take the line out", j.where(i))
		case !(math.Abs(*r.Reference) <= s.Range*rangeGuard):
			return fmt.Sprintf("%s: standard %s read %.6g %s, but its range is %.6g %s: its certificate says nothing beyond; use a larger standard or a smaller load", j.where(i), c.Standard, *r.Reference, unit, s.Range, unit)
		case len(r.Masses) > 0:
			return fmt.Sprintf("%s beside a standard carries a mass: take the masses off, or record a dead-weight check", j.where(i))
		}
		x := *r.Reference
		u := max(s.U*math.Abs(x), s.ULeast) / gum.K
		if x < -togetherWithin*s.Range {
			u = -u // the other way it is wrong the other way; about nought its zero is
		}
		j.load = append(j.load, load{force: x / over, standard: u / over})
		most = max(most, math.Abs(x))
	}
	name := "standard " + string(c.Standard)
	j.typeB.standard = gum.Component{Name: name, U: 1, DoF: gum.Infinite}
	if s.U == 0 && s.ULeast == 0 {
		j.doubt(FindingNoU, "%s has no stated uncertainty: it counts as exact, so U is too small", name)
	}
	if over != 1 || c.Kind == fleet.CheckTorque {
		j.typeB.shared = []gum.Component{{Name: "lever arm", Sensitivity: 1, U: j.cell.U.LeverArm / j.cell.LeverArm, DoF: gum.Infinite}}
		j.lacking()
		if u := gum.K * j.cell.U.LeverArm / j.cell.LeverArm; u > armWithin {
			j.find(Finding{FindingReference, fmt.Sprintf("the lever arm is known to ±%.2g %% (k = 2): it is to be within ±%.1f %%", 100*u, 100*armWithin), cfr})
		}
	}
	j.dueOf(name, s.Due)
	if u := max(s.U, s.ULeast/max(most, 1e-300)); u > forceWithin {
		j.find(Finding{FindingReference, fmt.Sprintf("%s is known to ±%.2g %% at the largest load (k = 2): it is to be within ±%.1f %%", name, 100*u, 100*forceWithin), cfr})
	}
	j.within = togetherWithin
	if len(j.distinct()) < 2 {
		return fmt.Sprintf("all readings carry about the same load (%.4g N at the lever arm): a gain error needs at least two different loads, such as none and the largest", j.load[0].force)
	}
	return j.line(true)
}

func standardWord(k fleet.StandardKind) string {
	switch k {
	case fleet.StandardForce:
		return "transfer load cell"
	case fleet.StandardTorque:
		return "torque reference"
	}
	return "standard of unknown kind"
}

// dueOf says when the certificate of a standard had ended.
func (j *judge) dueOf(name string, due time.Time) {
	switch {
	case due.IsZero():
		j.find(Finding{FindingNoDueDate, fmt.Sprintf("the certificate of %s has no end in the registry: enter its due date", name), ""})
	case due.Before(j.in.Check.PerformedAt):
		j.doubt(FindingStandardExpired, "the certificate of %s ended on %s: have it calibrated", name, due.Format(time.DateOnly))
	}
}

// plan says how the loads stand against what a calibration asks.
func (j *judge) plan() {
	loads := map[bool][]float64{}
	for _, f := range j.distinct() {
		loads[f != 0] = append(loads[f != 0], f)
	}
	if n := len(loads[true]); n < fewestLoads {
		j.find(Finding{FindingFewLoads, fmt.Sprintf("%d different loads beside none: a calibration takes at least %d, about equally spaced", n, fewestLoads), cfr})
	}
	if n := len(loads[true]); n == 1 {
		j.find(Finding{FindingFewLoads, "one load only: whether the load cell is linear is not seen", ""})
	}
	var all []float64
	for _, f := range j.distinct() {
		all = append(all, math.Abs(f))
	}
	if gap, mean := gaps(all); len(all) > 3 && gap > uneven*mean {
		j.find(Finding{FindingUnevenLoads, fmt.Sprintf("the loads are unevenly spread: the largest gap is %.4g N, the mean one %.4g N", gap, mean), cfr})
	}
	cycles := map[int]bool{}
	for _, r := range j.readings {
		cycles[r.Cycle+1000*r.Mounting] = true
	}
	if _, dof := j.repeats(true); dof == 0 && len(cycles) < 2 {
		j.find(Finding{FindingFewCycles, "one cycle only: whether readings repeat is not seen; take two or more", ""})
	}
}
