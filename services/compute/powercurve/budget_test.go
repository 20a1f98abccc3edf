package powercurve

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// inputs are errors of every systematic input, in standard uncertainties.
type inputs struct {
	zero, gain, arm, radius, speed, base, parasitic, engine, tyre, rotating, coasting float64
	pressure, temperature, humidity, intake, repeat                                   float64
}

// uncertain is a pull of which every input is uncertain: a short one, so that
// thousands are reduced in seconds.
type uncertain struct {
	clean       map[fleet.Channel]channel.Series
	pull        pulltest.Pull
	calibration loadcell.Calibration
	vehicle     Vehicle
	r           float64 // correlation of zero and gain
	grid        []float64
	repeat      Repeatability
}

func newUncertain() *uncertain {
	s := pulltest.Example()
	s.Hold, s.Ramp, s.Coast, s.Rate = 1, 8, 17, 50
	s.Accel, s.Bend = 3.78, 0
	s.Drag = fleet.Loss{F0: 50, F1: 4}
	u := &uncertain{pull: s, r: -0.6, grid: []float64{3600 * rpm, 3700 * rpm, 4400 * rpm, 5200 * rpm}}
	u.calibration = loadcell.Calibration{Epoch: "e", Zero: 3, Gain: 0.004, UZero: 2, UGain: 8e-4}
	u.calibration.CovZeroGain = u.r * u.calibration.UZero * u.calibration.UGain
	s.Calibration = u.calibration
	u.clean = s.Sample()
	n := u.clean[fleet.AirTemperature]
	intake := channel.Series{T: n.T, X: make([]float64, len(n.T))}
	for i := range intake.X {
		intake.X[i] = 301
	}
	u.clean[fleet.IntakeAirTemperature] = intake
	u.vehicle = VehicleOf(s.Car)
	u.vehicle.URotatingMass, u.vehicle.UCoastingMass = 6, 4
	u.vehicle.UEngineSpeed, u.vehicle.UTyreRadius = 8e-4, 2e-3
	u.repeat = Repeatability{U: 1.5e-3, DoF: 4}
	return u
}

// input returns the pull with its inputs off by d, and with noise when random is
// not nil.
func (u *uncertain) input(d inputs, random *rand.Rand) Input {
	s := &u.pull
	cell, limits := s.Cell, s.Cell.U
	radius := 1 + d.radius*limits.RollerRadius/cell.RollerRadius
	cell.RollerRadius *= radius
	cell.LeverArm += d.arm * limits.LeverArm
	cell.BaseInertia += d.base * limits.BaseInertia
	cell.Parasitic.F0 += d.parasitic * limits.Parasitic
	c := u.calibration
	c.Zero += d.zero * c.UZero
	c.Gain += d.gain * c.UGain
	v := u.vehicle
	rotating, coasting := *v.RotatingMass+d.rotating*v.URotatingMass, *v.CoastingMass+d.coasting*v.UCoastingMass
	v.RotatingMass, v.CoastingMass = &rotating, &coasting
	v.TyreRadius *= 1 + d.tyre*v.UTyreRadius
	in := Input{
		Cell: cell, Vehicle: v, Calibration: c, Correction: fleet.CorrectionSAEJ1349, Grid: u.grid,
		Pull: "p", SetUp: "s", Repeatability: &u.repeat, Channels: map[fleet.Channel]channel.Series{},
	}
	// In one order: the noise of all channels comes from one generator.
	for _, name := range slices.Sorted(maps.Keys(u.clean)) {
		x := u.clean[name]
		scale, add, noise := 1.0, 0.0, 0.0
		switch name {
		case fleet.RollerSpeed:
			scale, noise = (1+d.speed*limits.Speed)*radius, 0.003
		case fleet.LoadCellForce:
			noise = 8
		case fleet.EngineSpeed:
			scale, noise = 1+d.engine*v.UEngineSpeed, 0.5
		case fleet.AirPressure:
			add = d.pressure * limits.AirPressure
		case fleet.AirTemperature:
			add = d.temperature * limits.AirTemperature
		case fleet.RelativeHumidity:
			add = d.humidity * limits.Humidity
		case fleet.IntakeAirTemperature:
			add = d.intake * limits.AirTemperature
		}
		y := channel.Series{T: x.T, X: make([]float64, len(x.X))}
		for i := range y.X {
			y.X[i] = x.X[i]*scale + add
			if random != nil && noise > 0 {
				y.X[i] += noise * random.NormFloat64()
			}
		}
		in.Channels[name] = y
	}
	return in
}

// budgets are the figures the tests look at.
func (u *uncertain) budgets(t testing.TB, c *Curve) []Budget {
	t.Helper()
	var out []Budget
	keep := func(b Budget, err error) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b)
	}
	for f := TractiveForce; f <= lastFigure; f++ {
		keep(c.Budget(f, OnPoints, 0))
		keep(c.Budget(f, OnPoints, 3))
	}
	keep(c.MeanBudget(CorrectedPower, OnPoints, 3500*rpm, 5300*rpm))
	return out
}

// Each row's sensitivity is what the computation itself does when that input is
// off by its standard uncertainty: to 1 % of the row, or 0.2 % of u where rows
// are small.
func TestBudgetSensitivities(t *testing.T) {
	u := newUncertain()
	reduce := func(d inputs) []Budget {
		c, err := Reduce(u.input(d, nil))
		if err != nil {
			t.Fatal(err)
		}
		if c.NoEnginePower != "" {
			t.Fatal(c.NoEnginePower)
		}
		return u.budgets(t, &c)
	}
	base := reduce(inputs{})
	seen := 0
	for name, d := range map[string]inputs{
		"load-cell zero": {zero: 1}, "load-cell gain": {gain: 1}, "lever arm": {arm: 1}, "roller radius": {radius: 1},
		"speed scale": {speed: 1}, "base inertia": {base: 1}, "parasitic loss": {parasitic: 1}, "engine speed scale": {engine: 1},
		"tyre radius": {tyre: 1}, "rotating mass": {rotating: 1}, "coasting mass": {coasting: 1},
		"air pressure": {pressure: 1}, "air temperature": {temperature: 1}, "relative humidity": {humidity: 1}, "intake air temperature": {intake: 1},
	} {
		minus := d
		for _, x := range []*float64{&minus.zero, &minus.gain, &minus.arm, &minus.radius, &minus.speed, &minus.base, &minus.parasitic, &minus.engine, &minus.tyre,
			&minus.rotating, &minus.coasting, &minus.pressure, &minus.temperature, &minus.humidity, &minus.intake} {
			*x = -*x
		}
		up, down := reduce(d), reduce(minus)
		for k, b := range base {
			moved := (up[k].Value - down[k].Value) / 2
			stated := 0.0
			for _, r := range b.Rows {
				if r.Input == name {
					stated = r.Contribution
				}
			}
			if stated != 0 {
				seen++
			}
			if math.Abs(moved-stated) > 0.01*math.Abs(stated)+0.002*b.U {
				t.Errorf("%s, %s: moves by %.4g, row says %.4g (u %.4g)", b.Of, name, moved, stated, b.U)
			}
		}
	}
	if seen < 100 {
		t.Errorf("%d rows were tried only", seen)
	}
}

// trials returns how many reductions a Monte Carlo test makes: a standard
// deviation from n normal numbers is known to 1/√(2n), 1.3 % for 3000. With
// -short 300, and the tolerance widened by the ratio of the precisions.
func trials(full int) (n int, widen float64) {
	if testing.Short() {
		return full / 10, math.Sqrt(10)
	}
	return full, 1
}

// The propagation of distributions after JCGM 101:2008, clause 7: 3000 full
// reductions, every input drawn from its distribution and every sample given
// its noise. The standard deviation of every figure, of the peaks, the band
// mean, and the covariances of the points are those stated, to 5 %.
func TestBudgetMonteCarlo(t *testing.T) {
	n, widen := trials(3000)
	u := newUncertain()
	random := rand.New(rand.NewPCG(101, 2008))
	type moments struct{ sum, square, stated float64 }
	seen := map[string]*moments{}
	note := func(name string, value, u float64) {
		m := seen[name]
		if m == nil {
			m = &moments{}
			seen[name] = m
		}
		m.sum += value
		m.square += value * value
		m.stated += u * u
	}
	z := random.NormFloat64
	var products, statedCov float64
	var sums [2]float64
	for range n {
		d := inputs{zero: z(), arm: z(), radius: z(), speed: z(), base: z(), parasitic: z(), engine: z(), tyre: z(), rotating: z(), coasting: z(),
			pressure: z(), temperature: z(), humidity: z(), intake: z(), repeat: z()}
		d.gain = u.r*d.zero + math.Sqrt(1-u.r*u.r)*z()
		in := u.input(d, random)
		c, err := Reduce(in)
		if err != nil || c.NoEnginePower != "" {
			t.Fatal(err, c.NoEnginePower)
		}
		if len(c.Points) != len(u.grid) {
			t.Fatalf("%d points", len(c.Points))
		}
		own := 1 + u.repeat.U*d.repeat // what the cell does not see of the pull
		for i := range c.Points {
			p := &c.Points[i]
			for f := TractiveForce; f <= lastFigure; f++ {
				v, ok := f.value(p)
				if !ok {
					t.Fatalf("%s not stated", f)
				}
				s, _ := c.laid[OnPoints].model.figure(f, p)
				note(fmt.Sprintf("%s at %.0f rpm", f, p.EngineSpeed/rpm), v*own, c.laid[OnPoints].model.combined(&s))
			}
		}
		mean, err := c.BandMean(CorrectedPower, OnPoints, 3500*rpm, 5300*rpm)
		if err != nil {
			t.Fatal(err)
		}
		note("band mean", mean.Value*own, mean.U)
		// Neighbours whose windows overlap: the noise of one is the other's too.
		cov, err := c.Covariance(EnginePower, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		a, b := *c.Points[0].EnginePower*own, *c.Points[1].EnginePower*own
		sums[0], sums[1] = sums[0]+a, sums[1]+b
		products += a * b
		statedCov += cov
		// The peaks need the whole grid.
		in.Grid = nil
		c, err = Reduce(in)
		if err != nil {
			t.Fatal(err)
		}
		for k, p := range []*Peak{c.PeakEngineTorque, c.PeakCorrectedPower} {
			note([]string{"peak torque", "peak corrected power"}[k], p.Value*own, p.U)
			note([]string{"rpm of peak torque", "rpm of peak power"}[k], p.EngineSpeed, p.UEngineSpeed)
		}
	}
	for name, m := range seen {
		mean := m.sum / float64(n)
		sd := math.Sqrt((m.square/float64(n) - mean*mean) * float64(n) / float64(n-1))
		stated := math.Sqrt(m.stated / float64(n))
		// Where the top is flat the place of a peak is not normal: its U errs to
		// the cautious side.
		cautious := 0.05 * widen
		if strings.HasPrefix(name, "rpm") {
			cautious = 0.3 * widen
		}
		if stated/sd < 1-0.05*widen || stated/sd > 1+cautious {
			t.Errorf("%s: u %.4g stated, %.4g by Monte Carlo (%+.1f %%)", name, stated, sd, 100*(stated/sd-1))
		} else if strings.Contains(name, "peak") || strings.Contains(name, "mean") || strings.Contains(name, "3600") {
			t.Logf("%s: %.6g, u %.4g stated, %.4g by Monte Carlo (%+.1f %%)", name, mean, stated, sd, 100*(stated/sd-1))
		}
	}
	got := products/float64(n) - sums[0]/float64(n)*sums[1]/float64(n)
	ua, ub := seen["engine power at 3600 rpm"].stated/float64(n), seen["engine power at 3700 rpm"].stated/float64(n)
	if want := statedCov / float64(n); math.Abs(got-want) > 0.05*widen*math.Sqrt(ua*ub) {
		t.Errorf("covariance of neighbours %.4g stated, %.4g by Monte Carlo, of %.4g", want, got, math.Sqrt(ua*ub))
	}
}

// The correlation of the own noise of neighbouring points is that of noise
// alone; it fades with distance and is nought without a common sample.
func TestNearNoise(t *testing.T) {
	n, _ := trials(2000)
	u := newUncertain()
	u.grid = nil
	for k := range 8 {
		u.grid = append(u.grid, (3600+float64(k)*100)*rpm)
	}
	random := rand.New(rand.NewPCG(7, 7))
	sum, product, stated := make([]float64, 8), make([]float64, 8), make([]float64, 8)
	for range n {
		c, err := Reduce(u.input(inputs{}, random))
		if err != nil {
			t.Fatal(err)
		}
		trace, err := c.Trace(TractiveForce, OnPoints)
		if err != nil {
			t.Fatal(err)
		}
		for k := range 8 {
			sum[k] += trace.Value[k]
			product[k] += trace.Value[0] * trace.Value[k]
			stated[k] += trace.OwnCovariance(0, k) / float64(n)
		}
	}
	f := float64(n)
	for k := range 8 {
		got := product[k]/f - sum[0]/f*sum[k]/f
		// A covariance c from n normal pairs of equal variance v is known to
		// √((v² + c²)/n) (Isserlis's theorem): of v 2.2 % for 2000 pairs where c is
		// 0, 3.2 % where it is v. Three of these.
		known := math.Hypot(1, stated[k]/stated[0]) / math.Sqrt(f)
		t.Logf("points 0 and %d: own covariance %.3f stated, %.3f seen, %+.1f %% of the variance, known to %.1f %%", k, stated[k], got, 100*(got-stated[k])/stated[0], 100*known)
		if math.Abs(got-stated[k])/stated[0] > 3*known {
			t.Errorf("points 0 and %d: own covariance %.3f stated, %.3f seen, of %.3f", k, stated[k], got, stated[0])
		}
	}
	// Half a window apart the slopes of two cubics run against each other.
	if !(stated[3] < -0.1*stated[0]) || stated[7] != 0 {
		t.Errorf("own covariances %v", stated)
	}
}

// The table is complete, adds up, and prints.
func TestBudgetTable(t *testing.T) {
	u := newUncertain()
	c, err := Reduce(u.input(inputs{}, rand.New(rand.NewPCG(3, 1))))
	if err != nil {
		t.Fatal(err)
	}
	for _, make := range []func() (Budget, error){
		func() (Budget, error) { return c.Budget(CorrectedPower, OnPoints, 2) },
		func() (Budget, error) { return c.PeakBudget(CorrectedPower) },
		func() (Budget, error) { return c.MeanBudget(EngineTorque, OnPoints, 3000*rpm, 6000*rpm) },
	} {
		b, err := make()
		if err != nil {
			t.Fatal(err)
		}
		sum, own := 0.0, 0.0
		for _, r := range b.Rows {
			sum += r.Contribution * r.Contribution
			if r.Scope == ScopePoint {
				own += r.Contribution * r.Contribution
			}
		}
		for _, x := range b.Correlations {
			sum += 2 * x.R * b.Rows[x.A].Contribution * b.Rows[x.B].Contribution
		}
		if math.Abs(math.Sqrt(sum)/b.U-1) > 1e-9 || math.Abs(math.Sqrt(own)/b.OwnU-1) > 1e-9 {
			t.Errorf("%s: rows add up to %.6g and own %.6g, stated %.6g and %.6g", b.Of, math.Sqrt(sum), math.Sqrt(own), b.U, b.OwnU)
		}
		// Repeatability from 5 pulls has 4 degrees of freedom: it is the least,
		// and Welch–Satterthwaite (JCGM 100:2008, G.2b) must see it.
		if !(b.DoF >= 4) || math.IsInf(b.DoF, 1) || !(b.K > 2) {
			t.Errorf("%s: ν %.1f, k %.3f", b.Of, b.DoF, b.K)
		}
		if want := gum.TFactor(gum.Coverage2, b.DoF) * b.U; b.Expanded != want {
			t.Errorf("U %g, want %g", b.Expanded, want)
		}
		text := b.String()
		for _, input := range []string{
			"load-cell zero", "load-cell gain", "lever arm", "brake ratio", "roller radius", "speed scale", "base inertia", "parasitic loss",
			"engine speed scale", "rotating mass", "coasting mass", "loss fit", "repeatability", "speed noise", "load-cell noise", "ν_eff",
		} {
			if !strings.Contains(text, input) {
				t.Errorf("%s: the table has no %q:\n%s", b.Of, input, text)
			}
		}
		t.Log("\n" + text)
	}
	if _, err := c.Budget(EnginePower, OnSpeed, 0); !errors.Is(err, ErrNoModel) {
		t.Errorf("a grid that was not asked for: %v", err)
	}
	if _, err := (&Curve{}).Budget(EnginePower, OnPoints, 0); !errors.Is(err, ErrNoModel) {
		t.Errorf("a curve from elsewhere: %v", err)
	}
	if _, err := c.Covariance(EnginePower, 0, 99); !errors.Is(err, ErrNoModel) {
		t.Errorf("no such point: %v", err)
	}
}
