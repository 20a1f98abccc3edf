// Package lookback says which customer pulls a flag touches, and by how much.
//
// In: a flag, the customer pulls of its cell, the cell's reference runs as
// drift judged them, and its calibration checks. Out: one Effect per pull
// touched. It is the last stage, after flag.
package lookback

import (
	"math"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/flag"
	"rollcall/services/fleet"
)

// Pull is a customer pull. What is not known of it is nil.
type Pull struct {
	ID          fleet.PullID
	Cell        fleet.CellID
	At          time.Time
	CustomerCar string
	// At peak power, all at the roller surface:
	TractiveForce *float64 // N
	BrakeForce    *float64 // N
	Acceleration  *float64 // m/s²
	// Corrected says that the stated power carries a standard-air correction.
	Corrected bool
}

// Evidence is what is known of the flag's cell over time. The order within each
// list does not matter; what is of another cell is passed over.
type Evidence struct {
	Cell     fleet.Cell
	Steps    []drift.Step
	Checks   []flag.Check
	Restarts []drift.Restart
}

// Effect is what the flag's finding did to a pull's stated power.
type Effect struct {
	Pull        fleet.PullID
	At          time.Time
	CustomerCar string
	Effect      float64 // ratio: stated power over the right one, less 1
	U           float64 // expanded
	// Size is the error itself at the pull's time, by which the pull can be
	// computed anew; nil: no cause with P ≥ 0.9, or one that no value of the cell
	// stands for.
	Size *Size
}

// Size is how large a cell's error was at a time, given that the flag's leading
// cause is the cause. It is the x behind the effect, from the same checks and runs.
//
// fleetstate's smoother gives a size too, with the covariance of all errors, but
// not given the cause: it parts what was seen among all the errors that could have
// done it, by their priors, and its walks are slower than a fault. Sizes of a fault
// that is the cause with P ≥ 0.9 against the true ones, over 20 fleets of
// TestCoverage's, here and by the smoother:
//
//	gain ramp, weekly weights       rms 0.04 %, U covers 95 %    rms 0.26 %, U covers 20 %
//	gain ramp, weights in 4 weeks   rms 0.38 %, U covers 96 %    rms 0.89 %, U covers  8 %
//	gain ramp, runs alone           rms 0.41 %, U covers 99 %    rms 1.48 %, U covers 35 %
//	zero step, weekly zero          rms 5.9 N,  U covers 96 %    rms 6.3 N,  U covers 93 %
//	air step, barometer             rms 0.36 %, U covers 98 %    rms 0.89 %, U covers  0 %
//
// (From the runs alone a zero or air step reached no such probability there.) So a
// pull is computed anew by this one.
type Size struct {
	Fault fleet.Fault // gain, zero, inertia, parasitic or air
	Value float64     // ratio; N at the roller; kg; N at the roller; ratio
	U     float64     // expanded
	From  Source
}

// Source says where a size comes from.
type Source uint8

// The sources of a size.
const (
	// FromChecks: by the checks around it. It is the whole error of the value in
	// force, whose own uncertainty it replaces.
	FromChecks Source = 1 + iota
	// FromRuns: by the runs around it. It is the change since the cell was last
	// known good.
	FromRuns
	// FromFlag: no run is near; the size of the flag's cause as a whole.
	FromFlag
)

// String returns the source's name.
func (s Source) String() string {
	switch s {
	case FromChecks:
		return "checks"
	case FromRuns:
		return "runs"
	case FromFlag:
		return "flag"
	}
	return ""
}

// Unit returns the unit of the sizes of a fault; empty: it has none.
func Unit(f fleet.Fault) string {
	switch f {
	case fleet.FaultGain, fleet.FaultAir:
		return "ratio"
	case fleet.FaultZero, fleet.FaultParasitic:
		return flag.AtRoller
	case fleet.FaultInertia:
		return "kg"
	}
	return ""
}

// certain is the probability from which the leading cause alone says what it
// did to a pull; below it all causes do, each by its probability.
const certain = 0.9

// near is how far in time from a pull a run may lie that says how its cell read
// then ("common practice, no source": four weekly runs).
const near = 4 * drift.Week

// Effects returns the pulls of the flag's cell from the moment it was last
// known good until the flag closed (or for ever while it is open), each with
// its effect at its own time, by time, then id. Where the cell was never known
// good, all pulls before count. A flag on a reference car touches none, nor does
// one on a cell whose cause is the reference car with P ≥ 0.95.
//
// The size of the error at the pull's time comes, where the cause is a
// load-cell gain or zero with P ≥ 0.9, from the checks as found around it:
// between two, at the part f of the time from one to the other,
//
//	x = (1 − f)·x₁ + f·x₂,   u² = (1 − f)²·u₁² + f²·u₂² + f·(1 − f)·d²
//
// d² is what a change at one unknown moment between the two adds (a step that
// has come by then with probability f); d is by how much the change between
// them differs from the changes in the intervals before and after (at least half
// as long), the lesser of the two, less what the checks' own u gives: nought for
// a steady growth. After the last check x is the last one's, and growth at the
// rate before it, over at least as long a time, is as likely as none
// (rectangular); where no check lies that far back, the checks cannot say.
//
// Else it comes from the runs: z, the mean of the offsets of the two runs before
// and the two after within four weeks and not across a restart of the cell,
// less what the cell showed before the change (flag.Flag.Before), with
//
//	u² = u²(mean) + d²/12 + u²(before)
//
// d the difference between after and before beyond its own u.
// Where the cell was never good, z is its whole offset from the fleet. Where no
// run is near, the flag's size is all that is known.
//
// A size x of a fault shows on the pull as e = exp(s·x) − 1 with s the signature
// refrun gives reference pulls, at peak power: brake force over tractive force
// for a load-cell gain, 1/F for its zero, a/F for the base inertia value, −1/F
// for parasitic loss, 1 for the air sensor on corrected power and 0 on
// uncorrected. z is a size times the runs' own mean signature. Where what the
// fault acts on is not known of the pull, or the cause is something else, e =
// exp(z) − 1; where it is the reference car or nothing, e = 0. With no cause at
// P ≥ 0.9, e is the mean over the causes and u holds the spread between them.
func Effects(f flag.Flag, pulls []Pull, known Evidence) []Effect {
	if f.Cell == "" {
		return nil
	}
	if c := leading(f); c != nil && c.Fault == fleet.FaultReferenceCar && c.Probability >= 0.95 {
		return nil
	}
	h := sort(f, known)
	var out []Effect
	for _, p := range pulls {
		if p.Cell != f.Cell || p.At.Before(f.LastGoodAt) || (!f.Open && p.At.After(f.ClosedAt)) {
			continue
		}
		e, u := h.effect(p)
		out = append(out, Effect{Pull: p.ID, At: p.At, CustomerCar: p.CustomerCar, Effect: e, U: 2 * u, Size: h.size(p.At)})
	}
	slices.SortFunc(out, func(a, b Effect) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return strings.Compare(string(a.Pull), string(b.Pull))
	})
	return out
}

// leading returns the flag's most probable cause, nil when it has none.
func leading(f flag.Flag) *flag.Cause {
	var top *flag.Cause
	for i := range f.Causes {
		if c := &f.Causes[i]; top == nil || c.Probability > top.Probability {
			top = c
		}
	}
	return top
}

// observed is a value with its standard uncertainty at a time.
type observed struct {
	at   time.Time
	x, u float64
	// signature of the run that gave it.
	s map[fleet.Fault]float64
}

// history is Evidence in the order of time.
type history struct {
	flag     flag.Flag
	arm      float64 // N at the roller of 1 N at the lever arm
	runs     []observed
	restarts []time.Time
	checks   map[fleet.Fault][]observed // ratio; N at the roller
	adjusted map[fleet.Fault][]time.Time
	base, ub float64
}

// sort takes what is the flag's cell's and puts it in order.
func sort(f flag.Flag, known Evidence) *history {
	h := &history{flag: f, arm: 1, checks: map[fleet.Fault][]observed{}, adjusted: map[fleet.Fault][]time.Time{}}
	if c := known.Cell; c.RollerRadius > 0 && c.LeverArm > 0 && c.BrakeRatio > 0 {
		h.arm = c.LeverArm * c.BrakeRatio / c.RollerRadius
	}
	for i := range known.Steps {
		st := &known.Steps[i]
		if st.Cell != f.Cell {
			continue
		}
		if st.Judged && st.UDayOffset > 0 {
			h.runs = append(h.runs, observed{st.At, st.DayOffset, st.UDayOffset / 2, st.Signature})
		}
	}
	for _, r := range known.Restarts {
		if r.Cell == f.Cell && r.Adjusted {
			h.restarts = append(h.restarts, r.At)
		}
	}
	for i := range known.Checks {
		c := &known.Checks[i]
		r := &c.Result
		if c.Check.Cell != f.Cell || !flag.SeesZero(c.Check.Kind) || r.Verdict == fleet.VerdictUnusable {
			continue
		}
		weights := flag.SeesGain(c.Check.Kind)
		// As found comes before as left, if both bear one time.
		at := c.Check.PerformedAt.Add(-1)
		if c.Check.State == fleet.AsLeft {
			at = c.Check.From()
			// What the check measured belongs to the time after the work.
			if weights {
				h.adjusted[fleet.FaultGain] = append(h.adjusted[fleet.FaultGain], at)
			}
			h.adjusted[fleet.FaultZero] = append(h.adjusted[fleet.FaultZero], at)
		}
		if weights && r.GainValid && r.UGainError > 0 {
			h.checks[fleet.FaultGain] = append(h.checks[fleet.FaultGain], observed{at: at, x: r.GainError, u: r.UGainError / 2})
		}
		if r.ZeroValid && r.UZeroError > 0 {
			h.checks[fleet.FaultZero] = append(h.checks[fleet.FaultZero],
				observed{at: at, x: r.ZeroError * h.arm, u: r.UZeroError * h.arm / 2})
		}
	}
	byTime := func(a, b observed) int {
		if c := a.at.Compare(b.at); c != 0 {
			return c
		}
		switch { // so that the order given does not matter
		case a.x < b.x:
			return -1
		case a.x > b.x:
			return 1
		}
		return 0
	}
	slices.SortStableFunc(h.runs, byTime)
	for _, k := range [...]fleet.Fault{fleet.FaultGain, fleet.FaultZero} {
		slices.SortStableFunc(h.checks[k], byTime)
	}
	if !f.LastGoodAt.IsZero() {
		h.base, h.ub = f.Before, f.UBefore/2
		t := known.Cell.Tolerance
		if t > 0 && math.Abs(f.Before) > t && math.Abs(f.Size-f.Before) < math.Abs(f.Before) {
			// It stood out of tolerance already, and most of its offset did:
			// all of it is the finding.
			h.base, h.ub = 0, 0
		}
	}
	return h
}

// across says that one of the moments lies between two times. What is at such a
// moment itself belongs to the time after it.
func across(moments []time.Time, a, b time.Time) bool {
	if b.Before(a) {
		a, b = b, a
	}
	return slices.ContainsFunc(moments, func(m time.Time) bool { return m.After(a) && !m.After(b) })
}

// effect returns the effect on a pull, standard uncertainty.
func (h *history) effect(p Pull) (e, u float64) {
	top := leading(h.flag)
	if top != nil && top.Probability >= certain {
		if top.Fault == fleet.FaultGain || top.Fault == fleet.FaultZero {
			if s, ok := signature(top.Fault, p); ok {
				if x, ux, ok := checked(h.checks[top.Fault], h.adjusted[top.Fault], p.At); ok {
					e = math.Expm1(s * x)
					return e, (1 + e) * math.Abs(s) * ux
				}
			}
		}
		return h.byRuns(top, p)
	}
	// Σ P·e over the causes; u² is the mean of theirs and the spread between.
	sum, rest := 0.0, 1.0
	var parts [][3]float64
	for i := range h.flag.Causes {
		c := &h.flag.Causes[i]
		ec, uc := h.byRuns(c, p)
		parts = append(parts, [3]float64{c.Probability, ec, uc})
		rest -= c.Probability
	}
	if rest > 1e-9 {
		ec, uc := h.byRuns(nil, p)
		parts = append(parts, [3]float64{rest, ec, uc})
	}
	for _, q := range parts {
		sum += q[0]
		e += q[0] * q[1]
	}
	e /= sum
	v := 0.0
	for _, q := range parts {
		v += q[0] / sum * (q[2]*q[2] + (q[1]-e)*(q[1]-e))
	}
	return e, math.Sqrt(v)
}

// size returns the size of the leading cause at a time, nil where none is certain
// or it has no size.
func (h *history) size(at time.Time) *Size {
	top := leading(h.flag)
	if top == nil || top.Probability < certain || Unit(top.Fault) == "" {
		return nil
	}
	if top.Fault == fleet.FaultGain || top.Fault == fleet.FaultZero {
		if x, u, ok := checked(h.checks[top.Fault], h.adjusted[top.Fault], at); ok {
			return &Size{top.Fault, x, 2 * u, FromChecks}
		}
	}
	z, u, s, ok := h.read(at, top)
	if !ok {
		x, ux := h.whole(top)
		return &Size{top.Fault, x, 2 * ux, FromFlag}
	}
	if top.Fault == fleet.FaultAir {
		s = 1
	}
	if s == 0 {
		return nil
	}
	return &Size{top.Fault, z / s, 2 * u / math.Abs(s), FromRuns}
}

// whole returns a cause's size as the flag has it, a force at the roller, and its
// standard uncertainty.
func (h *history) whole(c *flag.Cause) (x, u float64) {
	x, u = c.Size, c.U/2
	if c.Unit == flag.AtArm {
		x, u = x*h.arm, u*h.arm
	}
	return x, u
}

// byRuns returns the effect on a pull as the runs give it if c is the cause;
// nil: not known what is.
func (h *history) byRuns(c *flag.Cause, p Pull) (e, u float64) {
	s, known := 0.0, false
	if c != nil {
		switch c.Fault {
		case fleet.FaultReferenceCar, fleet.FaultNone:
			return 0, 0
		}
		s, known = signature(c.Fault, p)
	}
	z, uz, sr, ok := h.read(p.At, c)
	switch {
	case known && c.Fault == fleet.FaultAir && s == 0:
		return 0, 0
	case !ok && known:
		// No run near: the flag's cause as a whole.
		x, ux := h.whole(c)
		z, uz = s*x, math.Abs(s)*ux
	case !ok:
		z, uz = h.flag.Size, h.flag.U/2
	case known && c.Fault != fleet.FaultAir && sr != 0:
		z, uz = z*s/sr, uz*math.Abs(s/sr)
	}
	e = math.Expm1(z)
	return e, (1 + e) * uz
}

// read returns the cell's offset near a time as its runs show it, less what was
// before, its standard uncertainty, and the runs' mean signature of the cause.
func (h *history) read(at time.Time, c *flag.Cause) (z, u, s float64, ok bool) {
	var before, after []observed
	for _, r := range h.runs {
		if r.at.Sub(at).Abs() > near || across(h.restarts, r.at, at) {
			continue
		}
		if r.at.After(at) {
			after = append(after, r)
		} else {
			before = append(before, r)
		}
	}
	const each = 2
	earlier := before[:max(0, len(before)-each)]
	before, after = before[len(earlier):], after[:min(each, len(after))]
	later := after
	if len(earlier) > each {
		earlier = earlier[len(earlier)-each:]
	}
	spread := 0.0
	switch {
	case len(before)+len(after) == 0:
		return 0, 0, 0, false
	case len(after) == 0:
		// The newest: how it went on is not known but by how it went.
		if len(earlier) > 0 {
			d := beyond(earlier, before)
			_, _, then := mean(earlier)
			_, _, now := mean(before)
			spread = d * d / 3 * math.Pow(float64(at.Sub(now))/float64(now.Sub(then)), 2)
		}
	case len(before) == 0:
		// The oldest: as it was from then on.
	default:
		d := beyond(before, later)
		spread = d * d / 12
	}
	all := slices.Concat(before, after)
	x, v, _ := mean(all)
	switch {
	case len(before) > 0 && len(after) > 0:
		// The middle between before and after, however many runs either has.
		xb, vb, _ := mean(before)
		xa, va, _ := mean(after)
		x, v = (xb+xa)/2, (vb+va)/4
	}
	if c != nil {
		for _, r := range all {
			s += r.s[c.Fault] / float64(len(all))
		}
	}
	return x - h.base, math.Sqrt(v + spread + h.ub*h.ub), s, true
}

// mean returns the mean of values, its variance, and their mean time.
func mean(o []observed) (x, v float64, at time.Time) {
	n := float64(len(o))
	var since time.Duration
	for _, r := range o {
		x += r.x / n
		v += r.u * r.u / (n * n)
		since += r.at.Sub(o[0].at) / time.Duration(len(o))
	}
	return x, v, o[0].at.Add(since)
}

// beyond is the difference between two means less what their own uncertainty
// gives, not below nought.
func beyond(a, b []observed) float64 {
	xa, va, _ := mean(a)
	xb, vb, _ := mean(b)
	return math.Sqrt(math.Max(0, (xb-xa)*(xb-xa)-va-vb))
}

// checked returns the size of an error at a time from the checks around it and
// its standard uncertainty; ok is false where no two hold it.
func checked(all []observed, adjusted []time.Time, at time.Time) (x, u float64, ok bool) {
	// The checks of the calibration in force then.
	var c []observed
	for _, o := range all {
		if !across(adjusted, o.at, at) {
			c = append(c, o)
		}
	}
	k := len(c) // c[k-1] is the last up to at
	for k > 0 && c[k-1].at.After(at) {
		k--
	}
	if k == 0 || len(c) < 2 {
		return 0, 0, false
	}
	if k == len(c) {
		// How it went over at least as long a time before the last check.
		last := c[k-1]
		past := at.Sub(last.at)
		for i := k - 2; i >= 0; i-- {
			if span := last.at.Sub(c[i].at); span >= past && span > 0 {
				d := last.x - c[i].x
				d2 := math.Max(0, d*d-last.u*last.u-c[i].u*c[i].u)
				part := float64(past) / float64(span)
				return last.x, math.Sqrt(last.u*last.u + d2*part*part/3), true
			}
		}
		return 0, 0, false
	}
	a, b := c[k-1], c[k]
	length := b.at.Sub(a.at)
	if length <= 0 {
		return 0, 0, false
	}
	f := float64(at.Sub(a.at)) / float64(length)
	rise := b.x - a.x
	// How unlike its neighbours the change in this interval is, for its length.
	d2 := math.Inf(1)
	// unlike compares it with the interval from shared to the first check of
	// far that is at least half as long: two checks of one day tell no growth.
	unlike := func(shared, other observed, far []observed) {
		for _, o := range far {
			span := o.at.Sub(shared.at).Abs()
			if span < length/2 {
				continue
			}
			part := float64(length) / float64(span)
			// In the order of time, whichever side o lies on.
			d := rise - (shared.x-o.x)*float64(length)/float64(shared.at.Sub(o.at))
			// The check between the two intervals counts in both.
			own := (1+part)*(1+part)*shared.u*shared.u + part*part*o.u*o.u + other.u*other.u
			d2 = math.Min(d2, math.Max(0, d*d-own))
			return
		}
	}
	before := slices.Clone(c[:k-1])
	slices.Reverse(before)
	unlike(a, b, before)
	unlike(b, a, c[k+1:])
	if math.IsInf(d2, 1) {
		d2 = math.Max(0, rise*rise-a.u*a.u-b.u*b.u)
	}
	x = (1-f)*a.x + f*b.x
	return x, math.Sqrt((1-f)*(1-f)*a.u*a.u + f*f*b.u*b.u + f*(1-f)*d2), true
}

// signature returns ∂ln(stated power)/∂x of a fault for a pull, and whether what
// it acts on is known.
func signature(f fleet.Fault, p Pull) (float64, bool) {
	if f == fleet.FaultAir {
		if p.Corrected {
			return 1, true
		}
		return 0, true
	}
	if p.TractiveForce == nil || !(*p.TractiveForce > 0) {
		return 0, false
	}
	force := *p.TractiveForce
	switch f {
	case fleet.FaultGain:
		if p.BrakeForce != nil {
			return *p.BrakeForce / force, true
		}
	case fleet.FaultZero:
		return 1 / force, true
	case fleet.FaultInertia:
		if p.Acceleration != nil {
			return *p.Acceleration / force, true
		}
	case fleet.FaultParasitic:
		return -1 / force, true
	}
	return 0, false
}
