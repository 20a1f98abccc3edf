package simulate

import "math"

// Loss is a loss force f0 + f1·v + f2·v² at the roller surface, N, v in m/s.
type Loss struct{ F0, F1, F2 float64 }

// At returns the loss force at speed v, N.
func (l Loss) At(v float64) float64 { return l.F0 + l.F1*v + l.F2*v*v }

// Car is a reference car as it truly is.
type Car struct {
	Name         string
	Peak         float64 // N·m, full-load torque in standard air where it is largest
	PeakSpeed    float64 // rad/s, engine speed there
	Fall         float64 // how the torque falls away from it, see Torque
	Gear         float64 // engine revolutions per wheel revolution
	TyreRadius   float64 // m
	RotatingMass float64 // kg at the roller surface, parts ahead of the roller
	Loss         Loss    // driveline and tyres
	Low, High    float64 // rad/s, the band
	Ramps        [2]float64
	Creep        float64 // tyre slip per N of tractive force
}

// Torque returns the full-load torque in standard air at engine speed w,
//
//	T = T̂·(1 − fall·(w/ŵ − 1)²)
//
// N·m.
func (c Car) Torque(w float64) float64 {
	d := w/c.PeakSpeed - 1
	return c.Peak * (1 - c.Fall*d*d)
}

// Truth is how a cell truly is beside what its registry entry says, and what
// its instruments make of it.
type Truth struct {
	Radius    float64 // true roller radius less the registry's, ratio
	Arm       float64 // lever arm, ratio
	Inertia   float64 // kg, true base inertia less the registry's
	Drag      float64 // N, true parasitic loss less the registry's
	Gain      float64 // reading = Zero + (1 + Gain)·force
	Zero      float64 // N at the lever arm
	Surface   float64 // what this roller surface takes or gives, ratio of force
	Pressure  float64 // Pa the barometer reads high
	Warm      float64 // K the thermometer reads high
	Humidity  float64 // the hygrometer reads high
	Grip      float64 // N of tractive force beyond which the tyres slip
	NoTacho   bool    // engine speed is worked out of roller speed, gear and tyre
	carFactor float64 // what the car gives beside its own curve; 0 is 1
}

// Registry is what is written down of a cell; the cell computes with it.
type Registry struct {
	Name                 string
	Site                 string
	Radius, Arm, Ratio   float64 // m, m, brake revolutions per roller revolution
	Inertia              float64 // kg
	Loss                 Loss
	Range                float64 // N at the lever arm
	Tolerance            float64 // ratio
	CheckTolerance       float64 // ratio
	ZeroTolerance        float64 // N at the lever arm
	StandardUOfParasitic float64 // N
}

// armToRoller returns what 1 N at the lever arm is at the roller surface,
// L·n/r.
func (r Registry) armToRoller() float64 { return r.Arm * r.Ratio / r.Radius }

// slipping is the coefficient of slip beyond the grip.
const slipping = 0.3

// slip returns how much slower than the tyre the roller runs, a ratio, at a
// tractive force: a creep in proportion, and beyond the grip a square.
func slip(car Car, grip, force float64) float64 {
	s := car.Creep * force
	if grip > 0 && force > grip {
		d := force/grip - 1
		s += slipping * d * d
	}
	return s
}

// state is a moment of a sweep as it truly is.
type state struct {
	speed, acceleration float64 // of the roller surface
	force, brake        float64 // tractive force, the brake's share at the roller surface
	slip                float64
}

// at returns the moment of a sweep at engine speed w, ramp α, in air of
// correction factor c; design: F_trac = T·G/(r_t·C) − F_dl(v) − M_rot·dv/dt and
// F_brake = F_trac − M_base·dv/dt − F_par(v).
func at(car Car, reg Registry, cell Truth, w, ramp, c float64) state {
	// The tyre, were there no slip.
	tyre := func(w float64) float64 { return w * car.TyreRadius / car.Gear }
	own := ramp * car.TyreRadius / car.Gear
	factor := cell.carFactor
	if factor == 0 {
		factor = 1
	}
	scale := factor * (1 + cell.Surface)
	pull := func(w, v float64) float64 {
		return scale * (car.Torque(w)*car.Gear/(car.TyreRadius*c) - car.Loss.At(v) - car.RotatingMass*own)
	}
	slipAt := func(w float64) float64 { return slip(car, cell.Grip, pull(w, tyre(w))) }
	roller := func(w float64) float64 { return tyre(w) * (1 - slipAt(w)) }
	var s state
	s.slip = slipAt(w)
	s.speed = roller(w)
	h := 1e-4 * w
	s.acceleration = ramp * (roller(w+h) - roller(w-h)) / (2 * h)
	s.force = pull(w, s.speed)
	s.brake = s.force - (reg.Inertia+cell.Inertia)*s.acceleration - (reg.Loss.At(s.speed) + cell.Drag)
	return s
}

// reading is what the cell makes of a moment.
type reading struct {
	speed, acceleration float64
	force, brake        float64
	slip                float64 // engine speed times the nominal ratio over roller speed, less 1
}

// read returns what a cell reads at the band point w.
func read(car Car, reg Registry, cell Truth, w, ramp, c float64) reading {
	actual := w
	if cell.NoTacho {
		// The point is where the roller runs as fast as it would at w without slip.
		for range 60 {
			s := at(car, reg, cell, actual, ramp, c).slip
			actual = w / (1 - s)
		}
	}
	s := at(car, reg, cell, actual, ramp, c)
	// Roller speed is counted in pulses of a roller of the registry's radius.
	scale := 1 / (1 + cell.Radius)
	radius, arm := reg.Radius*(1+cell.Radius), reg.Arm*(1+cell.Arm)
	x := cell.Zero + (1+cell.Gain)*s.brake*radius/(arm*reg.Ratio)
	r := reading{speed: s.speed * scale, acceleration: s.acceleration * scale, slip: s.slip}
	r.brake = x * reg.armToRoller()
	r.force = r.brake + reg.Inertia*r.acceleration + reg.Loss.At(r.speed)
	return r
}

// Air is the air in a cell.
type Air struct {
	Pressure    float64 // Pa
	Temperature float64 // K
	Humidity    float64 // 0…1
}

// DryPressure returns the pressure less the vapour's, Pa, with the vapour's at
// saturation after Magnus, 611.2·exp(17.62·t/(243.12 + t)), t in °C (World
// Meteorological Organization, guide no. 8; from memory).
func (a Air) DryPressure() float64 {
	t := a.Temperature - 273.15
	return a.Pressure - a.Humidity*611.2*math.Exp(17.62*t/(243.12+t))
}

// Factor returns the correction factor of SAE J1349,
//
//	C = 1.180·(990 hPa/p_dry)·√(T/298 K) − 0.18
func (a Air) Factor() float64 {
	return 1.18*99000/a.DryPressure()*math.Sqrt(a.Temperature/298) - 0.18
}
