package simulator

import (
	"math"
	"math/rand/v2"
	"time"

	"rollcall/services/fleet"
)

// A sweep runs from below the car's band to above it.
const (
	sweepFrom = 0.93
	sweepTo   = 1.02
)

// Durations of a pull's parts before and between sweep and coast-down, s, and
// how the intake air warms over a pull, K/s. Our own choice.
const (
	holdTime    = 1.0
	riseTime    = 0.6
	releaseTime = 0.6
	partLoad    = 0.3 // pedal while the brake holds the car at the first speed
	idleSpeed   = 85  // rad/s
	intakeRise  = 0.06
)

// rig is the true cell of one week with the car on it.
type rig struct {
	radius, arm, ratio float64 // true
	base               float64 // kg, true
	parasitic          fleet.Loss
	drag               float64 // N on top of parasitic
	car                *Vehicle
	torque             curve
	scale              float64 // of the torque curve
	force              float64 // 1 + δ of the tractive force
	air                hour
	intake             float64 // K when the pull begins
}

// rig returns the true cell in a week, without a car.
func (s *Scenario) rig(c Cell, week int, at time.Time) rig {
	t := s.truth(c, week)
	p := c.Parasitic.fleet()
	k := 1 + c.True.Parasitic
	return rig{
		radius: c.RollerRadius * (1 + t.RollerRadius), arm: c.LeverArm * (1 + t.LeverArm), ratio: c.BrakeRatio,
		base:      c.BaseInertia - t.BaseInertia,
		parasitic: fleet.Loss{F0: p.F0 * k, F1: p.F1 * k, F2: p.F2 * k},
		drag:      t.Drag - c.True.Parasitic*p.At(20),
		scale:     1, force: 1,
		air: s.world.air(c.Site, at),
	}
}

// loss is the rollers' true loss force.
func (r *rig) loss(v float64) float64 { return r.parasitic.At(v) + r.drag }

// full is the engine's force at the roller surface at full load,
//
//	T(ω)·G/R·(α − 0.15)/0.85,  α = (p_dry/99000 Pa)·√(298 K/T_intake)
//
// t seconds into the pull.
func (r *rig) full(v, dry, t float64) float64 {
	alpha := dry / 99000 * math.Sqrt(298/(r.intake+intakeRise*t))
	return r.scale * r.torque.at(v/r.car.TyreRadius*r.car.GearRatio) * r.car.GearRatio / r.car.TyreRadius * (alpha - 0.15) / 0.85
}

// phase is a part of a pull.
type phase uint8

const (
	phaseHold phase = iota
	phaseRise
	phaseSweep
	phaseRelease
	phaseCoast
)

// sample is the true state at one moment; all forces at the roller surface.
type sample struct {
	t, v, a   float64
	engine    float64 // N: what the engine gives at the driven wheels
	tractive  float64
	driveline float64
	loss      float64 // rollers alone
	brake     float64
	rotating  float64 // kg of the car's turning parts now
	speed     float64 // rad/s of the engine
	slip      float64 // tyre faster than roller, ratio
	pedal     float64
	intake    float64
	angle     float64 // rad the roller has turned
	phase     phase
}

// smooth rises from 0 to 1 with flat ends.
func smooth(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x)
}

// pull makes a pull and its coast-down: the brake holds the first speed, the
// pedal goes down, the brake lets the engine speed rise at the ramp rate
// (rad/s²) with a small error of its control, at the top the clutch opens and
// the brake lets go, and the car coasts to the floor speed in neutral. emit is
// given every sample.
func (r *rig) pull(rampRate, floor, rate float64, random *rand.Rand, emit func(*sample)) {
	car := r.car
	dry := r.air.pressure - r.air.vapour()
	dl := car.Driveline.fleet()
	a0 := rampRate * car.TyreRadius / car.GearRatio
	low, high := car.speed(car.BandLow*sweepFrom), car.speed(car.BandHigh*sweepTo)

	// The control's error: three slow waves of a few tenths of a percent.
	var amplitude, frequency, angle [3]float64
	for i := range amplitude {
		amplitude[i] = 0.003 * random.NormFloat64()
		frequency[i] = 1.5 + 4*random.Float64()
		angle[i] = 2 * math.Pi * random.Float64()
	}
	control := func(t float64) float64 {
		x := a0
		for i := range amplitude {
			x += a0 * amplitude[i] * math.Sin(frequency[i]*t+angle[i])
		}
		return x
	}

	now, began := phaseHold, 0.0
	var top, topSpeed float64 // acceleration and engine speed when the sweep ended
	coast := func(v float64) float64 { return -(r.loss(v) + dl.At(v)) / (r.base + car.CoastingMass) }
	accelerate := func(t, v float64) float64 {
		switch now {
		case phaseHold:
			return 0
		case phaseRise:
			return smooth((t-began)/riseTime) * control(t)
		case phaseSweep:
			return control(t)
		case phaseRelease:
			x := 1 - smooth((t-began)/releaseTime)
			return x*top + (1-x)*coast(v)
		}
		return coast(v)
	}

	var s sample
	s.v = low
	s.angle = 2 * math.Pi * random.Float64()
	for i := 0; ; i++ {
		s.t = float64(i) / rate
		switch {
		case now == phaseHold && s.t >= holdTime:
			now, began = phaseRise, s.t
		case now == phaseRise && s.t-began >= riseTime:
			now, began = phaseSweep, s.t
		case now == phaseSweep && s.v >= high:
			top, topSpeed = control(s.t), s.speed
			now, began = phaseRelease, s.t
		case now == phaseRelease && s.t-began >= releaseTime:
			now, began = phaseCoast, s.t
		case now == phaseCoast && s.v <= floor:
			return
		}
		s.phase = now
		s.a = accelerate(s.t, s.v)
		s.driveline, s.loss = dl.At(s.v), r.loss(s.v)
		s.intake = r.intake + intakeRise*s.t
		s.rotating = car.RotatingMass
		load := 1.0 // share of full load
		switch now {
		case phaseHold:
			load, s.pedal = partLoad, partLoad
		case phaseRise:
			load = partLoad + (1-partLoad)*smooth((s.t-began)/riseTime)
			s.pedal = load
		case phaseSweep:
			s.pedal = 1
		case phaseRelease:
			load = 1 - smooth((s.t-began)/releaseTime)
			s.pedal = max(0, 1-(s.t-began)/0.15)
			s.rotating = car.CoastingMass + load*(car.RotatingMass-car.CoastingMass)
		case phaseCoast:
			load, s.pedal, s.rotating = 0, 0, car.CoastingMass
		}
		s.tractive = -s.driveline - s.rotating*s.a
		if load > 0 {
			s.tractive = r.drive(load*r.full(s.v, dry, s.t)-s.driveline-s.rotating*s.a, load)
		}
		s.engine = s.tractive + s.driveline + s.rotating*s.a
		s.brake = s.tractive - r.base*s.a - s.loss
		s.slip = car.Slip * s.tractive
		s.speed = s.v * (1 + s.slip) / car.TyreRadius * car.GearRatio
		if now >= phaseRelease {
			s.speed = idleSpeed + (topSpeed-idleSpeed)*math.Exp(-(s.t-began)/1.2)
			if now == phaseCoast {
				s.speed = idleSpeed + (topSpeed-idleSpeed)*math.Exp(-(s.t-began+releaseTime)/1.2)
			}
		}
		emit(&s)
		s.step(1/rate, r.radius, accelerate)
	}
}

// drive applies the scatter of session, pull and car to a tractive force; the
// scatter fades with the load so that the release stays free of a jump.
func (r *rig) drive(tractive, load float64) float64 {
	return tractive * (1 + (r.force-1)*load)
}

// empty makes a coast-down of the empty rollers from a speed to the floor.
func (r *rig) empty(from, floor, rate float64, random *rand.Rand, emit func(*sample)) {
	accelerate := func(_, v float64) float64 { return -r.loss(v) / r.base }
	var s sample
	s.v, s.phase = from, phaseCoast
	s.angle = 2 * math.Pi * random.Float64()
	for i := 0; s.v > floor; i++ {
		s.t = float64(i) / rate
		s.a, s.loss = accelerate(0, s.v), r.loss(s.v)
		emit(&s)
		s.step(1/rate, r.radius, accelerate)
	}
}

// step moves speed and angle on by dt, s, with the classical fourth-order
// Runge–Kutta method in parts of at most 20 ms.
func (s *sample) step(dt, radius float64, accelerate func(t, v float64) float64) {
	n := math.Ceil(dt / 0.020001)
	h := dt / n
	t := s.t
	for range int(n) {
		k1 := accelerate(t, s.v)
		k2 := accelerate(t+h/2, s.v+h/2*k1)
		k3 := accelerate(t+h/2, s.v+h/2*k2)
		k4 := accelerate(t+h, s.v+h*k3)
		v := s.v + h/6*(k1+2*k2+2*k3+k4)
		s.angle += h * (s.v + v) / 2 / radius
		s.v = v
		t += h
	}
}
