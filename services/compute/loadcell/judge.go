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

// Judge judges a calibration check of a cell's load cell. Gravity is the local
// one, m/s² (gum.SiteGravity; used for dead weights only); inForce is the
// calibration in force when the check was made. What cannot be judged has
// fleet.VerdictUnusable and a Reason that says what is wrong and how to mend it.
//
// Zero and gain error come from ordinary least squares over all readings, in
// any order of loads and directions. Their uncertainty combines the scatter
// about the line with the masses (one mass used in several readings is fully
// correlated with itself), the calibration arm, the lever arm, gravity and the
// density of the air; U is expanded, k = 2, or the t factor of the same
// coverage while the degrees of freedom are few. The means of each load and
// direction from 20 % of the load cell's range up are judged against
// cell.CheckTolerance of the load, the zero error against cell.ZeroTolerance,
// both with a guard band of U; the overall verdict is the worst. A point's U
// takes the scatter of repeated readings where there are enough of them, so
// that a crooked load cell does not hide behind its own misfit.
func Judge(check fleet.Check, cell fleet.Cell, masses map[fleet.MassID]fleet.Mass, gravity float64, inForce Calibration) Result {
	j := judge{check: check, cell: cell, inForce: inForce}
	problem := j.admit()
	if problem == "" {
		switch check.Kind {
		case fleet.CheckDeadWeight:
			problem = j.deadWeight(masses, gravity)
		case fleet.CheckZero:
			problem = j.zero()
		case fleet.CheckShunt:
			problem = j.shunt()
		default:
			problem = fmt.Sprintf("a check of kind %d is not known: dead weight, zero and shunt are", check.Kind)
		}
	}
	if problem != "" {
		return Result{Verdict: fleet.VerdictUnusable, Reason: problem, Notes: j.result.Notes}
	}
	j.conclude()
	return j.result
}

// Assess is Judge with everything a check can be judged by.
func Assess(in Input) Result { return Judge(in.Check, in.Cell, in.Masses, in.Gravity, in.InForce) }

// judge is a check being judged.
type judge struct {
	check   fleet.Check
	cell    fleet.Cell
	inForce Calibration

	reading []float64 // N, as read
	load    []load
	typeB   typeB
	s       Calibration // S(x) whose errors are stated
	result  Result
}

// typeB is what the loads' uncertainty rests on.
type typeB struct {
	shared []gum.Component // ratios, common to all loads
	masses []gum.Component // standard uncertainties of the masses, kg
	ids    []fleet.MassID  // of masses
	air    gum.Component   // density, kg/m³
}

// admit checks what every kind of check needs.
func (j *judge) admit() string {
	c := j.check
	switch {
	case c.Cell != "" && j.cell.ID != "" && c.Cell != j.cell.ID:
		return fmt.Sprintf("the check was made on cell %s but is judged as one of cell %s", c.Cell, j.cell.ID)
	case len(c.Readings) == 0:
		return "the check has no readings"
	case !j.inForce.possible():
		return fmt.Sprintf("the calibration in force (zero %v N, gain error %v) is impossible: make an as-left dead-weight check", j.inForce.Zero, j.inForce.Gain)
	}
	for i, r := range c.Readings {
		switch {
		case r.Force == nil:
			return fmt.Sprintf("%s has no value: enter what the indicator read (0 is a reading), or take the line out", j.where(i))
		case !(math.Abs(*r.Force) <= largestForce):
			return fmt.Sprintf("%s is %v, which is no force an indicator shows: enter what the indicator read", j.where(i), *r.Force)
		}
		j.reading = append(j.reading, *r.Force)
	}
	return ""
}

// where names a reading for people.
func (j *judge) where(i int) string {
	r := j.check.Readings[i]
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

func (j *judge) note(format string, args ...any) {
	j.result.Notes = append(j.result.Notes, fmt.Sprintf(format, args...))
}

// deadWeight judges masses on the calibration arm.
func (j *judge) deadWeight(masses map[fleet.MassID]fleet.Mass, gravity float64) string {
	b, notes, problem := setUp(j.check, j.cell, masses, gravity)
	if problem != "" {
		return problem
	}
	j.result.Notes = append(j.result.Notes, notes...)
	used := map[fleet.MassID]bool{}
	for i, r := range j.check.Readings {
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
	// Ids in order, so that the order of readings does not change a bit.
	slices.Sort(j.typeB.ids)
	for _, id := range j.typeB.ids {
		m := masses[id]
		m.ID = id
		j.typeB.masses = append(j.typeB.masses, gum.Component{Name: "mass " + string(id), U: m.U / gum.K, DoF: gum.Infinite})
		j.result.Notes = append(j.result.Notes, massNotes(m, j.check.PerformedAt)...)
	}
	j.typeB.shared = b.shared()
	j.typeB.air = gum.Component{Name: "air density", U: b.uAir, DoF: gum.Infinite}
	j.result.AirDensity = b.air
	for _, c := range j.typeB.shared {
		if c.U == 0 {
			j.note("the %s has no stated uncertainty: it counts as exact, so U is too small", c.Name)
		}
	}
	if loads := j.distinct(); len(loads) < 2 {
		return fmt.Sprintf("all readings carry the same load (%.4g N at the lever arm): a gain error needs at least two different loads, such as the empty arm and one mass", loads[0])
	}
	return j.line(true)
}

// zero judges the unloaded load cell.
func (j *judge) zero() string {
	for i, r := range j.check.Readings {
		if len(r.Masses) > 0 {
			return fmt.Sprintf("%s of a zero check carries a mass: take the masses off, or record a dead-weight check", j.where(i))
		}
		j.load = append(j.load, load{})
	}
	n := len(j.reading)
	if n < 2 {
		return "a zero check of one reading shows no scatter, so it has no uncertainty: take at least two readings, better three"
	}
	mean, scatter := meanSD(j.reading)
	j.result.DoF = n - 1
	u := j.typeA(scatter/math.Sqrt(float64(n)), n-1)

	left := Calibration{
		Epoch: fleet.EpochID(j.check.ID), Since: j.check.PerformedAt,
		Zero: mean, Gain: j.inForce.Gain, UGain: j.inForce.UGain,
	}
	combined := gum.Combined{U: u.Contribution(), DoF: u.DoF}
	left.UZero = combined.Expanded() / gum.K
	j.result.AsLeft, j.result.AsLeftValid = left, true
	j.choose()
	scale := 1 + j.s.Gain
	j.result.ZeroError = (mean - j.s.Zero) / scale
	j.result.UZeroError = combined.Expanded() / scale
	j.result.ZeroValid = true
	j.result.Scatter = scatter / scale
	u.Sensitivity /= scale
	j.result.ZeroBudget = []gum.Component{u}
	j.errors(scatter, n-1)
	return ""
}

// shunt judges the indicator against forces simulated by an electrical shunt.
func (j *judge) shunt() string {
	for i, r := range j.check.Readings {
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
	j.note("a shunt checks the indicator only, not the load cell, its mounting or the arms; U holds the scatter, not the shunt's own uncertainty")
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
	if problem := j.slope(fit.Slope / (1 + j.inForce.Gain)); problem != "" {
		return problem
	}
	j.result.DoF = fit.DoF

	// The design: how the line's zero and slope answer to a change of the
	// readings. A load's error acts as a reading's of −slope times its size.
	answer := func(v func(load) float64) (zero, slope float64) { return project(f, j.load, v) }
	mf := mean(f)
	sxx := 0.0
	for _, x := range f {
		sxx += (x - mf) * (x - mf)
	}
	scatterZero, scatterGain := j.typeA(fit.Residual, fit.DoF), j.typeA(fit.Residual, fit.DoF)
	scatterZero.Sensitivity, scatterGain.Sensitivity = math.Sqrt(1/float64(n)+mf*mf/sxx), 1/math.Sqrt(sxx)
	zeroBudget, gainBudget := []gum.Component{scatterZero}, []gum.Component{scatterGain}
	covariance := -mf / sxx * scatterZero.U * scatterZero.U
	add := func(c gum.Component, v func(load) float64) {
		z, g := answer(v)
		cz, cg := c, c
		cz.Sensitivity, cg.Sensitivity = -fit.Slope*z, -fit.Slope*g
		zeroBudget, gainBudget = append(zeroBudget, cz), append(gainBudget, cg)
		covariance += cz.Contribution() * cg.Contribution()
	}
	for k, c := range j.typeB.masses {
		id := j.typeB.ids[k]
		add(c, func(l load) float64 { return l.mass[id] })
	}
	for _, c := range j.typeB.shared {
		c.Sensitivity = -fit.Slope // F moves in proportion: slope only
		gainBudget = append(gainBudget, c)
	}
	if j.typeB.air.U > 0 {
		add(j.typeB.air, func(l load) float64 { return l.air })
	}

	uZero, errZero := gum.Combine(zeroBudget)
	uGain, errGain := gum.Combine(gainBudget)
	if err := errors.Join(errZero, errGain); err != nil {
		return fmt.Sprintf("the uncertainty cannot be combined, the registry holds an impossible one: %v", err)
	}
	// The calibration needs one covariance for both: that of the scatter,
	// widened as its few degrees of freedom ask, plus that of the rest.
	widen := 1.0
	if !math.IsInf(scatterZero.DoF, 1) {
		widen = gum.TFactor(gum.Coverage2, scatterZero.DoF) / gum.K
	}
	inflate := (widen*widen - 1) * scatterZero.U * scatterZero.U
	left := Calibration{
		Epoch: fleet.EpochID(j.check.ID), Since: j.check.PerformedAt,
		Zero: fit.Intercept, Gain: fit.Slope - 1,
		UZero:       math.Sqrt(uZero.U*uZero.U + inflate*(1/float64(n)+mf*mf/sxx)),
		UGain:       math.Sqrt(uGain.U*uGain.U + inflate/sxx),
		CovZeroGain: covariance - inflate*mf/sxx,
	}
	if calibrates {
		j.result.AsLeft, j.result.AsLeftValid = left, true
	}
	j.choose()

	scale := 1 + j.s.Gain
	r := &j.result
	r.ZeroError, r.UZeroError, r.ZeroValid = (left.Zero-j.s.Zero)/scale, uZero.Expanded()/scale, true
	r.GainError, r.UGainError, r.GainValid = fit.Slope/scale-1, uGain.Expanded()/scale, true
	for i := range zeroBudget {
		zeroBudget[i].Sensitivity /= scale
	}
	for i := range gainBudget {
		gainBudget[i].Sensitivity /= scale
	}
	r.ZeroBudget, r.GainBudget = zeroBudget, gainBudget
	r.Scatter = fit.Residual / scale
	for _, g := range j.groups(false) {
		sum := 0.0
		for _, i := range g {
			line, _ := fit.At(f[i])
			sum += j.reading[i] - line
		}
		r.Linearity = max(r.Linearity, math.Abs(sum)/float64(len(g))/scale)
	}
	if repeat, dof := j.repeats(true); dof >= repeatDoF {
		j.errors(repeat, dof)
	} else {
		j.errors(fit.Residual, fit.DoF)
	}
	return ""
}

// The slopes that are no gain error but a mixed-up unit, and what it is.
var mixedUnits = []struct {
	slope float64
	what  string
}{
	{0.45359237, "pounds and kilograms are mixed up: either the masses are in lb and were entered as kg, or the indicator reads kgf and was taken as lbf"},
	{1 / 0.45359237, "pounds and kilograms are mixed up: either the indicator reads lbf and was taken as kgf, or the masses' kg were turned into lb twice"},
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
	if j.check.State == fleet.AsLeft && j.result.AsLeftValid {
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
	for _, g := range j.groups(apart) {
		m := 0.0
		for _, i := range g {
			m += j.reading[i] / float64(len(g))
		}
		for _, i := range g {
			ss += (j.reading[i] - m) * (j.reading[i] - m)
		}
		dof += len(g) - 1
	}
	if dof == 0 {
		return 0, 0
	}
	return math.Sqrt(ss / float64(dof)), dof
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
			same := math.Abs(j.load[g[0]].force-j.load[i].force) <= sameLoad*span
			if same && (!apart || j.check.Readings[g[0]].Direction == j.check.Readings[i].Direction) {
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
// reading, N, with dof degrees of freedom.
func (j *judge) errors(scatter float64, dof int) {
	r := &j.result
	scale := 1 + j.s.Gain
	for i, x := range j.reading {
		r.Readings = append(r.Readings, Reading{
			Index: i, Cycle: j.check.Readings[i].Cycle, Direction: j.check.Readings[i].Direction,
			Load: j.load[i].force, Reading: x, Error: j.s.Force(x) - j.load[i].force,
		})
	}
	for _, g := range j.groups(true) {
		p := Point{Load: j.load[g[0]].force, Direction: j.check.Readings[g[0]].Direction, Count: len(g)}
		least, most := math.Inf(1), math.Inf(-1)
		for _, i := range g {
			e := r.Readings[i].Error
			p.Error += e / float64(len(g))
			least, most = min(least, e), max(most, e)
		}
		r.Repeatability = max(r.Repeatability, most-least)
		p.U = j.pointU(j.load[g[0]], j.typeA(scatter/math.Sqrt(float64(len(g)))/scale, dof))
		for _, q := range r.Points {
			if q.Direction != p.Direction && math.Abs(q.Load-p.Load) <= sameLoad*math.Abs(p.Load) {
				r.Reversibility = max(r.Reversibility, math.Abs(p.Error-q.Error))
			}
		}
		if p.Load != 0 && math.Abs(p.Load) >= judgedFrom*j.cell.LoadCellRange*(1-sameLoad) && positive(j.cell.CheckTolerance) {
			p.Tolerance = j.cell.CheckTolerance * math.Abs(p.Load)
			p.Verdict = gum.Verdict(p.Error, p.U, p.Tolerance)
		}
		r.Points = append(r.Points, p)
	}
}

// pointU returns the expanded uncertainty of the error at a load whose mean
// scatters as typeA says.
func (j *judge) pointU(l load, typeA gum.Component) float64 {
	cs := []gum.Component{typeA}
	for _, c := range j.typeB.shared {
		c.Sensitivity = l.force
		cs = append(cs, c)
	}
	for k, c := range j.typeB.masses {
		c.Sensitivity = l.mass[j.typeB.ids[k]]
		cs = append(cs, c)
	}
	if j.typeB.air.U > 0 {
		c := j.typeB.air
		c.Sensitivity = l.air
		cs = append(cs, c)
	}
	combined, err := gum.Combine(cs)
	if err != nil {
		// Combine took the same components for the line, so only a shunt or
		// zero check comes here, whose one component is always whole.
		panic("loadcell: " + err.Error())
	}
	return combined.Expanded()
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
	if j.check.Kind == fleet.CheckZero {
		j.finish(said)
		return
	}
	if !positive(j.cell.CheckTolerance) {
		r.Verdict = fleet.VerdictUnusable
		r.Reason = fmt.Sprintf("the registry gives cell %s no check tolerance (%v): enter check_tolerance_percent", j.cell.ID, j.cell.CheckTolerance)
		return
	}
	if !positive(j.cell.LoadCellRange) {
		j.note("the registry gives no range for the load cell: every load is judged")
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
		j.note("the largest load, %.4g N, is above the load cell's range of %.4g N", most, j.cell.LoadCellRange)
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
	r.Reason = r.Verdict.String() + ": " + strings.Join(said, "; ")
	if j.check.State == fleet.AsLeft && r.AsLeftValid {
		r.Reason += fmt.Sprintf("; the indicator itself reads %s N at zero and %s %% in gain, which the new calibration corrects",
			rounded(r.AsLeft.Zero, 2*r.AsLeft.UZero), rounded(100*r.AsLeft.Gain, 200*r.AsLeft.UGain))
	}
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
