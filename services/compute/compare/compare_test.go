package compare

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

const rpm = math.Pi / 30

var start = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// flat is a pull whose figure is x at every point.
func flat(id string, x float64) Curve {
	c := Curve{Pull: fleet.PullID(id), At: start, Cell: "fen-2", Car: "hazel", Session: "one"}
	for n := 2000.0; n <= 6000; n += 500 {
		c.EngineSpeed, c.Value, c.Own = append(c.EngineSpeed, n*rpm), append(c.Value, x), append(c.Own, 0)
	}
	return c
}

// effect adds a shared error of a relative size.
func (c Curve) effect(name string, scope Scope, id string, ratio float64) Curve {
	s := Shared{Name: name, Scope: scope, ID: id}
	for _, v := range c.Value {
		s.Effect = append(s.Effect, ratio*v)
	}
	c.Shared = append(c.Shared[:len(c.Shared):len(c.Shared)], s)
	return c
}

func flats(prefix string, x ...float64) []Curve {
	var out []Curve
	for i, v := range x {
		c := flat(fmt.Sprint(prefix, i), v)
		c.At = start.Add(time.Duration(i) * 5 * time.Minute)
		out = append(out, c)
	}
	return out
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// TestTwoSample is the two-sample t-test of R's data set sleep with equal
// variances, t.test(extra ~ group, var.equal = TRUE): means 0.75 and 2.33, t
// −1.8608, 18 degrees of freedom (R's documentation, from memory). 100 is added
// to all values: a figure has to be positive.
func TestTwoSample(t *testing.T) {
	before := flats("b", 100.7, 98.4, 99.8, 98.8, 99.9, 103.4, 103.7, 100.8, 100.0, 102.0)
	after := flats("a", 101.9, 100.8, 101.1, 100.1, 99.9, 104.4, 105.5, 101.6, 104.6, 103.4)
	r, err := Compare(before, after, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range append([]Difference{r.Band, r.Peak}, r.Points...) {
		near(t, "before", d.Before, 100.75, 1e-12)
		near(t, "after", d.After, 102.33, 1e-12)
		near(t, "t", d.Delta/d.URepeat, 1.8608, 5e-5)
		near(t, "degrees of freedom", d.DoF, 18, 1e-9)
		// GUM table G.2 has 2.15 for 18 and 95.45 %.
		near(t, "coverage factor", d.U/d.URepeat, 2.15, 5e-3)
		if d.Resolved {
			t.Error("p = 0.079 is called resolved")
		}
	}
	if !r.Known || r.Session.Ratio != 0 || r.Before.Sessions != 1 || len(r.Points) != 9 {
		t.Errorf("%+v", r)
	}
}

// TestSharedCancels: errors of one calibration cancel within its epoch but for
// the gain itself, and add up across cells; by hand.
func TestSharedCancels(t *testing.T) {
	make1 := func(prefix, cell, epoch string, x ...float64) []Curve {
		var out []Curve
		for _, c := range flats(prefix, x...) {
			c.Cell = fleet.CellID(cell)
			out = append(out, c.effect("load-cell gain", powercurve.ScopeEpoch, epoch, 0.003).effect("lever arm", powercurve.ScopeCell, cell, 0.001).effect("car's rotating mass", powercurve.ScopeCar, "hazel", 0.002))
		}
		return out
	}
	before := make1("b", "fen-2", "e1", 199, 200, 201)
	one, err := Compare(before, make1("a", "fen-2", "e1", 209, 210, 211), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shared, one cell", one.Band.UShared, 10*math.Sqrt(0.003*0.003+0.001*0.001+0.002*0.002), 1e-12)
	near(t, "U, one cell", one.Band.U, gum.Combined{U: math.Hypot(one.Band.UShared, math.Sqrt(2./3)), DoF: one.Band.DoF}.Expanded(), 1e-12)
	near(t, "ratio", one.Band.Ratio, 0.05, 1e-4) // means of logarithms: to s²/2
	if u := one.Band.URatio; math.Abs(u-1.05*2.87*math.Sqrt(2./3)/205) > 2e-4 {
		t.Errorf("in a ratio the gain cancels wholly: U %v", u) // t(4, 95.45 %) = 2.87, GUM table G.2
	}
	if !one.Band.Resolved || !one.Peak.Resolved || !one.Points[3].Resolved {
		t.Error("5 % on one cell is not resolved")
	}
	// A calibration between: its two gains are independent, the arm still cancels.
	two, err := Compare(before, make1("a", "fen-2", "e2", 209, 210, 211), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shared, two epochs", two.Band.UShared, math.Sqrt(0.6*0.6+0.63*0.63+0.01*0.01+0.02*0.02), 1e-12)
	// Two cells: nothing but the car cancels.
	cells, err := Compare(before, make1("a", "mil-1", "e3", 209, 210, 211), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "shared, two cells", cells.Band.UShared, math.Sqrt(0.6*0.6+0.63*0.63+0.2*0.2+0.21*0.21+0.02*0.02), 1e-12)
	if !(cells.Band.U > two.Band.U && two.Band.U > one.Band.U) {
		t.Errorf("U %v, %v, %v does not grow with what does not cancel", one.Band.U, two.Band.U, cells.Band.U)
	}
	if p := cells.Parts[0]; p.Name != "load-cell gain" || p.Scope != powercurve.ScopeEpoch {
		t.Errorf("largest part %+v", p)
	}
	near(t, "without cancelling", one.Band.Cancelled, math.Sqrt((200*200+210*210)*(9e-6+1e-6+4e-6)), 1e-9)
	for i, says := range []string{"both sets are of fen-2", "2 calibrations", "different cells (fen-2; mil-1)"} {
		if notes := strings.Join([]Result{one, two, cells}[i].Notes, "\n"); !strings.Contains(notes, says) {
			t.Errorf("notes %q do not say %q", notes, says)
		}
	}
	// An error of one pull alone is in the scatter, not beside it.
	lone := flats("b", 199, 200, 201)
	for i := range lone {
		lone[i] = lone[i].effect("coast-down noise", powercurve.ScopePull, string(lone[i].Pull), 0.001)
	}
	alone, err := Compare(lone, flats("a", 209, 210, 211), Settings{})
	if err != nil || alone.Band.UShared != 0 || len(alone.Parts) != 0 {
		t.Errorf("%v %+v", err, alone.Parts)
	}
}

// TestSessions: what sessions differ by stays out within one session, comes from
// the settings across two, and is pooled with what the sets show.
func TestSessions(t *testing.T) {
	in := func(session string, set []Curve) []Curve {
		for i := range set {
			set[i].Session = session
			set[i].Pull = fleet.PullID(session) + set[i].Pull
		}
		return set
	}
	before := in("mon", flats("b", 199, 200, 201))
	r, err := Compare(before, in("tue", flats("a", 203, 204, 205)), Settings{Session: &Spread{Ratio: 0.004, From: "the fleet"}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "session", r.Band.USession, 0.004*202*math.Sqrt2, 1e-9)
	if notes := strings.Join(r.Notes, "\n"); !strings.Contains(notes, "0.40 % standard deviation (the fleet)") {
		t.Error(notes)
	}
	// Two sessions a side, known to ten degrees of freedom beforehand: MS of the
	// session means 2·1²·2/2 = 4 (means 199, 201 and 203, 205; two pulls each),
	// within 0.5²·2·4/4 = 0.5; n0 = 2; σ² = (10·(0.004·202)² + 2·(4 − 0.5)/2)/12, by hand.
	before = append(in("m", flats("b", 198.5, 199.5)), in("n", flats("b", 200.5, 201.5))...)
	after := append(in("o", flats("a", 202.5, 203.5)), in("p", flats("a", 204.5, 205.5))...)
	r, err = Compare(before, after, Settings{Session: &Spread{Ratio: 0.004, DoF: 10, From: "the fleet"}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pooled sessions", r.Band.USession, math.Sqrt((10*math.Pow(0.004*202, 2)+2*1.75)/12), 1e-9)
	near(t, "repeatability", r.Band.URepeat, math.Sqrt(0.5/2), 1e-9)
	// A session on both sides cancels as far as both hold it.
	half := append(in("m", flats("x", 203, 204)), in("z", flats("y", 203, 204))...)
	r, err = Compare(in("m", flats("b", 199, 200)), half, Settings{Session: &Spread{Ratio: 0.004}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "half cancelled", r.Band.USession, 0.004*(199.5+203.5)/2*math.Sqrt(0.5), 1e-9)
	// Every pull with a session of its own: the scatter holds everything.
	single := func(prefix string, x ...float64) []Curve {
		set := flats(prefix, x...)
		for i := range set {
			set[i].Session = string(set[i].Pull)
		}
		return set
	}
	r, err = Compare(single("b", 199, 201), single("a", 209, 211), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "single sessions", r.Band.URepeat, math.Sqrt2, 1e-9)
	if r.Band.USession != 0 || r.Band.DoF != 2 {
		t.Errorf("%+v", r.Band)
	}
}

// TestOneEach: with one pull a set nothing says how pulls repeat.
func TestOneEach(t *testing.T) {
	r, err := Compare(flats("b", 200), flats("a", 220), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Known || r.Band.Resolved || r.Plan.Pulls != 0 || !strings.Contains(r.Plan.Say(), "at least two") {
		t.Errorf("%+v", r)
	}
	if s := r.Statement(Figure{Name: "power", Unit: "W"}, "peak", &r.Peak); !strings.Contains(s, "not judged") {
		t.Error(s)
	}
	r, err = Compare(flats("b", 200), flats("a", 220), Settings{Pull: &Spread{Ratio: 0.0025, DoF: 50, From: "the fleet"}})
	if err != nil || !r.Known || !r.Band.Resolved || r.Repeatability.From != "the fleet" {
		t.Errorf("%v %+v", err, r)
	}
	near(t, "from the fleet", r.Band.URepeat, 0.0025*210*math.Sqrt2, 1e-9)
	// Known noise is the least: two pulls that happen to agree prove nothing.
	agree := flats("b", 200, 200)
	for i := range agree {
		for k := range agree[i].Own {
			agree[i].Own[k] = 1
		}
	}
	same := flats("a", 200.5, 200.5)
	for i := range same {
		copy(same[i].Own, agree[0].Own)
	}
	r, err = Compare(agree, same, Settings{})
	if err != nil || r.Band.Resolved {
		t.Errorf("%v %+v", err, r.Band)
	}
	near(t, "noise", r.Points[0].URepeat, 1, 1e-9)
}

// world makes curves of a known truth: a torque-like curve, pull and point noise,
// session, gain of the epoch, an error of the cell that grows along the curve.
type world struct {
	random                                *rand.Rand
	pull, noise, session, gain, cell, car float64
	drawn                                 map[string]float64
	n                                     int
}

func (w *world) draw(name string) float64 {
	x, ok := w.drawn[name]
	if !ok {
		x = w.random.NormFloat64()
		w.drawn[name] = x
	}
	return x
}

func (w *world) curve(side, cell, session string, gain float64) Curve {
	w.n++
	c := Curve{Pull: fleet.PullID(fmt.Sprint(side, w.n)), At: start.Add(time.Duration(w.n) * time.Minute), Cell: fleet.CellID(cell), Car: "hazel", Session: session}
	pull := w.pull * w.random.NormFloat64()
	shared := []Shared{{Name: "gain", Scope: powercurve.ScopeEpoch, ID: cell}, {Name: "inertia", Scope: powercurve.ScopeCell, ID: cell}, {Name: "mass", Scope: powercurve.ScopeCar, ID: "hazel"}}
	for n := 2000.0; n <= 6000; n += 500 {
		x := (n - 4000) / 2000
		truth := 150e3 * (1 + 0.4*x - 0.3*x*x) * (1 + gain)
		effects := []float64{w.gain * truth, w.cell * (1 + x) * 150e3, w.car * truth}
		y := truth * (1 + pull + w.session*w.draw("session "+cell+session))
		y += effects[0]*w.draw("gain "+cell) + effects[1]*w.draw("cell "+cell) + effects[2]*w.draw("car")
		own := w.noise * truth
		c.EngineSpeed, c.Value, c.Own = append(c.EngineSpeed, n*rpm), append(c.Value, y+own*w.random.NormFloat64()), append(c.Own, own)
		for i := range shared {
			shared[i].Effect = append(shared[i].Effect, effects[i])
		}
	}
	c.Shared = shared
	return c
}

// TestCoverage: over 2000 seeded comparisons each the true difference lies
// within U in 95.45 ± 1.5 %, at the points, for the peak and for the band, and
// without a difference 4.55 ± 1.5 % are called resolved: on one cell in one
// session, on one cell on two days, across cells on two days.
func TestCoverage(t *testing.T) {
	const comparisons = 2000
	for _, c := range []struct {
		name, cell, session string
		gain                float64
	}{
		{"one cell, one session, no gain", "fen-2", "a", 0},
		{"one cell, one session, 3 %", "fen-2", "a", 0.03},
		{"one cell, two days, no gain", "fen-2", "b", 0},
		{"two cells, no gain", "mil-1", "b", 0},
		{"two cells, 3 %", "mil-1", "b", 0.03},
	} {
		t.Run(c.name, func(t *testing.T) {
			var point, band, peak, resolved int
			for seed := range uint64(comparisons) {
				w := &world{random: rand.New(rand.NewPCG(seed, 3)), pull: 0.0025, noise: 0.0004, session: 0.004, gain: 0.002, cell: 0.001, car: 0.004, drawn: map[string]float64{}}
				var before, after []Curve
				for range 3 {
					before = append(before, w.curve("b", "fen-2", "a", 0))
					after = append(after, w.curve("a", c.cell, c.session, c.gain))
				}
				r, err := Compare(before, after, Settings{Session: &Spread{Ratio: 0.004}})
				if err != nil {
					t.Fatal(err)
				}
				truth := func(k int) float64 {
					x := (2000 + 500*float64(k) - 4000) / 2000
					return 150e3 * (1 + 0.4*x - 0.3*x*x) * c.gain
				}
				mean, last := 0.0, len(r.Points)-1
				for k := range r.Points {
					weight := 1.0
					if k == 0 || k == last {
						weight = 0.5
					}
					mean += weight * truth(k) / float64(last)
				}
				count := func(to *int, got, u, want float64) {
					if math.Abs(got-want) <= u {
						*to++
					}
				}
				count(&point, r.Points[3].Delta, r.Points[3].U, truth(3))
				count(&band, r.Band.Delta, r.Band.U, mean)
				// The greatest value is at 5500 rpm, the truth's top at 5333.
				count(&peak, r.Peak.Ratio, r.Peak.URatio, c.gain)
				if r.Band.Resolved {
					resolved++
				}
			}
			for what, n := range map[string]int{"point": point, "band": band, "peak": peak} {
				if share := float64(n) / comparisons; math.Abs(share-gum.Coverage2) > 0.015 {
					t.Errorf("%s: truth within U in %.2f %%", what, 100*share)
				}
			}
			if share := float64(resolved) / comparisons; c.gain == 0 && math.Abs(share-(1-gum.Coverage2)) > 0.015 {
				t.Errorf("called resolved without a gain in %.2f %%", 100*share)
			}
		})
	}
}

// TestPower holds the sample size against R's power.t.test, whose documentation
// has power.t.test(n = 20, delta = 1, sd = 1) power 0.8689528 and
// power.t.test(power = .90, delta = 1) n 22.02110 (from memory).
func TestPower(t *testing.T) {
	near(t, "power", detected(1, 1, 0, 20, 20, 0.95), 0.8689528, 1e-6)
	if n := SampleSize(1, 1, 0, 0.90, 0.95); n != 23 {
		t.Errorf("n %d, want 23", n)
	}
	near(t, "power at n", detected(1, 1, 0, 22.02110, 22.02110, 0.95), 0.90, 1e-6)
	// What more pulls do not lower sets a floor: (2 + 1.2816)·u, normal quantiles.
	if n := SampleSize(0.003, 0.0025, 0.001, 0.9, gum.Coverage2); n != 0 {
		t.Errorf("a gain below the floor takes %d pulls", n)
	}
	near(t, "floor", smallest(0.9, 0.0025, 0.001, math.Inf(1), math.Inf(1), gum.Coverage2), (2+1.2815516)*0.001, 1e-8)
	if n := SampleSize(0.005, 0.0025, 0.001, 0.9, gum.Coverage2); n < 5 || n > 30 {
		t.Errorf("n %d", n)
	}
	// Numbers for the noncentral t from its definition at ν → ∞.
	near(t, "normal", exceeds(2, 1e7, 3), 0.8413447, 1e-6)
}

// TestPlannedSizeResolves: sets of the planned size resolve the gain as often as
// was asked for, over 1000 seeded comparisons.
func TestPlannedSizeResolves(t *testing.T) {
	const gain, comparisons = 0.006, 1000
	n := SampleSize(gain, 0.0025, 0, 0.9, gum.Coverage2)
	resolved := 0
	for seed := range uint64(comparisons) {
		random := rand.New(rand.NewPCG(seed, 9))
		var before, after []float64
		for range n {
			before = append(before, 100*(1+0.0025*random.NormFloat64()))
			after = append(after, 100*(1+gain+0.0025*random.NormFloat64()))
		}
		r, err := Compare(flats("b", before...), flats("a", after...), Settings{Gain: gain})
		if err != nil {
			t.Fatal(err)
		}
		if r.Band.Resolved {
			resolved++
		}
	}
	// Planned for at least 0.9; n is whole, so up to a few percent more.
	if share := float64(resolved) / comparisons; share < 0.9-0.025 || share > 0.97 {
		t.Errorf("%d pulls a set resolve it in %.1f %%", n, 100*share)
	}
}

// TestGrid: curves on different grids are read between their points, gaps are
// not bridged, and the peak is each pull's own.
func TestGrid(t *testing.T) {
	line := func(id string, low, high, step, offset float64) Curve {
		c := Curve{Pull: fleet.PullID(id), At: start, Cell: "fen-2", Session: "one", Car: "hazel"}
		for n := low; n <= high; n += step {
			c.EngineSpeed, c.Value, c.Own = append(c.EngineSpeed, n), append(c.Value, 1000+n+offset), append(c.Own, 1)
		}
		return c
	}
	r, err := Compare([]Curve{line("b1", 100, 500, 10, 0), line("b2", 90, 480, 7, 0)}, []Curve{line("a1", 120, 520, 25, 40), line("a2", 100, 500, 10, 40)}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Low != 120 || r.High != 470 || len(r.Points) != 15 {
		t.Errorf("grid %v to %v, %d points", r.Low, r.High, len(r.Points))
	}
	for _, d := range r.Points {
		near(t, "delta", d.Delta, 40, 1e-9) // the line is read exactly between points
		near(t, "before", d.Before, 1000+d.EngineSpeed, 1e-9)
	}
	near(t, "peak", r.Peak.EngineSpeed, 470, 1e-9)
	gap := line("b3", 100, 500, 10, 0)
	gap.EngineSpeed = append(gap.EngineSpeed[:10:10], gap.EngineSpeed[15:]...)
	gap.Value, gap.Own = append(gap.Value[:10:10], gap.Value[15:]...), gap.Own[:len(gap.EngineSpeed)]
	r, err = Compare([]Curve{gap}, []Curve{line("a1", 100, 500, 10, 40)}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range r.Points {
		if d.EngineSpeed > 190 && d.EngineSpeed < 250 {
			t.Errorf("a value at %v inside a gap", d.EngineSpeed)
		}
	}
}

// TestOrder: the order of the pulls changes no bit, and nothing is changed.
func TestOrder(t *testing.T) {
	w := &world{random: rand.New(rand.NewPCG(1, 2)), pull: 0.003, noise: 0.001, session: 0.004, gain: 0.002, cell: 0.001, car: 0.004, drawn: map[string]float64{}}
	var before, after []Curve
	for i := range 4 {
		before, after = append(before, w.curve("b", "fen-2", "a", 0)), append(after, w.curve("a", "mil-1", fmt.Sprint(i/2), 0.02))
	}
	first, err := Compare(before, after, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for i, j := range []int{2, 0, 3, 1} {
		before[i], before[j] = before[j], before[i]
		after[i], after[j] = after[j], after[i]
	}
	copied := append([]Curve{}, before...)
	again, err := Compare(before, after, Settings{})
	if err != nil || !reflect.DeepEqual(first, again) {
		t.Errorf("another order gives other numbers (%v)", err)
	}
	if !reflect.DeepEqual(copied, before) {
		t.Error("the sets were changed")
	}
	back, err := Compare(after, before, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "turned round", back.Band.Delta, -first.Band.Delta, 1e-6)
	near(t, "U turned round", back.Band.U, first.Band.U, 1e-6)
}

func TestRefused(t *testing.T) {
	good := flats("b", 199, 200, 201)
	change := func(f func(c *Curve)) []Curve {
		set := flats("a", 209, 210)
		set[1].EngineSpeed = append([]float64{}, set[1].EngineSpeed...)
		f(&set[1])
		return set
	}
	for _, c := range []struct {
		name          string
		before, after []Curve
		is            error
		says          string
	}{
		{"nothing before", nil, good, ErrEmpty, "before is empty"},
		{"nothing after", good, nil, ErrEmpty, "after is empty"},
		{"twice", good, good, ErrTwice, "b0 is in before and again in after"},
		{"another car", good, change(func(c *Curve) { c.Car = "larch" }), ErrCars, "b0 is of hazel, a1 of larch"},
		{"no car", good, change(func(c *Curve) { c.Car = "" }), ErrCars, "a car without a name"},
		{"no points", good, change(func(c *Curve) { c.EngineSpeed = nil }), ErrCurve, "pull a1: it has no points"},
		{"lengths", good, change(func(c *Curve) { c.Own = c.Own[:3] }), ErrCurve, "not as many"},
		{"not a number", good, change(func(c *Curve) { c.Value[2] = math.NaN() }), ErrCurve, "point 2"},
		{"falling", good, change(func(c *Curve) { c.EngineSpeed[2] = 0 }), ErrCurve, "do not rise"},
		{"negative", good, change(func(c *Curve) { c.Value[2] = -1 }), ErrCurve, "not positive at 3000 rpm"},
		{"effects", good, change(func(c *Curve) { c.Shared = []Shared{{Name: "gain", Effect: []float64{1}}} }), ErrCurve, `effects of "gain"`},
		{"elsewhere", good, change(func(c *Curve) {
			for i := range c.EngineSpeed {
				c.EngineSpeed[i] += 5000 * rpm
			}
		}), ErrOverlap, "pull a1 begins at 7000 rpm and pull b0 ends at 6000 rpm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Compare(c.before, c.after, Settings{})
			if !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v", err)
			}
		})
	}
	if _, err := Compare(good, change(func(c *Curve) { c.Car = "larch" }), Settings{AnyCar: true}); err != nil {
		t.Error(err)
	}
}

func TestStatement(t *testing.T) {
	r, err := Compare(flats("b", 199e3, 200e3, 201e3), flats("a", 209e3, 210e3, 211e3), Settings{Gain: 0.02})
	if err != nil {
		t.Fatal(err)
	}
	got := r.Statement(Figure{Name: "engine power", Unit: "W"}, "peak", &r.Peak)
	// U = 2.87·√(2/3) kW with 4 degrees of freedom, GUM table G.2.
	if want := "peak engine power: +10.00 kW ± 2.34 kW (+5.00 % ± 1.20 %), from 200.00 to 210.00 kW; U at 95 %; resolved"; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if say := r.Plan.Say(); !strings.HasPrefix(say, "to resolve 2.00 % with a probability of 90 % takes ") {
		t.Error(say)
	}
	r, err = Compare(flats("b", 199e3, 200e3, 201e3), flats("a", 199e3, 200.3e3, 201e3), Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if got := r.Statement(Figure{Name: "torque", Unit: "N·m"}, "mean", &r.Band); !strings.Contains(got, "not resolved") {
		t.Error(got)
	}
}

func BenchmarkCompare(b *testing.B) {
	w := &world{random: rand.New(rand.NewPCG(1, 2)), pull: 0.003, noise: 0.001, gain: 0.002, cell: 0.001, drawn: map[string]float64{}}
	var before, after []Curve
	for range 5 {
		before, after = append(before, w.curve("b", "fen-2", "a", 0)), append(after, w.curve("a", "mil-1", "b", 0.02))
	}
	for b.Loop() {
		if _, err := Compare(before, after, Settings{}); err != nil {
			b.Fatal(err)
		}
	}
}
