package flag

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mat"

	"rollcall/services/compute/drift"
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
	ServiceCar      = "service the car or start a new epoch for it; let another car visit"
	known           = 0.95 // probability from which a cause counts as known
	decisiveResults = 3.0  // standard deviations from nought of a check that needs no repeat
)

// bands is the number of pieces the band is averaged in: enough to tell the
// shapes of the faults apart, few enough to keep the algebra small.
const bands = 4

// judged is the answer of causes.
type judged struct {
	causes []Cause
	next   string
}

// element is one number of the evidence.
type element struct {
	value float64
	// s is ∂value/∂x for each cell fault.
	s map[fleet.Fault]float64
	// curve: which car, sweep (0 slow, 1 fast), piece of the band.
	car         fleet.CarID
	sweep, band int
	curve       bool
	others      bool // what the car did on other cells
}

// curveMean is a mean of residual curves.
type curveMean struct {
	runs, pulls int
	mean        [bands]float64
	s           map[fleet.Fault]*[bands]float64
	points      float64 // band points in one piece
}

func (c *curveMean) add(r *drift.Residual) {
	c.runs++
	c.pulls += r.Pulls
	k := len(r.Mean)
	c.points = math.Max(1, float64(k)/bands)
	for _, f := range cellFaults {
		if c.s[f] == nil {
			c.s[f] = &[bands]float64{}
		}
		addPieces(c.s[f], r.Signature[f])
	}
	addPieces(&c.mean, r.Mean)
}

// addPieces adds the mean of each piece of the band to dst.
func addPieces(dst *[bands]float64, x []float64) {
	var sum, n [bands]float64
	for k, v := range x {
		b := k * bands / len(x)
		sum[b] += v
		n[b]++
	}
	for b := range dst {
		if n[b] > 0 {
			dst[b] += sum[b] / n[b]
		}
	}
}

// cellFaults are the faults with a signature.
var cellFaults = [...]fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir}

// causes returns the probability of every fault behind an open flag, from what
// was seen until a time, and the check to do next.
//
// The evidence E is stacked of the cell's mean residual curve (y less the car's
// curve) since the first evidence, less the mean of the runs before it in the
// same epoch, by car, at slow and fast ramps, over four pieces of the band; of
// the mean deviation the same cars showed on other cells meanwhile; and of the
// direct observations: gain, zero and base-inertia error of the checks as found,
// what the empty rollers' coast-downs and the barometers said. A single fault f of size
// x ~ N(0, τ_f²) shows as E = S_f·x + noise with covariance Σ, so that
//
//	log p(E | f) = log N(E; 0, Σ) − ½·log(1 + τ²a) + ½·τ²b²/(1 + τ²a)
//	a = S'Σ⁻¹S,  b = S'Σ⁻¹E;   x | E, f ~ N(τ²b/(1 + τ²a), τ²/(1 + τ²a))
//
// times 2·(w·P(x > 0) + (1 − w)·P(x < 0)) where the prior holds the size
// positive with probability w. A change that fits none of the faults is a
// smooth curve at random, the same for all cars and not seen by any direct
// observation. Posterior ∝ prior · p(E | f).
func (d *decider) causes(f *Flag, cell fleet.Cell, until time.Time, failed map[fleet.CheckKind]string) judged {
	ev := d.gather(f, cell, until)
	n := len(ev.e)
	if n == 0 {
		return judged{}
	}
	sigma := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			sigma.SetSym(i, j, ev.cov(i, j, d.s))
		}
	}
	e := mat.NewVecDense(n, nil)
	for i, x := range ev.e {
		e.SetVec(i, x.value)
	}
	var chol mat.Cholesky
	if !chol.Factorize(sigma) {
		// Cannot be: every element has noise of its own.
		return judged{}
	}
	var se mat.VecDense
	if err := chol.SolveVecTo(&se, e); err != nil {
		return judged{}
	}
	base := -0.5 * (chol.LogDet() + mat.Dot(e, &se))

	type candidate struct {
		cause Cause
		log   float64
	}
	var all []candidate
	single := func(p FaultPrior, share float64, car fleet.CarID, s *mat.VecDense) {
		var ss mat.VecDense
		if err := chol.SolveVecTo(&ss, s); err != nil {
			return
		}
		a, b := mat.Dot(s, &ss), mat.Dot(e, &ss)
		t2 := p.SD * p.SD
		x, v := t2*b/(1+t2*a), t2/(1+t2*a)
		up := 0.5 * math.Erfc(-x/math.Sqrt(v)/math.Sqrt2)
		l := base - 0.5*math.Log1p(t2*a) + 0.5*t2*b*b/(1+t2*a) +
			math.Log(2*(p.Positive*up+(1-p.Positive)*(1-up))) + math.Log(p.Probability*share)
		all = append(all, candidate{Cause{Fault: p.Fault, Size: x, U: 2 * math.Sqrt(v), Unit: unit(p.Fault), Car: car}, l})
	}
	for _, p := range d.s.Faults {
		if !(p.Probability > 0) {
			continue
		}
		switch p.Fault {
		case fleet.FaultNone:
			all = append(all, candidate{Cause{Fault: p.Fault}, base + math.Log(p.Probability)})
		case fleet.FaultOther:
			if l, size, u, ok := ev.other(sigma, e, p.SD); ok {
				all = append(all, candidate{Cause{Fault: p.Fault, Size: size, U: u, Unit: "ratio"}, l + math.Log(p.Probability)})
			}
		case fleet.FaultReferenceCar:
			for _, car := range ev.cars {
				s := mat.NewVecDense(n, nil)
				for i, x := range ev.e {
					if (x.curve || x.others) && x.car == car {
						s.SetVec(i, 1)
					}
				}
				single(p, 1/float64(len(ev.cars)), car, s)
			}
		default:
			s := mat.NewVecDense(n, nil)
			for i, x := range ev.e {
				s.SetVec(i, x.s[p.Fault])
			}
			single(p, 1, "", s)
		}
	}
	if len(all) == 0 {
		return judged{}
	}
	top := math.Inf(-1)
	for _, c := range all {
		top = math.Max(top, c.log)
	}
	sum := 0.0
	for _, c := range all {
		sum += math.Exp(c.log - top)
	}
	// The reference cars count together; the likeliest is named.
	var out judged
	for _, c := range all {
		c.cause.Probability = math.Exp(c.log-top) / sum
		k := slices.IndexFunc(out.causes, func(o Cause) bool { return o.Fault == c.cause.Fault })
		if k < 0 {
			out.causes = append(out.causes, c.cause)
			continue
		}
		o := out.causes[k]
		if c.cause.Probability > o.Probability {
			o, c.cause = c.cause, o
		}
		o.Probability += c.cause.Probability
		out.causes[k] = o
	}
	slices.SortStableFunc(out.causes, func(a, b Cause) int {
		switch {
		case a.Probability > b.Probability:
			return -1
		case a.Probability < b.Probability:
			return 1
		}
		return int(a.Fault) - int(b.Fault)
	})
	if top := out.causes[0]; top.Probability >= known {
		if out.next = direct(top.Fault); ev.seen(top.Fault, failed) {
			out.next = mend(top.Fault)
		}
	}
	if out.next == "" && len(out.causes) >= 2 {
		out.next = ev.next(out.causes[0], out.causes[1], cell, failed, d.s)
	}
	if arm, ok := armToRoller(cell); ok {
		for i := range out.causes {
			if c := &out.causes[i]; c.Fault == fleet.FaultZero {
				c.Size, c.U, c.Unit = c.Size/arm, c.U/arm, AtArm
			}
		}
	}
	return out
}

// seen says that a fault needs no further check: one that sees it directly has
// failed or is decisive, or there is none but the runs.
func (ev *evidence) seen(f fleet.Fault, failed map[fleet.CheckKind]string) bool {
	switch f {
	case fleet.FaultGain:
		return ev.decisive[f] || slices.ContainsFunc(gainKinds, func(k fleet.CheckKind) bool { return failed[k] != "" })
	case fleet.FaultZero:
		return ev.decisive[f] || slices.ContainsFunc(zeroKinds, func(k fleet.CheckKind) bool { return failed[k] != "" })
	case fleet.FaultParasitic, fleet.FaultAir:
		return ev.decisive[f]
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

// evidence is E with what its covariance needs.
type evidence struct {
	e    []element
	cars []fleet.CarID // of the runs since the first evidence
	// runs and pulls behind the curves, after and before.
	after  map[fleet.CarID][2]curveMean
	before [2]curveMean
	// based says that a mean from before was taken off.
	based     bool
	session   float64 // variances of drift, at the last step
	pull      float64
	cell      float64
	direct    []float64 // variance of each direct observation, by element; else 0
	otherRuns map[fleet.CarID]int
	// signature of the newest curve, band mean, for choosing the next check.
	gain, inertia float64
	uGain, uZero  float64 // standard, of a check to come; 0: not known
	uCoast, uAir  float64
	// decisive are the faults a direct observation has shown.
	decisive map[fleet.Fault]bool
}

// gather makes the evidence.
func (d *decider) gather(f *Flag, cell fleet.Cell, until time.Time) *evidence {
	ev := &evidence{after: map[fleet.CarID][2]curveMean{}, otherRuns: map[fleet.CarID]int{}, decisive: map[fleet.Fault]bool{}}
	var after, before []*drift.Step
	epochStart := time.Time{}
	for i := range d.steps {
		st := &d.steps[i]
		if st.Cell != f.Cell || st.At.After(until) {
			continue
		}
		if st.Restarted && st.At.After(epochStart) && !st.At.After(f.FirstEvidenceAt) {
			before, epochStart = nil, st.At
		}
		ev.session, ev.pull, ev.cell = st.Variances.Session, st.Variances.Pull, st.Variances.Cell
		if st.Slow == nil && st.Fast == nil {
			continue
		}
		if st.At.Before(f.FirstEvidenceAt) {
			before = append(before, st)
		} else {
			after = append(after, st)
		}
	}
	after, before = newest(after, d.s.MostRuns), newest(before, d.s.MostRuns)
	ev.based = len(before) >= 2
	if ev.based {
		for _, st := range before {
			for q, r := range [2]*drift.Residual{st.Slow, st.Fast} {
				if r != nil {
					ev.before[q].grow(r)
				}
			}
		}
		for q := range ev.before {
			ev.before[q].settle()
		}
	}
	for _, st := range after {
		m, ok := ev.after[st.Car]
		if !ok {
			ev.cars = append(ev.cars, st.Car)
		}
		for q, r := range [2]*drift.Residual{st.Slow, st.Fast} {
			if r != nil {
				m[q].grow(r)
			}
		}
		ev.after[st.Car] = m
	}
	slices.Sort(ev.cars)
	for _, car := range ev.cars {
		m := ev.after[car]
		for q := range m {
			m[q].settle()
			if m[q].runs == 0 || (ev.based && ev.before[q].runs == 0) {
				continue
			}
			for b := range bands {
				x := element{value: m[q].mean[b], s: map[fleet.Fault]float64{}, car: car, sweep: q, band: b, curve: true}
				if ev.based {
					x.value -= ev.before[q].mean[b]
				}
				for _, fault := range cellFaults {
					x.s[fault] = m[q].s[fault][b]
				}
				ev.gain, ev.inertia = x.s[fleet.FaultGain], x.s[fleet.FaultInertia]
				ev.put(x, 0)
			}
		}
		ev.after[car] = m
	}
	// What the same cars did on other cells meanwhile.
	if len(after) > 0 {
		from := after[0].At
		for _, car := range ev.cars {
			sum, n := 0.0, 0
			for i := range d.steps {
				st := &d.steps[i]
				if st.Car == car && st.Cell != f.Cell && st.Judged && !st.At.Before(from) && !st.At.After(until) {
					sum += st.Deviation
					n++
				}
			}
			if n > 0 {
				ev.otherRuns[car] = n
				ev.put(element{value: sum / float64(n), car: car, others: true}, (ev.session+ev.pull)/float64(n))
			}
		}
	}
	from := f.FirstEvidenceAt
	ev.observe(d, f.Cell, cell, epochStart, from, until)
	return ev
}

func newest[T any](x []T, n int) []T {
	if len(x) > n {
		return x[len(x)-n:]
	}
	return x
}

func (c *curveMean) grow(r *drift.Residual) {
	if c.s == nil {
		c.s = map[fleet.Fault]*[bands]float64{}
	}
	c.add(r)
}

// settle turns sums into means.
func (c *curveMean) settle() {
	if c.runs == 0 {
		return
	}
	n := float64(c.runs)
	for b := range c.mean {
		c.mean[b] /= n
		for _, f := range cellFaults {
			c.s[f][b] /= n
		}
	}
}

func (ev *evidence) put(x element, variance float64) {
	ev.e = append(ev.e, x)
	ev.direct = append(ev.direct, variance)
}

// observe adds the direct observations: gain, zero, parasitic loss, air, base
// inertia. Each
// is the mean since the first evidence, less the mean before it in the epoch
// where there is one: what was there before the change is not the change.
func (ev *evidence) observe(d *decider, id fleet.CellID, cell fleet.Cell, epoch, from, until time.Time) {
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
		if a.n+b.n > 0 {
			u := math.Sqrt((a.u2 + b.u2) / float64(a.n+b.n))
			switch k {
			case 0:
				ev.uGain = u
			case 1:
				ev.uZero = u
			case 2:
				ev.uCoast = u
			case 3:
				ev.uAir = u
			}
		}
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
		ev.decisive[fault] = math.Abs(value) > decisiveResults*math.Sqrt(variance)
		ev.put(element{value: value, s: map[fleet.Fault]float64{fault: 1}}, variance)
	}
}

// cov is Σ.
func (ev *evidence) cov(i, j int, s Settings) float64 {
	a, b := ev.e[i], ev.e[j]
	if !a.curve || !b.curve {
		v := 0.0
		if i == j {
			v = ev.direct[i]
		}
		// The car's level as the fleet knows it is shared by its curves and its
		// deviations elsewhere.
		if a.car != "" && a.car == b.car {
			v += s.CarCurveSD * s.CarCurveSD
		}
		return v
	}
	tilt := func(band int) float64 { return (float64(band)+0.5)/bands - 0.5 }
	tilts := s.TiltSD * s.TiltSD * tilt(a.band) * tilt(b.band)
	v := 0.0
	if a.car == b.car {
		m := ev.after[a.car]
		runs := float64(max(m[0].runs, m[1].runs))
		v += (ev.session+tilts)/runs + s.CarCurveSD*s.CarCurveSD
		if a.sweep == b.sweep {
			pulls := float64(m[a.sweep].pulls)
			v += ev.pull / pulls
			if a.band == b.band {
				v += s.PointSD * s.PointSD / (pulls * m[a.sweep].points)
			}
		}
	}
	if !ev.based {
		// Nothing from before: the cell's own sound offset is in every curve.
		return v + ev.cell
	}
	runs := float64(max(ev.before[0].runs, ev.before[1].runs))
	v += (ev.session + tilts) / runs
	if a.sweep == b.sweep {
		pulls := float64(ev.before[a.sweep].pulls)
		v += ev.pull / pulls
		if a.band == b.band {
			v += s.PointSD * s.PointSD / (pulls * ev.before[a.sweep].points)
		}
	}
	return v
}

// other returns the log likelihood of a change that fits none of the faults,
// and its mean over the curves.
func (ev *evidence) other(sigma *mat.SymDense, e *mat.VecDense, sd float64) (l, size, u float64, ok bool) {
	n := len(ev.e)
	// Half of the variance is a level, the other half bends over the band
	// within about a third of it, and answers to the ramp rate by half.
	const level, reach, sweeps = 0.5, 1.5, 0.5
	k := mat.NewSymDense(n, nil)
	total := mat.NewSymDense(n, nil)
	curves := 0.0
	for i, a := range ev.e {
		if a.curve {
			curves++
		}
		for j := i; j < n; j++ {
			b := ev.e[j]
			v := 0.0
			if a.curve && b.curve {
				d := float64(a.band-b.band) / reach
				bend := (1 - level) * math.Exp(-d*d/2)
				if a.sweep != b.sweep {
					bend *= sweeps
				}
				v = sd * sd * (level + bend)
			}
			k.SetSym(i, j, v)
			total.SetSym(i, j, sigma.At(i, j)+v)
		}
	}
	if curves == 0 {
		return 0, 0, 0, false
	}
	var chol mat.Cholesky
	if !chol.Factorize(total) {
		return 0, 0, 0, false
	}
	var se mat.VecDense
	if err := chol.SolveVecTo(&se, e); err != nil {
		return 0, 0, 0, false
	}
	l = -0.5 * (chol.LogDet() + mat.Dot(e, &se))
	// Mean of the curve: w'·K·(Σ+K)⁻¹·E, variance w'(K − K(Σ+K)⁻¹K)w.
	w := mat.NewVecDense(n, nil)
	for i, a := range ev.e {
		if a.curve {
			w.SetVec(i, 1/curves)
		}
	}
	var kw, sk mat.VecDense
	kw.MulVec(k, w)
	if err := chol.SolveVecTo(&sk, &kw); err != nil {
		return 0, 0, 0, false
	}
	size = mat.Dot(&kw, &se)
	u = 2 * math.Sqrt(math.Max(0, mat.Dot(w, &kw)-mat.Dot(&kw, &sk)))
	return l, size, u, true
}

// next returns the check with the largest expected discrimination between two
// causes per minute of work. What a check would show is normal under either,
// N(h·x, h²·v + u²) with h what the fault does to it, and the discrimination is
// the symmetric Kullback–Leibler divergence
//
//	J = ½·[(v₁/v₂ + v₂/v₁ − 2) + (m₁ − m₂)²·(1/v₁ + 1/v₂)]
//
// A check that has just failed or been decisive is not asked for again.
// Source: Kullback and Leibler, Ann. Math. Stat. 22, 1951 (from memory).
func (ev *evidence) next(a, b Cause, cell fleet.Cell, failed map[fleet.CheckKind]string, s Settings) string {
	or := func(u, typical float64) float64 {
		if u > 0 {
			return u
		}
		return typical
	}
	only := func(f fleet.Fault) func(Cause) float64 {
		return func(c Cause) float64 {
			if c.Fault == f {
				return 1
			}
			return 0
		}
	}
	j := func(h func(Cause) float64, u float64) float64 {
		ha, hb := h(a), h(b)
		ma, mb := ha*a.Size, hb*b.Size
		va, vb := ha*ha*a.U*a.U/4+u*u, hb*hb*b.U*b.U/4+u*u
		return 0.5 * ((va/vb + vb/va - 2) + (ma-mb)*(ma-mb)*(1/va+1/vb))
	}
	// A sweep of twice the ramp rate: the brake's share falls by what the base
	// inertia takes, an inertia error doubles, the rest stays.
	ramp := func(c Cause) float64 {
		switch c.Fault {
		case fleet.FaultGain:
			return -cell.BaseInertia * ev.inertia
		case fleet.FaultInertia:
			return ev.inertia
		}
		return 0
	}
	// Uncertainties of a check to come where none has been seen: common
	// practice, no source; ratio, N, N, ratio.
	gain := or(ev.uGain, 0.001)
	zero := or(ev.uZero, 2)
	coast := or(ev.uCoast, 2)
	air := or(ev.uAir, 0.001)
	// Three pulls on either side.
	sweep := math.Sqrt(2 * ev.pull / 3)
	car := math.Sqrt(ev.session + ev.pull/3)
	if !(sweep > 0) {
		sweep, car = 0.002, 0.005
	}
	options := []struct {
		name    string
		j       float64
		minutes float64
		done    bool
	}{
		{ZeroCheck, j(only(fleet.FaultZero), zero), s.Minutes.Zero, ev.seen(fleet.FaultZero, failed)},
		{Barometer, j(only(fleet.FaultAir), air), s.Minutes.Barometer, ev.seen(fleet.FaultAir, failed)},
		{CoastDowns, j(only(fleet.FaultParasitic), coast), s.Minutes.CoastDown, ev.seen(fleet.FaultParasitic, failed)},
		{DeadWeights, j(only(fleet.FaultGain), gain) + j(only(fleet.FaultZero), zero), s.Minutes.DeadWeights, ev.seen(fleet.FaultGain, failed)},
		{RampRate, j(ramp, sweep), s.Minutes.RampRate, false},
		{OtherCar, j(only(fleet.FaultReferenceCar), car), s.Minutes.OtherCar, false},
	}
	best, rate := "", 0.0
	for _, o := range options {
		if o.done {
			continue
		}
		if r := o.j / o.minutes; r > rate {
			best, rate = o.name, r
		}
	}
	if best == "" {
		// Nothing tells them apart by itself: another car sees the cell anew.
		return OtherCar
	}
	return best
}
