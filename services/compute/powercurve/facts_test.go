package powercurve_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/intake"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

const (
	rpm        = 2 * math.Pi / 60   // rad/s
	horsepower = 745.69987158227022 // W, 550 ft·lbf/s
)

// A 10 K cooler intake is worth 5 to 6 hp on a car of about 490 hp (common
// practice, no source): eight simulated pulls of a car that truly loses 0.112 % a
// kelvin are reduced without a correction, and the sensitivity is fitted to what
// they give.
func TestTenKelvinThroughPulls(t *testing.T) {
	random := rand.New(rand.NewPCG(10, 1))
	const at, truth = 5400 * rpm, -0.00112
	var own []intake.Pull
	for i, celsius := range []float64{22, 38, 25, 41, 30, 35, 23, 40} {
		s := pulltest.Example()
		s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = random, 0.005, 10, 1
		s.Scale = 490 * horsepower / s.Power(at) * math.Exp(truth*(celsius-30)) * (1 + 0.0004*random.NormFloat64())
		in := powercurve.Input{
			Cell: s.Cell, Vehicle: powercurve.VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionNone,
			Band: []float64{5200 * rpm, at, 5600 * rpm},
		}
		intakeAir := channel.Series{T: in.Channels[fleet.RollerSpeed].T, X: make([]float64, len(in.Channels[fleet.RollerSpeed].T))}
		for k := range intakeAir.X {
			intakeAir.X[k] = celsius + 273.15
		}
		in.Channels[fleet.IntakeAirTemperature] = intakeAir
		c, err := powercurve.Reduce(in)
		if err != nil || c.NoEnginePower != "" {
			t.Fatal(err, c.NoEnginePower)
		}
		drawn, _ := channel.Mean(intakeAir.Between(c.Sweep))
		own = append(own, intake.Pull{
			ID: fleet.PullID(fmt.Sprint("p", i)), At: time.Date(2026, 7, 1, 9, 5*i, 0, 0, time.UTC), Group: "cell-1",
			Power: c.MeanEnginePower.Value, Temperature: drawn, DryPressure: c.Air.DryPressure(),
		})
	}
	fitted, err := intake.Fit("car-1", own, intake.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	gain, u, inside := fitted.Worth(490*horsepower, -10)
	t.Logf("10 K are worth %.2f ± %.2f hp", gain/horsepower, u/horsepower)
	if hp := gain / horsepower; hp < 5 || hp > 6 || !inside || math.Abs(gain+490*horsepower*10*truth) > 1.5*u {
		t.Errorf("10 K are worth %.2f ± %.2f hp", hp, u/horsepower)
	}
}

// A sweep of 14 s and one of 5 s over the same speeds are told apart by a finding,
// whichever of the two was asked for (common practice, no source).
func TestFourteenSecondsAgainstFive(t *testing.T) {
	judge := func(seconds, asked float64) []finding.Finding {
		s := pulltest.Example()
		s.Ramp, s.Accel, s.Bend = seconds, 29.7/seconds, 0
		s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = rand.New(rand.NewPCG(14, 5)), 0.01, 20, 1
		in := powercurve.Input{Cell: s.Cell, Vehicle: powercurve.VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionSAEJ1349}
		c, err := powercurve.Reduce(in)
		if err != nil {
			t.Fatal(err)
		}
		ramp := 29.7 / asked * s.Car.GearRatio / s.Car.TyreRadius
		return finding.Judge(finding.Input{Pull: in, Curve: &c, RampRate: &ramp, BandLow: s.Car.BandLow, BandHigh: s.Car.BandHigh, Limits: finding.DefaultLimits()})
	}
	for _, x := range []struct {
		seconds, asked, size float64
		word                 string
	}{{5, 14.5, 1.9, "faster"}, {14.5, 5, 0.655, "slower"}, {14.5, 14.5, 0, ""}, {5, 5, 0, ""}} {
		got := judge(x.seconds, x.asked)
		if x.word == "" {
			if len(got) != 0 {
				t.Errorf("%g s as asked: %+v", x.seconds, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Kind != finding.RampRate || !got[0].Disqualifying || math.Abs(got[0].Size-x.size) > 0.03 || !strings.Contains(got[0].Text, x.word) {
			t.Errorf("%g s where %g s were asked: %+v", x.seconds, x.asked, got)
		}
	}
}
