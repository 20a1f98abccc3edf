package drift_test

import (
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

func follow(t testing.TB, h drift.History) drift.Followed {
	t.Helper()
	out, err := drift.Follow(h, drift.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// fleets returns how many fleets a truth test simulates.
func fleets(t testing.TB, standard int) int {
	return drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), standard)
}

// Without faults: the innovations are standard normal and uncorrelated, the
// CUSUM's false flags come at about the asked rate, and the offsets' U covers.
//
// Measured over 24 fleets of two years (576 cell-years, seeds 100 to 123): 41
// flags, 0.071 a cell-year (95 %: 0.051 to 0.097); sd of the innovations 0.997,
// lag-1 correlation 0.001; U covers 95.5 % of the offsets, 96.3 % of the cars'
// changes. Asked are 0.1; a CUSUM started at nought signals less in its first
// weeks than its mean run length says, which explains 0.09 over two years.
func TestNoFault(t *testing.T) {
	const weeks = 104
	n := fleets(t, 3)
	flags, cellYears := 0, 0.0
	var sum, sq, lag, judged float64
	covered, estimates := 0.0, 0.0
	dayCovered, days := 0.0, 0.0
	carFlags, carSteps := 0, 0
	carCovered, carKnown := 0.0, 0.0
	for seed := range uint64(n) {
		runs, truth := drifttest.Default(weeks, 100+seed).Invent()
		out := follow(t, drift.History{Runs: runs})
		// The CUSUM again, restarted after every flag as closing it would.
		sums := map[string]*drift.CUSUM{}
		before := map[string]float64{}
		centre := mean(truth)
		for k, s := range out.Steps {
			if s.Judged {
				c := sums[string(s.Cell)]
				if c == nil {
					c = &drift.CUSUM{K: 0.5}
					sums[string(s.Cell)] = c
				}
				c.Add(math.Max(-4, math.Min(4, s.Innovation)))
				if c.High > s.Limit || c.Low > s.Limit {
					flags++
					*c = drift.CUSUM{K: 0.5}
				}
				if k >= 12*4 {
					days++
					if math.Abs(s.DayOffset-(truth[k%12]-centre)) <= s.UDayOffset {
						dayCovered++
					}
				}
				if k >= 12*8 {
					sum += s.Innovation
					sq += s.Innovation * s.Innovation
					lag += s.Innovation * before[string(s.Cell)]
					judged++
				}
				before[string(s.Cell)] = s.Innovation
			}
			if k%12 == 11 && k >= 12*4 {
				c := k % 12
				estimates++
				if math.Abs(s.CellEstimate.Offset-(truth[c]-centre)) <= s.CellEstimate.U {
					covered++
				}
			}
			if s.CarEstimate.Known {
				carSteps++
				if s.CarEstimate.Probability >= 0.95 {
					carFlags++
				}
				carKnown++
				if math.Abs(s.CarEstimate.Change) <= s.CarEstimate.U {
					carCovered++
				}
			}
		}
		cellYears += weeks / 52.0 * 12
	}
	rate := float64(flags) / cellYears
	lo, hi := poisson(flags)
	t.Logf("%d flags in %.0f cell-years: %.3f a cell-year (95 %%: %.3f to %.3f), asked 0.1", flags, cellYears, rate, lo/cellYears, hi/cellYears)
	t.Logf("innovations: mean %.4f, sd %.4f, lag-1 correlation %.4f", sum/judged, math.Sqrt(sq/judged), lag/sq)
	t.Logf("offset's U covers %.1f %% of %0.f", 100*covered/estimates, estimates)
	t.Logf("the day's U covers %.1f %% of %.0f", 100*dayCovered/days, days)
	t.Logf("cars: U covers %.1f %%, flagged in %d of %d steps", 100*carCovered/carKnown, carFlags, carSteps)
	if lo/cellYears > 0.15 || hi/cellYears < 0.05 {
		t.Errorf("false flags at %.3f a cell-year, asked 0.1", rate)
	}
	// Fewer fleets, wider bounds.
	wide := math.Sqrt(4 / float64(n))
	if sd := math.Sqrt(sq / judged); math.Abs(sd-1) > 0.04*wide {
		t.Errorf("sd of the innovations %.3f, want 1", sd)
	}
	if share := dayCovered / days; share < 0.95-0.02*wide || share > 0.95+0.02*wide {
		t.Errorf("U covers %.3f of the offsets of a day, want 0.95", share)
	}
	if share := covered / estimates; share < 0.95-0.035*wide || share > 0.95+0.035*wide {
		t.Errorf("U covers %.3f of the offsets, want 0.95", share)
	}
}

// Faults of one cell in week 20 or from it on: how soon its CUSUM crosses, and
// how often another cell's does meanwhile.
func TestFaultFound(t *testing.T) {
	const at, weeks = 20, 34
	cases := []struct {
		name   string
		size   func(w int) float64
		within int     // weeks after the start
		share  float64 // of the fleets, at least
	}{
		{"step 2 %", func(int) float64 { return 0.02 }, 3, 0.95},
		{"step 1 %", func(int) float64 { return -0.01 }, 8, 0.9},
		{"ramp 0.2 % a week", func(w int) float64 { return 0.002 * float64(w-at+1) }, 9, 0.9},
		{"ramp 0.1 % a week", func(w int) float64 { return -0.001 * float64(w-at+1) }, 13, 0.9},
	}
	n := fleets(t, 4)
	found, delay, others := make([]int, len(cases)), make([]int, len(cases)), make([]int, len(cases))
	for seed := range uint64(n) {
		f := drifttest.Default(weeks, 500+seed)
		// The weeks before the fault are the same in every case: one follower.
		follower, err := drift.NewFollower(drift.DefaultSettings())
		if err != nil {
			t.Fatal(err)
		}
		crossings := func() (first int, crossed map[fleet.CellID]bool) {
			runs, _ := f.Invent()
			out, err := follower.Follow(drift.History{Runs: runs})
			if err != nil {
				t.Fatal(err)
			}
			first, crossed = -1, map[fleet.CellID]bool{}
			for _, s := range out.Steps {
				w := int(s.At.Sub(drifttest.Start) / drift.Week)
				if s.Drifting && w >= at {
					crossed[s.Cell] = true
					if s.Cell == drifttest.CellID(4) && first < 0 {
						first = w
					}
				}
			}
			return first, crossed
		}
		_, anyway := crossings()
		for k, c := range cases {
			f.Fault = func(cell, w int) (fleet.Fault, float64) {
				if cell != 4 || w < at {
					return fleet.FaultNone, 0
				}
				return fleet.FaultAir, c.size(w)
			}
			first, crossed := crossings()
			if first >= 0 && first-at < c.within {
				found[k]++
				delay[k] += first - at + 1
			}
			for c := range crossed {
				if c != drifttest.CellID(4) && !anyway[c] {
					others[k]++
				}
			}
		}
	}
	for k, c := range cases {
		t.Logf("%s: found in %d of %d within %d weeks, after %.1f runs in the mean; %d other cells crossed because of it",
			c.name, found[k], n, c.within, float64(delay[k])/float64(max(found[k], 1)), others[k])
		if float64(found[k]) < c.share*float64(n) {
			t.Errorf("%s: found in %d of %d", c.name, found[k], n)
		}
		// Of eleven other cells a fleet; one in ten.
		if float64(others[k]) > 1.1*float64(n) {
			t.Errorf("%s: %d other cells crossed because of it", c.name, others[k])
		}
	}
}

// One bad cell hardly moves the others' offsets.
func TestBadCellLeavesOthers(t *testing.T) {
	f := drifttest.Default(16, 3)
	good, _ := f.Invent()
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == 0 {
			return fleet.FaultAir, 0.05
		}
		return fleet.FaultNone, 0
	}
	bad, _ := f.Invent()
	a := follow(t, drift.History{Runs: good}).Estimate.Cells
	b := follow(t, drift.History{Runs: bad}).Estimate.Cells
	for i := range a {
		moved := b[i].Offset - a[i].Offset
		if i == 0 {
			if math.Abs(moved-0.05) > 0.005 {
				t.Errorf("the bad cell moved by %.4f, want 0.05", moved)
			}
		} else if math.Abs(moved) > 0.0025 {
			t.Errorf("cell %s moved by %.4f through another's 5 %%", a[i].Cell, moved)
		}
	}
}

// A car that fades by 0.1 % a week from week 8 is found to be the car, and the
// cells it visits are not found to drift.
func TestTiredCar(t *testing.T) {
	const weeks = 26
	n := fleets(t, 3)
	carFound, otherCars, cells := 0, 0, 0
	covered := 0
	for seed := range uint64(n) {
		f := drifttest.Default(weeks, 900+seed)
		f.Fade = func(car, w int) float64 {
			if car != 1 {
				return 0
			}
			return -0.001 * math.Max(0, float64(w-8))
		}
		runs, _ := f.Invent()
		out := follow(t, drift.History{Runs: runs})
		drifting := map[fleet.CellID]bool{}
		for _, s := range out.Steps {
			if s.Drifting {
				drifting[s.Cell] = true
			}
		}
		cells += len(drifting)
		for _, c := range out.Estimate.Cars {
			if c.Probability >= 0.95 {
				if c.Car == drifttest.CarID(1) {
					carFound++
				} else {
					otherCars++
				}
			}
			if c.Car == drifttest.CarID(1) && math.Abs(c.Change+0.017) <= c.U {
				covered++
			}
		}
	}
	t.Logf("tired car found in %d of %d, other cars %d, cells drifting %d; U covers the fade in %d", carFound, n, otherCars, cells, covered)
	if carFound < n || otherCars > 0 {
		t.Errorf("tired car found in %d of %d fleets, other cars in %d", carFound, n, otherCars)
	}
	// 0.1 a cell-year over 12 cells and half a year is 0.6 a fleet.
	if float64(cells) > 1.5*float64(n)+1 {
		t.Errorf("%d cells drift", cells)
	}
	if covered < n-(n+3)/4 {
		t.Errorf("U covers the fade in %d of %d", covered, n)
	}
}

// Every step rests on the runs up to it alone; the order in which runs are
// given or arrive does not matter; a follower that is fed bit by bit ends where
// one that sees all at once does. All bit for bit.
func TestOrderDoesNotMatter(t *testing.T) {
	f := drifttest.Default(14, 5)
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == 2 && w >= 9 {
			return fleet.FaultGain, 0.02
		}
		return fleet.FaultNone, 0
	}
	runs, _ := f.Invent()
	restarts := []drift.Restart{
		{Cell: drifttest.CellID(2), At: drifttest.At(0, 12), Epoch: "e1", Adjusted: true},
		{Cell: drifttest.CellID(5), At: drifttest.At(0, 10)},
		{Car: drifttest.CarID(3), At: drifttest.At(0, 6), Adjusted: true},
	}
	want := follow(t, drift.History{Runs: runs, Restarts: restarts})
	for k := range want.Steps {
		if k%17 != 0 {
			continue
		}
		part := follow(t, drift.History{Runs: runs[:k+1], Restarts: restarts})
		if !reflect.DeepEqual(part.Steps[k], want.Steps[k]) {
			t.Fatalf("step %d knew of later runs", k)
		}
	}
	r := rand.New(rand.NewPCG(1, 1))
	shuffled := slices.Clone(runs)
	r.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	slices.Reverse(restarts)
	if got := follow(t, drift.History{Runs: shuffled, Restarts: restarts}); !reflect.DeepEqual(got, want) {
		t.Error("the order of the runs matters")
	}
	fl, err := drift.NewFollower(drift.DefaultSettings())
	if err != nil {
		t.Fatal(err)
	}
	var got drift.Followed
	for n := 40; ; n += 25 {
		h := drift.History{Runs: shuffled[:min(n, len(shuffled))]}
		if n > 90 {
			h.Restarts = restarts
		}
		if got, err = fl.Follow(h); err != nil {
			t.Fatal(err)
		}
		if n >= len(shuffled) {
			break
		}
	}
	if !reflect.DeepEqual(got, want) {
		t.Error("a follower fed bit by bit ends elsewhere")
	}
	// And back again.
	short := drift.History{Runs: runs[:50], Restarts: restarts}
	if got, err = fl.Follow(short); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, follow(t, short)) {
		t.Error("a follower whose history got shorter ends elsewhere")
	}
}

// An adjusted cell starts anew: its CUSUM at nought, its offset without the
// runs before; a restart without adjustment leaves the offset.
func TestRestart(t *testing.T) {
	f := drifttest.Default(24, 6)
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == 2 && w >= 12 && w < 20 {
			return fleet.FaultGain, 0.03
		}
		return fleet.FaultNone, 0
	}
	runs, truth := f.Invent()
	cell := drifttest.CellID(2)
	restart := drift.Restart{Cell: cell, At: drifttest.At(2, 20).Add(-time.Hour), Epoch: "e2", Adjusted: true}
	steps := follow(t, drift.History{Runs: runs, Restarts: []drift.Restart{restart}}).Steps
	var last drift.Step
	crossed, restarted := false, 0
	for _, s := range steps {
		if s.Cell != cell {
			continue
		}
		w := int(s.At.Sub(drifttest.Start) / drift.Week)
		crossed = crossed || s.Drifting && w < 20
		if s.Restarted && w > 0 {
			restarted++
			if w != 20 || s.Epoch != "e2" {
				t.Errorf("restarted in week %d, epoch %q", w, s.Epoch)
			}
			if s.CellEstimate.Runs != 1 {
				t.Errorf("%d runs since the restart, want 1", s.CellEstimate.Runs)
			}
		}
		if s.Drifting && w >= 20 {
			t.Errorf("still drifting in week %d", w)
		}
		last = s
	}
	if !crossed || restarted != 1 {
		t.Errorf("crossed %v, restarted %d times", crossed, restarted)
	}
	if d := last.CellEstimate.Offset - (truth[2] - mean(truth)); math.Abs(d) > last.CellEstimate.U*1.5 {
		t.Errorf("offset %.4f ± %.4f off the truth by %.4f after the adjustment", last.CellEstimate.Offset, last.CellEstimate.U, d)
	}
	restart.Adjusted = false
	for _, s := range follow(t, drift.History{Runs: runs, Restarts: []drift.Restart{restart}}).Steps {
		if s.Cell == cell && s.Restarted && s.At.After(restart.At) && s.CellEstimate.Runs != 8 {
			t.Errorf("%d runs after a restart without adjustment, want the window's 8", s.CellEstimate.Runs)
		}
	}
}

func TestNotSeparable(t *testing.T) {
	last := func(f drifttest.Fleet) []drift.CellEstimate {
		runs, _ := f.Invent()
		return follow(t, drift.History{Runs: runs}).Estimate.Cells
	}
	f := drifttest.Default(10, 2)
	f.Cells = 6
	for _, e := range last(f) {
		if e.NotSeparable != "" {
			t.Errorf("rotating cars: %s", e.NotSeparable)
		}
	}
	// Cell 5 only ever sees car d, which goes nowhere else.
	f.Visit = func(c, w int) int {
		if c == 5 {
			return 3
		}
		return (c + w) % 3
	}
	for _, e := range last(f) {
		want := ""
		if e.Cell == "cell-05" {
			want = "Cell cell-05 and car car-d have only met each other: what the cell reads cannot be told from what the car does. Bring car car-a to cell cell-05."
			// The prior is then all there is: U is about 2·0.6 %.
			if e.U < 0.008 {
				t.Errorf("U = %.4f where cell and car are confounded", e.U)
			}
		}
		if e.NotSeparable != want {
			t.Errorf("cell %s: %q, want %q", e.Cell, e.NotSeparable, want)
		}
	}
	// Two sites of three cells, each with a car of its own.
	f.Visit = func(c, w int) int { return c / 3 }
	for _, e := range last(f) {
		car := map[bool]string{true: "Bring car car-b", false: "Bring car car-a"}[e.Cell < "cell-03"]
		if !strings.Contains(e.NotSeparable, car) {
			t.Errorf("cell %s: %q does not say %q", e.Cell, e.NotSeparable, car)
		}
	}
	// One cell alone.
	f.Cells = 1
	if e := last(f)[0]; !strings.Contains(e.NotSeparable, "another cell") {
		t.Errorf("one cell alone: %q", e.NotSeparable)
	}
}

// Thin and odd histories give answers, not errors.
func TestThinHistory(t *testing.T) {
	if out := follow(t, drift.History{}); len(out.Steps) != 0 || out.Estimate.Limit == 0 {
		t.Errorf("no runs: %+v", out)
	}
	runs, _ := drifttest.Default(3, 4).Invent()
	out := follow(t, drift.History{Runs: runs[:1]})
	if s := out.Steps[0]; s.Judged || s.Skipped == "" {
		t.Errorf("the first run of all was judged: %+v", s)
	}
	// Pulls that cannot be used are left out, a run without any is said to be.
	odd := slices.Clone(runs)
	odd[20].Pulls = nil
	odd[21].Pulls = slices.Clone(odd[21].Pulls)
	odd[21].Pulls[0].Y = slices.Clone(odd[21].Pulls[0].Y)
	odd[21].Pulls[0].Y[3] = math.NaN()
	out = follow(t, drift.History{Runs: odd})
	if s := out.Steps[20]; s.Judged || s.Skipped == "" || s.Pulls != 0 {
		t.Errorf("a run without pulls: %+v", s)
	}
	if s := out.Steps[21]; !s.Judged || s.Pulls != 3 {
		t.Errorf("a run with one bad pull of four: %+v", s)
	}
	one := runs[0]
	one.Pulls = one.Pulls[:1]
	if _, err := drift.Follow(drift.History{Runs: []refrun.Run{one}}, drift.DefaultSettings()); err != nil {
		t.Errorf("one pull alone: %v", err)
	}
	if _, err := drift.Follow(drift.History{Runs: []refrun.Run{runs[0], runs[0]}}, drift.DefaultSettings()); err == nil {
		t.Error("a run given twice was taken")
	}
	if _, err := drift.Follow(drift.History{}, drift.Settings{}); err == nil {
		t.Error("empty settings were taken")
	}
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// poisson returns the exact 95 % interval of a Poisson mean.
func poisson(n int) (lo, hi float64) {
	if n > 0 {
		lo = distuv.ChiSquared{K: 2 * float64(n)}.Quantile(0.025) / 2
	}
	return lo, distuv.ChiSquared{K: 2*float64(n) + 2}.Quantile(0.975) / 2
}

func BenchmarkFollowOneMore(b *testing.B) {
	runs, _ := drifttest.Default(26, 1).Invent()
	f, err := drift.NewFollower(drift.DefaultSettings())
	if err != nil {
		b.Fatal(err)
	}
	n := len(runs)
	if _, err := f.Follow(drift.History{Runs: runs[:n-12]}); err != nil {
		b.Fatal(err)
	}
	k := 0
	for b.Loop() {
		k = k%12 + 1
		if _, err := f.Follow(drift.History{Runs: runs[:n-12+k]}); err != nil {
			b.Fatal(err)
		}
	}
}
