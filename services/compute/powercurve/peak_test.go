package powercurve

import (
	"math"
	"testing"
)

// What a noisy slope does to the greatest value of a parabola: the closed forms
// against the same by summing over the normal density. Far from the ends the lift
// is u²/4c, its standard deviation √2 of that: g² has the mean 1 and the variance 2.
func TestChoice(t *testing.T) {
	const bend, u = 3.0, 0.6
	sigma := u / (2 * bend)
	// The greatest value of 2·bend·σ·g·x − bend·(x − x0)² between the ends, x from
	// the place found without noise, less that without noise.
	sum := func(e ends) (out choice) {
		x0 := e.slope / (2 * bend) // where the top would be, beyond the end
		if e.below == 0 {
			x0 = -math.Abs(x0)
		}
		value := func(x, g float64) float64 { return 2*bend*sigma*g*x - bend*(x-x0)*(x-x0) }
		var m, mm, p, pp, all float64
		for g := -8.0; g <= 8; g += 1e-3 {
			w := density(g)
			x := math.Min(math.Max(x0+sigma*g, -e.below), e.above)
			lift := value(x, g) - value(0, 0)
			all += w
			m, mm, p, pp = m+w*lift, mm+w*lift*lift, p+w*x, pp+w*x*x
		}
		m, mm, p, pp = m/all, mm/all, p/all, pp/all
		return choice{lift: m, u: math.Sqrt(mm - m*m), uPlace: math.Sqrt(pp - p*p)}
	}
	for _, e := range []ends{
		{below: 5, above: 5},
		{below: 5, above: sigma},
		{below: sigma / 2, above: 5},
		{below: 0.3 * sigma, above: 1.5 * sigma},
		{below: 5, above: 0, slope: 0.01},
		{below: 5, above: 0, slope: 0.5},
		{below: 0, above: 5, slope: -0.9},
	} {
		got, want := e.choice(bend, u), sum(e)
		for k, x := range [3][2]float64{{got.lift, want.lift}, {got.u, want.u}, {got.uPlace, want.uPlace}} {
			if math.Abs(x[0]-x[1]) > 1e-4*math.Abs(x[1])+1e-9 {
				t.Errorf("%+v: number %d is %.6g, want %.6g", e, k, x[0], x[1])
			}
		}
	}
	if far := (ends{below: 5, above: 5}).choice(bend, u); math.Abs(far.lift/(u*u/(4*bend))-1) > 1e-9 || math.Abs(far.u/far.lift-math.Sqrt2) > 1e-9 {
		t.Errorf("far from the ends: %+v", far)
	}
	if none := (ends{below: 1, above: 1}).choice(bend, 0); none != (choice{}) {
		t.Errorf("without noise: %+v", none)
	}
	// Hardly bent: bounded by the ends.
	if flat := (ends{below: 1, above: 1}).choice(-1, u); !(flat.lift < 2*u) || !(flat.uPlace < 1.5) {
		t.Errorf("not bent: %+v", flat)
	}
}
