package flag

import (
	"fmt"
	"slices"

	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Check is a calibration check with its result: of the load cell, or of the
// base inertia where it is a base-inertia check.
type Check struct {
	Check   fleet.Check
	Result  loadcell.Result
	Inertia baseinertia.Result
}

// Verdict returns the check's verdict.
func (c Check) Verdict() fleet.Verdict {
	if c.Check.Kind == fleet.CheckBaseInertia {
		return c.Inertia.Verdict
	}
	return c.Result.Verdict
}

// Reason returns the sentence behind the verdict.
func (c Check) Reason() string {
	if c.Check.Kind == fleet.CheckBaseInertia {
		return c.Inertia.Reason
	}
	return c.Result.Reason
}

// Risk returns the probability that the decision is wrong.
func (c Check) Risk() float64 {
	if c.Check.Kind == fleet.CheckBaseInertia {
		return c.Inertia.Risk
	}
	return c.Result.Risk
}

// opens says whether the check gives what pulls are computed with from then on.
func (c Check) opens() bool {
	if c.Check.State != fleet.AsLeft {
		return false
	}
	if c.Check.Kind == fleet.CheckBaseInertia {
		return c.Inertia.Valid
	}
	return c.Result.AsLeftValid
}

// gainKinds are the kinds of check that load the load cell with a force known,
// and so see its gain and its zero. zeroKinds see its zero.
var (
	gainKinds = []fleet.CheckKind{fleet.CheckDeadWeight, fleet.CheckTransfer, fleet.CheckTorque}
	zeroKinds = append([]fleet.CheckKind{fleet.CheckZero}, gainKinds...)
	// flagKinds are those that flag a cell when one as found fails: what they
	// measure acts on every pull.
	flagKinds = append([]fleet.CheckKind{fleet.CheckZeroTurning, fleet.CheckBaseInertia}, zeroKinds...)
)

// SeesGain reports whether checks of a kind see the load cell's gain error.
func SeesGain(k fleet.CheckKind) bool { return slices.Contains(gainKinds, k) }

// SeesZero reports whether checks of a kind see the load cell's zero error. With
// the rollers turning it is not the load cell's alone, and a shunt hangs nothing
// on it.
func SeesZero(k fleet.CheckKind) bool { return slices.Contains(zeroKinds, k) }

// inertiaError returns how much more than measured the base inertia in force is,
// kg, U expanded, and whether the check says so.
func (c Check) inertiaError() (x, u float64, ok bool) {
	m := c.Inertia
	if c.Check.Kind != fleet.CheckBaseInertia || !m.Valid || !(m.Stated > 0) {
		return 0, 0, false
	}
	return m.Stated - m.Mass, m.U, true
}

// checkText says that a check as found failed, and by how much.
func checkText(c *Check) string {
	r := c.Result
	t := fmt.Sprintf("The %s check as found on %s failed", c.Check.Kind, date(c.Check.PerformedAt))
	if x, u, ok := c.inertiaError(); ok {
		return t + fmt.Sprintf(": the base inertia in force is %s kg ± %.1f kg off.", signed(x, 1), u)
	}
	if r.GainValid {
		t += fmt.Sprintf(": gain error %s %% ± %.2f %%", signed(100*r.GainError, 2), 100*r.UGainError)
	}
	if r.ZeroValid {
		sep := ":"
		if r.GainValid {
			sep = ","
		}
		t += fmt.Sprintf("%s zero error %s N ± %.1f N at the lever arm", sep, signed(r.ZeroError, 1), r.UZeroError)
	}
	return t + "."
}
