package drift

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Week is the unit of the fleet's checks.
const Week = 7 * 24 * time.Hour

// Settings rule Follow. Every field must be set; start from DefaultSettings.
type Settings struct {
	// Window is how far back runs are used to know cells and cars as they are.
	Window time.Duration
	// Memory is how far back a run's expectation and the variances look.
	Memory time.Duration

	// Standard deviations of y until there is enough history, ratios.
	CellSD    float64
	SessionSD float64
	PullSD    float64
	// CarTrendSD is the standard deviation of a car's own slow change, ratio
	// per week.
	CarTrendSD float64
	// RampSD is the standard deviation of how a car's y answers to a doubled
	// ramp rate, ratio.
	RampSD float64
	// PriorFreedom is the degrees of freedom the stated standard deviations
	// count for against the estimated ones.
	PriorFreedom float64
	// LeastFreedom is the degrees of freedom below which nothing is estimated.
	LeastFreedom float64

	// FalseFlagsPerCellYear and RunsPerCellYear give the CUSUM's run length
	// without cause, RunsPerCellYear/FalseFlagsPerCellYear runs.
	FalseFlagsPerCellYear float64
	RunsPerCellYear       float64
	// K is the CUSUM's reference value, standard deviations.
	K float64
	// Clip bounds the innovation that enters the CUSUM, standard deviations.
	Clip float64

	// CarBaseline is how long a car's first weeks last.
	CarBaseline time.Duration
	// CarLimit is the change of a car that matters, ratio.
	CarLimit float64
}

// DefaultSettings returns the settings Rollcall starts with.
func DefaultSettings() Settings {
	return Settings{
		// With one run a cell and week and cars that rotate, eight weeks show
		// every car on every cell about twice, and a cell's offset gets
		// sd 0.4 %/√8 = 0.14 %; longer windows blunt slow changes.
		Window: 8 * Week,
		// Half a year. The session's sd is then known to some 3 %, which the run
		// length of a CUSUM needs, being steep in it. And a cell that has not
		// changed since it was calibrated must be compared with all of that
		// time: an expectation from the last eight weeks follows the cell, its
		// innovations are correlated, and a slow change hides in it (measured:
		// a third of the asked false flags with 8 weeks).
		Memory: 26 * Week,
		// Common practice, no source: chassis dynamometers that are looked
		// after agree to about half a percent to one; strapping, tyres and fuel
		// move a session by a few tenths; back-to-back pulls repeat to a
		// quarter.
		CellSD: 0.006, SessionSD: 0.004, PullSD: 0.0025,
		// A car that loses a percent in ten weeks is at one sd.
		CarTrendSD: 0.001,
		// The car's own rotating mass takes one to four percent of the
		// tractive force as its ramp rate doubles.
		RampSD: 0.05,
		// A stated sd is worth about a month of a twelve-cell fleet.
		PriorFreedom: 12, LeastFreedom: 8,
		// One false flag in ten cell-years; weekly runs.
		FalseFlagsPerCellYear: 0.1, RunsPerCellYear: 52,
		// Tuned to a shift of one sd of a run, about 0.5 %.
		K: 0.5,
		// One freak run (a wrong gear, a wet strap) must not flag a cell alone:
		// at most 3.5 of a limit of about 5.1 come from one run. In control
		// ±4 is passed once in 16 000 runs, so the run length does not notice.
		Clip: 4,
		// Four weeks hold a car's first visits to most cells.
		CarBaseline: 4 * Week,
		// Half a usual cell tolerance of one percent.
		CarLimit: 0.005,
	}
}

// Validate returns all that is wrong with the settings.
func (s Settings) Validate() error {
	var errs []error
	positive := func(name string, v float64) {
		if !(v > 0) || math.IsInf(v, 1) {
			errs = append(errs, fmt.Errorf("drift settings: %s must be positive and finite, is %g", name, v))
		}
	}
	positive("Window", s.Window.Seconds())
	positive("Memory", s.Memory.Seconds())
	positive("CellSD", s.CellSD)
	positive("SessionSD", s.SessionSD)
	positive("PullSD", s.PullSD)
	positive("CarTrendSD", s.CarTrendSD)
	positive("RampSD", s.RampSD)
	positive("PriorFreedom", s.PriorFreedom)
	positive("LeastFreedom", s.LeastFreedom)
	positive("FalseFlagsPerCellYear", s.FalseFlagsPerCellYear)
	positive("RunsPerCellYear", s.RunsPerCellYear)
	positive("K", s.K)
	positive("CarBaseline", s.CarBaseline.Seconds())
	positive("CarLimit", s.CarLimit)
	if !(s.Clip > s.K) {
		errs = append(errs, fmt.Errorf("drift settings: Clip must be above K = %g, is %g", s.K, s.Clip))
	}
	if s.Memory < s.Window {
		errs = append(errs, fmt.Errorf("drift settings: Memory %v must not be shorter than Window %v", s.Memory, s.Window))
	}
	return errors.Join(errs...)
}
