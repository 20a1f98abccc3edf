package refrun

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// A hundred seeded pulls of cells, cars and ramps drawn at random, with noise
// on all channels and a ripple once a roller revolution: each is used, its sweep
// and coast-down are where they were put, and engine power at every point is
// within five standard uncertainties of the simulator's, and its mean over the
// band within four of the run's own.
func TestManyPulls(t *testing.T) {
	random := rand.New(rand.NewPCG(26, 52))
	between := func(low, high float64) float64 { return low + (high-low)*random.Float64() }
	worst := 0.0
	for i := range 100 {
		s := pulltest.Example()
		s.Random = random
		s.SpeedNoise, s.LoadNoise, s.EngineNoise, s.Ripple = between(0.002, 0.02), between(5, 40), between(0.5, 3), between(0, 0.01)
		s.Rate = []float64{50, 100, 200}[random.IntN(3)]
		s.Cell.BaseInertia = between(300, 1500)
		s.Cell.RollerRadius = between(0.15, 0.6)
		s.Cell.Parasitic = fleet.Loss{F0: between(10, 80), F1: between(0, 2), F2: between(0.005, 0.03)}
		s.Driveline = fleet.Loss{F0: between(80, 250), F1: between(0, 5), F2: between(0.2, 0.5)}
		s.Hold = between(0, 6)
		s.Accel = between(0.8, 4.5)
		// Up to 6100 rpm, whatever the rate, its end 0.6 to 1.2 of its start.
		rise := 6100*2*math.Pi/60*s.Car.TyreRadius/s.Car.GearRatio - s.Low
		end := between(0.6, 1.2)
		s.Ramp = rise / (s.Accel * (1 + end) / 2)
		s.Bend = (end - 1) * s.Accel / (2 * s.Ramp)
		s.Coast = 110
		s.NoEngine = random.IntN(4) == 0
		source := reduce(s, s.Cell, fmt.Sprint(i), monday)
		name := fmt.Sprintf("pull %d: %.1f m/s², %.1f s, %.0f kg, %.0f Hz, engine speed %v", i, s.Accel, s.Ramp, s.Cell.BaseInertia, s.Rate, !s.NoEngine)
		if source.Err != nil {
			t.Errorf("%s: %v", name, source.Err)
			continue
		}
		c := source.Curve
		if late, early := c.Sweep.Start-s.Hold, s.Hold+s.Ramp-c.Sweep.End; late < -0.05 || late > 0.8 || early < 0 || early > 0.4 {
			t.Errorf("%s: sweep %.3f to %.3f s, true %.3f to %.3f s", name, c.Sweep.Start, c.Sweep.End, s.Hold, s.Hold+s.Ramp)
		}
		if c.NoEnginePower != "" {
			t.Errorf("%s: %s", name, c.NoEnginePower)
			continue
		}
		mean := 0.0
		for _, p := range c.Band {
			if p.EnginePower != nil {
				mean += (*p.EnginePower/s.Power(p.EngineSpeed) - 1) / K
			}
		}
		for _, p := range append(c.Points, c.Band...) {
			if p.EnginePower == nil {
				t.Errorf("%s: no engine power at %.1f m/s: %s", name, p.Speed, c.LossNote)
				break
			}
			want := s.Power(p.EngineSpeed)
			if d := *p.EnginePower - want; math.Abs(d) > 5**p.UEnginePower {
				t.Errorf("%s: at %.0f rpm %.0f W, want %.0f ± %.0f W", name, p.EngineSpeed*60/(2*math.Pi), *p.EnginePower, want, *p.UEnginePower)
			}
		}
		run := Assemble(session, []Source{source})
		if len(run.Pulls) != 1 {
			t.Errorf("%s: left out: %s", name, run.LeftOut[0].Reason)
			continue
		}
		// 0.1 % for the coast-down, which the points share.
		_, u := BandMean(run.Pulls[0])
		worst = math.Max(worst, math.Abs(mean)/(4*u+0.001))
		if math.Abs(mean) > 4*u+0.001 {
			t.Errorf("%s: off by %.2f %% over the band, own noise %.2f %%", name, 100*mean, 100*u)
		}
	}
	t.Logf("largest error of engine power over the band: %.2f of what its noise allows", worst)
}
