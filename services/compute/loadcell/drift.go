package loadcell

import (
	"math"
	"strings"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// drift states the change of the indicator's straight line since the last check
// that can be compared with: the latest usable one before, of the same cell,
// that gives the same figure. After a check as found that led to an adjustment
// only a check as left can be compared with.
//
// What both checks share (a mass, the arms, gravity) has acted on both alike, so
// that only the difference of its shares counts.
func (j *judge) drift() {
	r := &j.result
	if r.Verdict == fleet.VerdictUnusable {
		return
	}
	var last Earlier
	found := false
	for _, e := range j.in.Earlier {
		c := e.Check
		before := c.PerformedAt.Before(j.in.Check.PerformedAt) || c.PerformedAt.Equal(j.in.Check.PerformedAt) && c.ID < j.in.Check.ID
		if c.Cell != j.in.Check.Cell || !before || e.Result.Verdict == fleet.VerdictUnusable || c.ID == j.in.Check.ID {
			continue
		}
		if found {
			l := last.Check
			if c.PerformedAt.Before(l.PerformedAt) || c.PerformedAt.Equal(l.PerformedAt) && c.ID < l.ID {
				continue
			}
		}
		if !comparable(j.in.Check.Kind, c.Kind) {
			// An adjustment spoils older checks even when it was found by a check
			// of another kind.
			if c.State == fleet.AsFound && c.Adjusted != nil && *c.Adjusted {
				last, found = e, true
			}
			continue
		}
		last, found = e, true
	}
	if !found || last.Check.State == fleet.AsFound && last.Check.Adjusted != nil && *last.Check.Adjusted {
		return
	}
	then := line(last.Result)
	d := Drift{Check: last.Check.ID, Since: last.Check.PerformedAt, Days: j.in.Check.PerformedAt.Sub(last.Check.PerformedAt).Hours() / 24}
	if r.ZeroValid && last.Result.ZeroValid {
		d.Zero, d.ZeroValid = r.Line.Zero-then.Zero, true
		d.UZero = j.differ(last.Result, ZeroError, ZeroDrift, "N", d.Zero, 2*r.Line.UZero, 2*then.UZero)
		d.EnZero = gum.En(d.Zero, 0, d.UZero, 0)
	}
	if r.GainValid && last.Result.GainValid {
		d.Gain, d.GainValid = r.Line.Gain-then.Gain, true
		d.UGain = j.differ(last.Result, GainError, GainDrift, "1", d.Gain, 2*r.Line.UGain, 2*then.UGain)
		d.EnGain = gum.En(d.Gain, 0, d.UGain, 0)
	}
	if d.ZeroValid || d.GainValid {
		r.Drift = &d
	}
}

// line returns the straight line a result has: Line, or where only the stored
// calibration is known, that.
func line(r Result) Calibration {
	if r.Line != (Calibration{}) {
		return r.Line
	}
	return r.AsLeft
}

// comparable reports whether two kinds of check see the same of the indicator.
func comparable(a, b fleet.CheckKind) bool {
	class := func(k fleet.CheckKind) int {
		switch k {
		case fleet.CheckDeadWeight, fleet.CheckTransfer, fleet.CheckTorque:
			return 1
		case fleet.CheckZero:
			return 2
		}
		return 2 + int(k)
	}
	// The zero of rollers standing still is also the intercept's.
	return class(a) == class(b) || class(a)+class(b) == 3
}

// differ states a drift and returns its expanded uncertainty.
func (j *judge) differ(then Result, of, as Quantity, unit string, value, now2, then2 float64) float64 {
	a, okA := j.result.Get(of)
	b, okB := then.Get(of)
	if !okA || !okB {
		u := math.Hypot(now2, then2)
		j.state(as, unit, value, []gum.Component{
			{Name: "this check", Sensitivity: 1, U: now2 / gum.K, DoF: gum.Infinite},
			{Name: "the check before", Sensitivity: 1, U: then2 / gum.K, DoF: gum.Infinite},
		}, "both checks taken as independent")
		return u
	}
	j.state(as, unit, value, difference(a.Budget, b.Budget, " then"), "this check against the one before")
	s, _ := j.result.Get(as)
	return s.U
}

// ownScatter are the components that two checks never share.
func ownScatter(name string) bool {
	return name == "scatter" || name == "indicator step" || name == "scatter of the standard" || strings.HasPrefix(name, "refit") || name == "air density"
}

// difference returns the budget of a figure less another of the same kind: a
// component of the same name and size in both is the same thing, its shares are
// subtracted; the rest is independent. then is added to the names of b's.
func difference(a, b []gum.Component, then string) []gum.Component {
	var out []gum.Component
	used := make([]bool, len(b))
	for _, c := range a {
		for k, d := range b {
			if used[k] || d.Name != c.Name || ownScatter(c.Name) || math.Abs(d.U-c.U) > sameU*c.U {
				continue
			}
			used[k] = true
			c.Sensitivity -= d.Sensitivity
			break
		}
		out = append(out, c)
	}
	for k, d := range b {
		if !used[k] {
			d.Name += then
			out = append(out, d)
		}
	}
	return out
}

// sameU is how close two uncertainties are, as a ratio, to be of one thing.
const sameU = 1e-9
