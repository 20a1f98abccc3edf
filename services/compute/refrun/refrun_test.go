package refrun

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

var session = Session{Site: "site-1", Cell: "cell-1", Car: "car-1", Name: "2026-W11"}

// reduce returns the pull as it stands before Assemble, with the registry's
// cell.
func reduce(s pulltest.Pull, registry fleet.Cell, id string, at time.Time) Source {
	in := powercurve.Input{
		Cell: registry, Vehicle: powercurve.VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionSAEJ1349,
		Band: BandPoints(s.Car.BandLow, s.Car.BandHigh),
	}
	out := Source{Pull: fleet.Pull{ID: fleet.PullID(id), StartedAt: at, Cell: registry.ID, Car: s.Car.ID, Session: session.Name}}
	judged := finding.Input{Pull: in, BandLow: s.Car.BandLow, BandHigh: s.Car.BandHigh, Limits: finding.DefaultLimits()}
	if c, err := powercurve.Reduce(in); err != nil {
		out.Err, judged.Err = err, err
	} else {
		out.Curve, judged.Curve = &c, &c
	}
	out.Findings = finding.Judge(judged)
	return out
}

var monday = time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)

// sources returns five pulls: two noisy good ones, one without humidity, one
// that does not cover the band, one that cannot be read.
func sources() []Source {
	var out []Source
	for i := range 5 {
		s := pulltest.Example()
		s.Random, s.SpeedNoise, s.LoadNoise = rand.New(rand.NewPCG(uint64(i), 2)), 0.01, 20
		if i == 3 {
			s.Car.BandHigh *= 1.2
		}
		source := reduce(s, s.Cell, fmt.Sprintf("pull-%d", i), monday.Add(time.Duration(i)*time.Minute))
		switch i {
		case 2:
			source.Curve.Correction, source.Curve.CorrectionNote = nil, "not corrected: no humidity"
		case 4:
			source.Curve, source.Err, source.Findings = nil, errors.New("no sweep"), nil
		}
		out = append(out, source)
	}
	return out
}

func TestAssemble(t *testing.T) {
	run := Assemble(session, sources())
	// SHA-256 over the parts, each closed by a zero byte.
	sum := sha256.Sum256([]byte("run\x00cell-1\x00car-1\x002026-W11\x00"))
	if want := hex.EncodeToString(sum[:16]); string(run.ID) != want {
		t.Errorf("id %s, want %s", run.ID, want)
	}
	if len(run.Pulls) != 2 || run.Pulls[0].ID != "pull-0" || run.Pulls[1].ID != "pull-1" || !run.At.Equal(monday) {
		t.Fatalf("pulls %+v at %v", run.Pulls, run.At)
	}
	if len(run.LeftOut) != 3 {
		t.Fatalf("left out %+v", run.LeftOut)
	}
	for i, word := range []string{"humidity", "band", "no sweep"} {
		if l := run.LeftOut[i]; l.ID != fleet.PullID(fmt.Sprintf("pull-%d", i+2)) || !strings.Contains(l.Reason, word) {
			t.Errorf("left out %+v, want the word %q", l, word)
		}
	}
	// The simulator's air.
	if a := run.Air; math.Abs(a.Pressure-98200) > 1e-6 || math.Abs(a.Temperature-296.15) > 1e-9 || math.Abs(a.Humidity-0.45) > 1e-12 {
		t.Errorf("air %+v", a)
	}
	for _, p := range run.Pulls {
		for k := range K {
			if want := p.LnC + math.Log(p.Force[k]); p.Y[k] != want || !(p.U[k] > 0) || p.U[k] > 0.01 {
				t.Errorf("y(%d) = %g ± %g, want %g", k, p.Y[k], p.U[k], want)
			}
		}
	}
	mean, deviation, n := Mean(run)
	m0, u0 := BandMean(run.Pulls[0])
	m1, _ := BandMean(run.Pulls[1])
	if n != 2 || math.Abs(mean-(m0+m1)/2) > 1e-12 || math.Abs(deviation-math.Abs(m0-m1)/math.Sqrt2) > 1e-12 || !(u0 > 0) {
		t.Errorf("mean %g, deviation %g of %d pulls", mean, deviation, n)
	}
}

// The order of pulls does not matter, nor that one comes twice.
func TestAssembleInAnyOrder(t *testing.T) {
	all := sources()
	want := Assemble(session, all)
	random := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		if got := Assemble(session, append(all, all[0])); !reflect.DeepEqual(got, want) {
			t.Fatalf("%+v\n%+v", got, want)
		}
	}
	if got := Assemble(session, nil); got.ID != want.ID || got.Pulls != nil || !got.At.IsZero() {
		t.Errorf("run of nothing: %+v", got)
	}
}

// Each signature is what a small fault of its kind, put into an exact simulated
// cell, does to y. Expected values: the two simulated runs' difference.
func TestSignatures(t *testing.T) {
	base := pulltest.Example()
	clean := Assemble(session, []Source{reduce(base, base.Cell, "a", monday)})
	if len(clean.Pulls) != 1 {
		t.Fatalf("left out %+v", clean.LeftOut)
	}
	kappa := base.Cell.LeverArm * base.Cell.BrakeRatio / base.Cell.RollerRadius
	for _, c := range []struct {
		fault fleet.Fault
		size  float64
		put   func(s *pulltest.Pull, registry *fleet.Cell, x float64)
	}{
		{fleet.FaultGain, 1e-4, func(s *pulltest.Pull, _ *fleet.Cell, x float64) { s.Calibration = loadcell.Calibration{Gain: x} }},
		{fleet.FaultZero, 0.3, func(s *pulltest.Pull, _ *fleet.Cell, x float64) {
			s.Calibration = loadcell.Calibration{Zero: x / kappa}
		}},
		{fleet.FaultInertia, 0.2, func(_ *pulltest.Pull, r *fleet.Cell, x float64) { r.BaseInertia += x }},
		{fleet.FaultParasitic, 0.3, func(s *pulltest.Pull, _ *fleet.Cell, x float64) { s.Cell.Parasitic.F0 += x }},
	} {
		t.Run(c.fault.String(), func(t *testing.T) {
			s, registry := pulltest.Example(), pulltest.Example().Cell
			c.put(&s, &registry, c.size)
			faulty := Assemble(session, []Source{reduce(s, registry, "a", monday)})
			for k := range K {
				got := clean.Pulls[0].Signature[c.fault][k]
				want := (faulty.Pulls[0].Y[k] - clean.Pulls[0].Y[k]) / c.size
				if math.Abs(got/want-1) > 1e-3 {
					t.Errorf("S(%d) = %.6g, the fault does %.6g", k, got, want)
				}
			}
		})
	}
	for _, x := range clean.Pulls[0].Signature[fleet.FaultAir] {
		if x != 1 {
			t.Errorf("air signature %g", x)
		}
	}
	if len(clean.Pulls[0].Signature) != 5 {
		t.Errorf("%d signatures", len(clean.Pulls[0].Signature))
	}
}

// U is the spread of y over seeded runs of the same pull.
func TestOwnUncertainty(t *testing.T) {
	const runs = 200
	var y, u [K][]float64
	random := rand.New(rand.NewPCG(3, 9))
	for range runs {
		s := pulltest.Example()
		s.NoCoast = true
		s.Random, s.SpeedNoise, s.LoadNoise = random, 0.02, 30
		p := Assemble(session, []Source{reduce(s, s.Cell, "a", monday)}).Pulls[0]
		for k := range K {
			y[k], u[k] = append(y[k], p.Y[k]), append(u[k], p.U[k])
		}
	}
	sum := 0.0
	for k := range K {
		mean, square, stated := 0.0, 0.0, 0.0
		for i := range runs {
			mean += y[k][i] / runs
			stated += u[k][i] * u[k][i] / runs
		}
		for i := range runs {
			square += (y[k][i] - mean) * (y[k][i] - mean) / (runs - 1)
		}
		sum += square / stated / K
		// One variance from 200 runs: 1 ± 3·√(2/199), of twelve a little more.
		if r := square / stated; math.Abs(r-1) > 0.36 {
			t.Errorf("point %d: variance %.3f of the stated one", k, r)
		}
	}
	// Twelve of them: 1 ± 3·√(2/199/12).
	if math.Abs(sum-1) > 0.09 {
		t.Errorf("variance over the band %.3f of the stated one", sum)
	}
}

// A force that is not positive, or a number that is not finite, leaves a pull
// out with a reason instead of passing NaN on.
func TestAssembleLetsNoNaNOut(t *testing.T) {
	for name, spoil := range map[string]func(c *powercurve.Curve){
		"negative force": func(c *powercurve.Curve) { c.Band[3].TractiveForce = -10 },
		"no force":       func(c *powercurve.Curve) { c.Band[3].TractiveForce = 0 },
		"force NaN":      func(c *powercurve.Curve) { c.Band[3].TractiveForce = math.NaN() },
		"tiny force":     func(c *powercurve.Curve) { c.Band[3].TractiveForce = 5e-324 },
		"factor 0":       func(c *powercurve.Curve) { c.Correction.Factor = 0 },
		"ramp NaN":       func(c *powercurve.Curve) { c.RampRate = math.NaN() },
		"no band":        func(c *powercurve.Curve) { c.Band = nil },
	} {
		t.Run(name, func(t *testing.T) {
			s := pulltest.Example()
			s.NoCoast = true
			source := reduce(s, s.Cell, "a", monday)
			spoil(source.Curve)
			run := Assemble(session, []Source{source})
			if len(run.Pulls) != 0 || len(run.LeftOut) != 1 || run.LeftOut[0].Reason == "" {
				t.Errorf("%+v", run)
			}
		})
	}
}

func TestBandPoints(t *testing.T) {
	got := BandPoints(100, 220)
	for k := range K {
		if want := 105 + 10*float64(k); math.Abs(got[k]-want) > 1e-9 {
			t.Errorf("point %d at %g, want %g", k, got[k], want)
		}
	}
}

// wide returns a pull of hold, 15 s sweep and coast-down at 100 Hz in 20
// channels.
func wide() (pulltest.Pull, map[fleet.Channel]channel.Series) {
	s := pulltest.Example()
	s.Hold, s.Ramp, s.Accel, s.Coast = 0.5, 15, 2.3, 30
	s.Random, s.SpeedNoise, s.LoadNoise, s.EngineNoise = rand.New(rand.NewPCG(1, 1)), 0.01, 20, 1
	channels := s.Sample()
	at := channels[fleet.RollerSpeed].T
	for name, level := range map[fleet.Channel]float64{
		fleet.RollerSpeedRear: 0, fleet.IntakeAirTemperature: 301, fleet.ThrottleAngle: 1.4, fleet.Boost: 1.8e5,
		fleet.BoostSetPoint: 1.8e5, fleet.IgnitionAngle: 0.4, fleet.KnockRetard: 0, fleet.Lambda: 0.9,
		fleet.CoolantTemperature: 363, fleet.OilTemperature: 370, fleet.TyreTemperature: 320, "x_egt": 1000, "x_fuel": 3e5,
	} {
		x := make([]float64, len(at))
		for i := range x {
			x[i] = level * (1 + 0.001*s.Random.NormFloat64())
			if name == fleet.RollerSpeedRear {
				x[i] = channels[fleet.RollerSpeed].X[i]
			}
		}
		channels[name] = channel.Series{T: at, X: x}
	}
	return s, channels
}

// BenchmarkPull is everything that is computed of a pull: curve, findings, and
// its part of a run. 15 s of sweep and 30 s of coast-down at 100 Hz, 20
// channels, one core.
func BenchmarkPull(b *testing.B) {
	s, channels := wide()
	if len(channels) != 20 {
		b.Fatalf("%d channels", len(channels))
	}
	rate := 30.6
	in := powercurve.Input{
		Cell: s.Cell, Vehicle: powercurve.VehicleOf(s.Car), Channels: channels, Correction: fleet.CorrectionSAEJ1349,
		Band: BandPoints(s.Car.BandLow, s.Car.BandHigh),
	}
	b.ReportAllocs()
	for b.Loop() {
		c, err := powercurve.Reduce(in)
		if err != nil {
			b.Fatal(err)
		}
		found := finding.Judge(finding.Input{
			Pull: in, Curve: &c, RampRate: &rate, BandLow: s.Car.BandLow, BandHigh: s.Car.BandHigh, Limits: finding.DefaultLimits(),
		})
		run := Assemble(session, []Source{{Pull: fleet.Pull{ID: "a", StartedAt: monday}, Curve: &c, Findings: found}})
		if len(run.Pulls) != 1 || c.NoEnginePower != "" {
			b.Fatalf("%+v %s", run.LeftOut, c.NoEnginePower)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pulls/s")
}
