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
	ClockFault       Kind = "clock"                // time stands still, steps back or jitters
	Spiking          Kind = "spiking"              // samples that jump away and back
	Clipped          Kind = "clipped"              // a channel cut off at its end
	Quantised        Kind = "quantised"            // a channel in coarse steps
	GearRatio        Kind = "gear_ratio"           // engine-to-roller speed ratio is not the car's
	Slip             Kind = "slip"                 // engine-to-roller speed ratio moves with load
	RollerDifference Kind = "roller_difference"    // front and rear rollers differ in speed
	ThrottleClosing  Kind = "throttle_closing"     // throttle closes while the pedal is down
	Knock            Kind = "knock_retard"         // ignition retarded for knock
	IntakeHot        Kind = "intake_air_hot"       // intake air far above cell air
	IntakeClimbing   Kind = "intake_air_climbing"  // intake air climbs in the sweep
	BrakeLimit       Kind = "brake_limit"          // brake or load cell at its end
	BoostLow         Kind = "boost_low"            // boost under its set point
	Enrichment       Kind = "enrichment"           // richer for component protection
	EngineCold       Kind = "engine_cold"          // coolant or oil below where it should be
	EngineHot        Kind = "engine_hot"           // coolant or oil above
	AirDisagrees     Kind = "air_disagrees"        // air sensors out of line with the site's other cells
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
	// RampRates are the rates, rad/s², that the car is swept at: where none was
	// asked for, the nearest of them is taken to be meant. Empty: not said.
	RampRates []float64
	// BandLow and BandHigh bound the car's band, rad/s; both 0: not said.
	BandLow, BandHigh float64
	Limits            Limits
	// Compared are the ramp rates, rad/s², of the pulls this one is to be held
	// beside, where neither RampRate nor RampRates says which is meant: a curve of
	// a 15 s sweep and one of a 5 s sweep are not of one engine, for all the
	// inertia is computed.
	Compared []float64
	// Air is how the cell's air compares with that of the site's other cells;
	// nil: there is none to compare with. flag.CompareAir makes it.
	Air *AirComparison
}

// AirComparison is how far a cell's air reads from that of the site's other
// cells at about the same time, as what it does to the correction factor C.
type AirComparison struct {
	Delta  float64 // ratio: ln C less the mean of the others'
	U      float64 // ratio: its expanded uncertainty, k = 2
	Others int     // other cells it was compared with
	// Channel is the sensor that accounts for most of Delta; empty: not known.
	Channel fleet.Channel
}

// Limit is how much of something is worth a note, and how much keeps a
// reference pull from judging its cell.
type Limit struct {
	Note, Disqualify float64
}

// Within is a band something must stay in. Low.Disqualify lies below Low.Note,
// High.Disqualify above High.Note.
type Within struct {
	Low, High Limit
}

// Limits says how much is too much.
type Limits struct {
	RampRate         Limit   // ratio off the rate asked for
	Gap              Limit   // s in the sweep, in a channel the curve is made of
	GapElsewhere     Limit   // s in the sweep, in any other channel
	Hold             Limit   // s of exactly one value in the sweep, same channels
	Impossible       Limit   // ratio of a channel's samples outside its range
	StepBack         Limit   // s the clock of a channel the curve is made of steps back by
	Jitter           Limit   // ratio of the step, of the same channels' clocks
	Spiking          Limit   // ratio of samples that are spikes
	Clipped          Limit   // s that a channel is clipped for
	Quantised        Limit   // ratio of a channel's greatest value that its step is
	GearRatio        Limit   // ratio the engine-to-roller ratio is off the registry's
	Slip             Limit   // ratio the engine-to-roller ratio rises by
	RollerSlip       Limit   // ratio the rollers' speeds part by under load
	RollerDifference Limit   // ratio they differ by without it
	Throttle         Limit   // rad the throttle closes by
	Knock            Limit   // rad
	IntakeHot        Limit   // K above cell air
	IntakeClimbing   Limit   // K over the sweep
	BrakeLimit       Limit   // ratio of the brake's limit or the load cell's range
	BoostLow         Limit   // ratio under the set point
	Enrichment       Limit   // ratio lambda falls by under its level earlier in the pull
	LambdaLow        Limit   // lambda under which it is too rich whatever it was before
	Coolant, Oil     Within  // K
	AirDisagrees     Limit   // ratio, beyond the comparison's own U
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
		// dv/dt divides by the time: 2 ms are half a per cent of the time a
		// torque curve needs to change. A sample sent twice costs nothing.
		StepBack: Limit{0, 0.002},
		// Stamps that jitter are harmless when they are of the sampling, and
		// move each sample by slope·jitter when they are of its arrival: at a
		// fifth of a 10 ms step 0.005 m/s, half of what a good encoder's noise is.
		Jitter: Limit{0.2, never},
		// Spikes are left out and harmless; one sample in a hundred is a fault
		// in the wiring that has small ones too.
		Spiking: Limit{0, 0.01},
		// What was cut off is lost. A tenth of a second is a point of the curve.
		Clipped: Limit{0.02, 0.1},
		// A step q adds q/√12, and averages away while the ramp runs through
		// many steps in a window (a fifteenth of the sweep). At a fiftieth of
		// the greatest value it is about one step a window, and it does not.
		Quantised: Limit{0.002, 0.02},
		// Tyres grow with speed and creep with load by about a per cent.
		Slip: Limit{0.025, 0.04},
		// A tyre's rolling radius moves by a per cent or two with wear, heat
		// and pressure. Five is another gear, another car, or miles for
		// kilometres: the gears of one box lie a fifth apart at the least.
		GearRatio: Limit{0.03, 0.05},
		// Where the free roller turns with the tyre and the braked one slips
		// under it, the rollers part by the slip itself: no gearbox, no tyre
		// growth in it. Linked ones cannot part.
		RollerSlip: Limit{0.01, 0.02},
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
		// Between lambda 0.80 and 0.95 a few per cent of mixture move torque
		// by less than half a per cent; a fall of a tenth costs two and more,
		// and comes with more ignition taken away.
		Enrichment: Limit{0.03, 0.08},
		// Below 0.78 no petrol engine gives its best; below 0.70 it misfires.
		LambdaLow: Limit{0.78, 0.70},
		// A thermostat opens at 80 to 90 °C and a fan keeps below 105; friction
		// of a cold engine costs some 1 % per 15 K, a hot one is detuned.
		Coolant: Within{Low: celsius(70, 60), High: celsius(108, 115)},
		// Oil follows slowly: cold oil at 40 °C is five times as thick as at 80.
		Oil: Within{Low: celsius(60, 40), High: celsius(135, 150)},
		// What is beyond U is real. It never disqualifies: an air sensor is a
		// part of the cell that the pull is there to judge.
		AirDisagrees: Limit{0, never},
		Lasting:      0.2,
	}
}

// celsius returns a limit given in °C.
func celsius(note, disqualify float64) Limit { return Limit{note + 273.15, disqualify + 273.15} }

// never is a limit nothing reaches.
const never = 1e300

// made are the channels a curve is made of.
var made = map[fleet.Channel]bool{
	fleet.RollerSpeed: true, fleet.LoadCellForce: true, fleet.EngineSpeed: true,
}

// follows are the channels that a finding of clipping is given for: those that
// have no end they may rightly stand at, as a pedal has.
var follows = map[fleet.Channel]bool{
	fleet.RollerSpeed: true, fleet.RollerSpeedRear: true, fleet.LoadCellForce: true, fleet.EngineSpeed: true,
	fleet.Boost: true, fleet.Lambda: true, fleet.IntakeAirTemperature: true,
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
