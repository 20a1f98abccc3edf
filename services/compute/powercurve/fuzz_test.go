package powercurve

import (
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// notFinite returns the path of the first number under v that is not finite,
// infinite degrees of freedom aside.
func notFinite(v reflect.Value, path string) string {
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); x-x != 0 {
			return path
		}
	case reflect.Pointer:
		if !v.IsNil() {
			return notFinite(v.Elem(), path)
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			if p := notFinite(v.Index(i), path); p != "" {
				return p
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if name := v.Type().Field(i).Name; (name == "DoF" || name == "dof") && v.Field(i).Kind() == reflect.Float64 && math.IsInf(v.Field(i).Float(), 1) {
				continue // taken as known
			}
			if p := notFinite(v.Field(i), path+"."+v.Type().Field(i).Name); p != "" {
				return p
			}
		}
	}
	return ""
}

// FuzzReduce spoils a good pull and holds that Reduce never panics and that
// every number of a curve it returns is finite, every uncertainty not negative,
// every point inside the sweep.
func FuzzReduce(f *testing.F) {
	f.Add(uint64(1), uint8(0), 0.0, 1.0, uint16(10))
	f.Add(uint64(2), uint8(1), math.NaN(), 0.5, uint16(900))
	f.Add(uint64(3), uint8(2), math.Inf(1), 0.01, uint16(400))
	f.Add(uint64(4), uint8(3), 1e9, 2.0, uint16(1700))
	f.Add(uint64(5), uint8(9), 1e300, 1e300, uint16(3))
	f.Add(uint64(6), uint8(20), -1e308, 1e-300, uint16(3000))
	f.Add(uint64(1), uint8(82), 0.0, 438.0, uint16(9)) // two speeds at one engine speed
	base := pulltest.Example()
	base.Coast, base.Rate = 20, 50
	clean := base.Sample()
	names := []fleet.Channel{fleet.RollerSpeed, fleet.LoadCellForce, fleet.EngineSpeed, fleet.Pedal,
		fleet.AirPressure, fleet.AirTemperature, fleet.RelativeHumidity}
	f.Fuzz(func(t *testing.T, seed uint64, what uint8, value, scale float64, at uint16) {
		random := rand.New(rand.NewPCG(seed, 1))
		in := input(&base, base.Cell)
		in.Channels = map[fleet.Channel]channel.Series{}
		for _, name := range names {
			s := clean[name]
			in.Channels[name] = channel.Series{T: s.T, X: append([]float64{}, s.X...)}
		}
		name := names[int(what)%len(names)]
		s := in.Channels[name]
		n := len(s.X)
		switch what / 7 % 6 {
		case 0: // a stretch of one value
			for i := int(at) % n; i < min(n, int(at)%n+random.IntN(600)); i++ {
				s.X[i] = value
			}
		case 1: // another unit
			for i := range s.X {
				s.X[i] = s.X[i]*scale + value
			}
		case 2: // noise
			for i := range s.X {
				s.X[i] += scale * random.NormFloat64()
			}
		case 3: // cut short
			cut := int(at) % n
			in.Channels[name] = channel.Series{T: s.T[:cut], X: s.X[:cut]}
		case 4: // another clock
			clock := make([]float64, n)
			for i := range clock {
				clock[i] = s.T[i]*scale + value
			}
			in.Channels[name] = channel.Series{T: clock, X: s.X}
		case 5: // the cell
			in.Cell.BaseInertia *= scale
			in.Cell.LeverArm *= scale
			in.Cell.Parasitic.F2 = value
			in.Cell.U.LoadCell = value
			in.Calibration.Zero = value
			in.Calibration.UZero = scale
		}
		in.Band = band(base.Car)
		if random.IntN(4) == 0 {
			in.Grid = []float64{value, scale, value + scale}
		}
		in.SpeedGrid = []float64{15, 20, 30}
		in.Repeatability = &Repeatability{U: 1e-3, DoF: 3}
		in.Pull, in.SetUp = "p", "s"
		c, err := Reduce(in)
		if err != nil {
			return
		}
		last := math.Inf(-1)
		for _, x := range c.Segments {
			if x.Span.Start < last || !(x.Span.End > x.Span.Start) {
				t.Fatalf("segments %v", c.Segments)
			}
			last = x.Span.End
		}
		for f := TractiveForce; f <= lastFigure; f++ {
			trace, err := c.Trace(f, OnPoints)
			if err != nil {
				continue
			}
			if path := notFinite(reflect.ValueOf(trace), "Trace"); path != "" {
				t.Fatalf("%s of %s is not finite", path, f)
			}
			b, err := c.PeakBudget(f)
			if err != nil {
				continue
			}
			if path := notFinite(reflect.ValueOf(b), "Budget"); path != "" || b.U < 0 {
				t.Fatalf("%s: %s is not finite, or u %g, U %g", b.Of, path, b.U, b.Expanded)
			}
			for g := OnPoints; g <= OnSpeed; g++ {
				mean, err := c.MeanBudget(f, g, 0, math.MaxFloat64)
				if err != nil {
					continue
				}
				if path := notFinite(reflect.ValueOf(mean), "Budget"); path != "" || mean.U < 0 {
					t.Fatalf("%s: %s is not finite, or u %g, U %g", mean.Of, path, mean.U, mean.Expanded)
				}
			}
		}
		if loss, err := c.CarryLoss(in); err == nil {
			later := in
			later.CarriedLoss = &loss
			if d, err := Reduce(later); err == nil {
				if path := notFinite(reflect.ValueOf(d), "carried Curve"); path != "" {
					t.Fatalf("%s is not finite", path)
				}
			}
		}
		if path := notFinite(reflect.ValueOf(c), "Curve"); path != "" {
			t.Fatalf("%s is not finite", path)
		}
		all, none, err := ReduceAll(in)
		if err != nil {
			t.Fatalf("Reduce gives a curve, ReduceAll %v", err)
		}
		for i := range all {
			if path := notFinite(reflect.ValueOf(all[i]), "curve of all"); path != "" {
				t.Fatalf("%s is not finite", path)
			}
		}
		for _, x := range none {
			if !(x.Span.Length() > -1e300) || x.Span.Length() > 1e300 || x.Err == nil {
				t.Fatalf("no curve of %+v", x)
			}
		}
		for _, p := range append(c.Points, c.Band...) {
			if p.UTractiveForce < p.UOwnForce*(1-1e-12) || p.UOwnForce < 0 || p.Time < c.Sweep.Start || p.Time > c.Sweep.End {
				t.Fatalf("point %+v of sweep %+v", p, c.Sweep)
			}
		}
	})
}

// FuzzSegments spoils a record of several sweeps or of one in steps, and holds
// that the segments it is cut into are in order, finite, and within the record,
// however it is spoiled.
func FuzzSegments(f *testing.F) {
	f.Add(uint64(1), uint8(0), uint8(0), 0.0, uint16(10), uint16(400))
	f.Add(uint64(2), uint8(1), uint8(1), 30.0, uint16(900), uint16(100))
	f.Add(uint64(3), uint8(2), uint8(2), math.NaN(), uint16(400), uint16(2000))
	f.Add(uint64(4), uint8(0), uint8(3), 1e9, uint16(1700), uint16(30))
	ramp := pulltest.Example()
	ramp.Coast, ramp.Rate = 20, 20
	twice, _ := pulltest.Join(3, ramp.Sample(), ramp.Sample())
	steps := stepped(ramp)
	records := []map[fleet.Channel]channel.Series{ramp.Sample(), twice, steps.Sample()}
	names := []fleet.Channel{fleet.RollerSpeed, fleet.RollerSpeed, fleet.EngineSpeed, fleet.Pedal, fleet.LoadCellForce}
	f.Fuzz(func(t *testing.T, seed uint64, which, what uint8, value float64, at, length uint16) {
		random := rand.New(rand.NewPCG(seed, 2))
		in := input(&ramp, ramp.Cell)
		in.Channels = map[fleet.Channel]channel.Series{}
		for name, s := range records[int(which)%len(records)] {
			in.Channels[name] = channel.Series{T: s.T, X: append([]float64{}, s.X...)}
		}
		s := in.Channels[names[int(what)%len(names)]]
		from := int(at) % len(s.X)
		until := min(len(s.X), from+int(length))
		for i := from; i < until; i++ {
			switch what / 8 % 4 {
			case 0:
				s.X[i] = value
			case 1:
				s.X[i] += value * random.NormFloat64()
			case 2:
				s.X[i] = s.X[from]
			case 3:
				s.X[i] *= value
			}
		}
		got, err := FindSegments(in)
		if err != nil {
			return
		}
		v := in.Channels[fleet.RollerSpeed]
		end := v.T[0]
		for _, x := range got {
			if x.Kind < RunUp || x.Kind > SpinDown || !(x.Span.Start >= end) || !(x.Span.End > x.Span.Start) || x.Span.End > v.T[len(v.T)-1] {
				t.Fatalf("segments %v", got)
			}
			end = x.Span.End
		}
	})
}
