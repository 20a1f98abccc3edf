package finding

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// add gives a pull a channel that it does not log, on the roller speed's clock.
func add(in powercurve.Input, c fleet.Channel, f func(t float64) float64) {
	at := in.Channels[fleet.RollerSpeed].T
	x := make([]float64, len(at))
	for i, t := range at {
		x[i] = f(t)
	}
	in.Channels[c] = channel.Series{T: at, X: x}
}

// every calls f with every n-th sample's index of a copy of a channel.
func every(in powercurve.Input, c fleet.Channel, n int, f func(x []float64, i int)) {
	s := in.Channels[c]
	x := append([]float64{}, s.X...)
	for i := n; i < len(x); i += n {
		f(x, i)
	}
	in.Channels[c] = channel.Series{T: s.T, X: x}
}

// Each fault put in is found, where it is, with its size, and nothing else
// disqualifies.
func TestJudgeFaults(t *testing.T) {
	random := rand.New(rand.NewPCG(77, 1))
	for _, c := range []struct {
		name          string
		spoil         func(in powercurve.Input)
		change        func(*Input)
		kind          Kind // empty: nothing is found
		channel       fleet.Channel
		start, end    float64 // s; the tolerance is 0.3 s
		size          float64 // within 10 %
		disqualifying bool
		word          string
	}{
		{"a spike in the roller speed", func(in powercurve.Input) {
			spoil(in, fleet.RollerSpeed, 10, 10.015, func(_, x float64) float64 { return x + 3 })
		}, nil, Spiking, fleet.RollerSpeed, 10, 10, 3, false, "2 of"},
		{"many spikes in the load cell", func(in powercurve.Input) {
			every(in, fleet.LoadCellForce, 40, func(x []float64, i int) { x[i] += 900 })
			spoil(in, fleet.LoadCellForce, 10, 10.005, func(_, x float64) float64 { return x + 2000 })
			// The 1000th sample is one of them: 2900 N.
		}, nil, Spiking, fleet.LoadCellForce, 10, 10, 2900, true, "shield"},
		// From the clean pull's smooth force: over 1600 N from 9.4 to 13.8 s, by
		// 135 N at most, on a hill much steeper on its left: half is seen.
		{"load cell clipped", func(in powercurve.Input) {
			spoil(in, fleet.LoadCellForce, 0, 99, func(_, x float64) float64 { return math.Min(x, 1600) })
		}, nil, Clipped, fleet.LoadCellForce, 9.38, 13.77, 66, true, "1600 N"},
		// sin(t/3) is 0.5 at 1.57 and 7.85 s; the sweep begins at 3.1 s, where it
		// already stands, so that half of the missing 5 kPa is seen.
		{"boost sensor at its end", func(in powercurve.Input) {
			spoil(in, fleet.Boost, 0, 99, func(t, _ float64) float64 { return math.Min(1.8e5+1e4*math.Sin(t/3), 1.85e5) })
			spoil(in, fleet.BoostSetPoint, 0, 99, func(t, _ float64) float64 { return 1.8e5 })
		}, nil, Clipped, fleet.Boost, 3.1, 7.9, 2940, false, "range"},
		{"coarse speed", func(in powercurve.Input) {
			spoil(in, fleet.RollerSpeed, 0, 99, func(_, x float64) float64 { return math.Round(x*5) / 5 })
		}, nil, Quantised, fleet.RollerSpeed, 3.1, 16.9, 0.2, false, "digits"},
		{"oil temperature's clock set back", func(in powercurve.Input) {
			add(in, fleet.OilTemperature, func(float64) float64 { return 365 })
			s := in.Channels[fleet.OilTemperature]
			at := append([]float64{}, s.T...)
			for i := range at {
				if at[i] > 12 {
					at[i] -= 1
				}
			}
			in.Channels[fleet.OilTemperature] = channel.Series{T: at, X: s.X}
		}, nil, ClockFault, fleet.OilTemperature, 11, 12, 1, false, "steps back 1 times"},
		{"oil temperature twice", func(in powercurve.Input) {
			add(in, fleet.OilTemperature, func(float64) float64 { return 365 })
			s := in.Channels[fleet.OilTemperature]
			at := append([]float64{}, s.T...)
			at[800] = at[799]
			in.Channels[fleet.OilTemperature] = channel.Series{T: at, X: s.X}
		}, nil, ClockFault, fleet.OilTemperature, 7.99, 7.99, 1, false, "1 samples at the time"},
		{"jittering clock", func(in powercurve.Input) {
			s := in.Channels[fleet.LoadCellForce]
			at := append([]float64{}, s.T...)
			for i := range at {
				at[i] += 0.009 * random.Float64()
			}
			in.Channels[fleet.LoadCellForce] = channel.Series{T: at, X: s.X}
		}, nil, ClockFault, fleet.LoadCellForce, 3.1, 16.9, 0, false, "Stamp samples"},
		{"rear roller stuck", func(in powercurve.Input) {
			spoil(in, fleet.RollerSpeedRear, 9, 9.6, func(_, _ float64) float64 {
				v, _ := in.Channels[fleet.RollerSpeed].At(9.3)
				return v
			})
		}, nil, Stuck, fleet.RollerSpeedRear, 9, 9.6, 0.6, false, "exactly the same"},
		// lambda 0.88, from 12 s 0.80: 9.1 % down, with intake air that climbs.
		{"enrichment", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(t float64) float64 { return 0.88 - 0.08*within(t, 12, 99) })
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(t, _ float64) float64 { return 300 + 0.5*t })
		}, nil, Enrichment, fleet.Lambda, 12, 16.9, 0.091, true, "while intake air temperature rises"},
		{"enrichment, a little", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(t float64) float64 { return 0.88 - 0.04*within(t, 12, 99) })
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(t, _ float64) float64 { return 300 + 0.5*t })
		}, nil, Enrichment, fleet.Lambda, 12, 16.9, 0.0455, false, "0.880"},
		{"enrichment, cause not logged", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(t float64) float64 { return 0.88 - 0.08*within(t, 12, 99) })
			delete(in.Channels, fleet.IntakeAirTemperature)
			delete(in.Channels, fleet.Boost)
		}, nil, Enrichment, fleet.Lambda, 12, 16.9, 0.091, true, "earlier in the sweep:"},
		{"no enrichment: nothing rises", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(t float64) float64 { return 0.88 - 0.08*within(t, 12, 99) })
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(_, _ float64) float64 { return 300 })
		}, nil, "", "", 0, 0, 0, false, ""},
		{"no enrichment: compression ignition", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(t float64) float64 { return 1.6 - 0.02*t })
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(t, _ float64) float64 { return 300 + 0.5*t })
		}, nil, "", "", 0, 0, 0, false, ""},
		{"rich from the beginning", func(in powercurve.Input) {
			add(in, fleet.Lambda, func(float64) float64 { return 0.74 })
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(t, _ float64) float64 { return 300 + 0.5*t })
		}, nil, Enrichment, fleet.Lambda, 3.1, 16.9, 0.04, false, "0.740"},
		{"coolant hot", func(in powercurve.Input) {
			add(in, fleet.CoolantTemperature, func(t float64) float64 { return 375 + 0.6*t }) // 385.1 K at 16.9 s
		}, nil, EngineHot, fleet.CoolantTemperature, 3.1, 16.9, 4, false, "fan"},
		{"coolant too hot", func(in powercurve.Input) {
			add(in, fleet.CoolantTemperature, func(t float64) float64 { return 395 })
		}, nil, EngineHot, fleet.CoolantTemperature, 3.1, 16.9, 395 - 381.15, true, "fan"},
		{"oil cold", func(in powercurve.Input) {
			add(in, fleet.OilTemperature, func(t float64) float64 { return 303.15 })
		}, nil, EngineCold, fleet.OilTemperature, 3.1, 16.9, 30, true, "Warm it up"},
		{"air sensors out of line", nil, func(j *Input) { j.Air = &AirComparison{Delta: -0.02, U: 0.012, Others: 3} },
			AirDisagrees, "", 3.1, 16.9, 0.02, false, "barometer"},
		{"barometer out of line", nil, func(j *Input) {
			j.Air = &AirComparison{Delta: 0.03, U: 0.012, Others: 1, Channel: fleet.AirPressure}
		},
			AirDisagrees, fleet.AirPressure, 3.1, 16.9, 0.03, false, "of another cell of the site, most of it by air pressure"},
		{"air sensors in line", nil, func(j *Input) { j.Air = &AirComparison{Delta: -0.011, U: 0.012, Others: 3} },
			"", "", 0, 0, 0, false, ""},
		{"a car's own limit", func(in powercurve.Input) {
			spoil(in, fleet.IntakeAirTemperature, 0, 99, func(_, x float64) float64 { return x + 45 })
		}, func(j *Input) {
			l, err := j.Limits.With(map[string]Limit{"intake_hot_k": {60, 80}})
			if err != nil {
				t.Fatal(err)
			}
			j.Limits = l
		}, "", "", 0, 0, 0, false, ""},
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
					if f.Disqualifying || c.kind == "" {
						t.Errorf("also found: %+v", f)
					}
					continue
				}
				found = true
				if math.Abs(f.Start-c.start) > 0.3 || math.Abs(f.End-c.end) > 0.3 {
					t.Errorf("from %.2f to %.2f s, want %.2f to %.2f s", f.Start, f.End, c.start, c.end)
				}
				if c.size > 0 && math.Abs(f.Size-c.size) > 0.1*c.size {
					t.Errorf("size %.4g, want %.4g", f.Size, c.size)
				}
				if f.Disqualifying != c.disqualifying || f.Unit == "" || !strings.Contains(f.Text, c.word) || !strings.HasSuffix(f.Text, ".") {
					t.Errorf("%+v: want disqualifying %v and the word %q", f, c.disqualifying, c.word)
				}
			}
			if !found && c.kind != "" {
				t.Errorf("not found in %+v", got)
			}
		})
	}
}

// A spike in the roller speed or the load cell leaves the curve what it is
// without: every point within its own uncertainty, where a spike that stayed
// would move it by many.
func TestSpikeDoesNotSpoilTheCurve(t *testing.T) {
	clean, err := powercurve.Reduce(pull(7))
	if err != nil {
		t.Fatal(err)
	}
	for c, size := range map[fleet.Channel]float64{fleet.RollerSpeed: 3, fleet.LoadCellForce: 30000} {
		in := pull(7)
		spoil(in, c, 9, 9.025, func(_, x float64) float64 { return x + size })
		got, err := powercurve.Reduce(in)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Points) != len(clean.Points) {
			t.Fatalf("%s: %d points, %d without the spike", c, len(got.Points), len(clean.Points))
		}
		for i, p := range got.Points {
			q := clean.Points[i]
			if d := math.Abs(p.TractiveForce - q.TractiveForce); d > q.UOwnForce {
				t.Errorf("%s: at %.0f rpm the force moves by %.2f N, own U %.2f N", c, p.EngineSpeed/rpm, d, q.UOwnForce)
			}
			if p.UOwnForce > 1.3*q.UOwnForce {
				t.Errorf("%s: at %.0f rpm own U %.2f N, %.2f N without the spike", c, p.EngineSpeed/rpm, p.UOwnForce, q.UOwnForce)
			}
		}
	}
}

// A sweep of 14 to 15 s against 5 s is told apart ("common practice, no
// source"): by the ramp asked for, and by the pulls it is held beside.
func TestLongSweepIsToldFromShort(t *testing.T) {
	curve, err := powercurve.Reduce(pull(7))
	if err != nil {
		t.Fatal(err)
	}
	if l := curve.Sweep.Length(); l < 13.5 || l > 15 {
		t.Fatalf("the sweep is %.1f s", l)
	}
	short := (curve.High - curve.Low) / 5 // rad/s², the ramp of the same sweep in 5 s
	for name, change := range map[string]func(*Input){
		"asked for": func(j *Input) { j.RampRate = &short },
		"compared":  func(j *Input) { j.RampRate, j.Compared = nil, []float64{short, 1.01 * short, 0.98 * short} },
	} {
		got := judge(pull(7), change)
		if len(got) != 1 || got[0].Kind != RampRate || !got[0].Disqualifying || math.Abs(got[0].Size-(1-5/curve.Sweep.Length())) > 0.05 || !strings.Contains(got[0].Text, "slower") {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := judge(pull(7), func(j *Input) { j.RampRate, j.Compared = nil, []float64{curve.RampRate, 1.05 * curve.RampRate} }); len(got) != 0 {
		t.Errorf("beside pulls of its own ramp: %+v", got)
	}
}

// A sample that stands off by less than 0.2 % of the channel's greatest value, as
// the last digit of a coarse logger does, is no finding; by more it is one.
func TestSmallSpikeIsNothing(t *testing.T) {
	for _, x := range []struct {
		size float64 // of the greatest value of the sweep
		says bool
	}{{0.0015, false}, {0.0025, true}} {
		in := pull(7)
		quiet := pulltest.Example()
		quiet.Coast, quiet.Random, quiet.EngineNoise = 45, rand.New(rand.NewPCG(3, 1)), 0.05
		s := quiet.Sample()[fleet.EngineSpeed]
		in.Channels[fleet.EngineSpeed] = s
		curve, err := powercurve.Reduce(in)
		if err != nil {
			t.Fatal(err)
		}
		at := slices.IndexFunc(s.T, func(t float64) bool { return t > 10 })
		s.X[at] += x.size * slices.Max(s.Between(curve.Sweep).X)
		found := false
		for _, f := range judge(in, nil) {
			found = found || f.Kind == Spiking && f.Channel == fleet.EngineSpeed
		}
		q := channel.Inspect(s.Between(curve.Sweep), channel.RangeOf(fleet.EngineSpeed), never)
		if found != x.says || q.Spikes != 1 {
			t.Errorf("a spike of %.2f %% of the greatest value, %d seen: finding %v", 100*x.size, q.Spikes, found)
		}
	}
}

// A pull with no rate asked for is held against the nearest, by ratio, of the rates
// its car is swept at, and the finding says so; one asked for goes before it.
func TestRampOfTheCar(t *testing.T) {
	in := pull(7)
	curve, err := powercurve.Reduce(in)
	if err != nil {
		t.Fatal(err)
	}
	rate := curve.RampRate
	car := func(rates ...float64) []Finding {
		return judge(pull(7), func(j *Input) { j.RampRate, j.RampRates = nil, rates })
	}
	for _, rates := range [][]float64{{rate, 2 * rate}, {0.6 * rate, 1.1 * rate}, {1e-9, rate}, nil, {0}} {
		if got := car(rates...); len(got) != 0 {
			t.Errorf("rates %v: %+v", rates, got)
		}
	}
	// 0.7 lies 1/0.7 = 1.43 away, 1.4 nearer although its difference is greater.
	got := car(0.7*rate, 1.4*rate)
	if len(got) != 1 || got[0].Kind != RampRate || !got[0].Disqualifying || math.Abs(got[0].Size-(1-1/1.4)) > 1e-9 ||
		!strings.Contains(got[0].Text, fmt.Sprintf("slower than the %.0f rpm/s that is the nearest of the car's ramp rates", 1.4*rate/rpm)) {
		t.Errorf("between two rates: %+v", got)
	}
	asked := rate
	if got := judge(pull(7), func(j *Input) { j.RampRate, j.RampRates = &asked, []float64{2 * rate} }); len(got) != 0 {
		t.Errorf("as asked for: %+v", got)
	}
	if got := judge(pull(7), func(j *Input) { j.RampRate, j.RampRates, j.Compared = nil, []float64{rate}, []float64{2 * rate} }); len(got) != 0 {
		t.Errorf("the car's rate goes before its neighbours': %+v", got)
	}
	// Between the two limits it is a note.
	if got := judge(pull(7), func(j *Input) {
		j.RampRate, j.RampRates, j.Limits.RampRate = nil, []float64{1.4 * rate}, Limit{0.2, 0.4}
	}); len(got) != 1 || got[0].Disqualifying {
		t.Errorf("a note: %+v", got)
	}
}

// One unlinked roller of two reads high and is found as slip ("common practice,
// no source"): the free roller turns with the tyre, the braked one lags under
// load. With linked rollers, or one of another diameter, there is no slip.
func TestUnlinkedRollerIsSlip(t *testing.T) {
	// 6 % at the load cell's 1750 N or so, nothing in the coast-down.
	unlinked := func(in powercurve.Input) {
		load := in.Channels[fleet.LoadCellForce]
		spoil(in, fleet.RollerSpeedRear, 0, 99, func(t, x float64) float64 {
			f, _ := load.At(t)
			return x * (1 + 0.06*math.Max(f, 0)/1750)
		})
	}
	cut := func(in powercurve.Input) { // no coast-down in the record
		for name, s := range in.Channels {
			in.Channels[name] = s.Between(channel.Span{Start: 0, End: 17.1})
		}
	}
	find := func(in powercurve.Input) (slip, difference *Finding) {
		for _, f := range judge(in, nil) {
			switch f.Kind {
			case Slip:
				slip = &f
			case RollerDifference:
				difference = &f
			}
		}
		return slip, difference
	}
	in := pull(7)
	unlinked(in)
	slip, difference := find(in)
	if slip == nil || slip.Channel != fleet.RollerSpeedRear || !slip.Disqualifying || math.Abs(slip.Size-0.058) > 0.006 ||
		!strings.Contains(slip.Text, "faster") || !strings.Contains(slip.Text, "front roller's speed") {
		t.Errorf("%+v", slip)
	}
	if difference != nil {
		t.Errorf("also %+v", difference)
	}
	// The power of the free roller's speed would be that much high.
	curve, err := powercurve.Reduce(in)
	if err != nil {
		t.Fatal(err)
	}
	swapped := pull(7)
	unlinked(swapped)
	swapped.Channels[fleet.RollerSpeed] = swapped.Channels[fleet.RollerSpeedRear]
	delete(swapped.Channels, fleet.EngineSpeed)
	high, err := powercurve.Reduce(swapped)
	if err != nil {
		t.Fatal(err)
	}
	if r := high.PeakWheelPower.Value / curve.PeakWheelPower.Value; !(r > 1.03) {
		t.Errorf("the free roller gives %.3f of the power", r)
	}
	in = pull(7)
	unlinked(in)
	cut(in)
	if slip, _ := find(in); slip == nil {
		t.Error("without a coast-down in the record slip is not found")
	}
	// A wrong diameter: everywhere the same.
	in = pull(7)
	spoil(in, fleet.RollerSpeedRear, 0, 99, func(_, x float64) float64 { return 1.03 * x })
	if slip, difference := find(in); slip != nil || difference == nil || math.Abs(difference.Size-0.031) > 0.003 {
		t.Errorf("slip %+v, difference %+v", slip, difference)
	}
}

// A clean pull has no finding at any rate from 10 to 1000 Hz, each channel on a
// clock of its own, that begins when it does.
func TestCleanAtEveryRate(t *testing.T) {
	for _, rate := range []float64{10, 20, 50, 200, 1000} {
		s := pulltest.Example()
		s.Coast, s.Rate = 45, rate
		s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = rand.New(rand.NewPCG(uint64(rate), 5)), 0.01, 20, 1
		in := powercurve.Input{Cell: s.Cell, Vehicle: powercurve.VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionSAEJ1349}
		for k, c := range []fleet.Channel{fleet.AirPressure, fleet.AirTemperature, fleet.RelativeHumidity} { // every 1.1 to 1.3 s
			x := in.Channels[c]
			slow := channel.Series{}
			for i := k; i < len(x.T); i += int((1.1 + 0.1*float64(k)) * rate) {
				slow.T, slow.X = append(slow.T, x.T[i]), append(slow.X, x.X[i])
			}
			in.Channels[c] = slow
		}
		load := in.Channels[fleet.LoadCellForce] // a few milliseconds late
		at := make([]float64, len(load.T))
		for i, t := range load.T {
			at[i] = t + 0.0037
		}
		in.Channels[fleet.LoadCellForce] = channel.Series{T: at, X: load.X}
		if got := judge(in, nil); len(got) != 0 {
			t.Errorf("%g Hz: %+v", rate, got)
		}
	}
}

// A roller speed whose clock stepped back is told, and keeps the pull from
// judging, whether a curve could be made of it or not.
func TestClockOfTheCurve(t *testing.T) {
	in := pull(7)
	s := in.Channels[fleet.RollerSpeed]
	at := append([]float64{}, s.T...)
	for i := range at {
		if at[i] > 12 {
			at[i] -= 0.3
		}
	}
	in.Channels[fleet.RollerSpeed] = channel.Series{T: at, X: s.X}
	for _, f := range judge(in, nil) {
		if f.Kind == ClockFault && f.Channel == fleet.RollerSpeed {
			if !f.Disqualifying || math.Abs(f.Size-0.29) > 0.001 || math.Abs(f.Start-11.71) > 0.02 || math.Abs(f.End-12) > 0.02 {
				t.Errorf("%+v", f)
			}
			return
		}
	}
	t.Error("not found")
}

// A channel the curve is made of, whose clock steps back, repeats or misses
// stamps, still gives a curve, within U of that of the sound record, and the
// fault is found with its channel and span.
func TestClockFaultGivesCurve(t *testing.T) {
	sound, err := powercurve.Reduce(pull(7))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []fleet.Channel{fleet.RollerSpeed, fleet.LoadCellForce, fleet.EngineSpeed, fleet.AirPressure} {
		for _, x := range []struct {
			name             string
			spoil            func(at []float64)
			size, start, end float64
		}{
			{"one stamp back", func(at []float64) { at[1000] = 4 }, 5.99, 4, 9.99},
			{"clock set back", func(at []float64) {
				for i := 1000; i < len(at); i++ {
					at[i] -= 0.05
				}
			}, 0.04, 9.95, 9.99},
			{"repeats", func(at []float64) { at[801], at[802] = at[800], at[800] }, 2, 8, 8},
			{"stamps missing", func(at []float64) { at[700], at[900] = math.NaN(), math.Inf(1) }, 2, 0, 62},
		} {
			t.Run(string(c)+" "+x.name, func(t *testing.T) {
				in := pull(7)
				s := in.Channels[c]
				at := append([]float64{}, s.T...)
				x.spoil(at)
				in.Channels[c] = channel.Series{T: at, X: s.X}
				curve, err := powercurve.Reduce(in)
				if err != nil || curve.PeakCorrectedPower == nil {
					t.Fatal(err, curve.NoEnginePower, curve.CorrectionNote)
				}
				got, want := curve.PeakCorrectedPower, sound.PeakCorrectedPower
				if curve.EngineSpeedLogged != sound.EngineSpeedLogged || math.Abs(got.Value-want.Value) > want.Expanded {
					t.Errorf("peak %.0f W, of the sound record %.0f ± %.0f W", got.Value, want.Value, want.Expanded)
				}
				found := judge(in, nil)
				k := slices.IndexFunc(found, func(f Finding) bool { return f.Kind == ClockFault && f.Channel == c })
				if k < 0 {
					t.Fatalf("not found: %+v", found)
				}
				f := found[k]
				if math.Abs(f.Size-x.size) > 1e-6 || math.Abs(f.Start-x.start) > 1e-6 || math.Abs(f.End-x.end) > 1e-6 {
					t.Errorf("%+v", f)
				}
			})
		}
	}
}

func TestLimits(t *testing.T) {
	d := DefaultLimits()
	if err := d.Check(); err != nil {
		t.Error(err)
	}
	for _, name := range Names() {
		l, err := d.With(map[string]Limit{name: {0.5, 0.5}})
		if err != nil || *l.limit(name) != (Limit{0.5, 0.5}) {
			t.Errorf("%s: %+v, %v", name, *l.limit(name), err)
		}
	}
	for name, own := range map[string]map[string]Limit{
		"unknown":              {"slipp": {1, 2}},
		"turned round":         {"slip": {0.04, 0.02}},
		"turned round, low":    {"coolant_low_k": {333, 343}},
		"not a number":         {"slip": {math.NaN(), 1}},
		"disqualifies by none": {"slip": {1, math.NaN()}},
	} {
		if _, err := d.With(own); !errors.Is(err, ErrLimit) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// By the ramp: a car's band of 4200 rpm in 5 s and in 28 s; by hand.
	car := pulltest.Example().Car
	car.BandLow, car.BandHigh = 2000*rpm, 6200*rpm
	fast, slow := d.For(car, 840*rpm), d.For(car, 150*rpm)
	if fast.IntakeClimbing != (Limit{5, 12.5}) || slow.IntakeClimbing != (Limit{20, 50}) {
		t.Errorf("%+v, %+v", fast.IntakeClimbing, slow.IntakeClimbing)
	}
	if fast.Gap != d.Gap || math.Abs(slow.Gap.Disqualify-28./30) > 1e-12 {
		t.Errorf("%+v, %+v", fast.Gap, slow.Gap)
	}
	car.Limits.IntakeClimbing, car.Limits.Knock, car.Limits.OilLow = fleet.Limit{Note: 7, Disqualify: 9}, fleet.Limit{Note: 0.05, Disqualify: 0.1}, fleet.Limit{Note: 350, Disqualify: 340}
	own := d.For(car, 840*rpm)
	if own.IntakeClimbing != (Limit{7, 9}) || own.Knock != (Limit{0.05, 0.1}) || own.Oil.Low != (Limit{350, 340}) || own.Slip != d.Slip || own.Oil.High != d.Oil.High || own.Check() != nil {
		t.Errorf("%+v", own)
	}
	car.Limits = fleet.CarLimits{}
	if d.For(car, 0) != d || d.For(fleet.Car{}, 1) != d {
		t.Error("limits of a ramp that is not said")
	}
}

func BenchmarkJudge(b *testing.B) {
	in := pull(7)
	for i := range 9 { // 20 channels in all
		add(in, fleet.Channel("x_"+string(rune('a'+i))), func(t float64) float64 { return 300 + t })
	}
	c, err := powercurve.Reduce(in)
	if err != nil {
		b.Fatal(err)
	}
	rate := c.RampRate
	j := Input{Pull: in, Curve: &c, RampRate: &rate, BandLow: c.Low, BandHigh: c.High, Limits: DefaultLimits()}
	b.ReportAllocs()
	for b.Loop() {
		Judge(j)
	}
}
