package flag

import "rollcall/services/fleet"

// FaultPrior is what is held of a fault before a cell is looked at.
type FaultPrior struct {
	Fault       fleet.Fault
	Probability float64
	// SD is the size's standard deviation about 0, in the fault's unit.
	SD float64
	// Positive is the probability that the size is positive.
	Positive float64
}

// Minutes are what the checks cost, minutes of work.
type Minutes struct {
	DeadWeights, Zero, CoastDown, RampRate, Barometer, OtherCar float64
}

// Settings rule Decide. Start from DefaultSettings.
type Settings struct {
	// Certainty is the probability from which a cell counts as out of
	// tolerance, or a car as changed.
	Certainty float64
	// Rearm is the probability below which a cell whose flag was closed by a
	// signed reason may be flagged for its offset again.
	Rearm float64

	// Faults are the possible causes.
	Faults []FaultPrior

	// What a sound cell shows in a direct observation, where there is none from
	// before the change to compare with: standard deviations of the gain
	// error, ratio, and of the zero error as a share of the load cell's range.
	// For the coast-down it is the registry's own uncertainty.
	SoundGain float64
	SoundZero float64
	Minutes   Minutes
}

// DefaultSettings returns the settings Rollcall starts with. The figures are
// common practice, no source, but Certainty, which design decides.
func DefaultSettings() Settings {
	return Settings{
		Certainty: 0.95,
		Rearm:     0.5,
		Faults: []FaultPrior{
			// Load cells drift and their zero moves more often than anything
			// else on the brake changes.
			{fleet.FaultGain, 0.30, 0.015, 0.5},
			{fleet.FaultZero, 0.20, 20, 0.5},
			// A base inertia value is wrong only after work on the rollers.
			{fleet.FaultInertia, 0.03, 30, 0.5},
			// Bearings and belts drag more as they wear, seldom less.
			{fleet.FaultParasitic, 0.15, 20, 0.9},
			{fleet.FaultAir, 0.15, 0.01, 0.5},
			{fleet.FaultReferenceCar, 0.10, 0.01, 0.5},
			{fleet.FaultOther, 0.05, 0.01, 0.5},
			{fleet.FaultNone, 0.02, 0, 0.5},
		},
		SoundGain: 0.002, SoundZero: 0.001,
		Minutes: Minutes{
			DeadWeights: 15, Zero: 3, CoastDown: 5, RampRate: 10, Barometer: 5,
			// Another car has to be brought.
			OtherCar: 60,
		},
	}
}
