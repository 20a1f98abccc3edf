package loadcell

import (
	"fmt"
	"math"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// The air and density that conventional mass is defined in, kg/m³.
// Source: OIML D 28:2004, clause 4.
const (
	conventionalAir     = 1.2
	conventionalDensity = 8000
)

// The air taken where the check did not record it, kg/m³: 1.2 with a standard
// uncertainty that covers heights up to about 1000 m. Common practice, no
// source; it moves a steel mass's force by 12 ppm.
const (
	assumedAir  = 1.2
	uAssumedAir = 0.1
)

// The humidity taken where only pressure and temperature were recorded: the
// middle of 0…1, rectangular (JCGM 100:2008, 4.3.7).
const assumedHumidity = 0.5

var uAssumedHumidity = 0.5 / math.Sqrt(3)

// The densities a check mass can have, kg/m³, from magnesium to tungsten. They
// catch a wrong unit.
const (
	leastDensity = 1500
	mostDensity  = 22000
)

// The largest check mass (kg) and the arms (m) that can be meant.
const (
	largestMass = 1e5
	longestArm  = 100
	shortestArm = 1e-3
)

// The gravity found on land, m/s², with room to spare.
const (
	leastGravity = 9.75
	mostGravity  = 9.85
)

// TrueMass returns the true mass that a certificate's conventional mass stands
// for,
//
//	m = m_c·(1 − 1.2/8000)/(1 − 1.2/ρ)
//
// kg; ρ in kg/m³. It is the conventional mass for ρ = 8000 and 20 ppm more for
// cast iron. Source: OIML D 28:2004, clause 5.
func TrueMass(conventional, density float64) float64 {
	return conventional * (1 - conventionalAir/conventionalDensity) / (1 - conventionalAir/density)
}

// Weight returns the force with which a mass hangs in air,
//
//	F = m·g·(1 − ρ_air/ρ_mass)
//
// N; m true mass, kg. Source: 40 CFR 1065.310 with the buoyancy of OIML D 28:2004.
func Weight(mass, density, gravity, airDensity float64) float64 {
	return mass * gravity * (1 - airDensity/density)
}

// load is the true force behind one reading and what its uncertainty rests on.
type load struct {
	force float64                  // N at the lever arm
	mass  map[fleet.MassID]float64 // ∂F/∂m_c of each mass, N/kg
	air   float64                  // ∂F/∂ρ_air, N·m³/kg
	// standard is the standard uncertainty of a reference reading, N, signed
	// with it: what its certificate leaves is common to all its readings.
	standard float64
}

// bench is what all loads of a dead-weight check have in common.
type bench struct {
	cell     fleet.Cell
	masses   map[fleet.MassID]fleet.Mass
	gravity  float64
	uGravity float64 // ratio
	air      float64 // density, kg/m³
	uAir     float64 // standard
	level    float64 // cos θ of the calibration arm
	uLevel   float64 // ratio
}

// setUp checks what a dead-weight check needs of the registry and takes the
// density of the air. The problem is empty when the check can be judged.
func setUp(in Input) (b bench, note, problem string) {
	cell, gravity := in.Cell, in.Gravity
	switch {
	case !positive(cell.CalibrationArm) || cell.CalibrationArm > longestArm:
		return b, "", fmt.Sprintf("the registry gives no length for the calibration arm of cell %s (%v m): measure it from the brake's axis to where the masses hang and enter it", cell.ID, cell.CalibrationArm)
	case !positive(cell.LeverArm) || cell.LeverArm > longestArm || cell.LeverArm < shortestArm:
		return b, "", noLeverArm(cell)
	case !(gravity >= leastGravity && gravity <= mostGravity):
		return b, "", fmt.Sprintf("gravity %.6g m/s² is not found on land: enter the site's latitude and height, or its measured gravity", gravity)
	}
	b = bench{cell: cell, masses: in.Masses, gravity: gravity, uGravity: in.UGravity}
	if b.uGravity == 0 {
		b.uGravity = gum.UGravity
	}
	if b.level, b.uLevel, problem = level(in.Check.ArmAngle, cell); problem != "" {
		return b, "", problem
	}
	b.air, b.uAir, note = airDensity(in.Check, cell)
	return b, note, ""
}

func noLeverArm(cell fleet.Cell) string {
	return fmt.Sprintf("the registry gives no lever arm for cell %s (%v m): enter the distance from the brake's axis to the load cell", cell.ID, cell.LeverArm)
}

// mostAngle is the largest angle of a calibration arm that can be meant, rad; a
// larger one is in degrees.
const mostAngle = 0.5

// level returns what is left of a calibration arm's length when it is off the
// horizontal by θ, and the relative standard uncertainty of that,
//
//	cos θ·(1 − u²/2),  u_r² = (u·tan θ)² + (u²/√2)²
//
// The second terms are those of the second order: about a level arm the first
// has none. An arm whose angle was not measured was levelled, within
// cell.U.ArmAngle. Source: JCGM 100:2008, F.2.4.4 and 5.1.2, note.
func level(angle *float64, cell fleet.Cell) (factor, u float64, problem string) {
	theta, ut := 0.0, cell.U.ArmAngle
	if angle != nil {
		theta = *angle
	}
	switch {
	case !(math.Abs(theta) <= mostAngle):
		return 0, 0, fmt.Sprintf("the calibration arm's angle of %.4g rad is no levelled arm: enter the angle off the horizontal (is it in degrees? 1° is 0.01745 rad), or level the arm", theta)
	case !(ut >= 0 && ut <= mostAngle):
		return 0, 0, fmt.Sprintf("the registry gives cell %s an arm-angle uncertainty of %v rad: enter it in rad, such as 0.01", cell.ID, ut)
	}
	return math.Cos(theta) * (1 - ut*ut/2), math.Hypot(ut*math.Tan(theta), ut*ut/math.Sqrt2), ""
}

// airDensity returns the density of the air a check was made in, with its
// standard uncertainty, and a note when it had to be assumed.
func airDensity(check fleet.Check, cell fleet.Cell) (rho, u float64, note string) {
	if check.AirPressure == nil || check.AirTemperature == nil {
		return assumedAir, uAssumedAir, fmt.Sprintf("air pressure and temperature were not recorded: the air's density is taken as %.1f ± %.1f kg/m³", assumedAir, 2*uAssumedAir)
	}
	a := air.Air{Pressure: *check.AirPressure, Temperature: *check.AirTemperature, Humidity: assumedHumidity}
	uHumidity := uAssumedHumidity
	if check.Humidity != nil {
		a.Humidity, uHumidity = *check.Humidity, cell.U.Humidity
	}
	if err := a.Validate(); err != nil {
		return assumedAir, uAssumedAir, fmt.Sprintf("the air recorded with the check is impossible (%v): its density is taken as %.1f ± %.1f kg/m³", err, assumedAir, 2*uAssumedAir)
	}
	rho = air.Density(a)
	u = air.DensitySensitivity(a).U(cell.U.AirPressure, cell.U.AirTemperature, uHumidity)
	return rho, math.Hypot(u, air.FormulaUncertainty*rho), ""
}

// hang returns the load of one reading.
func (b bench) hang(r fleet.Reading, where string) (load, string) {
	l := load{mass: map[fleet.MassID]float64{}}
	leverage := b.cell.CalibrationArm / b.cell.LeverArm * b.level
	for _, id := range r.Masses {
		m, known := b.masses[id]
		switch {
		case !known:
			return l, fmt.Sprintf("%s names check mass %q, which is not in the registry: enter it with its certificate, or correct the name", where, id)
		case !positive(m.Mass) || m.Mass > largestMass:
			return l, fmt.Sprintf("%s: the registry gives check mass %s as %v kg: enter the value of its certificate", where, id, m.Mass)
		case !finite(m.U) || m.U < 0:
			return l, fmt.Sprintf("%s: the registry gives check mass %s an uncertainty of %v kg: enter the U (k = 2) of its certificate", where, id, m.U)
		case m.Density != 0 && !(m.Density >= leastDensity && m.Density <= mostDensity):
			return l, fmt.Sprintf("%s: the registry gives check mass %s a density of %v kg/m³: cast iron has about 7100, steel 7850 to 8000 (g/cm³ × 1000)", where, id, m.Density)
		}
		if _, twice := l.mass[id]; twice {
			return l, fmt.Sprintf("%s lists check mass %s twice: one mass hangs once", where, id)
		}
		density := massDensity(m)
		one := Weight(TrueMass(1, density), density, b.gravity, b.air) * leverage
		l.mass[id] = one
		l.force += one * m.Mass
		l.air -= TrueMass(m.Mass, density) * b.gravity / density * leverage
	}
	return l, ""
}

// massDensity returns a mass's density; where the registry has none, that of
// conventional mass, which by its definition is then right in air of 1.2 kg/m³
// and within 3 ppm in any air of a cell.
func massDensity(m fleet.Mass) float64 {
	if m.Density == 0 {
		return conventionalDensity
	}
	return m.Density
}

// doubtMass says what is doubtful about a mass without spoiling the check.
func (j *judge) doubtMass(m fleet.Mass) {
	name := "check mass " + string(m.ID)
	switch {
	case m.Due.IsZero():
		j.find(Finding{FindingNoDueDate, fmt.Sprintf("the certificate of %s has no end in the registry: enter its due date", name), ""})
	case m.Due.Before(j.in.Check.PerformedAt):
		j.doubt(FindingMassExpired, "the certificate of %s ended on %s: have it calibrated", name, m.Due.Format(time.DateOnly))
	}
	if m.U == 0 {
		j.doubt(FindingNoU, "%s has no stated uncertainty: it counts as exact, so U is too small", name)
	}
	if m.Density == 0 {
		j.doubt(FindingDensity, "%s has no stated density: taken as %d kg/m³", name, conventionalDensity)
	}
	if m.U > forceWithin*m.Mass {
		j.find(Finding{FindingReference, fmt.Sprintf("%s is known to ±%.2g %% (k = 2): it is to be within ±%.1f %%", name, 100*m.U/m.Mass, 100*forceWithin), cfr})
	}
}

// shared returns the relative standard uncertainties common to all loads of a
// dead-weight check.
func (b bench) shared() []gum.Component {
	cs := []gum.Component{
		{Name: "gravity", Sensitivity: 1, U: b.uGravity, DoF: gum.Infinite},
		{Name: "calibration arm", Sensitivity: 1, U: b.cell.U.CalibrationArm / b.cell.CalibrationArm, DoF: gum.Infinite},
		{Name: "lever arm", Sensitivity: 1, U: b.cell.U.LeverArm / b.cell.LeverArm, DoF: gum.Infinite},
	}
	if b.uLevel > 0 {
		cs = append(cs, gum.Component{Name: "arm angle", Sensitivity: 1, U: b.uLevel, DoF: gum.Infinite})
	}
	return cs
}

func positive(x float64) bool { return x > 0 && finite(x) }
func finite(x float64) bool   { return !math.IsNaN(x) && !math.IsInf(x, 0) }
