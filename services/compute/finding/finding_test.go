package finding

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// pull returns a noisy pull with every channel, hold 3 s, sweep 3 to 17 s.
func pull(seed uint64) powercurve.Input {
	s := pulltest.Example()
	s.Coast = 45
	s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = rand.New(rand.NewPCG(seed, 1)), 0.01, 20, 1
	channels := s.Sample()
	at := channels[fleet.RollerSpeed].T
	for name, f := range map[fleet.Channel]func(t float64) float64{
		fleet.RollerSpeedRear:      func(t float64) float64 { v, _ := channels[fleet.RollerSpeed].At(t); return v * 1.001 },
		fleet.IntakeAirTemperature: func(t float64) float64 { return 300 + 0.1*t },
		fleet.ThrottleAngle:        func(t float64) float64 { return 1.4 * within(t, 3, 17) },
		fleet.Boost:                func(t float64) float64 { return 1.8e5 },
		fleet.BoostSetPoint:        func(t float64) float64 { return 1.81e5 },
		fleet.KnockRetard:          func(t float64) float64 { return 0.005 },
	} {
		x := make([]float64, len(at))
		for i, t := range at {
			x[i] = f(t)
		}
		channels[name] = channel.Series{T: at, X: x}
	}
	return powercurve.Input{Cell: s.Cell, Vehicle: powercurve.VehicleOf(s.Car), Channels: channels, Correction: fleet.CorrectionSAEJ1349}
}

// within is 1 between from and to, else 0.
func within(t, from, to float64) float64 {
	if t >= from && t <= to {
		return 1
	}
	return 0
}

// spoil changes the samples of one channel between two times.
func spoil(in powercurve.Input, c fleet.Channel, from, to float64, f func(t, x float64) float64) {
	s := in.Channels[c]
	x := append([]float64{}, s.X...)
	for i, t := range s.T {
		if t >= from && t <= to {
			x[i] = f(t, x[i])
		}
	}
	in.Channels[c] = channel.Series{T: s.T, X: x}
}

// judge reduces and judges a pull asked for at its own rate.
func judge(in powercurve.Input, change func(*Input)) []Finding {
	const asked = 30.6 // rad/s²; the example's mean over the sweep, see TestCleanPull
	rate := asked
	j := Input{Pull: in, RampRate: &rate, BandLow: pulltest.Example().Car.BandLow, BandHigh: pulltest.Example().Car.BandHigh, Limits: DefaultLimits()}
	if c, err := powercurve.Reduce(in); err != nil {
		j.Err = err
	} else {
		j.Curve = &c
	}
	if change != nil {
		change(&j)
	}
	return Judge(j)
}

func TestCleanPull(t *testing.T) {
	if got := judge(pull(1), nil); len(got) != 0 {
		t.Errorf("a clean pull has findings: %+v", got)
	}
	c, err := powercurve.Reduce(pull(1))
	if err != nil {
		t.Fatal(err)
	}
	// dv/dt = 2.4 − 0.04·u m/s², over the 14 s about 2.1, times 4.6/0.31 rad/m.
	if math.Abs(c.RampRate-30.9) > 1 {
		t.Errorf("ramp rate %.2f rad/s²", c.RampRate)
	}
}

// Each fault put in is found, where it is, with its size, and nothing else
// disqualifies.
func TestJudge(t *testing.T) {
	degree := math.Pi / 180
	for _, c := range []struct {
		name          string
		spoil         func(in powercurve.Input)
		change        func(*Input)
		kind          Kind
		channel       fleet.Channel
		start, end    float64 // s; the tolerance is 0.3 s
		size          float64 // within 10 %
		disqualifying bool
		word          string
	}{
		{"ramp too fast", nil, func(j *Input) { r := *j.RampRate / 1.25; j.RampRate = &r },
			RampRate, "", 3.1, 16.9, 0.26, true, "faster"},
		{"ramp too slow", nil, func(j *Input) { r := *j.RampRate * 1.25; j.RampRate = &r },
			RampRate, "", 3.1, 16.9, 0.19, true, "slower"},
		{"band above", nil, func(j *Input) { j.BandHigh = 7000 * rpm },
			BandNotCovered, "", 3.1, 16.9, 72, true, "lift later"},
		{"band below", nil, func(j *Input) { j.BandLow = 1000 * rpm },
			BandNotCovered, "", 3.1, 16.9, 83, true, "Pedal down earlier"},
		{"gap", func(in powercurve.Input) {
			spoil(in, fleet.LoadCellForce, 8, 8.6, func(_, _ float64) float64 { return math.NaN() })
		}, nil, Gap, fleet.LoadCellForce, 8, 8.6, 0.62, true, "no samples that can be used"},
		{"gap elsewhere", func(in powercurve.Input) {
			spoil(in, fleet.AirPressure, 8, 10, func(_, _ float64) float64 { return math.NaN() })
		}, nil, Gap, fleet.AirPressure, 8, 10, 2.02, false, "no samples that can be used"},
		{"stuck", func(in powercurve.Input) {
			spoil(in, fleet.LoadCellForce, 8, 9, func(_, _ float64) float64 { return 1234.5 })
		}, nil, Stuck, fleet.LoadCellForce, 8, 9, 1, true, "exactly the same"},
		{"10⁹ rpm", func(in powercurve.Input) {
			spoil(in, fleet.EngineSpeed, 8, 9, func(_, _ float64) float64 { return 1e9 * rpm })
		}, nil, Impossible, fleet.EngineSpeed, 8, 9, 0.073, true, "1e+09 rpm"},
		{"a stray sample", func(in powercurve.Input) {
			spoil(in, fleet.EngineSpeed, 8, 8.005, func(_, _ float64) float64 { return -500 })
		}, nil, Impossible, fleet.EngineSpeed, 8, 8, 0.00073, false, "left out"},
		{"speed read in miles", func(in powercurve.Input) {
			// As if km/h were read where mph stand; the rear roller likewise.
			for _, c := range []fleet.Channel{fleet.RollerSpeed, fleet.RollerSpeedRear} {
				spoil(in, c, -1, 1e9, func(_, x float64) float64 { return x / 1.609344 })
			}
		}, nil, GearRatio, fleet.RollerSpeed, 3.1, 16.9, 0.609, true, "unit of the speed column"},
		{"slip", func(in powercurve.Input) {
			spoil(in, fleet.EngineSpeed, 3, 17, func(t, x float64) float64 { return x * (1 + 0.06*math.Exp(-(t-10)*(t-10))) })
		}, nil, Slip, fleet.EngineSpeed, 10, 10, 0.06, true, "slip"},
		{"rollers", func(in powercurve.Input) {
			spoil(in, fleet.RollerSpeedRear, 0, 99, func(_, x float64) float64 { return x * 0.95 })
		}, nil, RollerDifference, fleet.RollerSpeedRear, 3.1, 16.9, 0.049, true, "link"},
		{"throttle", func(in powercurve.Input) {
			spoil(in, fleet.ThrottleAngle, 12, 13, func(_, x float64) float64 { return x - 20*degree })
		}, nil, ThrottleClosing, fleet.ThrottleAngle, 12, 13, 20 * degree, true, "20°"},
		{"knock, a little", func(in powercurve.Input) {
			spoil(in, fleet.KnockRetard, 12, 13, func(_, _ float64) float64 { return 2 * degree })
		}, nil, Knock, fleet.KnockRetard, 12, 13, 2 * degree, false, "fuel"},
		{"knock, logged as negative", func(in powercurve.Input) {
			spoil(in, fleet.KnockRetard, 12, 13, func(_, _ float64) float64 { return -5 * degree })
		}, nil, Knock, fleet.KnockRetard, 12, 13, 5 * degree, true, "fuel"},
		{"intake hot", func(in powercurve.Input) {
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(_, x float64) float64 { return x + 45 })
		}, nil, IntakeHot, fleet.IntakeAirTemperature, 3.1, 16.9, 49.9, true, "fan"},
		{"intake climbing", func(in powercurve.Input) {
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(t, x float64) float64 { return x + t - 3 })
		}, nil, IntakeClimbing, fleet.IntakeAirTemperature, 3.1, 16.9, 13.7, false, "cool"},
		// The simulator's equations: over 0.95 of 3500 N from 9.62 to 13.19 s,
		// 3469.6 N at most.
		{"brake limit", nil, func(j *Input) { j.Pull.Cell.BrakeLimit = 3500 },
			BrakeLimit, fleet.LoadCellForce, 9.62, 13.19, 0.991, true, "hold"},
		{"load cell range", nil, func(j *Input) { j.Pull.Cell.LoadCellRange = 1750 },
			BrakeLimit, fleet.LoadCellForce, 9.62, 13.19, 0.991, true, "range"},
		{"boost", func(in powercurve.Input) {
			spoil(in, fleet.Boost, 12, 99, func(_, x float64) float64 { return x * 0.9 })
		}, nil, BoostLow, fleet.Boost, 12, 16.9, 0.105, true, "leak"},
		{"no coast-down", func(in powercurve.Input) {
			for name, s := range in.Channels {
				in.Channels[name] = s.Between(channel.Span{Start: 0, End: 17.1})
			}
		}, nil, NoCoastDown, "", 3.1, 16.9, 1, false, "neutral"},
		{"short coast-down", func(in powercurve.Input) {
			for name, s := range in.Channels {
				in.Channels[name] = s.Between(channel.Span{Start: 0, End: 35})
			}
		}, nil, CoastDownShort, "", 3.1, 16.9, 1, false, "roll out longer"},
		{"no humidity", func(in powercurve.Input) { delete(in.Channels, fleet.RelativeHumidity) }, nil,
			NotCorrected, "", 3.1, 16.9, 1, true, "humidity"},
		{"thin air", func(in powercurve.Input) {
			spoil(in, fleet.AirPressure, 0, 99, func(_, _ float64) float64 { return 85000 })
		}, nil, OutsideStandard, "", 3.1, 16.9, 1.2, false, "outside"},
		{"time falls", func(in powercurve.Input) {
			in.Channels[fleet.OilTemperature] = channel.Series{T: []float64{1, 0}, X: []float64{350, 350}}
		}, nil, Unreadable, fleet.OilTemperature, 0, 0, 0, false, "clock"},
		{"no sweep", func(in powercurve.Input) {
			spoil(in, fleet.RollerSpeed, 0, 99, func(_, _ float64) float64 { return 20 })
		}, nil, Unreadable, "", 0, 0, 0, true, "no sweep"},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := pull(7)
			if c.spoil != nil {
				c.spoil(in)
			}
			got := judge(in, c.change)
			found := false
			for _, f := range got {
				if f.Kind != c.kind || f.Channel != c.channel {
					// What cannot be is also not there.
					if f.Disqualifying && !(c.kind == Impossible && f.Kind == Gap && f.Channel == c.channel) {
						t.Errorf("also disqualifies: %+v", f)
					}
					continue
				}
				found = true
				if math.Abs(f.Start-c.start) > 0.3 || math.Abs(f.End-c.end) > 0.3 {
					t.Errorf("from %.2f to %.2f s, want %.2f to %.2f s", f.Start, f.End, c.start, c.end)
				}
				if math.Abs(f.Size-c.size) > 0.1*c.size {
					t.Errorf("size %.4g, want %.4g", f.Size, c.size)
				}
				if f.Disqualifying != c.disqualifying || f.Unit == "" || !strings.Contains(f.Text, c.word) || !strings.HasSuffix(f.Text, ".") {
					t.Errorf("%+v: want disqualifying %v and the word %q", f, c.disqualifying, c.word)
				}
			}
			if !found {
				t.Errorf("not found in %+v", got)
			}
			if text, bad := Disqualified(got); bad != c.disqualifying || bad != (text != "") {
				t.Errorf("disqualified %v by %q", bad, text)
			}
		})
	}
}

// A short dip of throttle or knock is nothing.
func TestShortDipIsNothing(t *testing.T) {
	in := pull(3)
	spoil(in, fleet.ThrottleAngle, 12, 12.1, func(_, x float64) float64 { return x - 0.5 })
	spoil(in, fleet.KnockRetard, 12, 12.1, func(_, _ float64) float64 { return 0.3 })
	if got := judge(in, nil); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

// A sweep the cell never asked a rate for, and a car without a band, are judged
// by the rest.
func TestNothingAsked(t *testing.T) {
	got := judge(pull(3), func(j *Input) { j.RampRate, j.BandLow, j.BandHigh = nil, 0, 0 })
	if len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

func TestJudgeTwiceIsEqual(t *testing.T) {
	in := pull(5)
	spoil(in, fleet.EngineSpeed, 8, 9, func(_, _ float64) float64 { return 1e9 })
	spoil(in, fleet.KnockRetard, 8, 9, func(_, _ float64) float64 { return 0.1 })
	spoil(in, fleet.RollerSpeedRear, 0, 99, func(_, x float64) float64 { return 0.9 * x })
	a := judge(in, nil)
	if len(a) < 3 {
		t.Fatalf("%+v", a)
	}
	for range 10 {
		if b := judge(in, nil); !reflect.DeepEqual(a, b) {
			t.Fatalf("%+v\n%+v", a, b)
		}
	}
}

// FuzzJudge spoils a channel and holds that no number in a finding is not
// finite and every finding says something.
func FuzzJudge(f *testing.F) {
	f.Add(uint8(0), 8.0, 9.0, math.NaN(), 0.0)
	f.Add(uint8(3), 0.0, 99.0, 1e300, 1e300)
	f.Add(uint8(8), -1.0, 30.0, math.Inf(-1), 1.0)
	names := []fleet.Channel{fleet.RollerSpeed, fleet.RollerSpeedRear, fleet.LoadCellForce, fleet.EngineSpeed, fleet.AirPressure,
		fleet.AirTemperature, fleet.RelativeHumidity, fleet.IntakeAirTemperature, fleet.Pedal, fleet.ThrottleAngle,
		fleet.Boost, fleet.BoostSetPoint, fleet.KnockRetard}
	clean := pull(9)
	f.Fuzz(func(t *testing.T, which uint8, from, to, value, scale float64) {
		in := clean
		in.Channels = map[fleet.Channel]channel.Series{}
		for k, v := range clean.Channels {
			in.Channels[k] = v
		}
		spoil(in, names[int(which)%len(names)], from, to, func(_, x float64) float64 { return x*scale + value })
		rate := value
		for _, x := range judge(in, func(j *Input) {
			if which > 200 {
				j.RampRate, j.BandLow, j.BandHigh = &rate, from, to
			}
			if which > 240 {
				j.Curve, j.Err = nil, errors.New("none")
			}
		}) {
			if x.Size-x.Size != 0 || x.Start-x.Start != 0 || x.End-x.End != 0 || x.Text == "" || x.Unit == "" || x.End < x.Start {
				t.Fatalf("%+v", x)
			}
		}
	})
}
