// Package finding says whether a pull is fit to judge with: each thing that is
// wrong with it, where, how much, and what to do.
//
// In: a pull's samples and its curve. Out: findings. It follows powercurve;
// refrun leaves out pulls with a disqualifying finding, a customer's pull keeps
// its findings as notes.
package finding

import (
	"rollcall/services/compute/channel"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Kind names what was found.
type Kind string

// The kinds of finding.
const (
	Unreadable       Kind = "unreadable"           // the pull or a channel cannot be computed with
	RampRate         Kind = "ramp_rate"            // sweep faster or slower than asked
	BandNotCovered   Kind = "band_not_covered"     // the sweep leaves part of the car's band out
	Gap              Kind = "gap"                  // samples missing
	Stuck            Kind = "stuck"                // a channel that does not move
	Impossible       Kind = "impossible"           // values that cannot be
	Slip             Kind = "slip"                 // engine-to-roller speed ratio moves with load
	RollerDifference Kind = "roller_difference"    // front and rear rollers differ in speed
	ThrottleClosing  Kind = "throttle_closing"     // throttle closes while the pedal is down
	Knock            Kind = "knock_retard"         // ignition retarded for knock
	IntakeHot        Kind = "intake_air_hot"       // intake air far above cell air
	IntakeClimbing   Kind = "intake_air_climbing"  // intake air climbs in the sweep
	BrakeLimit       Kind = "brake_limit"          // brake or load cell at its end
	BoostLow         Kind = "boost_low"            // boost under its set point
	NoCoastDown      Kind = "no_coast_down"        // engine power cannot be stated
	CoastDownShort   Kind = "coast_down_short"     // engine power cannot be stated everywhere
	NotCorrected     Kind = "not_corrected"        // no correction factor
	OutsideStandard  Kind = "outside_the_standard" // the correction is outside its own range
)

// Finding is one thing about a pull that whoever reads it should know.
type Finding struct {
	Kind          Kind
	Channel       fleet.Channel // empty: the pull as a whole
	Start, End    float64       // s
	Size          float64
	Unit          string // SI unit of Size; "1" for a ratio
	Disqualifying bool   // a reference pull with it does not judge the cell
	Text          string // a sentence for people, with what to do
}

// Input is a pull to be judged.
type Input struct {
	Pull powercurve.Input
	// Curve is what powercurve.Reduce made of it; nil when it gave an error,
	// which is then in Err.
	Curve *powercurve.Curve
	Err   error
	// RampRate is the sweep asked for, rad/s² engine side; nil: not said.
	RampRate *float64
	// BandLow and BandHigh bound the car's band, rad/s; both 0: not said.
	BandLow, BandHigh float64
	Limits            Limits
}

// Limit is how much of something is worth a note, and how much keeps a
// reference pull from judging its cell.
type Limit struct {
	Note, Disqualify float64
}

// Limits says how much is too much.
type Limits struct {
	RampRate         Limit   // ratio off the rate asked for
	Gap              Limit   // s in the sweep, in a channel the curve is made of
	GapElsewhere     Limit   // s in the sweep, in any other channel
	Hold             Limit   // s of exactly one value in the sweep, same channels
	Impossible       Limit   // ratio of a channel's samples outside its range
	Slip             Limit   // ratio the engine-to-roller ratio rises by
	RollerDifference Limit   // ratio
	Throttle         Limit   // rad the throttle closes by
	Knock            Limit   // rad
	IntakeHot        Limit   // K above cell air
	IntakeClimbing   Limit   // K over the sweep
	BrakeLimit       Limit   // ratio of the brake's limit or the load cell's range
	BoostLow         Limit   // ratio under the set point
	Lasting          float64 // s a throttle, knock, brake or boost finding must last
}

// degree is one degree, rad.
const degree = 0.017453292519943295

// DefaultLimits returns the limits used where nobody states others. None has a
// source: they are common practice, argued here so that they can be disputed.
func DefaultLimits() Limits {
	return Limits{
		// Brake controllers hold a ramp to a few per cent. A sweep 15 % off
		// shifts heat, and with it power, by more than the pulls of a session
		// scatter; the inertia share itself is computed and no reason.
		RampRate: Limit{0.15, 0.15},
		// Half of the local polynomial's window: more, and a point of the
		// curve is a guess from its neighbours.
		Gap: Limit{0.1, 0.25},
		// Other channels move slowly and judge nothing of the cell.
		GapElsewhere: Limit{1, never},
		// A live speed or force has noise; half a second of one value at 10 Hz
		// or more is five equal samples.
		Hold: Limit{0.5, 0.5},
		// A stray sample is dropped and harmless; one in a hundred is a fault
		// in the wiring.
		Impossible: Limit{0, 0.01},
		// Tyres grow with speed and creep with load by about a per cent.
		Slip: Limit{0.025, 0.04},
		// Linked rollers run together; the drive takes a fraction of a per cent.
		RollerDifference: Limit{0.01, 0.02},
		// Five degrees near full throttle cost less than 1 % of power; fifteen
		// are an engine controller cutting torque.
		Throttle: Limit{5 * degree, 15 * degree},
		// One degree of retard costs under 1 % of torque near best timing,
		// three about 2 to 4 %.
		Knock: Limit{1 * degree, 3 * degree},
		// The correction carries some 0.17 % per K; 20 K more than the cell is
		// a fan that does not reach the intake, 40 K a hood left shut.
		IntakeHot:      Limit{20, 40},
		IntakeClimbing: Limit{10, 25},
		// At its limit the brake no longer holds the ramp.
		BrakeLimit: Limit{0.95, 0.98},
		// 3 % of absolute pressure is what boost control scatters.
		BoostLow: Limit{0.03, 0.07},
		Lasting:  0.2,
	}
}

// never is a limit nothing reaches.
const never = 1e300

// made are the channels a curve is made of.
var made = map[fleet.Channel]bool{
	fleet.RollerSpeed: true, fleet.LoadCellForce: true, fleet.EngineSpeed: true,
}

// names are what people call the channels.
var names = map[fleet.Channel]string{
	fleet.RollerSpeed: "Roller speed", fleet.RollerSpeedRear: "Rear roller speed", fleet.LoadCellForce: "The load cell",
	fleet.EngineSpeed: "Engine speed", fleet.AirPressure: "Air pressure", fleet.AirTemperature: "Air temperature",
	fleet.RelativeHumidity: "Relative humidity", fleet.IntakeAirTemperature: "Intake air temperature", fleet.Pedal: "The pedal",
	fleet.ThrottleAngle: "The throttle angle", fleet.Boost: "Boost", fleet.BoostSetPoint: "The boost set point",
	fleet.IgnitionAngle: "The ignition angle", fleet.KnockRetard: "Knock retard", fleet.Lambda: "Lambda",
	fleet.CoolantTemperature: "Coolant temperature", fleet.OilTemperature: "Oil temperature", fleet.TyreTemperature: "Tyre temperature",
}

// nameOf returns what people call a channel.
func nameOf(c fleet.Channel) string {
	if n, ok := names[c]; ok {
		return n
	}
	return "Channel " + string(c)
}

// everywhere is a span that holds every time.
var everywhere = channel.Span{Start: -never, End: never}
