package loadcell

import "rollcall/services/fleet"

// Judge judges a calibration check of a cell's load cell. Gravity is the local
// one, m/s² (gum.SiteGravity); inForce is the calibration in force when the
// check was made. What cannot be judged has fleet.VerdictUnusable and a Reason
// that says what is wrong and how to mend it.
func Judge(check fleet.Check, cell fleet.Cell, masses map[fleet.MassID]fleet.Mass, gravity float64, inForce Calibration) Result {
	return Result{Verdict: fleet.VerdictUnusable, Reason: "not judged"}
}
