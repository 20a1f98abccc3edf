package flag

import (
	"errors"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// weigh returns what stands behind a flag, as its cell's runs and checks up to a
// moment show it.
func (d *decider) weigh(f *Flag, until time.Time) (fleetstate.Verdict, error) {
	if d.in.State == nil {
		return fleetstate.Verdict{}, errors.New("flag: no state")
	}
	return d.in.State.CauseAt(f.Cell, until, d.in.Suspects)
}

// date puts a flag's first evidence where the change most likely began.
func (d *decider) date(f *Flag, v fleetstate.Verdict, moments []moment) {
	if v.Onset.IsZero() {
		return
	}
	f.FirstEvidenceAt, f.EarliestAt, f.LatestAt = v.Onset, v.Earliest, v.Latest
	if f.FirstEvidenceAt.Before(f.EarliestAt) {
		f.FirstEvidenceAt = f.EarliestAt
	}
	if f.LatestAt.Before(f.FirstEvidenceAt) {
		f.LatestAt = f.FirstEvidenceAt
	}
	f.LastGoodAt = time.Time{}
	for _, m := range moments {
		if m.step != nil && m.at.Before(f.EarliestAt) {
			f.LastGoodAt = m.at
		}
	}
}

// suspect turns a verdict into the causes of a flag.
func (d *decider) suspect(v fleetstate.Verdict, cell fleet.Cell, failed map[fleet.CheckKind]string) judged {
	var out judged
	arm, ok := armToRoller(cell)
	for _, c := range v.Causes {
		x := Cause{Fault: c.Fault, Probability: c.Probability, Size: c.Size, U: c.U, Unit: unit(c.Fault), Car: c.Car}
		if ok && c.Fault == fleet.FaultZero {
			x.Size, x.U, x.Unit = x.Size/arm, x.U/arm, AtArm
		}
		out.causes = append(out.causes, x)
	}
	out.next = v.Next
	return out
}
