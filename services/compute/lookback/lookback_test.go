package lookback_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"rollcall/services/compute/flag"
	"rollcall/services/compute/lookback"
	"rollcall/services/fleet"
)

var day0 = time.Date(2024, 3, 4, 9, 0, 0, 0, time.UTC)

func day(n int) time.Time { return day0.AddDate(0, 0, n) }

func of(v float64) *float64 { return &v }

// Expected effects by hand from the signatures: F = 3000 N, brake 2100 N (share
// 0.7), a = 1.2 m/s².
func TestEffects(t *testing.T) {
	whole := lookback.Pull{ID: "p", Cell: "c", At: day(5), CustomerCar: "blue hatchback",
		TractiveForce: of(3000), BrakeForce: of(2100), Acceleration: of(1.2), Corrected: true}
	bare := lookback.Pull{ID: "p", Cell: "c", At: day(5), Corrected: true}
	plain := whole
	plain.Corrected = false
	cases := []struct {
		name      string
		fault     fleet.Fault
		p         float64
		size, u   float64
		pull      lookback.Pull
		effect, U float64
	}{
		{"gain 2 %", fleet.FaultGain, 0.9, 0.02, 0.004, whole, math.Expm1(0.014), math.Exp(0.014) * 0.0028},
		{"zero 30 N", fleet.FaultZero, 0.9, 30, 6, whole, math.Expm1(0.01), math.Exp(0.01) * 0.002},
		{"inertia 25 kg", fleet.FaultInertia, 0.9, 25, 5, whole, math.Expm1(0.01), math.Exp(0.01) * 0.002},
		{"drag 30 N", fleet.FaultParasitic, 0.9, 30, 6, whole, math.Expm1(-0.01), math.Exp(-0.01) * 0.002},
		{"air 1 % on corrected power", fleet.FaultAir, 0.9, 0.01, 0.002, whole, math.Expm1(0.01), math.Exp(0.01) * 0.002},
		{"air 1 % on uncorrected power", fleet.FaultAir, 0.9, 0.01, 0.002, plain, 0, 0},
		{"gain, brake share not known: offset", fleet.FaultGain, 0.9, 0.02, 0.004, bare, math.Expm1(0.013), math.Exp(0.013) * 0.005},
		{"cause not likely: offset", fleet.FaultGain, 0.4, 0.02, 0.004, whole, math.Expm1(0.013), math.Exp(0.013) * 0.005},
		{"other: offset", fleet.FaultOther, 0.9, 0.02, 0.004, whole, math.Expm1(0.013), math.Exp(0.013) * 0.005},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := flag.Flag{Cell: "c", Open: true, LastGoodAt: day(0), Size: 0.013, U: 0.005,
				Causes: []flag.Cause{{Fault: c.fault, Probability: c.p, Size: c.size, U: c.u}}}
			got := lookback.Effects(f, []lookback.Pull{c.pull})
			if len(got) != 1 {
				t.Fatalf("%d pulls", len(got))
			}
			// Floating point alone.
			if math.Abs(got[0].Effect-c.effect) > 1e-15 || math.Abs(got[0].U-c.U) > 1e-15 {
				t.Errorf("%.6f ± %.6f, want %.6f ± %.6f", got[0].Effect, got[0].U, c.effect, c.U)
			}
			if got[0].CustomerCar != c.pull.CustomerCar || !got[0].At.Equal(c.pull.At) {
				t.Errorf("%+v", got[0])
			}
		})
	}
}

func TestWhichPulls(t *testing.T) {
	pulls := []lookback.Pull{
		{ID: "late", Cell: "c", At: day(20)}, {ID: "b", Cell: "c", At: day(5)}, {ID: "a", Cell: "c", At: day(5)},
		{ID: "early", Cell: "c", At: day(-1)}, {ID: "edge", Cell: "c", At: day(0)}, {ID: "else", Cell: "d", At: day(5)},
	}
	ids := func(f flag.Flag) []fleet.PullID {
		out := []fleet.PullID{}
		for _, e := range lookback.Effects(f, pulls) {
			out = append(out, e.Pull)
		}
		return out
	}
	closed := flag.Flag{Cell: "c", LastGoodAt: day(0), ClosedAt: day(10), Size: 0.01}
	open := closed
	open.Open, open.ClosedAt = true, time.Time{}
	never := open
	never.LastGoodAt = time.Time{}
	car := flag.Flag{Car: "j", Open: true}
	blamed := open
	blamed.Causes = []flag.Cause{{Fault: fleet.FaultReferenceCar, Probability: 0.97}}
	for _, c := range []struct {
		name string
		f    flag.Flag
		want []fleet.PullID
	}{
		{"closed", closed, []fleet.PullID{"edge", "a", "b"}},
		{"open", open, []fleet.PullID{"edge", "a", "b", "late"}},
		{"never known good", never, []fleet.PullID{"early", "edge", "a", "b", "late"}},
		{"reference car", car, []fleet.PullID{}},
		{"cell, but the car is to blame", blamed, []fleet.PullID{}},
	} {
		if got := ids(c.f); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}
