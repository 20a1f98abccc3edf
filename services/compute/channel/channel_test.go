package channel

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"rollcall/services/fleet"
)

// clock returns n times from t0 by step.
func clock(n int, t0, step float64) []float64 {
	t := make([]float64, n)
	for i := range t {
		t[i] = t0 + float64(i)*step
	}
	return t
}

// sample returns f at each time.
func sample(t []float64, f func(float64) float64) Series {
	x := make([]float64, len(t))
	for i := range t {
		x[i] = f(t[i])
	}
	return Series{T: t, X: x}
}

// near reports whether a and b agree within tolerance.
func near(a, b, tolerance float64) bool { return math.Abs(a-b) <= tolerance }

// Integer weights: scipy 1.10.1 savgol_coeffs(window, order, deriv=d, pos=p,
// use='dot').
func TestWeightsAgreeWithScipy(t *testing.T) {
	const tolerance = 1e-13 // of weights of order 1
	for _, c := range []struct {
		name                           string
		window, order, deriv, position int
		divisor                        float64
		weights                        []float64
	}{
		{"quadratic 5", 5, 2, 0, 2, 35, []float64{-3, 12, 17, 12, -3}},
		{"quadratic 7", 7, 2, 0, 3, 21, []float64{-2, 3, 6, 7, 6, 3, -2}},
		{"quadratic 9", 9, 2, 0, 4, 231, []float64{-21, 14, 39, 54, 59, 54, 39, 14, -21}},
		{"cubic 11", 11, 3, 0, 5, 429, []float64{-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36}},
		{"quartic 7", 7, 4, 0, 3, 231, []float64{5, -30, 75, 131, 75, -30, 5}},
		{"quartic 9", 9, 4, 0, 4, 429, []float64{15, -55, 30, 135, 179, 135, 30, -55, 15}},
		{"slope, quadratic 5", 5, 2, 1, 2, 10, []float64{-2, -1, 0, 1, 2}},
		{"slope, quadratic 7", 7, 2, 1, 3, 28, []float64{-3, -2, -1, 0, 1, 2, 3}},
		{"slope, cubic 5", 5, 3, 1, 2, 12, []float64{1, -8, 0, 8, -1}},
		{"slope, cubic 7", 7, 3, 1, 3, 252, []float64{22, -67, -58, 0, 58, 67, -22}},
		{"second, quadratic 5", 5, 2, 2, 2, 7, []float64{2, -1, -2, -1, 2}},
		{"second, quadratic 7", 7, 2, 2, 3, 42, []float64{5, 0, -3, -4, -3, 0, 5}},
		{"first point of 5", 5, 2, 0, 0, 35, []float64{31, 9, -3, -5, 3}},
		{"last point of 5", 5, 2, 0, 4, 35, []float64{3, -5, -3, 9, 31}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := Weights(c.window, c.order, c.deriv, c.position)
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range c.weights {
				if !near(got[i], w/c.divisor, tolerance) {
					t.Errorf("weight %d: got %.15f, want %.15f", i, got[i], w/c.divisor)
				}
			}
		})
	}
}

func TestWeightsRefuseWindow(t *testing.T) {
	for _, c := range [][4]int{{4, 2, 0, 1}, {5, 5, 0, 2}, {5, 2, 0, 5}, {5, 2, 0, -1}, {5, -1, 0, 2}, {5, 2, -1, 2}, {-1, 0, 0, 0}} {
		if _, err := Weights(c[0], c[1], c[2], c[3]); !errors.Is(err, ErrWindow) {
			t.Errorf("Weights(%v): got error %v, want ErrWindow", c, err)
		}
	}
}

// Values: scipy 1.10.1 savgol_filter([2,2,5,2,1,0,1,4,9], 5, 2), and with
// deriv=1, delta=0.1. Even clock and an uneven one that is off by less than a
// nanosecond must agree, so both paths are held to them.
func TestSmoothAgreesWithScipy(t *testing.T) {
	const tolerance = 1e-9 // digits printed
	x := []float64{2, 2, 5, 2, 1, 0, 1, 4, 9}
	value := []float64{1.657142857, 3.171428571, 3.542857143, 2.857142857, 0.657142857, 0.171428571, 1, 4, 9}
	slope := []float64{20.857142857, 9.428571429, -2, -8, -10, 4, 20, 40, 60}
	w := Window{Length: 0.4, Order: 2}
	var even Smoothed
	if err := Smooth(&even, Series{T: clock(9, 0, 0.1), X: x}, w); err != nil {
		t.Fatal(err)
	}
	uneven := Smoothed{Window: Window{Length: 0.4 + 1e-9, Order: 2}}
	uneven.Value, uneven.Slope, uneven.USlope = make([]float64, 9), make([]float64, 9), make([]float64, 9)
	smoothUneven(&uneven, Series{T: clock(9, 0, 0.1), X: x})
	for i := range x {
		for name, got := range map[string]Smoothed{"even": even, "uneven": uneven} {
			if !near(got.Value[i], value[i], tolerance) || !near(got.Slope[i], slope[i], 10*tolerance) {
				t.Errorf("%s clock, sample %d: got %.9f, %.9f, want %.9f, %.9f",
					name, i, got.Value[i], got.Slope[i], value[i], slope[i])
			}
		}
		if !near(even.USlope[i]/even.Noise, uneven.USlope[i]/uneven.Noise, tolerance) {
			t.Errorf("sample %d: variance factors differ: %g, %g", i, even.USlope[i]/even.Noise, uneven.USlope[i]/uneven.Noise)
		}
	}
}

// A cubic passes a cubic window unchanged, on any clock, with samples missing,
// at the ends too: by construction.
func TestSmoothKeepsCubic(t *testing.T) {
	const tolerance = 1e-9
	f := func(t float64) float64 { return 3 + t*(2+t*(-0.7+0.11*t)) }
	slope := func(t float64) float64 { return 2 + t*(-1.4+0.33*t) }
	random := rand.New(rand.NewPCG(1, 2))
	jittered := clock(300, 5, 0.01)
	for i := range jittered {
		jittered[i] += 0.004 * (random.Float64() - 0.5)
	}
	missing := sample(clock(300, 5, 0.01), f)
	for _, i := range []int{0, 17, 18, 19, 150, 299} {
		missing.X[i] = math.NaN()
	}
	for name, s := range map[string]Series{
		"even": sample(clock(300, 5, 0.01), f), "uneven": sample(jittered, f), "missing": missing,
	} {
		var out Smoothed
		if err := Smooth(&out, s, WindowFor(100)); err != nil {
			t.Fatal(err)
		}
		for i, at := range s.T {
			if !near(out.Value[i], f(at), tolerance) || !near(out.Slope[i], slope(at), 100*tolerance) {
				t.Fatalf("%s: at %g s got %.12g, %.12g, want %.12g, %.12g", name, at, out.Value[i], out.Slope[i], f(at), slope(at))
			}
		}
	}
}

// The stated uncertainty of the slope is the spread seen in seeded runs.
func TestSlopeUncertainty(t *testing.T) {
	const noise, runs = 0.02, 400
	random := rand.New(rand.NewPCG(7, 1))
	at := clock(101, 0, 0.01)
	for _, position := range []int{0, 50} {
		var sum, stated, seen float64
		var out Smoothed
		for range runs {
			s := sample(at, func(t float64) float64 { return 20 + 2*t + noise*random.NormFloat64() })
			if err := Smooth(&out, s, WindowFor(100)); err != nil {
				t.Fatal(err)
			}
			sum += (out.Slope[position] - 2) * (out.Slope[position] - 2)
			stated += out.USlope[position] / runs
			seen += out.Noise / runs
		}
		spread := math.Sqrt(sum / runs)
		// 400 runs know a standard deviation to 3.5 %: three of those.
		if math.Abs(spread/stated-1) > 0.11 {
			t.Errorf("position %d: slopes spread %g, stated %g", position, spread, stated)
		}
		if math.Abs(seen/noise-1) > 0.02 {
			t.Errorf("position %d: noise %g, want %g", position, seen, noise)
		}
	}
}

// The stated pass band is where the slope of a sampled sine comes out 3 dB down.
func TestPassBand(t *testing.T) {
	w := WindowFor(100)
	f := w.PassBand(0.01)
	s := sample(clock(2001, 0, 0.01), func(t float64) float64 { return math.Sin(2 * math.Pi * f * t) })
	var out Smoothed
	if err := Smooth(&out, s, w); err != nil {
		t.Fatal(err)
	}
	top := 0.0
	for _, v := range out.Slope[200:1800] {
		top = max(top, v)
	}
	if got := top / (2 * math.Pi * f); !near(got, math.Sqrt2/2, 0.002) {
		t.Errorf("at %.3f Hz the slope passes by %.4f, want 0.7071", f, got)
	}
	// As WindowFor's comment says.
	if !near(f, 2.45, 0.01) {
		t.Errorf("pass band %.3f Hz, WindowFor says 2.45", f)
	}
	// The same window in seconds has the same band at another rate.
	if g := w.PassBand(0.001); !near(g/f, 1, 0.05) {
		t.Errorf("pass band %.3f Hz at 1 kHz, %.3f Hz at 100 Hz", g, f)
	}
}

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		name string
		s    Series
		want error
	}{
		{"good", Series{T: []float64{0, 1}, X: []float64{1, math.NaN()}}, nil},
		{"empty", Series{}, ErrEmpty},
		{"lengths", Series{T: []float64{0, 1}, X: []float64{1}}, ErrLength},
		{"backwards", Series{T: []float64{0, 1, 0.5}, X: []float64{1, 2, 3}}, ErrClock},
		{"twice", Series{T: []float64{0, 1, 1}, X: []float64{1, 2, 3}}, ErrClock},
		{"time missing", Series{T: []float64{0, math.NaN(), 1}, X: []float64{1, 2, 3}}, ErrClock},
		{"time infinite", Series{T: []float64{0, math.Inf(1)}, X: []float64{1, 2}}, ErrClock},
		{"milliseconds of an epoch", Series{T: []float64{1.7e12, 1.7e12 + 1}, X: []float64{1, 2}}, ErrClock},
	} {
		t.Run(c.name, func(t *testing.T) {
			if err := Check(c.s); !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
		})
	}
}

func TestInspect(t *testing.T) {
	s := sample(clock(1000, 0, 0.01), func(t float64) float64 { return 100 + t })
	for i := 200; i < 260; i++ {
		s.X[i] = math.NaN() // good samples at 1.99 and 2.60 s
	}
	for i := 400; i < 405; i++ {
		s.X[i] = 1e9 * 2 * math.Pi / 60
	}
	for i := 600; i <= 700; i++ {
		s.X[i] = 106
	}
	s.X[900] = 1e12
	q := Inspect(s, RangeOf(fleet.EngineSpeed), 0.05)
	if q.Samples != 1000 || q.Missing != 60 || q.Outside != 6 || q.Good() != 934 || q.Gaps != 2 {
		t.Errorf("counts: %+v", q)
	}
	if !near(q.LongestGap.Start, 1.99, 1e-9) || !near(q.LongestGap.End, 2.60, 1e-9) {
		t.Errorf("gap: %+v", q.LongestGap)
	}
	if !near(q.FirstBad.Start, 4, 1e-9) || !near(q.FirstBad.End, 4.04, 1e-9) || q.WorstBad != 1e12 {
		t.Errorf("outside: %+v, %g", q.FirstBad, q.WorstBad)
	}
	if !near(q.LongestHold.Start, 6, 1e-9) || !near(q.LongestHold.End, 7, 1e-9) {
		t.Errorf("hold: %+v", q.LongestHold)
	}
	if !near(q.Step, 0.01, 1e-12) || !q.Uniform || q.Low != 100 || !near(q.High, 109.99, 1e-9) {
		t.Errorf("step %g, uniform %v, low %g, high %g", q.Step, q.Uniform, q.Low, q.High)
	}
	if c := Clean(s, RangeOf(fleet.EngineSpeed)); len(c.T) != 934 || Check(c) != nil {
		t.Errorf("cleaned: %d samples, %v", len(c.T), Check(c))
	}
}

func TestResample(t *testing.T) {
	s := Series{T: []float64{0, 1, 2, 10}, X: []float64{0, 10, 30, 30}}
	got := Resample(nil, s, []float64{-1, 0, 0.25, 1.5, 2, 5, 10, 11}, 2)
	want := []float64{math.NaN(), 0, 2.5, 20, 30, math.NaN(), 30, math.NaN()}
	for i := range want {
		if got[i] != want[i] && !(math.IsNaN(got[i]) && math.IsNaN(want[i])) {
			t.Errorf("at %d: got %g, want %g", i, got[i], want[i])
		}
	}
}

// Scaling the samples scales value, slope and noise; scaling time divides the
// slope.
func TestSmoothScales(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	s := sample(clock(200, 0, 0.01), func(t float64) float64 { return math.Sin(t) + 0.01*random.NormFloat64() })
	scaled := Series{T: clock(200, 0, 0.02), X: make([]float64, 200)}
	for i, x := range s.X {
		scaled.X[i] = 4 * x
	}
	var a, b Smoothed
	if err := Smooth(&a, s, Window{0.5, 3}); err != nil {
		t.Fatal(err)
	}
	if err := Smooth(&b, scaled, Window{1, 3}); err != nil {
		t.Fatal(err)
	}
	for i := range a.Value {
		if !near(b.Value[i], 4*a.Value[i], 1e-12) || !near(b.Slope[i], 2*a.Slope[i], 1e-10) || !near(b.USlope[i], 2*a.USlope[i], 1e-10) {
			t.Fatalf("sample %d: %g %g %g from %g %g %g", i, b.Value[i], b.Slope[i], b.USlope[i], a.Value[i], a.Slope[i], a.USlope[i])
		}
	}
}

func TestFitLocalRefusesBunchedSamples(t *testing.T) {
	s := Series{T: []float64{0, 1e-13, 2e-13, 3e-13, 4e-13, 1}, X: []float64{1, 2, 3, 4, 5, 6}}
	if f, ok := FitLocal(s, 0.5, Span{0, 1}, 3); ok {
		t.Errorf("got %+v from samples at two places", f)
	}
	if _, ok := FitLocal(s, 0.5, Span{0.2, 0.8}, 1); ok {
		t.Error("got a fit from no samples")
	}
}

// FuzzSmooth holds that whatever passes Check gives finite numbers or NaN on
// missing samples, never a panic, and that a stated uncertainty is not negative.
func FuzzSmooth(f *testing.F) {
	f.Add(uint64(1), 50, 0.01, 0.5, 1.0)
	f.Add(uint64(2), 7, 1e-9, 0.5, 1e300)
	f.Fuzz(func(t *testing.T, seed uint64, n int, step, length, size float64) {
		if n < 0 || n > 500 || !(step > 0) || !(length > 0) {
			return
		}
		random := rand.New(rand.NewPCG(seed, 0))
		s := Series{}
		at := 0.0
		for range n {
			at += step * (0.2 + random.Float64())
			x := size * random.NormFloat64()
			if random.IntN(10) == 0 {
				x = math.NaN()
			}
			s.T, s.X = append(s.T, at), append(s.X, x)
		}
		if Check(s) != nil {
			return
		}
		var out Smoothed
		if Smooth(&out, s, Window{Length: length, Order: 3}) != nil {
			return
		}
		for i := range out.Value {
			if out.USlope[i] < 0 {
				t.Fatalf("negative uncertainty %g", out.USlope[i])
			}
		}
		Inspect(s, Everything, step)
	})
}

func BenchmarkSmooth(b *testing.B) {
	s := sample(clock(1500, 0, 0.01), math.Sin)
	var out Smoothed
	b.ReportAllocs()
	for b.Loop() {
		if err := Smooth(&out, s, WindowFor(100)); err != nil {
			b.Fatal(err)
		}
	}
}

// The slope of a running sum of noise spreads as VarSlopeOfSum says, in the
// middle of the window and at its end. In the middle it is 2.5/N, by hand: the
// slope's weights on −1 … 1 are 75/8·u − 105/8·u³, their running sum
// 15/32·(3 − 10u² + 7u⁴), whose square integrates to 1.25 against 0.5 of a mean.
func TestVarSlopeOfSum(t *testing.T) {
	const runs, step = 2000, 0.01
	random := rand.New(rand.NewPCG(21, 1))
	at := clock(101, 0, step)
	for _, position := range []float64{0.5, 1} {
		sum, stated := 0.0, 0.0
		for range runs {
			s := Series{T: at, X: make([]float64, len(at))}
			for i := 1; i < len(at); i++ {
				s.X[i] = s.X[i-1] + step*random.NormFloat64()
			}
			f, ok := FitLocal(s, position, Span{0, 1}, 3)
			if !ok {
				t.Fatal("no fit")
			}
			sum += f.Slope * f.Slope / runs
			stated = f.VarSlopeOfSum(s)
		}
		if math.Abs(sum/stated-1) > 3*math.Sqrt(2.0/runs) {
			t.Errorf("at %g: variance %.5f, stated %.5f", position, sum, stated)
		}
		if position == 0.5 && !near(stated*100/2.5, 1, 0.05) {
			t.Errorf("stated %.5f, want about 2.5/100", stated)
		}
	}
}

func TestBetweenAndThin(t *testing.T) {
	s := sample(clock(1000, 0, 0.01), func(t float64) float64 { return 3 * t })
	for _, c := range []struct {
		span Span
		n    int
	}{{Span{-1, 100}, 1000}, {Span{0.995, 1.995}, 100}, {Span{1, 1}, 1}, {Span{2, 1}, 0}, {Span{100, 200}, 0}, {Span{1, 2}, 101}} {
		// The ends as the clock has them, so that rounding decides nothing.
		span := c.span
		for _, end := range []*float64{&span.Start, &span.End} {
			if i := int(math.Round(*end * 100)); i >= 0 && i < 1000 && near(*end*100, float64(i), 1e-9) {
				*end = s.T[i]
			}
		}
		if got := s.Between(span); len(got.T) != c.n || len(got.X) != c.n {
			t.Errorf("between %v: %d samples, want %d", c.span, len(got.T), c.n)
		}
	}
	s.X[502] = math.NaN()
	thin := Thin(s, 0.05)
	if len(thin.T) != 200 || Check(thin) != nil {
		t.Fatalf("%d blocks, %v", len(thin.T), Check(thin))
	}
	for i, at := range thin.T {
		// The block with the missing sample: the mean of the other four.
		if want := 3 * at; !near(thin.X[i], want, 1e-12) && i != 100 {
			t.Errorf("block %d at %g s: %g, want %g", i, at, thin.X[i], want)
		}
	}
	if again := Thin(thin, 0.05); &again.T[0] != &thin.T[0] {
		t.Error("a series as coarse as asked for was copied")
	}
}

// FuzzFitLocal holds that a fit is finite and its residuals are not negative.
func FuzzFitLocal(f *testing.F) {
	f.Add(uint64(1), 50, 0.01, 1.0, 0.3, 3)
	f.Add(uint64(2), 5, 1e-9, 1e300, 0.0, 2)
	f.Fuzz(func(t *testing.T, seed uint64, n int, step, size, where float64, order int) {
		if n < 0 || n > 300 || order < 0 || order > 3 {
			return
		}
		random := rand.New(rand.NewPCG(seed, 0))
		s := Series{}
		for i := range n {
			s.T, s.X = append(s.T, float64(i)*step), append(s.X, size*random.NormFloat64())
		}
		if Check(s) != nil {
			return
		}
		got, ok := FitLocal(s, s.T[0]+where*(s.T[n-1]-s.T[0]), Span{s.T[0], s.T[n-1]}, order)
		if ok && (!isFinite(got.Value) || !isFinite(got.Slope) || !isFinite(got.Second) || !isFinite(got.VarSlope) || !isFinite(got.VarValue) || got.RSS < 0 || !isFinite(got.RSS)) {
			t.Fatalf("%+v", got)
		}
	})
}
