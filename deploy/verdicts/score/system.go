package score

import (
	"time"

	"rollcall/deploy/verdicts/simulate"
)

// Cause is what a system holds responsible for a flag.
type Cause string

// The causes.
const (
	CauseNone    Cause = "none"
	CauseGain    Cause = "gain"
	CauseZero    Cause = "zero"
	CauseInertia Cause = "base inertia"
	CauseDrag    Cause = "parasitic"
	CauseAir     Cause = "air sensor"
	CauseCar     Cause = "reference car"
	CauseSpeed   Cause = "speed scale"
	CauseSlip    Cause = "slip"
	CauseOther   Cause = "other"
)

// Interval is a value with its expanded uncertainty, k = 2.
type Interval struct{ Value, U float64 }

// holds reports whether the interval holds x.
func (i Interval) holds(x float64) bool { return x >= i.Value-i.U && x <= i.Value+i.U }

// Offset is a cell's offset from the fleet, as known after a session.
type Offset struct {
	Cell int
	At   time.Time
	Interval
	Known        bool // false: nothing is stated
	NotSeparable bool // the visits cannot tell it from a car's level
	// Crossing is when the offset is forecast to leave the tolerance; nil: not
	// stated.
	Crossing *Dates
}

// Dates is a stretch of time that holds a moment with 95 %.
type Dates struct{ Earliest, Latest time.Time }

func (d Dates) holds(t time.Time) bool { return !t.Before(d.Earliest) && !t.After(d.Latest) }

// Suspect is a possible cause with its size, in the unit of simulate.Kind's, but
// of the air sensor a ratio of C.
type Suspect struct {
	Cause       Cause
	Probability float64
	Size        Interval
}

// Flag is a flag on a cell, or on a car where Cell is −1.
type Flag struct {
	Cell, Car int
	OpenedAt  time.Time
	ByCheck   bool      // a calibration check opened it
	Tolerance bool      // it was opened because the offset was out of tolerance
	Began     *Dates    // when the change began; nil: not stated
	Suspects  []Suspect // most probable first
	UpdatedAt time.Time
	Size      Interval // the cell's offset, or the car's change, at UpdatedAt
}

// Following is what a system made of a history.
type Following interface {
	// Offsets returns an entry per session, as known right after it.
	Offsets() []Offset
	// Flags returns the flags there were at a moment, as known then.
	Flags(at time.Time) []Flag
	// ByRuns returns the same had there been no calibration checks.
	ByRuns() (Following, error)
}

// System is what the bench judges.
type System interface {
	Name() string
	Follow(simulate.History) (Following, error)
}
