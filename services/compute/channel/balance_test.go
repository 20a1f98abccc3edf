package channel

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The window chosen has, over seeded runs of a shape with known slope, a root mean
// square error of the slope within half of the best of a ladder of windows (a
// tenth is what it gives away to be bent little), over noise from 1 to 100 times;
// it is longer the more noise there is; and USlope with Bias is the error seen.
func TestBalancedIsNearTheBest(t *testing.T) {
	const runs, step = 12, 0.01
	// A speed with a dip and a bump, as a torque curve has.
	value := func(t float64) float64 { return 10 + 2*t + 0.15*math.Sin(1.1*t) + 0.1*math.Cos(0.6*t) }
	slope := func(t float64) float64 { return 2 + 0.165*math.Cos(1.1*t) - 0.06*math.Sin(0.6*t) }
	ladder := []float64{0.25, 0.35, 0.5, 0.7, 1, 1.4, 2, 2.8, 3.5}
	random := rand.New(rand.NewPCG(5, 8))
	lastLength := 0.0
	for _, noise := range []float64{0.002, 0.02, 0.2} {
		at := clock(1401, 0, step)
		var chosen, stated, length float64
		tried := make([]float64, len(ladder))
		square := func(s Series, w Window) float64 {
			var out Smoothed
			if err := Smooth(&out, s, w); err != nil {
				t.Fatal(err)
			}
			sum, n := 0.0, 0
			for i := 150; i < 1250; i++ { // windows clear of the ends
				d := out.Slope[i] - slope(s.T[i])
				sum += d * d
				n++
			}
			return sum / float64(n)
		}
		for range runs {
			s := sample(at, func(t float64) float64 { return value(t) + noise*random.NormFloat64() })
			b, ok := Balanced(s, Span{0, 14}, 10)
			if !ok {
				t.Fatal("no window")
			}
			chosen += square(s, b.Window) / runs
			stated += (b.USlope*b.USlope + b.Bias*b.Bias) / runs
			length += b.Window.Length / runs
			if got := b.Density / (noise * noise * step); math.Abs(got-1) > 0.4 {
				t.Errorf("noise %g: density %.2f of the true one", noise, got)
			}
			for k, l := range ladder {
				tried[k] += square(s, Window{l, 3}) / runs
			}
		}
		best := math.Inf(1)
		for _, x := range tried {
			best = math.Min(best, x)
		}
		t.Logf("noise %g: window %.2f s, error %.3g, best of ladder %.3g, stated %.3g", noise, length, math.Sqrt(chosen), math.Sqrt(best), math.Sqrt(stated))
		if chosen > 1.5*1.5*best {
			t.Errorf("noise %g: mean square error %.3g with %.2f s, %.3g with the best", noise, chosen, length, best)
		}
		if r := stated / chosen; r < 0.6 || r > 1.6 {
			t.Errorf("noise %g: stated mean square error %.2f times the seen", noise, r)
		}
		if !(length > lastLength) {
			t.Errorf("noise %g: %.2f s, not longer than %.2f s with less noise", noise, length, lastLength)
		}
		lastLength = length
	}
}

// Without shape above the noise the window is the longest allowed; with hardly
// any noise the shortest; with too little it says so.
func TestBalancedLimits(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 9))
	straight := sample(clock(1000, 0, 0.01), func(t float64) float64 { return 3 + 2*t + 0.01*random.NormFloat64() })
	if b, ok := Balanced(straight, Span{0, 10}, 2); !ok || b.Window.Length != 2 || b.Bias != 0 {
		t.Errorf("straight: %+v, %v", b, ok)
	}
	exact := sample(clock(1000, 0, 0.01), func(t float64) float64 { return math.Sin(2 * t) })
	if b, ok := Balanced(exact, Span{0, 10}, 2); !ok || b.Window.Length > 1 {
		t.Errorf("exact: %+v, %v", b, ok)
	}
	if _, ok := Balanced(straight, Span{0, 0.1}, 2); ok {
		t.Error("a window from eleven samples")
	}
}
