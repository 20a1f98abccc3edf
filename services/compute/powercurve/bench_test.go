package powercurve

import (
	"math/rand/v2"
	"testing"

	"rollcall/services/compute/powercurve/pulltest"
)

// long is a pull of a 15 s sweep and 30 s of coast-down.
func long(rate float64) Input {
	p := pulltest.Example()
	p.Hold, p.Ramp, p.Coast, p.Rate = 0.5, 15, 30, rate
	p.Accel, p.Bend = 31/p.Ramp, 0
	p.Random = rand.New(rand.NewPCG(1, 1))
	p.SpeedNoise, p.LoadNoise, p.EngineNoise = 0.01, 20, 1
	in := input(&p, p.Cell)
	in.Band = band(p.Car)
	return in
}

func benchmark(b *testing.B, rate float64, budget bool) {
	in := long(rate)
	b.ReportAllocs()
	for b.Loop() {
		c, err := Reduce(in)
		if err != nil || c.NoEnginePower != "" {
			b.Fatal(err, c.NoEnginePower)
		}
		if !budget {
			continue
		}
		if _, err := c.PeakBudget(CorrectedPower); err != nil {
			b.Fatal(err)
		}
		for i := range c.Points {
			if c.Points[i].EnginePower == nil {
				continue
			}
			if _, err := c.Budget(EnginePower, OnPoints, i); err != nil {
				b.Fatal(err)
			}
		}
	}
}

func BenchmarkReduce100Hz(b *testing.B)           { benchmark(b, 100, false) }
func BenchmarkReduce1kHz(b *testing.B)            { benchmark(b, 1000, false) }
func BenchmarkReduceAndBudgets100Hz(b *testing.B) { benchmark(b, 100, true) }
func BenchmarkReduceAndBudgets1kHz(b *testing.B)  { benchmark(b, 1000, true) }
