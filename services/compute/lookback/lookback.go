// Package lookback says which customer pulls a flag touches, and by how much.
//
// In: a flag and the customer pulls of its cell. Out: one Effect per pull
// touched. It is the last stage, after flag.
package lookback

import (
	"time"

	"rollcall/services/compute/flag"
	"rollcall/services/fleet"
)

// Pull is a customer pull. What is not known of it is nil.
type Pull struct {
	ID          fleet.PullID
	Cell        fleet.CellID
	At          time.Time
	CustomerCar string
	// At peak power, all at the roller surface:
	TractiveForce *float64 // N
	BrakeForce    *float64 // N
	Acceleration  *float64 // m/s²
	// Corrected says that the stated power carries a standard-air correction.
	Corrected bool
}

// Effect is what the flag's finding did to a pull's stated power.
type Effect struct {
	Pull        fleet.PullID
	At          time.Time
	CustomerCar string
	Effect      float64 // ratio: stated power over the right one, less 1
	U           float64 // expanded
}

// Effects returns the pulls of the flag's cell from the moment it was last
// known good until the flag closed (or for ever while it is open), each with
// its effect, by time, then id. A flag on a reference car touches none.
func Effects(f flag.Flag, pulls []Pull) []Effect { panic("not built yet") }
