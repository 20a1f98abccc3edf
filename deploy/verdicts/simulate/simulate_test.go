package simulate

import (
	"math"
	"reflect"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.10g, want %.10g ± %g", what, got, want, tolerance)
	}
}

// rounding is what double precision leaves of sums of a few thousand newtons.
const rounding = 1e-9

// Expected by hand: a car of constant torque 300 N·m, gear 5, tyre 0.3 m, in
// standard air, at 400 rad/s and 40 rad/s²: wheel force 5000 N, v = 24 m/s, a =
// 2.4 m/s²; losses 100 + 2·24 + 0.05·576 = 176.8 N, its rotating 50 kg take 120
// N: tractive force 4703.2 N. Rollers of 600 kg take 1440 N and drag 60 + 24 +
// 0.02·576 = 95.52 N: the brake holds 3167.68 N.
func TestForces(t *testing.T) {
	car := Car{Peak: 300, PeakSpeed: 400, Gear: 5, TyreRadius: 0.3, RotatingMass: 50, Loss: Loss{100, 2, 0.05}}
	reg := Registry{Radius: 0.3, Arm: 0.5, Ratio: 1, Inertia: 600, Loss: Loss{60, 1, 0.02}}
	s := at(car, reg, Truth{}, 400, 40, 1)
	near(t, "speed", s.speed, 24, rounding)
	// The acceleration is a difference quotient over 2e-4 of the speed.
	near(t, "acceleration", s.acceleration, 2.4, 1e-8)
	near(t, "tractive force", s.force, 4703.2, rounding)
	near(t, "brake", s.brake, 3167.68, 1e-5)
	// What the engine gives is what the rollers, losses and masses take.
	power := (s.force+car.Loss.At(s.speed))*s.speed + car.RotatingMass*s.acceleration*s.speed
	near(t, "power", power, 300*400, 1e-4)
	// A cell without error reads the truth.
	r := read(car, reg, Truth{}, 400, 40, 1)
	near(t, "force read", r.force, 4703.2, 1e-6)
	near(t, "brake read", r.brake, 3167.68, 1e-5)
	// In thin air the wheel force falls by C.
	near(t, "thin air", at(car, reg, Truth{}, 400, 40, 1.25).force, 4000-176.8-120, rounding)
}

// Expected by hand: torque 300·(1 − 0.5·(600/400 − 1)²) = 262.5 N·m.
func TestTorque(t *testing.T) {
	near(t, "torque", Car{Peak: 300, PeakSpeed: 400, Fall: 0.5}.Torque(600), 262.5, rounding)
}

// Expected by hand: a creep of 1e-6 a newton at 5000 N less the losses is
// 0.47032 %; beyond a grip of 4000 N there are 0.3·(0.1758)² more.
func TestSlip(t *testing.T) {
	car := Car{Peak: 300, PeakSpeed: 400, Gear: 5, TyreRadius: 0.3, RotatingMass: 50, Loss: Loss{100, 2, 0.05}, Creep: 1e-6}
	reg := Registry{Radius: 0.3, Arm: 0.5, Ratio: 1, Inertia: 600}
	s := at(car, reg, Truth{}, 400, 40, 1)
	near(t, "creep", s.slip, 0.0047032, 1e-12)
	near(t, "speed", s.speed, 24*(1-0.0047032), rounding)
	near(t, "slip", at(car, reg, Truth{Grip: 4000}, 400, 40, 1).slip, 0.0047032+0.3*0.1758*0.1758, 1e-12)
	// Constant slip leaves the roller's acceleration in step with its speed; a
	// slip that changes along the sweep adds to it: compared with the roller's
	// speed a millisecond apart.
	car.Fall, car.PeakSpeed = 0.5, 300
	s = at(car, reg, Truth{Grip: 4000}, 400, 40, 1)
	before, after := at(car, reg, Truth{Grip: 4000}, 400-0.02, 40, 1), at(car, reg, Truth{Grip: 4000}, 400+0.02, 40, 1)
	near(t, "acceleration", s.acceleration, (after.speed-before.speed)/0.001, 1e-5)
	// Without a tachometer the point is where the roller turns as it would at
	// that engine speed without slip.
	r := read(car, reg, Truth{Grip: 4000, NoTacho: true}, 400, 40, 1)
	near(t, "speed at the point", r.speed, 24, 1e-9)
}

// A small fault moves ln(C·F) by its size times its signature, with the sign
// the faults are stated with. The signatures are first order: a fault of a
// thousandth leaves a thousandth of itself.
func TestSignatures(t *testing.T) {
	car, air := cars()[1], standard
	regs, _ := Fleet{Seed: 3}.cells()
	reg := regs[2]
	ramp, w := car.Ramps[1], car.band(4)
	y := func(tr Truth) float64 {
		return math.Log(read(car, reg, tr, w, ramp, air.Factor()).force) + math.Log(sensed(air, tr).Factor())
	}
	base := Truth{Grip: 12000}
	x := read(car, reg, base, w, ramp, air.Factor())
	c := math.Log(Air{air.Pressure - 1, air.Temperature, air.Humidity}.Factor() / air.Factor())
	for _, f := range []struct {
		name      string
		fault     Kind
		size      float64
		signature float64
	}{
		{"gain", Gain, 1e-4, x.brake / x.force},
		{"zero", Zero, 0.5, reg.Arm * reg.Ratio / reg.Radius / x.force},
		{"inertia", Inertia, 0.5, x.acceleration / x.force},
		{"drag", Drag, 0.5, -1 / x.force},
		{"barometer", Barometer, 1, c},
	} {
		got := (y(Fault{Kind: f.fault, Cell: 2}.with(base, 2, 1, f.size)) - y(base)) / f.size
		near(t, f.name, got/f.signature, 1, 1e-3)
	}
	tired := y(Fault{Kind: TiredCar, Car: 1}.with(base, 2, 1, -0.01)) - y(base)
	// The tyres creep a little less under a smaller force.
	near(t, "tired car", tired, -0.01, 1e-5)
	if other := y(Fault{Kind: TiredCar, Car: 0}.with(base, 2, 1, -0.01)); other != y(base) {
		t.Error("another car's fault shows")
	}
}

// Expected by hand: 600 kg in the registry and 580 truly, loss at 25 m/s 60 +
// 25 + 12.5 = 97.5 N and 10 N more truly, zero 3 N at an arm of 0.5 m on rollers
// of 0.25 m: 600/580·107.5 − 6 N.
func TestCoastDown(t *testing.T) {
	reg := Registry{Radius: 0.25, Arm: 0.5, Ratio: 1, Inertia: 600, Loss: Loss{60, 1, 0.02}}
	near(t, "loss", coastDown(reg, Truth{Inertia: -20, Drag: 10, Zero: 3}), 600.0/580*107.5-6, rounding)
}

// SAE J1349 in the form 1.18·ca − 0.18: grid computed in Python double from the
// published formula (dry pressure kPa, °C with 273 K at nought).
func TestFactor(t *testing.T) {
	for _, c := range []struct{ p, t, want float64 }{
		{99, 25, 1}, {97, 30, 1.034391}, {95, 20, 1.039324}, {101, 15, 0.957061}, {89, 10, 1.099123},
	} {
		near(t, "factor", Air{Pressure: 1000 * c.p, Temperature: c.t + 273}.Factor(), c.want, 6e-7)
	}
	// Vapour at 20 °C: 2339 Pa at saturation (steam tables, from memory), to
	// which Magnus' formula is good to 0.3 %.
	near(t, "vapour", 1e5-Air{1e5, 293.15, 0.5}.DryPressure(), 2339/2.0, 0.003*1170)
}

func TestJudge(t *testing.T) {
	for _, c := range []struct {
		e, u, tolerance float64
		want            Verdict
	}{{3, 1, 5, Pass}, {-4.5, 1, 5, ConditionalPass}, {5.5, 1, 5, ConditionalFail}, {-6.5, 1, 5, Fail}} {
		if got := Judge(c.e, c.u, c.tolerance); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

func TestPlan(t *testing.T) {
	for _, p := range []Plan{Round, Home, Stay, OneStays} {
		for c := range Cells {
			met := map[int]int{}
			for w := range 48 {
				met[p.Car(c, w)]++
			}
			switch {
			case p == Round && (len(met) != Cars || met[0] != 12):
				t.Errorf("round: cell %d meets %v", c, met)
			case p == Home && (len(met) != Cars || met[c/3] != 36):
				t.Errorf("home: cell %d meets %v", c, met)
			case p == Stay && len(met) != 1:
				t.Errorf("stay: cell %d meets %v", c, met)
			case p == OneStays && p.Separable(c) == (len(met) == 1):
				t.Errorf("one stays: cell %d meets %v, separable %v", c, met, p.Separable(c))
			}
		}
	}
}

// One seed gives one history, bit for bit, and fleets of one seed differ by
// their fault alone.
func TestDeterminism(t *testing.T) {
	f := Fleet{Seed: 5, Weeks: 20}
	h, a := f.Invent()
	again, b := f.Invent()
	if !reflect.DeepEqual(h, again) || !reflect.DeepEqual(a, b) {
		t.Error("one seed, two histories")
	}
	f.Fault = Fault{Kind: Gain, Cell: 7, From: 10, Step: 0.01}
	_, b = f.Invent()
	for i, s := range h.Sessions {
		if s.Cell == 7 && s.Week >= 10 {
			// The noise is of the force, which the gain error does not multiply as
			// a whole: a hundredth of it.
			near(t, "noise", b.Deviation[i]-b.Effect[i], a.Deviation[i], 1e-4)
			if !(b.Effect[i] > 0.004 && b.Effect[i] < 0.01) {
				t.Errorf("a gain error of 1 %% moves the mean by %.4f", b.Effect[i])
			}
		} else if b.Deviation[i] != a.Deviation[i] {
			t.Errorf("cell %d, week %d: %g, without the fault %g", s.Cell, s.Week, b.Deviation[i], a.Deviation[i])
		}
	}
	f.Seed = 6
	if other, _ := f.Invent(); reflect.DeepEqual(other.Sessions[0], h.Sessions[0]) {
		t.Error("two seeds, one history")
	}
}

// The noise has the sizes it says, the checks' U hold what is true, and the
// offsets' centre is nought.
func TestSizes(t *testing.T) {
	var z, zz, n float64
	held, checks := 0, 0
	for seed := range uint64(6) {
		f := Fleet{Seed: 100 + seed, Weeks: 52}
		h, a := f.Invent()
		for i, s := range h.Sessions {
			if s.LeftOut != 0 || len(s.Pulls) != 2*PullsEach {
				t.Fatalf("cell %d, week %d: %d pulls, %d left out", s.Cell, s.Week, len(s.Pulls), s.LeftOut)
			}
			z += a.Deviation[i]
			zz += a.Deviation[i] * a.Deviation[i]
			n++
		}
		_, truths := f.cells()
		for _, c := range h.Checks {
			checks++
			if math.Abs(c.Zero-truths[c.Cell].Zero) <= c.UZero {
				held++
			}
			if c.Verdict != Pass {
				t.Errorf("a sound cell's check: %+v", c)
			}
		}
		centre := 0.0
		for c := range a.Offset {
			centre += a.Offset[c][30]
		}
		near(t, "centre", centre, 0, 1e-12)
	}
	// 3744 sessions: the sd is known to 1.2 %, four times that are asked.
	near(t, "sd of a run", math.Sqrt(zz/n)/RunSD, 1, 0.05)
	near(t, "mean", z/n, 0, 4*RunSD/math.Sqrt(n))
	// k = 2 is 95.45 %; a cell's checks share a part of their error.
	if share := float64(held) / float64(checks); share < 0.93 || share > 0.98 {
		t.Errorf("U of the zero holds %.3f of %d", share, checks)
	}
}

// Tyres that slip where the engine speed is logged leave pulls out; where it is
// not, they bend the curve.
func TestSlipping(t *testing.T) {
	f := Fleet{Seed: 9, Weeks: 12, Fault: Fault{Kind: Slip, Cell: 3, From: 6, Step: 8500}}
	h, a := f.Invent()
	bent := 0.0
	for i, s := range h.Sessions {
		if s.LeftOut > 0 {
			t.Errorf("cell %d, week %d: %d left out without a tachometer", s.Cell, s.Week, s.LeftOut)
		}
		bent = math.Max(bent, math.Abs(a.Effect[i]))
	}
	if bent < 1e-4 {
		t.Errorf("slip moves the mean by %g at most", bent)
	}
	// With a tachometer the same slip leaves pulls out, those that stay show little of it
	// in their force, and the ratio of engine to roller speed rises with load by what
	// the tyres slip.
	f.Fault.Tacho = true
	with, b := f.Invent()
	left, shown := 0, map[bool]float64{}
	for i, s := range with.Sessions {
		slips := s.Cell == 3 && s.Week >= 6
		if left += s.LeftOut; s.LeftOut > 0 && !slips {
			t.Errorf("cell %d, week %d: %d left out without slip", s.Cell, s.Week, s.LeftOut)
		}
		if len(s.Ratios) != 2*PullsEach || len(h.Sessions[i].Ratios) != 0 && s.Cell == 3 {
			t.Fatalf("%d ratios, %d without a tachometer", len(s.Ratios), len(h.Sessions[i].Ratios))
		}
		if len(s.Pulls) > 0 && math.Abs(b.Effect[i]) > 0.004 {
			t.Errorf("cell %d, week %d: slip moves the mean by %g", s.Cell, s.Week, b.Effect[i])
		}
		if s.Cell == 3 && s.Car == 3 {
			x := s.Ratios[0]
			least, most := math.Inf(1), 0.0
			for k := range x.Engine {
				q := x.Engine[k] / x.Speed[k]
				least, most = math.Min(least, q), math.Max(most, q)
			}
			shown[slips] = most/least - 1
		}
	}
	if left == 0 {
		t.Error("no pull is left out for its slip")
	}
	// By hand: the strongest car pulls some 6600 N where a grip of 3500 N is left,
	// 0.3·(6600/3500 − 1)² = 0.24; with grip its creep of 8e-7 a newton changes by some
	// 1500 N over the band, 0.1 %, beside a tachometer's 0.08 % a point.
	if shown[true] < 0.1 || shown[true] > 0.4 || shown[false] > 0.006 {
		t.Errorf("the ratio rises by %.4f slipping, %.4f else", shown[true], shown[false])
	}
	car, reg := cars()[3], h.Cells[3]
	_, ok := f.pull(car, reg, Truth{Grip: 3500}, car.Ramps[0], standard, f.random(forSession, 0, 0))
	if ok {
		t.Error("a slipping pull judges the cell")
	}
}
