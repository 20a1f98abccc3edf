package flag

import (
	"math"
	"slices"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// The checks that can be asked for next.
const (
	DeadWeights = "dead weights"
	ZeroCheck   = "zero check"
	CoastDowns  = "empty-roller coast-down"
	RampRate    = "reference run at another ramp rate"
	Barometer   = "barometer comparison"
	OtherCar    = "another reference car"
)

// What to do once the cause is known.
const (
	RecalibrateNow  = "recalibrate the load cell, then a check as left"
	MendDrag        = "look at bearings and belt, then enter the parasitic loss measured"
	MendAir         = "put the air sensors right against a reference barometer and thermometer"
	MeasureInertia  = "measure the base inertia anew"
	MendSlip        = "set tyre pressure and straps, let the tyres cool, link the rollers, clean their surface; then a reference run"
	MeasureRadius   = "measure the roller radius and count the speed pickup's pulses over a known number of turns, then enter what was measured"
	ServiceCar      = "service the car or start a new epoch for it; let another car visit"
	known           = 0.95 // probability from which a cause counts as known
	decisiveResults = 3.0  // standard deviations from nought of a check that needs no repeat
)

// judged is the answer of suspect.
type judged struct {
	causes []Cause
	next   string
}

// suspects are what fleetstate weighs, and the checks that may be asked for: all but
// those that have just failed or been decisive.
func (d *decider) suspects(failed map[fleet.CheckKind]string, decisive map[fleet.Fault]bool) fleetstate.CauseSettings {
	cs := fleetstate.DefaultCauseSettings()
	cs.Suspects = nil
	for _, p := range d.s.Faults {
		cs.Suspects = append(cs.Suspects, fleetstate.Suspect(p))
	}
	m := d.s.Minutes
	minutes := map[string]float64{
		DeadWeights: m.DeadWeights, ZeroCheck: m.Zero, CoastDowns: m.CoastDown, RampRate: m.RampRate, Barometer: m.Barometer, OtherCar: m.OtherCar,
	}
	done := map[string]bool{
		DeadWeights: failed[fleet.CheckDeadWeight] != "" || decisive[fleet.FaultGain], ZeroCheck: failed[fleet.CheckZero] != "" || decisive[fleet.FaultZero],
		CoastDowns: decisive[fleet.FaultParasitic], Barometer: decisive[fleet.FaultAir],
	}
	cs.Checks = slices.DeleteFunc(cs.Checks, func(c fleetstate.Check) bool { return done[c.Name] })
	for i := range cs.Checks {
		cs.Checks[i].Minutes = minutes[cs.Checks[i].Name]
	}
	return cs
}

// weigh returns what stands behind a flag, as its cell's runs and checks up to a
// moment show it; ok: that can be said.
func (d *decider) weigh(f *Flag, until time.Time, cs fleetstate.CauseSettings) (v fleetstate.Verdict, ok bool) {
	if d.in.State == nil {
		return v, false
	}
	v, err := d.in.State.CauseAt(f.Cell, until, cs)
	if err != nil && until.After(f.OpenedAt) {
		// Its errors restarted before it was closed: as it was opened.
		v, err = d.in.State.CauseAt(f.Cell, f.OpenedAt, cs)
	}
	return v, err == nil
}

// date puts a flag's first evidence where the change most likely began.
func (d *decider) date(f *Flag, v fleetstate.Verdict, moments []moment) {
	f.Before, f.UBefore = v.Before, v.UBefore
	if v.Onset.IsZero() || v.Onset.After(f.OpenedAt) {
		return
	}
	earlier := func(t time.Time) time.Time {
		if t.After(f.OpenedAt) {
			return f.OpenedAt
		}
		return t
	}
	f.FirstEvidenceAt, f.EarliestAt, f.LatestAt = v.Onset, earlier(v.Earliest), earlier(v.Latest)
	if f.FirstEvidenceAt.Before(f.EarliestAt) {
		f.FirstEvidenceAt = f.EarliestAt
	}
	if f.LatestAt.Before(f.FirstEvidenceAt) {
		f.LatestAt = f.FirstEvidenceAt
	}
	for _, m := range moments {
		if m.step != nil && m.at.Before(f.EarliestAt) {
			f.LastGoodAt = m.at
		}
	}
}

// suspect turns a verdict into the causes of a flag and what to do next. ratio is
// what the speed ratio shows; nil: it is not known.
func (d *decider) suspect(v fleetstate.Verdict, ratio *ratioSeen, cell fleet.Cell, failed map[fleet.CheckKind]string, decisive map[fleet.Fault]bool) judged {
	var out judged
	arm, ok := armToRoller(cell)
	for _, c := range v.Causes {
		x := Cause{Fault: c.Fault, Probability: c.Probability, Size: c.Size, U: c.U, Unit: unit(c.Fault), Car: c.Car}
		switch {
		case c.Fault == fleet.FaultNone:
			x.Unit = ""
		case c.Fault == fleet.FaultZero && ok:
			x.Size, x.U, x.Unit = x.Size/arm, x.U/arm, AtArm
		}
		out.causes = append(out.causes, x)
	}
	if ratio != nil {
		if len(out.causes) == 0 {
			// The runs say nothing, not even that something has changed.
			out.causes = []Cause{{Fault: fleet.FaultNone, Probability: 1}}
		}
		out.causes = d.byRatio(out.causes, *ratio, cell)
	}
	if len(out.causes) == 0 {
		return out
	}
	top := out.causes[0]
	if top.Probability >= known {
		if out.next = direct(top.Fault); seen(top.Fault, failed, decisive) {
			out.next = mend(top.Fault)
		}
	}
	if out.next == "" {
		out.next = v.Next
	}
	if out.next == "" {
		out.next = OtherCar
	}
	return out
}

// seen says that a fault needs no further check: one that sees it directly has
// failed or is decisive, or there is none but the runs.
func seen(f fleet.Fault, failed map[fleet.CheckKind]string, decisive map[fleet.Fault]bool) bool {
	switch f {
	case fleet.FaultGain:
		return decisive[f] || slices.ContainsFunc(gainKinds, func(k fleet.CheckKind) bool { return failed[k] != "" })
	case fleet.FaultZero:
		return decisive[f] || slices.ContainsFunc(zeroKinds, func(k fleet.CheckKind) bool { return failed[k] != "" })
	case fleet.FaultParasitic, fleet.FaultAir:
		return decisive[f]
	}
	return true
}

// direct returns the check that sees a fault by itself; empty: there is none.
func direct(f fleet.Fault) string {
	switch f {
	case fleet.FaultGain:
		return DeadWeights
	case fleet.FaultZero:
		return ZeroCheck
	case fleet.FaultParasitic:
		return CoastDowns
	case fleet.FaultAir:
		return Barometer
	}
	return ""
}

// mend returns what puts a fault right; empty where nothing is known to.
func mend(f fleet.Fault) string {
	switch f {
	case fleet.FaultGain, fleet.FaultZero:
		return RecalibrateNow
	case fleet.FaultParasitic:
		return MendDrag
	case fleet.FaultAir:
		return MendAir
	case fleet.FaultInertia:
		return MeasureInertia
	case fleet.FaultReferenceCar:
		return ServiceCar
	case fleet.FaultSlip:
		return MendSlip
	case fleet.FaultSpeed:
		return MeasureRadius
	}
	return ""
}

// armToRoller returns what 1 N at the lever arm is at the roller surface,
// L·n/r, and whether the cell's geometry is known.
func armToRoller(cell fleet.Cell) (float64, bool) {
	if cell.RollerRadius > 0 && cell.LeverArm > 0 && cell.BrakeRatio > 0 {
		return cell.LeverArm * cell.BrakeRatio / cell.RollerRadius, true
	}
	return 1, false
}

// unit is a fault's while it is worked out; forces are at the roller surface.
func unit(f fleet.Fault) string {
	switch f {
	case fleet.FaultZero, fleet.FaultParasitic:
		return AtRoller
	case fleet.FaultInertia:
		return "kg"
	}
	return "ratio"
}

// decisive returns the faults that direct observations have shown: the mean since the
// first evidence, less the mean before it since the last restart where there is one,
// is further from nought than decisiveResults standard deviations.
func (d *decider) decisive(id fleet.CellID, cell fleet.Cell, epoch, from, until time.Time) map[fleet.Fault]bool {
	out := map[fleet.Fault]bool{}
	type seen struct {
		sum, u2 float64
		n       int
	}
	var after, before [5]seen
	take := func(k int, at time.Time, value, expanded float64) {
		if at.After(until) || at.Before(epoch) || !(expanded > 0) {
			return
		}
		s := &after[k]
		if at.Before(from) {
			s = &before[k]
		}
		s.sum += value
		s.u2 += expanded * expanded / 4
		s.n++
	}
	// N at the lever arm to N at the roller surface.
	arm, _ := armToRoller(cell)
	for i := range d.in.Checks {
		c := &d.in.Checks[i]
		if c.Check.Cell != id || c.Check.State != fleet.AsFound || c.Verdict() == fleet.VerdictUnusable {
			continue
		}
		if x, u, ok := c.inertiaError(); ok {
			take(4, c.Check.PerformedAt, x, u)
		}
		if SeesGain(c.Check.Kind) && c.Result.GainValid {
			take(0, c.Check.PerformedAt, c.Result.GainError, c.Result.UGainError)
		}
		if SeesZero(c.Check.Kind) && c.Result.ZeroValid {
			take(1, c.Check.PerformedAt, c.Result.ZeroError*arm, c.Result.UZeroError*arm)
		}
	}
	for _, c := range d.in.CoastDowns {
		if c.Cell == id {
			take(2, c.At, c.Delta, c.U)
		}
	}
	for _, a := range d.in.Airs {
		if a.Cell == id {
			take(3, a.At, a.Delta, a.U)
		}
	}
	sound := [5]float64{d.s.SoundGain, d.s.SoundZero * cell.LoadCellRange * arm, cell.U.Parasitic, 0, cell.U.BaseInertia}
	for k, fault := range [5]fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultParasitic, fleet.FaultAir, fleet.FaultInertia} {
		a, b := after[k], before[k]
		if a.n == 0 {
			continue
		}
		value := a.sum / float64(a.n)
		variance := a.u2 / float64(a.n*a.n)
		if b.n > 0 {
			value -= b.sum / float64(b.n)
			variance += b.u2 / float64(b.n*b.n)
		} else {
			// U's systematic part does not average out.
			variance = a.u2/float64(a.n) + sound[k]*sound[k]
		}
		out[fault] = math.Abs(value) > decisiveResults*math.Sqrt(variance)
	}
	return out
}
