package powercurve

import (
	"math"
	"math/rand/v2"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// simulated is a pull whose every quantity is known in closed form: a hold, a
// ramp v(t) = v0 + a·t + b·t², lift-off with the clutch down, a coast-down by
// the closed form of coastdown.Time. The engine's torque curve is given; the
// brake force is what the equation of motion leaves for it.
type simulated struct {
	cell fleet.Cell // as it truly is
	car  fleet.Car
	// What the driveline and tyres truly take.
	driveline fleet.Loss

	low, accel, bend  float64 // m/s, m/s², m/s³
	hold, ramp, coast float64 // s
	rate              float64 // Hz

	calibration loadcell.Calibration // true: readings are made with it

	speedNoise, loadNoise, engineNoise float64 // m/s, N at the arm, rad/s
	ripple                             float64 // m/s, once a roller revolution
	random                             *rand.Rand
	noEngine, noCoast                  bool
}

func example() simulated {
	return simulated{
		cell: fleet.Cell{
			ID: "cell-1", RollerRadius: 0.3, LeverArm: 0.5, BrakeRatio: 1.2, BaseInertia: 900,
			Parasitic: fleet.Loss{F0: 40, F1: 1.5, F2: 0.02}, BrakeLimit: 9000, LoadCellRange: 6000,
			U: fleet.CellUncertainty{
				RollerRadius: 1e-4, LeverArm: 2e-4, BaseInertia: 3, Parasitic: 4, Speed: 2e-4, LoadCell: 1e-3,
				AirPressure: 50, AirTemperature: 0.5, Humidity: 0.02,
			},
		},
		car: fleet.Car{
			ID: "car-1", GearRatio: 4.6, TyreRadius: 0.31, RotatingMass: 85, CoastingMass: 35,
			BandLow: 2200 * rpm, BandHigh: 5800 * rpm, RampRates: []float64{400 * rpm, 800 * rpm},
		},
		driveline: fleet.Loss{F0: 150, F1: 3, F2: 0.35},
		low:       1900 * rpm / (4.6 / 0.31), accel: 2.4, bend: -0.02,
		hold: 3, ramp: 14, coast: 45, rate: 100,
	}
}

// torque is the engine's, N·m, with a dip and a fall as curves have them.
func (s *simulated) torque(n float64) float64 {
	x := n / (4500 * rpm)
	return 420*math.Exp(-1.2*(x-1)*(x-1)) - 12*math.Exp(-60*(x-0.8)*(x-0.8))
}

// power is the engine's true power at engine speed n, W.
func (s *simulated) power(n float64) float64 { return s.torque(n) * n }

// total is the loss in neutral, rollers and car, N.
func (s *simulated) total() fleet.Loss {
	p, d := s.cell.Parasitic, s.driveline
	return fleet.Loss{F0: p.F0 + d.F0, F1: p.F1 + d.F1, F2: p.F2 + d.F2}
}

// sample returns the channels of the pull.
func (s *simulated) sample() map[fleet.Channel]channel.Series {
	end := s.hold + s.ramp
	if !s.noCoast {
		end += s.coast
	}
	count := int(math.Round(end*s.rate)) + 1
	ratio := s.car.GearRatio / s.car.TyreRadius
	total := s.total()
	mass := s.cell.BaseInertia + s.car.CoastingMass
	topSpeed := s.low + s.ramp*(s.accel+s.ramp*s.bend)
	root := math.Sqrt(4*total.F0*total.F2 - total.F1*total.F1)
	angle := math.Atan((2*total.F2*topSpeed + total.F1) / root)

	make1 := func() channel.Series {
		return channel.Series{T: make([]float64, count), X: make([]float64, count)}
	}
	speed, load, engine, pedal := make1(), make1(), make1(), make1()
	pressure, temperature, humidity := make1(), make1(), make1()
	gauss := func(sigma float64) float64 {
		if sigma == 0 {
			return 0
		}
		return sigma * s.random.NormFloat64()
	}
	turned := 0.0
	for i := range count {
		t := float64(i) / s.rate
		var v, brake, n, down float64
		switch u := t - s.hold; {
		case u < 0:
			v, n = s.low, s.low*ratio
			brake = 300
		case u <= s.ramp:
			v = s.low + u*(s.accel+u*s.bend)
			a := s.accel + 2*u*s.bend
			n, down = v*ratio, 1
			brake = s.power(n)/v - (s.cell.BaseInertia+s.car.RotatingMass)*a - total.At(v)
		default:
			v = (root*math.Tan(angle-root*(u-s.ramp)/(2*mass)) - total.F1) / (2 * total.F2)
			n = math.Max(85, topSpeed*ratio-300*(u-s.ramp))
		}
		turned += v / s.rate
		for _, c := range []struct {
			to *channel.Series
			x  float64
		}{
			{&speed, v + gauss(s.speedNoise) + s.ripple*math.Sin(turned/s.cell.RollerRadius)},
			{&load, s.calibration.Zero + (1+s.calibration.Gain)*brake*s.cell.RollerRadius/(s.cell.LeverArm*s.cell.BrakeRatio) + gauss(s.loadNoise)},
			{&engine, n + gauss(s.engineNoise)}, {&pedal, down},
			{&pressure, 98200}, {&temperature, 296.15}, {&humidity, 0.45},
		} {
			c.to.T[i], c.to.X[i] = t, c.x
		}
	}
	out := map[fleet.Channel]channel.Series{
		fleet.RollerSpeed: speed, fleet.LoadCellForce: load, fleet.EngineSpeed: engine, fleet.Pedal: pedal,
		fleet.AirPressure: pressure, fleet.AirTemperature: temperature, fleet.RelativeHumidity: humidity,
	}
	if s.noEngine {
		delete(out, fleet.EngineSpeed)
	}
	return out
}

// input returns the pull as the computation sees it: with the registry's cell,
// which may differ from the true one.
func (s *simulated) input(registry fleet.Cell) Input {
	return Input{Cell: registry, Vehicle: VehicleOf(s.car), Channels: s.sample(), Correction: fleet.CorrectionSAEJ1349}
}
