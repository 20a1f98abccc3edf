package loadcell

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// judgedFrom is the share of the load cell's range from which a load is judged
// against the tolerance of reading. Common practice in force calibration, the
// lower end of ISO 7500-1's usual range (from memory).
const judgedFrom = 0.2

// stepOfRange is the indicator's step as a share of the load cell's range
// where the readings do not scatter at all (10 000 steps). It keeps U from
// being nought. Common practice, no source.
const stepOfRange = 1e-4

// sameLoad is how close two loads are, relative to the largest, to count as one.
const sameLoad = 1e-6

// largestForce is the largest reading that can be meant, N.
const largestForce = 1e8

// Judge is Assess without reference standards, earlier checks and a measured
// gravity.
func Judge(check fleet.Check, cell fleet.Cell, masses map[fleet.MassID]fleet.Mass, gravity float64, inForce Calibration) Result {
	return Assess(Input{Check: check, Cell: cell, Masses: masses, Gravity: gravity, InForce: inForce})
}

// Assess judges a calibration check of a cell's load cell. What cannot be judged
// has fleet.VerdictUnusable and a Reason that says what is wrong and how to mend
// it.
//
// Zero and gain error come from ordinary least squares over all readings.
// Their uncertainty combines the scatter about the line with the masses (one
// mass used in several readings is fully correlated with itself) or the
// standard (fully correlated over its readings), the calibration arm and its
// angle, the lever arm, gravity and the density of the air; U is expanded, k =
// 2, or the t factor of the same coverage while the degrees of freedom are few.
// The means of each load and direction from 20 % of the load cell's range up are
// judged against cell.CheckTolerance of the load, the zero error against
// cell.ZeroTolerance, both with a guard band of U; the overall verdict is the
// worst. A point's U takes the scatter of repeated readings where there are
// enough of them, so that a crooked load cell does not hide behind its own
// misfit.
//
// Preloads are kept and not judged. Of a load that stayed on, the first reading
// is judged, the later ones show creep. The sense that does not drive is judged
// by itself and stated beside.
func Assess(in Input) Result {
	if r, done := senses(in); done {
		return r
	}
	return assess(in, nil)
}

// assess is Assess; at are the indices of the readings in the check as it was
// made, nil: as they are.
func assess(in Input, at []int) Result {
	j := judge{in: in, cell: in.Cell, inForce: in.InForce, within: sameLoad}
	for i := range in.Check.Readings {
		if at == nil {
			j.all = append(j.all, i)
		} else {
			j.all = append(j.all, at[i])
		}
	}
	problem := j.admit()
	if problem == "" {
		switch in.Check.Kind {
		case fleet.CheckDeadWeight:
			problem = j.deadWeight()
		case fleet.CheckZero, fleet.CheckZeroTurning:
			problem = j.zero()
		case fleet.CheckShunt:
			problem = j.shunt()
		case fleet.CheckTransfer, fleet.CheckTorque:
			problem = j.reference()
		case fleet.CheckBaseInertia:
			problem = "a base-inertia check measures the rollers, not the load cell: it is judged by itself"
		default:
			problem = fmt.Sprintf("a check of kind %d is not known: dead weight, zero, zero with rollers turning, shunt, transfer load cell and torque reference are", in.Check.Kind)
		}
	}
	if problem == "" {
		j.conclude()
		problem = j.unbounded()
	}
	if problem != "" {
		return Result{Verdict: fleet.VerdictUnusable, Reason: problem, Notes: j.result.Notes, Findings: j.result.Findings}
	}
	return j.result
}

// judge is a check being judged.
type judge struct {
	in      Input
	cell    fleet.Cell
	inForce Calibration

	all      []int           // index of each reading of in.Check in the check as made
	readings []fleet.Reading // those that are judged
	at       []int           // their indices in the check as made
	held     [][]int         // indices into in.Check.Readings of readings under one load that stayed on
	reading  []float64       // N, as read
	load     []load
	within   float64 // how close two loads are, relative to the largest, to be one
	along    float64 // slope that readings of one load are brought together by
	typeB    typeB
	refit    []gum.Component // zero, N, and gain, ratio, of putting the arm on again
	mounted  spread          // of raw readings about the line of their mounting; with refit
	s        Calibration     // S(x) whose errors are stated
	decided  []decision
	result   Result
}

// spread is a standard deviation with its degrees of freedom.
type spread struct {
	sd  float64
	dof int
}

// about returns the scatter of readings about a line through y, over scale. With
// several mountings it is that about each one's own line: what differs between
// them has its own components.
func (j *judge) about(fit gum.Line) spread {
	if j.refit == nil {
		return spread{fit.Residual, fit.DoF}
	}
	return spread{j.mounted.sd * scaleOf(j.s.curved(), j.along), j.mounted.dof}
}

// typeB is what the loads' uncertainty rests on.
type typeB struct {
	shared   []gum.Component // ratios, common to all loads
	masses   []gum.Component // standard uncertainties of the masses, kg
	ids      []fleet.MassID  // of masses
	air      gum.Component   // density, kg/m³
	standard gum.Component   // of the standard, 1; its sensitivity is load.standard
}

// each calls add with the components that act on single loads and how a load's
// force answers to them.
func (b typeB) each(add func(gum.Component, func(load) float64)) {
	for k, c := range b.masses {
		id := b.ids[k]
		add(c, func(l load) float64 { return l.mass[id] })
	}
	if b.air.U > 0 {
		add(b.air, func(l load) float64 { return l.air })
	}
	if b.standard.U > 0 {
		add(b.standard, func(l load) float64 { return l.standard })
	}
}

// admit checks what every kind of check needs and chooses the readings that are
// judged.
func (j *judge) admit() string {
	c := j.in.Check
	switch {
	case c.Cell != "" && j.cell.ID != "" && c.Cell != j.cell.ID:
		return fmt.Sprintf("the check was made on cell %s but is judged as one of cell %s", c.Cell, j.cell.ID)
	case len(c.Readings) == 0:
		return "the check has no readings"
	case !j.inForce.possible():
		return fmt.Sprintf("the calibration in force (zero %v N, gain error %v) is impossible: make an as-left dead-weight check", j.inForce.Zero, j.inForce.Gain)
	case !(j.in.UGravity >= 0 && j.in.UGravity < 1):
		return fmt.Sprintf("gravity has an uncertainty of %v of itself: enter the site's latitude and height, or its measured gravity", j.in.UGravity)
	}
	if c.Kind == fleet.CheckBaseInertia {
		return ""
	}
	for i, r := range c.Readings {
		switch {
		case r.Force == nil && r.Preload:
			continue
		case r.Force == nil:
			return fmt.Sprintf("%s has no value: enter what the indicator read (0 is a reading), or take the line out", j.name(i))
		case !(math.Abs(*r.Force) <= largestForce):
			return fmt.Sprintf("%s is %v, which is no force an indicator shows: enter what the indicator read", j.name(i), *r.Force)
		case r.Held != nil && !(*r.Held >= 0 && *r.Held <= longestHeld):
			return fmt.Sprintf("%s was held for %v s, which is no time a load is held: enter seconds, or leave it out", j.name(i), *r.Held)
		case r.Speed != nil && !(math.Abs(*r.Speed) <= fastest):
			return fmt.Sprintf("%s was taken at %v m/s, which is no speed of the rollers", j.name(i), *r.Speed)
		}
	}
	if problem := j.order(); problem != "" {
		return problem
	}
	later := j.hold()
	for i, r := range c.Readings {
		switch {
		case r.Preload:
			if r.Force != nil {
				j.result.Preloads = append(j.result.Preloads, Reading{Index: j.all[i], Cycle: r.Cycle, Direction: r.Direction, Reading: *r.Force})
			}
		case !later[i]:
			j.readings, j.at = append(j.readings, r), append(j.at, j.all[i])
			j.reading = append(j.reading, *r.Force)
		}
	}
	if len(j.readings) == 0 {
		return "the check has preloads only: record the readings of its cycles too"
	}
	return ""
}

const (
	longestHeld = 1e6 // s
	fastest     = 200 // m/s, of the rollers' surface
)

// order says when a cycle's falling loads come before its rising ones: its
// rising readings are then of a load cell that has not been through its range.
func (j *judge) order() string {
	type series struct{ cycle, mounting int }
	first := map[series]int{}
	for i, r := range j.in.Check.Readings {
		k := series{r.Cycle, r.Mounting}
		if r.Preload || r.Direction == 0 {
			continue
		}
		f, seen := first[k]
		if !seen {
			first[k] = i
			continue
		}
		if r.Direction == fleet.Rising && j.in.Check.Readings[f].Direction == fleet.Falling {
			return fmt.Sprintf("in cycle %d the falling loads come before the rising ones (%s first, then %s): a cycle goes up first and then down; put the readings in the order they were taken, correct their direction, or make the cycle again", r.Cycle, j.name(f), j.name(i))
		}
	}
	return ""
}

// hold finds the readings of loads that stayed on; true are those after the
// first, which show creep only.
func (j *judge) hold() map[int]bool {
	later := map[int]bool{}
	if k := j.in.Check.Kind; k != fleet.CheckDeadWeight && k != fleet.CheckShunt {
		return later
	}
	at := map[string]int{} // into held
	for i, r := range j.in.Check.Readings {
		if r.Preload || r.Held == nil {
			continue
		}
		ids := slices.Clone(r.Masses)
		slices.Sort(ids)
		key := fmt.Sprint(r.Cycle, r.Mounting, r.Direction, ids)
		if r.Simulated != nil {
			key += fmt.Sprint(*r.Simulated)
		}
		k, seen := at[key]
		if !seen {
			at[key] = len(j.held)
			j.held = append(j.held, []int{i})
			continue
		}
		if before := j.in.Check.Readings[j.held[k][len(j.held[k])-1]]; *r.Held > *before.Held {
			j.held[k] = append(j.held[k], i)
			later[i] = true
		}
	}
	j.held = slices.DeleteFunc(j.held, func(g []int) bool { return len(g) < 2 })
	return later
}

// where names a judged reading for people, name one of the check given.
func (j *judge) where(i int) string { return describe(j.at[i], j.readings[i]) }
func (j *judge) name(i int) string  { return describe(j.all[i], j.in.Check.Readings[i]) }

func describe(i int, r fleet.Reading) string {
	s := fmt.Sprintf("reading %d (cycle %d", i+1, r.Cycle)
	switch r.Direction {
	case fleet.Rising:
		s += ", rising"
	case fleet.Falling:
		s += ", falling"
	}
	if len(r.Masses) > 0 {
		ids := make([]string, len(r.Masses))
		for k, m := range r.Masses {
			ids[k] = string(m)
		}
		s += ", " + strings.Join(ids, " + ")
	}
	return s + ")"
}

// doubt takes a sentence up as a note and a finding, find as a finding alone.
func (j *judge) doubt(kind FindingKind, format string, args ...any) {
	s := fmt.Sprintf(format, args...)
	j.result.Notes = append(j.result.Notes, s)
	j.find(Finding{Kind: kind, Text: s})
}

func (j *judge) find(f Finding) { j.result.Findings = append(j.result.Findings, f) }

// lacking says which of the shared components has no stated uncertainty.
func (j *judge) lacking() {
	for _, c := range j.typeB.shared {
		if c.U == 0 {
			j.doubt(FindingNoU, "the %s has no stated uncertainty: it counts as exact, so U is too small", c.Name)
		}
	}
}

// deadWeight judges masses on the calibration arm.
func (j *judge) deadWeight() string {
	b, note, problem := setUp(j.in)
	if problem != "" {
		return problem
	}
	if note != "" {
		j.doubt(FindingAir, "%s", note)
	}
	used := map[fleet.MassID]bool{}
	for i, r := range j.readings {
		l, problem := b.hang(r, j.where(i))
		if problem != "" {
			return problem
		}
		j.load = append(j.load, l)
		for _, id := range r.Masses {
			if !used[id] {
				used[id] = true
				j.typeB.ids = append(j.typeB.ids, id)
			}
		}
	}
	for i, r := range j.result.Preloads {
		// A preload's mass need not be in the registry.
		if l, problem := b.hang(j.preload(r.Index), ""); problem == "" {
			j.result.Preloads[i].Load = l.force
		}
	}
	// Ids in order, so that the order of readings does not change a bit.
	slices.Sort(j.typeB.ids)
	for _, id := range j.typeB.ids {
		m := j.in.Masses[id]
		m.ID = id
		j.typeB.masses = append(j.typeB.masses, gum.Component{Name: "mass " + string(id), U: m.U / gum.K, DoF: gum.Infinite})
		j.doubtMass(m)
	}
	j.typeB.shared = b.shared()
	j.typeB.air = gum.Component{Name: "air density", U: b.uAir, DoF: gum.Infinite}
	j.result.AirDensity = b.air
	j.lacking()
	j.arm(b)
	if loads := j.distinct(); len(loads) < 2 {
		return fmt.Sprintf("all readings carry the same load (%.4g N at the lever arm): a check needs the empty arm and at least two different loads", loads[0])
	} else if len(loads) == 2 && slices.ContainsFunc(loads, func(f float64) bool { return f == 0 }) {
		return fmt.Sprintf("beside the empty arm there is one load only (%.4g N at the lever arm), so nothing shows whether the load cell is straight: hang at least two different loads, better six spread over the range", max(loads[0], loads[1]))
	}
	return j.line(true)
}

// preload returns the preload with an index of the check as made.
func (j *judge) preload(index int) fleet.Reading {
	return j.in.Check.Readings[slices.Index(j.all, index)]
}

// levelWithin is the error of an arm that is not level from which it is said,
// ratio of its length. Common practice, no source; cos θ reaches it at 1.8°.
const levelWithin = 5e-4

// arm says what is doubtful about the calibration arm.
func (j *judge) arm(b bench) {
	if a := j.in.Check.ArmAngle; a != nil && 1-math.Cos(*a) > levelWithin {
		j.find(Finding{FindingArmAngle, fmt.Sprintf("the calibration arm was %.2f° off the horizontal: the loads are taken %.2g %% smaller; it is to be horizontal", *a*180/math.Pi, 100*(1-math.Cos(*a))), cfr})
	}
	if u := gum.K * math.Hypot(b.cell.U.CalibrationArm/b.cell.CalibrationArm, b.uLevel); u > armWithin {
		j.find(Finding{FindingReference, fmt.Sprintf("the calibration arm is known to ±%.2g %% (k = 2): it is to be within ±%.1f %%", 100*u, 100*armWithin), cfr})
	}
}

// zero judges the unloaded load cell.
func (j *judge) zero() string {
	for i, r := range j.readings {
		if len(r.Masses) > 0 {
			return fmt.Sprintf("%s of a zero check carries a mass: take the masses off, or record a dead-weight check", j.where(i))
		}
		if j.in.Check.Kind == fleet.CheckZero && r.Speed != nil && math.Abs(*r.Speed) > sameSpeed {
			return fmt.Sprintf("%s of a zero check was taken with the rollers at %.3g m/s: stop them, or record a zero check with rollers turning", j.where(i), *r.Speed)
		}
		j.load = append(j.load, load{})
	}
	n := len(j.reading)
	if n < 2 {
		return "a zero check of one reading shows no scatter, so it has no uncertainty: take at least two readings, better three"
	}
	if j.in.Check.Kind == fleet.CheckZeroTurning {
		return j.turning()
	}
	mean, scatter := meanSD(j.reading)
	j.result.DoF = n - 1
	u := j.typeA(scatter/math.Sqrt(float64(n)), n-1)

	combined := gum.Combined{U: u.Contribution(), DoF: u.DoF}
	left := j.inForce
	left.Epoch, left.Since = fleet.EpochID(j.in.Check.ID), j.in.Check.From()
	left.Zero, left.UZero, left.CovZeroGain = mean, combined.Expanded()/gum.K, 0
	if left.curved() {
		for k := range left.Cov {
			left.Cov[0][k], left.Cov[k][0] = 0, 0
		}
		left.Cov[0][0] = left.UZero * left.UZero
	}
	j.result.AsLeft, j.result.AsLeftValid = left, true
	j.result.Line = Calibration{Epoch: left.Epoch, Since: left.Since, Zero: mean, UZero: left.UZero}
	j.choose()
	scale := j.s.Slope(0)
	if j.s.curved() {
		j.result.ZeroError = j.s.Force(mean)
	} else {
		j.result.ZeroError = (mean - j.s.Zero) / scale
	}
	j.result.UZeroError = combined.Expanded() / scale
	j.result.ZeroValid = true
	j.result.Scatter = scatter / scale
	u.Sensitivity /= scale
	j.result.ZeroBudget = []gum.Component{u}
	j.state(ZeroError, "N", j.result.ZeroError, j.result.ZeroBudget, "rollers still")
	j.decide(decision{zero: true, error: j.result.ZeroError, tolerance: j.cell.ZeroTolerance, own: u, group: []float64{1}})
	j.errors(scatter, n-1)
	return ""
}

// shunt judges the indicator against forces simulated by an electrical shunt.
func (j *judge) shunt() string {
	for i, r := range j.readings {
		switch {
		case r.Simulated == nil:
			return fmt.Sprintf("%s of a shunt check does not say which force the shunt stands for", j.where(i))
		case !(math.Abs(*r.Simulated) <= largestForce):
			return fmt.Sprintf("%s of a shunt check says the shunt stands for %v N, which is no force a load cell holds", j.where(i), *r.Simulated)
		case len(r.Masses) > 0:
			return fmt.Sprintf("%s of a shunt check carries a mass: take the masses off, or record a dead-weight check", j.where(i))
		}
		j.load = append(j.load, load{force: *r.Simulated})
	}
	j.doubt(FindingShunt, "a shunt checks the indicator only, not the load cell, its mounting or the arms; U holds the scatter, not the shunt's own uncertainty")
	if len(j.distinct()) >= 2 && len(j.reading) >= 3 {
		return j.line(false)
	}
	// One simulated force, or two seen once: scatter within the loads alone.
	scatter, dof := j.repeats(false)
	if dof < 1 {
		return "a shunt check whose force was read once shows no scatter, so it has no uncertainty: take at least two readings of it"
	}
	j.s = j.inForce
	j.result.DoF = dof
	j.result.Scatter = scatter / (1 + j.s.Gain)
	j.errors(scatter, dof)
	return ""
}

// line fits reading against load and fills the errors. A calibration follows
// when the loads are true forces.
func (j *judge) line(calibrates bool) string {
	n := len(j.reading)
	f := make([]float64, n)
	for i, l := range j.load {
		f[i] = l.force
	}
	fit, err := gum.FitLine(f, j.reading)
	switch {
	case errors.Is(err, gum.ErrFewPoints):
		return fmt.Sprintf("%d readings show no scatter about a line, so the errors have no uncertainty: take at least three, better two cycles of zero, rising and falling loads", n)
	case err != nil:
		return fmt.Sprintf("the readings do not make a line: %v", err)
	}
	j.along = fit.Slope
	if problem := j.suspect(f, fit); problem != "" {
		return problem
	}
	if problem := j.slope(fit.Slope / j.inForce.Slope(mean(f))); problem != "" {
		return problem
	}
	j.plan()
	j.refits(f)
	raw := j.design(f, fit, 1)
	if raw.problem != "" {
		return raw.problem
	}
	epoch, since := fleet.EpochID(j.in.Check.ID), j.in.Check.From()
	left := raw.calibration(fit)
	left.Epoch, left.Since = epoch, since
	j.result.Line = left
	if p := j.interpolate(f); p != nil && calibrates && p.Degree > 1 {
		left = j.curve(f, *p)
		left.Epoch, left.Since = epoch, since
	}
	if calibrates {
		if !left.possible() {
			return fmt.Sprintf("the readings are %.4g times the load with %.4g N at no load: no load cell is that far off; check the indicator's unit and scale, and send the check again", fit.Slope, fit.Intercept)
		}
		j.result.AsLeft, j.result.AsLeftValid = left, true
	}
	j.choose()

	// The errors are those of S(x): of the readings through a line by its scale,
	// of those through a curve by the forces it gives.
	scale := 1 + j.s.Gain
	y := j.reading
	if j.s.curved() {
		scale, y = 1, make([]float64, n)
		for i, x := range j.reading {
			y[i] = j.s.Force(x)
		}
		if fit, err = gum.FitLine(f, y); err != nil {
			return fmt.Sprintf("the readings do not make a line: %v", err)
		}
	}
	d := j.design(f, fit, scale)
	if d.problem != "" {
		return d.problem
	}
	r := &j.result
	r.DoF = fit.DoF
	if j.s.curved() {
		r.ZeroError, r.GainError = fit.Intercept, fit.Slope-1
	} else {
		r.ZeroError, r.GainError = (fit.Intercept-j.s.Zero)/scale, fit.Slope/scale-1
	}
	r.ZeroBudget, r.GainBudget = d.zeroBudget, d.gainBudget
	j.state(ZeroError, "N", r.ZeroError, r.ZeroBudget, "intercept of the straight line")
	j.state(GainError, "1", r.GainError, r.GainBudget, "slope of the straight line")
	zero, okZero := r.Get(ZeroError)
	gain, okGain := r.Get(GainError)
	if !okZero || !okGain {
		return tooFar
	}
	r.UZeroError, r.ZeroValid = zero.U, true
	r.UGainError, r.GainValid = gain.U, true
	r.Scatter = fit.Residual / scale
	j.linearity(f, y, fit, scale)
	j.decide(decision{zero: true, error: r.ZeroError, tolerance: j.cell.ZeroTolerance, own: d.scatterZero, group: j.intercept(f), typeB: d.zeroBudget[1:]})
	if repeat, dof := j.repeats(true); dof >= repeatDoF {
		j.errors(repeat*scaleOf(j.s.curved(), j.along), dof)
	} else {
		about := j.about(fit)
		j.errors(about.sd, about.dof)
	}
	j.figures(fit)
	return ""
}

// tooFar is said of figures that are no numbers.
const tooFar = "the figures leave the range of numbers: the registry or the readings hold one that is far too large or too small; check arms, masses, tolerances and their uncertainties"

// scaleOf brings the scatter of raw readings to that of forces for a curve,
// whose scale is 1.
func scaleOf(curved bool, slope float64) float64 {
	if curved {
		return 1 / slope
	}
	return 1
}

// design is how the line's zero and slope answer to what the readings and loads
// are uncertain by.
type design struct {
	zeroBudget, gainBudget   []gum.Component // scatter first
	zero, gain               gum.Combined    // before the scale
	scatterZero, scatterGain gum.Component   // over the scale
	n                        int
	mf, sxx, covariance      float64
	scatter                  gum.Component // of one reading
	problem                  string
}

// design computes it for a line through readings over loads f, N. The budgets
// are over scale.
func (j *judge) design(f []float64, fit gum.Line, scale float64) design {
	n := len(f)
	d := design{n: n, mf: mean(f)}
	for _, x := range f {
		d.sxx += (x - d.mf) * (x - d.mf)
	}
	mf, sxx := d.mf, d.sxx
	about := j.about(fit)
	d.scatter = j.typeA(about.sd, about.dof)
	scatterZero, scatterGain := d.scatter, d.scatter
	scatterZero.Sensitivity, scatterGain.Sensitivity = math.Sqrt(1/float64(n)+mf*mf/sxx), 1/math.Sqrt(sxx)
	zeroBudget, gainBudget := []gum.Component{scatterZero}, []gum.Component{scatterGain}
	d.covariance = -mf / sxx * scatterZero.U * scatterZero.U
	// A load's error acts as a reading's of −slope times its size.
	add := func(c gum.Component, v func(load) float64) {
		z, g := project(f, j.load, v)
		cz, cg := c, c
		cz.Sensitivity, cg.Sensitivity = -fit.Slope*z, -fit.Slope*g
		zeroBudget, gainBudget = append(zeroBudget, cz), append(gainBudget, cg)
		d.covariance += cz.Contribution() * cg.Contribution()
	}
	masses := j.typeB
	masses.air, masses.standard = gum.Component{}, gum.Component{}
	masses.each(add)
	for _, c := range j.typeB.shared {
		c.Sensitivity = -fit.Slope // F moves in proportion: slope only
		gainBudget = append(gainBudget, c)
	}
	rest := j.typeB
	rest.masses = nil
	rest.each(add)
	if j.within != sameLoad {
		// Errors in both variables: scatter of the standard flattens the line by
		// up to s²/var(F); how much of the scatter is the standard's is not known.
		// Source: JCGM 100:2008, F.2.4.5 (a bias not corrected, within bounds).
		flat := d.scatter.U * d.scatter.U * float64(n) / sxx / fit.Slope
		gainBudget = append(gainBudget, gum.Component{Name: "scatter of the standard", Sensitivity: 1, U: math.Abs(flat) / math.Sqrt(3), DoF: gum.Infinite})
	}
	if j.refit != nil {
		z, g := j.refit[0], j.refit[1]
		zeroBudget, gainBudget = append(zeroBudget, z), append(gainBudget, g)
	}
	var errZero, errGain error
	d.zero, errZero = gum.Combine(zeroBudget)
	d.gain, errGain = gum.Combine(gainBudget)
	if err := errors.Join(errZero, errGain); err != nil {
		d.problem = fmt.Sprintf("the uncertainty cannot be combined, the registry holds an impossible one: %v", err)
		return d
	}
	for i := range zeroBudget {
		zeroBudget[i].Sensitivity /= scale
	}
	for i := range gainBudget {
		gainBudget[i].Sensitivity /= scale
	}
	d.zeroBudget, d.gainBudget = zeroBudget, gainBudget
	d.scatterZero, d.scatterGain = zeroBudget[0], gainBudget[0]
	return d
}

// widening returns by how much the variance of a component with few degrees of
// freedom is to grow so that twice its root covers as ±2σ do, as a ratio less 1.
func widening(c gum.Component) float64 {
	if math.IsInf(c.DoF, 1) {
		return 0
	}
	k := gum.TFactor(gum.Coverage2, c.DoF) / gum.K
	return k*k - 1
}

// calibration returns the line as S(x). It needs one covariance for both zero
// and gain: that of the scatter, widened as its few degrees of freedom ask, plus
// that of the rest.
func (d design) calibration(fit gum.Line) Calibration {
	inflate := widening(d.scatter) * d.scatter.U * d.scatter.U
	return Calibration{
		Zero: fit.Intercept, Gain: fit.Slope - 1,
		UZero:       math.Sqrt(d.zero.U*d.zero.U + inflate*(1/float64(d.n)+d.mf*d.mf/d.sxx)),
		UGain:       math.Sqrt(d.gain.U*d.gain.U + inflate/d.sxx),
		CovZeroGain: d.covariance - inflate*d.mf/d.sxx,
	}
}

// The slopes that are no gain error but a mixed-up unit, and what it is.
var mixedUnits = []struct {
	slope float64
	what  string
}{
	{0.45359237, "pounds and kilograms are mixed up: either the masses are in lb and were entered as kg, or the indicator reads kgf and was taken as lbf"},
	{1 / 0.45359237, "pounds and kilograms are mixed up: either the indicator reads lbf and was taken as kgf, or the masses are in kg and their values in lb were entered"},
	{1 / 9.80665, "the indicator reads kgf and was taken as N"},
	{9.80665, "the indicator reads N and was taken as kgf"},
	{1 / 4.4482216152605, "the indicator reads lbf and was taken as N"},
	{4.4482216152605, "the indicator reads N and was taken as lbf"},
}

const (
	// mixedWithin is how near to a unit ratio a slope is taken for it.
	mixedWithin = 0.02
	// unmoved is the slope below which a reading does not follow its load; it
	// lies under 1/9.80665, the least of the unit ratios.
	unmoved = 0.05
)

// slope says what is wrong with readings whose slope against the load no load
// cell has, and nothing when it may be one.
func (j *judge) slope(slope float64) string {
	switch {
	case math.Abs(slope) <= unmoved:
		return fmt.Sprintf("the readings do not follow the load (%.3g N per N): were the masses on the arm, and is the load cell connected?", slope)
	case slope < 0:
		return fmt.Sprintf("the readings fall as the load rises (%.3g N per N): the sign is swapped; load the side that pulls as a driving car does, or turn the sign in the indicator", slope)
	}
	for _, m := range mixedUnits {
		if math.Abs(slope/m.slope-1) <= mixedWithin {
			return fmt.Sprintf("the readings are %.4g times the load: %s; correct the unit and send the check again", slope, m.what)
		}
	}
	return ""
}

// choose sets the S(x) whose errors are stated.
func (j *judge) choose() {
	j.s = j.inForce
	if j.in.Check.State == fleet.AsLeft && j.result.AsLeftValid {
		j.s = j.result.AsLeft
	}
}

// floor is the standard uncertainty of a reading due to the indicator's step,
// N: step/√12. Source: JCGM 100:2008, F.2.2.1.
func (j *judge) floor() float64 {
	if !positive(j.cell.LoadCellRange) {
		return 0
	}
	return j.cell.LoadCellRange * stepOfRange / math.Sqrt(12)
}

// typeA returns the component of a standard deviation seen with dof degrees of
// freedom, N, or that of the indicator's step where it is larger.
func (j *judge) typeA(sd float64, dof int) gum.Component {
	if f := j.floor(); sd < f {
		return gum.Component{Name: "indicator step", Sensitivity: 1, U: f, DoF: gum.Infinite}
	}
	return gum.Component{Name: "scatter", Sensitivity: 1, U: sd, DoF: float64(dof)}
}

// repeatDoF is the least degrees of freedom from which the scatter of repeated
// readings alone is taken for the uncertainty of a point. With fewer the
// scatter about the line is, which a crooked load cell widens. Common practice,
// no source.
const repeatDoF = 5

// repeats returns the standard deviation of readings about the mean of their
// load (and direction when apart), pooled, N, and its degrees of freedom.
// Source: JCGM 100:2008, H.5, eq. H.25 (within-group part).
func (j *judge) repeats(apart bool) (sd float64, dof int) {
	ss := 0.0
	groups := j.groups(apart)
	if apart && j.refit != nil {
		groups = j.mountings(groups)
	}
	for _, g := range groups {
		m := 0.0
		for _, i := range g {
			m += j.together(i, g[0]) / float64(len(g))
		}
		for _, i := range g {
			x := j.together(i, g[0])
			ss += (x - m) * (x - m)
		}
		dof += len(g) - 1
	}
	if dof == 0 {
		return 0, 0
	}
	return math.Sqrt(ss / float64(dof)), dof
}

// mountings splits groups by mounting.
func (j *judge) mountings(groups [][]int) [][]int {
	var out [][]int
	for _, g := range groups {
		at := map[int]int{}
		for _, i := range g {
			m := j.readings[i].Mounting
			k, seen := at[m]
			if !seen {
				k = len(out)
				at[m] = k
				out = append(out, nil)
			}
			out[k] = append(out[k], i)
		}
	}
	return out
}

// together returns reading i as it would be under the load of reading at: beside
// a standard two readings of one load have not quite the same.
func (j *judge) together(i, at int) float64 {
	if j.within == sameLoad {
		return j.reading[i]
	}
	return j.reading[i] - j.along*(j.load[i].force-j.load[at].force)
}

// groups returns the indices of readings with one load (and one direction when
// apart), in order of appearance.
func (j *judge) groups(apart bool) [][]int {
	var out [][]int
	span := 0.0
	for _, l := range j.load {
		span = max(span, math.Abs(l.force))
	}
	for i := range j.load {
		found := false
		for k, g := range out {
			same := math.Abs(j.load[g[0]].force-j.load[i].force) <= j.within*span
			if same && (!apart || j.readings[g[0]].Direction == j.readings[i].Direction) {
				out[k] = append(g, i)
				found = true
				break
			}
		}
		if !found {
			out = append(out, []int{i})
		}
	}
	return out
}

// distinct returns the different loads, N.
func (j *judge) distinct() []float64 {
	var out []float64
	for _, g := range j.groups(false) {
		out = append(out, j.load[g[0]].force)
	}
	return out
}

// errors fills the errors by reading and by point, and what follows from
// direction and repetition. Scatter is the standard deviation of one raw
// reading, N, with dof degrees of freedom; for a curve that of its force.
func (j *judge) errors(scatter float64, dof int) {
	r := &j.result
	scale := 1 + j.s.Gain
	if j.s.curved() {
		scale = 1
	}
	for i, x := range j.reading {
		r.Readings = append(r.Readings, Reading{
			Index: j.at[i], Cycle: j.readings[i].Cycle, Direction: j.readings[i].Direction,
			Load: j.load[i].force, Reading: x, Error: j.s.Force(x) - j.load[i].force,
		})
	}
	groups := j.groups(true)
	for k, g := range groups {
		p := Point{Load: j.load[g[0]].force, Direction: j.readings[g[0]].Direction, Count: len(g)}
		if j.within != sameLoad {
			p.Load = 0
			for _, i := range g {
				p.Load += j.load[i].force / float64(len(g))
			}
		}
		least, most := math.Inf(1), math.Inf(-1)
		for _, i := range g {
			e := r.Readings[i].Error
			p.Error += e / float64(len(g))
			least, most = min(least, e), max(most, e)
		}
		r.Repeatability = max(r.Repeatability, most-least)
		own := j.typeA(scatter/math.Sqrt(float64(len(g)))/scale, dof)
		p.Budget = j.pointBudget(j.load[g[0]], own)
		combined, err := gum.Combine(p.Budget)
		if err != nil {
			// Combine took the same components for the line, so only a shunt or
			// zero check comes here, whose one component is always whole.
			panic("loadcell: " + err.Error())
		}
		p.DoF, p.K = combined.DoF, gum.TFactor(gum.Coverage2, combined.DoF)
		p.U = p.K * combined.U
		for _, q := range r.Points {
			if q.Direction != p.Direction && math.Abs(q.Load-p.Load) <= j.within*math.Abs(p.Load) {
				r.Reversibility = max(r.Reversibility, math.Abs(p.Error-q.Error))
			}
		}
		if p.Load != 0 && math.Abs(p.Load) >= judgedFrom*j.cell.LoadCellRange*(1-j.within) && positive(j.cell.CheckTolerance) {
			p.Tolerance = j.cell.CheckTolerance * math.Abs(p.Load)
			p.Verdict = gum.Verdict(p.Error, p.U, p.Tolerance)
			p.Risk = gum.WrongDecision(p.Error, combined.U, combined.DoF, p.Tolerance)
			weight := make([]float64, len(groups))
			weight[k] = 1
			j.decide(decision{error: p.Error, tolerance: p.Tolerance, own: own, group: weight, typeB: p.Budget[1:], load: true})
		}
		r.Points = append(r.Points, p)
	}
}

// pointBudget returns the budget of the error at a load whose mean scatters as
// typeA says, that first.
func (j *judge) pointBudget(l load, typeA gum.Component) []gum.Component {
	cs := []gum.Component{typeA}
	for _, c := range j.typeB.shared {
		c.Sensitivity = l.force
		cs = append(cs, c)
	}
	j.typeB.each(func(c gum.Component, v func(load) float64) {
		c.Sensitivity = v(l)
		cs = append(cs, c)
	})
	if j.refit != nil {
		z, g := j.refit[0], j.refit[1]
		g.Sensitivity = l.force
		cs = append(cs, z, g)
	}
	return cs
}

// conclude sets the overall verdict and its sentence.
func (j *judge) conclude() {
	r := &j.result
	var said []string
	if r.ZeroValid {
		r.ZeroVerdict = gum.Verdict(r.ZeroError, r.UZeroError, j.cell.ZeroTolerance)
		if r.ZeroVerdict == fleet.VerdictUnusable {
			r.Verdict = fleet.VerdictUnusable
			r.Reason = fmt.Sprintf("the registry gives cell %s no zero tolerance (%v N): enter zero_tolerance_n", j.cell.ID, j.cell.ZeroTolerance)
			return
		}
		r.Verdict = gum.Worse(r.Verdict, r.ZeroVerdict)
		said = append(said, fmt.Sprintf("zero error %s N of ±%.3g N (%s)", within(r.ZeroError, r.UZeroError), j.cell.ZeroTolerance, r.ZeroVerdict))
	}
	if j.in.Check.Kind == fleet.CheckZero || j.in.Check.Kind == fleet.CheckZeroTurning {
		j.finish(append(said, j.sayTurning()...))
		return
	}
	if !positive(j.cell.CheckTolerance) {
		r.Verdict = fleet.VerdictUnusable
		r.Reason = fmt.Sprintf("the registry gives cell %s no check tolerance (%v): enter check_tolerance_percent", j.cell.ID, j.cell.CheckTolerance)
		return
	}
	if !positive(j.cell.LoadCellRange) {
		j.doubt(FindingNoRange, "the registry gives no range for the load cell: every load is judged")
	}
	worst := -1
	most := 0.0
	for i, p := range r.Points {
		most = max(most, math.Abs(p.Load))
		if p.Verdict == fleet.VerdictNone {
			continue
		}
		if worst < 0 || p.Verdict > r.Points[worst].Verdict ||
			p.Verdict == r.Points[worst].Verdict && math.Abs(p.Error)/p.Tolerance > math.Abs(r.Points[worst].Error)/r.Points[worst].Tolerance {
			worst = i
		}
	}
	if positive(j.cell.LoadCellRange) && most > j.cell.LoadCellRange {
		j.doubt(FindingAboveRange, "the largest load, %.4g N, is above the load cell's range of %.4g N", most, j.cell.LoadCellRange)
	}
	if r.GainValid {
		said = append(said, fmt.Sprintf("gain error %s %%", within(100*r.GainError, 100*r.UGainError)))
	}
	switch {
	case worst >= 0:
		p := r.Points[worst]
		r.Verdict = gum.Worse(r.Verdict, p.Verdict)
		said = append(said, fmt.Sprintf("worst load %.4g N%s: %s %% of ±%.3g %% (%s)", p.Load, direction(p.Direction),
			within(100*p.Error/math.Abs(p.Load), 100*p.U/math.Abs(p.Load)), 100*j.cell.CheckTolerance, p.Verdict))
	case r.GainValid:
		v := gum.Verdict(r.GainError, r.UGainError, j.cell.CheckTolerance)
		r.Verdict = gum.Worse(r.Verdict, v)
		if s, ok := r.Get(GainError); ok {
			j.decide(decision{error: s.Value, tolerance: j.cell.CheckTolerance, own: s.Budget[0], typeB: s.Budget[1:]})
		}
		said = append(said, fmt.Sprintf("no load reaches %.0f %% of the load cell's range (%.4g N), so the gain error is judged instead, of ±%.3g %% (%s)", 100*judgedFrom, j.cell.LoadCellRange, 100*j.cell.CheckTolerance, v))
	default:
		r.Verdict = fleet.VerdictUnusable
		r.Reason = fmt.Sprintf("no load reaches %.0f %% of the load cell's range (%.4g N), so nothing can be judged: use a larger one", 100*judgedFrom, j.cell.LoadCellRange)
		return
	}
	j.finish(said)
}

// finish writes the sentence of the verdict.
func (j *judge) finish(said []string) {
	r := &j.result
	j.risk()
	r.Reason = r.Verdict.String() + ": " + strings.Join(said, "; ")
	if j.in.Check.State == fleet.AsLeft && r.AsLeftValid {
		line := r.Line
		if !r.GainValid {
			line.Gain, line.UGain = r.AsLeft.Gain, r.AsLeft.UGain
		}
		r.Reason += fmt.Sprintf("; the indicator itself reads %s N at zero and %s %% in gain, which the new calibration corrects",
			rounded(line.Zero, 2*line.UZero), rounded(100*line.Gain, 200*line.UGain))
	}
	j.drift()
	j.class()
}

// within writes an error with its expanded uncertainty: U with two significant
// digits, the error to the same decimal. Source: JCGM 100:2008, 7.2.6.
func within(x, u float64) string {
	return fmt.Sprintf("%s ± %.*f", rounded(x, u), decimals(u), u)
}

// rounded writes x with its sign to the second significant digit of u; what
// rounds to nought has none.
func rounded(x, u float64) string {
	s := fmt.Sprintf("%+.*f", decimals(u), x)
	if strings.Trim(s, "+-0.") == "" {
		return s[1:]
	}
	return s
}

// decimals returns how many decimals show two significant digits of u, at most
// nine and at least none.
func decimals(u float64) int {
	if !positive(u) {
		return 3
	}
	// What rounds up to the next power of ten has a digit more before the point.
	e, _ := strconv.Atoi(strings.SplitN(strconv.FormatFloat(u, 'e', 1, 64), "e", 2)[1])
	return min(max(1-e, 0), 9)
}

func direction(d fleet.Direction) string {
	switch d {
	case fleet.Rising:
		return " rising"
	case fleet.Falling:
		return " falling"
	}
	return ""
}

// project returns the zero and slope by which a line over f answers to v added
// to its readings.
func project(f []float64, loads []load, v func(load) float64) (zero, slope float64) {
	mf := mean(f)
	mv, sxx, sxv := 0.0, 0.0, 0.0
	for i, l := range loads {
		mv += v(l) / float64(len(loads))
		sxx += (f[i] - mf) * (f[i] - mf)
		sxv += (f[i] - mf) * v(l)
	}
	slope = sxv / sxx
	return mv - slope*mf, slope
}

func mean(x []float64) float64 {
	m := 0.0
	for _, v := range x {
		m += v
	}
	return m / float64(len(x))
}

func meanSD(x []float64) (m, sd float64) {
	m = mean(x)
	for _, v := range x {
		sd += (v - m) * (v - m)
	}
	return m, math.Sqrt(sd / float64(len(x)-1))
}
