// Package fleet holds the nouns of Rollcall: sites, cells, reference cars,
// check masses, pulls, calibration checks, and their ids. Every other package
// speaks of the world in these types. Quantities are SI: metres, seconds,
// kilograms, newtons, pascals, kelvins, radians.
//
// It imports time only.
package fleet

import "time"

// Ids. Site, cell, car and mass ids are chosen by the chain (a to z, 0 to 9,
// hyphen); the others are made from content, 32 hexadecimal digits.
type (
	SiteID string
	CellID string
	CarID  string
	MassID string
	// StandardID names a reference standard: a transfer load cell, a torque
	// reference.
	StandardID string
	PullID     string
	CheckID    string
	RunID      string
	FlagID     string
	EpochID    string
)

// Site is a place with one or more cells.
type Site struct {
	ID       SiteID
	Name     string
	Latitude float64 // rad, north positive
	// Longitude is in rad, east positive; nil: not said. It is for how far apart
	// sites are, nothing else.
	Longitude *float64
	Height    float64 // m above sea level
	Gravity   float64 // m/s², as measured; 0: from latitude and height
	Zone      string  // IANA time zone, for screens only
}

// Loss is a loss force as a function of roller-surface speed,
//
//	F(v) = F0 + F1·v + F2·v²
//
// F in N, v in m/s; positive when it slows the roller.
type Loss struct {
	F0, F1, F2 float64
}

// At returns the loss force at speed v, N.
func (l Loss) At(v float64) float64 { return l.F0 + v*(l.F1+v*l.F2) }

// Cell is one dynamometer: the rollers, the brake and its load cell.
type Cell struct {
	ID   CellID
	Site SiteID
	Name string

	RollerRadius float64 // m
	LeverArm     float64 // m, axis of the brake to the load cell
	BrakeRatio   float64 // brake revolutions per roller revolution
	BaseInertia  float64 // kg, equivalent mass at the roller surface
	Parasitic    Loss    // rollers alone
	BrakeLimit   float64 // N at the roller surface the brake can hold

	LoadCellRange  float64 // N at the lever arm
	CalibrationArm float64 // m, on which check masses hang
	Tolerance      float64 // ratio: offset from the fleet that is still right
	CheckTolerance float64 // ratio of reading: a dead-weight check's limit
	ZeroTolerance  float64 // N at the lever arm: a zero check's limit

	// CheckEvery is the longest time between two checks of the load cell, and
	// CheckPulls the most pulls; 0: not limited. Reliability is the probability
	// the load cell is to be in tolerance with until the next check; 0: the
	// usual one.
	CheckEvery  time.Duration
	CheckPulls  int
	Reliability float64
	// Class is the class of load cell that checks are held against beside the
	// tolerance, such as "iso_376 1"; empty: none.
	Class string

	U CellUncertainty
}

// CellUncertainty holds the standard uncertainties of a cell's geometry and
// instruments (not expanded).
type CellUncertainty struct {
	RollerRadius   float64 // m
	LeverArm       float64 // m
	CalibrationArm float64 // m
	ArmAngle       float64 // rad, of a calibration arm that was levelled
	BaseInertia    float64 // kg
	Parasitic      float64 // N, over the speed range
	Speed          float64 // ratio
	LoadCell       float64 // ratio of reading, calibration in force
	AirPressure    float64 // Pa
	AirTemperature float64 // K
	Humidity       float64 // ratio, 0…1 scale
}

// Car is a reference car.
type Car struct {
	ID   CarID
	Name string

	// GearRatio is engine revolutions per driven-wheel revolution in the gear
	// of the pull, gearbox and final drive together.
	GearRatio    float64
	TyreRadius   float64   // m, rolling
	RotatingMass float64   // kg, equivalent mass at the roller surface of all rotating parts in the gear of the pull
	CoastingMass float64   // kg, the same for what still turns in neutral
	BandLow      float64   // rad/s, engine speed
	BandHigh     float64   // rad/s
	RampRates    []float64 // rad/s², engine side, the sweeps asked for
	Correction   Correction
	Charging     Charging
	Displacement float64 // m³, swept volume of the engine; 0: not said

	// Limits are the car's own for the findings of its pulls; those left 0 are
	// the usual ones.
	Limits CarLimits
}

// Limit is how much of something is worth a note on a pull, and how much keeps
// a reference pull from judging its cell. Both 0: the usual limit.
type Limit struct {
	Note, Disqualify float64
}

// CarLimits are limits that depend on the car. See the findings' package for
// what each is and for the usual ones.
type CarLimits struct {
	RampRate         Limit // ratio off the rate asked for
	Slip             Limit // ratio of the engine-to-roller ratio
	RollerSlip       Limit // ratio
	RollerDifference Limit // ratio
	Throttle         Limit // rad
	Knock            Limit // rad
	IntakeHot        Limit // K above cell air
	IntakeClimbing   Limit // K over the sweep
	BoostLow         Limit // ratio under the set point
	Enrichment       Limit // ratio lambda falls by
	LambdaLow        Limit // lambda, less is worse
	CoolantLow       Limit // K, less is worse
	CoolantHigh      Limit // K
	OilLow           Limit // K, less is worse
	OilHigh          Limit // K
}

// Charging says how an engine is charged.
type Charging string

// The ways to charge an engine.
const (
	ChargingUnknown    Charging = ""           // not said
	ChargingNone       Charging = "none"       // it draws its air
	ChargingTurbo      Charging = "turbo"      // driven by the exhaust
	ChargingMechanical Charging = "mechanical" // driven by the engine
)

// Chargings lists every way to charge an engine that can be declared.
var Chargings = []Charging{ChargingNone, ChargingTurbo, ChargingMechanical}

// EngineSpeed returns the engine speed, rad/s, at roller-surface speed v
// without slip.
func (c Car) EngineSpeed(v float64) float64 { return v / c.TyreRadius * c.GearRatio }

// Correction names a standard-air correction.
type Correction string

// The corrections known.
const (
	CorrectionNone      Correction = "none"
	CorrectionSAEJ1349  Correction = "sae_j1349"
	CorrectionISO1585SI Correction = "iso_1585_si" // also UN R85, spark ignition
	CorrectionISO1585CI Correction = "iso_1585_ci" // also UN R85, compression ignition
	CorrectionSAEJ607   Correction = "sae_j607"
	CorrectionDIN70020  Correction = "din_70020"
)

// Corrections lists every correction known, none first.
var Corrections = []Correction{CorrectionNone, CorrectionSAEJ1349, CorrectionSAEJ607, CorrectionISO1585SI, CorrectionISO1585CI, CorrectionDIN70020}

// Mass is a check mass with its certificate.
type Mass struct {
	ID          MassID
	Mass        float64 // kg, conventional
	U           float64 // kg, expanded, k = 2, from the certificate
	Density     float64 // kg/m³
	Certificate string
	Due         time.Time // when the certificate ends; zero: not stated
}

// StandardKind says what a reference standard measures.
type StandardKind string

// The kinds of reference standard.
const (
	StandardForce  StandardKind = "force"  // a transfer load cell, N
	StandardTorque StandardKind = "torque" // N·m
)

// Standard is a reference standard with its certificate.
type Standard struct {
	ID    StandardID
	Kind  StandardKind
	Range float64 // N or N·m
	// U is the expanded uncertainty, k = 2, from the certificate, as a ratio of
	// the reading; ULeast is its least amount, N or N·m.
	U, ULeast   float64
	Certificate string
	Due         time.Time // when the certificate ends; zero: not stated
}

// Registry is what was true of the fleet at one moment.
type Registry struct {
	Sites     map[SiteID]Site
	Cells     map[CellID]Cell
	Cars      map[CarID]Car
	Masses    map[MassID]Mass
	Standards map[StandardID]Standard
}

// Kind says what a record of samples is of. The numbers are those of the wire.
type Kind uint8

// The kinds of record.
const (
	KindPull           Kind = 1 // a pull, with its coast-down when it has one
	KindCoastDown      Kind = 2 // a car's coast-down alone
	KindEmptyCoastDown Kind = 3 // coast-down of the empty rollers
)

// String returns the kind's name.
func (k Kind) String() string {
	switch k {
	case KindPull:
		return "pull"
	case KindCoastDown:
		return "coast-down"
	case KindEmptyCoastDown:
		return "empty-roller coast-down"
	}
	return "unknown kind"
}

// Channel names a sampled quantity.
type Channel string

// The channels known, with their SI units. A site's own channel starts "x_";
// it is kept and shown but not computed with.
const (
	RollerSpeed          Channel = "roller_speed"           // m/s at the surface
	RollerSpeedRear      Channel = "roller_speed_rear"      // m/s, second roller
	LoadCellForce        Channel = "load_cell"              // N at the lever arm, as the indicator reads
	EngineSpeed          Channel = "engine_speed"           // rad/s
	AirPressure          Channel = "air_pressure"           // Pa, absolute, in the cell
	AirTemperature       Channel = "air_temperature"        // K, in the cell
	RelativeHumidity     Channel = "relative_humidity"      // 0…1
	IntakeAirTemperature Channel = "intake_air_temperature" // K, at the engine
	Pedal                Channel = "pedal"                  // 0…1
	ThrottleAngle        Channel = "throttle_angle"         // rad
	Boost                Channel = "boost"                  // Pa, absolute
	BoostSetPoint        Channel = "boost_set_point"        // Pa, absolute
	IgnitionAngle        Channel = "ignition_angle"         // rad before top dead centre
	KnockRetard          Channel = "knock_retard"           // rad
	Lambda               Channel = "lambda"                 // 1 is stoichiometric
	CoolantTemperature   Channel = "coolant_temperature"    // K
	OilTemperature       Channel = "oil_temperature"        // K
	TyreTemperature      Channel = "tyre_temperature"       // K
	FuelFlow             Channel = "fuel_flow"              // kg/s, whole engine
	FuelDelivery         Channel = "fuel_delivery"          // kg/m³, fuel per cycle and swept volume (1e-3 kg/m³ is 1 mg/L)
)

// Channels lists every known channel with the SI unit it is kept in.
var Channels = map[Channel]string{
	RollerSpeed: "m/s", RollerSpeedRear: "m/s", LoadCellForce: "N", EngineSpeed: "rad/s",
	AirPressure: "Pa", AirTemperature: "K", RelativeHumidity: "1", IntakeAirTemperature: "K",
	Pedal: "1", ThrottleAngle: "rad", Boost: "Pa", BoostSetPoint: "Pa", IgnitionAngle: "rad",
	KnockRetard: "rad", Lambda: "1", CoolantTemperature: "K", OilTemperature: "K", TyreTemperature: "K",
	FuelFlow: "kg/s", FuelDelivery: "kg/m³",
}

// Pull is a pull or coast-down as its cell announced it, without its samples.
type Pull struct {
	ID        PullID
	Cell      CellID
	Kind      Kind
	StartedAt time.Time
	Car       CarID // the reference car; empty for a customer's car and for empty rollers
	Label     string
	Session   string // name of the reference run; never empty for a reference pull once stored

	CustomerCar string
	// SetUp is what of the car may differ from pull to pull and acts on its
	// losses, in the site's own words: tyres, gear, straps.
	SetUp string
	// RampRate is the sweep asked for, rad/s² engine side; nil: not said.
	RampRate *float64
	// RotatingMass and CoastingMass are a customer's car's, kg; nil: not known.
	RotatingMass *float64
	CoastingMass *float64
	// Charging and Displacement, m³, are a customer's car's; nil: not said.
	Charging     Charging
	Displacement *float64
	Correction   Correction // empty: the car's, else SAE J1349
	Channels     []Channel
	Header       map[string]string
	AgentVersion string
}

// CheckKind says how a load cell was checked, or another of a cell's constants
// measured. The numbers are those of the wire.
type CheckKind uint8

// The kinds of calibration check.
const (
	CheckDeadWeight  CheckKind = 1 // masses on the calibration arm
	CheckZero        CheckKind = 2 // no load, rollers still
	CheckShunt       CheckKind = 3 // a force simulated electrically
	CheckZeroTurning CheckKind = 4 // no load, rollers turning with the brake off
	CheckTransfer    CheckKind = 5 // beside a transfer load cell
	CheckTorque      CheckKind = 6 // against a torque reference on the brake's axis
	CheckBaseInertia CheckKind = 7 // timed runs of the empty rollers under known forces
)

// String returns the kind's name.
func (k CheckKind) String() string {
	switch k {
	case CheckDeadWeight:
		return "dead weight"
	case CheckZero:
		return "zero"
	case CheckShunt:
		return "shunt"
	case CheckZeroTurning:
		return "zero, rollers turning"
	case CheckTransfer:
		return "transfer load cell"
	case CheckTorque:
		return "torque reference"
	case CheckBaseInertia:
		return "base inertia"
	}
	return "unknown kind"
}

// CheckState says whether a check was made before or after an adjustment.
type CheckState uint8

// The states of a check.
const (
	AsFound CheckState = 1
	AsLeft  CheckState = 2
)

// String returns the state's name.
func (s CheckState) String() string {
	switch s {
	case AsFound:
		return "as found"
	case AsLeft:
		return "as left"
	}
	return "unknown state"
}

// Direction says from where a load was approached.
type Direction uint8

// The directions of loading.
const (
	Rising  Direction = 1
	Falling Direction = 2
)

// Sense says which way a load cell is loaded. An S-type cell pulls and pushes.
type Sense uint8

// The senses of a load. Unsaid is the sense in which a driving car loads it.
const (
	SenseUnsaid Sense = 0
	Tension     Sense = 1
	Compression Sense = 2
)

// String returns the sense's name; empty when it was not said.
func (s Sense) String() string {
	switch s {
	case Tension:
		return "tension"
	case Compression:
		return "compression"
	}
	return ""
}

// Reading is one reading of a calibration check.
type Reading struct {
	Cycle     int
	Direction Direction
	Masses    []MassID // on the arm; none: unloaded
	Force     *float64 // N at the lever arm as the indicator read; nil: left out
	Simulated *float64 // N, the force a shunt stands for

	// Preload is a load put on and taken off before the first cycle; it is kept
	// and not judged.
	Preload bool
	Sense   Sense
	// Mounting counts how often the arm, or the transfer load cell, was taken
	// off and put on again: 0 the first time.
	Mounting int
	// Held is how long the load had been on when it was read, s; nil: not said.
	Held *float64
	// Speed is the rollers' surface speed at the reading, m/s: zero with
	// rollers turning. nil: not said.
	Speed *float64
	// Reference is what the check's standard read: N along the load cell for a
	// transfer load cell, N·m about the brake's axis for a torque reference.
	Reference *float64

	// A run of a base-inertia check: the force that was set at the roller
	// surface, N, positive when it slows the rollers, and how long the speed
	// took from From to To, m/s and s.
	SetForce, From, To, Duration *float64
}

// Check is a calibration check as it was made.
type Check struct {
	ID             CheckID
	Cell           CellID
	Kind           CheckKind
	State          CheckState
	PerformedAt    time.Time
	PerformedBy    string
	AirPressure    *float64 // Pa
	AirTemperature *float64 // K
	Humidity       *float64 // 0…1
	Readings       []Reading
	Note           string
	AgentVersion   string

	// Standard is the transfer load cell or torque reference; empty: none.
	Standard StandardID
	// ArmAngle is the calibration arm's angle off the horizontal, rad; nil: it
	// was levelled, and then within the cell's U.ArmAngle.
	ArmAngle *float64
	// Adjusted says of a check as found whether the load cell was adjusted
	// after it, so that a check as left is to come; nil: not said.
	Adjusted *bool
	// EffectiveAt is from when the calibration of a check as left holds; zero:
	// from PerformedAt.
	EffectiveAt time.Time
}

// From returns the moment from which the check's calibration holds.
func (c Check) From() time.Time {
	if c.EffectiveAt.IsZero() {
		return c.PerformedAt
	}
	return c.EffectiveAt
}

// Verdict is the outcome of a check against its tolerance, with guard band.
// Source of the four outcomes: ILAC-G8:09/2019, 4.2.2, binary statement with
// guard band extended by the conditional zones (from memory).
type Verdict uint8

// The verdicts.
const (
	VerdictNone            Verdict = 0 // no check yet
	VerdictPass            Verdict = 1 // within tolerance by more than U
	VerdictConditionalPass Verdict = 2 // within, but by less than U
	VerdictConditionalFail Verdict = 3 // outside, but by less than U
	VerdictFail            Verdict = 4 // outside by more than U
	VerdictUnusable        Verdict = 5 // the check cannot be judged; the reason is said
)

// String returns the verdict's name.
func (v Verdict) String() string {
	switch v {
	case VerdictPass:
		return "pass"
	case VerdictConditionalPass:
		return "conditional pass"
	case VerdictConditionalFail:
		return "conditional fail"
	case VerdictFail:
		return "fail"
	case VerdictUnusable:
		return "unusable"
	}
	return ""
}

// Fault is a kind of error a cell (or its reference car) can have.
type Fault uint8

// The faults.
const (
	FaultNone         Fault = 0
	FaultGain         Fault = 1 // load-cell gain
	FaultZero         Fault = 2 // load-cell zero
	FaultInertia      Fault = 3 // base inertia value
	FaultParasitic    Fault = 4 // bearing or belt
	FaultAir          Fault = 5 // air sensor
	FaultReferenceCar Fault = 6 // the car, not the cell
	FaultOther        Fault = 7 // a change that fits none of the others
	FaultSpeed        Fault = 8 // speed scale: roller radius or speed pickup
	FaultSlip         Fault = 9 // the tyres slip on the rollers
)

// String returns the fault's name.
func (f Fault) String() string {
	switch f {
	case FaultNone:
		return "none"
	case FaultGain:
		return "load-cell gain"
	case FaultZero:
		return "load-cell zero"
	case FaultInertia:
		return "base inertia value"
	case FaultParasitic:
		return "parasitic loss"
	case FaultAir:
		return "air sensor"
	case FaultReferenceCar:
		return "reference car"
	case FaultOther:
		return "other"
	case FaultSpeed:
		return "speed scale"
	case FaultSlip:
		return "tyre slip"
	}
	return "unknown fault"
}
