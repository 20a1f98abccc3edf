package fleetstate

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// again is a run like another, at another time.
func again(like refrun.Run, id fleet.RunID, at time.Time) refrun.Run {
	like.ID, like.At = id, at
	return like
}

// lastOf is the last run of a car on a cell.
func lastOf(t *testing.T, h History, car fleet.CarID, cell fleet.CellID) refrun.Run {
	t.Helper()
	var out refrun.Run
	for _, r := range h.Runs {
		if r.Car == car && r.Cell == cell && r.At.After(out.At) {
			out = r
		}
	}
	if out.ID == "" {
		t.Fatalf("no run of %s on %s", car, cell)
	}
	return out
}

// plannedFleet is a fleet whose runs all weigh the same, so that what a planned
// run does is what a run does.
func plannedFleet(t *testing.T) (History, *Fit) {
	t.Helper()
	s := DefaultSettings()
	s.FarOut = math.Inf(1)
	s.KnotSpacing = 3 * Week
	p := plan{
		cells: 5, cars: 3, weeks: 11, seed: 9, v: s.Stated(), faults: s.Faults, checkEvery: 4,
		visit: func(c, w int) int {
			if (c+w)%2 == 0 {
				return -1
			}
			return (c + w/3) % 3
		},
	}
	h := p.invent().h
	f, err := Solve(h, s, s.Stated())
	if err != nil {
		t.Fatal(err)
	}
	return h, f
}

// signatures are those the offsets are formed with: a fit forms them anew from
// the runs that came, an outlook keeps them.
func signatures(f *Fit) map[fleet.CellID][]float64 {
	out := map[fleet.CellID][]float64{}
	for c := range f.cells {
		out[f.net.cells[c].id] = f.cells[c].sig
	}
	return out
}

// Before anything is planned the variances are those of Equivalences and Pair, at
// the beginning and at any horizon.
func TestOutlookBegins(t *testing.T) {
	_, f := plannedFleet(t)
	for _, weeks := range []float64{0, 1, 8} {
		from := f.At.Add(36 * time.Hour)
		to := from.Add(time.Duration(weeks * float64(Week)))
		o, err := f.Outlook(from, to, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if want := 5*4 + 3*(4+4); o.Size() != want {
			t.Errorf("size %d, want %d: zero and parasitic are one error here, air and other too", o.Size(), want)
		}
		eq, _ := f.Equivalences(to)
		got := o.Variances(nil)
		for i, e := range eq {
			if r := apart(2*math.Sqrt(got[i]), e.U); r > 1e-9 {
				t.Errorf("%g weeks, %s: U %.12g, want %.12g", weeks, e.Cell, 2*math.Sqrt(got[i]), e.U)
			}
		}
		for _, p := range f.Pairs(f.Cells(), to) {
			v, ok := o.PairVariance(p.A, p.B)
			if r := apart(2*math.Sqrt(v), p.U); !ok || r > 1e-9 {
				t.Errorf("%g weeks, %s and %s: U %.12g, want %.12g", weeks, p.A, p.B, 2*math.Sqrt(v), p.U)
			}
		}
	}
}

// What planned runs do is what Update and Solve find when such runs come, whatever
// they say; over weeks, with new knots of the cars' own changes.
func TestOutlookVisits(t *testing.T) {
	h, f := plannedFleet(t)
	first := f.At.Add(30 * time.Hour)
	to := first.Add(9 * Week)
	o, err := f.Outlook(first, to, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	type visit struct {
		car, cell int
		week      float64
	}
	more := History{}
	for i, v := range []visit{{0, 1, 0}, {1, 2, 0.2}, {2, 0, 1.5}, {2, 3, 4}, {0, 4, 4}, {1, 0, 8.5}} {
		at := first.Add(time.Duration(v.week * float64(Week)))
		run := again(lastOf(t, h, carID(v.car), cellID(v.cell)), fleet.RunID(string(rune('a'+i))), at)
		for p := range run.Pulls {
			run.Pulls[p].Y = slices.Clone(run.Pulls[p].Y)
			for k := range run.Pulls[p].Y {
				run.Pulls[p].Y[k] += 0.001 * math.Sin(float64(i*7+k)) // it does not matter what they say
			}
		}
		more.Runs = append(more.Runs, run)
		o.Forward(at)
		before := o.Variances(nil)
		drop, err := o.Try(nil, carID(v.car), []fleet.CellID{cellID(v.cell)})
		if err != nil {
			t.Fatal(err)
		}
		if err := o.Visit(carID(v.car), []fleet.CellID{cellID(v.cell)}); err != nil {
			t.Fatal(err)
		}
		for c, now := range o.Variances(nil) {
			if r := apart(before[c]-drop[c], now); r > 1e-9 {
				t.Errorf("visit %d, cell %d: Try says %.12g, Visit %.12g", i, c, before[c]-drop[c], now)
			}
		}
	}
	all := History{Runs: append(slices.Clone(h.Runs), more.Runs...), Observations: h.Observations, Restarts: h.Restarts}
	solved, err := Solve(all, f.Settings, f.Variances)
	if err != nil {
		t.Fatal(err)
	}
	sigs := signatures(f)
	if _, err := f.Update(more); err != nil {
		t.Fatal(err)
	}
	for _, g := range []*Fit{f, solved} {
		for c := range g.cells {
			g.cells[c].sig = sigs[g.net.cells[c].id]
		}
	}
	for name, g := range map[string]*Fit{"Update": f, "Solve": solved} {
		for _, p := range g.Pairs(g.Cells(), to) {
			v, _ := o.PairVariance(p.A, p.B)
			if r := apart(2*math.Sqrt(v), p.U); r > 1e-8 {
				t.Errorf("%s, %s and %s: U %.12g, want %.12g", name, p.A, p.B, 2*math.Sqrt(v), p.U)
			}
		}
	}
}

// Runs on several cells at once are as those runs one by one; a copy is
// independent; a new car and a new cell are known by their priors.
func TestOutlookOfNewOnes(t *testing.T) {
	h, f := plannedFleet(t)
	first := f.At.Add(time.Hour)
	to := first.Add(2 * Week)
	o, err := f.Outlook(first, to, []fleet.CellID{"cell-9999"}, []fleet.CarID{"car-99"})
	if err != nil {
		t.Fatal(err)
	}
	if len(o.Cells()) != 6 || len(o.Cars()) != 4 {
		t.Fatalf("cells %v, cars %v", o.Cells(), o.Cars())
	}
	start := o.Clone()
	cells := []fleet.CellID{cellID(1), cellID(3), "cell-9999"}
	if err := o.Visit("car-99", cells); err != nil {
		t.Fatal(err)
	}
	one := start.Clone()
	for _, c := range cells {
		if err := one.Visit("car-99", []fleet.CellID{c}); err != nil {
			t.Fatal(err)
		}
	}
	a, b := o.Variances(nil), one.Variances(nil)
	for i := range a {
		if r := apart(a[i], b[i]); r > 1e-7 {
			t.Errorf("cell %d: %.12g together, %.12g one by one", i, a[i], b[i])
		}
	}
	// And as Update finds when they come.
	var more History
	for i, c := range cells {
		like := h.Runs[len(h.Runs)-1]
		if ev := o.sources.of(3, slices.Index(o.Cells(), c)); ev != nil {
			like = f.net.runs[ev.run]
		}
		r := again(like, fleet.RunID(rune('a'+i)), first)
		r.Car, r.Cell = "car-99", c
		more.Runs = append(more.Runs, r)
	}
	sigs := signatures(f)
	sigs["cell-9999"] = o.usualSignature()
	if _, err := f.Update(more); err != nil {
		t.Fatal(err)
	}
	for c := range f.cells {
		f.cells[c].sig = sigs[f.net.cells[c].id]
	}
	for _, p := range f.Pairs(f.Cells(), to) {
		v, ok := o.PairVariance(p.A, p.B)
		if r := apart(2*math.Sqrt(v), p.U); !ok || r > 1e-6 {
			t.Errorf("%s and %s: U %.12g, want %.12g", p.A, p.B, 2*math.Sqrt(v), p.U)
		}
	}
	o.CopyFrom(start)
	for i, v := range o.Variances(nil) {
		if v != start.Variances(nil)[i] {
			t.Errorf("cell %d: a copy has %g, its source %g", i, v, start.Variances(nil)[i])
		}
	}
}

func TestOutlookRefuses(t *testing.T) {
	_, f := plannedFleet(t)
	if _, err := f.Outlook(f.At.Add(-time.Hour), f.At.Add(Week), nil, nil); !errors.Is(err, ErrPast) {
		t.Errorf("before the last run: %v", err)
	}
	if _, err := f.Outlook(f.At.Add(time.Hour), f.At, nil, nil); !errors.Is(err, ErrPast) {
		t.Errorf("a horizon before the beginning: %v", err)
	}
	if _, err := f.Outlook(f.At, f.At, []fleet.CellID{""}, nil); err == nil {
		t.Error("an empty id was taken")
	}
	o, err := f.Outlook(f.At, f.At.Add(Week), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := o.Visit("nobody", []fleet.CellID{cellID(0)}); err == nil {
		t.Error("a car that is not held was taken")
	}
	if _, err := o.Try(nil, carID(0), []fleet.CellID{"nowhere"}); err == nil {
		t.Error("a cell that is not held was taken")
	}
	only, err := Solve(History{Observations: []Observation{Observe("c", "o", start, fleet.FaultGain, 0, 0.001)}}, f.Settings, f.Variances)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := only.Outlook(start, start.Add(Week), nil, nil); !errors.Is(err, ErrNoRuns) {
		t.Errorf("no run to be like: %v", err)
	}
}

// apart is how far a is from b, in parts of b.
func apart(a, b float64) float64 { return math.Abs(a-b) / math.Abs(b) }
