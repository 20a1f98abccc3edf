package powercurve_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// long is a pull of a 15 s sweep and 30 s of coast-down on 20 channels.
func long(b testing.TB, rate float64) powercurve.Input {
	p := pulltest.Example()
	p.Hold, p.Ramp, p.Coast, p.Rate = 0.5, 15, 30, rate
	p.Accel, p.Bend = 31/p.Ramp, 0
	p.Random = rand.New(rand.NewPCG(1, 1))
	p.SpeedNoise, p.LoadNoise, p.EngineNoise = 0.01, 20, 1
	in := powercurve.Input{Cell: p.Cell, Vehicle: powercurve.VehicleOf(p.Car), Channels: p.Sample(), Correction: fleet.CorrectionSAEJ1349}
	for k := range 12 {
		in.Band = append(in.Band, p.Car.BandLow+(p.Car.BandHigh-p.Car.BandLow)*(float64(k)+0.5)/12)
	}
	clock := in.Channels[fleet.RollerSpeed].T
	slow := func(level, swing float64) channel.Series {
		x := make([]float64, len(clock))
		for i, t := range clock {
			x[i] = level + swing*math.Sin(t/3) + swing/20*p.Random.NormFloat64()
		}
		return channel.Series{T: clock, X: x}
	}
	for c, s := range map[fleet.Channel]channel.Series{
		fleet.IntakeAirTemperature: slow(300, 1), fleet.Boost: slow(1.8e5, 500), fleet.BoostSetPoint: slow(1.8e5, 500),
		fleet.IgnitionAngle: slow(0.3, 0.02), fleet.KnockRetard: slow(0.005, 0.002), fleet.Lambda: slow(0.88, 0.01),
		fleet.CoolantTemperature: slow(363, 1), fleet.OilTemperature: slow(375, 2), fleet.TyreTemperature: slow(315, 2),
		fleet.ThrottleAngle: slow(1.4, 0.001), fleet.RollerSpeedRear: in.Channels[fleet.RollerSpeed],
	} {
		in.Channels[c] = s
	}
	for k := len(in.Channels); k < 20; k++ {
		in.Channels[fleet.Channel(fmt.Sprintf("x_%d", k))] = slow(10, 1)
	}
	if len(in.Channels) != 20 {
		b.Fatalf("%d channels", len(in.Channels))
	}
	return in
}

// everything is all that is computed of a pull: curve with coast-down and U at
// every point, the budget of its headline figure, findings.
func everything(b testing.TB, in powercurve.Input) {
	ramp := 31.0 / 15 * 4.6 / 0.31
	c, err := powercurve.Reduce(in)
	if err != nil || c.NoEnginePower != "" {
		b.Fatal(err, c.NoEnginePower)
	}
	if _, err := c.PeakBudget(powercurve.CorrectedPower); err != nil {
		b.Fatal(err)
	}
	if f := finding.Judge(finding.Input{Pull: in, Curve: &c, RampRate: &ramp, BandLow: in.Band[0], BandHigh: in.Band[11], Limits: finding.DefaultLimits()}); len(f) > 3 {
		b.Fatalf("%d findings: %+v", len(f), f)
	}
}

// A pull of 15 s at 100 Hz on 20 channels takes less than 2 MB of new memory with
// coast-down, budget and findings; at 1 kHz less than ten times that.
func TestAllocation(t *testing.T) {
	for _, x := range []struct {
		rate float64
		most uint64 // bytes
	}{{100, 2e6}, {1000, 2e7}} {
		in := long(t, x.rate)
		const runs = 5
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for range runs {
			everything(t, in)
		}
		runtime.ReadMemStats(&after)
		each := (after.TotalAlloc - before.TotalAlloc) / runs
		t.Logf("%g Hz: %d bytes a pull", x.rate, each)
		if each >= x.most {
			t.Errorf("%g Hz: %d bytes a pull, at most %d", x.rate, each, x.most)
		}
	}
}

func benchmark(b *testing.B, rate float64) {
	in := long(b, rate)
	b.ReportAllocs()
	for b.Loop() {
		everything(b, in)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pulls/s")
}

func BenchmarkPull100Hz(b *testing.B) { benchmark(b, 100) }
func BenchmarkPull1kHz(b *testing.B)  { benchmark(b, 1000) }

// BenchmarkReduce is the curve alone, BenchmarkTrace the covariances of one
// figure along its grid.
func BenchmarkReduce(b *testing.B) {
	in := long(b, 100)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := powercurve.Reduce(in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTrace(b *testing.B) {
	c, err := powercurve.Reduce(long(b, 100))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Trace(powercurve.CorrectedPower, powercurve.OnPoints); err != nil {
			b.Fatal(err)
		}
	}
}
