// Package flag decides which cells and reference cars carry a flag, since when,
// from what cause, and what to do next.
//
// In: the steps of drift, the results of calibration checks, what empty-roller
// coast-downs, barometer and speed-ratio comparisons said, the registry's tolerances, when
// checks were due, and the signed closings. Out: every flag there ever was, with its life. It is a
// pure function of the whole history: the same history gives the same flags,
// with the same ids. It stands between drift and lookback.
package flag

import (
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// Kind says what a flag asks for.
type Kind string

// The kinds of flag.
const (
	Recalibrate  Kind = "recalibrate"   // out of tolerance, or a failed check
	Drifting     Kind = "drifting"      // the weight of evidence, or the speed ratio, says that it changed
	ReferenceCar Kind = "reference car" // the car changed, not a cell
	// DueEarly is of a cell that will be out of tolerance before its next check.
	DueEarly Kind = "check due early"
	Overdue  Kind = "check overdue" // the load cell's next check is late
)

// OfChecks says that a flag is about when a check is made and says nothing against
// what the cell reads.
func (k Kind) OfChecks() bool { return k == DueEarly || k == Overdue }

// CoastDown is what an empty-roller coast-down said of the parasitic loss.
type CoastDown struct {
	Cell  fleet.CellID
	ID    fleet.PullID
	At    time.Time
	Delta float64 // N at the roller, mid band: measured less the registry's
	U     float64 // N, expanded
	Loss  float64 // N, the whole loss where Delta was taken; 0: not known
}

// Air is what a cell's air sensors said against the site's other cells of the
// same day.
type Air struct {
	Cell  fleet.CellID
	At    time.Time
	Delta float64 // ln C of the cell less the mean of the others
	U     float64 // expanded
}

// Closing is a flag closed by a signed reason.
type Closing struct {
	Flag   fleet.FlagID
	Cell   fleet.CellID // the flag's cell, or
	Car    fleet.CarID  // its car
	At     time.Time
	By     string
	Reason string
}

// Input is the whole history. The order within each list does not matter.
type Input struct {
	Steps      []drift.Step
	Checks     []Check
	CoastDowns []CoastDown
	Airs       []Air
	// Speeds are what CompareSpeeds made of the runs.
	Speeds   []Speed
	Cells    map[fleet.CellID]fleet.Cell
	Closings []Closing
	// State is the fleet after the last step, which the causes are judged by; nil:
	// nothing is known of any cell, and no cause is given.
	State *fleetstate.Fit
	// Intervals are those of the cells whose registry entry asks for one, and Now
	// is the moment by which a check may be overdue; zero: none is.
	Intervals []Interval
	Now       time.Time
}

// Cause is a possible fault behind a flag.
type Cause struct {
	Fault       fleet.Fault
	Probability float64
	// Size is the fault's most likely size if it is the cause, U expanded, in
	// Unit: "ratio", "kg", or for a force where it acts, AtArm or AtRoller.
	// Both 0 for none.
	Size float64
	U    float64
	Unit string
	Car  fleet.CarID // the car meant, when the fault is the reference car
}

// Units of a cause's size, where the force acts: a load cell's zero error at
// the lever arm, as the checks state it, parasitic loss at the roller surface.
const (
	AtArm    = "N at the lever arm"
	AtRoller = "N at the roller"
)

// What says what happened to a flag.
type What string

// What can happen to a flag.
const (
	Opened  What = "opened"
	Updated What = "updated"
	Closed  What = "closed"
)

// Event is a moment of a flag's life.
type Event struct {
	At   time.Time
	What What
	Kind Kind // after it
	Text string
}

// Flag is an open or closed finding on a cell or a reference car.
type Flag struct {
	ID   fleet.FlagID
	Cell fleet.CellID // or
	Car  fleet.CarID
	Kind Kind
	Open bool

	// FirstEvidenceAt is the first run (or check) after the likeliest moment of
	// the change; EarliestAt and LatestAt are the first and the last run that
	// hold it with 95 %. All three are the same where a check alone says it.
	FirstEvidenceAt time.Time
	EarliestAt      time.Time
	LatestAt        time.Time
	// LastGoodAt is when the cell was last known good, the latest of: the run
	// before EarliestAt, its last passing check before EarliestAt, the last run
	// before the first evidence at which the CUSUM side that crossed stood at
	// nought; or, where the load cell is the cause, its last check without an
	// error before the one that failed. Zero: never known good.
	LastGoodAt   time.Time
	OpenedAt     time.Time
	UpdatedAt    time.Time
	ClosedAt     time.Time // zero while open
	ClosedReason string
	ClosedBy     string

	// Size is the offset (or the car's change), U expanded; ratios.
	Size float64
	U    float64
	// Before is the cell's offset before the change, whenever that was, as its
	// runs show it; UBefore expanded; 0: no run can say.
	Before  float64
	UBefore float64
	// Causes, most probable first; empty for a reference car.
	Causes []Cause
	// NextCheck is what to do next: the check that best tells the leading causes
	// apart, or what puts the cause right once it is known.
	NextCheck string
	Evidence  string // what was seen, in a sentence
	// DueAt is since when the check of an Overdue flag is due, and by when that of a
	// DueEarly flag should be made; else zero.
	DueAt time.Time
	Life  []Event
}
