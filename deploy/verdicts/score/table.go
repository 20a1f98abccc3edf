package score

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"rollcall/deploy/verdicts/simulate"
)

// Row is a figure of the table.
type Row struct {
	Group, Name string
	Figure      float64 // NaN: nothing to tell
	Low, High   float64 // its 95 % interval
	N           int
	Of          string // what N counts
	// Aim is what is aimed at, from Least to Most; NaN: nothing is.
	Least, Most float64
	Percent     bool
	Note        string
}

// Met says whether the aim is met: "met", "NO", either with "?" where the
// interval holds values on both sides of it; empty without an aim or figure.
func (r Row) Met() string {
	if math.IsNaN(r.Least) || math.IsNaN(r.Figure) {
		return ""
	}
	in := func(x float64) bool { return x >= r.Least && x <= r.Most }
	out := "NO"
	if in(r.Figure) {
		out = "met"
	}
	if math.IsNaN(r.Low) || in(r.Figure) != in(r.Low) || in(r.Figure) != in(r.High) {
		out += "?"
	} else if !in(r.Figure) && r.Low < r.Least && r.High > r.Most {
		out += "?"
	}
	return out
}

// Table is what the bench found.
type Table struct {
	System string
	Config Config
	Judged int // fleets
	Took   time.Duration
	Rows   []Row
}

// Find returns the row of a group and name; ok is false when there is none.
func (t Table) Find(group, name string) (Row, bool) {
	k := slices.IndexFunc(t.Rows, func(r Row) bool { return r.Group == group && r.Name == name })
	if k < 0 {
		return Row{}, false
	}
	return t.Rows[k], true
}

// The groups of rows.
const (
	falseFlags = "false flags a year"
	found      = "found"
	ratios     = "delay by the runs alone, over the oracle's"
	checked    = "delay with the checks, over the oracle's"
	rightCause = "right cause"
	honesty    = "not separable"
	covered    = "95 % intervals hold"
)

// Rows that Floor looks at.
const (
	quietCells  = "cells where nothing is wrong"
	everyFault  = "all separable faults"
	noNumber    = "cells that cannot be compared get no number"
	soundOffset = "offset, sound cells"
)

var none = math.NaN()

// tabulate makes the table of the outcomes.
func tabulate(all []outcome, c Config) Table {
	t := Table{Config: c}
	add := func(r Row) { t.Rows = append(t.Rows, r) }
	shareRow := func(group, name, of string, least float64, pick func(outcome) count) {
		most := 1.0
		if group == covered {
			most = 0.97
		}
		if math.IsNaN(least) {
			most = none
		}
		var counts []count
		for _, o := range all {
			counts = append(counts, pick(o))
		}
		r := Row{Group: group, Name: name, Of: of, Least: least, Most: most, Percent: true}
		r.Figure, r.Low, r.High, r.N = share(counts)
		add(r)
	}

	// False flags.
	rate := func(name, of string, aim float64, pick func(outcome) exposure) float64 {
		var e exposure
		for _, o := range all {
			e.add(pick(o))
		}
		r := Row{Group: falseFlags, Name: name, N: e.flags(), Least: none, Most: none, Figure: none, Low: none, High: none}
		r.Of = fmt.Sprintf("flags in %.0f %s-years", e.years, of)
		if e.years > 0 {
			r.Figure = float64(e.flags()) / e.years
			r.Low, r.High = Garwood(e.flags(), e.years)
			if of == "cell" {
				r.Note = fmt.Sprintf("%d by the CUSUM, %d by the tolerance, %d by a check", e.cusum, e.limit, e.test)
			}
		}
		if aim > 0 {
			r.Least, r.Most = 0, aim
		}
		add(r)
		return r.Figure
	}
	seen := rate(quietCells, "cell", c.Asked, func(o outcome) exposure { return o.sound })
	rate("the same, from half a year on", "cell", c.Asked, func(o outcome) exposure { return o.settled })
	beside := func(name string, match func(Scenario) bool) {
		rate(name, "cell", 0, func(o outcome) exposure {
			if slices.ContainsFunc(append(slices.Clone(cycle), slipSeen), func(s Scenario) bool { return s.Name == o.scenario && match(s) }) {
				return o.beside
			}
			return exposure{}
		})
	}
	beside("sound cells beside a step", func(s Scenario) bool { return s.Step != 0 })
	beside("sound cells beside a ramp nobody mends", func(s Scenario) bool { return s.PerWeek != 0 && s.Kind == simulate.Gain })
	beside("sound cells while a car tires", func(s Scenario) bool { return s.Kind == simulate.TiredCar })
	rate("reference cars", "car", 0, func(o outcome) exposure { return o.cars })

	// Found, and when.
	scenarios := append(slices.Clone(allSeparate), slipping, slipSeen)
	is := func(o outcome, names []Scenario) bool {
		return slices.ContainsFunc(names, func(s Scenario) bool { return s.Name == o.scenario })
	}
	foundRow := func(name string, group []Scenario) {
		shareRow(found, name, "fleets", none, func(o outcome) count {
			var k count
			if o.judged && !o.earlier && is(o, group) {
				k.add(o.found)
			}
			return k
		})
		checks, before := 0, 0
		for _, o := range all {
			if is(o, group) && o.found && o.byCheck {
				checks++
			}
			if is(o, group) && o.earlier {
				before++
			}
		}
		var notes []string
		if checks > 0 {
			notes = append(notes, fmt.Sprintf("%d by a check", checks))
		}
		if before > 0 {
			notes = append(notes, fmt.Sprintf("%d left out: flagged before", before))
		}
		t.Rows[len(t.Rows)-1].Note = strings.Join(notes, "; ")
	}
	for _, s := range scenarios {
		foundRow(s.Name, []Scenario{s})
	}
	foundRow(everyFault, allSeparate)

	const aim = 1.25
	byRuns := func(o outcome) (float64, bool) { return o.runs.weeks, o.runs.known }
	byAll := func(o outcome) (float64, bool) { return o.delay, !o.earlier }
	ratio := func(group, name string, scenarios []Scenario, rate float64, pick func(outcome) (float64, bool)) {
		var system, oracle []float64
		for _, o := range all {
			if d, ok := pick(o); ok && o.judged && is(o, scenarios) {
				system = append(system, d)
				oracle = append(oracle, o.oracle.delay(rate))
			}
		}
		r := Row{Group: group, Name: name, N: len(system), Of: "fleets", Least: 0, Most: aim, Figure: none, Low: none, High: none}
		if len(system) > 0 {
			sums := func(units []int) (a, b float64) {
				for _, u := range units {
					a += system[u]
					b += oracle[u]
				}
				return a, b
			}
			every := make([]int, len(system))
			for i := range every {
				every[i] = i
			}
			a, b := sums(every)
			r.Figure = a / b
			if len(system) > 1 {
				r.Low, r.High = Bootstrap(len(system), func(units []int) float64 {
					a, b := sums(units)
					return a / b
				})
			}
			r.Note = fmt.Sprintf("%.1f weeks, the oracle %.1f", a/float64(len(system)), b/float64(len(system)))
		}
		add(r)
	}
	for _, s := range allSeparate {
		ratio(ratios, s.Name, []Scenario{s}, c.Asked, byRuns)
	}
	ratio(ratios, everyFault, allSeparate, c.Asked, byRuns)
	if seen > 0 {
		ratio(ratios, fmt.Sprintf("the same, the oracle at the rate seen (%.3f)", seen), allSeparate, seen, byRuns)
	}
	for _, s := range allSeparate {
		if s.Kind == simulate.Gain || s.Kind == simulate.Zero {
			ratio(checked, s.Name, []Scenario{s}, c.Asked, byAll)
		}
	}
	ratio(checked, everyFault, allSeparate, c.Asked, byAll)

	// Causes.
	causeRow := func(name string, aim float64, group []Scenario, good func(cause) bool) {
		shareRow(rightCause, name, "flags", aim, func(o outcome) count {
			var k count
			for _, x := range o.causes {
				if is(o, group) {
					k.add(good(x))
				}
			}
			return k
		})
		said, n := 0.0, 0
		wrong := map[Cause]int{}
		for _, o := range all {
			for _, x := range o.causes {
				if is(o, group) {
					said += x.probability
					n++
					if !x.right {
						wrong[x.given]++
					}
				}
			}
		}
		if n > 0 {
			note := fmt.Sprintf("mean probability stated %.2f", said/float64(n))
			var names []string
			for k := range wrong {
				names = append(names, fmt.Sprintf("%s %d", k, wrong[k]))
			}
			slices.Sort(names)
			if len(names) > 0 {
				note += "; wrong: " + strings.Join(names, ", ")
			}
			t.Rows[len(t.Rows)-1].Note = note
		}
	}
	right := func(x cause) bool { return x.right }
	for _, s := range scenarios {
		if s.Name == slipping.Name {
			causeRow(s.Name+" (other)", none, []Scenario{s}, right)
			continue
		}
		if s.Name == slipSeen.Name {
			causeRow(s.Name, 0.85, []Scenario{s}, right)
			continue
		}
		causeRow(s.Name, none, []Scenario{s}, right)
	}
	causeRow(everyFault, 0.85, allSeparate, right)
	shareRow(rightCause, "where stated with 95 % or more", "flags", none, func(o outcome) count {
		var k count
		for _, x := range o.causes {
			if is(o, allSeparate) && x.probability >= certain {
				k.add(x.right)
			}
		}
		return k
	})

	// Not separable.
	shareRow(honesty, noNumber, "cells", 0.95, func(o outcome) count { return o.withheld })
	shareRow(honesty, "no cell is blamed for sure while its car tires and stays", "flags", 0.95, func(o outcome) count {
		if o.scenario != tiredStay.Name {
			return count{}
		}
		return o.accused
	})
	shareRow(honesty, "no cell is blamed for sure while a visiting car tires", "flags", none, func(o outcome) count {
		if o.scenario != tired.Name {
			return count{}
		}
		return o.accused
	})
	shareRow(honesty, "cells that can be compared get a number", "cells", none, func(o outcome) count { return o.given })

	// Intervals.
	const least = 0.93
	shareRow(covered, "offset, all cells", "offsets", least, func(o outcome) count { return o.offsetAll })
	shareRow(covered, soundOffset, "offsets", least, func(o outcome) count { return o.offsetSound })
	// Before a change is evident no honest interval of a cell that may be sound holds
	// it: no aim.
	shareRow(covered, "offset, 1 to 6 weeks after a step", "offsets", none, func(o outcome) count { return o.offsetSoon })
	shareRow(covered, "offset, 12 weeks after a step and later", "offsets", least, func(o outcome) count { return o.offsetSettled })
	shareRow(covered, "offset, on a ramp", "offsets", least, func(o outcome) count { return o.offsetRamp })
	shareRow(covered, "size of the fault, steps, cause right", "flags", least, func(o outcome) count { return o.size })
	shareRow(covered, "flag's offset 4 weeks after opening, steps", "flags", least, func(o outcome) count { return o.flagSize })
	shareRow(covered, "flag's offset 4 weeks after opening, ramps", "flags", least, func(o outcome) count { return o.flagSizeRamp })
	shareRow(covered, "beginning of the change, steps", "flags", least, func(o outcome) count { return o.began })
	shareRow(covered, "beginning of the change, ramps", "flags", least, func(o outcome) count { return o.beganRamp })
	shareRow(covered, "crossing date", "forecasts", least, func(o outcome) count { return o.crossing })
	stated := count{}
	for _, o := range all {
		stated.good += o.crossingStated.good
		stated.n += o.crossingStated.n
	}
	switch last := &t.Rows[len(t.Rows)-1]; {
	case stated.good == 0:
		last.Note = "not stated"
	default:
		last.Note = fmt.Sprintf("stated in %d of %d weeks before the crossing", stated.good, stated.n)
	}
	return t
}

// Floor returns what is far worse than the aims, nil when nothing is: wide enough
// that twenty fleets of a system in order pass whatever the seed, and missed by
// one that never or always flags, that takes one cause for another, or whose
// intervals are half as wide as they should be.
func (t Table) Floor() error {
	var errs []error
	check := func(group, name string, ok func(Row) bool, want string) {
		r, there := t.Find(group, name)
		switch {
		case !there || math.IsNaN(r.Figure):
			errs = append(errs, fmt.Errorf("%s, %s: nothing was measured; take more fleets", group, name))
		case !ok(r):
			errs = append(errs, fmt.Errorf("%s, %s: %s (%s), want %s", group, name, r.number(r.Figure), r.interval(), want))
		}
	}
	check(falseFlags, quietCells, func(r Row) bool { return r.Low <= 2*t.Config.Asked }, "an interval that reaches down to twice the rate asked for")
	check(found, everyFault, func(r Row) bool { return r.Figure >= 0.8 }, "80 % or more")
	check(ratios, everyFault, func(r Row) bool { return r.Figure <= 2.5 }, "2.5 or less")
	check(rightCause, everyFault, func(r Row) bool { return r.Figure >= 0.6 }, "60 % or more")
	check(honesty, noNumber, func(r Row) bool { return r.Figure >= 0.9 }, "90 % or more")
	check(covered, soundOffset, func(r Row) bool { return r.Figure >= 0.85 }, "85 % or more")
	return errors.Join(errs...)
}

// Write prints the table.
func (t Table) Write(w io.Writer) error {
	fmt.Fprintf(w, "%s: %d of %d fleets of 12 cells, 4 cars, %d weeks, seed %d, visits %q, in %s on %d at a time\n",
		t.System, t.Judged, t.Config.Fleets, Weeks, t.Config.Seed, t.Config.Plan, t.Took.Round(time.Second), t.Config.Parallel)
	fmt.Fprintln(w, "Each figure with its 95 % interval; \"?\": the interval holds values on both sides of the aim.")
	tw := tabwriter.NewWriter(w, 0, 8, 2, ' ', 0)
	group := ""
	for _, r := range t.Rows {
		if r.Group != group {
			group = r.Group
			fmt.Fprintf(tw, "\n%s\tfigure\tinterval\tn\taim\t\t\n", group)
		}
		fmt.Fprintf(tw, "  %s\t%s\t%s\t%d %s\t%s\t%s\t%s\n", r.Name, r.number(r.Figure), r.interval(), r.N, r.Of, r.aim(), r.Met(), r.Note)
	}
	return tw.Flush()
}

func (r Row) number(x float64) string {
	switch {
	case math.IsNaN(x):
		return "–"
	case r.Percent:
		return fmt.Sprintf("%.1f %%", 100*x)
	}
	return fmt.Sprintf("%.3f", x)
}

func (r Row) interval() string {
	if math.IsNaN(r.Low) {
		return "–"
	}
	return r.number(r.Low) + " … " + r.number(r.High)
}

func (r Row) aim() string {
	short := func(x float64) string {
		if r.Percent {
			return fmt.Sprintf("%.0f %%", 100*x)
		}
		return fmt.Sprintf("%.4g", x)
	}
	switch {
	case math.IsNaN(r.Least):
		return ""
	case r.Least == 0:
		return "≤ " + short(r.Most)
	case r.Most == 1:
		return "≥ " + short(r.Least)
	}
	return short(r.Least) + " … " + short(r.Most)
}
