package powercurve

import (
	"math"

	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Figure is a quantity that a curve states at each of its points.
type Figure uint8

// The figures.
const (
	TractiveForce   Figure = 1 + iota // N
	WheelPower                        // W
	WheelTorque                       // N·m, at the driven wheels
	LossForce                         // N, driveline and tyres
	EnginePower                       // W
	EngineTorque                      // N·m
	CorrectedPower                    // W
	CorrectedTorque                   // N·m
	lastFigure      = CorrectedTorque
)

// String returns the figure's name.
func (f Figure) String() string {
	switch f {
	case TractiveForce:
		return "tractive force"
	case WheelPower:
		return "wheel power"
	case WheelTorque:
		return "wheel torque"
	case LossForce:
		return "driveline loss"
	case EnginePower:
		return "engine power"
	case EngineTorque:
		return "engine torque"
	case CorrectedPower:
		return "corrected engine power"
	case CorrectedTorque:
		return "corrected engine torque"
	}
	return "unknown figure"
}

// Unit returns the figure's SI unit.
func (f Figure) Unit() string {
	switch f {
	case TractiveForce, LossForce:
		return "N"
	case WheelPower, EnginePower, CorrectedPower:
		return "W"
	}
	return "N·m"
}

// value returns the figure at a point, and whether it is stated there.
func (f Figure) value(p *Point) (float64, bool) {
	of := func(x *float64) (float64, bool) {
		if x == nil {
			return 0, false
		}
		return *x, true
	}
	switch f {
	case TractiveForce:
		return p.TractiveForce, true
	case WheelPower:
		return p.WheelPower, true
	case WheelTorque:
		return of(p.WheelTorque)
	case LossForce:
		return of(p.Loss)
	case EnginePower:
		return of(p.EnginePower)
	case EngineTorque:
		return of(p.EngineTorque)
	case CorrectedPower:
		return of(p.CorrectedPower)
	case CorrectedTorque:
		return of(p.CorrectedTorque)
	}
	return 0, false
}

// term is one systematic input: its error is the same at every point.
type term int

// The terms. Those with a 0 are the baseline pull's, where a loss was carried
// from it and its own differs from this pull's.
const (
	termZero        term = iota // N at the arm, of the calibration
	termGain                    // ratio
	termArm                     // ratio of the lever arm
	termRadius                  // ratio of the roller radius
	termSpeed                   // ratio of the speed
	termBase                    // kg
	termParasitic               // N
	termEngineSpeed             // ratio
	termTyre                    // ratio of the tyre radius
	termRotating                // kg
	termCoasting                // kg
	termF0                      // N, coast-down's noise
	termF1                      // N·s/m
	termF2                      // N·s²/m²
	termPressure                // Pa
	termTemperature             // K
	termHumidity                // ratio
	termIntake                  // K
	termRepeat                  // ratio of the figure
	termZero0                   // N at the arm
	termGain0                   // ratio
	termParasitic0              // N
	termCount
)

// effects are the partial derivatives of one figure at one point with respect to
// the terms.
type effects [termCount]float64

// cross is the covariance of two terms.
type cross struct {
	a, b term
	cov  float64
}

// model is what all points of a curve share, with what every input is worth.
type model struct {
	cell        fleet.Cell
	calibration loadcell.Calibration
	vehicle     Vehicle
	pull        fleet.PullID
	setUp       string
	kappa       float64 // L·n/r
	logged      bool    // engine speed is
	steady      bool    // the sweep is in steps
	fit         *coastdown.Fit
	carried     *CarriedLoss
	byAir       airEffects
	factor      float64 // 0: none
	values      [termCount]float64

	u       [termCount]float64
	dof     [termCount]float64 // 0: infinite
	crosses [5]cross           // those with cov 0 do not count

	// Of one sample, pooled over the curve's local polynomials.
	speedVar, loadVar, momentumVar, engineVar float64
	freedom                                   float64
}

// point's hidden part: what the local polynomials gave, to work the budget out
// when it is asked for.
type fitted struct {
	// Along the sweep; between steps per rad/s of engine speed in place of per s.
	rate       float64 // N/s, of the tractive force
	along      float64 // m/s², of the speed
	jerk       float64 // m/s³
	shift      float64 // s, by which a ratio of the engine speed moves the point
	bySpeed    bool    // the point is where the speed, not the logged engine speed, has its value
	varSlope   float64 // of the speed's local polynomial, per variance of a sample
	varValue   float64
	covariance float64
	load       float64 // N², what the brake's noise gives the force
	time       float64 // s², variance of the point's time by the logged engine speed's noise
	read       bool    // the engine speed was read at the point, not given
	turn       float64 // variance of its noise then, ratio
	window     window
}

// newModel gathers the standard uncertainties. A calibration that opened an
// epoch brings its own; else the registry's figure for the load cell stands for
// its gain.
func (r *reduction) newModel(c *Curve) *model {
	in := &r.in
	// Forces come from S(x) as it is; its uncertainty is carried by zero and
	// gain, for a curve by those of the line that stands for it.
	s, u := in.Calibration.Line(), in.Cell.U
	m := &model{
		cell: in.Cell, calibration: s, vehicle: in.Vehicle, pull: in.Pull, setUp: in.SetUp, kappa: r.kappa,
		logged: r.logged, steady: len(r.steps) > 0, fit: c.Loss, byAir: r.byAir,
	}
	if c.CarriedFrom != "" {
		m.carried = in.CarriedLoss
		if l := m.carried; l != nil && l.Calibration.Degree >= 2 {
			carried := *l
			carried.Calibration = l.Calibration.Line()
			m.carried = &carried
		}
	}
	set := func(t term, value, u float64) { m.values[t], m.u[t] = value, u }
	zero, gain, cov := calibrationU(s, u)
	set(termZero, s.Zero, zero)
	set(termGain, s.Gain, gain)
	m.crosses[0] = cross{termZero, termGain, cov}
	set(termArm, in.Cell.LeverArm, u.LeverArm/in.Cell.LeverArm)
	set(termRadius, in.Cell.RollerRadius, u.RollerRadius/in.Cell.RollerRadius)
	set(termSpeed, 1, u.Speed)
	set(termBase, in.Cell.BaseInertia, u.BaseInertia)
	set(termParasitic, in.Cell.Parasitic.F0, u.Parasitic)
	set(termEngineSpeed, 1, in.Vehicle.UEngineSpeed)
	set(termTyre, in.Vehicle.TyreRadius, in.Vehicle.UTyreRadius)
	if in.Vehicle.RotatingMass != nil {
		set(termRotating, *in.Vehicle.RotatingMass, in.Vehicle.URotatingMass)
	}
	if in.Vehicle.CoastingMass != nil {
		set(termCoasting, *in.Vehicle.CoastingMass, in.Vehicle.UCoastingMass)
	}
	if f := c.Loss; f != nil {
		set(termF0, f.Loss.F0, math.Sqrt(math.Max(f.Cov[0][0], 0)))
		set(termF1, f.Loss.F1, math.Sqrt(math.Max(f.Cov[1][1], 0)))
		set(termF2, f.Loss.F2, math.Sqrt(math.Max(f.Cov[2][2], 0)))
		m.crosses[1] = cross{termF0, termF1, f.Cov[0][1]}
		m.crosses[2] = cross{termF0, termF2, f.Cov[0][2]}
		m.crosses[3] = cross{termF1, termF2, f.Cov[1][2]}
		for t := termF0; t <= termF2; t++ {
			m.dof[t] = float64(f.Freedom)
		}
	}
	if c.Air != nil {
		set(termPressure, c.Air.Pressure, u.AirPressure)
		set(termTemperature, c.Air.Temperature, u.AirTemperature)
		set(termHumidity, c.Air.Humidity, u.Humidity)
		set(termIntake, c.Air.Temperature, u.AirTemperature)
		if c.IntakeTemperature != nil {
			m.values[termIntake] = *c.IntakeTemperature
		}
	}
	if c.Correction != nil {
		m.factor = c.Correction.Factor
	}
	if rep := in.Repeatability; rep != nil {
		set(termRepeat, 1, rep.U)
		m.dof[termRepeat] = rep.DoF
	}
	if l := m.carried; l != nil {
		zero, gain, cov := calibrationU(l.Calibration, l.Cell.U)
		set(termZero0, l.Calibration.Zero, zero)
		set(termGain0, l.Calibration.Gain, gain)
		m.crosses[4] = cross{termZero0, termGain0, cov}
		set(termParasitic0, l.Cell.Parasitic.F0, l.Cell.U.Parasitic)
	}
	return m
}

// calibrationU returns the standard uncertainties of a calibration in force.
func calibrationU(s loadcell.Calibration, u fleet.CellUncertainty) (zero, gain, cov float64) {
	if s.UGain == 0 {
		return s.UZero, u.LoadCell, 0
	}
	return s.UZero, s.UGain, s.CovZeroGain
}

// variance returns (c·u)² summed over the terms, with their covariances.
// Source: JCGM 100:2008, equation 13.
func (m *model) variance(e *effects) float64 { return math.Max(m.covariance(e, e), 0) }

// covariance returns what the terms give two figures together,
// Σ_ab c_a·cov(a, b)·d_b. Source: JCGM 100:2008, equation F.2 (from memory).
func (m *model) covariance(e, d *effects) float64 {
	sum := 0.0
	for t, u := range m.u {
		sum += e[t] * d[t] * u * u
	}
	for _, x := range m.crosses {
		sum += (e[x.a]*d[x.b] + e[x.b]*d[x.a]) * x.cov
	}
	return sum
}

// own are the parts of a figure's own noise, variances.
type own struct {
	speed float64 // of the speed channel, mostly through the acceleration
	load  float64 // of the load cell
	time  float64 // of the logged engine speed, through the point's time
}

func (o own) variance() float64 { return math.Max(o.speed+o.load+o.time, 0) }

// linear is a figure near a point: how it moves with what was measured there.
type linear struct {
	brake float64 // per N of brake force
	mass  float64 // per m/s² of acceleration
	speed float64 // per m/s, at a fixed time
	rate  float64 // per s, along the sweep
}

// noise returns the own noise of a figure.
func (m *model) noise(l linear, f *fitted) own {
	c := l.speed
	if f.bySpeed {
		// A speed read too high puts the point too early.
		c -= l.rate / f.along
	}
	o := own{
		speed: m.speedVar * (l.mass*l.mass*f.varSlope + 2*l.mass*c*f.covariance + c*c*f.varValue),
		load:  l.brake * l.brake * f.load,
		time:  l.rate * l.rate * f.time,
	}
	// What the momentum's residuals show beyond the speed's share is the brake's.
	if excess := m.momentumVar - m.cell.BaseInertia*m.cell.BaseInertia*m.speedVar; excess > 0 {
		o.speed += l.brake * l.brake * excess * f.varSlope
	}
	return o
}

// state is a figure's value with everything its uncertainty is made of.
type state struct {
	value float64
	own   own
	by    effects
}

// combined returns the standard uncertainty of a figure.
func (m *model) combined(s *state) float64 {
	return math.Sqrt(s.own.variance() + m.variance(&s.by))
}

// force returns the tractive force at a point, without what moves the point (see
// place).
//
// The roller speed is taken to be made from the roller's turning and the same
// radius r as the brake force, so that a wrong r moves v and dv/dt up as it
// moves F_brake down, and leaves the brake's power alone; cell.U.Speed is what
// the speed has beyond that.
func (m *model) force(p *Point) (s state, l linear) {
	f := &p.fitted
	v, a := p.Speed, p.Acceleration
	par := m.cell.Parasitic.F1 + 2*m.cell.Parasitic.F2*v // ∂F_par/∂v
	inertia := m.cell.BaseInertia * a
	gain := 1 + m.calibration.Gain
	l = linear{brake: 1, mass: m.cell.BaseInertia, speed: par, rate: f.rate}
	s.value = p.TractiveForce
	s.by[termZero] = -m.kappa / gain
	s.by[termGain] = -p.BrakeForce / gain
	s.by[termArm] = p.BrakeForce
	s.by[termSpeed] = inertia + par*v
	s.by[termRadius] = s.by[termSpeed] - p.BrakeForce
	s.by[termBase] = a
	s.by[termParasitic] = 1
	return s, l
}

// loss returns the loss of driveline and tyres at a point. With it added to the
// tractive force,
//
//	F_engine = F_brake + (M_base + M_rot)·a + F_cd(v)
//
// the parasitic loss has cancelled, and so has the load cell's zero error,
// which is in the coast-down's brake force too, unless the loss was carried from
// a pull under another calibration or another parasitic loss. F_cd comes from
// the coast-down of mass M = M_base + M_coast with the brake force B(v):
// ∂F_cd/∂M = (F_cd + B)/M, exactly.
func (m *model) loss(p *Point) (s state, l linear) {
	f, v := m.fit, p.Speed
	parasitic, calibration := m.cell.Parasitic, m.calibration
	zero, gain, par := termZero, termGain, termParasitic
	if o := m.carried; o != nil {
		parasitic, calibration = o.Cell.Parasitic, o.Calibration
		if calibration.Epoch != m.calibration.Epoch || calibration.Zero != m.calibration.Zero || calibration.Gain != m.calibration.Gain {
			zero, gain = termZero0, termGain0
		}
		if parasitic != m.cell.Parasitic {
			par = termParasitic0
		}
	}
	drag, slowing := f.Drag.At(v), f.Slowing(v)
	slope := f.Loss.F1 - parasitic.F1 + 2*(f.Loss.F2-parasitic.F2)*v
	parSlope := parasitic.F1 + 2*parasitic.F2*v
	over := 1 + calibration.Gain
	l = linear{speed: slope, rate: slope * p.fitted.along}
	s.value = f.At(v) - parasitic.At(v)
	s.by[zero] = m.kappa / over
	s.by[gain] = drag / over
	s.by[termArm] = -drag
	s.by[termSpeed] = slowing - parSlope*v
	s.by[termRadius] = s.by[termSpeed] + drag
	s.by[termBase] = slowing / f.Mass
	s.by[termCoasting] = slowing / f.Mass
	s.by[par] = -1
	s.by[termF0], s.by[termF1], s.by[termF2] = 1, v, v*v
	return s, l
}

// add adds forces.
func (s *state) add(o *state) {
	s.value += o.value
	for t := range s.by {
		s.by[t] += o.by[t]
	}
}

// powerOf turns a force at the roller surface into its power.
func powerOf(s state, l linear, p *Point) (state, linear) {
	v := p.Speed
	force := s.value
	s.value *= v
	for t := range s.by {
		s.by[t] *= v
	}
	s.by[termSpeed] += force * v
	s.by[termRadius] += force * v
	return s, linear{brake: l.brake * v, mass: l.mass * v, speed: l.speed*v + force, rate: l.rate*v + force*p.fitted.along}
}

// place adds what moves the point along the sweep: at a fixed engine speed, an
// engine speed read too high takes the figure too early.
func (m *model) place(s *state, l linear, p *Point) {
	f := &p.fitted
	s.by[termEngineSpeed] -= l.rate * f.shift
	if f.bySpeed {
		byRatio := l.rate * p.Speed / f.along
		s.by[termSpeed] -= byRatio
		s.by[termRadius] -= byRatio
	}
	s.own = m.noise(l, f)
	s.by[termRepeat] = s.value
}

// scale multiplies a figure.
func (s *state) scale(x float64) {
	s.value *= x
	for t := range s.by {
		s.by[t] *= x
	}
	s.own.speed *= x * x
	s.own.load *= x * x
	s.own.time *= x * x
}

// figure returns a figure at a point with everything its uncertainty is made
// of; ok is false where it is not stated.
func (m *model) figure(f Figure, p *Point) (s state, ok bool) {
	var l linear
	switch f {
	case TractiveForce, WheelTorque:
		s, l = m.force(p)
		m.place(&s, l, p)
		if f == WheelTorque {
			if !(m.vehicle.TyreRadius > 0) {
				return s, false
			}
			s.scale(m.vehicle.TyreRadius)
			s.by[termTyre] = s.value
		}
		return s, true
	case WheelPower:
		s, l = m.force(p)
		s, l = powerOf(s, l, p)
		m.place(&s, l, p)
		return s, true
	}
	if m.fit == nil || !reaches(m.fit, p.Speed) {
		return s, false
	}
	if f == LossForce {
		s, l = m.loss(p)
		m.place(&s, l, p)
		return s, true
	}
	s, l = m.force(p)
	loss, k := m.loss(p)
	s.add(&loss)
	rotating := *m.vehicle.RotatingMass
	a := p.Acceleration
	s.value += rotating * a
	s.by[termRotating] = a
	s.by[termSpeed] += rotating * a
	s.by[termRadius] += rotating * a
	l.mass += rotating
	l.speed += k.speed
	l.rate += k.rate + rotating*p.fitted.jerk
	s, l = powerOf(s, l, p)
	m.place(&s, l, p)
	if f == CorrectedPower || f == CorrectedTorque {
		if m.factor == 0 {
			return s, false
		}
		power := s.value
		s.scale(m.factor)
		s.by[termPressure] = power * m.byAir.pressure
		s.by[termTemperature] = power * m.byAir.temperature
		s.by[termHumidity] = power * m.byAir.humidity
		s.by[termIntake] = power * m.byAir.intake
	}
	if f == EngineTorque || f == CorrectedTorque {
		s.scale(1 / p.EngineSpeed)
		if p.fitted.read {
			// The engine speed is not given but read there.
			s.by[termEngineSpeed] -= s.value
			s.own.time += s.value * s.value * p.fitted.turn
		}
	}
	return s, true
}
