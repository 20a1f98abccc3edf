package coastdown

import (
	"fmt"
	"math"

	"rollcall/services/fleet"
)

// Time returns the time to coast from speed v1 down to v2, s,
//
//	t = m·∫ dv/F(v) from v2 to v1
//
// in closed form for every sign of D = 4·F0·F2 − F1²: with Δ = v1 − v2 and
// S = 2·F0 + F1·(v1+v2) + 2·F2·v1·v2,
//
//	D > 0:  t = 2m/√D · atan2(√D·Δ, S)
//	D = 0:  t = 2m·Δ/S
//	D < 0:  t = 2m/√−D · artanh(√−D·Δ/S)
//
// which are the differences of two arc tangents (or logarithms) of the usual
// tables taken together, so that neither F2 = 0 nor close speeds cost digits.
// m, kg, is the equivalent mass, v1 ≥ v2, m/s.
//
// It returns ErrMass, or ErrNoStop when F is not positive between v2 and v1 or
// v1 < v2.
func Time(l fleet.Loss, mass, v1, v2 float64) (float64, error) {
	if !(mass > 0) || math.IsInf(mass, 1) {
		return 0, ErrMass
	}
	least := math.Min(l.At(v1), l.At(v2))
	if l.F2 != 0 {
		if v := -l.F1 / (2 * l.F2); v > v2 && v < v1 {
			least = math.Min(least, l.At(v))
		}
	}
	if !(v1 >= v2) || !(least > 0) {
		return 0, fmt.Errorf("%w: from %g to %g m/s with F0 %g N, F1 %g N·s/m, F2 %g N·s²/m²",
			ErrNoStop, v1, v2, l.F0, l.F1, l.F2)
	}
	d := 4*l.F0*l.F2 - l.F1*l.F1
	s := 2*l.F0 + l.F1*(v1+v2) + 2*l.F2*v1*v2
	root := math.Sqrt(math.Abs(d))
	x := root * (v1 - v2)
	var t float64
	switch {
	case x <= smallAngle*s:
		// Both functions are x/S·(1 ∓ x²/3S² …).
		t = 2 * mass * (v1 - v2) / s
	case d > 0:
		t = 2 * mass / root * math.Atan2(x, s)
	default:
		t = 2 * mass / root * math.Atanh(x/s)
	}
	if t-t != 0 {
		return 0, fmt.Errorf("%w: the time is too long to compute", ErrNoStop)
	}
	return t, nil
}

// smallAngle is where the cubic term of atan and artanh falls under half an ulp.
const smallAngle = 1e-8
