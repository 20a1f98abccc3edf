package correction

import "rollcall/services/fleet"

// none is the absence of a correction: the factor is 1 in any air.
func none() Result {
	return Result{Standard: fleet.CorrectionNone, Factor: 1, InRange: true}
}
