// Package lookback says which customer pulls a flag touches, and by how much.
//
// In: a flag and the customer pulls of its cell. Out: one Effect per pull
// touched. It is the last stage, after flag.
package lookback

import (
	"math"
	"slices"
	"strings"
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

// likely is the probability from which the leading cause alone says what it did
// to a pull; below it the cell's offset does, which holds whatever the cause.
const likely = 0.5

// Effects returns the pulls of the flag's cell from the moment it was last
// known good until the flag closed (or for ever while it is open), each with
// its effect, by time, then id. Where the cell was never known good, all pulls
// before count. A flag on a reference car touches none, nor does one on a cell
// whose cause is the reference car with P ≥ 0.95.
//
// Where the leading cause has P ≥ ½ and what it acts on is known of the pull,
// the effect of its size x is
//
//	e = exp(s·x) − 1,   U(e) = (1 + e)·|s|·U(x)
//
// with s the same signature refrun gives reference pulls, at peak power: brake
// force over tractive force for a load-cell gain, 1/F for its zero, a/F for the
// base inertia value, −1/F for parasitic loss, 1 for the air sensor on corrected
// power and 0 on uncorrected. Else x is the offset and s is 1. The size is the
// flag's, a mean since the first evidence: of a fault that grew, early pulls
// felt less.
func Effects(f flag.Flag, pulls []Pull) []Effect {
	if f.Cell == "" {
		return nil
	}
	cause := leading(f)
	if cause != nil && cause.Fault == fleet.FaultReferenceCar && cause.Probability >= 0.95 {
		return nil
	}
	var out []Effect
	for _, p := range pulls {
		if p.Cell != f.Cell || p.At.Before(f.LastGoodAt) || (!f.Open && p.At.After(f.ClosedAt)) {
			continue
		}
		x, u, s := f.Size, f.U, 1.0
		if cause != nil {
			if v, ok := signature(cause.Fault, p); ok {
				x, u, s = cause.Size, cause.U, v
			}
		}
		e := math.Expm1(s * x)
		out = append(out, Effect{
			Pull: p.ID, At: p.At, CustomerCar: p.CustomerCar,
			Effect: e, U: (1 + e) * math.Abs(s) * u,
		})
	}
	slices.SortFunc(out, func(a, b Effect) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return strings.Compare(string(a.Pull), string(b.Pull))
	})
	return out
}

// leading returns the flag's cause with P ≥ likely, else nil.
func leading(f flag.Flag) *flag.Cause {
	var top *flag.Cause
	for i := range f.Causes {
		if c := &f.Causes[i]; c.Probability >= likely && (top == nil || c.Probability > top.Probability) {
			top = c
		}
	}
	return top
}

// signature returns ∂ln(stated power)/∂x of a fault for a pull, and whether what
// it acts on is known.
func signature(f fleet.Fault, p Pull) (float64, bool) {
	if f == fleet.FaultAir {
		if p.Corrected {
			return 1, true
		}
		return 0, true
	}
	if p.TractiveForce == nil || !(*p.TractiveForce > 0) {
		return 0, false
	}
	force := *p.TractiveForce
	switch f {
	case fleet.FaultGain:
		if p.BrakeForce != nil {
			return *p.BrakeForce / force, true
		}
	case fleet.FaultZero:
		return 1 / force, true
	case fleet.FaultInertia:
		if p.Acceleration != nil {
			return *p.Acceleration / force, true
		}
	case fleet.FaultParasitic:
		return -1 / force, true
	}
	return 0, false
}
