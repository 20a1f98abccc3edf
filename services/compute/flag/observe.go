package flag

import (
	"math"
	"slices"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// Observation returns what a coast-down of the empty rollers says of its cell's
// errors; ok: it says something. It measures M_reg/M·F_par − zero·L·n/r: beside a
// change of the parasitic loss it shows a wrong value of the base inertia, M_reg = M
// + x, by F_par/M_reg a kg, and the load cell's zero, with the sign turned. cell is
// the registry's entry then.
func (c CoastDown) Observation(cell fleet.Cell) (o fleetstate.Observation, ok bool) {
	if !(c.U > 0) || !sound(c.Delta, c.U) {
		return o, false
	}
	o = fleetstate.Observe(c.Cell, "coast-down "+string(c.ID), c.At, fleet.FaultParasitic, c.Delta, c.U/2)
	o.Faults, o.Response = append(o.Faults, fleet.FaultZero), [][]float64{{1, -1}}
	if c.Loss > 0 && cell.BaseInertia > 0 {
		o.Faults, o.Response[0] = append(o.Faults, fleet.FaultInertia), append(o.Response[0], c.Loss/cell.BaseInertia)
	}
	return o, true
}

// sound says that all of some numbers can be computed with.
func sound(x ...float64) bool {
	return !slices.ContainsFunc(x, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
}

// zeroReturns is how well a load cell comes back to its zero from one visit to the
// next, which the few readings of one check do not show: standard uncertainty, as a
// share of its range, that of a zero error of 0.025 %, class 0.5 of ISO 376 (from
// memory), taken as the half-width of a rectangle.
const zeroReturns = 0.00025 / 1.7320508075688772

// Observation returns what a check saw of its cell's errors: of the load cell's gain
// and zero with their covariance, or of the base inertia. What was found as left
// belongs to the time after the work. cell is the registry's entry then; ok: it saw
// something.
func (c *Check) Observation(cell fleet.Cell) (fleetstate.Observation, bool) {
	o := fleetstate.Observation{Cell: c.Check.Cell, ID: "check " + string(c.Check.ID), At: c.Check.PerformedAt}
	left := c.Check.State == fleet.AsLeft
	if left {
		o.At, o.AsLeft = c.Check.From(), true
	}
	if c.Verdict() == fleet.VerdictUnusable || c.Verdict() == fleet.VerdictNone {
		return o, false
	}
	if c.Check.Kind == fleet.CheckBaseInertia {
		m := c.Inertia
		if !m.Valid || !(m.U > 0) {
			return o, false
		}
		// As left the value in force is the one measured; as found it is Stated.
		x := 0.0
		if !left {
			if !(m.Stated > 0) {
				return o, false
			}
			x = m.Stated - m.Mass
		}
		o.Faults, o.Value, o.Covariance = []fleet.Fault{fleet.FaultInertia}, []float64{x}, [][]float64{{m.U * m.U / 4}}
		return o, sound(x, m.U)
	}
	r := &c.Result
	arm, known := armToRoller(cell)
	var u []float64
	if SeesGain(c.Check.Kind) && r.GainValid && r.UGainError > 0 {
		o.Faults, o.Value = append(o.Faults, fleet.FaultGain), append(o.Value, r.GainError)
		own, all := 0.0, 0.0
		for _, b := range r.GainBudget {
			all += b.Contribution() * b.Contribution()
			if b.Name != "lever arm" {
				own += b.Contribution() * b.Contribution()
			}
		}
		share := 1.0
		if own > 0 {
			share = math.Sqrt(own / all)
		}
		u = append(u, r.UGainError/2*share)
	}
	if SeesZero(c.Check.Kind) && r.ZeroValid && r.UZeroError > 0 && known {
		o.Faults, o.Value = append(o.Faults, fleet.FaultZero), append(o.Value, r.ZeroError*arm)
		u = append(u, r.UZeroError/2*arm)
	}
	if len(u) == 0 || !sound(append(u, o.Value...)...) {
		return o, false
	}
	rho := 0.0
	if l := r.Line; len(u) == 2 && l.UZero > 0 && l.UGain > 0 && sound(l.CovZeroGain) {
		// Short of 1, so that the covariance is one.
		rho = max(-0.99, min(0.99, l.CovZeroGain/(l.UZero*l.UGain)))
	}
	for i := range u {
		row := make([]float64, len(u))
		for k := range u {
			row[k] = u[i] * u[k]
			if i != k {
				row[k] *= rho
			}
		}
		o.Covariance = append(o.Covariance, row)
	}
	// It is the zero's own, whatever the gain is.
	if i := slices.Index(o.Faults, fleet.FaultZero); i >= 0 {
		returns := zeroReturns * cell.LoadCellRange * arm
		o.Covariance[i][i] += returns * returns
	}
	return o, true
}
