package fleetstate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/fleet"
)

// Suspect is what is held of a fault before a cell is looked at.
type Suspect struct {
	Fault       fleet.Fault
	Probability float64
	// SD is of a step, or of what a ramp adds up to in Span, in the fault's unit.
	SD float64
	// Positive is the probability that the size is positive.
	Positive float64
}

// Result is one figure that a check gives: for each fault what it shows per unit
// of the error, and its standard uncertainty.
type Result struct {
	Response map[fleet.Fault]float64
	U        float64
}

// Check is what could be done next.
type Check struct {
	Name    string
	Minutes float64 // of work
	Results []Result
}

// The names of the checks that can be asked for.
const (
	DeadWeights = "dead weights"
	ZeroCheck   = "zero check"
	CoastDowns  = "empty-roller coast-down"
	RampRate    = "reference run at another ramp rate"
	Barometer   = "barometer comparison"
	OtherCar    = "another reference car"
)

// CauseSettings rule Fit.Cause. Start from DefaultCauseSettings.
type CauseSettings struct {
	Suspects []Suspect
	Span     time.Duration // see Suspect.SD
	// Memory is how far back a change is looked for, at most.
	Memory time.Duration
	// RampShare is the probability that a change is a ramp rather than a step.
	RampShare float64
	// Tell is the expected log likelihood ratio from which two faults count as
	// told apart by what has been seen: log(20), one wrong in twenty.
	Tell float64
	// Checks are what can be done; the runs' own checks (RampRate, OtherCar) get
	// their results from the cell's and cars' own signatures.
	Checks []Check
}

// DefaultCauseSettings returns the settings Rollcall starts with. The figures
// are common practice, no source.
func DefaultCauseSettings() CauseSettings {
	one := func(f fleet.Fault, u float64) Result { return Result{map[fleet.Fault]float64{f: 1}, u} }
	return CauseSettings{
		Suspects: []Suspect{
			{fleet.FaultGain, 0.30, 0.015, 0.5},
			{fleet.FaultZero, 0.20, 20, 0.5},
			// A base inertia value is wrong only after work on the rollers.
			{fleet.FaultInertia, 0.03, 30, 0.5},
			// Bearings and belts drag more as they wear, seldom less.
			{fleet.FaultParasitic, 0.15, 20, 0.9},
			{fleet.FaultAir, 0.15, 0.01, 0.5},
			{fleet.FaultReferenceCar, 0.10, 0.01, 0.5},
			{fleet.FaultOther, 0.05, 0.01, 0.5},
			{fleet.FaultNone, 0.02, 0, 0.5},
		},
		Span: 26 * Week, Memory: 104 * Week, RampShare: 0.5, Tell: math.Log(20),
		Checks: []Check{
			{ZeroCheck, 3, []Result{one(fleet.FaultZero, 2)}},
			{Barometer, 5, []Result{one(fleet.FaultAir, 0.001)}},
			{CoastDowns, 5, []Result{one(fleet.FaultParasitic, 2)}},
			{RampRate, 10, nil},
			{DeadWeights, 15, []Result{one(fleet.FaultGain, 0.001), one(fleet.FaultZero, 2)}},
			{OtherCar, 60, nil}, // it has to be brought
		},
	}
}

// Cause is a possible fault behind a change of a cell.
type Cause struct {
	Fault       fleet.Fault
	Car         fleet.CarID // of a reference car's change, the likeliest
	Probability float64
	// Size is what the fault has come to by Fit.At if it is the cause, in its
	// unit; U expanded. Both 0 for none.
	Size, U float64
	// Ramp is the probability that it grows, given that it is the cause.
	Ramp float64
	// At is when it most likely began; within Earliest and Latest it did with
	// 95 %, given that it is the cause.
	At, Earliest, Latest time.Time
	// Told is the expected log likelihood ratio between the leading cause and
	// this one, if the leading one is true: how well what has been seen could
	// tell them apart at all. 0 for the leading one.
	Told float64
}

// Verdict is what stands behind a cell's change.
type Verdict struct {
	Cell   fleet.CellID
	Causes []Cause // most probable first
	// NotSeparable are the causes that the leading one cannot be told from by
	// what has been seen, and have not been ruled out by it either; Sentence says
	// so, and what would tell.
	NotSeparable []fleet.Fault
	Sentence     string
	// Next is the check with the largest expected information on the cause per
	// minute of work, Information that, in nats a minute; empty: none tells more.
	Next        string
	Information float64
	// Changed is the probability that anything changed.
	Changed float64
	// Before is the cell's offset from the consensus before the change, whenever
	// that was; U expanded.
	Before, UBefore float64
	// Onset is when the change most likely began, whatever it was; within
	// Earliest and Latest it did with 95 %.
	Onset, Earliest, Latest time.Time
}

// ErrShort says that a cell has too few runs since its last restart to say
// what changed.
var ErrShort = errors.New("fleetstate: fewer than three reference runs of the cell since its errors last restarted: what changed cannot be said yet")

// visit is, in weeks, what lies between two events of a cell at least if something
// may have changed between them: six hours. Checks and run of one visit are
// moments of one.
const visit = 0.25 / 7

// leastRuns is how many runs alone can show a change.
const leastRuns = 3

// hypothesis is one change: a fault that began at a moment.
type hypothesis struct {
	fault  int // in the state; −1: the car's level
	car    int
	k      int // event it begins with
	ramp   bool
	a, b   float64   // information on its size δ and the right side, x and g integrated out
	u      []float64 // L⁻¹·(coupling to x and g)
	prior  float64   // variance of δ
	log    float64   // log of prior probability × likelihood ratio
	weight float64   // posterior
	mean   float64   // of δ
	v      float64
	reach  float64 // what δ has come to at the end, per unit
	weeks  float64 // how long a car's change took
}

// stretch is a cell since its errors last restarted, held to be steady, with
// what the rest of the fleet says of its cars.
type stretch struct {
	f     *Fit
	c     int
	d, n  int
	at    time.Time // nothing of the cell after it is looked at
	from  int       // the event before the first that may hold a change; −1: none
	to    int       // the event after the last
	times []float64
	l     []float64 // Cholesky factor of the information of (x, g)
	y     []float64 // L⁻¹·right side
	mats  [][]float64
	rhs   [][]float64
	mean  []float64 // of (x, g)
	inv   []float64 // covariance of x alone, d × d
}

// eventInformation returns an event's information on (x, x) and (x, g of the cell)
// and the right side of x; that on g alone the filter adds to what it holds.
func (f *Fit) eventInformation(fl *filter, c int, e *event) (xx, xg, ex []float64) {
	clear(fl.xx)
	clear(fl.xg)
	clear(fl.ex)
	switch e.kind {
	case session:
		fl.addSession(&f.net.cells[c], e)
	case asFound, asLeft:
		fl.addObservation(e)
	}
	return fl.xx, fl.xg, fl.ex
}

// stretch gathers a cell's evidence. The rest of the fleet's information on the
// cell's unknowns g is that of all, Σ⁻¹, less the cell's own part S.
func (f *Fit) stretch(c int, at time.Time, memory time.Duration) (*stretch, error) {
	net := f.net
	t := &net.cells[c]
	d, n := net.d(), len(t.cols)
	size := d + n
	s := &stretch{f: f, c: c, d: d, n: n, at: at, from: -1}
	// Where the errors last restarted, or the memory ends.
	for i := range t.events {
		e := &t.events[i]
		if e.at.After(at) || (e.kind == restart && e.at.Equal(at)) {
			break // what restarts at the moment begins what comes after it
		}
		s.to = i + 1
		if e.kind == restart || at.Sub(e.at) > memory {
			s.from = i
		}
	}
	sessions, observations := 0, 0
	for i := s.from + 1; i < s.to; i++ {
		if t.events[i].kind == session {
			sessions++
		} else {
			observations++
		}
	}
	if sessions < leastRuns && observations == 0 {
		return nil, ErrShort
	}
	// S: what the cell says of g in the fleet's fit.
	fl := newFilter(net, &f.Variances)
	fl.run(t, nil)
	fl.close()
	own := make([]float64, n*n)
	ownRight := make([]float64, n)
	for i := range n {
		for j := i; j < n; j++ {
			own[i*n+j], own[j*n+i] = fl.gg[i*fl.cap+j], fl.gg[i*fl.cap+j]
		}
		ownRight[i] = fl.eg[i]
	}
	sigma := f.block(c)
	rest := make([]float64, n*n)
	if _, ok := invert(rest, sigma, n); !ok {
		return nil, errors.New("fleetstate: the covariance of the cell's cars is not positive definite")
	}
	g := f.local(c)
	right := make([]float64, size)
	m := make([]float64, size*size)
	for i := range n {
		right[d+i] = dot(rest[i*n:(i+1)*n], g) - ownRight[i]
		for j := range n {
			m[(d+i)*size+d+j] = rest[i*n+j] - own[i*n+j]
		}
	}
	// The cell up to where it is held steady, then event by event.
	fl = newFilter(net, &f.Variances)
	fl.reset(max(1, n))
	for i := range s.from + 1 {
		fl.take(t, &t.events[i], nil)
	}
	if s.from < 0 || (t.events[s.from].kind == restart && t.events[s.from].mask == 0) {
		for i := range d {
			if s.from >= 0 {
				fl.forget(i)
			}
			fl.begin(i)
		}
	}
	fl.flush()
	add := func(xx, xg, ex []float64) {
		for i := range d {
			right[i] += ex[i]
			for j := range d {
				m[i*size+j] += xx[i*d+j]
			}
			for j := range n {
				m[i*size+d+j] += xg[i*fl.cap+j]
				m[(d+j)*size+i] += xg[i*fl.cap+j]
			}
		}
	}
	addUnknowns := func(gg, eg []float64) {
		for i := range n {
			right[d+i] += eg[i]
			for j := i; j < n; j++ {
				x := gg[i*fl.cap+j]
				m[(d+i)*size+d+j] += x
				if j > i {
					m[(d+j)*size+d+i] += x
				}
			}
		}
	}
	add(fl.xx, fl.xg, fl.ex)
	addUnknowns(fl.gg, fl.eg)
	one := newFilter(net, &f.Variances)
	one.reset(max(1, n))
	for i := s.from + 1; i < s.to; i++ {
		e := &t.events[i]
		// What it says of g alone adds up in the filter.
		xx, xg, ex := f.eventInformation(one, c, e)
		add(xx, xg, ex)
		row := make([]float64, d*size)
		for a := range d {
			copy(row[a*size:a*size+d], xx[a*d:(a+1)*d])
			copy(row[a*size+d:(a+1)*size], xg[a*one.cap:a*one.cap+n])
		}
		s.mats = append(s.mats, row)
		s.rhs = append(s.rhs, slices.Clone(ex))
		s.times = append(s.times, e.week)
	}
	addUnknowns(one.gg, one.eg)
	if _, ok := cholesky(m, size); !ok {
		return nil, errors.New("fleetstate: what the rest of the fleet says of the cell's cars is not to be told from the cell: its visits are too few")
	}
	s.l = m
	s.y = slices.Clone(right)
	forward(s.l, size, s.y)
	s.mean = slices.Clone(s.y)
	backward(s.l, size, s.mean)
	s.inv = make([]float64, d*d)
	col := make([]float64, size)
	for i := range d {
		clear(col)
		col[i] = 1
		forward(s.l, size, col)
		backward(s.l, size, col)
		copy(s.inv[i*d:(i+1)*d], col[:d])
	}
	return s, nil
}

// hypotheses returns every change of fault f at every moment, as a step and as a
// ramp per week, with its information. With M_s an event's information on (x, g)
// and r_s = 1 (a step) or t_s − t_k (a ramp) from the moment k on, else 0, the
// change δ adds r_s·δ to x_f:
//
//	Λ_δδ = Σ r²·M_s[f,f],  Λ_δz = Σ r·M_s[f,:],  η_δ = Σ r·m_s[f]
func (s *stretch) hypotheses(fault int) []hypothesis {
	size := s.d + s.n
	var out []hypothesis
	// Sums over the events from k on of L⁻¹·M[f,:] and of it times their time.
	u0, u1 := make([]float64, size), make([]float64, size)
	row := make([]float64, size)
	var ff [3]float64
	var r [2]float64
	end := weekOf(s.at)
	events := s.f.net.cells[s.c].events
	for k := len(s.mats) - 1; k >= 0; k-- {
		t := s.times[k] - end
		copy(row, s.mats[k][fault*size:(fault+1)*size])
		own := row[fault]
		if own != 0 {
			forward(s.l, size, row)
			axpy(1, row, u0)
			axpy(t, row, u1)
			ff[0] += own
			ff[1] += t * own
			ff[2] += t * t * own
			r[0] += s.rhs[k][fault]
			r[1] += t * s.rhs[k][fault]
		}
		if k > 0 && s.times[k]-s.times[k-1] < visit {
			continue // one visit
		}
		for _, ramp := range []bool{false, true} {
			h := hypothesis{fault: fault, k: s.from + 1 + k, ramp: ramp, u: slices.Clone(u0), reach: 1}
			dd, right := ff[0], r[0]
			if ramp {
				if k == len(s.mats)-1 || h.k == 0 {
					continue
				}
				// It begins with the event before this one, where it is still 0.
				at := events[h.k-1].week - end
				h.reach = -at
				for i := range h.u {
					h.u[i] = u1[i] - at*u0[i]
				}
				dd = ff[2] - 2*at*ff[1] + at*at*ff[0]
				right = r[1] - at*r[0]
			}
			if !(dd > 0) {
				continue
			}
			h.a = math.Max(0, dd-dot(h.u, h.u))
			h.b = right - dot(h.u, s.y)
			out = append(out, h)
		}
	}
	return out
}

// judge turns a hypothesis' information into its likelihood ratio, with δ ~
// N(0, τ²):
//
//	log p(E | f)/p(E) = −½·log(1 + τ²a) + ½·τ²b²/(1 + τ²a)
//
// times 2·(w·P(δ > 0) + (1 − w)·P(δ < 0)), and δ | E ~ N(τ²b, τ²)/(1 + τ²a).
func (h *hypothesis) judge(t2, positive, logPrior float64) {
	h.prior = t2
	h.mean, h.v = t2*h.b/(1+t2*h.a), t2/(1+t2*h.a)
	up := 0.5 * math.Erfc(-h.mean/math.Sqrt(h.v)/math.Sqrt2)
	sign := 2 * (positive*up + (1-positive)*(1-up))
	h.log = logPrior - 0.5*math.Log1p(t2*h.a) + 0.5*t2*h.b*h.b/(1+t2*h.a) + math.Log(math.Max(sign, math.SmallestNonzeroFloat64))
}

// carHypotheses are changes of the cars' own levels, δ beyond what the walk gives T,
// the sum of the steps between two knots or, in a fade, from one on. From T's mean μ
// and variance s² given the data, when its variance was taken as θ', the data's own
// information is Λ = 1/s² − 1/θ', and with θ that of the walk alone
// a = Λ/(1 + Λθ), b = (μ/s²)/(1 + Λθ). All cells that the car visits speak in it. Of
// a fade, δ is what it comes to in the end.
func (s *stretch) carHypotheses() []hypothesis {
	f := s.f
	t := &f.net.cells[s.c]
	from := t.events[max(0, s.from)].week
	seen := map[int]bool{}
	for i := max(0, s.from); i < s.to; i++ {
		if t.events[i].kind == session {
			seen[t.events[i].car] = true
		}
	}
	var out []hypothesis
	for j := range f.net.cars {
		car := &f.net.cars[j]
		if !seen[j] || !(f.Variances.CarWalk > 0) {
			continue
		}
		last := len(car.knots) - 1
		for last >= 0 && car.weeks[last] > weekOf(s.at) {
			last--
		}
		for i := range last + 1 {
			if car.weeks[i+1] < from {
				continue
			}
			out = append(out, s.carHypothesis(j, i, i))
			if i < last {
				out = append(out, s.carHypothesis(j, i, last))
			}
		}
	}
	return out
}

func (s *stretch) carHypothesis(j, first, last int) hypothesis {
	f := s.f
	car := &f.net.cars[j]
	before, wide := -1, 0.0
	if first > 0 {
		before = car.knots[first-1]
	}
	mean, v := f.difference(car.knots[last], before)
	for i := first; i <= last; i++ {
		wide += car.step(&f.Variances, i)
	}
	weeks := car.weeks[last+1] - car.weeks[first]
	info, plain := math.Max(0, 1/v-1/wide), f.Variances.CarWalk*weeks
	return hypothesis{
		fault: -1, car: j, k: first, ramp: last > first, weeks: weeks, reach: 1,
		a: info / (1 + info*plain), b: mean / v / (1 + info*plain),
	}
}

// Cause returns what stands behind a cell's change since its errors last
// restarted: the probability of every fault, when it began, and what to do next.
//
// The cell is held steady but for one change: a step or a ramp of one error at
// one of its events, or of a car; every moment is as likely as another. The
// evidence of each is the likelihood of all the cell's runs and checks with the
// error's size, the cell's own errors and its cars' curves integrated out, the
// latter under what the rest of the fleet says of them.
//
// It returns ErrShort where there are too few runs and no check, and an error
// for a cell that is not known.
func (f *Fit) Cause(cell fleet.CellID, cs CauseSettings) (Verdict, error) {
	return f.CauseAt(cell, f.At, cs)
}

// CauseAt is Cause as the cell's own runs and checks up to a moment show it.
// What is known of its cars is still what the whole history says.
func (f *Fit) CauseAt(cell fleet.CellID, at time.Time, cs CauseSettings) (Verdict, error) {
	c, ok := f.cellPlace(cell)
	if !ok || len(f.net.cells[c].events) == 0 {
		return Verdict{}, fmt.Errorf("fleetstate: cell %q has neither runs nor checks", cell)
	}
	s, err := f.stretch(c, at, cs.Memory)
	if err != nil {
		return Verdict{}, err
	}
	all, none, _ := s.weighAll(cs)
	out := Verdict{Cell: cell, Changed: 1 - none}
	groups := map[fleet.Fault][]*hypothesis{}
	for i := range all {
		h := &all[i]
		groups[s.faultOf(h)] = append(groups[s.faultOf(h)], h)
	}
	best := map[fleet.Fault]*hypothesis{}
	for _, p := range cs.Suspects {
		if p.Fault == fleet.FaultNone {
			out.Causes = append(out.Causes, Cause{Fault: p.Fault, Probability: none})
			continue
		}
		hs := groups[p.Fault]
		if len(hs) == 0 {
			continue
		}
		cause := s.cause(hs)
		cause.Fault = p.Fault
		out.Causes = append(out.Causes, cause)
		top := hs[0]
		for _, h := range hs {
			if h.weight > top.weight {
				top = h
			}
		}
		best[p.Fault] = top
	}
	slices.SortStableFunc(out.Causes, func(a, b Cause) int {
		switch {
		case a.Probability > b.Probability:
			return -1
		case a.Probability < b.Probability:
			return 1
		}
		return int(a.Fault) - int(b.Fault)
	})
	if len(out.Causes) == 0 {
		return out, nil
	}
	var changes []*hypothesis
	for i := range all {
		if all[i].fault >= 0 {
			changes = append(changes, &all[i])
		}
	}
	if len(changes) > 0 {
		w := s.cause(changes)
		out.Onset, out.Earliest, out.Latest = w.At, w.Earliest, w.Latest
	}
	out.Before, out.UBefore = s.before(all, none)
	s.tell(&out, best, groups, cs)
	out.Next, out.Information = s.next(&out, best, cs)
	if len(out.NotSeparable) > 0 {
		out.Sentence = fmt.Sprintf("What has been seen of cell %s does not tell %v from %s.", cell, out.Causes[0].Fault, list(out.NotSeparable))
		if out.Next != "" {
			out.Sentence += fmt.Sprintf(" Next: %s.", out.Next)
		}
	}
	return out, nil
}

func list(faults []fleet.Fault) string {
	s := ""
	for i, f := range faults {
		switch {
		case i > 0 && i == len(faults)-1:
			s += " or "
		case i > 0:
			s += ", "
		}
		s += f.String()
	}
	return s
}

func (s *stretch) faultOf(h *hypothesis) fleet.Fault {
	if h.fault < 0 {
		return fleet.FaultReferenceCar
	}
	return s.f.net.s.Faults[h.fault].Fault
}

// weighAll returns all hypotheses with their posterior weights, and that of none with
// its logarithm, for it may be smaller than any number.
func (s *stretch) weighAll(cs CauseSettings) (all []hypothesis, none, logWeight float64) {
	span := cs.Span.Seconds() / Week.Seconds()
	logNone := math.Inf(-1)
	for _, p := range cs.Suspects {
		if !(p.Probability > 0) {
			continue
		}
		logP := math.Log(p.Probability)
		switch p.Fault {
		case fleet.FaultNone:
			logNone = logP
		case fleet.FaultReferenceCar:
			hs := s.carHypotheses()
			jumps := 0
			for i := range hs {
				if !hs[i].ramp {
					jumps++
				}
			}
			for i := range hs {
				sd, share := p.SD, (1-cs.RampShare)/float64(jumps)
				if hs[i].ramp {
					sd, share = sd*hs[i].weeks/span, cs.RampShare/float64(len(hs)-jumps)
				}
				hs[i].judge(sd*sd, p.Positive, logP+math.Log(share))
			}
			all = append(all, hs...)
		default:
			at := s.f.net.faultPlace(p.Fault)
			if at < 0 {
				continue
			}
			hs := s.hypotheses(at)
			steps := 0
			for i := range hs {
				if !hs[i].ramp {
					steps++
				}
			}
			for i := range hs {
				t2, share := p.SD*p.SD, (1-cs.RampShare)/float64(steps)
				if hs[i].ramp {
					t2, share = t2/(span*span), cs.RampShare/math.Max(1, float64(len(hs)-steps))
				}
				hs[i].judge(t2, p.Positive, logP+math.Log(share))
			}
			all = append(all, hs...)
		}
	}
	top := logNone
	for i := range all {
		top = math.Max(top, all[i].log)
	}
	sum := 0.0
	if !math.IsInf(logNone, -1) {
		none = math.Exp(logNone - top)
		sum = none
	}
	for i := range all {
		all[i].weight = math.Exp(all[i].log - top)
		sum += all[i].weight
	}
	for i := range all {
		all[i].weight /= sum
	}
	return all, none / sum, logNone - top - math.Log(sum)
}

// cause sums hypotheses of one fault up.
func (s *stretch) cause(hs []*hypothesis) Cause {
	var out Cause
	type moment struct {
		at time.Time
		w  float64
	}
	var moments []moment
	cars := map[int]float64{}
	m1, m2 := 0.0, 0.0
	for _, h := range hs {
		out.Probability += h.weight
		x := h.mean * h.reach
		m1 += h.weight * x
		m2 += h.weight * (x*x + h.v*h.reach*h.reach)
		if h.ramp {
			out.Ramp += h.weight
		}
		at := s.momentOf(h)
		moments = append(moments, moment{at, h.weight})
		if h.fault < 0 {
			cars[h.car] += h.weight
		}
	}
	if !(out.Probability > 0) {
		return out
	}
	out.Size = m1 / out.Probability
	out.U = expanded(m2/out.Probability - out.Size*out.Size)
	out.Ramp /= out.Probability
	slices.SortStableFunc(moments, func(a, b moment) int { return a.at.Compare(b.at) })
	merged := moments[:0]
	for _, m := range moments {
		if n := len(merged); n > 0 && merged[n-1].at.Equal(m.at) {
			merged[n-1].w += m.w
			continue
		}
		merged = append(merged, m)
	}
	sum, top := 0.0, -1.0
	for _, m := range merged {
		before := sum
		sum += m.w / out.Probability
		if m.w > top {
			top, out.At = m.w, m.at
		}
		if before <= 0.025 && sum > 0.025 {
			out.Earliest = m.at
		}
		if before < 0.975 && sum >= 0.975*(1-1e-12) {
			out.Latest = m.at
		}
	}
	if out.Latest.IsZero() {
		out.Latest = merged[len(merged)-1].at
	}
	first := -1
	for j, w := range cars {
		if first < 0 || w > cars[first] || (w == cars[first] && j < first) {
			first = j
		}
	}
	if first >= 0 {
		out.Car = s.f.net.cars[first].car
	}
	return out
}

func (s *stretch) momentOf(h *hypothesis) time.Time {
	if h.fault >= 0 {
		return s.f.net.cells[s.c].events[h.k].at
	}
	return timeOf(s.f.net.cars[h.car].weeks[h.k])
}

// before returns the offset before the change with its expanded uncertainty.
func (s *stretch) before(all []hypothesis, none float64) (offset, u float64) {
	w := s.f.cells[s.c].sig
	a := s.f.agree(s.f.At)
	mean, variance := -a.Value, a.variance
	for i := range s.d {
		mean += w[i] * s.mean[i]
		for j := range s.d {
			variance += w[i] * w[j] * s.inv[i*s.d+j]
		}
	}
	sum, first, second := none, none*mean, none*mean*mean
	z := make([]float64, s.d+s.n)
	for i := range all {
		h := &all[i]
		m, v := mean, 0.0
		if h.fault >= 0 {
			copy(z, h.u)
			backward(s.l, s.d+s.n, z)
			k := 0.0
			for j := range s.d {
				k -= w[j] * z[j]
			}
			m, v = m+h.mean*k, h.v*k*k
		}
		sum += h.weight
		first += h.weight * m
		second += h.weight * (m*m + v)
	}
	offset = first / sum
	return offset, expanded(variance + second/sum - offset*offset)
}

// tell works out how well what has been seen could tell the leading cause from
// each other: with the leading change of size δ true, the best that another can
// do to it takes ρ² = (Λ₁₂)²/(Λ₁₁·Λ₂₂) of its evidence away, so that the expected
// log likelihood ratio is ½·δ²·Λ₁₁·(1 − ρ²). Λ have x and g integrated out.
func (s *stretch) tell(out *Verdict, best map[fleet.Fault]*hypothesis, groups map[fleet.Fault][]*hypothesis, cs CauseSettings) {
	lead := best[out.Causes[0].Fault]
	if lead == nil {
		return
	}
	const ruledOut = 0.01
	for i := 1; i < len(out.Causes); i++ {
		c := &out.Causes[i]
		evidence := 0.5 * lead.mean * lead.mean * lead.a
		if c.Fault == fleet.FaultNone {
			c.Told = evidence
		} else {
			rho := 0.0
			if lead.fault >= 0 {
				for _, h := range groups[c.Fault] {
					if h.fault < 0 || !(h.a > 0) || !(lead.a > 0) {
						continue
					}
					x := s.cross(lead, h) - dot(lead.u, h.u)
					rho = math.Max(rho, math.Min(1, x*x/(lead.a*h.a)))
				}
			}
			c.Told = evidence * (1 - rho)
		}
		if c.Told < cs.Tell && c.Probability > ruledOut {
			out.NotSeparable = append(out.NotSeparable, c.Fault)
		}
	}
}

// cross is Σ r₁·r₂·M[f₁,f₂] of two changes.
func (s *stretch) cross(a, b *hypothesis) float64 {
	size := s.d + s.n
	events := s.f.net.cells[s.c].events
	r := func(h *hypothesis, i int) float64 {
		if i < h.k {
			return 0
		}
		if !h.ramp {
			return 1
		}
		return events[i].week - events[h.k-1].week
	}
	sum := 0.0
	for k, m := range s.mats {
		i := s.from + 1 + k
		sum += r(a, i) * r(b, i) * m[a.fault*size+b.fault]
	}
	return sum
}

// next returns the check with the largest expected information on the cause per
// minute. A result is normal under each cause; the information is the entropy of
// their mixture less their own mean entropy (mutual information, Shannon 1948).
// That of several results of one check is added up.
func (s *stretch) next(out *Verdict, best map[fleet.Fault]*hypothesis, cs CauseSettings) (string, float64) {
	sig := s.f.cells[s.c].sig
	name, rate := "", 0.0
	for _, check := range cs.Checks {
		results := check.Results
		if len(results) == 0 {
			r := Result{Response: map[fleet.Fault]float64{}}
			k := float64(len(s.f.net.modes[0]))
			v := &s.f.Variances
			switch check.Name {
			case OtherCar:
				for i, m := range s.f.net.s.Faults {
					r.Response[m.Fault] = sig[i]
				}
				r.U = math.Sqrt(v.Session + (v.Pull+v.Point/k)/4)
			case RampRate:
				// At twice the ramp rate the base inertia takes twice its share:
				// an error of it shows doubled, one of gain by as much less as
				// the brake holds less.
				for i, m := range s.f.net.s.Faults {
					switch m.Fault {
					case fleet.FaultInertia:
						r.Response[m.Fault] = sig[i]
					case fleet.FaultGain:
						r.Response[m.Fault] = -(1 - sig[i])
					}
				}
				r.U = math.Sqrt((v.Pull + v.Point/k) * 2 / 3)
			}
			results = []Result{r}
		}
		if !(check.Minutes > 0) {
			continue
		}
		info := 0.0
		for _, r := range results {
			if r.U > 0 {
				info += s.information(out, best, r)
			}
		}
		if x := info / check.Minutes; x > rate*(1+1e-12) {
			name, rate = check.Name, x
		}
	}
	const worth = 1e-4 // nats a minute: a hundredth of a nat for an hour and a half
	if rate < worth {
		return "", 0
	}
	return name, rate
}

// information is the mutual information between cause and result, nats.
func (s *stretch) information(out *Verdict, best map[fleet.Fault]*hypothesis, r Result) float64 {
	// The steady part of the errors: mean 0 taken off, variance as known.
	base := r.U * r.U
	for i, a := range s.f.net.s.Faults {
		for j, b := range s.f.net.s.Faults {
			base += r.Response[a.Fault] * r.Response[b.Fault] * s.inv[i*s.d+j]
		}
	}
	type normal struct{ p, m, v float64 }
	var parts []normal
	low, high := math.Inf(1), math.Inf(-1)
	entropy := 0.0
	for _, c := range out.Causes {
		n := normal{c.Probability, 0, base}
		if h := best[c.Fault]; h != nil {
			x := r.Response[c.Fault]
			n.m = x * c.Size
			n.v += x * x * c.U * c.U / 4
		}
		parts = append(parts, n)
		sd := math.Sqrt(n.v)
		low, high = math.Min(low, n.m-7*sd), math.Max(high, n.m+7*sd)
		entropy += n.p * 0.5 * (1 + log2Pi + math.Log(n.v))
	}
	const nodes = 600
	step := (high - low) / nodes
	mix := 0.0
	for i := range nodes {
		x := low + (float64(i)+0.5)*step
		p := 0.0
		for _, n := range parts {
			z := (x - n.m) * (x - n.m) / n.v
			p += n.p * math.Exp(-z/2) / math.Sqrt(2*math.Pi*n.v)
		}
		if p > 0 {
			mix -= p * math.Log(p) * step
		}
	}
	return math.Max(0, mix-entropy)
}

// backward solves L'·x = b in place.
func backward(l []float64, m int, b []float64) {
	for i := m - 1; i >= 0; i-- {
		b[i] /= l[i*m+i]
		axpy(-b[i], l[i*m:i*m+i], b[:i])
	}
}
