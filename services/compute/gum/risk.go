package gum

import "math"

// Outside returns the probability that the true value is beyond ±tolerance when
// e was measured with standard uncertainty u and dof degrees of freedom,
//
//	P = T_ν((−T − e)/u) + T_ν((e − T)/u)
//
// T_ν Student's distribution, normal for many degrees of freedom. It takes every
// true value as equally likely beforehand. With u = 0 it is 0 or 1.
// Source: JCGM 106:2012, 7.4 and 9.3.2 (specific risk); Student's distribution
// for few degrees of freedom: JCGM 100:2008, G.3.
func Outside(e, u, dof, tolerance float64) float64 {
	e = math.Abs(e)
	if u == 0 {
		if e <= tolerance*(1+boundaryGuard) {
			return 0
		}
		return 1
	}
	return min(max(TTail((tolerance-e)/u, dof)+TTail((tolerance+e)/u, dof), 0), 1)
}

// WrongDecision returns the probability that accepting (|e| ≤ tolerance) or else
// rejecting e is wrong: Outside or its complement.
func WrongDecision(e, u, dof, tolerance float64) float64 {
	p := Outside(e, u, dof, tolerance)
	if math.Abs(e) <= tolerance*(1+boundaryGuard) {
		return p
	}
	return 1 - p
}
