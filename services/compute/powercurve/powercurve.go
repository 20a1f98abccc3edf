// Package powercurve reduces the samples of one pull to tractive force, wheel
// power and engine power over engine speed, each with its standard uncertainty.
//
// In: a pull's channels, the cell and the load-cell calibration in force, the
// car. Out: a Curve. It follows channel and coastdown and is read by finding
// and refrun.
package powercurve

import (
	"rollcall/services/compute/air"
	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Vehicle is what has to be known of the car on the rollers.
type Vehicle struct {
	// Engine revolutions per driven-wheel revolution and rolling radius, m:
	// the engine speed when it is not logged. 0: not known.
	GearRatio, TyreRadius float64
	// Equivalent mass at the roller surface, kg, of the parts that turn in the
	// gear of the pull, and of those that still turn in neutral. nil: not
	// known, and then engine power is not stated.
	RotatingMass, CoastingMass *float64
	// For the compression-ignition corrections, see correction.Conditions.
	Turbocharged        bool
	FuelDelivery        *float64 // mg per litre per cycle
	ChargePressureRatio *float64
}

// VehicleOf returns the vehicle that a reference car is.
func VehicleOf(c fleet.Car) Vehicle {
	rot, coast := c.RotatingMass, c.CoastingMass
	return Vehicle{GearRatio: c.GearRatio, TyreRadius: c.TyreRadius, RotatingMass: &rot, CoastingMass: &coast}
}

// Input is a pull to be reduced.
type Input struct {
	Cell        fleet.Cell
	Vehicle     Vehicle
	Calibration loadcell.Calibration
	Channels    map[fleet.Channel]channel.Series
	// CoastDown is a record of its own that belongs to this pull; nil: the
	// coast-down, if any, is in Channels after the sweep.
	CoastDown  map[fleet.Channel]channel.Series
	Correction fleet.Correction
	// Grid is the engine speeds to give the curve at, rad/s, rising; nil: every
	// 100 rpm inside the sweep.
	Grid []float64
	// Band is a second, coarser grid, rad/s, rising and evenly spaced: its
	// points average over the whole of their interval (see refrun.BandPoints).
	// nil: none.
	Band []float64
}

// Point is one point of a curve. Every U is a standard uncertainty (k = 1). A
// nil figure could not be stated; the curve says why.
type Point struct {
	EngineSpeed  float64 // rad/s
	Time         float64 // s, when the sweep passed it
	Speed        float64 // m/s, roller surface
	Acceleration float64 // m/s²

	BrakeForce     float64 // N at the roller surface
	TractiveForce  float64 // N
	UTractiveForce float64 // N, everything
	UOwnForce      float64 // N, noise of this point alone: what another point or pull does not share
	WheelPower     float64 // W
	UWheelPower    float64 // W

	Loss            *float64 // N, driveline and tyres
	ULoss           *float64
	EnginePower     *float64 // W
	UEnginePower    *float64
	EngineTorque    *float64 // N·m
	UEngineTorque   *float64
	CorrectedPower  *float64 // W, engine power times the correction factor
	UCorrectedPower *float64
	CorrectedTorque *float64 // N·m
	// UCorrectedTorque is CorrectedTorque's standard uncertainty.
	UCorrectedTorque *float64
}

// Peak is the greatest value of a curve.
type Peak struct {
	EngineSpeed float64 // rad/s
	Value       float64
	Expanded    float64 // expanded uncertainty, k = 2
}

// Curve is a reduced pull.
type Curve struct {
	Points []Point
	// Band has one point for each of Input.Band that the sweep covers.
	Band []Point

	Sweep     channel.Span  // the ramp under load
	CoastDown *channel.Span // in its own record's time when that was separate; nil: none
	RampRate  float64       // rad/s², engine side, over the sweep
	Window    float64       // s, length of the local polynomials
	PassBand  float64       // Hz, where their derivative is down by 3 dB

	EngineSpeedLogged bool // false: from gear ratio and tyre radius

	// Air is the mean cell air of the sweep; nil: pressure, temperature or
	// humidity is missing and nothing is corrected.
	Air *air.Air
	// Correction is the standard's factor; nil: none could be computed.
	Correction *correction.Result
	// UFactor is its standard uncertainty from the air sensors.
	UFactor float64
	// CorrectionNote says which temperature was taken, or why there is no
	// factor.
	CorrectionNote string

	// Loss is the car's coast-down, F_cd: rollers, tyres and driveline
	// together; nil: none.
	Loss *coastdown.Fit
	// NoEnginePower says why engine power is not stated; empty: it is.
	NoEnginePower string

	PeakWheelPower      *Peak // W
	PeakEnginePower     *Peak // W, uncorrected
	PeakEngineTorque    *Peak // N·m, uncorrected
	PeakCorrectedPower  *Peak // W
	PeakCorrectedTorque *Peak // N·m
}

// Reduce returns the curve of a pull.
func Reduce(in Input) (Curve, error) { panic("not built yet") }
