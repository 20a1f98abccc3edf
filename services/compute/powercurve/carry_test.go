package powercurve

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// cut returns the channels up to a time.
func cut(in Input, end float64) Input {
	out := map[fleet.Channel]channel.Series{}
	for name, s := range in.Channels {
		out[name] = s.Between(channel.Span{Start: 0, End: end})
	}
	in.Channels = out
	return in
}

// The loss of an unchanged car is a fixed amount: 480 hp at the wheels and 510
// at the engine before, 600 and 630 after, not 720 as a rule of 20 % has it.
// Common practice, no source.
func TestFixedLossAgainstPercentage(t *testing.T) {
	const (
		horsepower = 745.69987158227 // W, 550 ft·lbf/s
		tolerance  = 5e-4
		at         = 5000 * rpm
	)
	s := pulltest.Example()
	v := at * s.Car.TyreRadius / s.Car.GearRatio
	a := math.Sqrt(s.Accel*s.Accel + 4*s.Bend*(v-s.Low)) // dv/dt where v(t) has that value
	s.Scale = 510 * horsepower / s.Power(at)
	// What the rotating parts take is a loss between engine and wheels too.
	s.Driveline = fleet.Loss{F0: 120, F1: 2}
	s.Driveline.F2 = (30*horsepower/v - s.Car.RotatingMass*a - s.Driveline.At(v)) / (v * v)
	before := input(&s, s.Cell)
	before.Grid = []float64{at}
	before.Pull, before.SetUp = "baseline", "car 7, road tyres, 4th gear"
	tuned := s
	tuned.Scale *= 630.0 / 510
	after := cut(input(&tuned, s.Cell), s.Hold+s.Ramp+1)
	after.Grid, after.Pull, after.SetUp = before.Grid, "tuned", before.SetUp

	baseline, err := Reduce(before)
	if err != nil {
		t.Fatal(err)
	}
	alone, err := Reduce(after)
	if err != nil {
		t.Fatal(err)
	}
	if alone.NoEnginePower == "" || alone.Points[0].EnginePower != nil {
		t.Error("engine power without a coast-down and without a carried loss")
	}
	loss, err := baseline.CarryLoss(before)
	if err != nil {
		t.Fatal(err)
	}
	after.CarriedLoss = &loss
	carried, err := Reduce(after)
	if err != nil {
		t.Fatal(err)
	}
	if carried.CarriedFrom != "baseline" || carried.NoEnginePower != "" || carried.CoastDown != nil || baseline.CarriedFrom != "" {
		t.Errorf("carried from %q, %q; coast-down %v", carried.CarriedFrom, carried.NoEnginePower, carried.CoastDown)
	}
	for _, x := range []struct {
		name      string
		got, want float64
	}{
		{"wheels before", baseline.Points[0].WheelPower, 480}, {"engine before", *baseline.Points[0].EnginePower, 510},
		{"wheels after", carried.Points[0].WheelPower, 600}, {"engine after", *carried.Points[0].EnginePower, 630},
	} {
		if math.Abs(x.got/horsepower/x.want-1) > tolerance {
			t.Errorf("%s: %.2f hp, want %.0f", x.name, x.got/horsepower, x.want)
		}
	}
	// As the package comment says.
	if rule := 1.2 * carried.Points[0].WheelPower / horsepower; math.Abs(rule-720) > 0.5 {
		t.Errorf("a rule of 20 %% says %.1f hp, want 720", rule)
	}
	if own := 510.0 / 480 * 600; own != 637.5 {
		t.Errorf("the car's own ratio says %.1f hp", own)
	}
	// Its U is in: the loss fit's noise and the coasting mass are in the budget,
	// marked as carried.
	b, err := carried.Budget(EnginePower, OnPoints, 0)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "carried from pull baseline") {
		t.Errorf("the budget does not say that the loss is carried:\n%s", b)
	}
}

func TestCarryRefuses(t *testing.T) {
	s := pulltest.Example()
	before := input(&s, s.Cell)
	before.Pull, before.SetUp = "baseline", "car 7"
	baseline, err := Reduce(before)
	if err != nil {
		t.Fatal(err)
	}
	good, err := baseline.CarryLoss(before)
	if err != nil {
		t.Fatal(err)
	}
	after := cut(before, s.Hold+s.Ramp+1)
	after.Pull = "later"
	for name, x := range map[string]struct {
		change func(in *Input, l *CarriedLoss)
		reason string
	}{
		"as it is":       {func(*Input, *CarriedLoss) {}, ""},
		"other set-up":   {func(in *Input, _ *CarriedLoss) { in.SetUp = "car 7, wide tyres" }, "wide tyres"},
		"other cell":     {func(in *Input, _ *CarriedLoss) { in.Cell.ID = "cell-9" }, "cell-9"},
		"other gear":     {func(in *Input, _ *CarriedLoss) { in.Vehicle.GearRatio = 3 }, "gear ratio"},
		"other mass":     {func(in *Input, _ *CarriedLoss) { m := 50.0; in.Vehicle.CoastingMass = &m }, "masses"},
		"other registry": {func(in *Input, _ *CarriedLoss) { in.Cell.BaseInertia++ }, "registry"},
		"no source":      {func(_ *Input, l *CarriedLoss) { l.Pull = "" }, "CarryLoss"},
		"not a number":   {func(_ *Input, l *CarriedLoss) { l.Fit.Loss.F1 = math.NaN() }, "number"},
	} {
		in, l := after, good
		x.change(&in, &l)
		in.CarriedLoss = &l
		c, err := Reduce(in)
		if err != nil {
			t.Fatal(name, err)
		}
		if (c.NoEnginePower == "") != (x.reason == "") || !strings.Contains(c.NoEnginePower, x.reason) {
			t.Errorf("%s: %q, want a reason with %q", name, c.NoEnginePower, x.reason)
		}
	}
	alone, err := Reduce(after)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := alone.CarryLoss(after); !errors.Is(err, ErrCarry) {
		t.Errorf("no loss to carry: %v", err)
	}
	after.CarriedLoss = &good
	again, err := Reduce(after)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := again.CarryLoss(after); !errors.Is(err, ErrCarry) {
		t.Errorf("carried on from a carried loss: %v", err)
	}
	unnamed := before
	unnamed.Pull = ""
	if _, err := baseline.CarryLoss(unnamed); !errors.Is(err, ErrCarry) {
		t.Errorf("no name: %v", err)
	}
}

// With a carried loss, too, each sensitivity is what the computation does: under
// one calibration and parasitic loss, and where both have been determined anew
// between the pulls, when the old ones' errors no longer cancel.
func TestCarriedSensitivities(t *testing.T) {
	for name, anew := range map[string]bool{"same epoch": false, "new epoch": true} {
		t.Run(name, func(t *testing.T) {
			u := newUncertain()
			// The older epoch's readings are of another calibration.
			old := *u
			if anew {
				old.pull.Calibration = loadcell.Calibration{Epoch: "old", Zero: -5, Gain: -0.003, UZero: 3, UGain: 1.2e-3}
				old.calibration = old.pull.Calibration
				old.r = 0
				intake := u.clean[fleet.IntakeAirTemperature]
				old.clean = old.pull.Sample()
				old.clean[fleet.IntakeAirTemperature] = intake
				old.pull.Cell.Parasitic.F0 += 6 // as the registry had it then
			}
			reduce := func(before, after inputs) Budget {
				first := old.input(before, nil)
				c, err := Reduce(first)
				if err != nil {
					t.Fatal(err)
				}
				loss, err := c.CarryLoss(first)
				if err != nil {
					t.Fatal(err)
				}
				in := cut(u.input(after, nil), u.pull.Hold+u.pull.Ramp+1)
				in.Pull, in.CarriedLoss = "later", &loss
				c, err = Reduce(in)
				if err != nil || c.NoEnginePower != "" {
					t.Fatal(err, c.NoEnginePower)
				}
				b, err := c.Budget(EnginePower, OnPoints, 2)
				if err != nil {
					t.Fatal(err)
				}
				return b
			}
			base := reduce(inputs{}, inputs{})
			both := func(d inputs) [2]inputs { return [2]inputs{d, d} }
			for _, x := range []struct {
				input, remark string
				up, down      [2]inputs
			}{
				{"lever arm", "", both(inputs{arm: 0.5}), both(inputs{arm: -0.5})},
				{"roller radius", "", both(inputs{radius: 0.5}), both(inputs{radius: -0.5})},
				{"speed scale", "", both(inputs{speed: 0.5}), both(inputs{speed: -0.5})},
				{"base inertia", "", both(inputs{base: 0.5}), both(inputs{base: -0.5})},
				{"rotating mass", "", both(inputs{rotating: 0.5}), both(inputs{rotating: -0.5})},
				{"coasting mass", "", both(inputs{coasting: 0.5}), both(inputs{coasting: -0.5})},
				{"load-cell zero", "epoch", [2]inputs{{}, {zero: 0.5}}, [2]inputs{{}, {zero: -0.5}}},
				{"load-cell gain", "epoch", [2]inputs{{}, {gain: 0.5}}, [2]inputs{{}, {gain: -0.5}}},
				{"parasitic loss", "epoch", [2]inputs{{}, {parasitic: 0.5}}, [2]inputs{{}, {parasitic: -0.5}}},
				{"load-cell zero", "baseline", [2]inputs{{zero: 0.5}, {}}, [2]inputs{{zero: -0.5}, {}}},
				{"load-cell gain", "baseline", [2]inputs{{gain: 0.5}, {}}, [2]inputs{{gain: -0.5}, {}}},
				{"parasitic loss", "baseline", [2]inputs{{parasitic: 0.5}, {}}, [2]inputs{{parasitic: -0.5}, {}}},
			} {
				if x.remark != "" && !anew {
					d := map[string][2]inputs{"load-cell zero": both(inputs{zero: 0.5}), "load-cell gain": both(inputs{gain: 0.5}), "parasitic loss": both(inputs{parasitic: 0.5})}
					e := map[string][2]inputs{"load-cell zero": both(inputs{zero: -0.5}), "load-cell gain": both(inputs{gain: -0.5}), "parasitic loss": both(inputs{parasitic: -0.5})}
					x.up, x.down = d[x.input], e[x.input]
				}
				moved := reduce(x.up[0], x.up[1]).Value - reduce(x.down[0], x.down[1]).Value
				stated := 0.0
				for _, r := range base.Rows {
					if r.Input == x.input && (!anew || x.remark == "" || (x.remark == "baseline") == strings.Contains(r.Remark, "baseline")) {
						stated = r.Contribution
					}
				}
				if math.Abs(moved-stated) > 0.01*math.Abs(stated)+0.002*base.U {
					t.Errorf("%s %s: moves by %.4g W, row says %.4g W (u %.4g W)\n%s", x.input, x.remark, moved, stated, base.U, base)
				}
				if anew && x.remark != "" && stated == 0 {
					t.Errorf("%s %s: no row", x.input, x.remark)
				}
			}
		})
	}
}

// Two pulls of one car on one cell under one calibration share all but noise:
// what the traces say of their difference is what it scatters by in seeded runs
// in which every input is off.
func TestDifferenceCancelsShared(t *testing.T) {
	n, widen := trials(1000)
	u := newUncertain()
	random := rand.New(rand.NewPCG(12, 12))
	z := random.NormFloat64
	var sum, square, stated, whole float64
	for range n {
		d := inputs{zero: z(), gain: z(), arm: z(), radius: z(), speed: z(), base: z(), parasitic: z(), engine: z(), rotating: z(), coasting: z()}
		var traces [2]Trace
		var loss *CarriedLoss
		for k := range traces {
			in := u.input(d, random)
			in.Repeatability = nil
			in.Correction = fleet.CorrectionNone
			in.CarriedLoss = loss
			in.Pull = fleet.PullID([]string{"one", "two"}[k])
			c, err := Reduce(in)
			if err != nil || c.NoEnginePower != "" {
				t.Fatal(err, c.NoEnginePower)
			}
			if traces[k], err = c.Trace(EnginePower, OnPoints); err != nil {
				t.Fatal(err)
			}
			if k == 0 {
				l, err := c.CarryLoss(in)
				if err != nil {
					t.Fatal(err)
				}
				loss = &l
			}
		}
		a, b := traces[0], traces[1]
		const i = 2
		variance := a.OwnCovariance(i, i) + b.OwnCovariance(i, i)
		for _, x := range a.Shared {
			for _, y := range b.Shared {
				if x.Name == y.Name && x.Key != "" && x.Key == y.Key {
					e := (x.Sensitivity[i] - y.Sensitivity[i]) * x.U
					variance += e * e
				}
			}
		}
		if len(a.Shared) != len(b.Shared) || len(a.Shared) < 9 {
			t.Fatalf("%d and %d shared inputs", len(a.Shared), len(b.Shared))
		}
		dif := a.Value[i] - b.Value[i]
		sum, square, stated = sum+dif, square+dif*dif, stated+variance
		whole += a.U(i)*a.U(i) + b.U(i)*b.U(i)
	}
	f := float64(n)
	sd := math.Sqrt(square/f - sum/f*sum/f)
	// 1000 runs know it to 2.2 %.
	if u := math.Sqrt(stated / f); math.Abs(u/sd-1) > 0.07*widen {
		t.Errorf("the difference scatters by %.1f W, stated %.1f W", sd, u)
	}
	if !(stated < 0.5*whole) {
		t.Errorf("nothing cancelled: variance %.4g of %.4g", stated, whole)
	}
	t.Logf("the difference scatters by %.1f W, stated %.1f W; without cancelling %.1f W", sd, math.Sqrt(stated/f), math.Sqrt(whole/f))
}
