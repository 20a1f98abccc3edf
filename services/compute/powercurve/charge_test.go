package powercurve

import (
	"math"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// constant returns a channel that reads x all through another.
func constant(like channel.Series, x float64) channel.Series {
	s := channel.Series{T: like.T, X: make([]float64, len(like.T))}
	for i := range s.X {
		s.X[i] = x
	}
	return s
}

// TestCharge: the caution for a charged engine comes from a boost channel above
// the air pressure or from what is declared, and the compression-ignition factor
// from the fuel the channels log. pulltest's air is 98.2 kPa.
func TestCharge(t *testing.T) {
	s := pulltest.Example()
	clean := s.Sample()
	speed := clean[fleet.RollerSpeed]
	mean := 0.0 // engine speed over the sweep, for the fuel flow that gives q
	for i, at := range speed.T {
		if at >= s.Hold && at <= s.Hold+s.Ramp {
			mean += clean[fleet.EngineSpeed].X[i] / (s.Ramp*s.Rate + 1)
		}
	}
	const litres = 2.5
	for _, c := range []struct {
		name     string
		standard fleet.Correction
		car      fleet.Charging
		add      map[fleet.Channel]float64
		charged  bool
		fuel     float64 // mg/L; 0: no factor
		ratio    float64
	}{
		{"naturally aspirated", fleet.CorrectionSAEJ1349, "", nil, false, 0, 0},
		{"boost logged", fleet.CorrectionSAEJ1349, "", map[fleet.Channel]float64{fleet.Boost: 180e3}, true, 0, 0},
		{"manifold pressure of a natural engine", fleet.CorrectionSAEJ1349, "", map[fleet.Channel]float64{fleet.Boost: 97e3}, false, 0, 0},
		{"declared", fleet.CorrectionISO1585SI, fleet.ChargingMechanical, nil, true, 0, 0},
		{"fuel delivery logged", fleet.CorrectionISO1585CI, fleet.ChargingTurbo, map[fleet.Channel]float64{fleet.Boost: 196.4e3, fleet.FuelDelivery: 0.11}, true, 110, 2},
		// 120000·(g/s)/(L·rpm), UN R85 Annex 5, 5.4.2.2, turned round.
		{"fuel flow logged", fleet.CorrectionISO1585CI, fleet.ChargingTurbo, map[fleet.Channel]float64{fleet.Boost: 196.4e3, fleet.FuelFlow: 110. / 120000 * litres * (mean / rpm) / 1e3}, true, 110, 2},
		{"fuel of a natural engine", fleet.CorrectionISO1585CI, fleet.ChargingNone, map[fleet.Channel]float64{fleet.FuelDelivery: 0.05}, false, 50, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			channels := s.Sample()
			for name, x := range c.add {
				channels[name] = constant(speed, x)
			}
			car := s.Car
			car.Charging, car.Displacement = c.car, litres/1e3
			curve, err := Reduce(Input{Cell: s.Cell, Vehicle: VehicleOf(car), Channels: channels, Correction: c.standard})
			if err != nil || curve.Correction == nil {
				t.Fatal(err, curve.CorrectionNote)
			}
			if got := curve.Correction.Caution != ""; got != c.charged {
				t.Errorf("caution %q", curve.Correction.Caution)
			}
			if curve.PeakEnginePower == nil || curve.PeakCorrectedPower == nil {
				t.Error("the uncorrected and the corrected figure do not stand beside each other")
			}
			if c.fuel == 0 {
				return
			}
			want, err := correction.Factor(c.standard, correction.Conditions{
				DryPressure: curve.Air.DryPressure(), Temperature: curve.Air.Temperature, FuelDelivery: &c.fuel,
				ChargePressureRatio: &c.ratio, Turbocharged: c.car == fleet.ChargingTurbo,
			})
			// The sweep that is found and the one that was made differ a
			// little, and so does the mean engine speed the flow is put over.
			near := 1e-9
			if _, flow := c.add[fleet.FuelFlow]; flow {
				near = 0.03 * math.Abs(want.Factor-1)
			}
			if err != nil || math.Abs(curve.Correction.Factor-want.Factor) > near {
				t.Errorf("factor %v, want %v (%v)", curve.Correction.Factor, want.Factor, err)
			}
		})
	}
	// Without the fuel the factor is refused in words, not assumed.
	car := s.Car
	car.Charging = fleet.ChargingTurbo
	curve, err := Reduce(Input{Cell: s.Cell, Vehicle: VehicleOf(car), Channels: clean, Correction: fleet.CorrectionISO1585CI})
	if err != nil || curve.Correction != nil || !strings.Contains(curve.CorrectionNote, "fuel delivery") {
		t.Errorf("%v %v %q", err, curve.Correction, curve.CorrectionNote)
	}
}

// TestDIN: the barometer's uncertainty goes into DIN's factor: 50 Pa of 98.2 kPa
// and 0.5 K of 296 K, half for the root, by hand.
func TestDIN(t *testing.T) {
	s := pulltest.Example()
	curve, err := Reduce(Input{Cell: s.Cell, Vehicle: VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionDIN70020})
	if err != nil || curve.Correction == nil {
		t.Fatal(err, curve.CorrectionNote)
	}
	want := curve.Correction.Factor * math.Hypot(50/98.2e3, 0.5/(2*296))
	if math.Abs(curve.UFactor-want) > 1e-3*want {
		t.Errorf("u %v, want %v", curve.UFactor, want)
	}
}
