package powercurve

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// noisy returns the example with the noise of an ordinary cell.
func noisy(seed uint64) pulltest.Pull {
	s := pulltest.Example()
	s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = rand.New(rand.NewPCG(seed, 5)), 0.01, 25, 2
	return s
}

// stepped returns a sweep of 8 steps of 5 s.
func stepped(s pulltest.Pull) pulltest.Pull {
	s.Steps, s.StepRise, s.Ramp = 8, 2, 40
	s.Accel, s.Bend = 30.0/40, 0
	return s
}

// find returns the span of the first segment of a kind.
func find(segments []Segment, k SegmentKind) (channel.Span, bool) {
	for _, s := range segments {
		if s.Kind == k {
			return s.Span, true
		}
	}
	return channel.Span{}, false
}

// The segments of a pull are where the simulator made them, follow each other
// without a gap, and cover the record; with and without noise, engine speed,
// pedal, coast-down, drag of the brake, in a ramp and in steps.
func TestSegments(t *testing.T) {
	for name, change := range map[string]func(*pulltest.Pull, *Input){
		"all":             nil,
		"no pedal":        func(_ *pulltest.Pull, in *Input) { delete(in.Channels, fleet.Pedal) },
		"no engine speed": func(_ *pulltest.Pull, in *Input) { delete(in.Channels, fleet.EngineSpeed) },
		"speed and load": func(_ *pulltest.Pull, in *Input) {
			delete(in.Channels, fleet.EngineSpeed)
			delete(in.Channels, fleet.Pedal)
		},
	} {
		for kind, make := range map[string]func() pulltest.Pull{
			"ramp":  func() pulltest.Pull { return noisy(3) },
			"exact": pulltest.Example,
			"steps": func() pulltest.Pull { return stepped(noisy(4)) },
			"drag": func() pulltest.Pull {
				s := noisy(5)
				s.Drag = fleet.Loss{F0: 60, F1: 2}
				return s
			},
		} {
			t.Run(name+" "+kind, func(t *testing.T) {
				s := make()
				in := input(&s, s.Cell)
				if change != nil {
					change(&s, &in)
				}
				got, err := FindSegments(in)
				if err != nil {
					t.Fatal(err)
				}
				end := s.Hold + s.Ramp
				sweep, _ := find(got, Sweep)
				coast, ok := find(got, CoastDown)
				if !ok {
					t.Fatalf("no coast-down in %v", got)
				}
				early := 0.4
				if s.Steps > 0 {
					early = s.StepRise + stepSettle + 0.4 // the first step's rise is not yet held
				}
				if sweep.Start < s.Hold-0.05 || sweep.Start > s.Hold+early || sweep.End > end || sweep.End < end-0.6 {
					t.Errorf("sweep %+v, true %g to %g s", sweep, s.Hold, end)
				}
				// Engine speed falls by 300 rad/s²: out of gear's share after 0.3 s.
				if coast.Start < end+0.2 || coast.Start > end+1.6 || coast.End > end+s.Coast {
					t.Errorf("coast-down %+v, true from %g s", coast, end)
				}
				order := []SegmentKind{RunUp, Sweep, LiftOff, CoastDown, SpinDown}
				v := in.Channels[fleet.RollerSpeed]
				at := v.T[0]
				for k, x := range got {
					if x.Span.Start != at || !(x.Span.End > at) || k < len(order) && x.Kind != order[k] {
						t.Errorf("segment %d: %s %+v, want %s from %g s", k, x.Kind, x.Span, order[min(k, 4)], at)
					}
					at = x.Span.End
				}
				if at != v.T[len(v.T)-1] {
					t.Errorf("segments end at %g s, the record at %g s", at, v.T[len(v.T)-1])
				}
			})
		}
	}
}

// What rises like a sweep and gives no curve is named with its time and the reason:
// a sweep during which the load cell is silent, and rollers that are blipped up for
// less than a second.
func TestReduceAllNamesWhatGivesNoCurve(t *testing.T) {
	a, b := noisy(21), noisy(22)
	in := input(&a, a.Cell)
	var begins []float64
	// Blipped up to half of the speed in 0.8 s, and down again.
	blip := map[fleet.Channel]channel.Series{}
	whole := b.Sample()
	for name, s := range whole {
		out := channel.Series{}
		for i := range 300 {
			at := float64(i) / b.Rate
			x := s.X[0]
			if name == fleet.RollerSpeed {
				x = 1 + math.Max(0, 24*math.Min(at/0.8, (2.6-at)/1.8))
			}
			out.T, out.X = append(out.T, at), append(out.X, x)
		}
		blip[name] = out
	}
	in.Channels, begins = pulltest.Join(4, a.Sample(), blip, whole)
	load := in.Channels[fleet.LoadCellForce]
	silent := channel.Series{}
	for i, at := range load.T {
		if at < begins[0]+a.Hold || at > begins[0]+a.Hold+a.Ramp {
			silent.T, silent.X = append(silent.T, at), append(silent.X, load.X[i])
		}
	}
	in.Channels[fleet.LoadCellForce] = silent
	curves, none, err := ReduceAll(in)
	if err != nil || len(curves) != 1 || len(none) != 2 {
		t.Fatalf("%d curves, none of %v, %v", len(curves), none, err)
	}
	if at := curves[0].Sweep.Start - begins[2] - b.Hold; math.Abs(at) > 0.5 {
		t.Errorf("the sweep is off by %.2f s", at)
	}
	if x := none[0]; !errors.Is(x.Err, ErrChannel) || math.Abs(x.Span.Start-begins[0]-a.Hold) > 0.5 || !strings.Contains(x.Err.Error(), "load_cell") {
		t.Errorf("%+v", x)
	}
	if x := none[1]; !errors.Is(x.Err, ErrSweep) || x.Span.Start < none[0].Span.End || x.Span.End > curves[0].Sweep.Start || !strings.Contains(x.Err.Error(), "a pull needs 1 s") {
		t.Errorf("%+v", x)
	}
	// One that gives none at all says the same as Reduce.
	delete(in.Channels, fleet.LoadCellForce)
	_, want := Reduce(in)
	if curves, _, err := ReduceAll(in); err == nil || curves != nil || err.Error() != want.Error() {
		t.Errorf("%v, want %v", err, want)
	}
}

// Three sweeps in one record, each with its coast-down, are three curves, each
// the same as from its own record; Reduce takes the last full one, not a warming
// pull that ends early, wherever it stands.
func TestReduceAll(t *testing.T) {
	full := func(scale float64, seed uint64) pulltest.Pull {
		s := noisy(seed)
		s.Scale = scale
		return s
	}
	short := noisy(13)
	short.Ramp = 6
	a, b, c := full(1, 11), full(1.02, 12), full(1.04, 14)
	for name, x := range map[string]struct {
		pulls []pulltest.Pull
		best  int
	}{
		"three":         {[]pulltest.Pull{a, b, c}, 2},
		"warming first": {[]pulltest.Pull{short, a, b}, 2},
		"broken last":   {[]pulltest.Pull{a, b, short}, 1},
		"one":           {[]pulltest.Pull{b}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			var records []map[fleet.Channel]channel.Series
			for i := range x.pulls {
				s := x.pulls[i]
				s.Random = rand.New(rand.NewPCG(uint64(i), 77))
				records = append(records, s.Sample())
			}
			in := input(&x.pulls[0], x.pulls[0].Cell)
			var begins []float64
			in.Channels, begins = pulltest.Join(4, records...)
			curves, none, err := ReduceAll(in)
			if err != nil {
				t.Fatal(err)
			}
			if len(curves) != len(x.pulls) || len(none) > 0 {
				t.Fatalf("%d curves of %d sweeps, none of %v", len(curves), len(x.pulls), none)
			}
			best, err := Reduce(in)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(best, curves[x.best]) {
				t.Errorf("Reduce took the sweep at %g s, not the one at %g s", best.Sweep.Start, curves[x.best].Sweep.Start)
			}
			for i, c := range curves {
				s := &x.pulls[i]
				if math.Abs(c.Sweep.Start-begins[i]-s.Hold) > 0.5 || math.Abs(c.Sweep.End-begins[i]-s.Hold-s.Ramp) > 0.3 {
					t.Errorf("sweep %d at %+v, true from %g s", i, c.Sweep, begins[i]+s.Hold)
				}
				if c.CoastDown == nil {
					t.Fatalf("sweep %d: %s", i, c.NoEnginePower)
				}
				if c.CoastDown.Start < c.Sweep.End || i+1 < len(begins) && c.CoastDown.End > begins[i+1]+x.pulls[i+1].Hold {
					t.Errorf("sweep %d has the coast-down %+v", i, c.CoastDown)
				}
				for _, p := range c.Points {
					if p.EnginePower == nil {
						continue
					}
					if z := (*p.EnginePower - s.Power(p.EngineSpeed)) / *p.UEnginePower; math.Abs(z) > 4.5 {
						t.Errorf("sweep %d, %.0f rpm: off by %.1f u", i, p.EngineSpeed/rpm, z)
					}
				}
			}
			segments, err := FindSegments(in)
			if err != nil {
				t.Fatal(err)
			}
			sweeps := 0
			for k, x := range segments {
				if x.Kind == Sweep {
					sweeps++
				}
				if k > 0 && x.Span.Start != segments[k-1].Span.End {
					t.Errorf("a gap before segment %d", k)
				}
			}
			if sweeps != len(x.pulls) {
				t.Errorf("%d sweeps in the segments", sweeps)
			}
		})
	}
}

// A sweep in steps gives the steady curve: one point a step, the engine's power
// within 0.05 % with exact samples, within U with noise. A hold before a ramp,
// and a slow ramp of 60 s, are no steps.
func TestSteps(t *testing.T) {
	exact := stepped(pulltest.Example())
	in := input(&exact, exact.Cell)
	c, err := Reduce(in)
	if err != nil {
		t.Fatal(err)
	}
	spans := exact.StepSpans()
	if len(c.Steps) != 8 || len(c.Points) != 8 {
		t.Fatalf("%d steps, %d points, want 8: %s", len(c.Steps), len(c.Points), c.NoEnginePower)
	}
	for k, s := range c.Steps {
		if s.Start < spans[k].Start || s.End > spans[k].End || s.Length() < 0.5*spans[k].Length() {
			t.Errorf("step %d found at %+v, held %+v", k, s, spans[k])
		}
	}
	for _, p := range c.Points {
		if p.EnginePower == nil {
			t.Fatalf("no engine power at %.0f rpm: %s %s", p.EngineSpeed/rpm, c.NoEnginePower, c.LossNote)
		}
		if want := exact.Power(p.EngineSpeed); math.Abs(*p.EnginePower/want-1) > 5e-4 {
			t.Errorf("%.0f rpm: %.1f W, want %.1f", p.EngineSpeed/rpm, *p.EnginePower, want)
		}
		if want := exact.Torque(p.EngineSpeed); math.Abs(*p.EngineTorque/want-1) > 5e-4 {
			t.Errorf("%.0f rpm: %.2f N·m, want %.2f", p.EngineSpeed/rpm, *p.EngineTorque, want)
		}
		if math.Abs(p.Acceleration) > 1e-3 {
			t.Errorf("%.0f rpm: %.4f m/s² at a steady point", p.EngineSpeed/rpm, p.Acceleration)
		}
	}
	var square, n float64
	for seed := range uint64(60) {
		s := stepped(noisy(seed))
		c, err := Reduce(input(&s, s.Cell))
		if err != nil {
			t.Fatal(err)
		}
		if len(c.Points) != 8 {
			t.Fatalf("seed %d: %d points", seed, len(c.Points))
		}
		trace, err := c.Trace(WheelPower, OnPoints)
		if err != nil {
			t.Fatal(err)
		}
		for k, p := range c.Points[1:7] {
			v := p.EngineSpeed * 0.31 / 4.6
			z := (p.WheelPower - (s.Power(p.EngineSpeed) - s.Driveline.At(v)*v)) / trace.Own[k+1]
			square += z * z
			n++
		}
	}
	// Noise alone: the mean square of 360 standard normals is 1 ± 3·√(2/360).
	if m := square / n; math.Abs(m-1) > 0.22 {
		t.Errorf("mean square of the error over its own noise %.2f", m)
	}
	for name, s := range map[string]pulltest.Pull{
		"hold and ramp": noisy(1),
		"slow ramp": func() pulltest.Pull {
			s := noisy(2)
			s.Ramp, s.Accel, s.Bend = 60, 0.5, 0
			return s
		}(),
	} {
		c, err := Reduce(input(&s, s.Cell))
		if err != nil {
			t.Fatal(name, err)
		}
		if c.Steps != nil || c.Sweep.Length() < 0.9*s.Ramp {
			t.Errorf("%s: steps %v, sweep %+v", name, c.Steps, c.Sweep)
		}
	}
}

// The brake still drags in the coast-down, by a constant and in proportion to
// speed, as the load cell reads: engine power is the engine's within 0.05 %, and
// the drag is told.
func TestResidualDrag(t *testing.T) {
	for name, drag := range map[string]fleet.Loss{
		"constant": {F0: 150}, "eddy current": {F0: 20, F1: 6}, "pushes": {F0: -40},
	} {
		s := pulltest.Example()
		s.Drag = drag
		c, err := Reduce(input(&s, s.Cell))
		if err != nil {
			t.Fatal(name, err)
		}
		if c.Loss == nil {
			t.Fatal(name, c.NoEnginePower)
		}
		for _, v := range []float64{15, 30, 40} {
			if got := c.Loss.Drag.At(v); math.Abs(got-drag.At(v)) > 0.05 {
				t.Errorf("%s at %g m/s: drag %.3f N, want %.3f", name, v, got, drag.At(v))
			}
		}
		for _, p := range c.Points {
			if p.EnginePower == nil {
				continue
			}
			if want := s.Power(p.EngineSpeed); math.Abs(*p.EnginePower/want-1) > 5e-4 {
				t.Errorf("%s, %.0f rpm: %.1f W, want %.1f", name, p.EngineSpeed/rpm, *p.EnginePower, want)
			}
		}
	}
}

// The curve on the speed grid is the curve on the engine-speed grid: with exact
// samples engine power is the engine's within 0.05 % at every grid speed.
func TestSpeedGrid(t *testing.T) {
	for name, without := range map[string]bool{"logged": false, "not logged": true} {
		s := pulltest.Example()
		s.NoEngine = without
		in := input(&s, s.Cell)
		in.SpeedGrid = DefaultSpeedGrid(0, 60)
		c, err := Reduce(in)
		if err != nil {
			t.Fatal(err)
		}
		// 1900 to 6100 rpm is 13.4 to 43 m/s, 48 to 155 km/h: about 20 points.
		if len(c.BySpeed) < 18 {
			t.Errorf("%s: %d points", name, len(c.BySpeed))
		}
		for _, p := range c.BySpeed {
			if r := p.Speed * 3.6 / 5; math.Abs(r-math.Round(r)) > 1e-9 {
				t.Errorf("%s: speed %.6f m/s is not on the grid", name, p.Speed)
			}
			if n := p.Speed * 4.6 / 0.31; math.Abs(p.EngineSpeed/n-1) > 2e-5 {
				t.Errorf("%s: %.2f rad/s at %.2f m/s, want %.2f", name, p.EngineSpeed, p.Speed, n)
			}
			if p.EnginePower == nil {
				t.Fatal("no engine power")
			}
			if want := s.Power(p.Speed * 4.6 / 0.31); math.Abs(*p.EnginePower/want-1) > 5e-4 {
				t.Errorf("%s, %.1f m/s: %.1f W, want %.1f", name, p.Speed, *p.EnginePower, want)
			}
		}
	}
}
