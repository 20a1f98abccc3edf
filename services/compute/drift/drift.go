package drift

import (
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

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

// History is all that Follow needs to know. The order does not matter.
type History struct {
	Runs     []refrun.Run
	Restarts []Restart
}

// Variances holds the variances a step was computed with, of y = ln(C·F), each
// the square of a ratio.
type Variances struct {
	Cell    float64 // between cells
	Session float64 // between sessions of one cell and car
	Pull    float64 // between pulls of one session, band mean
	// SessionFreedom is the degrees of freedom behind Session as estimated;
	// 0: the stated default.
	SessionFreedom float64
}

// Residual is what a run's pulls of one kind of sweep read beyond the car's own
// curve, as the fleet knows it after the run.
type Residual struct {
	Pulls    int
	RampRate float64   // rad/s², mean
	Mean     []float64 // y − car's curve, per band point
	// Signature is the mean over the pulls of refrun.Pull.Signature.
	Signature map[fleet.Fault][]float64
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
	Restarted    bool
	High, Low    float64 // the CUSUM's sides after the run
	Limit        float64
	Drifting     bool // a side is above the limit
	CellEstimate CellEstimate
	CarEstimate  CarEstimate
	Variances    Variances
	Slow         *Residual // nil: no such pull
	Fast         *Residual // nil: the car's pulls are all at one ramp rate
	BandPoints   int
}

// Estimate is where the fleet stands after its last run.
type Estimate struct {
	At        time.Time
	Cells     []CellEstimate // by id
	Cars      []CarEstimate  // by id
	Variances Variances
	Limit     float64 // of the CUSUM
}

// Followed is the outcome of Follow.
type Followed struct {
	Steps    []Step // one per run, by time, then run id
	Estimate Estimate
}

// Follow returns one Step per reference run and where the fleet stands.
//
// Step k rests on runs 0 … k alone (by time, then id) and on the restarts up to
// its time, so it does not depend on the order in which runs arrived or were
// given, and equal histories give equal bits.
//
// The model of a pull's band mean of y = ln(C·F) is
//
//	y = m_j + r_j·(ramp/ramp̄_j − 1) + g_j·(t − t̄_j) + b_c + u_s + e_p
//
// m_j the car's level, fixed; r_j its answer to the ramp rate and g_j its own
// slow change, random with the stated sds; b_c the cell's error since it last
// restarted, random; u_s the session's, e_p the pull's.
//
// Why a change g_j: a car that fades by 0.1 % a week is 0.4 % behind the middle
// of an eight-week window, so each cell it visits would look that much low, week
// upon week. With g_j the fade is the car's. It costs little where the car
// visits several cells (24 runs in the window know g_j to 0.04 % a week, which
// adds 8 % to the sd of an innovation), and where it does not the prior sd
// keeps g_j near nought, without a rule that switches.
//
// A run's innovation is its mean of y less what the fit of the runs before it
// within Memory expects, over the standard deviation of that difference: the
// fit's own uncertainty, a session's, and the pulls' noise. There, cells are
// steady since they last restarted, which is the very thing the CUSUM doubts;
// cars are steady but for g_j only within stretches of one Window.
//
// The cell's offset comes from the runs within Window, this one with them: b_c
// less the robust mean (Algorithm A) of all cells, so that one bad cell hardly
// moves the others, with U from the joint covariance of cells and cars. After a
// sudden change it is the mean of before and after until the window has passed.
//
// It returns an error when the settings are not valid, when a run is given
// twice or does not say its cell, car and time.
func Follow(h History, s Settings) (Followed, error) {
	f, err := NewFollower(s)
	if err != nil {
		return Followed{}, err
	}
	return f.Follow(h)
}
