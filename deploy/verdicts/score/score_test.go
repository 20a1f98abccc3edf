package score

import (
	"context"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rollcall/deploy/verdicts/simulate"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.6g, want %.6g ± %g", what, got, want, tolerance)
	}
}

// Garwood's limits for 0, 1 and 10 events: 0 … 3.689, 0.0253 … 5.572,
// 4.795 … 18.39 (tables of the Poisson distribution, from memory). Clopper and
// Pearson's for 5 of 10: 0.1871 … 0.8129; 0 of 10: 0 … 0.3085 (from memory).
func TestIntervals(t *testing.T) {
	for _, c := range []struct {
		n         int
		low, high float64
	}{{0, 0, 3.689}, {1, 0.0253, 5.572}, {10, 4.795, 18.39}} {
		low, high := Garwood(c.n, 2)
		near(t, "low", 2*low, c.low, 5e-4)
		near(t, "high", 2*high, c.high, 5e-3)
	}
	low, high := ClopperPearson(5, 10)
	near(t, "low", low, 0.1871, 5e-5)
	near(t, "high", high, 0.8129, 5e-5)
	low, high = ClopperPearson(0, 10)
	near(t, "low", low, 0, 0)
	near(t, "high", high, 0.3085, 5e-5)
}

// The bootstrap's interval of a mean is that of the normal theory, 1.96·σ/√n.
func TestBootstrap(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 200)
	mean, square := 0.0, 0.0
	for i := range x {
		x[i] = 5 + r.NormFloat64()
		mean += x[i] / 200
	}
	for _, v := range x {
		square += (v - mean) * (v - mean) / 199
	}
	low, high := Bootstrap(len(x), func(units []int) float64 {
		sum := 0.0
		for _, u := range units {
			sum += x[u]
		}
		return sum / float64(len(units))
	})
	half := 1.96 * math.Sqrt(square/200)
	// 2000 resamples know a 2.5 % point to some 4 % of the half width.
	near(t, "low", low, mean-half, 0.15*half)
	near(t, "high", high, mean+half, 0.15*half)
}

// Cases of one fleet are not independent: ten fleets of ten cases, all alike
// within a fleet, say as much as ten cases.
func TestShare(t *testing.T) {
	var whole, single []count
	for i := range 10 {
		g := count{10, 10}
		if i < 5 {
			g.good = 0
		}
		whole = append(whole, g, count{})
		single = append(single, count{g.good / 10, 1})
	}
	f, low, high, n := share(whole)
	if f != 0.5 || n != 100 || high-low < 0.5 {
		t.Errorf("clusters: %.2f, %.2f … %.2f of %d", f, low, high, n)
	}
	f, low, high, n = share(single)
	near(t, "low", low, 0.1871, 5e-5)
	near(t, "high", high, 0.8129, 5e-5)
	if f != 0.5 || n != 10 {
		t.Errorf("singles: %.2f of %d", f, n)
	}
	if f, _, _, n := share([]count{{}, {}}); !math.IsNaN(f) || n != 0 {
		t.Error("nothing has a share")
	}
	// All good: ten fleets, exact.
	_, low, high, _ = share([]count{{4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}, {4, 4}})
	near(t, "low", low, 1-0.3085, 5e-5)
	near(t, "high", high, 1, 0)
}

// Run lengths of the two-sided CUSUM with k = 0.5 (R package spc 0.6.7,
// xcusum.arl(.5, h, mu, sided="two", r=60)): without shift both sides count
// alike, so one side's is twice as long; at a shift of 1 the low side never
// signals. The chain of 160 states is good to 0.2 %.
func TestRunLength(t *testing.T) {
	for _, c := range []struct{ h, want float64 }{{3, 58.7979}, {4, 167.6838}, {5, 465.4435}, {8, 9482.864}} {
		near(t, "no shift", runLength(0, 0.5, c.h)/(2*c.want), 1, 2e-3)
	}
	for _, c := range []struct{ h, want float64 }{{4, 8.3831}, {5, 10.3760}, {8, 16.3720}} {
		near(t, "shift 1", runLength(1, 0.5, c.h)/c.want, 1, 2e-3)
	}
	near(t, "limit", limitFor(2*465.4435, 0.5), 5, 1e-3)
}

// By hand: k = 0.5, h = 2: 0.5, 1, 2.5 signals; begins anew at nought before
// the start.
func TestOracle(t *testing.T) {
	o := oracle{0.5, 2}
	if at := o.find([]float64{1, 1, 2, 9}, 0); at != 2 {
		t.Errorf("found at %d", at)
	}
	if at := o.find([]float64{9, 1, 1, 2, 2}, 1); at != 3 {
		t.Errorf("found at %d", at)
	}
	if at := o.find([]float64{0, 0}, 0); at != -1 {
		t.Errorf("found at %d", at)
	}
	// The oracle of a step finds it about as soon as its run length says, and
	// is not beaten by a reference value far from half the shift.
	length := 520.0
	r := rand.New(rand.NewPCG(3, 3))
	mean := func(o oracle) float64 {
		sum := 0.0
		for range 2000 {
			z := make([]float64, 200)
			for i := range z {
				z[i] = 1.2 + r.NormFloat64()
			}
			sum += float64(o.find(z, 0)+1) / 2000
		}
		return sum
	}
	best := oracleForStep(1.2, length)
	near(t, "k", best.k, 0.6, 1e-9)
	near(t, "delay", mean(best)/runLength(1.2, best.k, best.h), 1, 0.05)
	if far := mean(oracle{0.1, limitFor(length, 0.1)}); far < 1.2*mean(best) {
		t.Errorf("k = 0.1 takes %.2f", far)
	}
	// A steeper ramp asks for a larger reference value.
	if slow, fast := oracleForRamp(0.02, length), oracleForRamp(1, length); slow.k >= fast.k {
		t.Errorf("k = %.1f on a slow ramp, %.1f on a fast one", slow.k, fast.k)
	}
}

// hand is a hand-made system: what it says of a history whose truth is told.
type hand struct {
	offsets []Offset
	flags   []Flag
}

func (h hand) Offsets() []Offset { return h.offsets }

// ByRuns leaves out what checks opened.
func (h hand) ByRuns() (Following, error) {
	h.flags = slices.DeleteFunc(slices.Clone(h.flags), func(f Flag) bool { return f.ByCheck })
	return h, nil
}

func (h hand) Flags(at time.Time) []Flag {
	var out []Flag
	for _, f := range h.flags {
		if !f.OpenedAt.After(at) {
			out = append(out, f)
		}
	}
	return out
}

// told makes a system that knows the truth: it states every separable offset
// with an error of its own, flags the fault a week and a half after it began
// with its cause, and says what cannot be separated.
func told(h simulate.History, truth simulate.Answer, s Scenario) hand {
	var out hand
	r := rand.New(rand.NewPCG(truth.Fleet.Seed, 5))
	f := truth.Fleet
	for _, x := range h.Sessions {
		const u = 0.001
		o := Offset{Cell: x.Cell, At: x.At, Known: true, NotSeparable: !f.Plan.Separable(x.Cell)}
		o.Interval = Interval{truth.Offset[x.Cell][x.Week] + u*r.NormFloat64(), 1.96 * u}
		if s.Kind == simulate.Gain && f.Fault.PerWeek != 0 {
			o.Crossing = &Dates{simulate.Start, simulate.Start.Add(Weeks * simulate.Week)}
		}
		out.offsets = append(out.offsets, o)
	}
	switch {
	case s.Kind == simulate.None || s.Plan != nil:
	case s.Kind == simulate.TiredCar:
		out.flags = []Flag{{Cell: -1, Car: f.Fault.Car, OpenedAt: simulate.Start.Add(time.Duration(f.Fault.From+2) * simulate.Week),
			Suspects: []Suspect{{Cause: CauseCar, Probability: 1}}}}
	default:
		at := simulate.Begin(f.Fault.Cell, f.Fault.From).Add(simulate.Week + simulate.Week/2)
		out.flags = []Flag{{
			Cell: f.Fault.Cell, Car: -1, OpenedAt: at, UpdatedAt: at, Size: Interval{truth.Offset[f.Fault.Cell][f.Fault.From+1], 0.001},
			Began:    &Dates{at.Add(-2 * simulate.Week), at},
			Suspects: []Suspect{{Cause: s.Right, Probability: 1, Size: Interval{sizeOf(f.Fault), 1e-9}}},
		}}
	}
	return out
}

// invented are the forty fleets of bench, made once.
var invented = sync.OnceValue(func() (all []struct {
	h     simulate.History
	truth simulate.Answer
	s     Scenario
}) {
	c := DefaultConfig()
	for i := range 40 {
		f, s := fleetOf(c, i)
		h, truth := f.Invent()
		all = append(all, struct {
			h     simulate.History
			truth simulate.Answer
			s     Scenario
		}{h, truth, s})
	}
	return all
})

// bench puts hand-made systems to forty fleets.
func bench(t *testing.T, system func(simulate.History, simulate.Answer, Scenario) hand) Table {
	t.Helper()
	c := DefaultConfig()
	var all []outcome
	for _, x := range invented() {
		o, err := assessBoth(system(x.h, x.truth, x.s), x.h, x.truth, x.s)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, o)
	}
	return tabulate(all, c)
}

func row(t *testing.T, table Table, group, name string) Row {
	t.Helper()
	r, ok := table.Find(group, name)
	if !ok {
		t.Fatalf("no row %s, %s", group, name)
	}
	return r
}

// A system that knows gets the figures of one that knows.
func TestKnows(t *testing.T) {
	table := bench(t, told)
	for _, c := range []struct {
		group, name string
		want        float64
		met         string
	}{
		{falseFlags, quietCells, 0, "met?"}, {falseFlags, "reference cars", 0, ""}, {found, everyFault, 1, ""},
		{rightCause, everyFault, 1, "met?"}, {honesty, noNumber, 1, "met?"},
		{honesty, "cells that can be compared get a number", 1, ""},
		{covered, "size of the fault, steps, cause right", 1, "NO?"}, {covered, "beginning of the change, steps", 1, "NO?"},
		{covered, "flag's offset 4 weeks after opening, steps", 1, "NO?"},
		{covered, "crossing date", 1, "NO?"},
	} {
		r := row(t, table, c.group, c.name)
		if r.Figure != c.want || r.N == 0 && c.group != falseFlags {
			t.Errorf("%s, %s: %.3f of %d, want %.3f", c.group, c.name, r.Figure, r.N, c.want)
		}
		if c.met != "" && !strings.HasPrefix(r.Met(), strings.TrimSuffix(c.met, "?")) {
			t.Errorf("%s, %s: %q, want %q", c.group, c.name, r.Met(), c.met)
		}
	}
	// 95 % of some 1700 offsets, hand-made with k = 1.96.
	near(t, "offsets", row(t, table, covered, soundOffset).Figure, 0.95, 0.02)
	// A week and a half over what the oracle needs for 1.5 %: between one run,
	// half a week after the beginning, and four.
	if r := row(t, table, ratios, gainMore.Name); !(r.Figure > 1.5/3.5 && r.Figure <= 3) || r.N != 2 {
		t.Errorf("ratio %.2f of %d", r.Figure, r.N)
	}
	if err := table.Floor(); err != nil {
		t.Error(err)
	}
}

// What a check finds is not found by the runs.
func TestByRuns(t *testing.T) {
	table := bench(t, func(h simulate.History, truth simulate.Answer, s Scenario) hand {
		out := told(h, truth, s)
		if s.Kind == simulate.Zero {
			out.flags[0].ByCheck = true
		}
		return out
	})
	if r := row(t, table, checked, zeroStep.Name); !strings.HasPrefix(r.Note, "1.5 weeks") {
		t.Errorf("with checks: %s", r.Note)
	}
	if r := row(t, table, ratios, zeroStep.Name); !strings.HasPrefix(r.Note, "40.0 weeks") {
		t.Errorf("without: %s", r.Note)
	}
	if r := row(t, table, found, zeroStep.Name); r.Note != "2 by a check" || r.Figure != 1 {
		t.Errorf("found: %+v", r)
	}
}

// A cell blamed for its car takes the right answer away, and counts against
// honesty where the car stays.
func TestAccused(t *testing.T) {
	table := bench(t, func(h simulate.History, truth simulate.Answer, s Scenario) hand {
		out := told(h, truth, s)
		if s.Kind == simulate.TiredCar {
			out.flags = append(out.flags, Flag{Cell: 2, Car: -1, OpenedAt: simulate.Start.Add(61 * simulate.Week),
				Suspects: []Suspect{{Cause: CauseGain, Probability: 0.99}}})
		}
		return out
	})
	if r := row(t, table, rightCause, tired.Name); r.Figure != 0 || r.N != 2 {
		t.Errorf("cause: %+v", r)
	}
	if r := row(t, table, honesty, "no cell is blamed for sure while its car tires and stays"); r.Figure != 0 || r.N != 2 || r.Met() != "NO" {
		t.Errorf("honesty: %+v", r)
	}
}

// A system that never says anything: no false flag, nothing found, every fault
// waited for to the end, numbers given nowhere.
func TestNever(t *testing.T) {
	table := bench(t, func(simulate.History, simulate.Answer, Scenario) hand { return hand{} })
	for _, c := range []struct {
		group, name string
		want        float64
	}{{falseFlags, quietCells, 0}, {found, everyFault, 0}, {honesty, noNumber, 1}, {honesty, "cells that can be compared get a number", 0}} {
		if r := row(t, table, c.group, c.name); r.Figure != c.want {
			t.Errorf("%s, %s: %.3f, want %.3f", c.group, c.name, r.Figure, c.want)
		}
	}
	// 12 cells of 12 fleets without a fault, two years each.
	if r := row(t, table, falseFlags, quietCells); math.Abs(r.High-3.689/288) > 1e-4 || !strings.Contains(r.Of, "288") {
		t.Errorf("exposure: %.5f, %s", r.High, r.Of)
	}
	r := row(t, table, ratios, everyFault)
	if r.N != 20 || !strings.HasPrefix(r.Note, "40.0 weeks") || r.Met() != "NO" {
		t.Errorf("ratio: %+v", r)
	}
	if r := row(t, table, rightCause, everyFault); !math.IsNaN(r.Figure) || r.Met() != "" {
		t.Errorf("cause: %+v", r)
	}
	if table.Floor() == nil {
		t.Error("silence passes")
	}
}

// A system that flags every cell and car at once, states every offset as
// nought: all flags false, no fault can be waited for, no U holds.
func TestAlways(t *testing.T) {
	table := bench(t, func(h simulate.History, _ simulate.Answer, _ Scenario) hand {
		var out hand
		at := simulate.Start.Add(simulate.Week)
		for c := range simulate.Cells {
			out.flags = append(out.flags, Flag{Cell: c, Car: -1, OpenedAt: at, ByCheck: c == 0, Tolerance: c == 1})
		}
		for j := range simulate.Cars {
			out.flags = append(out.flags, Flag{Cell: -1, Car: j, OpenedAt: at})
		}
		for _, s := range h.Sessions {
			out.offsets = append(out.offsets, Offset{Cell: s.Cell, At: s.At, Known: true, Interval: Interval{1, 0.1}})
		}
		return out
	})
	r := row(t, table, falseFlags, quietCells)
	// One a week of exposure.
	near(t, "rate", r.Figure, 52, 1)
	if r.N < 140 || r.N > 144 || r.Met() != "NO" || !strings.Contains(r.Note, "12 by the tolerance, 12 by a check") {
		t.Errorf("false flags: %+v", r)
	}
	near(t, "cars", row(t, table, falseFlags, "reference cars").Figure, 52, 1e-9)
	if r := row(t, table, found, everyFault); r.N != 0 || !strings.Contains(r.Note, "20 left out") {
		t.Errorf("found: %+v", r)
	}
	if r := row(t, table, honesty, noNumber); r.Figure != 0 || r.Met() != "NO" {
		t.Errorf("not separable: %+v", r)
	}
	if r := row(t, table, covered, soundOffset); r.Figure != 0 || r.Met() != "NO" {
		t.Errorf("offsets: %+v", r)
	}
	if table.Floor() == nil {
		t.Error("crying wolf passes")
	}
}

// A cell that truly is out of tolerance is flagged rightly.
func TestRightlyOut(t *testing.T) {
	f, s := fleetOf(DefaultConfig(), 0)
	h, truth := f.Invent()
	truth.Offset[4][10] = 0.02
	flags := []Flag{{Cell: 4, Car: -1, OpenedAt: simulate.Start.Add(10*simulate.Week + time.Hour)}}
	o := assess(hand{flags: flags}, h, truth, s)
	if o.sound.flags() != 0 {
		t.Error("counted as false")
	}
	truth.Offset[4][10] = 0.002
	if o = assess(hand{flags: flags}, h, truth, s); o.sound.flags() != 1 {
		t.Error("not counted")
	}
	// The cell is watched until then, the others to the end.
	near(t, "exposure", o.sound.years, (11*104+10+1/168.0)/52, 1e-9)
}

func TestMet(t *testing.T) {
	r := func(figure, low, high, least, most float64) Row {
		return Row{Figure: figure, Low: low, High: high, Least: least, Most: most}
	}
	for want, row := range map[string]Row{
		"met": r(1, 0.9, 1.2, 0, 1.25), "met?": r(1, 0.9, 1.3, 0, 1.25), "NO": r(2, 1.5, 3, 0, 1.25), "NO?": r(2, 1, 3, 0, 1.25),
		"": r(1, 0.9, 1.2, math.NaN(), math.NaN()),
	} {
		if got := row.Met(); got != want {
			t.Errorf("%+v: %q, want %q", row, got, want)
		}
	}
	// One case says nothing for sure; an interval wider than the aim neither.
	if got := r(1, math.NaN(), math.NaN(), 0, 1.25).Met(); got != "met?" {
		t.Error(got)
	}
	if got := r(0.98, 0.9, 0.99, 0.93, 0.97).Met(); got != "NO?" {
		t.Error(got)
	}
}

// silent is a System that says nothing.
type silent struct{}

func (silent) Name() string                               { return "silence" }
func (silent) Follow(simulate.History) (Following, error) { return hand{}, nil }

// The table does not depend on how many fleets run at a time, and says what is
// wrong with a configuration.
func TestRun(t *testing.T) {
	c := DefaultConfig()
	c.Fleets, c.Parallel = 6, 1
	one, err := Run(context.Background(), silent{}, c)
	if err != nil {
		t.Fatal(err)
	}
	done := 0
	c.Parallel, c.Done = 3, nil
	three, err := Run(context.Background(), silent{}, c)
	if err != nil {
		t.Fatal(err)
	}
	c.Parallel, c.Done = 1, func() { done++ }
	if _, err := Run(context.Background(), silent{}, c); err != nil || done != 6 {
		t.Error(err, done)
	}
	// NaN is not equal to itself: as text.
	if a, b := text(one.Rows), text(three.Rows); !reflect.DeepEqual(a, b) {
		t.Errorf("%s\n%s", a, b)
	}
	// Stopped after two fleets: the table of those.
	ctx, stop := context.WithCancel(context.Background())
	done, c.Done = 0, func() {
		if done++; done == 2 {
			stop()
		}
	}
	if two, err := Run(ctx, silent{}, c); err != nil || two.Judged != 2 {
		t.Errorf("%d fleets, %v", two.Judged, err)
	}
	for _, bad := range []Config{{}, {Fleets: 1, Parallel: 1, Asked: 0.1, Plan: simulate.Stay}} {
		if _, err := Run(context.Background(), silent{}, bad); err == nil {
			t.Errorf("%+v runs", bad)
		}
	}
}

func text(rows []Row) string {
	var b strings.Builder
	_ = Table{Rows: rows}.Write(&b)
	return b.String()
}
