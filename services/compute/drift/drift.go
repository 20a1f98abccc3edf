package drift

import (
	"time"

	"rollcall/services/fleet"
)

// Week is the unit of the fleet's checks.
const Week = 7 * 24 * time.Hour

// Restart is a moment at which something about a cell or a car began anew.
// Exactly one of Cell and Car is set.
type Restart struct {
	Cell fleet.CellID
	Car  fleet.CarID
	At   time.Time
	// Epoch names the calibration in force from then on; empty: unchanged.
	Epoch fleet.EpochID
	// Adjusted says that the cell (or car) was changed: its error (or level)
	// from then on has nothing to do with the one before. Otherwise only its
	// CUSUM starts at nought again, as after a flag closed by a signed reason.
	Adjusted bool
}

// Variances holds the variances a step was computed with, of y = ln(C·F), each
// the square of a ratio.
type Variances struct {
	Cell    float64 // between cells
	Session float64 // between sessions of one cell and car
	Pull    float64 // between pulls of one session, band mean
}

// CellEstimate is where a cell stands.
type CellEstimate struct {
	Cell fleet.CellID
	// Offset is the cell's relative error less the robust centre of all
	// cells': positive when it reads high. U is expanded, k = 2.
	// Both are 0 when Runs is.
	Offset float64
	U      float64
	Runs   int       // in the window and since its error last restarted
	LastAt time.Time // last run
	// NotSeparable says in a sentence that the visits of the reference cars
	// cannot tell this cell's offset from a car's, and which visit could.
	NotSeparable string
	// Beyond is the probability that the offset is beyond the tolerance.
	Beyond float64
	// Crossing is the moment by which it will be with probability ½, Earliest and
	// Latest with 2.5 and 97.5 %; zero: not within the horizon.
	Crossing, Earliest, Latest time.Time
}

// CarEstimate is how far a reference car's level has moved since its first
// weeks, relative to the other cars.
type CarEstimate struct {
	Car    fleet.CarID
	Known  bool // false: too few runs yet; what follows is 0
	Change float64
	U      float64 // expanded, k = 2
	// Probability is P(|change| > Settings.CarLimit).
	Probability float64
	Since       time.Time // middle of the first weeks
	LastAt      time.Time
	// Evidence is the weight of evidence that it changed at all, Drifting that it is
	// above its limit.
	Evidence, EvidenceLimit float64
	Drifting                bool
}

// Step is what one reference run said, knowing only itself and the runs before.
type Step struct {
	Run   fleet.RunID
	Cell  fleet.CellID
	Car   fleet.CarID
	At    time.Time
	Pulls int
	Epoch fleet.EpochID // calibration in force, as the last restart named it

	// Judged says that the runs before allowed an expectation. When false,
	// Skipped says why and the CUSUM stands still.
	Judged  bool
	Skipped string
	// Deviation is the run's mean of y less what was expected of it, UDeviation
	// its expanded uncertainty (k = 2), Innovation the same in standard
	// deviations.
	Deviation  float64
	UDeviation float64
	Innovation float64
	// DayOffset is the cell's offset as this run alone shows it, against the
	// cars and the robust centre of all other cells as their runs before knew
	// them. It does not know what the cell read before. UDayOffset is expanded,
	// k = 2. Both are 0 when Judged is false or the car has no run elsewhere.
	DayOffset  float64
	UDayOffset float64

	// Restarted says that the CUSUM began at nought before this run.
	Restarted bool
	High, Low float64 // the CUSUM's sides after the run
	Limit     float64
	// Evidence is the weight of evidence that the cell has changed since its errors
	// last restarted, Drifting that it is above its limit. 0: the CUSUM gave no cause
	// to weigh it.
	Evidence, EvidenceLimit float64
	Drifting                bool
	CellEstimate            CellEstimate
	CarEstimate             CarEstimate
	Variances               Variances
	BandPoints              int
	// Signature is the mean over the run's pulls and band of what they show per
	// unit of each error.
	Signature map[fleet.Fault]float64
}
