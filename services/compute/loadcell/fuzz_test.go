package loadcell

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"rollcall/services/fleet"
)

// source hands out values of a fuzzer's bytes.
type source struct {
	data []byte
}

func (s *source) byte() byte {
	if len(s.data) == 0 {
		return 0
	}
	b := s.data[0]
	s.data = s.data[1:]
	return b
}

// odd are numbers that break things.
var odd = []float64{0, math.NaN(), math.Inf(1), math.Inf(-1), 1e308, -1e308, 5e-324, math.MaxFloat64, math.Copysign(0, -1), 1e-300, 1e8, -1}

// number is mostly near want, now and then odd or anything.
func (s *source) number(want float64) float64 {
	switch b := s.byte(); {
	case b < 160:
		return want * (1 + (float64(s.byte())-128)/2000)
	case b < 200:
		return want * (float64(s.byte()) - 100) / 20
	case b < 230:
		return odd[int(s.byte())%len(odd)]
	case b < 240:
		return math.Float64frombits(uint64(s.byte())<<56 | uint64(s.byte())<<48 | uint64(s.byte())<<40 | uint64(s.byte()))
	}
	return want
}

func (s *source) maybe(want float64) *float64 {
	if s.byte() < 40 {
		return nil
	}
	x := s.number(want)
	return &x
}

// numbers calls see with every number within v, but for degrees of freedom,
// which may be infinite by their meaning but never NaN.
func numbers(v reflect.Value, name string, see func(name string, x float64)) {
	switch v.Kind() {
	case reflect.Float64:
		see(name, v.Float())
	case reflect.Pointer:
		if !v.IsNil() {
			numbers(v.Elem(), name, see)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			return
		}
		for i := range v.NumField() {
			numbers(v.Field(i), name+"."+v.Type().Field(i).Name, see)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			numbers(v.Index(i), name, see)
		}
	}
}

// FuzzJudge: whatever comes in, nothing panics, every check has a verdict and a
// sentence, and every figure that goes out is a number.
func FuzzJudge(f *testing.F) {
	f.Add([]byte{})
	for k := range 12 {
		var b []byte
		for i := range 600 {
			b = append(b, byte(i*(7+k)+k*31))
		}
		f.Add(b)
		for i := range b {
			b[i] = byte(100 + i%60)
		}
		b[0], b[1] = byte(k), byte(k)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) { anything(t, data) })
}

// TestManyThings feeds random bytes to what FuzzJudge does, long enough to fill
// every field, which a short fuzzing run seldom gets to.
func TestManyThings(t *testing.T) {
	rng := rand.New(rand.NewPCG(20260302, 31))
	usable := 0
	for range 3000 {
		b := make([]byte, 100+rng.IntN(600))
		// Some checks nearly whole, some not at all.
		wild := rng.Float64()
		for i := range b {
			if rng.Float64() < wild*wild {
				b[i] = byte(rng.IntN(256))
			} else {
				b[i] = byte(100 + rng.IntN(60))
			}
		}
		copy(b, []byte{byte(rng.IntN(256)), byte(rng.IntN(256)), byte(rng.IntN(256)), byte(rng.IntN(256))})
		if anything(t, b) {
			usable++
		}
	}
	t.Logf("%d of 3000 usable", usable)
	if usable < 150 {
		t.Errorf("%d of 3000 checks were usable: the judging itself is hardly reached", usable)
	}
}

// anything judges the check that the bytes make and reports whether it was
// usable.
func anything(t *testing.T, data []byte) bool {

	s := &source{data}
	cell, masses, std := bay(), weights(), standards()
	check := fleet.Check{
		ID: "f", Cell: "bay-1", PerformedAt: performed,
		Kind: fleet.CheckKind(s.byte() % 9), State: fleet.CheckState(s.byte() % 4),
	}
	n := int(s.byte() % 40)
	plain := s.byte() < 200 // mostly a whole registry
	if !plain {
		cell.LeverArm, cell.CalibrationArm, cell.LoadCellRange = s.number(0.35), s.number(1), s.number(5000)
		cell.CheckTolerance, cell.ZeroTolerance = s.number(0.005), s.number(5)
		cell.U.LeverArm, cell.U.CalibrationArm, cell.U.ArmAngle = s.number(1e-4), s.number(2e-4), s.number(0.01)
		cell.U.AirPressure, cell.U.Humidity = s.number(100), s.number(0.03)
		cell.Class = []string{"", "iso_376 1", "iso_7500_1 2", "x", "iso_376 9"}[s.byte()%5]
		masses["m1"] = fleet.Mass{ID: "m1", Mass: s.number(20), U: s.number(0.004), Density: s.number(7850)}
		std["tlc"] = fleet.Standard{ID: "tlc", Kind: fleet.StandardForce, Range: s.number(5000), U: s.number(0.001), ULeast: s.number(1)}
	}
	check.AirPressure, check.AirTemperature, check.Humidity = s.maybe(101325), s.maybe(293), s.maybe(0.5)
	if s.byte() > 200 {
		check.ArmAngle = s.maybe(0.02)
	}
	check.Standard = []fleet.StandardID{"tlc", "tq", "", "no"}[s.byte()%4]
	in := Input{Check: check, Cell: cell, Masses: masses, Standards: std, Gravity: gravity}
	if s.byte() > 220 {
		in.Gravity, in.UGravity = s.number(gravity), s.number(5e-5)
		in.InForce = Calibration{Zero: s.number(2), Gain: s.number(0.01), UZero: s.number(1), UGain: s.number(1e-3), Degree: int(s.byte() % 5), Quadratic: s.number(1e-6), Cubic: s.number(1e-10), Low: s.number(0), High: s.number(3000)}
	}
	ids := []fleet.MassID{"m1", "m2", "m3", "m4", "m5", "m6"}
	for i := range n {
		k := (i % 11)
		if k > 5 {
			k = 10 - k
		}
		if b := s.byte(); b > 230 {
			k = int(b % 6)
		}
		r := fleet.Reading{Cycle: i / 11, Direction: fleet.Rising, Force: s.maybe(560 * float64(k))}
		if i%11 > 5 {
			r.Direction = fleet.Falling
		}
		if b := s.byte(); b > 235 {
			r.Direction = fleet.Direction(b % 3)
			r.Preload = b%2 == 0
		}
		switch check.Kind {
		case fleet.CheckDeadWeight:
			r.Masses = ids[:k]
		case fleet.CheckShunt:
			r.Simulated = s.maybe(560 * float64(k))
		case fleet.CheckTransfer:
			r.Reference = s.maybe(560 * float64(k))
		case fleet.CheckTorque:
			r.Reference = s.maybe(196 * float64(k))
		case fleet.CheckZeroTurning:
			r.Speed = s.maybe(float64(5 * k))
		}
		if b := s.byte(); b > 220 {
			r.Mounting, r.Sense = int(b%3), fleet.Sense(b%3)
			r.Held = s.maybe(60)
		}
		in.Check.Readings = append(in.Check.Readings, r)
	}
	before := Assess(in)
	before.Stated = before.Stated[:len(before.Stated)/2]
	older := in.Check
	older.ID, older.PerformedAt = "e", performed.AddDate(0, 0, -30)
	in.Earlier = []Earlier{{older, before}}
	r := Assess(in)
	if r.Verdict == fleet.VerdictNone || r.Reason == "" {
		t.Fatalf("no verdict: %+v", r)
	}
	numbers(reflect.ValueOf(r), "result", func(name string, x float64) {
		if math.IsNaN(x) || math.IsInf(x, 0) && name[max(0, len(name)-4):] != ".DoF" {
			t.Fatalf("%s is %v: %s", name, x, r.Reason)
		}
	})
	if r.Risk < 0 || r.Risk > 1 || r.ZeroRisk < 0 || r.ZeroRisk > 1 {
		t.Fatalf("risk %v, of zero %v", r.Risk, r.ZeroRisk)
	}
	if r.AsLeftValid && !r.AsLeft.possible() {
		t.Fatalf("a calibration no load cell has: %+v", r.AsLeft)
	}
	if again := Assess(in); again.Reason != r.Reason || again.AsLeft != r.AsLeft || again.Risk != r.Risk {
		t.Fatal("two runs differ")
	}
	return r.Verdict != fleet.VerdictUnusable
}
