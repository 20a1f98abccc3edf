package interval

import (
	"slices"

	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Observations returns what a load cell's checks showed of one of its errors,
// loadcell.ZeroError (N) or loadcell.GainError (ratio), in order of time: the
// error of S(x) in force, which starts anew where a check as left gave another
// S(x). Checks that are unusable, or that do not give the error, are passed over.
func Observations(checks []loadcell.Earlier, of loadcell.Quantity) []Observation {
	var out []Observation
	for _, c := range checks {
		r, k := c.Result, c.Check.Kind
		if r.Verdict == fleet.VerdictUnusable || r.Verdict == fleet.VerdictNone {
			continue
		}
		o := Observation{At: c.Check.PerformedAt, Restart: c.Check.State == fleet.AsLeft && r.AsLeftValid}
		switch {
		case of == loadcell.GainError && r.GainValid && loadcell.Calibrates(k):
			o.Error, o.U = r.GainError, r.UGainError
		case of == loadcell.ZeroError && r.ZeroValid && (loadcell.Calibrates(k) || k == fleet.CheckZero):
			o.Error, o.U = r.ZeroError, r.UZeroError
		default:
			continue
		}
		out = append(out, o)
	}
	slices.SortStableFunc(out, func(a, b Observation) int { return a.At.Compare(b.At) })
	return out
}
