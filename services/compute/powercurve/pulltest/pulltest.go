// Package pulltest makes pulls whose every quantity is known in closed form, for
// the tests of powercurve, finding and refrun.
package pulltest

import (
	"math"
	"math/rand/v2"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

const rpm = 2 * math.Pi / 60 // rad/s

// Pull is a pull whose every quantity is known in closed form: a hold, a
// ramp v(t) = v0 + a·t + b·t² or a rise in steps, lift-off with the clutch down, a
// coast-down by the closed form of coastdown.Time. The engine's torque curve is given; the
// brake force is what the equation of motion leaves for it.
type Pull struct {
	Cell fleet.Cell // as it truly is
	Car  fleet.Car
	// What the driveline and tyres truly take.
	Driveline fleet.Loss

	Low, Accel, Bend  float64 // m/s, m/s², m/s³
	Hold, Ramp, Coast float64 // s
	Rate              float64 // Hz
	// The brake's control hunts: dv/dt swings by Hunt, m/s², at HuntRate, Hz
	// (whole swings in the ramp).
	Hunt, HuntRate float64

	// Steps, when not 0, makes the sweep one in so many equal steps to the same
	// top: each rises for StepRise, s, and is held for the rest of its share of
	// Ramp.
	Steps    int
	StepRise float64
	// Drag is what the brake still holds in the coast-down, N at the roller; its
	// load cell reads it.
	Drag fleet.Loss
	// Scale multiplies the engine's torque; 0 is 1.
	Scale float64
	// Shape, when not nil, is the engine's torque, N·m, over engine speed as a
	// ratio of 4500 rpm, in place of the usual.
	Shape func(x float64) float64

	Calibration loadcell.Calibration // true: readings are made with it

	SpeedNoise, LoadNoise, EngineNoise float64 // m/s, N at the arm, rad/s
	Ripple                             float64 // m/s, once a roller revolution
	Random                             *rand.Rand
	NoEngine, NoCoast                  bool
}

// Example returns a pull of 14 s from 1900 to 6100 rpm with a long coast-down.
func Example() Pull {
	return Pull{
		Cell: fleet.Cell{
			ID: "cell-1", RollerRadius: 0.3, LeverArm: 0.5, BrakeRatio: 1.2, BaseInertia: 900,
			Parasitic: fleet.Loss{F0: 40, F1: 1.5, F2: 0.02}, BrakeLimit: 9000, LoadCellRange: 6000,
			U: fleet.CellUncertainty{
				RollerRadius: 1e-4, LeverArm: 2e-4, BaseInertia: 3, Parasitic: 4, Speed: 2e-4, LoadCell: 1e-3,
				AirPressure: 50, AirTemperature: 0.5, Humidity: 0.02,
			},
		},
		Car: fleet.Car{
			ID: "car-1", GearRatio: 4.6, TyreRadius: 0.31, RotatingMass: 85, CoastingMass: 35,
			BandLow: 2200 * rpm, BandHigh: 5800 * rpm, RampRates: []float64{400 * rpm, 800 * rpm},
		},
		Driveline: fleet.Loss{F0: 150, F1: 3, F2: 0.35},
		Low:       1900 * rpm / (4.6 / 0.31), Accel: 2.4, Bend: -0.02,
		Hold: 3, Ramp: 14, Coast: 45, Rate: 100,
	}
}

// Torque is the engine's, N·m, with a dip and a fall as curves have them.
func (s *Pull) Torque(n float64) float64 {
	x := n / (4500 * rpm)
	scale := s.Scale
	if scale == 0 {
		scale = 1
	}
	return scale * s.shape(x)
}

func (s *Pull) shape(x float64) float64 {
	if s.Shape != nil {
		return s.Shape(x)
	}
	return 420*math.Exp(-1.2*(x-1)*(x-1)) - 12*math.Exp(-60*(x-0.8)*(x-0.8))
}

// Power is the engine's true power at engine speed n, W.
func (s *Pull) Power(n float64) float64 { return s.Torque(n) * n }

// total is the loss in neutral, rollers and car, N.
func (s *Pull) total() fleet.Loss {
	p, d := s.Cell.Parasitic, s.Driveline
	return fleet.Loss{F0: p.F0 + d.F0, F1: p.F1 + d.F1, F2: p.F2 + d.F2}
}

// top is the speed at lift-off, m/s.
func (s *Pull) top() float64 { return s.Low + s.Ramp*(s.Accel+s.Ramp*s.Bend) }

// stepped returns speed and acceleration at time u of a sweep in steps.
func (s *Pull) stepped(u float64) (v, a float64) {
	share := s.Ramp / float64(s.Steps)
	k := min(int(u/share), s.Steps-1)
	rise := (s.top() - s.Low) / float64(s.Steps)
	v = s.Low + rise*float64(k)
	x := (u - share*float64(k)) / s.StepRise
	if x >= 1 {
		return v + rise, 0
	}
	return v + rise*x*x*(3-2*x), rise * 6 * x * (1 - x) / s.StepRise
}

// StepSpans returns when the steps of a sweep in steps are held, s.
func (s *Pull) StepSpans() []channel.Span {
	var out []channel.Span
	share := s.Ramp / float64(s.Steps)
	for k := range s.Steps {
		start := s.Hold + share*float64(k)
		out = append(out, channel.Span{Start: start + s.StepRise, End: start + share})
	}
	return out
}

// Join returns records one after the other, each gap seconds, bridged by
// straight lines, after the one before; and when each begins.
func Join(gap float64, records ...map[fleet.Channel]channel.Series) (map[fleet.Channel]channel.Series, []float64) {
	out := map[fleet.Channel]channel.Series{}
	var begins []float64
	next := 0.0
	for _, record := range records {
		begin, end := next, next
		for name, s := range record {
			joined := out[name]
			step := s.T[1] - s.T[0]
			if n := len(joined.T); n > 0 {
				from, x := joined.T[n-1], joined.X[n-1]
				for k := 1; float64(k)*step < begin-from-step/2; k++ {
					w := float64(k) * step / (begin - from)
					joined.T = append(joined.T, from+float64(k)*step)
					joined.X = append(joined.X, x*(1-w)+s.X[0]*w)
				}
			}
			for i, t := range s.T {
				joined.T, joined.X = append(joined.T, begin+t), append(joined.X, s.X[i])
			}
			out[name] = joined
			end = max(end, begin+s.T[len(s.T)-1])
		}
		begins = append(begins, begin)
		next = end + gap
	}
	return out, begins
}

// Sample returns the channels of the pull.
func (s *Pull) Sample() map[fleet.Channel]channel.Series {
	end := s.Hold + s.Ramp
	if !s.NoCoast {
		end += s.Coast
	}
	count := int(math.Round(end*s.Rate)) + 1
	ratio := s.Car.GearRatio / s.Car.TyreRadius
	total := s.total()
	coasting := fleet.Loss{F0: total.F0 + s.Drag.F0, F1: total.F1 + s.Drag.F1, F2: total.F2 + s.Drag.F2}
	mass := s.Cell.BaseInertia + s.Car.CoastingMass
	topSpeed := s.top()
	root := math.Sqrt(4*coasting.F0*coasting.F2 - coasting.F1*coasting.F1)
	angle := math.Atan((2*coasting.F2*topSpeed + coasting.F1) / root)

	make1 := func() channel.Series {
		return channel.Series{T: make([]float64, count), X: make([]float64, count)}
	}
	speed, load, engine, pedal := make1(), make1(), make1(), make1()
	pressure, temperature, humidity := make1(), make1(), make1()
	gauss := func(sigma float64) float64 {
		if sigma == 0 {
			return 0
		}
		return sigma * s.Random.NormFloat64()
	}
	turned := 0.0
	for i := range count {
		t := float64(i) / s.Rate
		var v, brake, n, down float64
		switch u := t - s.Hold; {
		case u < 0:
			v, n = s.Low, s.Low*ratio
			brake = 300
		case u <= s.Ramp:
			v = s.Low + u*(s.Accel+u*s.Bend)
			a := s.Accel + 2*u*s.Bend
			if s.Steps > 0 {
				v, a = s.stepped(u)
			}
			if s.Hunt != 0 {
				w := 2 * math.Pi * s.HuntRate
				v += s.Hunt / w * math.Sin(w*u)
				a += s.Hunt * math.Cos(w*u)
			}
			n, down = v*ratio, 1
			brake = s.Power(n)/v - (s.Cell.BaseInertia+s.Car.RotatingMass)*a - total.At(v)
		default:
			if x := angle - root*(u-s.Ramp)/(2*mass); x > math.Atan(coasting.F1/root) {
				v = (root*math.Tan(x) - coasting.F1) / (2 * coasting.F2)
				brake = s.Drag.At(v)
			} // else it stands
			n = math.Max(85, topSpeed*ratio-300*(u-s.Ramp))
		}
		turned += v / s.Rate
		for _, c := range []struct {
			to *channel.Series
			x  float64
		}{
			{&speed, v + gauss(s.SpeedNoise) + s.Ripple*math.Sin(turned/s.Cell.RollerRadius)},
			{&load, s.Calibration.Reading(brake*s.Cell.RollerRadius/(s.Cell.LeverArm*s.Cell.BrakeRatio)) + gauss(s.LoadNoise)},
			{&engine, n + gauss(s.EngineNoise)}, {&pedal, down},
			{&pressure, 98200}, {&temperature, 296.15}, {&humidity, 0.45},
		} {
			c.to.T[i], c.to.X[i] = t, c.x
		}
	}
	out := map[fleet.Channel]channel.Series{
		fleet.RollerSpeed: speed, fleet.LoadCellForce: load, fleet.EngineSpeed: engine, fleet.Pedal: pedal,
		fleet.AirPressure: pressure, fleet.AirTemperature: temperature, fleet.RelativeHumidity: humidity,
	}
	if s.NoEngine {
		delete(out, fleet.EngineSpeed)
	}
	return out
}
