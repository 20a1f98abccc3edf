// Package finding says whether a pull is fit to judge with: each thing that is
// wrong with it, where, how much, and what to do.
//
// In: a pull's samples and its curve. Out: findings. It follows powercurve;
// refrun leaves out pulls with a disqualifying finding.
package finding

import (
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Kind names what was found.
type Kind string

// The kinds of finding.
const (
	Unreadable       Kind = "unreadable"          // the pull could not be reduced
	RampRate         Kind = "ramp_rate"           // sweep faster or slower than asked
	BandNotCovered   Kind = "band_not_covered"    // the sweep leaves part of the car's band out
	Gap              Kind = "gap"                 // samples missing
	Stuck            Kind = "stuck"               // a channel that does not move
	Impossible       Kind = "impossible"          // values that cannot be
	Slip             Kind = "slip"                // engine-to-roller speed ratio moves with load
	RollerDifference Kind = "roller_difference"   // front and rear rollers differ in speed
	ThrottleClosing  Kind = "throttle_closing"    // throttle closes while the pedal is down
	Knock            Kind = "knock_retard"        // ignition retarded for knock
	IntakeHot        Kind = "intake_air_hot"      // intake air far above cell air
	IntakeClimbing   Kind = "intake_air_climbing" // intake air climbs in the sweep
	BrakeLimit       Kind = "brake_limit"         // brake at the most it can hold
	BoostLow         Kind = "boost_low"           // boost under its set point
	NoCoastDown      Kind = "no_coast_down"       // engine power cannot be stated
)

// Finding is one thing about a pull that whoever reads it should know.
type Finding struct {
	Kind          Kind
	Channel       fleet.Channel // empty: the pull as a whole
	Start, End    float64       // s
	Size          float64
	Unit          string // SI unit of Size
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

// Limits says how much is too much.
type Limits struct{}

// DefaultLimits returns the limits used where nobody states others.
func DefaultLimits() Limits { return Limits{} }

// Judge returns what is to be said of a pull, in the order of time, then kind.
func Judge(in Input) []Finding { panic("not built yet") }
