package score

import (
	"math"
	"time"

	"rollcall/deploy/verdicts/simulate"
)

// hold is how long after it was opened a flag's answers are read: the manager
// sees what four more weekly runs and one check with dead weights have said.
const hold = 4 * simulate.Week

// longest is how long a fault is waited for, weeks: one not found by then
// counts as found then, with both the system and the oracle.
const longest = 40.0

// settledWeek is from when a system knows its fleet.
const settledWeek = 26

// certain is the probability from which a cause is asserted.
const certain = 0.95

// exposure counts false flags.
type exposure struct {
	years              float64
	cusum, limit, test int // opened by the CUSUM, the tolerance, a check
}

func (e exposure) flags() int { return e.cusum + e.limit + e.test }

func (e *exposure) add(o exposure) {
	e.years += o.years
	e.cusum += o.cusum
	e.limit += o.limit
	e.test += o.test
}

func (e *exposure) count(f Flag) {
	switch {
	case f.ByCheck:
		e.test++
	case f.Tolerance:
		e.limit++
	default:
		e.cusum++
	}
}

// series is a cell's (or car's) deviations since it was new, for the oracle.
type series struct {
	z     []float64 // standard deviations, positive as the fault pushes
	at    []time.Time
	start int // the first with the fault
	begin time.Time
	// The fault's size at each value, standard deviations: of a step, or of a
	// ramp by value; the other is 0.
	shift, slope float64
	perYear      float64 // values a year
}

// delay returns how long the oracle takes with a rate of false flags a year,
// weeks.
func (s series) delay(rate float64) float64 {
	var o oracle
	if s.slope > 0 {
		o = oracleForRamp(s.slope, s.perYear/rate)
	} else {
		o = oracleForStep(s.shift, s.perYear/rate)
	}
	if i := o.find(s.z, s.start); i >= 0 {
		return math.Min(longest, weeks(s.at[i].Sub(s.begin)))
	}
	return longest
}

func weeks(d time.Duration) float64 { return float64(d) / float64(simulate.Week) }

// delay is how long a system took without calibration checks.
type delay struct {
	known bool // false: a flag was open before the fault began
	weeks float64
}

// cause is what a flag said of the cause.
type cause struct {
	given       Cause
	probability float64
	right       bool
}

// outcome is what one fleet says of a system.
type outcome struct {
	scenario string
	// false flags: of sound cells and cars where nothing is wrong, of the other
	// cells where something is.
	// settled is sound from settledWeek on.
	sound, settled, cars, beside exposure

	judged   bool // the fault can be waited for
	earlier  bool // a flag was open on it before the fault began
	found    bool
	byCheck  bool
	delay    float64 // weeks, to the flag
	runs     delay   // the same had there been no calibration checks
	oracle   series
	causes   []cause
	accused  count // flags of cells while a car is at fault: good ones assert no fault of the cell
	withheld count // cells not separable: no number is given
	given    count // cells separable: a number is given

	offsetAll, offsetSound, offsetSoon, offsetSettled, offsetRamp count
	size, flagSize, flagSizeRamp, began, beganRamp                count
	crossing                                                      count
	crossingStated                                                count
}

// judge puts a system to a fleet.
func judge(system System, f simulate.Fleet, s Scenario) (outcome, error) {
	history, truth := f.Invent()
	answer, err := system.Follow(history)
	if err != nil {
		return outcome{}, err
	}
	return assessBoth(answer, history, truth, s)
}

// assessBoth is assess, and how long the runs alone take.
func assessBoth(answer Following, h simulate.History, truth simulate.Answer, s Scenario) (outcome, error) {
	out := assess(answer, h, truth, s)
	if !out.judged {
		return out, nil
	}
	out.runs = delay{!out.earlier, out.delay}
	if s.Kind == simulate.Gain || s.Kind == simulate.Zero {
		// The checks see these. The oracle knows the runs alone, so the system
		// is asked for them alone too.
		blind, err := answer.ByRuns()
		if err != nil {
			return outcome{}, err
		}
		o := assess(blind, h, truth, s)
		out.runs = delay{!o.earlier, o.delay}
	}
	return out, nil
}

// assess compares what a system made of a history with the truth.
func assess(answer Following, h simulate.History, truth simulate.Answer, s Scenario) outcome {
	out := outcome{scenario: s.Name}
	f := truth.Fleet
	at := sessions(h, f.Weeks)
	end := simulate.Start.Add(time.Duration(f.Weeks) * simulate.Week)
	flags := answer.Flags(end)
	ofCell, ofCar := -1, -1
	switch s.Kind {
	case simulate.None:
	case simulate.TiredCar:
		ofCar = f.Fault.Car
	default:
		ofCell = f.Fault.Cell
	}
	began := end
	if ofCell >= 0 {
		began = simulate.Begin(ofCell, f.Fault.From)
	} else if ofCar >= 0 {
		began = simulate.Start.Add(time.Duration(f.Fault.From) * simulate.Week)
	}

	tolerance := func(c int, t time.Time) bool {
		w := min(max(0, int(t.Sub(simulate.Start)/simulate.Week)), f.Weeks-1)
		return math.Abs(truth.Offset[c][w]) > h.Cells[c].Tolerance
	}
	first := func(match func(Flag) bool) *Flag {
		for i := range flags {
			if match(flags[i]) {
				return &flags[i]
			}
		}
		return nil
	}
	for c := range simulate.Cells {
		g := first(func(x Flag) bool { return x.Cell == c })
		switch {
		case ofCell < 0 && ofCar < 0 && f.Plan != simulate.OneStays:
			out.sound.watch(g, simulate.Start, end, g != nil && tolerance(c, g.OpenedAt))
			if from := simulate.Start.Add(settledWeek * simulate.Week); g == nil || g.OpenedAt.After(from) {
				out.settled.watch(g, from, end, g != nil && tolerance(c, g.OpenedAt))
			}
		case c != ofCell && s.Plan == nil && s.Kind != simulate.None && (g == nil || g.OpenedAt.After(began)):
			out.beside.watch(g, began, end, g != nil && tolerance(c, g.OpenedAt))
		}
	}
	if s.Kind == simulate.None && f.Plan != simulate.OneStays {
		for j := range simulate.Cars {
			out.cars.watch(first(func(x Flag) bool { return x.Cell < 0 && x.Car == j }), simulate.Start, end, false)
		}
	}

	out.separability(answer, f)
	out.coverage(answer, h, truth, s, at, ofCell)
	if s.Kind == simulate.None {
		return out
	}
	if ofCar >= 0 {
		// Flags of cells while the car tires: none may assert a fault of the cell.
		for _, g := range flags {
			if g.Cell < 0 || g.ByCheck || !g.OpenedAt.After(began) || tolerance(g.Cell, g.OpenedAt) {
				continue
			}
			if k := then(answer, g); k != nil && len(k.Suspects) > 0 {
				top := k.Suspects[0]
				out.accused.add(top.Probability < certain || top.Cause == CauseCar || top.Cause == CauseNone)
			}
		}
	}
	if s.Plan != nil {
		return out
	}
	out.judged = true
	out.oracle = seriesOf(h, truth, ofCell, ofCar, began)
	found := first(func(x Flag) bool { return x.Cell == ofCell && (ofCell >= 0 || x.Car == ofCar) })
	if found != nil && found.OpenedAt.Before(began) {
		out.earlier = true
		return out
	}
	out.delay = longest
	if found != nil {
		if d := weeks(found.OpenedAt.Sub(began)); d <= longest {
			out.found, out.delay, out.byCheck = true, d, found.ByCheck
		}
	}
	if !out.found {
		return out
	}
	known := then(answer, *found)
	if known == nil || len(known.Suspects) == 0 {
		out.causes = append(out.causes, cause{given: CauseNone})
		return out
	}
	top := known.Suspects[0]
	// A tired car is told right where no cell is blamed for it.
	right := top.Cause == s.Right && out.accused.good == out.accused.n
	out.causes = append(out.causes, cause{top.Cause, top.Probability, right})
	ramp := f.Fault.PerWeek != 0
	if right && !ramp && s.Kind != simulate.Slip {
		out.size.add(top.Size.holds(sizeOf(f.Fault)))
	}
	if ofCell >= 0 {
		week := min(f.Weeks-1, int(known.UpdatedAt.Sub(simulate.Start)/simulate.Week))
		good := known.Size.holds(truth.Offset[ofCell][week])
		if ramp {
			out.flagSizeRamp.add(good)
		} else {
			out.flagSize.add(good)
		}
		if known.Began != nil {
			// The first that shows it is the first session with it, or the check
			// before that session.
			session := at[ofCell][f.Fault.From]
			if ramp {
				// A ramp is nought there.
				session = at[ofCell][f.Fault.From+1]
			}
			good := known.Began.holds(session) || known.Began.holds(session.Add(-time.Hour)) || known.Began.holds(session.Add(-40*time.Minute))
			if ramp {
				out.beganRamp.add(good)
			} else {
				out.began.add(good)
			}
		}
	}
	return out
}

// watch adds the time until a flag, and the flag unless it is right.
func (e *exposure) watch(g *Flag, from, to time.Time, right bool) {
	if g != nil {
		to = g.OpenedAt
		if !right {
			e.count(*g)
		}
	}
	e.years += weeks(to.Sub(from)) / 52
}

// then returns the flag as known a while after it was opened.
func then(answer Following, g Flag) *Flag {
	for _, x := range answer.Flags(g.OpenedAt.Add(hold)) {
		if x.Cell == g.Cell && x.Car == g.Car && x.OpenedAt.Equal(g.OpenedAt) {
			return &x
		}
	}
	return nil
}

// sessions returns when cell c is visited in week w.
func sessions(h simulate.History, n int) [simulate.Cells][]time.Time {
	var at [simulate.Cells][]time.Time
	for c := range at {
		at[c] = make([]time.Time, n)
	}
	for _, s := range h.Sessions {
		at[s.Cell][s.Week] = s.At
	}
	return at
}

// sizeOf is a fault's size as a Suspect has it.
func sizeOf(f simulate.Fault) float64 {
	if f.Kind == simulate.Barometer {
		a := simulate.Air{Pressure: 100500 - 125*float64(f.Cell), Temperature: 293.5, Humidity: 0.5}
		b := a
		b.Pressure -= f.Step
		return math.Log(b.Factor() / a.Factor())
	}
	return f.Step
}

// separability asks, by the last sessions, which cells get a number.
func (out *outcome) separability(answer Following, f simulate.Fleet) {
	last := map[int]Offset{}
	for _, o := range answer.Offsets() {
		last[o.Cell] = o
	}
	for c := range simulate.Cells {
		o, ok := last[c]
		if f.Plan.Separable(c) {
			out.given.add(ok && o.Known && !o.NotSeparable)
		} else {
			out.withheld.add(!ok || !o.Known || o.NotSeparable)
		}
	}
}

// The weeks at which offsets are read: of a sound cell, and of one with a fault
// since it began.
var (
	soundWeeks = []int{26, 52, 78, 103}
	soonWeeks  = []int{1, 2, 4, 6}
	laterWeeks = []int{12, 24, 36}
)

// coverage compares the offsets and forecasts stated with the truth.
func (out *outcome) coverage(answer Following, h simulate.History, truth simulate.Answer, s Scenario, at [simulate.Cells][]time.Time, ofCell int) {
	f := truth.Fleet
	type key struct{ c, w int }
	stated := map[key]Offset{}
	for _, o := range answer.Offsets() {
		if o.Known && !o.NotSeparable {
			stated[key{o.Cell, int(o.At.Sub(simulate.Start) / simulate.Week)}] = o
		}
	}
	take := func(to *count, c, w int) {
		if w >= f.Weeks {
			return
		}
		if o, ok := stated[key{c, w}]; ok {
			to.add(o.holds(truth.Offset[c][w]))
		}
	}
	for c := range simulate.Cells {
		for _, w := range soundWeeks {
			take(&out.offsetAll, c, w)
			if c != ofCell {
				take(&out.offsetSound, c, w)
			}
		}
	}
	if ofCell < 0 {
		return
	}
	soon, later := &out.offsetSoon, &out.offsetSettled
	if f.Fault.PerWeek != 0 {
		soon, later = &out.offsetRamp, &out.offsetRamp
	}
	for _, w := range soonWeeks {
		take(soon, ofCell, f.Fault.From+w)
	}
	for _, w := range laterWeeks {
		take(later, ofCell, f.Fault.From+w)
	}
	if f.Fault.PerWeek == 0 {
		return
	}
	crossed := -1
	for w := f.Fault.From; w < f.Weeks && crossed < 0; w++ {
		if math.Abs(truth.Offset[ofCell][w]) > h.Cells[ofCell].Tolerance {
			crossed = w
		}
	}
	for w := f.Fault.From; w < crossed; w++ {
		o, ok := stated[key{ofCell, w}]
		out.crossingStated.add(ok && o.Crossing != nil)
		if ok && o.Crossing != nil {
			out.crossing.add(o.Crossing.holds(at[ofCell][crossed]))
		}
	}
}

// seriesOf returns what the oracle is told: a cell's deviations, or a car's.
func seriesOf(h simulate.History, truth simulate.Answer, ofCell, ofCar int, began time.Time) series {
	s := series{start: -1, begin: began, perYear: 52}
	if ofCar >= 0 {
		s.perYear = 52 * simulate.Cells / simulate.Cars
	}
	var sum, n, st, tt float64
	for i, x := range h.Sessions {
		if (ofCell >= 0 && x.Cell != ofCell) || (ofCell < 0 && x.Car != ofCar) || math.IsNaN(truth.Deviation[i]) {
			continue
		}
		if s.start < 0 && x.Week >= truth.Fleet.Fault.From {
			s.start = len(s.z)
		}
		if s.start >= 0 {
			t := float64(len(s.z) - s.start)
			sum += truth.Effect[i] / simulate.RunSD
			n++
			st += t * truth.Effect[i] / simulate.RunSD
			tt += t * t
		}
		s.z = append(s.z, truth.Deviation[i]/simulate.RunSD)
		s.at = append(s.at, x.At)
	}
	if sum < 0 {
		for i := range s.z {
			s.z[i] = -s.z[i]
		}
	}
	if truth.Fleet.Fault.PerWeek != 0 {
		s.slope = math.Abs(st / tt)
	} else {
		s.shift = math.Abs(sum / n)
	}
	return s
}
