package flag

import (
	"fmt"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// Observations returns what the checks as found, the empty rollers' coast-downs
// and the barometers say of the cells' errors. cells gives a cell's registry
// entry as it was at a moment.
//
// A coast-down measures M_reg/M·F_par − zero·L·n/r: beside a change of the
// parasitic loss it shows a wrong value of the base inertia, M_reg = M + x, by
// F_par/M_reg a kg, and the load cell's zero, with the sign turned.
func Observations(checks []Check, coastDowns []CoastDown, airs []Air, cells func(fleet.CellID, time.Time) fleet.Cell) []fleetstate.Observation {
	var out []fleetstate.Observation
	for i := range checks {
		c := &checks[i]
		if c.Check.State != fleet.AsFound || c.Verdict() == fleet.VerdictUnusable {
			continue
		}
		id, at := string(c.Check.ID), c.Check.PerformedAt
		if x, u, ok := c.inertiaError(); ok {
			if u > 0 {
				out = append(out, fleetstate.Observe(c.Check.Cell, id, at, fleet.FaultInertia, x, u/2))
			}
			continue
		}
		arm, known := armToRoller(cells(c.Check.Cell, at))
		var o fleetstate.Observation
		add := func(f fleet.Fault, value, expanded float64) {
			o.Faults, o.Value = append(o.Faults, f), append(o.Value, value)
			for k := range o.Covariance {
				o.Covariance[k] = append(o.Covariance[k], 0)
			}
			row := make([]float64, len(o.Faults))
			row[len(row)-1] = expanded * expanded / 4
			o.Covariance = append(o.Covariance, row)
		}
		if SeesGain(c.Check.Kind) && c.Result.GainValid && c.Result.UGainError > 0 {
			add(fleet.FaultGain, c.Result.GainError, c.Result.UGainError)
		}
		if SeesZero(c.Check.Kind) && c.Result.ZeroValid && c.Result.UZeroError > 0 && known {
			add(fleet.FaultZero, c.Result.ZeroError*arm, c.Result.UZeroError*arm)
		}
		if len(o.Faults) > 0 {
			o.Cell, o.ID, o.At = c.Check.Cell, id, at
			out = append(out, o)
		}
	}
	for _, c := range coastDowns {
		if !(c.U > 0) {
			continue
		}
		cell := cells(c.Cell, c.At)
		o := fleetstate.Observe(c.Cell, string(c.ID), c.At, fleet.FaultParasitic, c.Delta, c.U/2)
		o.Faults, o.Response = append(o.Faults, fleet.FaultZero), [][]float64{{1, -1}}
		if c.Loss > 0 && cell.BaseInertia > 0 {
			o.Faults, o.Response[0] = append(o.Faults, fleet.FaultInertia), append(o.Response[0], c.Loss/cell.BaseInertia)
		}
		out = append(out, o)
	}
	for _, a := range airs {
		if a.U > 0 {
			id := fmt.Sprintf("air %s %d", a.Cell, a.At.UnixNano())
			out = append(out, fleetstate.Observe(a.Cell, id, a.At, fleet.FaultAir, a.Delta, a.U/2))
		}
	}
	return out
}
