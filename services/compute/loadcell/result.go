package loadcell

import (
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Input is a calibration check with all it is judged by.
type Input struct {
	Check     fleet.Check
	Cell      fleet.Cell
	Masses    map[fleet.MassID]fleet.Mass
	Standards map[fleet.StandardID]fleet.Standard
	// Gravity is the local one, m/s² (gum.SiteGravity), and UGravity its
	// relative standard uncertainty (gum.SiteGravityU; 0: gum.UGravity). Only
	// dead weights need them.
	Gravity  float64
	UGravity float64
	// InForce is the calibration in force when the check was made.
	InForce Calibration
	// Earlier are the cell's earlier checks with their results, in any order;
	// the drift since the last one is stated. Later ones and those of other
	// cells are passed over.
	Earlier []Earlier
}

// Earlier is a check that went before. Of its result only the verdict, AsLeft,
// AsLeftValid and, where known, Stated are used: without Stated the two checks'
// uncertainties count as independent, which errs to the cautious side.
type Earlier struct {
	Check  fleet.Check
	Result Result
}

// Quantity names a stated result.
type Quantity string

// The stated results of a check.
const (
	ZeroError       Quantity = "zero error"            // N at the lever arm
	GainError       Quantity = "gain error"            // ratio
	Linearity       Quantity = "linearity"             // N
	Reversibility   Quantity = "reversibility"         // N
	Repeatability   Quantity = "repeatability"         // N
	Reproducibility Quantity = "reproducibility"       // N, after the arm or the standard was refitted
	Creep           Quantity = "creep"                 // N
	ZeroReturn      Quantity = "return to zero"        // N, unloaded after less before a cycle
	SpeedDependence Quantity = "zero per roller speed" // N per m/s
	SenseDifference Quantity = "difference of senses"  // ratio, gain error against less with the driving sense
	ZeroDrift       Quantity = "drift of the zero"     // N since the last check
	GainDrift       Quantity = "drift of the gain"     // ratio since the last check
)

// Stated is a result with its uncertainty and where that comes from.
type Stated struct {
	Quantity Quantity
	Unit     string // "N", "1" for a ratio, "N·s/m"
	Value    float64
	U        float64 // expanded, K times the combined standard uncertainty
	K        float64 // coverage factor for 95.45 %
	DoF      float64 // effective degrees of freedom; gum.Infinite when all are known
	// Budget lists the independent standard uncertainties; Contribution is in
	// the unit of Value.
	Budget []gum.Component
	Says   string // what was compared, in a few words; may be empty
}

// Interpolation is the interpolation equation of the indicator,
//
//	reading = c0 + c1·F + c2·F² + c3·F³
//
// N; F true force at the lever arm.
type Interpolation struct {
	Degree       int
	Coefficients [4]float64
	// Covariance is of the coefficients, from the scatter alone.
	Covariance [4][4]float64
	Residual   float64   // N, standard deviation about the curve
	DoF        int       // of Residual
	Residuals  []float64 // N, by reading of Result.Readings
	Low, High  float64   // N, loads
	Tried      []Trial   // degree 1 upwards
	Rule       string    // the rule, a sentence
	Reason     string    // why this degree, a sentence
}

// Trial is one degree that was tried for the interpolation equation.
type Trial struct {
	Degree   int
	Residual float64 // N
	DoF      int
	// LackOfFit is F of the lack of fit against pure error, with its degrees
	// of freedom and the probability P of as large a one by chance. Only when
	// Replicated.
	Replicated bool
	LackOfFit  float64
	DoFLack    int
	DoFPure    int
	P          float64
	// Highest is the F of the coefficient of the highest degree against the
	// residual of this fit, and PHighest its probability.
	Highest  float64
	PHighest float64
}

// Drift is the change of the indicator since the last check that can be
// compared with.
type Drift struct {
	Check fleet.CheckID
	Since time.Time
	Days  float64
	// Zero, N, and Gain, ratio, now less then; U expanded. What both checks
	// share (masses, arms, gravity) counts once. En is the change over U.
	Zero, UZero, EnZero float64
	Gain, UGain, EnGain float64
	ZeroValid           bool
	GainValid           bool
}

// Sense is what was found in one sense of load, in its own direction: an error
// is positive when the cell reads too much of it.
type Sense struct {
	Sense   fleet.Sense
	Driving bool // the sense S(x) and the verdict are for
	Result  Result
	// GainDifference is the gain error less that of the driving sense, ratio;
	// U expanded. Nought for the driving sense.
	GainDifference, UGainDifference float64
}

// SpeedZero is the zero at one speed of the rollers.
type SpeedZero struct {
	Speed   float64 // m/s
	Count   int
	Error   float64 // N
	U       float64 // N, expanded
	Verdict fleet.Verdict
	Risk    float64
}

// CreepStep is the change of the reading under one load that stayed on.
type CreepStep struct {
	Load     float64 // N
	Cycle    int
	From, To float64 // s after the load came on
	Value    float64 // N
	U        float64 // N, expanded
}

// FindingKind says what a finding is of.
type FindingKind string

// What is found about a check itself. None changes the verdict.
const (
	FindingMassExpired     FindingKind = "mass_certificate_ended"
	FindingStandardExpired FindingKind = "standard_certificate_ended"
	FindingNoDueDate       FindingKind = "certificate_without_end"
	FindingNoU             FindingKind = "uncertainty_not_stated"
	FindingDensity         FindingKind = "density_not_stated"
	FindingAir             FindingKind = "air_not_recorded"
	FindingAboveRange      FindingKind = "load_above_range"
	FindingNoRange         FindingKind = "range_not_stated"
	FindingArmAngle        FindingKind = "arm_not_level"
	FindingFewLoads        FindingKind = "few_loads"
	FindingUnevenLoads     FindingKind = "loads_unevenly_spread"
	FindingFewCycles       FindingKind = "few_cycles"
	FindingFewPreloads     FindingKind = "few_preloads"
	FindingReference       FindingKind = "reference_too_uncertain"
	FindingShunt           FindingKind = "shunt_is_no_load"
	FindingTurning         FindingKind = "zero_depends_on_speed"
	FindingDegree          FindingKind = "not_a_straight_line"
	FindingRefit           FindingKind = "refit_matters"
	FindingCreep           FindingKind = "creep_readings"
	FindingUncertain       FindingKind = "uncertainty_large"
	FindingOther           FindingKind = "other"
)

// Finding is what was found about a check itself: a sentence with its kind.
// Every sentence of Result.Notes is among the findings, to the letter.
type Finding struct {
	Kind   FindingKind
	Text   string
	Source string // the rule it is held against; empty: our own
}

// Class is how a check stands against the classes of a standard.
type Class struct {
	Table   string // "iso_376", "iso_7500_1"
	Asked   string // the class the registry asks for; empty: none
	Reached string // the best class all of whose measured limits are kept; empty: none
	// Complete says that every quantity of the table was measured; without it
	// Reached is of those that were.
	Complete   bool
	Met        bool // Asked is kept as far as measured
	Limits     []ClassLimit
	Source     string
	FromMemory bool
}

// ClassLimit is one quantity against one class.
type ClassLimit struct {
	Class    string
	Quantity string
	Limit    float64 // %, of Value's size
	Measured bool
	Value    float64 // %
	Within   bool
}

// Get returns a stated result.
func (r Result) Get(q Quantity) (Stated, bool) {
	for _, s := range r.Stated {
		if s.Quantity == q {
			return s, true
		}
	}
	return Stated{}, false
}
