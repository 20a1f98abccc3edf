package powercurve

import (
	"fmt"
	"math"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
)

// raw is what the local polynomials give at a grid point.
type raw struct {
	n, t     float64
	speed    channel.Local
	momentum channel.Local
	loadVar  float64 // of F_brake's share in momentum's slope, per variance of one reading
	load     channel.Local
	engine   channel.Local // zero when it is not logged
}

// noise pools the residuals of many local polynomials of one channel.
type noise struct {
	rss     float64
	freedom int
}

func (s *noise) add(f channel.Local) { s.rss, s.freedom = s.rss+f.RSS, s.freedom+f.Freedom }

// variance returns the variance of one sample.
func (s *noise) variance() float64 {
	if s.freedom == 0 {
		return 0
	}
	return s.rss / float64(s.freedom)
}

// points returns the grid's points that lie inside the sweep. With interval 0
// each takes the usual window; otherwise the time in which the engine speed
// passes interval, rad/s, about it.
func (r *reduction) points(c *Curve, grid []float64, interval float64) []Point {
	if len(grid) == 0 {
		return nil
	}
	found := make([]raw, 0, len(grid))
	var speedNoise, momentumNoise, loadNoise, engineNoise noise
	for _, n := range grid {
		t, ok := r.timeOf(n)
		if !ok {
			continue
		}
		span := r.around(t, r.window.Length)
		if interval > 0 {
			if s := r.interval(n, interval); s.Length() > span.Length() {
				span = s
			}
		}
		p := raw{n: n, t: t}
		var ok1, ok2, ok3 bool
		p.speed, ok1 = channel.FitLocal(r.speed, t, span, r.window.Order)
		p.load, ok2 = channel.FitLocal(r.load, t, span, r.window.Order)
		p.momentum, ok3 = channel.FitLocal(r.momentum, t, span, r.window.Order)
		if !ok1 || !ok2 || !ok3 || p.speed.Freedom < 1 || p.load.Freedom < 1 || p.momentum.Freedom < 1 {
			continue // a gap; finding says so
		}
		p.loadVar = r.sparse * p.momentum.VarSlopeOfSum(r.momentum)
		if r.logged {
			if f, ok := channel.FitLocal(r.engine, t, r.around(t, r.window.Length), r.window.Order); ok && f.Slope > 0 {
				p.engine = f
				engineNoise.add(f)
			}
		}
		speedNoise.add(p.speed)
		momentumNoise.add(p.momentum)
		loadNoise.add(p.load)
		found = append(found, p)
	}
	b := r.newBudget(c)
	b.speedVar, b.loadVar = speedNoise.variance(), loadNoise.variance()
	b.momentumVar, b.engineVar = momentumNoise.variance(), engineNoise.variance()
	out := make([]Point, 0, len(found))
	figures := make([]float64, 0, figuresPerPoint*len(found))
	for _, p := range found {
		point, more, ok := b.point(p, figures)
		if ok {
			out, figures = append(out, point), more
		}
	}
	return out
}

// interval returns the time in which the engine speed passes from half an
// interval below n to half above, cut to the sweep.
func (r *reduction) interval(n, interval float64) channel.Span {
	span := r.sweep
	if t, ok := r.timeOf(n - interval/2); ok {
		span.Start = t
	}
	if t, ok := r.timeOf(n + interval/2); ok {
		span.End = t
	}
	return span
}

// figuresPerPoint is how many optional figures a point can have.
const figuresPerPoint = 10

// budget holds what all points of a curve share.
type budget struct {
	r *reduction
	c *Curve

	speedVar, loadVar, momentumVar, engineVar float64 // of one sample

	// Standard uncertainties.
	uZero, uGain, cov float64 // of the calibration
	uArm, uRadius     float64 // ratios
	uSpeed            float64 // ratio
	uBase             float64 // kg
	uParasitic        float64 // N
	uFactor           float64 // ratio
	factor            *float64
}

// newBudget gathers the standard uncertainties. A calibration that opened an
// epoch brings its own; else the registry's figure for the load cell stands for
// its gain.
func (r *reduction) newBudget(c *Curve) *budget {
	s, u := r.in.Calibration, r.in.Cell.U
	b := &budget{
		r: r, c: c,
		uZero: s.UZero, uGain: s.UGain, cov: s.CovZeroGain,
		uArm: u.LeverArm / r.in.Cell.LeverArm, uRadius: u.RollerRadius / r.in.Cell.RollerRadius,
		uSpeed: u.Speed, uBase: u.BaseInertia, uParasitic: u.Parasitic,
	}
	if s.UGain == 0 {
		b.uGain, b.cov = u.LoadCell, 0
	}
	if c.Correction != nil {
		b.factor = &c.Correction.Factor
		b.uFactor = c.UFactor / c.Correction.Factor
	}
	return b
}

// effects are the partial derivatives of a force or power with respect to the
// systematic inputs.
type effects struct {
	zero      float64 // per N of the calibration's zero
	gain      float64 // per ratio
	arm       float64 // per ratio of the lever arm
	radius    float64 // per ratio of the roller radius
	speed     float64 // per ratio of the speed
	base      float64 // per kg of base inertia
	parasitic float64 // per N
}

// variance returns Σ(c·u)², with the calibration's covariance.
// Source: JCGM 100:2008, equation 13.
func (b *budget) variance(e effects) float64 {
	sum := 2 * e.zero * e.gain * b.cov
	for _, x := range [...]float64{
		e.zero * b.uZero, e.gain * b.uGain, e.arm * b.uArm, e.radius * b.uRadius,
		e.speed * b.uSpeed, e.base * b.uBase, e.parasitic * b.uParasitic,
	} {
		sum += x * x
	}
	return math.Max(sum, 0)
}

// noises are a point's own.
type noises struct {
	load     float64 // variance the brake's noise gives a force, N²
	momentum float64 // variance the speed's noise gives M_base·dv/dt, N²
	speed    float64 // variance of one sample of the speed, m²/s²
	fit      *channel.Local
	time     float64 // variance of the grid point's time by the engine speed's noise, s²
	rate     float64 // N/s, rate of the tractive force, which that time goes into
}

// variance returns the variance of a force F_brake + c·v + m·dv/dt. The part of
// M_base is taken from the momentum's own residuals when they are larger.
func (n noises) variance(c, m float64) float64 {
	moving := n.speed * (m*m*n.fit.VarSlope + 2*c*m*n.fit.CovValueSlope + c*c*n.fit.VarValue)
	return math.Max(n.load+math.Max(moving, n.momentum), 0)
}

// point turns the local polynomials at a grid point into figures, with a budget
// after GUM. The optional figures are stored behind figures, which must have
// room. ok is false when a number is not finite.
//
// The roller speed is taken to be made from the roller's turning and the same
// radius r as the brake force, so that a wrong r moves v and dv/dt up as it
// moves F_brake down, and leaves the brake's power alone; cell.U.Speed is what
// the speed has beyond that. The car's masses and the logged engine speed are
// taken as exact: nobody states their uncertainty.
func (b *budget) point(p raw, figures []float64) (_ Point, _ []float64, ok bool) {
	cell := &b.r.in.Cell
	v, a := p.speed.Value, p.speed.Slope
	inertia := cell.BaseInertia * a
	brake := p.momentum.Slope - inertia
	force := p.momentum.Slope + cell.Parasitic.At(v)
	parSlope := cell.Parasitic.F1 + 2*cell.Parasitic.F2*v // ∂F_par/∂v

	gain := 1 + b.r.in.Calibration.Gain
	perReading := b.r.kappa / gain // N at the roller per N of reading
	n := noises{load: perReading * perReading * b.loadVar * p.loadVar, speed: b.speedVar, fit: &p.speed}
	// What the momentum's residuals show beyond the speed's share is the brake's.
	n.momentum = math.Max(b.momentumVar, math.Pow(cell.BaseInertia, 2)*b.speedVar) * p.momentum.VarSlope
	n.rate = p.momentum.Second + parSlope*a
	if p.engine.Slope > 0 {
		n.time = b.engineVar * p.engine.VarValue / (p.engine.Slope * p.engine.Slope)
	}
	own := n.variance(parSlope, cell.BaseInertia) + n.rate*n.rate*n.time
	moving := inertia + parSlope*v
	e := effects{
		zero: -perReading, gain: -brake / gain, arm: brake,
		radius: moving - brake, speed: moving, base: a, parasitic: 1,
	}
	out := Point{
		EngineSpeed: p.n, Time: p.t, Speed: v, Acceleration: a,
		BrakeForce: brake, TractiveForce: force, UOwnForce: math.Sqrt(own),
		UTractiveForce: math.Sqrt(own + b.variance(e)),
		WheelPower:     force * v,
	}
	e = effects{
		zero: e.zero * v, gain: e.gain * v, arm: e.arm * v,
		radius: (e.radius + force) * v, speed: (e.speed + force) * v, base: e.base * v, parasitic: e.parasitic * v,
	}
	ownPower := n.variance((force+parSlope*v)/v, cell.BaseInertia)*v*v + math.Pow(n.rate*v+force*a, 2)*n.time
	out.UWheelPower = math.Sqrt(math.Max(ownPower, 0) + b.variance(e))
	if !out.finite() {
		return Point{}, figures, false
	}
	if fit := b.c.Loss; fit != nil && reaches(fit, v) {
		b.engine(&out, n, &figures)
	}
	return out, figures, true
}

// engine adds the engine's side to a point. In
//
//	F_engine = F_brake + (M_base + M_rot)·a + F_cd(v)
//
// the parasitic loss has cancelled, and so has the load cell's zero error,
// which is in the coast-down's brake force too. F_cd comes from the coast-down
// of mass M = M_base + M_coast with a mean brake force B: ∂F_cd/∂M_base =
// (F_cd + B)/M.
func (b *budget) engine(p *Point, n noises, figures *[]float64) {
	cell, fit := &b.r.in.Cell, b.c.Loss
	v, a := p.Speed, p.Acceleration
	mass := cell.BaseInertia + *b.r.in.Vehicle.RotatingMass
	coast := fit.At(v)
	loss := coast - cell.Parasitic.At(v)
	force := p.TractiveForce + loss + *b.r.in.Vehicle.RotatingMass*a
	slowing := coast + fit.Brake // −M·dv/dt in the coast-down
	uLoss := math.Sqrt(fit.U(v)*fit.U(v) + b.uParasitic*b.uParasitic + math.Pow(slowing/fit.Mass*b.uBase, 2))

	gain := 1 + b.r.in.Calibration.Gain
	arm := p.BrakeForce - fit.Brake
	moving := mass*a + slowing
	e := effects{gain: -arm / gain, arm: arm, radius: moving - arm, speed: moving, base: a + slowing/fit.Mass}
	slope := fit.Loss.F1 + 2*fit.Loss.F2*v
	n.rate += (slope - cell.Parasitic.F1 - 2*cell.Parasitic.F2*v) * a
	own := n.variance(slope, mass) + fit.U(v)*fit.U(v) + n.rate*n.rate*n.time
	uForce := math.Sqrt(own + b.variance(e))

	power := force * v
	e = effects{gain: e.gain * v, arm: e.arm * v, radius: (e.radius + force) * v, speed: (e.speed + force) * v, base: e.base * v}
	own = n.variance((force+slope*v)/v, mass)*v*v + math.Pow(fit.U(v)*v, 2) + math.Pow(n.rate*v+force*a, 2)*n.time
	uPower := math.Sqrt(own + b.variance(e))
	torque, uTorque := power/p.EngineSpeed, uPower/p.EngineSpeed
	if !b.r.logged {
		// Engine speed follows v, so that v's errors cancel in P/ω.
		uTorque = uForce * v / p.EngineSpeed
	}
	values := [figuresPerPoint]float64{loss, uLoss, power, uPower, torque, uTorque}
	count := 6
	if b.factor != nil {
		f := *b.factor
		values[6], values[7] = f*power, f*math.Hypot(uPower, power*b.uFactor)
		values[8], values[9] = f*torque, f*math.Hypot(uTorque, torque*b.uFactor)
		count = 10
	}
	for _, x := range values[:count] {
		if x-x != 0 {
			return
		}
	}
	from := len(*figures)
	*figures = append(*figures, values[:count]...)
	f := (*figures)[from:]
	p.Loss, p.ULoss, p.EnginePower, p.UEnginePower, p.EngineTorque, p.UEngineTorque = &f[0], &f[1], &f[2], &f[3], &f[4], &f[5]
	if count == 10 {
		p.CorrectedPower, p.UCorrectedPower, p.CorrectedTorque, p.UCorrectedTorque = &f[6], &f[7], &f[8], &f[9]
	}
}

// finite reports whether the point's figures are numbers.
func (p *Point) finite() bool {
	for _, x := range [...]float64{
		p.EngineSpeed, p.Time, p.Speed, p.Acceleration, p.BrakeForce, p.TractiveForce,
		p.UTractiveForce, p.UOwnForce, p.WheelPower, p.UWheelPower,
	} {
		if x-x != 0 {
			return false
		}
	}
	return true
}

// reach is how far outside the coast-down's speeds the fitted loss is still
// used, as a ratio of speed. Common practice, no source: the fit's covariance
// is in U there, what a quadratic is not is not.
const reach = 0.1

// reaches reports whether a fit may be used at speed v.
func reaches(fit *coastdown.Fit, v float64) bool {
	return v <= fit.SpeedHigh*(1+reach) && v >= fit.SpeedLow*(1-reach)
}

// noteReach says which points the coast-down does not reach.
func (c *Curve) noteReach() {
	if c.Loss == nil {
		return
	}
	without := 0
	for _, p := range c.Points {
		if p.EnginePower == nil {
			without++
		}
	}
	if without > 0 {
		c.LossNote = fmt.Sprintf("engine power is not stated at %d of %d points: the coast-down covers %.1f to %.1f m/s and is used %.0f %% beyond; let the car roll out longer",
			without, len(c.Points), c.Loss.SpeedLow, c.Loss.SpeedHigh, 100*reach)
	}
}

// coverage is the coverage factor of a stated expanded uncertainty.
const coverage = 2

// findPeaks finds the greatest figures of the points.
func (c *Curve) findPeaks() {
	for i := range c.Points {
		p := &c.Points[i]
		raise(&c.PeakWheelPower, p.EngineSpeed, &p.WheelPower, &p.UWheelPower)
		raise(&c.PeakEnginePower, p.EngineSpeed, p.EnginePower, p.UEnginePower)
		raise(&c.PeakEngineTorque, p.EngineSpeed, p.EngineTorque, p.UEngineTorque)
		raise(&c.PeakCorrectedPower, p.EngineSpeed, p.CorrectedPower, p.UCorrectedPower)
		raise(&c.PeakCorrectedTorque, p.EngineSpeed, p.CorrectedTorque, p.UCorrectedTorque)
	}
}

// raise makes value the peak when it is greater.
func raise(peak **Peak, n float64, value, u *float64) {
	if value != nil && (*peak == nil || *value > (*peak).Value) {
		*peak = &Peak{EngineSpeed: n, Value: *value, Expanded: coverage * *u}
	}
}
