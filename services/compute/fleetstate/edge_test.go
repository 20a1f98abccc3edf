package fleetstate

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// From a single run on, and for two cells with one car, there is an answer; what
// the visits do not tell is said, with the visit that would.
func TestSmallest(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	one := plan{cells: 1, cars: 1, weeks: 1, v: v, faults: s.Faults}.invent()
	f, err := Estimate(one.h, s)
	if err != nil {
		t.Fatal(err)
	}
	eq, _ := f.Equivalences(f.At)
	if len(eq) != 1 || !strings.Contains(eq[0].NotSeparable, "Bring car car-00 to another cell") {
		t.Errorf("one cell: %+v", eq)
	}
	if eq[0].Prior < 0.9 {
		t.Errorf("one cell and one car say nothing of its offset, but only %.2f of the doubt is left", eq[0].Prior)
	}
	two := plan{cells: 2, cars: 1, weeks: 12, v: v, faults: s.Faults, visit: func(c, w int) int {
		if (c+w)%2 == 0 {
			return 0
		}
		return -1
	}}.invent()
	if f, err = Estimate(two.h, s); err != nil {
		t.Fatal(err)
	}
	p, ok := f.Pair(cellID(0), cellID(1), f.At)
	if !ok {
		t.Fatal("no pair")
	}
	if truth := two.offset(0, 11) - two.offset(1, 11); math.Abs(p.Difference-truth) > 2*p.U {
		t.Errorf("pair %+v, truth %.4f", p, truth)
	}
	eq, _ = f.Equivalences(f.At)
	for _, e := range eq {
		if e.NotSeparable != "" {
			t.Errorf("joined by their car, yet: %s", e.NotSeparable)
		}
	}
	// A cell known by its dead weights alone.
	f, err = Solve(History{Observations: []Observation{Observe("bench", "a", start, fleet.FaultGain, 0.002, 0.001)}}, s, v)
	if err != nil {
		t.Fatal(err)
	}
	e, _ := f.Errors("bench", start)
	// Normal prior N(0, σ²) and one observation: by hand.
	near(t, "gain", e.Value[0], 0.002*v.Start[0]/(v.Start[0]+1e-6), 1e-12, 0)
	near(t, "its variance", e.Covariance[0][0], 1/(1/v.Start[0]+1e6), 1e-9, 0)
}

// Two sites whose cars never leave them: neither's common offset is told from
// its car's, and a visit across mends it.
func TestNotSeparable(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	p := plan{cells: 5, cars: 2, weeks: 20, v: v, faults: s.Faults, visit: func(c, w int) int {
		if c < 2 {
			return 0
		}
		return 1
	}}
	apart := p.invent()
	f, err := Solve(apart.h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	eq, _ := f.Equivalences(f.At)
	for c, e := range eq {
		if (c < 2) != (e.NotSeparable != "") {
			t.Errorf("cell %d: %q", c, e.NotSeparable)
		}
	}
	want := "The offset of cell cell-0000 is not separable from reference car car-00, which went to no cell of the rest of the fleet: bring car car-01 to cell cell-0000."
	if eq[0].NotSeparable != want {
		t.Errorf("%q", eq[0].NotSeparable)
	}
	across, _ := f.Pair(cellID(0), cellID(3), f.At)
	within, _ := f.Pair(cellID(3), cellID(4), f.At)
	// The two of the smaller part are joined with each other, though not with the
	// rest.
	small, _ := f.Pair(cellID(0), cellID(1), f.At)
	if across.NotSeparable != want || within.NotSeparable != "" || small.NotSeparable != "" {
		t.Errorf("pairs across %q, within %q and %q", across.NotSeparable, within.NotSeparable, small.NotSeparable)
	}
	// The doubt across is that of the mean of two and of three cells at least.
	prior := 0.0
	for i, w := range f.cells[0].sig {
		prior += w * w * v.Start[i]
	}
	if across.U < 2*math.Sqrt(prior*(1.0/2+1.0/3)) || across.U < 2*within.U {
		t.Errorf("U across %.4f, within %.4f, of the prior %.4f", across.U, within.U, 2*math.Sqrt(prior))
	}
	p.visit = func(c, w int) int {
		if c < 2 && w != 15 && w != 16 {
			return 0
		}
		return 1
	}
	if f, err = Solve(p.invent().h, s, v); err != nil {
		t.Fatal(err)
	}
	eq, _ = f.Equivalences(f.At)
	for _, e := range eq {
		if e.NotSeparable != "" {
			t.Errorf("after the visit: %s", e.NotSeparable)
		}
	}
	after, _ := f.Pair(cellID(0), cellID(3), f.At)
	if after.NotSeparable != "" {
		t.Errorf("after the visit the pair: %s", after.NotSeparable)
	}
	if after.U > 0.7*across.U {
		t.Errorf("the visit takes U across from %.4f to %.4f only", across.U, after.U)
	}
}

// Four modes of twelve band points lose next to nothing of what all twelve say.
func TestFewModesSuffice(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	in := truthPlan(2, 30, s, v).invent()
	few, err := Solve(in.h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	s.Modes = refrun.K
	all, err := Solve(in.h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	worst := 0.0
	for _, id := range few.Cells() {
		a, _ := few.Errors(id, few.At)
		b, _ := all.Errors(id, all.At)
		for i := range a.Value {
			worst = math.Max(worst, math.Sqrt(a.Covariance[i][i]/b.Covariance[i][i])-1)
		}
	}
	t.Logf("an error's u grows by %.3f %% at most", 100*worst)
	if worst > 0.02 || worst < 0 {
		t.Errorf("an error's u grows by %.3f %%", 100*worst)
	}
}

// A constant added to every ln(C·F), as by another unit of force, is the cars'
// and changes no cell's error.
func TestLevelDoesNotMatter(t *testing.T) {
	h, s, v := smallPlan()
	a, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	for i := range h.Runs {
		for p := range h.Runs[i].Pulls {
			y := append([]float64(nil), h.Runs[i].Pulls[p].Y...)
			for k := range y {
				y[k] += 2
			}
			h.Runs[i].Pulls[p].Y = y
		}
	}
	b, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range a.Cells() {
		x, _ := a.Errors(id, a.At)
		y, _ := b.Errors(id, b.At)
		for i := range x.Value {
			near(t, "error", y.Value[i], x.Value[i], 0, 1e-8*math.Sqrt(x.Covariance[i][i]))
		}
	}
}

func TestRefuses(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	good := func() History { return plan{cells: 2, cars: 1, weeks: 2, v: v, faults: s.Faults}.invent().h }
	cases := []struct {
		name, want string
		spoil      func(*History)
	}{
		{"a run twice", "given twice", func(h *History) { h.Runs = append(h.Runs, h.Runs[0]) }},
		{"a run without a car", "needs its id, cell, car and time", func(h *History) { h.Runs[1].Car = "" }},
		{"another number of points", "band points where the others", func(h *History) { h.Runs[1].Pulls[1].Y = h.Runs[1].Pulls[1].Y[:3] }},
		{"not a number", "not finite", func(h *History) { h.Runs[1].Pulls[1].Y[2] = math.NaN() }},
		{"a short signature", "the signature of", func(h *History) {
			h.Runs[0].Pulls[0].Signature[fleet.FaultGain] = h.Runs[0].Pulls[0].Signature[fleet.FaultGain][:2]
		}},
		{"a restart of nothing", "name a cell or a car", func(h *History) { h.Restarts = append(h.Restarts, Restart{At: start}) }},
		{"an observation of nothing", "give as many of each", func(h *History) {
			h.Observations = append(h.Observations, Observation{Cell: "a", ID: "x", At: start})
		}},
		{"an impossible covariance", "positive definite", func(h *History) {
			h.Observations = append(h.Observations, Observe("a", "x", start, fleet.FaultGain, 1, 0))
		}},
		{"an observation without a cell", "name its cell", func(h *History) {
			h.Observations = append(h.Observations, Observe("", "x", start, fleet.FaultGain, 1, 1))
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := good()
			c.spoil(&h)
			if _, err := Solve(h, s, v); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want one with %q", err, c.want)
			}
		})
	}
	if _, err := Solve(History{}, s, v); !errors.Is(err, ErrNoRuns) {
		t.Errorf("nothing: %v", err)
	}
	short := v
	short.Walk = nil
	if _, err := Solve(good(), s, short); err == nil {
		t.Error("variances of too few faults were taken")
	}
	bad := s
	bad.Faults, bad.Modes, bad.Workers, bad.KnotSpacing = nil, 0, 0, -time.Hour
	if err := bad.Validate(); err == nil || strings.Count(err.Error(), "\n") < 3 {
		t.Errorf("all that is wrong is not said: %v", err)
	}
	h := good()
	if f, err := Solve(h, s, v); err != nil {
		t.Fatal(err)
	} else if _, err := f.Cause(cellID(0), DefaultCauseSettings()); err != ErrShort {
		t.Errorf("two runs: %v", err)
	}
	// An empty run judges nothing and is passed over.
	h.Runs = append(h.Runs, refrun.Run{ID: "empty", Cell: "z", Car: "z", At: start})
	if f, err := Solve(h, s, v); err != nil || len(f.Cells()) != 2 {
		t.Errorf("an empty run: %v", err)
	}
}

// Knots lie close up to the last session, and no more are used than allowed.
func TestKnotWeeks(t *testing.T) {
	if w := knotWeeks(10, 10, 4, 18); len(w) != 1 {
		t.Errorf("one session: %v", w)
	}
	if w := knotWeeks(10, 18, 4, 18); len(w) != 3 || w[2] != 18 {
		t.Errorf("eight weeks: %v", w)
	}
	if w := knotWeeks(10, 19, 4, 18); len(w) != 4 || w[3] != 22 {
		t.Errorf("nine weeks: %v", w)
	}
	w := knotWeeks(0, 260, 4, 18)
	if len(w) != 19 || w[0] != 0 || w[18] != 260 || w[17] != 256 || w[5] != 260-13*4 {
		t.Errorf("five years: %v", w)
	}
	for i := range w[1:] {
		if !(w[i+1] > w[i]) {
			t.Errorf("knots out of order: %v", w)
		}
	}
	// A session lies between its knots, wholly.
	c := carEpoch{weeks: w, knots: make([]int, 18)}
	for i := range c.knots {
		c.knots[i] = 100 + i
	}
	for _, week := range []float64{0, 1, 41.6, 100, 208, 209, 259, 260} {
		knot, part := c.place(week)
		at := 0.0
		for i, k := range knot {
			if k >= 0 {
				at += part[i] * w[k-99]
			}
		}
		near(t, "place", at, week, 0, 1e-9)
	}
}
