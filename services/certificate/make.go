package certificate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/interval"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Judged is a check with what was computed of it, and the registry's entries as
// they were when it was made.
type Judged struct {
	Check      fleet.Check
	Result     loadcell.Result
	Inertia    *baseinertia.Result  // of a base-inertia check, in place of Result
	InForce    loadcell.Calibration // when the check was made
	ReceivedAt time.Time

	Cell      fleet.Cell
	Site      fleet.Site
	Masses    map[fleet.MassID]fleet.Mass
	Standards map[fleet.StandardID]fleet.Standard
}

// verdict returns the check's verdict with its sentence.
func (j Judged) verdict() (fleet.Verdict, string) {
	if j.Inertia != nil {
		return j.Inertia.Verdict, j.Inertia.Reason
	}
	return j.Result.Verdict, j.Result.Reason
}

// Verdict returns the check's verdict.
func (j Judged) Verdict() fleet.Verdict { v, _ := j.verdict(); return v }

// Input is what a certificate is made from.
type Input struct {
	Number  string
	Version int
	// Visit is one check, or a check as found and the one as left after it.
	Visit []Judged
	// Related is the certificate that holds the check as found of this visit.
	Related  string
	Issuer   string // who issues it; empty: the operator of the site
	Customer string // for whom; empty: the operator of the site
	Remark   string
	SignedBy string
	SignedAt time.Time
	Replaces *Replaced
	// Next is when the cell is to be checked again.
	Next interval.Outcome
}

// Refusal is a sentence that says why there is no certificate.
type Refusal struct{ Reason string }

// Error returns the sentence.
func (r *Refusal) Error() string { return r.Reason }

func refuse(format string, args ...any) error { return &Refusal{fmt.Sprintf(format, args...)} }

// Visit returns the checks that go on one certificate with the check asked for:
// it alone, or a check as found and the check as left of the same kind that
// followed it on the same day of the site's calendar, with no other check of
// that kind between. A companion that cannot be judged, or that left says is on
// a certificate already, stays out. All are the cell's checks in any order.
//
// One visit is one certificate, because a reader needs both halves together:
// what the cell did until then, and what it does from now on.
func Visit(all []Judged, id fleet.CheckID, left func(fleet.CheckID) bool) ([]Judged, error) {
	all = slices.Clone(all)
	slices.SortFunc(all, func(a, b Judged) int {
		if c := a.Check.PerformedAt.Compare(b.Check.PerformedAt); c != 0 {
			return c
		}
		return strings.Compare(string(a.Check.ID), string(b.Check.ID))
	})
	i := slices.IndexFunc(all, func(j Judged) bool { return j.Check.ID == id })
	if i < 0 {
		return nil, refuse("check %s has not been judged yet; try again in a moment", id)
	}
	asked := all[i]
	switch v, reason := asked.verdict(); v {
	case fleet.VerdictNone:
		return nil, refuse("check %s has not been judged yet; try again in a moment", id)
	case fleet.VerdictUnusable:
		return nil, refuse("check %s gets no certificate, because it cannot be judged: %s", id, reason)
	}
	same := slices.DeleteFunc(all, func(j Judged) bool { return j.Check.Kind != asked.Check.Kind })
	i = slices.IndexFunc(same, func(j Judged) bool { return j.Check.ID == id })
	first, second := i, i+1
	if asked.Check.State == fleet.AsLeft {
		first, second = i-1, i
	}
	if first < 0 || second >= len(same) {
		return []Judged{asked}, nil
	}
	found, after := same[first], same[second]
	other := after
	if second == i {
		other = found
	}
	if found.Check.State != fleet.AsFound || after.Check.State != fleet.AsLeft || day(found) != day(after) ||
		other.Verdict() == fleet.VerdictNone || other.Verdict() == fleet.VerdictUnusable || left != nil && left(other.Check.ID) {
		return []Judged{asked}, nil
	}
	return []Judged{found, after}, nil
}

// Companion returns the check as found that belongs to a check as left by the
// rule of Visit, whatever is known of it.
func Companion(all []Judged, id fleet.CheckID) (fleet.CheckID, bool) {
	visit, err := Visit(all, id, nil)
	if err != nil || len(visit) != 2 || visit[1].Check.ID != id {
		return "", false
	}
	return visit[0].Check.ID, true
}

// day is the day of the site's calendar on which a check was made.
func day(j Judged) string { return j.Check.PerformedAt.In(zone(j.Site)).Format(time.DateOnly) }

func zone(s fleet.Site) *time.Location {
	if l, err := time.LoadLocation(s.Zone); err == nil {
		return l
	}
	return time.UTC
}

// Make returns the certificate of a visit. The error is a *Refusal when there
// can be none.
func Make(in Input) (Document, error) {
	if len(in.Visit) == 0 || len(in.Visit) > 2 {
		return Document{}, refuse("a certificate is of one check, or of a check as found and one as left, not of %d", len(in.Visit))
	}
	for _, j := range in.Visit {
		if v, reason := j.verdict(); v == fleet.VerdictNone || v == fleet.VerdictUnusable {
			return Document{}, refuse("check %s gets no certificate, because it cannot be judged: %s", j.Check.ID, reason)
		}
	}
	if strings.TrimSpace(in.SignedBy) == "" {
		return Document{}, refuse("a certificate is signed by somebody: say who")
	}
	first, last := in.Visit[0], in.Visit[len(in.Visit)-1]
	kind := first.Check.Kind
	operator := "the operator of " + name(first.Site.Name, string(first.Site.ID))
	d := Document{
		Schema: Schema, Title: title(kind), Number: in.Number, Version: in.Version, Replaces: in.Replaces, Related: in.Related,
		Issuer: or(in.Issuer, operator), Customer: or(in.Customer, operator),
		Place: Place{
			SiteID: string(first.Site.ID), Site: first.Site.Name, Latitude: first.Site.Latitude, Height: first.Site.Height,
			Gravity: gum.SiteGravity(first.Site), GravityU: gum.SiteGravityU(first.Site), GravityMeasured: first.Site.Gravity > 0, Zone: first.Site.Zone,
		},
		Item:     item(first.Cell, kind),
		IssuedAt: in.SignedAt.UTC(), AuthorisedBy: in.SignedBy,
		Method: method(kind), DecisionRule: decisionRule(kind),
		Coverage: Coverage{Factor: gum.K, Probability: gum.Coverage2,
			Said: "U is the expanded uncertainty: the combined standard uncertainty of JCGM 100:2008 times the coverage factor k given beside it. It covers about 95 % (95.45 %); k is 2 for many degrees of freedom and, by the t distribution, larger for few."},
		Remark: strings.TrimSpace(in.Remark),
	}
	for _, j := range in.Visit {
		d.Checks = append(d.Checks, check(j))
	}
	d.Masses = masses(in.Visit)
	d.Standard = standard(first)
	d.Traceability = traceability(d, kind)
	d.Adjustment = adjustment(in.Visit, in.Related)
	if !in.Next.Due.IsZero() {
		due := in.Next.Due.UTC()
		d.Next = &Next{At: &due, Why: whyNext(in.Next, last.Check.PerformedAt)}
	} else if in.Next.Says != "" {
		d.Next = &Next{Why: in.Next.Says}
	}
	d.Statements = statements(d, kind, last)
	return d, nil
}

// whyNext says why the next check is due when it is. A forecast from the drift
// is said without its figures, which are no results of this check.
func whyNext(n interval.Outcome, performed time.Time) string {
	switch {
	case n.Rule != interval.ByDrift:
		return n.Says
	case !n.Due.After(performed):
		return "due at once: at the drift that its checks showed, it is not as sure as asked that the gain error is in tolerance now"
	}
	return fmt.Sprintf("due on %s: at the drift that its checks showed, the gain error stays in tolerance until then with the probability asked, and no longer", date(n.Due))
}

// title says what the document is. A check against a known force is a
// calibration, one without is not.
func title(k fleet.CheckKind) string {
	switch k {
	case fleet.CheckDeadWeight, fleet.CheckTransfer, fleet.CheckTorque:
		return "Calibration certificate"
	case fleet.CheckBaseInertia:
		return "Certificate of base inertia"
	}
	return "Certificate of a check"
}

func item(c fleet.Cell, k fleet.CheckKind) Item {
	i := Item{
		CellID: string(c.ID), Cell: c.Name, What: "load cell with its indicator, as built into the cell", LoadCellRange: c.LoadCellRange,
		LeverArm: c.LeverArm, LeverArmU: c.U.LeverArm,
	}
	switch k {
	case fleet.CheckDeadWeight:
		i.CalibrationArm, i.CalArmU, i.ArmAngleU = c.CalibrationArm, c.U.CalibrationArm, c.U.ArmAngle
	case fleet.CheckBaseInertia:
		i.What = "base inertia of the rollers with all that turns with them"
	}
	return i
}

func method(k fleet.CheckKind) []string {
	line := "The zero error and the gain error come from a least-squares line through all readings; the error at a load is the mean of its readings less the force that was applied."
	switch k {
	case fleet.CheckDeadWeight:
		return []string{
			"Dead weights: masses hung on the calibration arm, loads rising and falling. The force at the lever arm is the sum of mass · local gravity · (1 − air density / density of the mass) · calibration arm / lever arm. Procedure after 40 CFR 1065.310, masses and buoyancy after OIML D 28.",
			line,
		}
	case fleet.CheckZero:
		return []string{"Zero: readings of the unloaded load cell with the rollers still; the zero error is their mean."}
	case fleet.CheckZeroTurning:
		return []string{"Zero with rollers turning: readings of the load cell with the brake off, at the speeds stated; the error is what is read."}
	case fleet.CheckShunt:
		return []string{"Shunt: the force that a shunt on the bridge stands for, against what the indicator reads. No force acts on the load cell, so this checks the indicator and cable, not the load cell."}
	case fleet.CheckTransfer:
		return []string{"Comparison with a transfer load cell in line with the load cell: the force that the transfer load cell reads is taken as the force applied.", line}
	case fleet.CheckTorque:
		return []string{"Comparison with a torque reference on the brake's axis, in the manner of 40 CFR 1066: its torque over the lever arm is taken as the force applied.", line}
	case fleet.CheckBaseInertia:
		return []string{"Timed runs of the empty rollers under known forces over the same speeds: the base inertia is the difference of the forces over the difference of the accelerations, pair by pair. Procedure after 40 CFR 1066.250."}
	}
	return nil
}

func decisionRule(k fleet.CheckKind) string {
	what := "tolerance"
	if k == fleet.CheckBaseInertia {
		what = "limit"
	}
	return fmt.Sprintf("An error is held against its %s with U as guard band, after ILAC-G8: pass, at least U inside; conditional pass, inside by less than U; conditional fail, outside by less than U; fail, at least U outside. The worst decision is that of the check. The probability that a decision is wrong is stated beside it where it is known (JCGM 106:2012).", what)
}

// check returns a check's part of the document.
func check(j Judged) Check {
	c := j.Check
	out := Check{
		ID: string(c.ID), Kind: c.Kind.String(), State: c.State.String(), PerformedAt: c.PerformedAt.UTC(), PerformedBy: c.PerformedBy,
		ReceivedAt: j.ReceivedAt.UTC(), EffectiveAt: c.From().UTC(), Note: c.Note,
		Air:      Air{Pressure: c.AirPressure, Temperature: c.AirTemperature, Humidity: c.Humidity, Density: j.Result.AirDensity},
		ArmAngle: c.ArmAngle,
	}
	v, reason := j.verdict()
	out.Verdict, out.Reason = v.String(), reason
	if j.Inertia != nil {
		inertia(&out, *j.Inertia)
		return out
	}
	r := j.Result
	out.Findings = findings(r.Findings, r.Notes)
	out.Risk = decided(v, r.Risk)
	out.Results = results(j)
	for _, p := range r.Points {
		out.Points = append(out.Points, point(p, ""))
	}
	if len(r.Senses) > 1 {
		for _, s := range r.Senses {
			if s.Driving {
				continue
			}
			for _, p := range s.Result.Points {
				out.Points = append(out.Points, point(p, s.Sense.String()))
			}
		}
	}
	out.Read = readings(j)
	if j.InForce != (loadcell.Calibration{}) {
		e := equation(j.InForce)
		out.InForce = &e
	}
	out.Equation = interpolation(r)
	if d := r.Drift; d != nil {
		out.Drift = &Drift{CheckID: string(d.Check), Since: d.Since.UTC(), Days: d.Days}
		if d.ZeroValid {
			out.Drift.Zero = &Change{d.Zero, d.UZero, d.EnZero}
		}
		if d.GainValid {
			out.Drift.Gain = &Change{d.Gain, d.UGain, d.EnGain}
		}
	}
	out.Class = class(r.Class)
	return out
}

func findings(all []loadcell.Finding, notes []string) []string {
	var out []string
	for _, f := range all {
		text := f.Text
		if f.Source != "" {
			text += " (" + source(f.Source) + ")"
		}
		out = append(out, text)
	}
	for _, n := range notes {
		// Every note is among the findings where there are any.
		if !slices.ContainsFunc(all, func(f loadcell.Finding) bool { return f.Text == n }) {
			out = append(out, n)
		}
	}
	return out
}

// results returns a check's figures: those stated with their budgets, and those
// that have no uncertainty of their own.
func results(j Judged) []Result {
	r := j.Result
	var out []Result
	has := func(q loadcell.Quantity) bool { _, ok := r.Get(q); return ok }
	if r.ZeroValid {
		s, ok := r.Get(loadcell.ZeroError)
		if !ok {
			s = stated(loadcell.ZeroError, "N", r.ZeroError, r.UZeroError, r.ZeroBudget)
		}
		one := result(s)
		one.Tolerance, one.Verdict = j.Cell.ZeroTolerance, r.ZeroVerdict.String()
		one.Risk = decided(r.ZeroVerdict, r.ZeroRisk)
		out = append(out, one)
	}
	if r.GainValid {
		s, ok := r.Get(loadcell.GainError)
		if !ok {
			s = stated(loadcell.GainError, "1", r.GainError, r.UGainError, r.GainBudget)
		}
		out = append(out, result(s))
	}
	for _, s := range r.Stated {
		if s.Quantity != loadcell.ZeroError && s.Quantity != loadcell.GainError {
			out = append(out, result(s))
		}
	}
	for _, x := range []struct {
		q     loadcell.Quantity
		value float64
	}{{loadcell.Linearity, r.Linearity}, {loadcell.Reversibility, r.Reversibility}, {loadcell.Repeatability, r.Repeatability}} {
		if !has(x.q) && len(r.Points) > 0 {
			out = append(out, Result{Name: string(x.q), Unit: "N", Value: x.value})
		}
	}
	for _, z := range r.SpeedZeros {
		u, one := z.U, Result{Name: fmt.Sprintf("zero at %.1f km/h", z.Speed*3.6), Unit: "N", Value: z.Error, Tolerance: j.Cell.ZeroTolerance, Verdict: z.Verdict.String()}
		one.U = &u
		one.Risk = decided(z.Verdict, z.Risk)
		out = append(out, one)
	}
	return out
}

// stated is a result of an errors' pair that has its budget beside it.
func stated(q loadcell.Quantity, unit string, value, u float64, budget []gum.Component) loadcell.Stated {
	s := loadcell.Stated{Quantity: q, Unit: unit, Value: value, U: u, DoF: gum.Infinite, Budget: budget}
	if c, err := gum.Combine(budget); err == nil && c.U > 0 {
		s.K, s.DoF = u/c.U, c.DoF
	}
	return s
}

func result(s loadcell.Stated) Result {
	u := s.U
	r := Result{Name: string(s.Quantity), Unit: s.Unit, Value: s.Value, U: &u, K: s.K, DoF: degrees(s.DoF), Note: s.Says}
	for _, c := range s.Budget {
		if x := math.Abs(c.Contribution()); x > 0 {
			r.Budget = append(r.Budget, Part{Name: c.Name, Contribution: x, DoF: degrees(c.DoF)})
		}
	}
	return r
}

// degrees is absent for many.
func degrees(dof float64) *float64 {
	if math.IsInf(dof, 0) || math.IsNaN(dof) || dof <= 0 || dof > 1e6 {
		return nil
	}
	return &dof
}

func point(p loadcell.Point, sense string) Point {
	return Point{Load: p.Load, Direction: direction(p.Direction), Sense: sense, Count: p.Count, Error: p.Error, U: p.U, K: p.K, DoF: degrees(p.DoF),
		Tolerance: p.Tolerance, Verdict: p.Verdict.String(), Risk: decided(p.Verdict, p.Risk)}
}

// decided returns the probability that a decision is wrong; nothing where none
// was made.
func decided(v fleet.Verdict, risk float64) *float64 {
	if v == fleet.VerdictNone || v == fleet.VerdictUnusable {
		return nil
	}
	return &risk
}

func direction(d fleet.Direction) string {
	switch d {
	case fleet.Rising:
		return "rising"
	case fleet.Falling:
		return "falling"
	}
	return ""
}

// readings returns every reading as it was taken, with its error where it has
// one.
func readings(j Judged) []Reading {
	all := map[int]loadcell.Reading{}
	for _, s := range j.Result.Senses {
		for _, r := range s.Result.Readings {
			all[r.Index] = r
		}
	}
	for _, r := range j.Result.Readings {
		all[r.Index] = r
	}
	var out []Reading
	for i, r := range j.Check.Readings {
		one := Reading{Number: i + 1, Cycle: r.Cycle, Direction: direction(r.Direction), Sense: r.Sense.String(), Mounting: r.Mounting, Preload: r.Preload,
			Held: r.Held, Reading: r.Force}
		for _, m := range r.Masses {
			one.Masses = append(one.Masses, string(m))
		}
		if e, ok := all[i]; ok {
			load, err := e.Load, e.Error
			one.Load, one.Error = &load, &err
		}
		out = append(out, one)
	}
	return out
}

// equation returns S(x) as an equation with its covariance.
func equation(c loadcell.Calibration) Equation {
	e := Equation{
		Epoch: string(c.Epoch), Degree: 1, Coefficients: []float64{c.Zero, 1 + c.Gain}, Units: []string{"N", "1"},
		Covariance: [][]float64{{c.UZero * c.UZero, c.CovZeroGain}, {c.CovZeroGain, c.UGain * c.UGain}},
		Low:        c.Low, High: c.High,
	}
	if c.Degree > 1 {
		e.Degree = c.Degree
		e.Coefficients = []float64{c.Zero, 1 + c.Gain, c.Quadratic, c.Cubic}[:c.Degree+1]
		e.Units = []string{"N", "1", "1/N", "1/N²"}[:c.Degree+1]
		e.Covariance = nil
		for i := range c.Degree + 1 {
			e.Covariance = append(e.Covariance, slices.Clone(c.Cov[i][:c.Degree+1]))
		}
	}
	return e
}

// interpolation returns the interpolation equation of the check: with the whole
// covariance where the check gives a calibration.
func interpolation(r loadcell.Result) *Equation {
	if !r.AsLeftValid {
		return nil
	}
	e := equation(r.AsLeft)
	e.Epoch = ""
	if i := r.Interpolation; i != nil {
		sd, dof := i.Residual, float64(i.DoF)
		e.ResidualSD, e.DoF, e.Rule, e.Reason, e.Low, e.High = &sd, &dof, i.Rule, i.Reason, i.Low, i.High
		for _, t := range i.Tried {
			if t.Degree == i.Degree && t.Replicated {
				f, p := t.LackOfFit, t.P
				e.LackOfFitF, e.LackOfFitP = &f, &p
			}
		}
	} else {
		sd, dof := r.Scatter, float64(r.DoF)
		e.ResidualSD, e.DoF = &sd, &dof
	}
	return &e
}

// class says how a check stands against a table of limits. Limits that were not
// compared with the standard's text give no statement of conformity with it.
func class(c *loadcell.Class) *Class {
	if c == nil {
		return nil
	}
	out := &Class{Table: strings.ToUpper(strings.ReplaceAll(c.Table, "_", " ")), Source: source(c.Source), Asked: c.Asked, Reached: c.Reached, Complete: c.Complete, Unverified: c.FromMemory}
	for _, l := range c.Limits {
		out.Limits = append(out.Limits, ClassLimit{Class: l.Class, Quantity: l.Quantity, Limit: l.Limit / 100, Measured: l.Measured, Found: l.Value / 100, Within: l.Within})
	}
	reached := "no class of the table is reached"
	if c.Reached != "" {
		reached = "the limits of class " + c.Reached + " are kept"
	}
	out.Said = "As far as measured, " + reached + "."
	if c.Complete {
		out.Said = strings.ToUpper(reached[:1]) + reached[1:] + "; every quantity of the table was measured."
	}
	if c.FromMemory {
		out.Said += " The limits are those the issuer holds (source named: " + or(out.Source, "none") + ") and were not compared with the text of the standard, so this is no statement of conformity with it."
	} else if c.Source != "" {
		out.Said += " Source of the limits: " + out.Source + "."
	}
	return out
}

// memory marks a source that was not open when it was cited.
const memory = "(from memory)"

// source names a source for a reader outside: that it was not open is said in
// full.
func source(s string) string {
	before, after, found := strings.Cut(s, memory)
	if !found {
		return s
	}
	return strings.TrimSpace(strings.TrimSpace(before) + after)
}

func inertia(out *Check, r baseinertia.Result) {
	out.Findings = findings(r.Findings, nil)
	out.Risk = decided(r.Verdict, r.Risk)
	if r.Valid {
		one := result(loadcell.Stated{Quantity: "base inertia", Unit: "kg", Value: r.Mass, U: r.U, K: r.K, DoF: r.DoF, Budget: r.Budget})
		out.Results = append(out.Results, one)
	}
	if r.Stated > 0 {
		u := r.UDeviation
		out.Results = append(out.Results, Result{Name: "deviation from the value in use", Unit: "1", Value: r.Deviation, U: &u, Verdict: r.Verdict.String(), Note: fmt.Sprintf("value in use %.4g kg", r.Stated)})
	}
	for i, x := range r.Runs {
		out.Runs = append(out.Runs, Run{Number: i + 1, Force: x.Force, From: x.From, To: x.To, Duration: x.Duration, Deceleration: x.Deceleration})
	}
	for _, v := range r.Values {
		out.Pairs = append(out.Pairs, Pair{First: v.First + 1, Second: v.Second + 1, Mass: v.Mass, Deviation: v.Deviation, Within: v.Within})
	}
	for _, l := range r.Limits {
		out.Limits = append(out.Limits, Limit(l))
	}
}

// masses returns the masses used on the visit, by id.
func masses(visit []Judged) []Mass {
	byID := map[string]Mass{}
	for _, j := range visit {
		for _, r := range j.Check.Readings {
			for _, id := range r.Masses {
				m := j.Masses[id]
				one := Mass{ID: string(id), Mass: m.Mass, U: m.U, Density: m.Density, Certificate: m.Certificate}
				if !m.Due.IsZero() {
					due := m.Due.UTC()
					one.Due, one.Ended = &due, due.Before(j.Check.PerformedAt)
				}
				byID[string(id)] = one
			}
		}
	}
	var out []Mass
	for _, m := range byID {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Mass) int { return strings.Compare(a.ID, b.ID) })
	return out
}

func standard(j Judged) *Ref {
	if j.Check.Standard == "" {
		return nil
	}
	s := j.Standards[j.Check.Standard]
	out := &Ref{ID: string(j.Check.Standard), Kind: string(s.Kind), Range: s.Range, RangeUnit: "N", U: s.U, ULeast: s.ULeast, Certificate: s.Certificate}
	if s.Kind == fleet.StandardTorque {
		out.RangeUnit = "N·m"
	}
	if !s.Due.IsZero() {
		due := s.Due.UTC()
		out.Due, out.Ended = &due, due.Before(j.Check.PerformedAt)
	}
	return out
}

// traceability says in plain words what the results rest on.
func traceability(d Document, k fleet.CheckKind) string {
	var without, ended []string
	for _, m := range d.Masses {
		if m.Certificate == "" {
			without = append(without, "mass "+m.ID)
		}
		if m.Ended {
			ended = append(ended, "mass "+m.ID)
		}
	}
	if s := d.Standard; s != nil {
		if s.Certificate == "" {
			without = append(without, "standard "+s.ID)
		}
		if s.Ended {
			ended = append(ended, "standard "+s.ID)
		}
	}
	var text string
	switch k {
	case fleet.CheckDeadWeight:
		text = "The force rests on the masses listed, each with its own certificate, which leads to the kilogram; on the lengths of the calibration arm and the lever arm, measured by the operator of the cell; and on gravity at the site"
		if d.Place.GravityMeasured {
			text += ", as measured there."
		} else {
			text += ", computed from latitude and height (WGS 84)."
		}
	case fleet.CheckTransfer, fleet.CheckTorque:
		text = "The results rest on the standard listed and lead through its certificate to the SI units."
		if k == fleet.CheckTorque {
			text += " The lever arm was measured by the operator of the cell."
		}
	case fleet.CheckShunt:
		return "The force a shunt stands for is a stated value of the load cell's maker or operator. It is not traceable to a standard of force, and no such traceability is claimed."
	case fleet.CheckZero, fleet.CheckZeroTurning:
		return "No force is applied, so no standard of force is needed: the result is what the indicator reads of nought, in the unit it was calibrated in."
	case fleet.CheckBaseInertia:
		return "The result rests on the force of the load cell by its calibration in force, on the speed and on time, as the cell measures them."
	}
	if len(without) > 0 {
		text += " No certificate is recorded for " + list(without) + ": to that extent traceability is not shown."
	}
	if len(ended) > 0 {
		text += " The certificate of " + list(ended) + " had ended when the check was made."
	}
	return text
}

func list(names []string) string {
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// adjustment says whether the load cell was adjusted, and what holds then.
func adjustment(visit []Judged, related string) string {
	last := visit[len(visit)-1]
	switch {
	case len(visit) == 2:
		return "The check as found and the check as left were made on one visit and are both given here. As found: before anything was changed. As left: after it; its calibration holds from " + stamp(last.Check.From()) + " on."
	case last.Check.State == fleet.AsLeft && related != "":
		return "This check was made as left, after an adjustment or a change of the calibration; the check as found of the same visit is on certificate " + related + ". The calibration given here holds from " + stamp(last.Check.From()) + " on."
	case last.Check.State == fleet.AsLeft:
		return "This check was made as left, after an adjustment or a change of the calibration; there is no check as found of the same visit that could be judged. The calibration given here holds from " + stamp(last.Check.From()) + " on."
	case last.Check.Adjusted == nil:
		return "This check was made as found. Whether anything was adjusted after it is not recorded; no check as left followed on the same visit."
	case *last.Check.Adjusted:
		return "This check was made as found. The load cell was adjusted after it; the check as left is not on this certificate, and the results do not describe the load cell after the adjustment."
	}
	return "This check was made as found. Nothing was adjusted."
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") + " UTC" }

func statements(d Document, k fleet.CheckKind, last Judged) []string {
	out := []string{
		"The results are those of the item named, at the time, at the place and under the conditions stated, and of nothing else.",
		"This certificate may be reproduced in full only, unless whoever issued it agrees in writing.",
		"No accreditation is claimed for this work, and the document bears no accreditation mark.",
	}
	if k == fleet.CheckDeadWeight || k == fleet.CheckTransfer {
		out = append(out, "An error is one of force at the lever arm. Where the force is multiplied by the same lever arm again to give torque, the lever arm's share of the uncertainty cancels.")
	}
	if last.Check.State == fleet.AsLeft && last.Result.AsLeftValid && d.Checks[len(d.Checks)-1].Equation != nil {
		out = append(out, "As left, errors are stated after the new calibration is applied: the zero error and the gain error are then nought by construction, with the uncertainty that remains.")
	}
	if d.Next != nil {
		out = append(out, "The date of the next check is a recommendation of the cell's operator and no part of the results.")
	}
	return out
}

func name(name, id string) string {
	if name == "" || name == id {
		return id
	}
	return name + " (" + id + ")"
}

func or(s, other string) string {
	if strings.TrimSpace(s) == "" {
		return other
	}
	return strings.TrimSpace(s)
}
