package channel

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"rollcall/services/fleet"
)

// speedLike returns a noisy roller speed that climbs, turns at 7 s and falls.
func speedLike(random *rand.Rand, noise float64) Series {
	return sample(clock(1000, 0, 0.01), func(t float64) float64 {
		v := 10 + 2.4*t
		if t > 7 {
			v = 10 + 2.4*7 - 0.9*(t-7)
		}
		return v + noise*random.NormFloat64()
	})
}

// forceLike returns a load cell that is let on at 1 s, hunts, and lets go at 8 s.
func forceLike(random *rand.Rand, noise float64) Series {
	return sample(clock(1000, 0, 0.01), func(t float64) float64 {
		f := 0.0
		if t > 1 && t < 8 {
			f = 2500 + 300*math.Sin(0.5*t) + 80*math.Sin(9*t)
		}
		return f + noise*random.NormFloat64()
	})
}

// Nothing is dropped from good channels: a corner, a step, a hunting brake,
// noise, coarse digits, a clock that jitters.
func TestNoSpikeInGoodSamples(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 1))
	judged := 0
	for range 100 {
		all := map[string]Series{
			"speed": speedLike(random, 0.01), "quiet speed": speedLike(random, 1e-4), "exact speed": speedLike(random, 0),
			"force": forceLike(random, 20), "quiet force": forceLike(random, 0.5), "exact force": forceLike(random, 0),
		}
		coarse := speedLike(random, 0.002)
		for i, x := range coarse.X {
			coarse.X[i] = math.Round(x/0.05) * 0.05
		}
		all["coarse"] = coarse
		jittered := speedLike(random, 0.001)
		jittered.T = append([]float64{}, jittered.T...)
		for i := range jittered.T {
			jittered.T[i] += 0.003 * random.Float64()
			jittered.X[i] += 2 * (jittered.T[i] - float64(i)*0.01)
		}
		all["jittered"] = jittered
		slow := Series{}
		hunting := forceLike(random, 20)
		for i := 0; i < 1000; i += 10 {
			slow.T, slow.X = append(slow.T, hunting.T[i]), append(slow.X, hunting.X[i])
		}
		all["slow"] = slow
		for name, s := range all {
			judged += len(s.X)
			if got := spikes(s); len(got) > 0 {
				t.Fatalf("%s: %d spikes, the first of %g at sample %d", name, len(got), got[0].off, got[0].index)
			}
			if c := Clean(s, RangeOf(fleet.RollerSpeed)); name != "slow" && name != "force" && len(c.X) != len(s.X) && name[len(name)-5:] == "speed" {
				t.Fatalf("%s: %d of %d samples kept", name, len(c.X), len(s.X))
			}
		}
	}
	t.Logf("%d samples judged", judged)
}

// Spikes of one to four samples, up or down, are found where they are, with
// their size, and only they are dropped.
func TestSpikesFound(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 2))
	for _, c := range []struct {
		name string
		s    func() Series
		size float64
		r    Range
	}{
		{"speed", func() Series { return speedLike(random, 0.01) }, 0.5, RangeOf(fleet.RollerSpeed)},
		{"speed, large", func() Series { return speedLike(random, 0.01) }, -12, RangeOf(fleet.RollerSpeed)},
		{"force", func() Series { return forceLike(random, 20) }, 700, RangeOf(fleet.LoadCellForce)},
		{"force, to the rail", func() Series { return forceLike(random, 20) }, 40000, RangeOf(fleet.LoadCellForce)},
	} {
		for long := 1; long <= 4; long++ {
			s := c.s()
			at := map[int]bool{}
			for k, i := range []int{250, 333, 500, 690} {
				for j := range long {
					at[i+j] = true
					s.X[i+j] += c.size
				}
				if k == 2 { // the worst
					for j := range long {
						s.X[i+j] += c.size / 2
					}
				}
			}
			q := Inspect(s, c.r, 0.1)
			if q.Spikes != 4*long || math.Abs(q.WorstSpike/(1.5*c.size)-1) > 0.2 || !near(q.Spike.End, 5+0.01*float64(long-1), 1e-9) ||
				!(q.Spike.Start >= 5-1e-9 && q.Spike.Start <= q.Spike.End) {
				t.Errorf("%s, %d long: %d spikes, worst %g at %+v", c.name, long, q.Spikes, q.WorstSpike, q.Spike)
			}
			clean := Clean(s, c.r)
			if len(clean.X) != 1000-4*long {
				t.Errorf("%s, %d long: %d samples kept", c.name, long, len(clean.X))
			}
			for _, time := range clean.T {
				if at[int(math.Round(time*100))] {
					t.Errorf("%s, %d long: the spike at %g s was kept", c.name, long, time)
				}
			}
		}
	}
	// Of a channel that may jump nothing is dropped.
	s := speedLike(random, 0.01)
	s.X[300] += 5
	if got := Clean(s, Everything); &got.X[0] != &s.X[0] {
		t.Error("a spike was dropped from a channel that may jump")
	}
	// When every tenth sample jumps the signal itself is like that.
	for i := 5; i < 1000; i += 10 {
		s.X[i] += 5
	}
	if got := Clean(s, RangeOf(fleet.RollerSpeed)); len(got.X) != 1000 {
		t.Errorf("%d of 1000 samples kept where 100 jump", len(got.X))
	}
	if q := Inspect(s, RangeOf(fleet.RollerSpeed), 1); q.Spikes != 101 {
		t.Errorf("%d spikes, want 101", q.Spikes)
	}
}

// Each fault of a clock is told, with its size, and mended.
func TestClockFaults(t *testing.T) {
	good := func() Series { return sample(clock(1000, 0, 0.01), func(t float64) float64 { return 5 + t }) }
	for _, c := range []struct {
		name  string
		spoil func(t []float64)
		kept  int
		ok    func(q Quality) bool
	}{
		{"good", func([]float64) {}, 1000, func(q Quality) bool { return q.Duplicates+q.StepsBack+q.StampMissing == 0 && q.Uniform }},
		{"two at one time", func(t []float64) { t[400], t[401], t[700] = t[399], t[399], t[699] }, 997,
			func(q Quality) bool {
				return q.Duplicates == 3 && q.StepsBack == 0 && q.Duplicate == Span{3.99, 3.99}
			}},
		{"set back by 0.5 s", func(t []float64) {
			for i := 600; i < 1000; i++ {
				t[i] -= 0.505
			}
		}, 950, func(q Quality) bool {
			return q.StepsBack == 1 && near(q.LargestBack, 0.495, 1e-9) && near(q.StepBack.Start, 5.495, 1e-9) && near(q.StepBack.End, 5.99, 1e-9)
		}},
		{"one stamp far ahead", func(t []float64) { t[300] = 5e6 }, 999,
			func(q Quality) bool { return q.StepsBack == 1 && q.LargestBack > 4.9e6 }},
		{"begun anew", func(t []float64) {
			for i := 900; i < 1000; i++ {
				t[i] = float64(i-900) * 0.01
			}
		}, 900, func(q Quality) bool { return q.StepsBack == 1 && near(q.LargestBack, 8.99, 1e-9) }},
		{"no number", func(t []float64) { t[0], t[500] = math.NaN(), math.Inf(1) }, 998,
			func(q Quality) bool { return q.StampMissing == 2 && q.StepsBack == 0 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := good()
			s.T = append([]float64{}, s.T...)
			c.spoil(s.T)
			if q := Inspect(s, Everything, 1); !c.ok(q) || q.Samples != c.kept {
				t.Errorf("%+v", q)
			}
			tidy, dropped := Tidy(s)
			if len(tidy.T) != c.kept || dropped != 1000-c.kept {
				t.Fatalf("%d kept, %d dropped, want %d kept", len(tidy.T), dropped, c.kept)
			}
			if err := Check(tidy); err != nil {
				t.Error(err)
			}
			if dropped == 0 && &tidy.T[0] != &s.T[0] {
				t.Error("a good series was copied")
			}
		})
	}
}

func TestJitter(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 3))
	s := sample(clock(4000, 0, 0.01), func(t float64) float64 { return t })
	if q := Inspect(s, Everything, 1); q.Jitter > 1e-12 {
		t.Errorf("jitter %g on an even clock", q.Jitter)
	}
	s.T = append([]float64{}, s.T...)
	for i := range s.T {
		s.T[i] += 0.001 * random.NormFloat64()
	}
	// From 63 steps: known to a sixth or so.
	if q := Inspect(s, Everything, 1); math.Abs(q.Jitter/0.001-1) > 0.35 || q.Uniform {
		t.Errorf("jitter %g s, uniform %v, want 0.001 s", q.Jitter, q.Uniform)
	}
}

func TestQuantum(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 4))
	for _, want := range []float64{0.5, 0.01, 1} {
		s := forceLike(random, 20)
		for i, x := range s.X {
			s.X[i] = math.Round(x/want) * want
		}
		q := Inspect(s, Everything, 1)
		// A step so small against the noise may not be seen in 255 differences.
		if q.Quantum != 0 && math.Abs(math.Round(q.Quantum/want)-q.Quantum/want) > 1e-6 || want >= 0.5 && !near(q.Quantum, want, 1e-9) {
			t.Errorf("quantum %g, want %g", q.Quantum, want)
		}
	}
	if q := Inspect(forceLike(random, 20), Everything, 1); q.Quantum != 0 || math.Abs(q.Noise/20-1) > 0.25 {
		t.Errorf("quantum %g, noise %g of noise 20", q.Quantum, q.Noise)
	}
}

// A parabola cut off at the top is told with about how much was cut, a rounded
// top that is not is left alone, whatever its digits.
func TestClipped(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 5))
	hill := func(noise, limit, digits float64) Series {
		return sample(clock(1000, 0, 0.01), func(t float64) float64 {
			x := 3500 - 40*(t-5)*(t-5) + noise*random.NormFloat64()
			if digits > 0 {
				x = math.Round(x/digits) * digits
			}
			return min(x, limit)
		})
	}
	for _, c := range []struct {
		name       string
		s          Series
		cut        float64 // about; 0: not clipped
		start, end float64
	}{
		{"free", hill(0, 1e9, 0), 0, 0, 0},
		{"free, coarse", hill(0, 1e9, 10), 0, 0, 0},
		{"free, noisy", hill(5, 1e9, 0), 0, 0, 0},
		{"free, noisy, digits", hill(5, 1e9, 1), 0, 0, 0},
		{"free, noisy, coarse", hill(5, 1e9, 50), 0, 0, 0},
		// 3500 − 40·d² = 3400: d = 1.58 s.
		{"cut", hill(0, 3400, 0), 100, 3.42, 6.58},
		{"cut, digits", hill(0, 3400, 1), 100, 3.42, 6.58},
		{"cut, noisy", hill(2, 3400, 0), 100, 3.42, 6.58},
	} {
		t.Run(c.name, func(t *testing.T) {
			q := Inspect(c.s, Everything, 1)
			if q.IsClipped() != (c.cut > 0) {
				t.Fatalf("clipped %v: %+v, cut %g", q.IsClipped(), q.Clip, q.Cut)
			}
			if c.cut > 0 && (math.Abs(q.Cut/c.cut-1) > 0.25 || !near(q.Clip.Start, c.start, 0.15) || !near(q.Clip.End, c.end, 0.15) || q.Clipped != 3400) {
				t.Errorf("cut %g at %g, %+v", q.Cut, q.Clipped, q.Clip)
			}
		})
	}
	// So noisy that the limit is hit now and then.
	if q := Inspect(hill(40, 3500, 0), Everything, 1); !q.IsClipped() || q.Clipped != 3500 {
		t.Errorf("%+v", q)
	}
	// Cut at the bottom: the mirror image.
	low := hill(0, 3400, 0)
	for i, x := range low.X {
		low.X[i] = -x
	}
	if q := Inspect(low, Everything, 1); !q.IsClipped() || q.Clipped != -3400 || math.Abs(q.Cut/100-1) > 0.25 {
		t.Errorf("%+v", q)
	}
}

// Channels of 10 to 1000 Hz, each begun at its own time, come to one clock at
// their own values; what the clock cannot show is averaged, not folded.
func TestCommonClock(t *testing.T) {
	ramp := func(t float64) float64 { return 3 * t }
	channels := map[fleet.Channel]Series{
		fleet.RollerSpeed:   sample(clock(1000, 0.3, 0.01), ramp),
		fleet.LoadCellForce: sample(clock(11000, 0, 0.001), ramp),
		fleet.AirPressure:   sample(clock(101, 0.1, 0.1), ramp),
	}
	c, err := CommonClock(channels, fleet.RollerSpeed, fleet.AirPressure)
	if err != nil || c.Start != 0.3 || !near(c.Step, 0.01, 1e-9) || c.N != 981 {
		t.Fatalf("%+v, %v", c, err)
	}
	for name, s := range channels {
		got := OnClock(nil, s, c, 0.2)
		for i, x := range got {
			if !near(x, ramp(c.At(i)), 2e-3) { // half a fast step
				t.Fatalf("%s at %g s: %g, want %g", name, c.At(i), x, ramp(c.At(i)))
			}
		}
	}
	if fast, err := CommonClock(channels, fleet.RollerSpeed, fleet.LoadCellForce); err != nil || !near(fast.Step, 0.001, 1e-9) {
		t.Errorf("%+v, %v", fast, err)
	}
	if _, err := CommonClock(channels, fleet.RollerSpeed, fleet.Boost); err == nil {
		t.Error("a channel that is absent came on the clock")
	}
	// 95 Hz on a 100 Hz clock would be 5 Hz by picking samples; its mean over a
	// step is sin(0.95π)/(0.95π) = 0.052 of it, by hand.
	ripple := sample(clock(10000, 0, 0.001), func(t float64) float64 { return math.Sin(2 * math.Pi * 95 * t) })
	most := 0.0
	for _, x := range OnClock(nil, ripple, Clock{Start: 0.5, Step: 0.01, N: 900}, 0.1) {
		most = math.Max(most, math.Abs(x))
	}
	if math.Abs(most-0.052) > 0.005 {
		t.Errorf("a 95 Hz ripple of 1 is %g on a 100 Hz clock", most)
	}
	// A gap stays one.
	gap := Series{T: []float64{0, 0.01, 0.5, 0.51}, X: []float64{1, 1, 2, 2}}
	if got := OnClock(nil, gap, Clock{Step: 0.01, N: 52}, 0.1); !math.IsNaN(got[25]) || got[1] != 1 || got[51] != 2 {
		t.Errorf("%v", got)
	}
}

// FuzzInspect gives any times and samples: nothing panics, what Tidy and Clean
// keep can be computed with, and every figure is a number.
func FuzzInspect(f *testing.F) {
	f.Add(uint64(1), 100, 0.01, uint8(0), 0.0)
	f.Add(uint64(2), 300, 0.01, uint8(255), 1e300)
	f.Add(uint64(3), 20, 1e-9, uint8(7), math.Inf(1))
	f.Add(uint64(4), 999, 10.0, uint8(31), math.NaN())
	f.Fuzz(func(t *testing.T, seed uint64, n int, step float64, what uint8, value float64) {
		if n < 0 || n > 1000 {
			return
		}
		random := rand.New(rand.NewPCG(seed, 0))
		s := Series{}
		at := 0.0
		for range n {
			at += step
			stamp, x := at, 10+at+random.NormFloat64()
			switch k := random.IntN(40); {
			case k == 0 && what&1 != 0:
				stamp = at - 3*step
			case k == 1 && what&2 != 0:
				stamp = value
			case k == 2 && what&4 != 0:
				x = value
			case what&8 != 0:
				x = math.Min(math.Round(x), 12)
			case what&16 != 0:
				x *= value
			}
			s.T, s.X = append(s.T, stamp), append(s.X, x)
		}
		for _, r := range []Range{Everything, RangeOf(fleet.RollerSpeed)} {
			q := Inspect(s, r, 0.1)
			for _, x := range []float64{q.Step, q.LongestGap.Start, q.LongestGap.End, q.Low, q.High, q.First, q.Last, q.WorstBad,
				q.LongestHold.Start, q.LongestHold.End, q.Jitter, q.LargestBack, q.Noise, q.Quantum, q.Cut, q.Clipped,
				q.Clip.Start, q.Clip.End, q.WorstSpike, q.Spike.Start, q.Spike.End} {
				if !isFinite(x) {
					t.Fatalf("%+v", q)
				}
			}
			tidy, dropped := Tidy(s)
			if len(tidy.T)+dropped != n || q.Samples != len(tidy.T) {
				t.Fatalf("%d kept, %d dropped of %d; %d samples", len(tidy.T), dropped, n, q.Samples)
			}
			if len(tidy.T) == 0 {
				continue
			}
			if err := Check(tidy); err != nil {
				t.Fatal(err)
			}
			clean := Clean(tidy, r)
			for _, x := range clean.X {
				if !r.Holds(x) {
					t.Fatalf("kept %g", x)
				}
			}
			if len(clean.T) > 0 {
				if b, ok := Balanced(clean, Span{clean.T[0], clean.T[len(clean.T)-1]}, 2); ok && !(b.Window.Length > 0) {
					t.Fatalf("%+v", b)
				}
			}
		}
		if reflect.ValueOf(Inspect(s, Everything, 1)).IsZero() && n > 0 && len(s.T) == 0 {
			t.Fatal("nothing said")
		}
	})
}

func BenchmarkInspect(b *testing.B) {
	s := speedLike(rand.New(rand.NewPCG(31, 6)), 0.01)
	b.ReportAllocs()
	for b.Loop() {
		Inspect(s, RangeOf(fleet.RollerSpeed), 0.1)
	}
}

func BenchmarkClean(b *testing.B) {
	s := speedLike(rand.New(rand.NewPCG(31, 6)), 0.01)
	b.ReportAllocs()
	for b.Loop() {
		Clean(s, RangeOf(fleet.RollerSpeed))
	}
}

func BenchmarkBalanced(b *testing.B) {
	s := speedLike(rand.New(rand.NewPCG(31, 6)), 0.01)
	b.ReportAllocs()
	for b.Loop() {
		Balanced(s, Span{0, 7}, 2)
	}
}
