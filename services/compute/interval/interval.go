// Package interval says when a load cell is to be checked next.
//
// In: the errors that its checks have shown, the time between checks and the
// pulls between checks that the registry allows, the pulls made. Out: the day
// each of three rules asks for, the earliest, and a sentence. It stands after
// loadcell in the flow; package flag takes Overdue.
//
// The rules: by time, by number of pulls, and by drift, that is, while the
// probability of having stayed in tolerance is not under the reliability asked.
// The error is taken to go as a random walk with a steady rate, both seen from
// the cell's own checks, restarting where it was adjusted.
package interval

import "time"

// DefaultReliability is the probability of being in tolerance until the next
// check that is asked where the registry asks none. Common practice for
// measuring instruments (85 to 95 %), no source.
const DefaultReliability = 0.95

// Observation is what one check showed.
type Observation struct {
	At    time.Time
	Error float64 // in the unit of Tolerance
	U     float64 // expanded, k = 2
	// Restart says that the error starts anew here: the check is as left after
	// an adjustment. Its step from the one before is no drift.
	Restart bool
}

// Input is what is known of one load cell.
type Input struct {
	// Checks are the checks, in order of time; the last one starts the interval.
	Checks    []Observation
	Tolerance float64 // of Error
	// Every and MostPulls are the registry's limits; 0: not limited.
	Every     time.Duration
	MostPulls int
	// Pulls are the times of the pulls, in order; those before the last check
	// show the usual rate.
	Pulls       []time.Time
	Reliability float64 // 0: DefaultReliability
}

// Rule is a rule for the next check.
type Rule string

// The rules.
const (
	ByTime  Rule = "time"
	ByPulls Rule = "pulls"
	ByDrift Rule = "drift"
)

// Due is what one rule asks.
type Due struct {
	Rule Rule
	At   time.Time
	// Known is false when the rule does not apply or cannot be computed; Says
	// then says why, else how it comes to its day.
	Known bool
	Says  string
	// Reached says that the rule's limit has been reached already (pulls made),
	// not forecast.
	Reached bool
}

// Outcome is when the next check is due.
type Outcome struct {
	Due   time.Time // zero: no rule gives a day
	Rule  Rule      // which one rules
	Says  string    // a sentence with day and reason
	Rules []Due     // time, pulls, drift, in that order

	PullsMade int // since the last check
	// Rate is the steady part of the drift, Error's unit a day, and URate
	// expanded; Walk is the standard deviation of the rest over a day. Valid
	// when DriftKnown.
	Rate, URate, Walk float64
	DriftKnown        bool
	// Reliability is the one asked; AtDue the probability of having stayed in
	// tolerance until Due, 0 when the drift is not known.
	Reliability float64
	AtDue       float64
}

// Overdue reports whether the check is overdue at a time.
func (o Outcome) Overdue(at time.Time) bool { return !o.Due.IsZero() && at.After(o.Due) }
