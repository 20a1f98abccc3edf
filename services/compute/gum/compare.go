package gum

import (
	"math"

	"rollcall/services/fleet"
)

// En returns the E_n number of a value against a reference,
//
//	E_n = (x − X)/√(U² + U_ref²)
//
// U and U_ref expanded, k = 2, x and X independent. Where x contributed to X
// use EnContributing. When both uncertainties are nought it is 0 for equal
// values and else ±math.MaxFloat64.
// Source: ISO/IEC 17043, B.3.1.3 and ISO 13528:2015, 9.7 (from memory).
func En(x, ref, expanded, expandedRef float64) float64 {
	return ratio(x-ref, math.Hypot(expanded, expandedRef))
}

// EnContributing returns the E_n number of a value that has itself contributed
// to the (weighted mean) reference,
//
//	E_n = (x − X)/√(U² − U_ref²)
//
// Source: degrees of equivalence of key comparisons, M. G. Cox, Metrologia 39
// (2002) 589–595, eq. 5 (from memory).
func EnContributing(x, ref, expanded, expandedRef float64) float64 {
	return ratio(x-ref, math.Sqrt(max(0, expanded*expanded-expandedRef*expandedRef)))
}

func ratio(d, u float64) float64 {
	switch {
	case d == 0:
		return 0
	case u == 0:
		return math.Copysign(math.MaxFloat64, d)
	}
	return d / u
}

// boundaryGuard lets a value that is on a limit but for rounding count as on
// it; relative to the limit's terms.
const boundaryGuard = 1e-9

// Satisfactory reports whether |E_n| ≤ 1, the boundary included despite
// rounding. Source: ISO/IEC 17043, B.4.1.1 (from memory).
func Satisfactory(en float64) bool { return math.Abs(en) <= 1+boundaryGuard }

// Verdict returns the outcome of an error e with expanded uncertainty U
// against a tolerance ±T, with a guard band of U:
//
//	|e| ≤ T − U   pass
//	|e| ≤ T       conditional pass
//	|e| ≤ T + U   conditional fail
//	else          fail
//
// The boundaries belong to the better outcome, despite rounding. A term that
// is not finite, a negative U or a tolerance that is not positive gives
// fleet.VerdictUnusable.
// Source: ILAC-G8:09/2019, 4.2.2 and 4.2.3 (from memory).
func Verdict(e, expanded, tolerance float64) fleet.Verdict {
	e = math.Abs(e)
	if !finite(e) || !finite(expanded) || !finite(tolerance) || expanded < 0 || tolerance <= 0 {
		return fleet.VerdictUnusable
	}
	guard := boundaryGuard * tolerance
	switch {
	case e <= tolerance-expanded+guard:
		return fleet.VerdictPass
	case e <= tolerance+guard:
		return fleet.VerdictConditionalPass
	case e <= tolerance+expanded+guard:
		return fleet.VerdictConditionalFail
	}
	return fleet.VerdictFail
}

// Worse returns the worse of two verdicts; unusable is the worst, none the
// mildest.
func Worse(a, b fleet.Verdict) fleet.Verdict { return max(a, b) }
