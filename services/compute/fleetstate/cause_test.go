package fleetstate

import (
	"math"
	"os"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/fleet"
)

// faulty is a year of the demonstration's fleet whose cell 3 gets a fault at
// week 40: size(w − 40) is added to an error from then on.
func faulty(seed uint64, s Settings, v Variances, f fleet.Fault, size func(age int) float64) (plan, invented) {
	p := truthPlan(seed, 60, s, v)
	p.fault = func(c, w int) []float64 {
		out := make([]float64, len(s.Faults))
		for i, m := range s.Faults {
			if m.Fault == f && c == 3 && w >= 40 {
				out[i] = size(w - 40)
			}
		}
		return out
	}
	return p, p.invent()
}

// calm are the stated variances with cells that hardly walk by themselves.
func calm(s Settings) Variances {
	v := s.Stated()
	for i := range v.Walk {
		v.Walk[i] /= 100
	}
	return v
}

// Put in one at a time, the faults are named, and where they are not it is said
// that they cannot be told apart.
func TestCauseIsNamed(t *testing.T) {
	fleets := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 6)
	s := DefaultSettings()
	v := calm(s)
	cs := DefaultCauseSettings()
	cases := []struct {
		name  string
		fault fleet.Fault
		size  func(int) float64
	}{
		{"gain step", fleet.FaultGain, func(int) float64 { return 0.015 }},
		{"gain ramp", fleet.FaultGain, func(age int) float64 { return 0.001 * float64(age) }},
		{"zero step", fleet.FaultZero, func(int) float64 { return 30 }},
		{"bearing drag", fleet.FaultParasitic, func(int) float64 { return 40 }},
		{"wrong inertia", fleet.FaultInertia, func(int) float64 { return 60 }},
		{"air sensor", fleet.FaultAir, func(int) float64 { return 0.015 }},
	}
	right, named, honest, all, onset := 0, 0, 0, 0, 0
	for _, c := range cases {
		r, sep := 0, 0
		for seed := range uint64(fleets) {
			_, in := faulty(100+seed, s, v, c.fault, c.size)
			f, err := Solve(in.h, s, v)
			if err != nil {
				t.Fatal(err)
			}
			verdict, err := f.Cause(cellID(3), cs)
			if err != nil {
				t.Fatal(err)
			}
			all++
			top := verdict.Causes[0]
			if seed == 0 {
				t.Logf("%s: %v %.2f size %.3g ± %.2g, runner-up %v %.2f told %.1f, not separable %v, next %s, onset %s", c.name, top.Fault, top.Probability, top.Size, top.U,
					verdict.Causes[1].Fault, verdict.Causes[1].Probability, verdict.Causes[1].Told, verdict.NotSeparable, verdict.Next, verdict.Onset.Format(time.DateOnly))
			}
			if at := visitAt(3, 40); !at.Before(verdict.Earliest) && !at.After(verdict.Latest) {
				onset++
			}
			if len(verdict.NotSeparable) > 0 {
				sep++
				ok := top.Fault == c.fault
				for _, o := range verdict.NotSeparable {
					ok = ok || o == c.fault
				}
				if ok {
					honest++
				}
				continue
			}
			named++
			if top.Fault == c.fault {
				r++
				right++
			}
		}
		t.Logf("%s: %d right of %d named, %d not separable", c.name, r, fleets-sep, sep)
	}
	t.Logf("named: %d right of %d; not separable: the truth among them in %d of %d; onset within its 95 %% in %d of %d", right, named, honest, all-named, onset, all)
	if float64(right) < 0.85*float64(named) {
		t.Errorf("%d right of %d named, want 85 %%", right, named)
	}
	if all > named && float64(honest) < 0.9*float64(all-named)-1 {
		t.Errorf("the truth is among what is not separable in %d of %d", honest, all-named)
	}
	if float64(onset) < 0.8*float64(all) {
		t.Errorf("onset held in %d of %d", onset, all)
	}
}

// A sound cell is not said to have changed; the probabilities sum to 1.
func TestCauseOfNothing(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	in := truthPlan(7, 60, s, v).invent()
	f, err := Solve(in.h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	changed := 0.0
	for c := range 12 {
		verdict, err := f.Cause(cellID(c), DefaultCauseSettings())
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, x := range verdict.Causes {
			sum += x.Probability
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Errorf("cell %d: the probabilities sum to %.12g", c, sum)
		}
		changed += verdict.Changed / 12
	}
	// 98 % before any run was looked at.
	if changed > 0.98 {
		t.Errorf("the mean probability of a change is %.3f", changed)
	}
	t.Logf("mean probability of a change %.3f", changed)
}

// An air sensor's fault shows as other does in the runs; what the barometers say
// tells them apart, and is asked for before.
func TestCauseAsksForWhatTells(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	_, in := faulty(3, s, v, fleet.FaultAir, func(int) float64 { return 0.015 })
	f, err := Solve(in.h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	before, err := f.Cause(cellID(3), DefaultCauseSettings())
	if err != nil {
		t.Fatal(err)
	}
	if before.Next != Barometer || before.Information <= 0 || len(before.NotSeparable) == 0 || before.Sentence == "" {
		t.Errorf("before: %+v", before)
	}
	for w := 30; w < 60; w += 5 {
		x := in.x[3][w][4]
		in.h.Observations = append(in.h.Observations, Observe(cellID(3), "air"+visitAt(3, w).String(), visitAt(3, w).Add(time.Hour), fleet.FaultAir, x, 0.002))
	}
	if f, err = Solve(in.h, s, v); err != nil {
		t.Fatal(err)
	}
	after, err := f.Cause(cellID(3), DefaultCauseSettings())
	if err != nil {
		t.Fatal(err)
	}
	if after.Causes[0].Fault != fleet.FaultAir || after.Causes[0].Probability < 0.95 || len(after.NotSeparable) != 0 {
		t.Errorf("after: %+v", after)
	}
}

// A tired reference car is the car's doing, not that of the cells it visits.
func TestCauseReferenceCar(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	p := truthPlan(5, 60, s, v)
	p.fade = func(j, w int) float64 {
		if j == 2 && w >= 40 {
			return -0.015
		}
		return 0
	}
	f, err := Solve(p.invent().h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range f.Cars(visitAt(0, 35)) {
		near(t, "change of "+string(c.Car), c.Change, map[bool]float64{true: -0.015, false: 0}[c.Car == carID(2)], 0, 1.5*c.U)
	}
	verdict, err := f.Cause(cellID(3), DefaultCauseSettings())
	if err != nil {
		t.Fatal(err)
	}
	if top := verdict.Causes[0]; top.Fault != fleet.FaultReferenceCar || top.Car != carID(2) || top.Probability < 0.9 {
		t.Errorf("top cause %+v", top)
	}
	near(t, "size", verdict.Causes[0].Size, -0.015, 0, 0.005)
}
